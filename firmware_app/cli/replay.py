"""``rumblestrip replay``: recorded rides through the same companion, to see what the unit would have done."""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_app.cli import Failed, UsageError, options, warn
from firmware_app.cli.stored import names_a_ride, ride_log, stored_ride
from firmware_app.core.bands import HR_MAX_RANGE_BPM, BandError, whole_bpm
from firmware_app.core.maximum import TEST_PLAN
from firmware_app.core.times import rounded_time
from firmware_app.settings import SettingsError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from firmware_app.core.bands import BandTable
    from firmware_app.core.events import Mark
    from firmware_app.core.record import RideFacts, RideRecord
    from firmware_app.core.review import Sex, ThenAndNow
    from firmware_app.preparation import Preparation

SCHEMA = "rumblestrip.ride/1"
MAX_WEEKS = 5200
RATE_FROM_S = 1800.0
"""From so much riding on the alarms an hour are told (own choice): three in ten minutes are no eighteen an hour."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of ``replay``."""
    parser.epilog = (
        "RIDE is a CSV file with t_s and either or both of hr_bpm and rr_ms, a number from `rumblestrip rides`, or "
        "last. A stored ride is played with its own maximum, target and key presses, and compared with what it sounded "
        "then: change a target, a key or the alarm file to see what that would have been worth. On an imported one the "
        "unit was not there, so that there is no then."
    )
    parser.add_argument("ride", nargs="?", metavar="RIDE", help="a CSV file, the number of a stored ride, or last")
    parser.add_argument("--weeks", type=int, metavar="N", help="every stored ride of the last N weeks instead")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    options.add_ride_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Play, and print what happened."""
    if (args.ride is None) == (args.weeks is None):
        raise UsageError("name one ride, or --weeks N for all of the last weeks")
    if args.weeks is not None and not 1 <= args.weeks <= MAX_WEEKS:
        raise UsageError(f"--weeks {args.weeks}: give 1 to {MAX_WEEKS}")
    if args.weeks is not None:
        # What no ride can be played with is said once, not of every ride: with the highest maximum that there is, so
        # that what only some rides have no room for is left to them.
        options.prepared(args, hr_max_bpm=HR_MAX_RANGE_BPM[1], target="none")
        return _weeks(args)
    if names_a_ride(args.ride):
        return _one(args)
    return _play_file(args, Path(args.ride))


def _play_file(args: argparse.Namespace, path: Path) -> int:
    from firmware_app.core.companion import play
    from firmware_app.store.csvfile import CsvError, read_csv

    try:
        rows = read_csv(path)
    except CsvError as error:
        raise UsageError(str(error)) from error
    ready = options.prepared(args)
    warn(ready.near_max_caution())
    record = play(ready.companion(ready.facts("replay")), rows)
    if args.json:
        print(json.dumps(document(record, ready.bands, ready.rider.sex)))
    else:
        print(_played_by(ready), page(record, ready.bands, ready.rider.sex), sep="\n")
    return 0


def _played_by(ready: Preparation) -> str:
    """What a ride was played with: every figure below hangs on it."""
    return f"Played with a maximum of {ready.bands.hr_max_bpm} bpm, {ready.in_words()}."


def document(record: RideRecord, bands: BandTable, sex: Sex | None) -> dict[str, Any]:
    """A ride as the JSON document of ``replay`` and ``simulate``."""
    from firmware_app.core.review import review, summary

    lanes = [mark.detail for mark in record.marks if mark.kind == "target" and mark.detail["low_bpm"] is not None]
    return {
        "schema": SCHEMA,
        "hr_max_bpm": record.facts.hr_max_bpm,
        "target_bpm": [lanes[0]["low_bpm"], lanes[0]["high_bpm"]] if lanes else None,
        "duration_s": round(record.duration_s, 3),
        "alarms": [
            {"t_s": round(mark.t_s, 3), **{key: mark.detail[key] for key in ("kind", "priority", "reminder", "heard")}}
            for mark in record.marks
            if mark.kind == "alarm" and mark.detail["on"]
        ],
        "summary": summary(review(record, bands, sex)),
    }


def page(record: RideRecord, bands: BandTable, sex: Sex | None) -> str:
    """A ride as a page of text."""
    from firmware_app.core.review import review

    seen = review(record, bands, sex)
    held = f"{rounded_time(seen.in_target_s)} in target, " if seen.had_target else ""
    lines = [
        f"{rounded_time(seen.ridden_s)} ridden, {held}{rounded_time(seen.unknown_s)} without a heart rate to trust",
        f"highest trusted heart rate {_bpm(seen.peak_bpm)}, mean {_bpm(seen.mean_bpm)}",
        "",
    ]
    sounded = [mark for mark in record.marks if mark.kind == "alarm" and mark.detail["on"]]
    for mark in sounded:
        again = f", again ({mark.detail['reminder']})" if mark.detail["reminder"] else ""
        unheard = "" if mark.detail["heard"] else ", silent"
        lines.append(f"{rounded_time(mark.t_s):>8}  {str(mark.detail['kind']).replace('_', ' ')}{again}{unheard}")
    if not sounded:
        lines.append("No alarms.")
    return "\n".join([*lines, "", *seen.trained, *seen.change])


def _bpm(value: float | None) -> str:
    return "unknown" if value is None else f"{whole_bpm(value)} bpm"


# --- stored rides, then and now -------------------------------------------------------------------------------------


def _stored(weeks: int) -> dict[int, RideRecord]:
    """The rides of the last weeks. One that cannot be read is left out, and it is said: it must not cost the others."""
    from firmware_app.store.log import LogError

    found = {}
    with ride_log() as log:
        for ride in log.rides(since_unix_s=time.time() - weeks * 7 * 86400):
            try:
                found[ride.ride_id] = log.record(ride.ride_id)
            except LogError as error:
                print(f"ride {ride.ride_id} is left out: {error}", file=sys.stderr)
    return found


@dataclass
class _Heard:
    """What rides sounded then and what they would sound now.

    there: whether the unit was on these rides; where it was not, there is no then.
    """

    there: bool
    rides: int = 0
    duration_s: float = 0.0
    then: list[Mark] = field(default_factory=list)
    now: list[Mark] = field(default_factory=list)

    def add(self, record: RideRecord, ready: Preparation) -> RideRecord:
        """One more ride, played again as prepared. Gives what it is now."""
        from firmware_app.core.companion import play
        from firmware_app.core.record import events_of

        again = play(ready.companion(ready.facts("replay")), events_of(record))
        self.rides += 1
        # One ride after the other: only what sounded in the same ride is taken for the same alarm.
        for marks, played in ((self.then, record), (self.now, again)):
            marks.extend(replace(mark, t_s=self.duration_s + mark.t_s) for mark in played.marks)
        self.duration_s += record.duration_s
        return again

    def kinds(self) -> dict[str, ThenAndNow]:
        """The alarms by kind."""
        from firmware_app.core.review import compare

        return compare(self.then, self.now)

    def per_hour(self, alarms: int) -> float | None:
        """How many that is an hour; None where so little was ridden that it would tell nothing."""
        return alarms / (self.duration_s / 3600) if self.duration_s >= RATE_FROM_S else None


def _one(args: argparse.Namespace) -> int:
    """One stored ride: what it would be, and beside it what it was."""
    with ride_log() as log:
        record = log.record(stored_ride(log, args.ride).ride_id)
    ready = _ready_for(args, record.facts)
    warn(ready.near_max_caution())
    heard = _Heard(there=record.facts.source != "import")
    again = heard.add(record, ready)
    if args.json:
        print(json.dumps({**document(again, ready.bands, ready.rider.sex), "compared": _rows(heard)}))
    else:
        print(_played_by(ready), page(again, ready.bands, ready.rider.sex), "", _table(heard), sep="\n")
    return 0


def _weeks(args: argparse.Namespace) -> int:
    """Every stored ride of the last weeks, added up. One that cannot be played is left out, and it is said."""
    records = _stored(args.weeks)
    if not records:
        raise Failed("no rides in that time; `rumblestrip rides` lists what there is")
    ridden, imported = _Heard(there=True), _Heard(there=False)
    for ride_id, record in records.items():
        try:
            ready = _ready_for(args, record.facts)
        except (UsageError, SettingsError, BandError) as error:
            print(f"ride {ride_id} is left out: {error}", file=sys.stderr)
            continue
        (imported if record.facts.source == "import" else ridden).add(record, ready)
    if not ridden.rides and not imported.rides:
        raise Failed("no ride of that time can be replayed; see above why, and choose other options or more weeks")
    if args.json:
        groups = {**_group(ridden), "imported": _group(imported)}
        print(json.dumps({"schema": "rumblestrip.compared/1", **groups}))
    else:
        print("\n\n".join(_table(heard) for heard in (ridden, imported) if heard.rides))
    return 0


def _table(heard: _Heard) -> str:
    from firmware_app.core.review import SAME_S

    head = f"{heard.rides} ride{'' if heard.rides == 1 else 's'}, {heard.duration_s / 3600:.1f} hours; heard alarms"
    head += ", and sounds with their reminders"
    if not heard.there:
        head += "; recorded elsewhere: the unit was not there to sound any then"
    names = ["alarms", "sounds", *(["alarms/h"] if heard.per_hour(0) is not None else [])]
    sides = ("then", "now") if heard.there else ("now",)
    width = 9 * len(sides)
    moved = f"{'moved':>9}" if heard.there else ""
    lines = [head, " " * 20 + "".join(f"{name:>{width}}" for name in names)]
    lines.append(" " * 20 + "".join(f"{side:>9}" for side in sides) * len(names) + moved)
    footer = []
    for kind, change in heard.kinds().items():
        name = kind.replace("_", " ")
        counts = ((len(change.before_s), len(change.after_s)), (change.before_sounds, change.after_sounds))
        cells = [f"{count:9}" for pair in counts for count in pair[-len(sides) :]]
        cells += [f"{rate:9.1f}" for rate in map(heard.per_hour, counts[0][-len(sides) :]) if rate is not None]
        lines.append(f"{name:20}{''.join(cells)}" + (f"{change.moved:9}" if heard.there else ""))
        if heard.there and heard.rides == 1 and (change.moved or len(change.before_s) != len(change.after_s)):
            footer.append(f"{name}: then at {_times(change.before_s)}; now at {_times(change.after_s)}")
    if moved:
        footer.insert(0, f"moved: of the alarms now, those that began over {SAME_S:g} s away from every one then")
    return "\n".join([*lines, *footer])


def _times(moments_s: Sequence[float]) -> str:
    return ", ".join(map(rounded_time, moments_s)) or "no time"


def _ready_for(args: argparse.Namespace, facts: RideFacts) -> Preparation:
    if facts.plan == TEST_PLAN:
        # Its keys answer pages, and its lane is none: as a ride it would be another one.
        raise UsageError("a guided maximal test cannot be replayed; `rumblestrip report RIDE` shows it")
    return options.prepared(
        args,
        plan=facts.plan or None,
        target=None if facts.plan else facts.target or "none",
        hr_max_bpm=facts.hr_max_bpm,
        hr_rest_bpm=facts.hr_rest_bpm,
        scheme=facts.scheme or None,
    )


def _group(heard: _Heard) -> dict[str, Any]:
    return {"rides": heard.rides, "duration_s": round(heard.duration_s, 3), "compared": _rows(heard)}


def _rows(heard: _Heard) -> dict[str, dict[str, float | None]]:
    def rate(alarms: int) -> float | None:
        per_hour = heard.per_hour(alarms)
        return None if per_hour is None else round(per_hour, 3)

    rows: dict[str, dict[str, float | None]] = {}
    for kind, change in heard.kinds().items():
        before, after = len(change.before_s), len(change.after_s)
        rows[kind] = {
            "before": before if heard.there else None,
            "after": after,
            "before_per_hour": rate(before) if heard.there else None,
            "after_per_hour": rate(after),
            "before_sounds": change.before_sounds if heard.there else None,
            "after_sounds": change.after_sounds,
            "moved": change.moved if heard.there else None,
        }
    return rows
