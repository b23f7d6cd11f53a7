"""``rumblestrip ride``: the main job, live."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from firmware_app import settings
from firmware_app.cli import UsageError, options
from firmware_app.cli.live import add_unit_arguments, live
from firmware_app.core.bands import BandError
from firmware_app.core.views import FaultView

if TYPE_CHECKING:
    from firmware_app.core.maximal_test import Ramp
    from firmware_app.devices.strap import Strap
    from firmware_app.preparation import Preparation


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of ``ride``."""
    parser.epilog = (
        "With a target, a plan or a simulated strap the ride begins at once, and so it does where nothing can be "
        "pressed; otherwise the unit opens at home. In a terminal, - and + move, space acts, M S P are long presses; "
        "Ctrl-C ends and stores the ride."
    )
    kinds = ("ble", "sim")
    parser.add_argument("--strap", choices=kinds, default="ble", help="the remembered strap, or a simulated one")
    parser.add_argument("--resume", action="store_true", help="go on with the ride that was cut")
    parser.add_argument("--maximal-test", action="store_true", help="the guided maximal test: read SAFETY.md before")
    watts = "with --maximal-test: watts of its first step and of each more: 80+20"
    parser.add_argument("--ramp", type=_ramp, metavar="W+W", help=watts)
    add_unit_arguments(parser)
    options.add_ride_arguments(parser)


def _ramp(text: str) -> tuple[int, int]:
    start, plus, step = text.partition("+")
    if not (plus and start.isdecimal() and step.isdecimal() and 20 <= int(start) <= 400 and 5 <= int(step) <= 50):
        raise argparse.ArgumentTypeError(f"{text!r}: write 80+20, from 20 to 400 W and 5 to 50 W more each step")
    return int(start), int(step)


def run(args: argparse.Namespace) -> int:
    """Ride until told to stop."""
    try:
        return _ride(args)
    except (UsageError, settings.SettingsError, BandError) as error:
        if not sys.stderr.isatty():
            _leave_on_panel(str(error))
        raise


def _leave_on_panel(text: str) -> None:
    """On the bars nobody reads a journal: the last picture stays on a framebuffer, and says why nothing begins."""
    from firmware_app.devices.panel import OffscreenPanel, open_panel
    from firmware_app.screens.painter import Painter
    from firmware_app.screens.theme import THEMES

    try:
        wanted = settings.load_unit().panel
    except settings.SettingsError:
        wanted = settings.PanelSettings()
    panel = open_panel(wanted)
    text = settings.without_folder(text)
    if not isinstance(panel.panel, OffscreenPanel):
        panel.present(Painter(panel.size, THEMES[wanted.theme]).paint(FaultView("Not ready", (text,), "")).surface)
    panel.close()


def _ride(args: argparse.Namespace) -> int:
    _check(args)
    if args.strap == "sim":
        from firmware_app.cli.simulate import live_strap

        # The demo is over before the warm-up of a test is; of the seeds this one keeps its signal up to the top.
        hr_max_bpm, lane, strap = live_strap("maximal", 3) if args.maximal_test else live_strap("demo", 1)
        ready = options.prepared(args, hr_max_bpm=hr_max_bpm, target=lane)
        return live(args, ready, strap, "sim", wired=True, go_on=args.resume, test=_test_ramp(args, ready))
    ready = options.prepared(args)
    return live(args, ready, _ble, "strap", wired=True, go_on=args.resume, test=_test_ramp(args, ready))


def _check(args: argparse.Namespace) -> None:
    """Raises UsageError for options that would say nothing beside each other."""
    if args.ramp and not args.maximal_test:
        raise UsageError("--ramp goes with --maximal-test: add that, or leave --ramp out")
    for name, value in (("--target", args.target), ("--plan", args.plan), ("--resume", args.resume)):
        if args.maximal_test and value:
            raise UsageError(f"--maximal-test is a ride of its own: leave {name} out")


def _ble(worn: settings.StrapSettings) -> Strap:
    from firmware_app.devices.strap import BleStrap

    return BleStrap(worn.address, worn.name, worn.adapter)


def _test_ramp(args: argparse.Namespace, ready: Preparation) -> Ramp | None:
    if not args.maximal_test:
        return None
    ready.check_test()
    from firmware_app.core.maximal_test import Ramp

    return Ramp(*args.ramp) if args.ramp else Ramp()
