"""``rumblestrip report``: the page for one ride, or for the last weeks."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from firmware_app import settings
from firmware_app.cli import Failed, UsageError
from firmware_app.cli.stored import ride_log, stored_ride
from firmware_app.core import bands
from firmware_app.core.dates import date_of, year_of
from firmware_app.core.times import rounded_time

if TYPE_CHECKING:
    from firmware_app.core.record import RideFacts
    from firmware_app.core.review import Review
    from firmware_app.report.weeks import Estimate
    from firmware_app.store.log import Log, RideSummary

HELP = """\
Without --out the report is printed as text. The page is one file that needs no network; open it in a browser, or print
it from there. Its plots need matplotlib; in your clone: .venv/bin/pip install '.[report]'."""

T = TypeVar("T")

MANY = 100
"""From so many rides on it is worth starting more processes, and showing how far they are."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = HELP
    which = "a ride's number, or `last`, the one stored last (the default)"
    parser.add_argument("ride", nargs="?", metavar="RIDE", help=which)
    parser.add_argument("--weeks", type=int, metavar="N", help="the last N weeks instead of one ride")
    parser.add_argument("--out", type=Path, metavar="FILE.html", help="write the page to this file")
    parser.add_argument("--recompute", action="store_true", help="with --weeks: work out every review of the log anew")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    if args.weeks is not None and args.ride is not None:
        raise UsageError("give a ride or --weeks, not both")
    if args.weeks is not None and not 1 <= args.weeks <= 1000:
        raise UsageError(f"--weeks {args.weeks}: give a number from 1 to 1000")
    if args.recompute and args.weeks is None:
        raise UsageError("--recompute goes with --weeks: add that, or leave --recompute out")
    if args.out is not None and args.out.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--out {args.out}: name a file that ends in .html")
    with ride_log() as log:
        rider = settings.load("rider", settings.Rider)
        if args.weeks is not None:
            return _weeks(args, log, rider)
        return _ride(args, log, rider)


def _ride(args: argparse.Namespace, log: Log, rider: settings.Rider) -> int:
    from firmware_app.core.review import review, summary

    ride_id = stored_ride(log, args.ride or "last").ride_id
    record = log.record(ride_id)
    scheme = _scheme(record.facts.scheme, rider)
    table = _table(scheme, record.facts, rider)
    found = review(record, table, rider.sex)
    if args.out is not None:
        from firmware_app.report.ride import ride_page

        estimate = _text_of(_estimates(log), record.facts)
        _write(args.out, lambda: ride_page(ride_id, record, found, table, maximum_text=estimate))
    if args.json:
        print(json.dumps({"schema": "rumblestrip.review/1", "ride": ride_id, "summary": summary(found)}, indent=2))
    elif args.out is None:
        from firmware_app.report.ride import when

        print(_text(ride_id, when(record), found, table))
    return 0


def _weeks(args: argparse.Namespace, log: Log, rider: settings.Rider) -> int:
    from firmware_app.report import weeks

    with settings.of_the_rider():
        scheme = settings.load_scheme(rider.scheme)
    today = date.today()
    if year_of(today) != today.year:
        raise Failed(f"this unit's clock says {today}; connect to a network once, or set it: date --set")
    first = today - timedelta(days=today.weekday(), weeks=args.weeks - 1)
    since_unix_s = datetime.combine(first, time()).timestamp()
    rides = log.rides(since_unix_s=None if args.recompute else since_unix_s)
    over_unix_s = datetime.combine(first + timedelta(weeks=args.weeks), time()).timestamp()
    for ride in rides:
        if (ride.facts.started_unix_s or 0.0) >= over_unix_s:
            ahead = f"Ride {ride.ride_id} is dated after this week: a clock was ahead, and no week counts it."
            print(ahead, file=sys.stderr)
    summaries = _summaries(log, rides, scheme, rider, args.recompute)
    found = weeks.gather(
        ((ride.facts, summaries[ride.ride_id]) for ride in rides if ride.ride_id in summaries),
        today,
        args.weeks,
        _estimates(log),
    )
    if args.out is not None:
        _write(args.out, lambda: weeks.weeks_page(found, scheme))
    if args.json:
        document = {"schema": "rumblestrip.weeks/1", "scheme": scheme.name, "weeks": weeks.weeks_json(found)}
        print(json.dumps(document, indent=2))
    elif args.out is None:
        print(_columns([weeks.HEAD, *weeks.rows(found)]))
        for words in (*weeks.load_missing(found), weeks.simulated(found)):
            if words:
                print(words)
    return 0


def _summaries(
    log: Log, rides: Sequence[RideSummary], scheme: bands.Scheme, rider: settings.Rider, recompute: bool
) -> dict[int, dict[str, Any]]:
    """The review of each ride as plain data: as kept in the log, else worked out now and kept.

    A ride that cannot be read is left out, and it is said: it must not cost the others. One that may still grow is
    never kept. What is kept goes by everything that a review depends on but the ride.
    """
    import zlib

    from firmware_app.core.review import VERSION
    from firmware_app.store.log import LogError

    given = zlib.crc32(repr((scheme, rider.hr_rest_bpm, rider.sex)).encode())
    version = f"{VERSION}-{given:08x}"
    found = {} if recompute else {ride.ride_id: log.review(ride.ride_id, version) for ride in rides}
    missing = [ride for ride in rides if found.get(ride.ride_id) is None]
    jobs = [(ride.ride_id, ride.facts) for ride in missing]
    fresh = {}
    for ride_id, one in _progress(_worked_out(log, jobs, scheme, rider), len(jobs)):
        if isinstance(one, str):
            print(f"Ride {ride_id} is left out: {one}", file=sys.stderr)
        else:
            fresh[ride_id] = one
    growing = {ride.ride_id for ride in missing if ride.ended in (None, "cut")}
    whole = {ride_id: one for ride_id, one in fresh.items() if ride_id not in growing}
    if whole:
        # On a card that cannot be written they are worked out each time.
        with suppress(LogError):
            log.keep_reviews(whole, version)
    return {**{number: one for number, one in found.items() if one is not None}, **fresh}


def _worked_out(
    log: Log, jobs: Sequence[tuple[int, RideFacts]], scheme: bands.Scheme, rider: settings.Rider
) -> Iterator[tuple[int, dict[str, Any] | str]]:
    if len(jobs) < MANY:
        for ride_id, facts in jobs:
            yield ride_id, _summary(log, ride_id, facts, scheme, rider)
        return
    import os
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    share = [jobs[at : at + MANY // 4] for at in range(0, len(jobs), MANY // 4)]
    # Spawned, not forked: an open SQLite connection must not be carried into another process.
    with ProcessPoolExecutor(min(os.cpu_count() or 1, 4), mp_context=get_context("spawn")) as pool:
        for part in pool.map(_part, [(log.path, part, scheme, rider) for part in share]):
            yield from part


def _part(
    job: tuple[Path, Sequence[tuple[int, RideFacts]], bands.Scheme, settings.Rider],
) -> list[tuple[int, dict[str, Any] | str]]:
    """One share of the rides, in a process of its own."""
    from firmware_app.store.log import open_log

    path, rides, scheme, rider = job
    with open_log(path) as log:
        return [(ride_id, _summary(log, ride_id, facts, scheme, rider)) for ride_id, facts in rides]


def _summary(
    log: Log, ride_id: int, facts: RideFacts, scheme: bands.Scheme, rider: settings.Rider
) -> dict[str, Any] | str:
    """The review of one ride as plain data, or why there is none."""
    from firmware_app.core.review import review, summary
    from firmware_app.store.log import LogError

    try:
        return summary(review(log.record(ride_id), _table(scheme, facts, rider), rider.sex))
    except (LogError, bands.BandError) as error:
        return str(error)


def _progress(work: Iterable[T], total: int) -> Iterator[T]:
    """Shows on a terminal how far long work is; stdout stays free for the answer."""
    shown = total >= MANY and sys.stderr.isatty()
    for done, one in enumerate(work, start=1):
        yield one
        if shown and (done % (MANY // 4) == 0 or done == total):
            filled = 30 * done // total
            end = "\n" if done == total else ""
            print(f"\rReviews [{'=' * filled}{' ' * (30 - filled)}] {done} of {total}", end=end, file=sys.stderr)


def _scheme(name: str, rider: settings.Rider) -> bands.Scheme:
    """The scheme that a ride was ridden by; today's when that one is gone, and it is said."""
    if name in settings.scheme_names():
        return settings.load_scheme(name)
    if name:
        print(f"The band scheme {name!r} of that ride is gone; {rider.scheme!r} stands in.", file=sys.stderr)
    with settings.of_the_rider():
        return settings.load_scheme(rider.scheme)


def _table(scheme: bands.Scheme, facts: RideFacts, rider: settings.Rider) -> bands.BandTable:
    """The bands as they were for a ride: by its own maximum, and today's resting heart rate where it had none."""
    return bands.table(scheme, facts.hr_max_bpm, facts.hr_rest_bpm or rider.hr_rest_bpm)


def _estimates(log: Log) -> list[Estimate]:
    from firmware_app.report.weeks import Estimate

    return [
        Estimate(datetime.fromtimestamp(entry.at_unix_s).date(), entry.value_bpm, entry.low_bpm, entry.high_bpm)
        for entry in log.maxima()
        # One that a clock dated which woke in the past would be known on every day.
        if date_of(entry.at_unix_s) is not None and entry.low_bpm is not None and entry.high_bpm is not None
    ]


def _text_of(estimates: Sequence[Estimate], facts: RideFacts) -> str:
    """What was estimated of the maximum on the day of a ride."""
    if facts.started_unix_s is None:
        return ""
    day = datetime.fromtimestamp(facts.started_unix_s).date()
    known = [one for one in estimates if one.day <= day]
    if not known:
        return "No estimate of it had been made by that day."
    one = known[-1]
    return (
        f"The estimate on that day was {one.value_bpm:.0f} bpm, nine times in ten between {one.low_bpm:.0f} and"
        f" {one.high_bpm:.0f}."
    )


def _write(path: Path, page: Callable[[], str]) -> None:
    from firmware_app.report.plots import PlotError

    try:
        settings.write_whole(path, page().encode())
    except PlotError as error:
        raise Failed(str(error)) from error
    except OSError as error:
        raise Failed(f"{path}: cannot be written ({error.strerror}); choose another place with --out") from error
    print(f"Wrote {path}", file=sys.stderr)


def _text(ride_id: int, when: str, found: Review, table: bands.BandTable) -> str:
    """One ride for a terminal."""
    from firmware_app.core.review import ALARM_NAMES, by_kind, median_answer_s, over_maximum
    from firmware_app.report.ride import ANSWERED, UNKNOWN, headline

    lines = [f"Ride {ride_id}: {when}", "", _columns([(name, value) for name, value in headline(found)]), ""]
    if found.load_missing:
        lines += [f"No load: {found.load_missing}."]
    if doubt := over_maximum(found, table.hr_max_bpm, ride_id):
        lines += [doubt]
    lines += [*found.trained, "", *found.change, ""]
    in_bands = [(f"{band.number} {band.name}", rounded_time(found.band_s[band.number])) for band in table.scheme.bands]
    rows = [*reversed(in_bands), ("Unknown", rounded_time(found.unknown_s)), ("Paused", rounded_time(found.paused_s))]
    lines += [_columns(rows)]
    alarms = [
        (ALARM_NAMES[kind], str(len(same)), UNKNOWN if answer_s is None else rounded_time(answer_s))
        for kind, same in by_kind(found.alarms).items()
        for answer_s in [median_answer_s(same)]
        if kind in ALARM_NAMES
    ]
    if alarms:
        lines += ["", _columns([("Alarm", "Times", "Median answer"), *alarms]), ANSWERED]
    return "\n".join(lines)


def _columns(rows: Sequence[Sequence[str]]) -> str:
    """Rows in columns: the first to the left, the others to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(
        "  ".join(
            [row[0].ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True))]
        )
        for row in rows
    )
