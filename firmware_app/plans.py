"""Session plans as TOML files: read, checked, and written out flat. How to write one: docs/sessions.md."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec
from msgspec import Meta

from firmware_app.core.bands import BandError, BandTable
from firmware_app.core.session import PRESS_LIMIT_S, Ends, Plan, PlanError, Step, parse_arrival, targets
from firmware_app.settings import (
    MISSING,
    NO_SUCH_KEY,
    SettingsError,
    config_dir,
    defaults_dir,
    in_words,
    meant,
    read_toml,
)

STEPS_MAX = 200
STEP_RANGE_S = (5, 6 * 3600)
NESTING_MAX = 2
"""More steps, shorter or longer ones, and repeats deeper than this are taken for a slip of the pen (own choice)."""

T = TypeVar("T")
Words = Annotated[str, Meta(min_length=1, max_length=200)]


class StepFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One step as written. Lengths are what the smallest panel can show."""

    name: Annotated[str, Meta(min_length=1, max_length=20)]
    target: str | None = None
    time: str | None = None
    press: bool = False
    until: str | None = None
    note: Annotated[str, Meta(max_length=80)] = ""


class RepeatFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Steps ridden several times."""

    repeat: Annotated[int, Meta(ge=2, le=50)]
    steps: Annotated[tuple[dict[str, Any], ...], Meta(min_length=1)]


class PlanFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The whole file."""

    title: Annotated[str, Meta(min_length=1, max_length=40)]
    purpose: Words
    for_whom: Words
    steps: Annotated[tuple[dict[str, Any], ...], Meta(min_length=1)]


def plan_names() -> tuple[str, ...]:
    """Every plan that lies in the two folders, the shipped and the rider's own."""
    folders = (defaults_dir() / "sessions", config_dir() / "sessions")
    return tuple(sorted({path.stem for folder in folders for path in folder.glob("*.toml")}))


def plan_path(name_or_path: str) -> Path:
    """Where a plan lies: a path (with a folder or ``.toml``), or a name, the rider's own before the shipped.

    Raises SettingsError for a name that is not there.
    """
    if name_or_path.endswith(".toml") or Path(name_or_path).name != name_or_path:
        return Path(os.path.expanduser(name_or_path))  # Path's own raises where there is no such user
    folders = (config_dir() / "sessions", defaults_dir() / "sessions")
    for folder in folders:
        path = folder / f"{name_or_path}.toml"
        # A link that leads nowhere too: reading it tells what is wrong. Not is_there: the name may be none at all.
        if os.path.lexists(path):
            return path
    names = ", ".join(plan_names())
    raise SettingsError(f"no session plan {name_or_path!r}: choose one of {names}, or write {folders[0]}/NAME.toml")


def edited_s(name_or_path: str) -> float | None:
    """When a plan's file was last changed, in seconds since 1970 UTC; None for one that is not there, "" among them."""
    if not name_or_path:
        return None
    try:
        return plan_path(name_or_path).stat().st_mtime
    except (OSError, SettingsError):
        return None


def _known_as(path: Path) -> str:
    """What finds this plan again, for a ride that is gone on with or replayed: its name, or the whole path."""
    with contextlib.suppress(SettingsError, OSError):
        if plan_path(path.stem).samefile(path):
            return path.stem
    return str(path.absolute())


def load_plan(name_or_path: str, table: BandTable | None = None) -> Plan:
    """A session plan by name, or from a file. It is read once; later edits of the file do not touch a ride.

    It is named as the rider names it, or by its whole path where it lies in neither of the two folders.
    table: the bands that every step has to suit; None where they are not known yet.
    Raises SettingsError naming the file, the step and the cure.
    """
    path = plan_path(name_or_path)
    data = read_toml(path)
    try:
        written = _convert(data, PlanFile)
        steps = tuple(_steps(written.steps, "", ()))
        if len(steps) > STEPS_MAX:
            raise PlanError(f"{len(steps)} steps with all repeats, {STEPS_MAX} at most; repeat less often")
        plan = Plan(_known_as(path), written.title, written.purpose, written.for_whom, steps)
        if table is not None:
            targets(plan, table)
        return plan
    except (PlanError, BandError) as error:
        raise SettingsError(f"{path}: {error}") from error


def _steps(written: tuple[dict[str, Any], ...], place: str, rounds: tuple[str, ...]) -> Iterator[Step]:
    """Steps in riding order. place: "2." inside the second step of the file."""
    for number, data in enumerate(written, 1):
        here = f"{place}{number}"
        if "repeat" not in data:
            yield _step(data, here, ", ".join(rounds))
            continue
        if len(rounds) == NESTING_MAX:
            raise PlanError(f"step {here}: a repeat in a repeat in a repeat; write the inner steps out")
        try:
            repeat = _convert(data, RepeatFile)
        except PlanError as error:
            raise PlanError(f"step {here} (repeat): {error}") from error
        for turn in range(1, repeat.repeat + 1):
            yield from _steps(repeat.steps, f"{here}.", (*rounds, f"{turn} of {repeat.repeat}"))


def _step(data: dict[str, Any], place: str, rounds: str) -> Step:
    name = data.get("name")
    try:
        step = _convert(data, StepFile)
        arrival = None if step.until is None else parse_arrival(step.until)
        time_s = None if step.time is None else parse_time_s(step.time)
        if time_s is None and arrival is not None:
            raise PlanError('a heart may never arrive; add the longest it may take, as time = "5:00"')
        if time_s is None and not step.press:
            raise PlanError('nothing ends it; add time = "5:00", or press = true')
        ends = Ends(PRESS_LIMIT_S if time_s is None else time_s, step.press, arrival)
        return Step(step.name, step.target, ends, step.note, rounds)
    except PlanError as error:
        raise PlanError(f"step {place}{f' ({name})' if name else ''}: {error}") from error


def parse_time_s(text: str) -> float:
    """``4:00`` or ``1:10:00`` in s. Raises PlanError with the cure."""
    match = re.fullmatch(r"(?:(\d{1,3}):)?(\d{1,3}):([0-5]\d)", text.strip())
    low_s, high_s = STEP_RANGE_S
    if not match:
        raise PlanError(f'time: {text!r} is not minutes:seconds; write "4:00", or "1:10:00" with hours')
    hours, minutes, seconds = (int(part or 0) for part in match.groups())
    total_s = hours * 3600 + minutes * 60 + seconds
    if not low_s <= total_s <= high_s:
        raise PlanError(f"time: {text!r} is not between 0:05 and {high_s // 3600}:00:00; set one that is")
    return float(total_s)


def _convert(data: dict[str, Any], kind: type[T]) -> T:
    try:
        return msgspec.convert(data, kind)
    except msgspec.ValidationError as error:
        key, what = in_words(error, kind)
        known = ", ".join(field.name for field in msgspec.structs.fields(kind))  # type: ignore[arg-type]
        cure = f"the keys are {known}" if what == NO_SUCH_KEY else "add it" if what == MISSING else ""
        cure = cure or meant(data, kind, key) or "change it"
        raise PlanError(f"{key}: {what}; {cure}") from error
