"""What ``ride`` and ``simulate`` share: one unit in real time, and what it is wired to."""

from __future__ import annotations

import argparse
import asyncio
import sys
from collections.abc import Callable
from functools import partial
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING

from firmware_app import settings
from firmware_app.cli import Failed, UsageError

if TYPE_CHECKING:
    from firmware_app.core.events import Fault
    from firmware_app.core.maximal_test import Ramp
    from firmware_app.core.views import View
    from firmware_app.devices.panel import SteadyPanel
    from firmware_app.devices.sounder import Sounder
    from firmware_app.devices.strap import Strap
    from firmware_app.preparation import Preparation
    from firmware_app.unit import CutShort, Keeper, Source

LOOK_S = 6.0


def add_unit_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that ``ride`` and ``simulate`` share."""
    kinds = ("auto", "window", "framebuffer", "offscreen")
    parser.add_argument("--panel", choices=kinds, help="instead of the one in unit.toml")
    parser.add_argument("--picture", type=Path, metavar="FILE", help="save what the panel shows at the end, as PNG")
    parser.add_argument("--stop-after-s", type=float, metavar="S", help="stop by itself after so many seconds")


def live(
    args: argparse.Namespace,
    ready: Preparation,
    strap: Callable[[str, str], Strap],
    source: str,
    *,
    wired: bool,
    go_on: bool = False,
    test: Ramp | None = None,
) -> int:
    """One unit in real time, until it is stopped. Returns the exit status.

    wired: use the pins; without them it is silent and has no buttons. go_on, test: as the unit takes them.
    """
    if args.stop_after_s is not None and not 0 < args.stop_after_s < inf:
        raise UsageError(f"--stop-after-s {args.stop_after_s:g}: give a number of seconds")
    unit = settings.load_unit()
    panel_settings = unit.panel
    if args.panel:
        import msgspec

        panel_settings = msgspec.structs.replace(panel_settings, kind=args.panel)
    return asyncio.run(_live(args, ready, strap, source, unit, panel_settings, wired, go_on, test))


async def _live(
    args: argparse.Namespace,
    ready: Preparation,
    strap: Callable[[str, str], Strap],
    source: str,
    unit_settings: settings.Unit,
    panel_settings: settings.PanelSettings,
    wired: bool,
    go_on: bool,
    test: Ramp | None,
) -> int:
    from firmware_app.devices.clock import SystemClock
    from firmware_app.devices.panel import OffscreenPanel, open_panel
    from firmware_app.unit import Unit, Wiring

    panel = open_panel(panel_settings, unit_settings.keys)
    terminal = sys.stdin.isatty() and isinstance(panel.panel, OffscreenPanel)
    pressable = terminal or not isinstance(panel.panel, OffscreenPanel)
    if panel.notice:
        _say(panel.notice)
    wiring = Wiring(
        panel=panel,
        clock=SystemClock(),
        strap=strap,
        sounder=(lambda: _open_sounder(unit_settings)) if wired else _silent,
        keeper=_open_keeper,
        sources=lambda: _sources(unit_settings, wired, terminal),
        say=_say,
        watch=_status_line if sys.stdout.isatty() and isinstance(panel.panel, OffscreenPanel) else lambda view: None,
        look=partial(_straps_in_range, unit_settings.strap.adapter),
    )
    asked = args.target is not None or args.plan is not None
    unit = Unit(
        wiring,
        ready,
        unit_settings,
        source,
        at_once=asked or not pressable or source == "sim",
        stop_with_ride=source == "sim" or not pressable,
        cut=_cut_ride,
        go_on=go_on,
        test=test,
    )
    if args.stop_after_s is not None:
        asyncio.get_running_loop().call_later(args.stop_after_s, unit.stop)
    await unit.run()
    _save_picture(args.picture, panel)
    return 0


# --- what the unit is wired to --------------------------------------------------------------------------------------


def _open_sounder(unit: settings.Unit) -> tuple[Sounder, Fault | None]:
    from firmware_app.devices.sounder import open_sounder

    return open_sounder(unit.sounder)


def _silent() -> tuple[Sounder, Fault | None]:
    from firmware_app.devices.sounder import SilentSounder

    return SilentSounder(), None


def _open_keeper(on_fault: Callable[[Fault], None]) -> Keeper:
    from firmware_app.store.keeper import LogKeeper
    from firmware_app.store.log import log_path

    return LogKeeper(log_path(), on_fault)


def _sources(unit: settings.Unit, wired: bool, terminal: bool) -> tuple[tuple[str, Source], ...]:
    from firmware_app.devices.keys import Buttons, TerminalKeys
    from firmware_app.devices.power import Power

    found: list[tuple[str, Source]] = []
    if wired:
        found += [("buttons", Buttons(unit.keys)), ("power", Power())]
    if terminal:
        found.append(("terminal", TerminalKeys()))
    return tuple(found)


async def _straps_in_range(adapter: str) -> tuple[tuple[str, str, str], ...]:
    from firmware_app.devices.strap import in_range

    return tuple((one.address, one.name, f"{one.rssi_dbm} dBm") for one in await in_range(LOOK_S, adapter))


def _cut_ride() -> CutShort | None:
    """The ride that can be gone on with, if there is one; says what the log had to mend."""
    from firmware_app.core.maximum import TEST_PLAN
    from firmware_app.store.log import LogError, log_path, open_log

    path = log_path()
    if not path.exists():
        return None
    import time

    try:
        with open_log(path) as log:
            for text in log.recovered:
                _say(text)
            cut = log.resumable(time.time())
            if cut is None or cut.facts.plan == TEST_PLAN:
                return None  # a maximal test that was cut is over: nobody goes on with half of one
            from firmware_app.cli.replay import events_of
            from firmware_app.core.session import clock_text
            from firmware_app.unit import CutShort

            return CutShort(
                facts=cut.facts,
                events=tuple(events_of(log.record(cut.ride_id))),
                t_s=cut.t_s + cut.away_s,
                words=f"A ride of {clock_text(cut.t_s)} was cut {clock_text(cut.away_s)} ago.",
                take_up=lambda keeper: keeper.resume(cut),
            )
    except LogError as error:
        _say(str(error))
        return None


# --- the terminal ---------------------------------------------------------------------------------------------------


def _say(text: str) -> None:
    print(f"\r\x1b[K{text}" if sys.stderr.isatty() else text, file=sys.stderr, flush=True)


def _status_line(view: View) -> None:
    from firmware_app.core.views import RideView

    if isinstance(view, RideView):
        shown = "--" if view.percent is None else f"{view.percent} %"
        bpm = "-- bpm" if view.hr_bpm is None else f"{view.hr_bpm} bpm"
        band = f"{view.band} {view.band_name}" if view.band else "no heart rate"
        lane = "" if view.low_bpm is None else f"lane {view.low_bpm}-{view.high_bpm}"
        word = "NEAR MAXIMUM, EASE" if view.near_max else view.word.upper()
        line = f"{view.elapsed:>8}  {shown:>5}  {bpm:>7}  {band:12}  {lane}  {word}"
        print(f"\r\x1b[K{line.rstrip()}", end="", flush=True)


def _save_picture(path: Path | None, panel: SteadyPanel) -> None:
    from firmware_app.devices.panel import OffscreenPanel

    if path is None:
        return
    if isinstance(panel.panel, OffscreenPanel):
        try:
            panel.panel.save(path)
        except Exception as error:
            raise Failed(f"the ride is over, but there is no picture: {path}: {error}") from error
        _say(f"What the panel showed is in {path}.")
    else:
        _say(f"No picture in {path}: the panel is a real one. Ask for --panel offscreen.")
