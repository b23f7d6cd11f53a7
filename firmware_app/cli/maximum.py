"""``rumblestrip maximum``: the rider's maximum heart rate, what it rests on, and who decided."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_app import settings
from firmware_app.cli import Failed, UsageError, options
from firmware_app.cli.stored import NO_HEART, names_a_ride, ride_log, stored_ride
from firmware_app.core import maximum
from firmware_app.core.bands import HR_MAX_RANGE_BPM, BandError, whole_bpm
from firmware_app.core.dates import now_of, on_a_calendar, year_of
from firmware_app.core.session import own_near_max_bpm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from firmware_app.core.evidence import Evidence
    from firmware_app.core.maximum import Observation, Proposal
    from firmware_app.core.record import RideRecord
    from firmware_app.store.log import Log, MaximumEntry

HELP = """\
Nothing changes your maximum but you: `set`, or `review --accept N`. `evidence` takes a CSV file (t_s with hr_bpm, rr_ms
or both), the number of a stored ride, or `last`, the one stored last; a recording without a beat to trust prints a peak
of null with the reason, and that is status 0: the looking was done. Simulated rides never count for the estimate."""

RIDES_LOOKED_AT = 40
YEARS_LOOKED_AT = 3.0
_DAY_S = 86400.0
_MEDICINES = f"{maximum.MEDICINES[0].upper()}{maximum.MEDICINES[1:]}."
_DATED = "to have one count, export it as CSV, delete it, and import it with --date"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = HELP
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    actions = parser.add_subparsers(dest="action", metavar="ACTION")

    action = partial(options.add_action, actions)

    action("show", "the maximum in use, and the age formulas side by side (also without an action)")
    action("estimate", "what your rides say it may be, with the range that holds it nine times in ten")
    all_out = action("all-out", "say once, of a stored ride, that you gave everything in it; without one, list them")
    all_out.add_argument("rides", type=_ride_name, nargs="*", metavar="RIDE")
    all_out.add_argument("--no", action="store_true", help="take it back")
    action("evidence", "what one recording says about it").add_argument("file", metavar="FILE")
    setting = action("set", "set your own maximum, measured or given by a doctor")
    setting.add_argument("bpm", type=options.hr_max_bpm, metavar="N")
    setting.add_argument("--why", default="", help="how you know, for the history")
    review = action("review", "see what is proposed, then accept or refuse it")
    answer = review.add_mutually_exclusive_group()
    bpm = options.hr_max_bpm
    answer.add_argument("--accept", type=bpm, metavar="N", help="ride by the proposed maximum, N bpm, from now on")
    answer.add_argument("--refuse", type=bpm, metavar="N", help="keep yours; N bpm is not proposed again")
    action("history", "every maximum you had or were proposed, and who decided")


def run(args: argparse.Namespace) -> int:
    action = args.action or "show"
    doing = {
        "show": _show,
        "estimate": _estimate,
        "all-out": _all_out,
        "evidence": _evidence,
        "set": _set,
        "review": _review,
        "history": _history,
    }[action]
    document, text = doing(args)
    document = {"schema": f"rumblestrip.maximum_{action.replace('-', '_')}/1", **document}
    print(json.dumps(document, indent=2) if args.json else text)
    return 0


Answer = tuple[dict[str, Any], str]


def _rider() -> settings.Rider:
    return settings.load("rider", settings.Rider)


def _age(rider: settings.Rider) -> int | None:
    return None if rider.birth_year is None else maximum.age_years(rider.birth_year, year_of(date.today()))


def _in_use(rider: settings.Rider) -> maximum.AcceptedMaximum | None:
    """The maximum that a ride would go by, a formula's too; None where there is none."""
    try:
        return maximum.hr_max(rider, year_of(date.today()))
    except BandError:
        return None


def _named(in_use: maximum.AcceptedMaximum) -> str:
    return f"{in_use.value_bpm} bpm" + (" (formula)" if in_use.origin == "formula" else "")


# --- show -----------------------------------------------------------------------------------------------------------


def _show(args: argparse.Namespace) -> Answer:
    rider = _rider()
    age = _age(rider)
    accepted = _in_use(rider)
    formulas: list[dict[str, Any]] = []
    if age is not None and not rider.rate_medicines:
        formulas = [_formula(formula, age) for formula in maximum.formulas_for(rider.sex)]
    document = {
        "hr_max_bpm": accepted.value_bpm if accepted else None,
        "origin": accepted.origin if accepted else None,
        "range_bpm": [accepted.low_bpm, accepted.high_bpm] if accepted else None,
        "caution": accepted.caution if accepted else "",
        "age_years": age,
        "rate_medicines": rider.rate_medicines,
        "formulas": formulas,
    }
    lines = [f"Your maximum: {accepted.value_bpm} bpm, {accepted.text}." if accepted else "No maximum is known yet."]
    if accepted is None:
        formula = "" if rider.rate_medicines else ", or write birth_year in rider.toml for a formula"
        lines.append(f"`rumblestrip maximum set N`{formula}.")
    elif accepted.caution:
        lines.append(accepted.caution)
    if rider.rate_medicines:
        lines.append(_MEDICINES)
    if formulas:
        lines.append(f"Age formulas at {age} years, with the range that holds nine people in ten:")
        lines += [
            f"  {row['formula']:<16} {row['value_bpm']} bpm ({row['range_bpm'][0]} to {row['range_bpm'][1]})  "
            f"{row['source']}; spread: {row['sd_source']}"
            for row in formulas
        ]
    return document, "\n".join(lines)


def _formula(formula: maximum.Formula, age: int) -> dict[str, Any]:
    return {
        "name": formula.name,
        "formula": formula.text,
        "value_bpm": whole_bpm(formula.of_age(age)),
        "sd_bpm": formula.sd_bpm,
        "range_bpm": list(formula.range_bpm(age)),
        "source": formula.source,
        "sd_source": formula.sd_source,
    }


# --- evidence and estimate ------------------------------------------------------------------------------------------


def _evidence(args: argparse.Namespace) -> Answer:
    from firmware_app.core.evidence import find

    rider = _rider()
    record = _recording(args.file)
    found = find(record)
    document, text = described(found)
    step = _next_step(found, _effort(record), rider, args.file, record.facts.started_unix_s)
    if record.facts.source in NO_HEART:
        step = "That ride is simulated: it says nothing about your maximum, and never counts."
    return {**document, "next": step}, f"{text}\n{step}".rstrip()


def _effort(record: RideRecord) -> maximum.Effort:
    """What a ride is taken for without a rider's word on it: a maximal test that was judged so, or a hard ride."""
    measured = any(mark.kind == "verdict" and mark.detail.get("maximal") is True for mark in record.marks)
    return "test" if record.facts.plan == maximum.TEST_PLAN and measured else "hard"


def _next_step(
    found: Evidence, effort: maximum.Effort, rider: settings.Rider, file: str, started_unix_s: float | None
) -> str:
    """What the evidence of one recording says of the maximum in use, and what a rider can do with it."""
    seen = maximum.observe(found, 0.0, effort, "that ride")
    if found.peak_bpm is None or seen is None:
        return "It says nothing about your maximum."
    if rider.rate_medicines:
        return _MEDICINES
    stored = names_a_ride(file)
    if stored and started_unix_s is None:
        return f"The date of that ride was never known, so that it does not count; {_DATED}."
    if stored and (started_unix_s or 0.0) < _oldest(now_of(time.time(), ())):
        return f"That ride is more than {YEARS_LOOKED_AT:.0f} years old, and no longer counts."
    in_use = _in_use(rider)
    held_bpm = whole_bpm(found.peak_bpm)
    if in_use is not None:
        import shlex

        brought = f"`rumblestrip rides import {shlex.quote(file)} --date DATE` (when it began) stores it"
        against = maximum.against(seen, _age_to_compare(rider))
        return _beside(in_use, found.peak_bpm, found.raw_peak_bpm, against, "" if stored else brought)
    if found.peak_bpm < HR_MAX_RANGE_BPM[0]:
        return "That ride was too easy to begin with: take another, or birth_year in rider.toml for a formula."
    begin = f"`rumblestrip maximum set {held_bpm}`"
    if found.from_rr:
        return f"Next: if that ride was hard, yours is at least this: {begin} to begin with, until a ride shows more."
    return (
        "Next: ride by the age formula (birth_year in rider.toml). Without RR intervals a false count looks like a "
        f"heart and would put every band too high: only if that ride was hard and the formula is not lower, {begin}."
    )


def _beside(
    in_use: maximum.AcceptedMaximum, peak_bpm: float, raw_peak_bpm: float | None, against: str, brought: str
) -> str:
    """What a peak says of the maximum in use. against: why it raises none, or "". brought: how to store it, or ""."""
    held_bpm, yours = whole_bpm(peak_bpm), f"the {_named(in_use)} that you ride by"
    if peak_bpm < in_use.value_bpm + 1:
        level = "under" if held_bpm < in_use.value_bpm else "within a beat of"
        higher = raw_peak_bpm is not None and whole_bpm(raw_peak_bpm) > in_use.value_bpm
        brief = " What stood higher in it was too short, or not to be trusted." if higher else ""
        said = f"That ride held {held_bpm} bpm for 5 s, {level} {yours}, and says nothing against it.{brief}"
        return f"{said} To keep it: {brought}." if brought else said
    said = f"That ride held {held_bpm} bpm for 5 s, over {yours}"
    if against:
        return f"{said}, and yet raises nothing: {against}. See whether another ride, with a wet strap, says the same."
    weighs = f"`rumblestrip maximum review` weighs it against your {_named(in_use)}"
    return f"{said}, on sound evidence: that may be too low. Next: {f'{brought}; then ' if brought else ''}{weighs}."


def _recording(text: str) -> RideRecord:
    from firmware_app.core.events import Sample
    from firmware_app.core.record import RideFacts, record_of
    from firmware_app.store.csvfile import CsvError, read_csv

    if names_a_ride(text):
        with ride_log() as log:
            return log.record(stored_ride(log, text).ride_id)
    try:
        rows = read_csv(Path(text))
    except CsvError as error:
        raise UsageError(str(error)) from error
    samples = [Sample(t_s, measurement, None, 0.0) for t_s, measurement in rows]
    # The maximum of these facts is never looked at: evidence is what says something about it.
    return record_of(RideFacts(HR_MAX_RANGE_BPM[1], source="import"), samples, [], rows[-1][0])


def described(found: Evidence) -> Answer:
    """The evidence as plain data and as text."""
    document = {
        "peak_bpm": _tenth(found.peak_bpm),
        "held_s": round(found.held_s, 1),
        "held_15s_bpm": _tenth(found.held_15s_bpm),
        "quality": round(found.quality, 3),
        "raw_peak_bpm": _tenth(found.raw_peak_bpm),
        "from": "rr" if found.from_rr else "hr",
        "reason": found.reason,
        "stretches": [
            {
                "start_s": round(one.start_s, 1),
                "length_s": round(one.length_s, 1),
                "peak_bpm": _tenth(one.peak_bpm),
                "held_s": round(one.held_s, 1),
                "held_15s_bpm": _tenth(one.held_15s_bpm),
                "quality": round(one.quality, 3),
                "doubt": one.doubt,
            }
            for one in found.stretches
        ],
    }
    if found.peak_bpm is None:
        lines = [f"No trustworthy peak: {found.reason}."]
    else:
        held = "" if found.held_15s_bpm is None else f", {whole_bpm(found.held_15s_bpm)} bpm for 15 s"
        near = f"{found.held_s:.0f} s within 2 bpm of it; signal quality {100 * found.quality:.0f} %"
        lines = [f"Held: {whole_bpm(found.peak_bpm)} bpm for 5 s{held}; {near}."]
    if found.raw_peak_bpm is not None:
        lines.append(f"Raw peak, never used: {whole_bpm(found.raw_peak_bpm)} bpm.")
    if not found.from_rr and found.peak_bpm is not None:
        lines.append("From reported bpm, without RR intervals: weaker evidence, which never raises a maximum.")
    lines += [
        f"  from {one.start_s:.0f} s for {one.length_s:.0f} s: {whole_bpm(one.peak_bpm)} bpm"
        + (f"; doubted: {one.doubt}" if one.doubt else "")
        for one in found.stretches
    ]
    return document, "\n".join(lines)


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _ride_name(text: str) -> str:
    if not names_a_ride(text):
        raise argparse.ArgumentTypeError(f"{text!r} is not a ride: give its number, or `last`")
    return text


def _oldest(now_unix_s: float) -> float:
    """No ride from before that time counts for the maximum."""
    return now_unix_s - YEARS_LOOKED_AT * 365.25 * _DAY_S


def observations(log: Log, clock_unix_s: float) -> list[Observation]:
    """What the stored rides of the last years say: those with the highest peaks, every maximal test, and every ride in
    which the rider gave everything. Rides of the simulator never count, nor do rides whose date was never known.
    """
    from firmware_app.core.evidence import find
    from firmware_app.store.log import LogError

    every = log.rides()
    now_unix_s = now_of(clock_unix_s, [ride.facts.started_unix_s or 0.0 for ride in every])
    rides = [ride for ride in log.rides(since_unix_s=_oldest(now_unix_s)) if ride.facts.source not in NO_HEART]
    hearts = [ride for ride in every if ride.facts.source not in NO_HEART and ride.trusted]
    if undated := [ride.ride_id for ride in hearts if ride.facts.started_unix_s is None]:
        what = f"rides whose date was never known are left out, ride {undated[-1]} the last of them"
        print(f"{what}; {_DATED}", file=sys.stderr)
    all_out = log.all_out()
    rides.sort(key=lambda ride: -(ride.peak_bpm or 0.0))
    seen = []
    for place, ride in enumerate(rides):
        test = ride.facts.plan == maximum.TEST_PLAN
        if place >= RIDES_LOOKED_AT and not test and ride.ride_id not in all_out:
            continue
        try:
            record = log.record(ride.ride_id)
        except LogError as error:
            print(f"ride {ride.ride_id} is left out: {error}", file=sys.stderr)
            continue
        effort = _effort(record)
        if effort == "hard" and ride.ride_id in all_out:
            effort = "all_out"
        days_ago = max(now_unix_s - (ride.facts.started_unix_s or now_unix_s), 0.0) / _DAY_S
        one = maximum.observe(find(record), days_ago, effort, f"ride {ride.ride_id}")
        if one is not None:
            seen.append(one)
    return seen


def _estimate(args: argparse.Namespace) -> Answer:
    rider = _rider()
    with ride_log() as log:
        seen = observations(log, time.time())
    found = maximum.estimate(seen, _age(rider), rider.rate_medicines)
    document = {
        "value_bpm": found.value_bpm,
        "range_bpm": [found.low_bpm, found.high_bpm],
        "why": found.why,
        "rides": len(seen),
        "hr_max_bpm": rider.hr_max_bpm,
    }
    text = f"Estimate: {found.value_bpm} bpm, nine times in ten between {found.low_bpm:.0f} and {found.high_bpm:.0f}."
    lines = [text, found.why]
    if seen and all(one.effort == "hard" for one in seen):
        lines.append("In which ride did you give everything? `rumblestrip maximum all-out RIDE` narrows the range.")
    if rider.rate_medicines:
        lines.append(_MEDICINES)
    return document, "\n".join(lines)


def _all_out(args: argparse.Namespace) -> Answer:
    with ride_log() as log:
        rides = [stored_ride(log, name) for name in args.rides]
        for ride in rides:
            if ride.facts.source in NO_HEART:
                raise UsageError(f"ride {ride.ride_id} is simulated, and never counts; name one that you rode")
        if rides:
            log.say_all_out(rides, not args.no)
        said = sorted(log.all_out())
    counted = f"`rumblestrip maximum estimate` counts those of the last {YEARS_LOOKED_AT:.0f} years so"
    text = f"All-out by your word: {', '.join(map(str, said))}. {counted}."
    return {"rides": said}, text if said else "You have said of no ride that you gave everything in it."


# --- deciding -------------------------------------------------------------------------------------------------------


def _set(args: argparse.Namespace) -> Answer:
    from firmware_app.store.log import MaximumEntry

    now = time.time()
    rider = _rider()
    before_bpm = rider.hr_max_bpm
    entry = MaximumEntry(args.bpm, "rider", now, "accepted", decided_by="rider", decided_unix_s=now, why=args.why)
    with ride_log() as log:
        doubts = maximum.doubts(args.bpm, observations(log, now), _age_to_compare(rider), rider.rate_medicines)
        accepted = [one for one in log.maxima() if one.state == "accepted"]
        # Said again it is no news for the history, but for a reason that was not given before.
        known = bool(accepted) and accepted[-1].value_bpm == before_bpm == args.bpm
        if not known or args.why not in ("", accepted[-1].why):
            with _riding_by(args.bpm):
                log.add_maximum(entry)
    had = "none was set" if before_bpm is None else f"it was {before_bpm} bpm"
    text = f"Your maximum is {args.bpm} bpm from now on; before, {had}. `rumblestrip bands` shows your bands."
    refused = _refused(args.bpm)
    lines = [text, *_moved_limit(args.bpm), *_told(refused), *doubts]
    if doubts:
        lines.append(f"If that was a slip: {_way_back(before_bpm, args.bpm)}.")
    document = {"hr_max_bpm": args.bpm, "before_bpm": before_bpm, "doubts": list(doubts), "ride_refused": refused}
    return document, "\n".join(lines)


def _moved_limit(hr_max_bpm: int) -> list[str]:
    """What a rider whose own limit for near maximum is in percent must know of a new maximum: the limit moved too."""
    try:
        near = settings.load_alarms().near_max
    except settings.SettingsError:
        return []  # `check` tells; it must not keep a maximum from being set
    bpm = own_near_max_bpm(hr_max_bpm, near.limit_percent * hr_max_bpm / 100)
    if bpm is None or bpm >= near.limit_bpm:
        return []
    return [
        f"Near maximum now begins at {bpm} bpm for you, {near.limit_percent:g} % of it. Is that what your doctor said? "
        "A limit in bpm stays where it is: limit_bpm under [near_max] in alarms.toml."
    ]


def _refused(hr_max_bpm: int) -> str | None:
    """Why no ride begins with a maximum, and the cure; None where one does. A lane or a scheme may be in bpm."""
    from firmware_app.preparation import prepare

    try:
        prepare(hr_max_bpm=hr_max_bpm)
    except (settings.SettingsError, BandError) as error:
        return str(error)
    return None


def _told(refused: str | None) -> list[str]:
    return [] if refused is None else [f"`rumblestrip ride` begins no ride until this is mended: {refused}."]


def _age_to_compare(rider: settings.Rider) -> int | None:
    """The age; None also where birth_year is wrong: what is set does not rest on it."""
    try:
        return _age(rider)
    except BandError:
        return None


def _way_back(before_bpm: int | None, now_bpm: int) -> str:
    if before_bpm is None:
        path = settings.config_dir() / "rider.toml"
        return f"`rumblestrip maximum set N`, or take hr_max_bpm out of {path}"
    return f"`rumblestrip maximum set {'N' if before_bpm == now_bpm else before_bpm}`"


@contextmanager
def _riding_by(bpm: int) -> Iterator[None]:
    """The rider's maximum from now on, if what is written to the history inside succeeds as well.

    In this order: a kill between leaves a maximum that is in use and not in the history yet, which setting it again
    mends. The other way round the history would tell for ever of one that was never in use.
    """
    from firmware_app.store.log import LogError

    path = settings.config_dir() / "rider.toml"
    before = path.read_bytes() if path.exists() else b""
    try:
        settings.remember("rider", {"hr_max_bpm": bpm})
    except OSError as error:
        raise Failed(f"{path} cannot be written ({error.strerror}); your maximum is unchanged") from error
    try:
        yield
    except LogError:
        settings.write_whole(settings.behind(path), before)
        raise


def _review(args: argparse.Namespace) -> Answer:
    rider = _rider()
    now = time.time()
    with ride_log() as log:
        seen = observations(log, now)
        proposal = maximum.propose(seen, rider.hr_max_bpm, _age(rider), rider.rate_medicines)
        past = log.maxima()
        # A value that was refused comes up again only when it has changed.
        refused_on = None if proposal is None else _refused_on(proposal.value_bpm, past)
        if proposal is None or refused_on is not None:
            said = "nothing is proposed; `rumblestrip maximum estimate` tells what your rides say"
            if proposal is not None:
                said = f"nothing is proposed: you refused {proposal.value_bpm} bpm{refused_on}; "
                said += f"if you changed your mind: `rumblestrip maximum set {proposal.value_bpm}`"
            if args.accept or args.refuse:
                raise UsageError(said)
            return {"proposal": None, "hr_max_bpm": rider.hr_max_bpm}, f"{said[0].upper()}{said[1:]}."
        return _answered(args, rider, proposal, log, _entry_of(proposal, log, past, now), now)


def _answered(
    args: argparse.Namespace, rider: settings.Rider, proposal: Proposal, log: Log, entry_id: int, now_unix_s: float
) -> Answer:
    """What is proposed, accepted or refused where the rider says so. entry_id: the proposal's, in the history."""
    in_use, bpm = _in_use(rider), proposal.value_bpm
    text = f"Proposed: {bpm} bpm instead of {_named(in_use) if in_use else 'none'}. {proposal.why}\n"
    ask = f"`rumblestrip maximum review --accept {bpm}`, or the same with `--refuse {bpm}`, or "
    ask += "`rumblestrip maximum set N`."
    # The number says what the rider has seen: another ride since then may propose another, with a warning to it.
    if (answered_bpm := args.accept or args.refuse) not in (None, bpm):
        raise UsageError(f"{answered_bpm} bpm is not what is proposed now. {text}{ask}")
    state = "accepted" if args.accept else "refused" if args.refuse else "proposed"
    if args.accept:
        with _riding_by(bpm):
            log.decide_maximum(entry_id, "accepted", by="rider", at_unix_s=now_unix_s)
    elif args.refuse:
        log.decide_maximum(entry_id, "refused", by="rider", at_unix_s=now_unix_s)
    document = {
        "proposal": {
            "hr_max_bpm": bpm,
            "range_bpm": [proposal.low_bpm, proposal.high_bpm],
            "why": proposal.why,
            "state": state,
        },
        "hr_max_bpm": bpm if args.accept else rider.hr_max_bpm,
    }
    back = f"\nTo go back: {_way_back(rider.hr_max_bpm, bpm)}." if proposal.leap else ""
    text += {
        "accepted": f"Accepted: {bpm} bpm is your maximum from now on.{back}",
        "refused": "Refused: nothing has changed.",
        "proposed": ask,
    }[state]
    if not args.accept:
        return document, text
    refused = _refused(bpm)
    return {**document, "ride_refused": refused}, "\n".join([text, *_moved_limit(bpm), *_told(refused)])


def _refused_on(bpm: int, past: Sequence[MaximumEntry]) -> str | None:
    """When the rider refused this value last, as in " on 2026-11-26"; "" where no clock knew, None for never."""
    days = [_row(one)["decided_at"] for one in past if one.state == "refused" and one.value_bpm == bpm]
    if not days:
        return None
    return f" on {days[-1][:10]}" if days[-1] else ""


def _entry_of(proposal: Proposal, log: Log, past: Sequence[MaximumEntry], now_unix_s: float) -> int:
    """The number of this proposal in the history, into which it is put unless it is there already."""
    from firmware_app.store.log import MaximumEntry

    for one in past:
        if one.state == "proposed" and one.value_bpm == proposal.value_bpm and one.entry_id is not None:
            return one.entry_id
    entry = MaximumEntry(
        proposal.value_bpm,
        proposal.origin,
        now_unix_s,
        low_bpm=proposal.low_bpm,
        high_bpm=proposal.high_bpm,
        why=proposal.why,
    )
    return log.add_maximum(entry)


def _history(args: argparse.Namespace) -> Answer:
    with ride_log() as log:
        entries = log.maxima()
    rows = [_row(one) for one in entries]
    if not rows:
        return {"history": rows}, "No maximum has been set or proposed yet."
    told = [(row["at"][:16].replace("T", " "), f"{row['value_bpm']} bpm", _came_of(row), row["why"]) for row in rows]
    lines = [
        f"{at:<16}  {bpm:>7}  {what:<28}  {why}".rstrip()
        for at, bpm, what, why in [("when", "maximum", "what came of it", "why"), *told]
    ]
    return {"history": rows}, "\n".join(lines)


def _came_of(row: dict[str, Any]) -> str:
    """Where an entry of the history came from and what became of it: only the rider decides."""
    if row["origin"] == "rider":
        return "set by you"
    origin = "a test" if row["origin"] == "test" else "rides"
    return f"from {origin}, {row['state']}{' by you' if row['decided_by'] else ''}"


def _row(one: MaximumEntry) -> dict[str, Any]:
    def iso(unix_s: float | None) -> str | None:
        known_s = on_a_calendar(unix_s)
        return None if known_s is None else datetime.fromtimestamp(known_s).astimezone().isoformat(timespec="seconds")

    return {
        "at": iso(one.at_unix_s),
        "value_bpm": one.value_bpm,
        "origin": one.origin,
        "state": one.state,
        "range_bpm": None if one.low_bpm is None else [one.low_bpm, one.high_bpm],
        "decided_by": one.decided_by,
        "decided_at": iso(one.decided_unix_s),
        "why": one.why,
    }
