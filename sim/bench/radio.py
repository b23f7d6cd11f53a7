"""The radio misbehaves: a thousand connections with faults in between, on an emulated BlueZ."""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import os
import random
import statistics
import sys
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from firmware_app.core.events import Event, Link
from firmware_app.core.measurement import Measurement
from firmware_app.devices.strap import BleStrap
from sim.radio import STRAPS, Radio, StrapProcess

HELP = """\
Counts what leaks and what is missed, and times the way back: from the moment a strap can be heard again (or Bluetooth
works again) to the next measurement delivered. The unit's own pace; the strap notifies some fifteen times a second, so
on a real strap up to a second until its next notification comes on top.
"""

FAULTS: dict[str, float] = {
    "away": 60,
    "refuse": 8,
    "half": 8,
    "no_scan": 6,
    "no_acquire": 6,
    "no_read": 6,
    "adapter": 3,
    "power": 3,
    "bluez": 1,
    "hang": 0.5,
    "mute": 0.5,
}
"""How often each fault comes, relative to the others. "away" is a strap out of range for a moment; "adapter" pulls the
unit's adapter out and in, "power" switches it off and on, "bluez" kills the Bluetooth service, "mute" is a link that
says nothing; the others are those of sim.emulated_bluez, each together with "away"."""

GIVE_UP_S = 60.0
"""A reconnection that takes longer is counted as missed."""

WARM_UP = 30
"""Connections before the first look at memory, tasks and descriptors."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--connections", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    result = asyncio.run(_soak(args.connections, args.seed))
    if args.json:
        print(json.dumps(result, indent=2))
    else:
        for name, value in result.items():
            print(f"{name}: {value}")
    return 1 if result["missed_reconnects"] else 0


class _Soak:
    """One unit, one strap, and what happened between them."""

    def __init__(self, radio: Radio, seed: int) -> None:
        self.radio = radio
        self.chance = random.Random(seed)
        self.connections = 0
        self.measurements = 0
        self.heard_s = 0.0
        self.strap = self._new_strap()

    def _new_strap(self) -> StrapProcess:
        strap = self.radio.strap("hci1", "--speed", "60", "--quiet")
        strap.wait_for("ready")
        return strap

    def deliver(self, event: Event) -> None:
        if isinstance(event, Measurement):
            self.measurements += 1
            self.heard_s = asyncio.get_running_loop().time()
        elif isinstance(event, Link) and event.state == "connected":
            self.connections += 1

    async def until(self, condition: Callable[[], bool]) -> bool:
        """Wait for it; False when it did not come in time."""
        with suppress(TimeoutError):
            async with asyncio.timeout(GIVE_UP_S):
                while not condition():  # noqa: ASYNC110 - what is waited for happens in another process
                    await asyncio.sleep(0.005)
                return True
        return False

    async def once(self, fault: str) -> float | None:
        """Break the link in one way; seconds from the return to the next measurement, or None when it never came."""
        clock = asyncio.get_running_loop().time
        before = self.connections
        radio, strap = self.radio, self.strap
        if fault == "adapter":
            await radio.remove_adapter(0)
            await asyncio.sleep(0.1)
            await radio.add_adapter(0)
        elif fault == "power":
            await radio.power(0, False)
            await asyncio.sleep(0.1)
            await radio.power(0, True)
        elif fault == "bluez":
            radio.stop_bluez()
            strap.kill()
            radio.start_bluez()
            self.strap = self._new_strap()
        elif fault == "mute":
            strap.tell("fault mute")
            if not await self.until(lambda: self.connections > before):
                return None
            strap.tell("fault none")
        else:
            if fault != "away":
                await radio.order(fault)
            strap.forget()
            strap.tell(f"away {self.chance.uniform(0.05, 0.3):.3f}")
            await self.until(lambda: bool(strap.said("back")))
        back_s = clock()
        if not await self.until(lambda: self.connections > before and self.heard_s > back_s):
            return None
        return self.heard_s - back_s


async def _soak(connections: int, seed: int) -> dict[str, Any]:
    with Radio() as radio:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = radio.address
        soak = _Soak(radio, seed)
        unit = asyncio.create_task(BleStrap(STRAPS[0], "Strap", "hci0").run(soak.deliver))
        await soak.until(lambda: soak.measurements > 0)
        seconds: defaultdict[str, list[float]] = defaultdict(list)
        missed = 0
        start: dict[str, int] = {}
        began_s = asyncio.get_running_loop().time()
        while soak.connections < connections:
            (fault,) = soak.chance.choices(list(FAULTS), list(FAULTS.values()))
            took_s = await soak.once(fault)
            if took_s is None:
                missed += 1
            else:
                seconds[fault].append(took_s)
            if not start and soak.connections >= min(WARM_UP, connections // 2):
                start = await _at_rest()
            if sys.stderr.isatty():
                print(f"\r{soak.connections}/{connections}", end="", file=sys.stderr)
        end = await _at_rest()
        took_s = asyncio.get_running_loop().time() - began_s
        unit.cancel()
        await asyncio.wait({unit})
        soak.strap.kill()
    every = [second for each in seconds.values() for second in each]
    return {
        "connections": soak.connections,
        "seed": seed,
        "took_s": round(took_s),
        "measurements": soak.measurements,
        "missed_reconnects": missed,
        "growth": {name: end[name] - start[name] for name in end},
        "back_s": _spread(every),
        "back_s_by_fault": {fault: _spread(seconds[fault]) for fault in FAULTS if seconds[fault]},
    }


async def _at_rest() -> dict[str, int]:
    await asyncio.sleep(3.0)
    return _footprint()


def _footprint() -> dict[str, int]:
    """Memory in KiB, tasks and descriptors of this process."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return {
        "memory_kib": pages * os.sysconf("SC_PAGE_SIZE") // 1024,
        "tasks": len(asyncio.all_tasks()),
        "descriptors": len(os.listdir("/proc/self/fd")),
    }


def _spread(values: list[float]) -> dict[str, float]:
    return {"n": len(values), "median": round(statistics.median(values), 2), "worst": round(max(values), 2)}
