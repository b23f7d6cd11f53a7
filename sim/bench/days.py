"""Days on end: does the unit grow? Two days in virtual time, and minutes in real time, with the log on a disk.

The whole unit runs as it does live, panel and log and all. The first half is one single ride; after it a ride ends
now and then, its summary is shown, and the next begins. Once an hour (in real time: every quarter minute) the unit is
looked at: memory, tasks, threads, file descriptors, and what the time since the last look cost. The growth of each
half is what its last quarter has more than its second; the first is left to whatever fills up once.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import os
import resource
import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import fmean

from firmware_app import preparation, settings
from firmware_app.core.events import Event, Press
from firmware_app.devices.clock import LoopClock
from firmware_app.devices.panel import OffscreenPanel
from firmware_app.devices.sounder import SilentSounder
from firmware_app.devices.strap import Strap
from firmware_app.store.keeper import LogKeeper
from firmware_app.unit import Unit
from firmware_app.wiring import Wiring
from sim.bench.speed import disk_folder
from sim.live import SimulatedStrap
from sim.runner import run_virtual
from sim.scenario import LabelledRide, labelled_ride

HELP = "does the unit grow: two days in virtual time, or minutes in real time"

Look = dict[str, float]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of this bench."""
    parser.add_argument("--hours", type=float, default=48.0, help="in virtual time, 0 for none (default 48)")
    parser.add_argument("--real-minutes", type=float, default=0.0, help="in real time (default none)")
    parser.add_argument("--looks", action="store_true", help="print every look as well, not only the growth")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Ride, and print how the unit grew."""
    found: dict[str, object] = {"schema": "rumblestrip.bench.days/1"}
    for name, length_s, every_s, runner in (
        ("virtual", args.hours * 3600, 3600.0, run_virtual),
        ("real", args.real_minutes * 60, 15.0, asyncio.run),
    ):
        if length_s:
            watch = _Watch(length_s, every_s)
            runner(_ride(watch))
            half = len(watch.looks) // 2
            found[name] = {
                "hours": length_s / 3600,
                "memory_mb": watch.looks[-1]["memory_kb"] / 1000,
                "worst_late_ms": max(look["late_ms"] for look in watch.looks),
                "growth_in_one_ride": _growth(watch.looks[:half]),
                "growth_ride_after_ride": _growth(watch.looks[half:]),
                **({"looks": watch.looks} if args.looks else {}),
            }
    print(json.dumps(found, indent=None if args.json else 2))
    return 0


class _AgainAndAgain(Strap):
    """A strap whose ride begins anew whenever it is over."""

    def __init__(self, ride: LabelledRide) -> None:
        self._ride = ride

    async def run(self, deliver: Callable[[Event], None]) -> None:
        while True:
            await SimulatedStrap(self._ride).run(deliver)


class _Watch:
    """Looks at the process now and then, and stops the unit at the end."""

    def __init__(self, length_s: float, every_s: float) -> None:
        self.length_s = length_s
        self.looks: list[Look] = []
        self.stop: Callable[[], None] = lambda: None
        self._every_s = every_s

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Look until the length is over."""
        loop = asyncio.get_running_loop()
        began_s = due_s = loop.time()
        while due_s - began_s < self.length_s:
            cpu_s, late_s = time.process_time(), 0.0
            look_s = due_s + self._every_s
            while due_s < look_s:
                due_s += 0.5
                await asyncio.sleep(due_s - loop.time())
                # In virtual time nothing is ever late: there the CPU time tells.
                late_s = max(late_s, loop.time() - due_s)
            self.looks.append({"t_s": round(due_s - began_s, 1), **_footprint(cpu_s, late_s)})
        self.stop()


def _footprint(since_cpu_s: float, late_s: float) -> Look:
    cpu_s = time.process_time() - since_cpu_s
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return {
        "memory_kb": pages * resource.getpagesize() / 1000,
        "objects": len(gc.get_objects()),
        "tasks": len(asyncio.all_tasks()),
        "threads": threading.active_count(),
        "descriptors": len(os.listdir("/proc/self/fd")),
        "cpu_s": round(cpu_s, 4),
        "late_ms": round(late_s * 1000, 3),
    }


class _Rider:
    """Lets the first ride go on for half the time, then ends it and begins another, again and again."""

    def __init__(self, length_s: float) -> None:
        self._length_s = length_s

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Press."""
        await asyncio.sleep(self._length_s / 2)
        while True:
            deliver(Press("select", "long"))
            await asyncio.sleep(5)
            # Away from the summary, and off again.
            deliver(Press("select"))
            deliver(Press("select"))
            await asyncio.sleep(self._length_s / 16)


async def _ride(watch: _Watch) -> None:
    ride = labelled_ride("hills", 1.0, 1)
    low_bpm, high_bpm = ride.target_bpm
    ready = preparation.prepare(f"{low_bpm}-{high_bpm}bpm", None, ride.hr_max_bpm, 56, "seven")
    with disk_folder() as folder:
        wiring = Wiring(
            panel=OffscreenPanel((480, 320)),
            clock=LoopClock(time.time()),
            strap=lambda worn: _AgainAndAgain(ride),
            sounder=lambda: (SilentSounder(), None),
            keeper=lambda on_fault: LogKeeper(folder / "rides.sqlite3", on_fault),
            sources=lambda: (("watch", watch), ("rider", _Rider(watch.length_s))),
        )
        unit = Unit(wiring, ready, settings.Unit(), "sim")
        watch.stop = unit.stop
        await unit.run()


def _growth(looks: list[Look]) -> Look:
    """The last quarter of the looks against the second, at least one of each."""
    quarter = max(len(looks) // 4, 1)
    second, last = looks[quarter : 2 * quarter] or looks[:1], looks[-quarter:]
    growth = {name: _mean(last, name) - _mean(second, name) for name in looks[0] if name != "t_s"}
    return {name: round(value, 3) for name, value in growth.items()}


def _mean(looks: list[Look], name: str) -> float:
    return fmean(look[name] for look in looks)
