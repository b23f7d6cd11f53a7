"""``rumblestrip check``: is this unit ready, part by part, and what to do where it is not."""

from __future__ import annotations

import argparse
import asyncio
import errno
import json
import logging
import os
import shutil
import tempfile
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from firmware_app import settings
from firmware_app.core.bands import BandError
from firmware_app.core.dates import date_of
from firmware_app.core.events import Event, Fault, Note, Sound

SCHEMA = "rumblestrip.check/1"
FREE_MB = 100
"""Room for hundreds of hours; a card with less is about to be full of something else."""
PICTURE_S = 3.0
STILL_S = 0.3
"""How long the keys are looked at with nobody touching them."""

State = Literal["ok", "missing", "wrong", "unchecked"]


@dataclass(frozen=True)
class Answer:
    """What one part says. ``missing``: it does not answer; ``wrong``: it does, and something is not right;
    ``unchecked``: nobody looked, which is nothing against the unit.

    cure: what to do; for a part that is ok, what would be better still, or "".
    """

    part: str
    state: State
    text: str
    cure: str = ""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.add_argument("--sound", action="store_true", help="play three rising notes")
    parser.add_argument("--picture", action="store_true", help="draw a test pattern on the panel for three seconds")
    parser.add_argument(
        "--radio-seconds",
        type=_seconds,
        default=0.0,
        metavar="S",
        help="look this long for your strap (default: 0, not at all)",
    )


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 <= seconds <= 120:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds from 0 to 120")
    return seconds


def run(args: argparse.Namespace) -> int:
    """Ask every part; 0 when nothing is missing or wrong, 1 when something is."""
    from firmware_app.devices.watchdog import unwind_on_signals

    unwind_on_signals()
    # What the devices would tell the journal is what their answers say.
    logging.getLogger("firmware_app").addHandler(logging.NullHandler())
    answers = ask(sound=args.sound, picture=args.picture, radio_s=args.radio_seconds)
    ready = not _bad(answers)
    if args.json:
        parts = [asdict(answer) for answer in answers]
        print(json.dumps({"schema": SCHEMA, "ready": ready, "parts": parts, "files": files()}))
    else:
        print(page(answers))
    return 0 if ready else 1


def ask(*, sound: bool = False, picture: bool = False, radio_s: float = 0.0) -> list[Answer]:
    """Every part's answer. Never raises, and no part can hold up the others for longer than its time."""
    try:
        unit = settings.load_unit()
    except settings.SettingsError:
        unit = settings.Unit()  # the settings' own answer says so; the other parts are asked as shipped
    probes: list[tuple[str, float, Callable[[], list[Answer]]]] = [
        ("settings", 5.0, _settings),
        ("storage", 10.0, _storage),
        ("clock", 5.0, _clock),
        ("radio", radio_s + 20.0, lambda: _radio(unit.strap, radio_s)),
        ("sounder", 10.0, lambda: _sounder(unit, sound)),
        ("keys", 5.0, lambda: _keys(unit.keys)),
        ("panel", 15.0, lambda: _panel(unit.panel, picture)),
    ]
    return [answer for part, limit_s, probe in probes for answer in asked(part, limit_s, probe)]


def asked(part: str, limit_s: float, probe: Callable[[], list[Answer]]) -> list[Answer]:
    """What ``probe`` answers within ``limit_s`` seconds, or an answer that says that it failed or hangs."""
    answers: list[Answer] = []

    def work() -> None:
        try:
            answers.extend(probe())
        except Exception as error:
            reason = " ".join(str(error).split()) or type(error).__name__
            answers.append(
                Answer(part, "wrong", f"failed when asked ({reason})", "run it again; if it stays, report it")
            )

    # A daemon: a part that hangs must not keep the command from ending.
    worker = threading.Thread(target=work, name=f"check {part}", daemon=True)
    worker.start()
    worker.join(limit_s)
    if worker.is_alive():
        return [Answer(part, "wrong", f"no answer within {limit_s:g} s", "unplug it, plug it in again, start again")]
    return answers


def page(answers: list[Answer]) -> str:
    """The answers for a person."""
    lines = []
    for answer in answers:
        lines.append(f"{answer.state:8} {answer.part:9} {answer.text}")
        if answer.cure:
            lines.append(f"{'':18} {'better: ' if answer.state == 'ok' else 'do: '}{answer.cure}")
    bad = _bad(answers)
    unchecked = [answer.part for answer in answers if answer.state == "unchecked"]
    ready = f"ready to ride, except for what was not checked: {', '.join(unchecked)}" if unchecked else "ready to ride"
    lines += ["", *(f"{name:9} {path}" for name, path in files().items()), ""]
    lines.append(ready if not bad else f"not ready: {bad} of {len(answers)} need you")
    return "\n".join(lines)


def _bad(answers: list[Answer]) -> int:
    return sum(answer.state in ("missing", "wrong") for answer in answers)


def files() -> dict[str, str]:
    """Where the shipped settings, the rider's own and the rides lie."""

    def place(find: Callable[[], Path]) -> str:
        try:
            return str(find())
        except settings.SettingsError as error:
            return str(error)

    return {
        "shipped": str(settings.defaults_dir()),
        "own": place(settings.config_dir),
        "rides": place(settings.data_dir),
    }


def _settings() -> list[Answer]:
    from firmware_app import plans
    from firmware_app.preparation import prepare

    try:
        ready = prepare()
        settings.load_unit()
    except (settings.SettingsError, BandError) as error:
        return [_parted("settings", "wrong", str(error), "; ", ": ")]
    folder = settings.config_dir()
    lies_there = {path.name for path in folder.glob("[!.]*")}
    read = {path.name for path in settings.defaults_dir().iterdir()}
    own = sorted(name for name in lies_there & read if name.endswith(".toml"))
    valid = Answer("settings", "ok", f"valid; your own: {', '.join(own)}" if own else "valid, as shipped")
    if unread := sorted(lies_there - read):
        names = "alarms.toml, rider.toml and unit.toml, and the folders bands and sessions"
        cure = f"what is read there is {names}: mend a slip in a name"
        valid = replace(valid, text=f"{valid.text}; not read: {', '.join(unread)}", cure=cure)
    near_max = ready.near_max_caution()
    answers = [valid, _parted("lane", "ok", near_max, "; ")] if near_max else [valid]
    for name in plans.plan_names():
        try:
            plans.load_plan(name, ready.bands)
        except settings.SettingsError as error:
            answers.append(_parted("plan", "wrong", str(error), "; ", ": "))
    file = folder / "rider.toml"
    # What an editor makes under an ordinary umask is no mistake, and keeps nobody from riding.
    if "rider.toml" in own and folder.stat().st_mode & 0o077 and file.stat().st_mode & 0o077:
        answers.append(Answer("privacy", "ok", f"{file} can be read by others", f"chmod 600 {file}"))
    return answers


def _storage() -> list[Answer]:
    try:
        folder = settings.data_dir()
    except settings.SettingsError as error:
        return [_parted("storage", "wrong", str(error), "; ", ": ")]
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"rumblestrip")
            file.flush()
            os.fsync(file.fileno())
        free_mb = shutil.disk_usage(folder).free // 1_000_000
        open_to_others = [path for path in (folder, *folder.iterdir()) if path.stat().st_mode & 0o077]
    except OSError as error:
        # The error knows a file that was made up for the question, or none.
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        cure = "free some space there" if full else "make that folder writable, or replace the card"
        return [Answer("storage", "wrong", f"{folder}: {error.strerror}", cure)]
    if open_to_others:
        what = f"others can read {open_to_others[0]}"
        return [Answer("storage", "wrong", what, f"take that right away: chmod -R go= {folder}")]
    if free_mb < FREE_MB:
        return [Answer("storage", "wrong", f"only {free_mb} MB free", "delete what you do not need")]
    return [Answer("storage", "ok", f"writable, yours only, {free_mb} MB free")]


def _clock() -> list[Answer]:
    from firmware_app.devices.clock import SystemClock, synchronised

    now = datetime.fromtimestamp(SystemClock().unix_s()).astimezone()
    says = f"{now:%Y-%m-%d %H:%M %Z}"
    if date_of(now.timestamp()) is None:
        return [Answer("clock", "wrong", f"says {says}", "connect to a network once, or set it: date --set")]
    kept = "" if synchronised() is None else f", {'kept' if synchronised() else 'not kept'} right by a time service"
    return [Answer("clock", "ok", says + kept)]


def _radio(strap: settings.StrapSettings, radio_s: float) -> list[Answer]:
    from firmware_app.devices.strap import StrapError, in_range

    found = []
    try:
        found = asyncio.run(in_range(radio_s, strap.adapter))
        adapter = Answer("adapter", "ok", "Bluetooth answers" + (f" on {strap.adapter}" if strap.adapter else ""))
    except StrapError as error:
        adapter = _parted("adapter", "missing", str(error), ": ")
    if not strap.address:
        return [adapter, Answer("strap", "missing", "none remembered", "put it on and run: rumblestrip pair")]
    known = f"{strap.name} ({strap.address})" if strap.name else strap.address
    mine = next((one for one in found if one.address.upper() == strap.address.upper()), None)
    if radio_s and adapter.state != "ok":
        what = f"{known} remembered, and could not be looked for: the adapter does not answer"
        return [adapter, Answer("strap", "unchecked", what, "see to the adapter, above, and run this again")]
    if not radio_s:
        cure = "put it on and run: rumblestrip check --radio-seconds 10"
        return [adapter, Answer("strap", "unchecked", f"{known} remembered, not looked for", cure)]
    if mine is None:
        cure = "put it on, wet its pads, and make sure that no other device is using it"
        return [adapter, Answer("strap", "missing", f"{known} remembered, not heard in {radio_s:g} s", cure)]
    return [adapter, Answer("strap", "ok", f"{known} is here, {mine.rssi_dbm} dBm")]


def _sounder(unit: settings.Unit, sound: bool) -> list[Answer]:
    from firmware_app.devices import header
    from firmware_app.devices.sounder import open_sounder

    kind, pin = unit.sounder.kind, unit.sounder.pin
    if kind == "silent":
        return [Answer("sounder", "ok", "silent, as set")]
    sounder, fault = open_sounder(unit.sounder)
    if fault is not None:
        return [_of(fault, "missing")]
    faults: list[Fault] = []
    sounder.deliver = _faults_into(faults)

    async def play() -> None:
        notes = (Note(1000, 250), Note(0, 120), Note(1800, 250), Note(0, 120), Note(2900, 250))
        sounder.play(Sound("check", "high", notes))
        await asyncio.sleep(1.5)

    try:
        if sound:
            asyncio.run(play())
    finally:
        sounder.close()
    if faults:
        return [_of(faults[0], "wrong")]
    where = f"{kind} on pin {pin}, position {header.PHYSICAL[pin]} of the header"
    heard = ": three notes were played, did you notice them?" if sound else "; --sound plays it"
    return [Answer("sounder", "ok", where + heard, "; ".join(header.hints(unit)))]


def _keys(keys: settings.KeySettings) -> list[Answer]:
    from firmware_app.devices.keys import Buttons

    faults: list[Fault] = []

    async def look() -> None:
        listening = asyncio.create_task(Buttons(keys).run(_faults_into(faults)))
        await asyncio.wait({listening}, timeout=STILL_S)
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)

    pins = [f"{key} on pin {pin}" for key, pin in keys.fitted().items()]
    if not pins:
        return [Answer("keys", "ok", "no buttons fitted, as set; the keyboard steers")]
    asyncio.run(look())
    if faults:
        return [_of(fault, "missing" if fault.part == "keys" else "wrong") for fault in faults]
    return [Answer("keys", "ok", ", ".join(pins) + "; all are up")]


def _faults_into(faults: list[Fault]) -> Callable[[Event], None]:
    def deliver(event: Event) -> None:
        if isinstance(event, Fault):
            faults.append(event)

    return deliver


def _of(fault: Fault, state: State) -> Answer:
    answer = _parted(fault.part, state, fault.text.rstrip("."), "; ", ". ")
    return answer if answer.cure else replace(answer, cure="docs/wiring.md says how it is wired, and how to do without")


def _parted(part: str, state: State, text: str, *marks: str) -> Answer:
    """An answer from a text that says what is wrong and then, after the first of ``marks`` that it has, what to do."""
    for mark in marks:
        what, found, cure = text.rpartition(mark)
        if found:
            return Answer(part, state, what, cure)
    return Answer(part, state, text)


def _panel(panel: settings.PanelSettings, picture: bool) -> list[Answer]:
    from firmware_app.devices.panel import open_panel

    shown = open_panel(panel)
    faults: list[Fault] = []

    async def show() -> None:
        from firmware_app.screens.pattern import pattern
        from firmware_app.screens.theme import THEMES

        # A window wants its events taken while it stands there.
        running = asyncio.create_task(shown.run(_faults_into(faults)))
        shown.present(pattern(shown.size, THEMES[panel.theme]))
        await asyncio.sleep(PICTURE_S)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    try:
        if shown.notice:
            return [_parted("panel", "missing", shown.notice, "; ", ". ")]
        if picture:
            asyncio.run(show())
    finally:
        shown.close()
    if shown.notice:
        return [_parted("panel", "wrong", shown.notice, "; ", ". ")]
    width_px, height_px = shown.size
    seen = ": a frame, names of colours and a ramp were drawn, did you see them whole?" if picture else ""
    return [Answer("panel", "ok", f"{panel.kind}, {width_px} x {height_px} px{seen or '; --picture draws on it'}")]
