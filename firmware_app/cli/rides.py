"""``rumblestrip rides``: list, show, delete, export and import rides."""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
import time
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_app import settings
from firmware_app.cli import Failed, UsageError, options, warn
from firmware_app.cli.stored import NO_HEART, ride_log, stored_ride
from firmware_app.core.bands import whole_bpm
from firmware_app.core.dates import date_of, on_a_calendar
from firmware_app.core.times import rounded_time

if TYPE_CHECKING:
    from firmware_app.core.events import Mark
    from firmware_app.core.record import RideRecord
    from firmware_app.store.log import Log, RideSummary

_DAY_S = 86400.0
MINUTES_MAX = 100_000
"""Ten weeks: no ride is longer (own choice)."""
_ENDS = {
    "key": "the ride is over: ended by key",
    "stopped": "the ride is over: the unit was stopped",
    "recording": "the recording is over",
}

HELP = """\
RIDE is a ride's number, or `last`, the one stored last, which may be one that was imported. A ride is kept until it is
deleted here: nothing else removes one.
Exports: csv is every measurement as the strap sent it, and what `replay` reads; rr is the RR intervals in ms, one a
line; fhir is the trusted heart rate as an HL7 FHIR R4 bundle, to show a doctor."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = HELP
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    _add_filters(parser, suppress=False)
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    action = partial(options.add_action, actions)

    action("check", "read the whole log, and save what can be read of a damaged one")
    _add_filters(action("list", "the rides, oldest first (also without an action)"), suppress=True)
    action("show", "what is stored of one ride").add_argument("ride", metavar="RIDE")
    delete = action("delete", "remove rides for good")
    delete.add_argument("rides", metavar="RIDE", nargs="+")
    delete.add_argument("--yes", action="store_true", help="do not ask")
    export = action("export", "write one ride in an open format")
    export.add_argument("ride", metavar="RIDE")
    export.add_argument("--as", dest="form", choices=("csv", "rr", "fhir"), default="csv", help="default: csv")
    export.add_argument("--out", type=Path, metavar="FILE", help="a new file (default: standard output)")
    brought = action("import", "store a ride that was recorded elsewhere, from a CSV file")
    brought.epilog = (
        "Fields are separated by commas, or by semicolons or tabs and then with decimal commas. Times are seconds, or "
        "written as 1:02:45 or 62:45, of the day or since the beginning, and then count from the first row. What is in "
        "the log already is refused, whatever its date."
    )
    brought.add_argument("file", type=Path, metavar="FILE")
    brought.add_argument("--time-column", default="t_s", metavar="NAME", help="default: t_s")
    brought.add_argument("--hr-column", metavar="NAME", help="heart rate in bpm (hr_bpm if no column is named)")
    brought.add_argument("--rr-column", metavar="NAME", help="RR intervals in ms (rr_ms if no column is named)")
    brought.add_argument("--time-unit", choices=("s", "ms", "iso"), default="s", help="default: s")
    brought.add_argument("--date", type=_moment, metavar="DATE", help="when it began, such as 2026-05-04T18:02")
    hr_max = "your maximum at the time (default: yours now)"
    brought.add_argument("--hr-max-bpm", type=options.hr_max_bpm, metavar="N", help=hr_max)


def _add_filters(parser: argparse.ArgumentParser, *, suppress: bool) -> None:
    default: Any = argparse.SUPPRESS if suppress else None
    parser.add_argument("--since", type=_moment, default=default, metavar="DATE", help="begun on that day or later")
    parser.add_argument("--until", type=_day_end, default=default, metavar="DATE", help="begun on that day or earlier")
    parser.add_argument(
        "--plan", default=default, metavar="NAME", help="ridden by this plan (part of its name will do)"
    )
    parser.add_argument("--longer-min", type=_minutes, default=default, metavar="MIN", help="at least so many minutes")
    parser.add_argument(
        "--shorter-min", type=_minutes, default=default, metavar="MIN", help="less than so many minutes"
    )


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text).astimezone()
        moment.timestamp()
    except (ValueError, OverflowError, OSError):
        what = f"'{text}' is not a date; write it as 2026-05-04 or 2026-05-04T18:02"
        raise argparse.ArgumentTypeError(what) from None
    return moment


def _day_end(text: str) -> datetime:
    moment = _moment(text)
    # A bare day means all of it; "T" or a space stands before a time.
    if len(text) > len("2026-05-04"):
        return moment
    try:
        # Without its zone: a day on which the clocks change has 23 or 25 hours.
        return (moment.replace(tzinfo=None) + timedelta(days=1)).astimezone()
    except (OverflowError, ValueError):
        return moment  # the last days of all


def _minutes(text: str) -> float:
    try:
        minutes = float(text)
    except ValueError:
        minutes = -1.0
    if not 0 <= minutes <= MINUTES_MAX:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of minutes from 0 to {MINUTES_MAX}; write it as 90")
    return minutes


def run(args: argparse.Namespace) -> int:
    doing = {
        None: _list,
        "list": _list,
        "check": _check,
        "show": _show,
        "delete": _delete,
        "export": _export,
        "import": _import,
    }[args.action]
    with ride_log(thorough=args.action == "check") as log:
        return doing(log, args)


def _list(log: Log, args: argparse.Namespace) -> int:
    rides = log.rides(
        since_unix_s=args.since.timestamp() if args.since else None,
        until_unix_s=args.until.timestamp() if args.until else None,
        plan=args.plan,
        longer_s=None if args.longer_min is None else args.longer_min * 60,
        shorter_s=None if args.shorter_min is None else args.shorter_min * 60,
    )
    if args.json:
        _print_json({"schema": "rumblestrip.rides/1", "rides": [describe(ride) for ride in rides]})
        return 0
    if not rides:
        print("No ride found.")
        return 0
    print(f"{'ride':>5}  {'began':<16}  {'length':>8}  {'peak':>4}  what")
    for ride in rides:
        peak = "-" if ride.peak_bpm is None else f"{whole_bpm(ride.peak_bpm)}"
        print(f"{ride.ride_id:>5}  {_began(ride):<16}  {_length(ride):>8}  {peak:>4}  {_what(ride)}")
    return 0


def describe(ride: RideSummary) -> dict[str, Any]:
    """A ride of the list as plain data. ``started`` is ISO 8601 in local time; ``ended`` is None while it is ridden.

    ``trusted`` counts measurements. How much of the ride could be trusted is a share of its time: the review tells.
    """
    facts = ride.facts
    return {
        "ride": ride.ride_id,
        "started": _started(ride, "seconds"),
        "started_unix_s": facts.started_unix_s,
        "duration_s": ride.duration_s,
        "ended": ride.ended,
        "plan": facts.plan,
        "target": facts.target,
        "scheme": facts.scheme,
        "hr_max_bpm": facts.hr_max_bpm,
        "hr_rest_bpm": facts.hr_rest_bpm,
        "source": facts.source,
        "measurements": ride.measurements,
        "trusted": ride.trusted,
        "peak_bpm": ride.peak_bpm,
    }


def _check(log: Log, args: argparse.Namespace) -> int:
    rides = len(log.rides())
    if args.json:
        _print_json({"schema": "rumblestrip.rides_check/1", "rides": rides, "mended": list(log.recovered)})
    else:
        print(f"The log is sound: {rides} rides in {log.path}.")
    return 0


def _show(log: Log, args: argparse.Namespace) -> int:
    ride = stored_ride(log, args.ride)
    record = log.record(ride.ride_id)
    document = {
        "schema": "rumblestrip.stored_ride/1",
        **describe(ride),
        "rr_intervals": len(record.rr_ms),
        "marks": [{"t_s": mark.t_s, "kind": mark.kind, "detail": dict(mark.detail)} for mark in record.marks],
    }
    if args.json:
        _print_json(document)
        return 0
    facts = ride.facts
    print(f"Ride {ride.ride_id}, {_began(ride)}, {_length(ride)}: {_what(ride)}")
    print(f"Maximum {facts.hr_max_bpm} bpm, bands {facts.scheme or 'unknown'}.")
    print(f"{ride.measurements} measurements, {len(record.rr_ms)} RR intervals.")
    before = ""
    for mark in record.marks:
        line = f"{rounded_time(mark.t_s):>8}  {_told(mark)}"
        # At its start a ride is told the time by whoever begins it, and by the clock.
        if mark.kind != "clock" or line != before:
            print(line)
        before = line
    return 0


def _told(mark: Mark) -> str:
    """A mark in a rider's words; ``--json`` has it as it is stored."""
    detail: dict[str, Any] = dict(mark.detail)
    match (mark.kind, detail):
        case ("alarm", {"kind": kind, "on": False}):
            return f"{_spaced(kind)} is over"
        case ("alarm", {"kind": kind}):
            again = f", again ({detail['reminder']})" if detail.get("reminder") else ""
            return f"{_spaced(kind)}{again}{'' if detail.get('heard', True) else ', not sounded'}"
        case ("target", {"low_bpm": int(low_bpm), "high_bpm": int(high_bpm)}):
            return f"lane {low_bpm}-{high_bpm} bpm" if low_bpm else f"lane under {high_bpm} bpm"
        case ("target", _):
            return "no lane"
        case ("plan", _):
            return "the ride begins"
        case ("pause", {"why": "cut"}):
            return "the unit went off"
        case ("resume", {"why": "cut"}):
            return "the unit is back, and the ride goes on"
        case ("pause", _):
            return "paused"
        case ("resume", _):
            return "riding on"
        case ("end", {"why": why}):
            bad = detail.get("bad_packets")
            return _ENDS.get(str(why), "the ride is over") + (f"; {bad} packets could not be read" if bad else "")
        case ("step", {"why": "end"}):
            return "the plan is over"
        case ("step", {"name": ""}):
            return "a free ride, without steps"
        case ("step", _):
            return " ".join(str(part) for part in ("step", detail.get("name"), detail.get("round")) if part)
        case ("fault", {"text": text}):
            return str(text)
        case ("gap", {"from_s": int() | float() as from_s}):
            return f"no heart rate to trust since {rounded_time(from_s)}"
        case ("slept", {"from_s": int() | float() as from_s}):
            return f"the unit slept, or stood still, since {rounded_time(from_s)}"
        case ("link", {"state": state}):
            return f"strap {state}"
        case ("clock", {"unix_s": int() | float() as unix_s}) if on_a_calendar(unix_s) is not None:
            return f"the clock says {datetime.fromtimestamp(unix_s):%Y-%m-%d %H:%M:%S}"
        case ("verdict", {"maximal": True, "peak_bpm": int() | float() as peak_bpm}):
            return f"the test was maximal, {whole_bpm(peak_bpm)} bpm"
        case ("verdict", {"maximal": False, "why": why}):
            return f"the test was not maximal: {why}"
        case ("all_out", _):
            return "you gave everything in this ride, as you said"
        case ("press", {"key": key, "hold": hold}):
            return f"{key} pressed{', long' if hold == 'long' else ''}"
    rest = ", ".join(f"{_spaced(key)} {value}" for key, value in detail.items() if value not in (None, "", 0))
    return f"{mark.kind}: {rest}" if rest else mark.kind


def _spaced(word: object) -> str:
    return str(word).replace("_", " ")


def _delete(log: Log, args: argparse.Namespace) -> int:
    from firmware_app.store.schema import kept_copies

    # All are found before one is gone; one that is being ridden comes first, so that it is refused before any is.
    found = {ride.ride_id: ride for ride in (stored_ride(log, name) for name in args.rides)}
    rides = sorted(found.values(), key=lambda ride: ride.ended is not None)
    lines = [
        f"ride {ride.ride_id}, {_began(ride)}, {_length(ride)}, {ride.measurements} measurements" for ride in rides
    ]
    if not args.yes:
        if args.json or not sys.stdin.isatty():
            raise UsageError("deleting cannot be undone; add --yes to do it without being asked")
        try:
            answer = input(f"Delete {'; '.join(lines)} for good? [y/N] ")
        except EOFError:
            answer = ""
        if answer.strip().lower() not in ("y", "yes"):
            print("Nothing was deleted.")
            return 0
    overwritten = [log.delete(ride.ride_id) for ride in rides][-1]
    copies = [str(copy) for copy in kept_copies(log.path)]
    if args.json:
        deleted = {"deleted": [describe(ride) for ride in rides], "overwritten": overwritten, "older_copies": copies}
        _print_json({"schema": "rumblestrip.rides_deleted/1", **deleted})
        return 0
    for line in lines:
        print(f"Deleted {line}.")
    if not overwritten:
        print(f"Another program reads {log.path} just now: what stood there is overwritten when it is done.")
    for copy in copies:
        print(f"It may still be in {copy}, kept from before; delete that file if you need nothing else in it.")
    return 0


def _export(log: Log, args: argparse.Namespace) -> int:
    from firmware_app.store import csvfile, exports

    ride = stored_ride(log, args.ride)
    # A folder is told below: nobody is to remove one. Path's own raises for a name that is too long for a file.
    if args.out is not None and os.path.lexists(args.out) and not os.path.isdir(args.out):
        raise UsageError(f"--out {args.out}: exists already; choose another name, or remove it first")
    write = {"csv": csvfile.export_csv, "rr": exports.export_rr, "fhir": exports.export_fhir}[args.form]
    text = io.StringIO()
    try:
        write(log.record(ride.ride_id), text)
    except exports.ExportError as error:
        raise Failed(str(error)) from error
    if args.out is None:
        if args.json:
            raise UsageError("--json needs --out: the export itself goes to standard output")
        sys.stdout.write(text.getvalue())
        return 0
    try:
        settings.write_whole(args.out, text.getvalue().encode())
    except OSError as error:
        raise Failed(f"{args.out}: cannot be written ({error.strerror}); choose another place") from error
    if args.json:
        _print_json({"schema": "rumblestrip.export/1", "ride": ride.ride_id, "as": args.form, "file": str(args.out)})
    else:
        print(f"Ride {ride.ride_id} is written to {args.out}, readable by you only.")
    return 0


def _import(log: Log, args: argparse.Namespace) -> int:
    record = _recorded(args)
    known = log.holding(record)
    if known is not None:
        raise UsageError(
            f"{args.file}: is in the log already, as ride {known}; to have it in its place, "
            f"`rumblestrip rides delete {known}` first"
        )
    for ride in _at_the_same_time(log, record):
        what = f"ride {ride.ride_id} ({_began(ride)}, {_length(ride)}) was ridden at the same time"
        warn(f"{what}; if --date was wrong, delete the new one and import it again")
    ride_id = log.add(record, "import")
    ride = log.ride(ride_id)
    if args.json:
        _print_json({"schema": "rumblestrip.import/1", **describe(ride)})
    else:
        print(f"Ride {ride_id}: {_began(ride)}, {_length(ride)}, {ride.measurements} measurements from {args.file}.")
    return 0


def _recorded(args: argparse.Namespace) -> RideRecord:
    """The ride in the file, through the same gate as a live one. Its alarms are left out: nobody heard them."""
    from firmware_app.core import bands, maximum
    from firmware_app.core.companion import Companion, play
    from firmware_app.core.record import RideFacts
    from firmware_app.core.session import free_plan
    from firmware_app.store.csvfile import Columns, CsvError, read_foreign

    columns = Columns(args.time_column, args.hr_column, args.rr_column, args.time_unit)
    try:
        started_unix_s, rows = read_foreign(args.file, columns, args.date)
    except CsvError as error:
        raise UsageError(str(error)) from error
    if on_a_calendar(started_unix_s) is None:
        raise UsageError("--date: no ride is dated before 1970 or after 9998; give when it began")
    now_unix_s = date_of(time.time())
    # A day more: what another recorder calls today may be tomorrow here. A clock that is plainly wrong says nothing.
    if now_unix_s is not None and started_unix_s > now_unix_s + _DAY_S:
        began = datetime.fromtimestamp(started_unix_s).isoformat(" ", "minutes")
        raise UsageError(f"{args.file}: would begin at {began}, which is yet to come; give when it began with --date")
    rider = settings.load("rider", settings.Rider)
    try:
        accepted = maximum.hr_max(rider, datetime.fromtimestamp(started_unix_s).year, args.hr_max_bpm)
    except bands.BandError as error:
        raise UsageError(f"{error}, or give your maximum at the time with --hr-max-bpm") from error
    if accepted.caution:
        print(accepted.caution, file=sys.stderr)
    with settings.of_the_rider():
        table = bands.table(settings.load_scheme(rider.scheme), accepted.value_bpm, rider.hr_rest_bpm)
    facts = RideFacts(
        hr_max_bpm=accepted.value_bpm,
        hr_rest_bpm=rider.hr_rest_bpm,
        scheme=rider.scheme,
        source="import",
        started_unix_s=started_unix_s,
    )
    record = play(Companion(facts, table, settings.load_alarms(), free_plan(None)), rows)
    return replace(record, marks=tuple(mark for mark in record.marks if mark.kind != "alarm"))


def _at_the_same_time(log: Log, record: RideRecord) -> list[RideSummary]:
    """The stored rides that the rider was on for a part of the time of this one."""
    began_unix_s = record.facts.started_unix_s or 0.0
    return [
        ride
        for ride in log.rides(until_unix_s=began_unix_s + record.duration_s)
        if (ride.facts.started_unix_s or 0.0) + ride.duration_s > began_unix_s and ride.facts.source not in NO_HEART
    ]


def _started(ride: RideSummary, timespec: str) -> str | None:
    if ride.facts.started_unix_s is None:
        return None
    return datetime.fromtimestamp(ride.facts.started_unix_s).astimezone().isoformat(timespec=timespec)


def _began(ride: RideSummary) -> str:
    started = _started(ride, "minutes")
    return "date not known" if started is None else started[:16].replace("T", " ")


def _length(ride: RideSummary) -> str:
    return rounded_time(ride.duration_s)


def _what(ride: RideSummary) -> str:
    what = ride.facts.what
    if ride.facts.source != "strap":
        what += f" ({ride.facts.source})"
    if ride.ended is None:
        what += ", being ridden"
    elif ride.ended == "cut":
        what += ", cut"
    return what


def _print_json(document: dict[str, Any]) -> None:
    print(json.dumps(document, indent=2))
