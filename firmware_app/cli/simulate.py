"""``rumblestrip simulate``: the same unit on a synthetic rider. Here, and only here, firmware meets simulator."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from firmware_app import settings
from firmware_app.cli import Failed, UsageError, options, warn
from firmware_app.cli.live import add_unit_arguments, live, say, simulated_rider, wrapped
from firmware_app.core.events import Event, Press
from firmware_app.core.views import ListView, RideView, View

if TYPE_CHECKING:
    from firmware_app.core.record import RideRecord
    from firmware_app.devices.panel import OffscreenPanel
    from firmware_app.devices.strap import Strap
    from firmware_app.preparation import Preparation
    from sim.scenario import LabelledRide

BEGAN_UNIX_S = 1_800_000_000.0
"""When a simulated ride takes place that is stored nowhere: the same seed gives the same ride, to the last bit."""

EARLY_S = 12.0
"""So long before its end a ride with pictures pauses, and is over three seconds later: a pause, a summary, the home
page and what lies behind it want to be seen while the strap still sends."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of ``simulate``."""
    parser.epilog = "With --headless a whole ride takes about a second, in virtual time, through the real unit."
    parser.add_argument("scenario", nargs="?", default="demo", help="a scenario's name or TOML file (default: demo)")
    parser.add_argument("--seed", type=int, default=1, help="which rider, ride and faults (default: 1)")
    dirt = "how dirty the signal: 0 clean, 1 ordinary, 3 awful, 100 at most (default: 1)"
    parser.add_argument("--dirt", type=float, default=1.0, help=dirt)
    parser.add_argument("--headless", action="store_true", help="in virtual time, without a panel")
    parser.add_argument("--log", action="store_true", help="store a headless ride in the log")
    parser.add_argument(
        "--pictures",
        type=Path,
        metavar="DIR",
        help="save each page of a headless ride as PNG; for the pages after it, it ends twelve seconds early",
    )
    parser.add_argument("--json", action="store_true", help="print a headless ride as one JSON document")
    add_unit_arguments(parser)
    options.add_ride_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Simulate."""
    _check(args)
    ride = _ride(args.scenario, args.dirt, args.seed)
    low_bpm, high_bpm = ride.target_bpm
    ready = options.prepared(args, hr_max_bpm=ride.hr_max_bpm, target=f"{low_bpm}-{high_bpm}bpm")
    if not args.headless:
        return live(args, ready, _strap_of(ride), "sim", wired=False)
    from firmware_app.cli.replay import document, page
    from sim.runner import run_virtual

    if not args.json:
        say(simulated_rider(ready))
    warn(ready.near_max_caution())
    record, unsaved = run_virtual(_headless(args, ready, ride))
    sex = ready.rider.sex
    shown = json.dumps(document(record, ready.bands, sex)) if args.json else None
    print(shown or wrapped(page(record, ready.bands, sex), sys.stdout))
    if unsaved:
        raise Failed(f"the ride is over, but pictures of it are missing: {unsaved}; name a folder with room for them")
    return 0


def _check(args: argparse.Namespace) -> None:
    """Make the folder for pictures. Raises UsageError for it, and for options that say nothing beside each other."""
    if not args.headless and (args.json or args.pictures or args.log):
        raise UsageError("--json, --pictures and --log belong to --headless; a live simulation is always stored")
    if args.headless and (args.panel or args.picture or args.stop_after_s is not None):
        raise UsageError(
            "--panel, --picture and --stop-after-s belong to a live simulation: leave them out, or --headless; "
            "--pictures DIR saves the pages of a headless ride, and a scenario of your own says how long it is"
        )
    if not 0 <= args.dirt <= 100:
        raise UsageError(f"--dirt {args.dirt:g}: give 0 to 100")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: give 0 or more")
    if args.pictures:
        try:
            args.pictures.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"--pictures {args.pictures}: {error.strerror}; name a folder that can be made") from error


def live_strap(scenario: str, seed: int) -> tuple[int, str, Callable[[settings.StrapSettings], Strap]]:
    """For ``ride --strap sim``: the rider's maximum in bpm, the lane, and the strap."""
    ride = _ride(scenario, 1.0, seed)
    low_bpm, high_bpm = ride.target_bpm
    return ride.hr_max_bpm, f"{low_bpm}-{high_bpm}bpm", _strap_of(ride)


def _ride(scenario: str, dirt: float, seed: int) -> LabelledRide:
    from sim.scenario import labelled_ride

    return labelled_ride(scenario, dirt, seed)


def _strap_of(ride: LabelledRide) -> Callable[[settings.StrapSettings], Strap]:
    from sim.live import SimulatedStrap

    return lambda worn: SimulatedStrap(ride)


async def _headless(args: argparse.Namespace, ready: Preparation, ride: LabelledRide) -> tuple[RideRecord, str]:
    """The ride, and the first of its pictures that could not be saved, with the reason; "" for none."""
    from firmware_app.devices.clock import LoopClock
    from firmware_app.devices.panel import OffscreenPanel
    from firmware_app.devices.sounder import SilentSounder
    from firmware_app.store.keeper import LogKeeper, MemoryKeeper
    from firmware_app.store.log import log_path
    from firmware_app.unit import Unit
    from firmware_app.wiring import Wiring

    unit_settings = settings.load_unit()
    size = (unit_settings.panel.width_px, unit_settings.panel.height_px)
    panel = OffscreenPanel(size) if args.pictures else None
    album = Album(args.pictures, panel) if panel else None
    keepers: list[LogKeeper | MemoryKeeper] = []

    def keeper(on_fault: Callable[..., None]) -> LogKeeper | MemoryKeeper:
        keepers.append(LogKeeper(log_path(), on_fault) if args.log else MemoryKeeper())
        return keepers[0]

    wiring = Wiring(
        say=say,
        panel=panel,
        clock=LoopClock(time.time() if args.log else BEGAN_UNIX_S),
        strap=_strap_of(ride),
        sounder=lambda: (SilentSounder(), None),
        keeper=keeper,
        sources=(lambda: (("tour", Tour(ride)),)) if args.pictures else tuple,
        watch=album.keep if album else lambda view: None,
    )
    lost = await Unit(wiring, ready, unit_settings, "sim", stop_with_ride=not args.pictures).run()
    if lost:
        # What the log has of it would be told as if it were the ride.
        raise Failed("the ride could not be stored; make room for it as said above, or leave --log out")
    record = keepers[0].record()
    if record is None:
        raise Failed("the ride could not be read back from the log; see the messages above")
    return record, album.unsaved if album else ""


class Tour:
    """Presses the keys so that a headless ride shows every page.

    Not before its last moments: until then it is the ride that it would be without pictures.
    """

    def __init__(self, ride: LabelledRide) -> None:
        self._length_s = float(ride.t_s[-1])

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Press; returns when the tour is over."""
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        act, back = Press("select"), Press("select", "long")
        at_s = [(self._length_s - EARLY_S, act), (self._length_s - EARLY_S + 3, back)]
        look_round = [act, Press("minus", "long"), *[Press("plus")] * 5, act, act, back, Press("plus", "long")]
        at_s += [(self._length_s - EARLY_S + 4.5 + 0.5 * place, press) for place, press in enumerate(look_round)]
        for t_s, press in at_s:
            await asyncio.sleep(began_s + t_s - loop.time())
            deliver(press)


class Album:
    """Saves the first picture of every page, and of every state of the ride page, as PNG.

    unsaved: the first one that could not be, and why; none is tried after it.
    """

    def __init__(self, folder: Path, panel: OffscreenPanel) -> None:
        self._folder = folder
        self._panel = panel
        self._kept: set[str] = set()
        self.unsaved = ""

    def keep(self, view: View) -> None:
        """Save what the panel shows, if there is nothing like it yet."""
        name = _name_of(view)
        if self.unsaved or name in self._kept:
            return
        self._kept.add(name)
        path = self._folder / f"{name}.png"
        try:
            self._panel.save(path)
        except OSError as error:
            # The unit would ride on without a word, as it does without a terminal to watch from.
            self.unsaved = f"{path}: {error.strerror}"


def _name_of(view: View) -> str:
    if isinstance(view, RideView):
        if view.near_max:
            return "ride-near-maximum"
        if view.percent is None:
            return "ride-no-heart-rate"
        # Not every heart that is not told anything is in its lane: it may still be on its way there.
        inside = view.low_bpm is None or view.low_bpm <= (view.hr_bpm or 0) <= (view.high_bpm or 0)
        return {-1: "ride-under", 0: "ride-inside" if inside else "ride-on-its-way", 1: "ride-over"}[view.side]
    if isinstance(view, ListView):
        return view.title.lower().replace(" ", "-")
    return type(view).__name__.removesuffix("View").lower()
