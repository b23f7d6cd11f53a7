"""A simulated strap for the real unit: what a labelled ride's notifications are, as the events of a strap."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from firmware_app.core.events import BadPacket, Battery, Event, Link
from firmware_app.core.measurement import PacketError, decode, encode
from firmware_app.devices.strap import Strap
from sim.scenario import LabelledRide

_GONE_S = 5.0
"""So long without a notification, the radio would have told that the link is lost."""


class SimulatedStrap(Strap):
    """Plays one labelled ride, and returns when it is over. Every notification passes through the wire format."""

    def __init__(self, ride: LabelledRide) -> None:
        self._ride = ride

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Deliver the ride's events at their times, by the running loop's clock."""
        loop = asyncio.get_running_loop()
        start_s = loop.time()
        deliver(Link("searching", "Looking for simulated strap."))
        connected = False
        for t_s, measurement in self._ride.rows:
            wait_s = start_s + t_s - loop.time()
            if connected and wait_s > _GONE_S:
                await asyncio.sleep(_GONE_S)
                connected = False
                deliver(Link("lost", "simulated strap is out of range: the unit keeps looking for it."))
                wait_s = start_s + t_s - loop.time()
            await asyncio.sleep(wait_s)
            if not connected:
                connected = True
                deliver(Link("connected"))
                deliver(Battery("strap", 80))
            if measurement.hr_bpm is None:
                deliver(measurement)
                continue
            try:
                deliver(decode(encode(measurement)))
            except PacketError as error:
                deliver(BadPacket(str(error)))
        end_s = start_s + float(self._ride.t_s[-1])
        await asyncio.sleep(end_s - loop.time())
