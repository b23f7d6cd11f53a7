"""The unit's own power: the battery's level where the kernel knows one, and under-voltage where the board tells it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from glob import glob
from pathlib import Path

from firmware_app.core.events import Battery, Event, Fault

POLL_S = 30.0
"""Batteries empty over hours, and low voltage lasts as long as its cause (own choice)."""

_SUPPLIES = Path("/sys/class/power_supply")
_LOW_VOLTAGE = "/sys/class/hwmon/hwmon*/in0_lcrit_alarm"


class Power:
    """Looks now and then; delivers Battery events, and a Fault of part ``power`` while the voltage is too low.

    Source: the kernel's sysfs-class-power (capacity, in percent; scope, "Device" for the battery of a keyboard or some
    other thing beside the unit) and hwmon (in0_lcrit_alarm) interfaces.
    """

    def __init__(self, supplies: Path = _SUPPLIES, low_voltage: str = _LOW_VOLTAGE) -> None:
        self._supplies = supplies
        self._low_voltage = low_voltage

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Deliver what changed, until cancelled."""
        told_percent: int | None = None
        told_low = False
        while True:
            percent = self._percent()
            if percent is not None and percent != told_percent:
                told_percent = percent
                deliver(Battery("unit", percent))
            low = self._low()
            if low != told_low:
                told_low = low
                words = "Low voltage: use a stronger power bank or a shorter cable." if low else "Voltage is back."
                deliver(Fault("power", words, active=low))
            await asyncio.sleep(POLL_S)

    def _percent(self) -> int | None:
        for supply in sorted(self._supplies.glob("*/capacity")):
            try:
                scope = supply.with_name("scope")
                if scope.exists() and scope.read_text().strip() == "Device":
                    continue
                return min(max(int(supply.read_text()), 0), 100)
            except (OSError, ValueError):
                continue
        return None

    def _low(self) -> bool:
        for alarm in glob(self._low_voltage):
            try:
                if Path(alarm).read_text().strip() == "1":
                    return True
            except OSError:
                continue
        return False
