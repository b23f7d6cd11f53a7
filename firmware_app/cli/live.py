"""What ``ride`` and ``simulate`` share: one unit in real time, and what it is wired to."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import os
import shutil
import sys
import textwrap
import time
from collections.abc import Callable
from functools import partial
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, TextIO, get_args

import msgspec

from firmware_app import settings
from firmware_app.cli import Failed, UsageError, options, warn
from firmware_app.cli.aside import Aside, LogAside
from firmware_app.core import views
from firmware_app.core.times import clock_text

if TYPE_CHECKING:
    from firmware_app.core.events import Fault
    from firmware_app.core.maximal_test import Ramp
    from firmware_app.cut_ride import CutShort
    from firmware_app.devices.panel import SteadyPanel
    from firmware_app.devices.sounder import Sounder
    from firmware_app.devices.strap import Strap
    from firmware_app.preparation import Preparation
    from firmware_app.store.keeper import LogKeeper
    from firmware_app.unit import Unit
    from firmware_app.wiring import Source, Wiring

READ_WITHIN_S = 2.0
"""So long the end of a ride waits for whoever reads what is said of it (own choice)."""

SCAN_S = 6.0
"""So long the panel's list of straps in range is gathered."""


def add_unit_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that ``ride`` and ``simulate`` share."""
    parser.add_argument("--panel", choices=get_args(settings.PanelKind), help="instead of the one in unit.toml")
    parser.add_argument("--picture", type=Path, metavar="FILE", help="save what the panel shows at the end, as PNG")
    parser.add_argument("--stop-after-s", type=float, metavar="S", help="stop by itself after so many seconds")


def live(
    args: argparse.Namespace,
    ready: Preparation,
    strap: Callable[[settings.StrapSettings], Strap],
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
    if args.picture is not None and (wrong := _no_place_for(args.picture)):
        raise UsageError(f"--picture {args.picture}: {wrong}")
    unit = settings.load_unit()
    if source == "sim":
        say(simulated_rider(ready, test))
    # The pages and the lane of a test are its own.
    if test is None:
        warn(ready.near_max_caution())
    words = Aside()
    logged = LogAside(words)
    logging.getLogger().addHandler(logged)
    try:
        status = asyncio.run(_live(args, ready, strap, source, unit, wired, go_on, test, words))
    finally:
        logging.getLogger().removeHandler(logged)
        # However it ends: what was said last may be why.
        read = words.done(READ_WITHIN_S)
    if not read:
        # The ride is stored and every part let go; Python would wait at its end for a reader that there is not.
        os._exit(status)
    return status


def _no_place_for(picture: Path) -> str:
    """Why a picture cannot be saved there, with the cure; "" where it can. After the ride would be too late to tell."""
    folder = picture.absolute().parent
    if picture.suffix.lower() != ".png":
        return "name a file that ends in .png"
    if picture.is_dir():
        return "is a folder; name a file in it"
    if not folder.is_dir():
        return f"there is no folder {folder}; make it, or name another"
    return "" if os.access(folder, os.W_OK | os.X_OK) else f"{folder} cannot be written; name a folder that is yours"


def simulated_rider(ready: Preparation, test: Ramp | None = None) -> str:
    """What a simulated ride goes by: the synthetic rider's own, unless it was asked for otherwise."""
    by = "the maximal test" if test else ready.in_words()
    return f"Simulated rider: maximum {ready.bands.hr_max_bpm} bpm, {by}."


async def _live(
    args: argparse.Namespace,
    ready: Preparation,
    strap: Callable[[settings.StrapSettings], Strap],
    source: str,
    unit_settings: settings.Unit,
    wired: bool,
    go_on: bool,
    test: Ramp | None,
    words: Aside,
) -> int:
    from firmware_app.devices.panel import OffscreenPanel
    from firmware_app.unit import Unit

    panel = _open_panel(unit_settings, args.panel)
    seen = not isinstance(panel.panel, OffscreenPanel)
    terminal = sys.stdin.isatty() and not seen
    pressable = terminal or seen
    if test is not None and not (pressable and (sys.stdout.isatty() or not terminal)):
        raise UsageError(
            "--maximal-test has pages to read and to answer with keys: run it in a terminal, or on a unit with a panel"
        )
    if panel.notice:
        # A unit without its panel has a fault; a simulation without a display rides in the terminal, and that is all.
        say(panel.notice if wired else "No display here: riding in the terminal.")
    page = TerminalPage() if sys.stdout.isatty() and not seen else None
    if terminal:
        say(
            "Keys in this terminal: - and + move, space acts, capital M S P hold them; Ctrl-C ends and stores the ride."
        )
    at_once = args.target is not None or args.plan is not None or not pressable or source == "sim"
    unit = Unit(
        _wiring(unit_settings, panel, page, strap, wired, terminal, words),
        ready,
        unit_settings,
        source,
        at_once=at_once,
        stop_with_ride=source == "sim" or not pressable,
        cut=partial(_cut_ride, source, go_on, at_once or test is not None),
        go_on=go_on,
        test=test,
        # A simulated rider's settings are its own.
        anew=partial(options.prepared, args) if source == "strap" else None,
    )
    if args.stop_after_s is not None:
        asyncio.get_running_loop().call_later(args.stop_after_s, unit.stop)
    lost = await unit.run()
    if words.done(READ_WITHIN_S):
        with contextlib.suppress(OSError):  # the terminal may be gone
            await _tell_end(unit, page, lost)
    _save_picture(args.picture, panel, words)
    return 1 if lost else 0


async def _tell_end(unit: Unit, page: TerminalPage | None, lost: int) -> None:
    """What was ridden, and where it is. A journal learns no more than that it is stored: the rest is the rider's."""
    summary = await unit.summary() if sys.stdout.isatty() and not lost else None
    if page:
        page.end()
    if summary is not None and (page is None or summary != page.told):
        print(wrapped("\n".join(_sentences(summary)), sys.stdout), flush=True)
    if unit.rode and not lost:
        # By number: a ride that was gone on with is not the last of the log.
        number = "" if unit.ride_id is None else f" {unit.ride_id}"
        say(f"The ride is stored: `rumblestrip report{number}` shows it.")


# --- what the unit is wired to --------------------------------------------------------------------------------------


def _wiring(
    unit: settings.Unit,
    panel: SteadyPanel,
    page: TerminalPage | None,
    strap: Callable[[settings.StrapSettings], Strap],
    wired: bool,
    terminal: bool,
    words: Aside,
) -> Wiring:
    """page: what shows the views on a terminal. terminal: its keys press."""
    from firmware_app.devices.clock import SystemClock
    from firmware_app.wiring import Wiring

    return Wiring(
        panel=panel,
        clock=SystemClock(),
        strap=strap,
        sounder=partial(_open_sounder, unit) if wired else _silent,
        keeper=_open_keeper,
        sources=partial(_sources, unit, wired, terminal),
        say=partial(words.soon, page.say if page else say),
        watch=partial(words.soon, page.show) if page else lambda view: None,
        look=_straps_in_range,
    )


def _open_panel(unit: settings.Unit, kind: settings.PanelKind | None) -> SteadyPanel:
    """The panel of unit.toml, of another kind where one was asked for."""
    from firmware_app.devices.panel import open_panel

    return open_panel(msgspec.structs.replace(unit.panel, kind=kind) if kind else unit.panel, unit.keys)


def _open_sounder(unit: settings.Unit) -> tuple[Sounder, Fault | None]:
    from firmware_app.devices.sounder import open_sounder

    return open_sounder(unit.sounder)


def _silent() -> tuple[Sounder, Fault | None]:
    from firmware_app.devices.sounder import SilentSounder

    return SilentSounder(), None


def _open_keeper(on_fault: Callable[[Fault], None]) -> LogKeeper:
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

    return tuple((one.address, one.name, f"{one.rssi_dbm} dBm") for one in await in_range(SCAN_S, adapter))


def _cut_ride(source: str, asked: bool, at_once: bool) -> CutShort | None:
    """The ride that can be gone on with, if there is one; says what the log had to mend.

    Only a ride of this source: no simulated heart goes on with a real ride, no real one with a simulated ride.
    asked: say so when there is none. at_once: no page will offer it, so say how to go on with it.
    """
    cut = _cut_in_log(source)
    if cut is None and asked:
        new = "A new one begins." if at_once else "A new one can begin."
        say(f"There is no ride to go on with: {_why_none()}. {new}")
    elif cut is not None and at_once and not asked:
        from firmware_app.store.log import FALSE_START_S

        command = f"rumblestrip ride{' --strap sim' if source == 'sim' else ''} --resume"
        left = clock_text(min(FALSE_START_S, cut.left_s))
        say(f"{cut.words()} This is a new ride: end it, and within {left} `{command}` goes on with the one before.")
    return cut


def _why_none() -> str:
    from firmware_app.store.log import LogError, log_path, open_log

    unknown = "what was cut stays as it is, and is not gone on with before the log can be used again"
    try:
        if log_path().exists():
            with open_log(log_path()) as log:
                if log.unended() and log.writable:
                    return "another unit is riding on this log just now, and while it does none is gone on with"
                if log.unended():
                    return unknown
    except LogError:
        return unknown
    return "none was cut in the last fifteen minutes, or another was ridden since"


def _cut_in_log(source: str) -> CutShort | None:
    from firmware_app.store.log import RESUME_WITHIN_S, LogError, log_path, open_log

    path = log_path()
    if not path.exists():
        return None

    try:
        with open_log(path) as log:
            for text in log.recovered:
                say(text)
            cut = log.resumable(time.time(), source)
            if cut is None:
                return None
            from firmware_app.core.record import events_of
            from firmware_app.cut_ride import CutShort

            record = log.record(cut.ride_id)
            plans = (str(mark.detail.get("digest", "")) for mark in record.marks if mark.kind == "plan")
            return CutShort(
                facts=cut.facts,
                events=tuple(events_of(record)),
                t_s=cut.t_s,
                away_s=cut.away_s,
                left_s=RESUME_WITHIN_S - cut.away_s,
                plan=next(plans, ""),
                take_up=lambda keeper: keeper.resume(cut),
            )
    except LogError as error:
        say(str(error))
        return None


# --- the terminal ---------------------------------------------------------------------------------------------------


def say(text: str) -> None:
    """Say something on stderr, in a terminal in the place of its last line."""
    # Whoever reads may have gone away, or what is written to be full: no ride is lost for a word.
    with contextlib.suppress(OSError):
        print(f"\r\x1b[K{wrapped(text, sys.stderr)}" if sys.stderr.isatty() else text, file=sys.stderr, flush=True)


def wrapped(text: str, stream: TextIO) -> str:
    """The text with its lines broken at spaces where the stream is a terminal; a path too long for one stays whole."""
    if not stream.isatty():
        return text
    columns = shutil.get_terminal_size().columns - 1
    lines = text.splitlines()
    return "\n".join(textwrap.fill(line, columns, break_long_words=False, break_on_hyphens=False) for line in lines)


class TerminalPage:
    """The page of a unit without a panel, on one line of the terminal.

    What must be read and does not fit into it is said above, whole, once for as long as it stands on the page.
    told: the summary that was said last.
    """

    def __init__(self) -> None:
        self.told: views.SummaryView | None = None
        self._said: set[str] = set()
        self._read: set[str] = set()
        self._line = ""

    def show(self, view: views.View) -> None:
        """Show this view in the place of the one before. Raises OSError when the terminal is gone."""
        self._line = page_line(view)
        # What the unit has said it says again, when it comes again.
        warnings = {_warning(view)} - self._said
        unseen = [text for text in (*_to_read(view), *warnings) if text not in self._seen()]
        new = [text for text in unseen if text not in self._read]
        if new:
            say("\n".join(new))
        self._read = set(unseen)
        if isinstance(view, views.SummaryView):
            self.told = view
        self._draw()

    def say(self, text: str) -> None:
        """Say something above the line, which stays. Raises OSError when the terminal is gone."""
        say(text)
        self._said.add(text)
        self._draw()

    def _seen(self) -> str:
        room = shutil.get_terminal_size().columns - 1
        if len(self._line) <= room:
            return self._line
        return self._line[: room + 1].rpartition(" ")[0].rstrip() or self._line[:room]

    def _draw(self) -> None:
        print(f"\r\x1b[K{self._seen()}", end="", flush=True)

    def end(self) -> None:
        """Leave the line to what comes after. Raises OSError when the terminal is gone."""
        print("\r\x1b[K", end="", flush=True)


def page_line(view: views.View) -> str:
    """A page in one line: what it says, and what the keys do there. A narrow terminal leaves the last words out."""
    if isinstance(view, views.RideView):
        return _ride_line(view)
    before: tuple[str, ...]
    after: tuple[str, ...] = ()
    if isinstance(view, views.FindingView):
        before, after = (view.doing,), (view.wrong, view.cure)
    elif isinstance(view, views.HomeView):
        before = ("Home", view.plan, view.target, view.lane and f"lane {view.lane}")
        after = (view.limit, view.notice, view.hr_now, view.strap, f"maximum {view.hr_max}", view.caution)
    elif isinstance(view, views.PausedView):
        before = (f"Paused {view.paused}", f"ridden {view.elapsed}")
        after = (view.hr_now or "no heart rate", view.target and f"lane {view.target}")
    elif isinstance(view, views.StepView):
        before = ("Paused", *_step_now(view))
        after = (view.plan, view.note)
    elif isinstance(view, views.TestView):
        before = (view.stage, "NEAR MAXIMUM" if view.near_max else "", view.big)
        after = (view.left, view.notice)
    elif isinstance(view, views.SummaryView):
        before = (view.title, f"{view.elapsed} ridden")
    elif isinstance(view, views.ListView):
        before, after = (view.title, _chosen(view)), (view.hint,)
    else:
        before, after = (view.title,), view.lines
    keys = (f"[{key}] {act}" for key, act in zip(("-", "space", "+"), view.actions, strict=True) if act)
    return "  ".join(text for text in (*before, *keys, *after) if text)


def _ride_line(view: views.RideView) -> str:
    """In columns that stay where they are; what to do now, and what is out of the ordinary, before what may be cut."""
    shown = "--" if view.percent is None else f"{view.percent} %"
    bpm = "-- bpm" if view.hr_bpm is None else f"{view.hr_bpm} bpm"
    word = "NEAR MAXIMUM, EASE" if view.near_max else view.word.upper()
    weak = "weak signal" if view.signal == "poor" else ""
    # Near maximum sounds all the same.
    muted = f"sound off {view.muted}" if view.muted and not view.near_max else ""
    band = f"{view.band} {view.band_name}" if view.band else "no heart rate"
    lane = "" if view.low_bpm is None else f"lane {view.low_bpm}-{view.high_bpm}"
    lane = f"lane under {view.high_bpm}" if view.low_bpm == 0 else lane
    columns = (f"{shown:>5}", f"{bpm:>7}", f"{word:4}", weak, muted, f"{band:10}", f"{view.elapsed:>5}")
    return "  ".join(text for text in (*columns, lane, f"{view.step} {view.left}".strip(), view.notice) if text)


def _step_now(view: views.StepView) -> tuple[str, ...]:
    """The step being ridden: its place among all, its name, what is left of it, and its lane."""
    for number, (name, lane, _, state) in enumerate(view.steps, start=1):
        if state == "now":
            return f"{number} of {len(view.steps)}", name, view.left, lane and f"lane {lane}"
    return ()


def _chosen(view: views.ListView) -> str:
    return " ".join(view.rows[view.chosen]).strip() if view.rows else ""


def _warning(view: views.View) -> str:
    return view.notice if isinstance(view, views.RideView | views.HomeView | views.TestView) else ""


def _to_read(view: views.View) -> tuple[str, ...]:
    """What of a page, besides a warning, must be read whole: mostly before a key is pressed."""
    if isinstance(view, views.TestView | views.FaultView):
        return view.lines
    if isinstance(view, views.ListView):
        return (_chosen(view),)
    if isinstance(view, views.HomeView):
        return (view.limit,)
    return _sentences(view) if isinstance(view, views.SummaryView) else ()


def _sentences(view: views.SummaryView) -> tuple[str, ...]:
    """A ride's summary in sentences. A target that was never held is told, one that there was not is left out."""
    facts = [f"{view.elapsed} ridden"]
    facts += [f"{view.in_target} in target"] if view.in_target else []
    facts += [f"{view.unknown} without a heart rate to trust"] if view.unknown != "0:00" else []
    facts += [f"peak {view.peak}"] if view.peak else []
    alarms = f"Alarms: {', '.join(view.alarms)}." if view.alarms else ""
    return (f"{view.title}: {', '.join(facts)}.", view.sentence, *view.more, *((alarms,) if alarms else ()))


def _save_picture(path: Path | None, panel: SteadyPanel, words: Aside) -> None:
    from firmware_app.devices.panel import OffscreenPanel

    if path is None:
        return
    if isinstance(panel.panel, OffscreenPanel):
        try:
            panel.panel.save(path)
        except Exception as error:
            raise Failed(f"the ride is over, but there is no picture: {path}: {error}") from error
        words.soon(say, f"What the panel showed is in {path}.")
    else:
        words.soon(say, f"No picture in {path}: the panel is a real one. Ask for --panel offscreen.")
