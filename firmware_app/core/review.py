"""What a ride was: times, bands, target, alarms and their answers, recovery, drift, load, and plain sentences.

The whole ride at once, on numpy. Time is cut into whole milliseconds, so that the parts of a ride add up to its
duration exactly. A trusted heart rate holds until the next sample and for ``HOLD_S`` at most; whatever is left is
*unknown*: never zero, never guessed. Definitions and sources: docs/review.md.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from firmware_app.core.alarms import CONDITIONS
from firmware_app.core.bands import BandTable, hard_bpm, near_max_bpm, whole_bpm
from firmware_app.core.events import Mark
from firmware_app.core.maximum import TEST_PLAN
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.core.times import rounded_time

Sex = Literal["female", "male"]

VERSION = "4"
"""Of the definitions below: a review that is kept under another version has to be worked out again."""

HOLD_S = 5.0
"""How long one trusted value speaks for the heart, at most (own choice): a strap sends every second, a slow recording
every five."""

HARD_S = 30
BRIDGE_S = 30
"""A hard effort lasts ``HARD_S`` at least; dips and gaps of up to ``BRIDGE_S`` do not cut it in two (own choice)."""

RECOVERY_S = 60
"""The fall is taken over one minute (Cole et al., N Engl J Med 341:1351, 1999)."""

WARM_UP_S, COOL_DOWN_S, STEADY_S = 600, 300, 1800
STEADY_SD_BPM = 5.0
STEADY_KNOWN = 0.9
STEADY_PAUSED_S = 120.0
"""A steady ride: between warm-up and cool-down at least ``STEADY_S``, nearly all known, hardly a pause, and in each
half the heart rate scatters by no more than ``STEADY_SD_BPM`` (own choice)."""

NEAR_MAX_LONG_S = 60
TRUSTED_ENOUGH = 0.8
OUTSIDE_SHARE = 0.2
"""Where the advice begins: time near maximum, trusted share of the ride, share of the time outside (own choice)."""

KNOWN_LEAST_S = 60
HARD_TOLD_S = 60
DRIFT_TOLD_BPM = 3.0
"""Where there is something to say of what a ride trained: time known at all, time hard, the drift (own choice)."""

SAME_S = 1.0
"""Two runs of a ride in which an alarm begins within this sounded it at the same time (own choice)."""

LANE_KINDS = ("above_target", "below_target")
"""Alarms about the lane: a pause, another lane or a gap ends them, and is no answer."""

ALARM_NAMES = {kind: kind.replace("_", " ") for kind in CONDITIONS if kind not in ("back_in_target", "step_change")}
"""The alarms that are told after a ride, highest first, and how; what only informs is left out."""

LOAD_WEIGHTS: Mapping[str, tuple[float, float]] = {"male": (0.64, 1.92), "female": (0.86, 1.67)}
"""Factor and exponent of the training load (Banister 1991; Morton et al. 1990)."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of the ride with its reminders.

    t_s: when it first sounded. reminders: how many followed.
    answered_s: from then until its condition had ended, as alarms.toml tells when (a lane's when the heart is back
    inside by the release); None when that never came: the ride ended, or for a lane a pause or another one came first.
    """

    t_s: float
    kind: str
    reminders: int
    answered_s: float | None


@dataclass(frozen=True, slots=True)
class Recovery:
    """One hard effort and the fall of the heart rate in the minute after it.

    from_s, until_s: the effort. peak_bpm: its highest trusted heart rate.
    t_s: where the minute begins; fall_bpm: how far the heart rate fell; both None when no such minute is known.
    """

    from_s: float
    until_s: float
    peak_bpm: float
    t_s: float | None
    fall_bpm: float | None


@dataclass(frozen=True, slots=True)
class Drift:
    """A steady ride's second half against its first: mean trusted heart rate in bpm."""

    first_bpm: float
    second_bpm: float

    @property
    def drift_bpm(self) -> float:
        """Positive when the heart rate rose."""
        return self.second_bpm - self.first_bpm


@dataclass(frozen=True)
class Review:
    """What a ride was. Times in seconds, exact to the millisecond:

    duration_s = ridden_s + paused_s
    ridden_s = the sum of band_s + unknown_s
    ridden_s = in_target_s + above_target_s + below_target_s + target_unknown_s + no_target_s

    band_s: ridden, known time by band number, a zero for a band never reached.
    hard_s, near_max_s: ridden, known time at or above ``bands.HARD_FRACTION`` and ``near_max_bpm``.
    near_max_bpm: ``bands.NEAR_MAX_FRACTION``, or the rider's own limit where that was lower.
    mean_bpm: over the ridden, known time; None when there is none.
    peak_bpm: highest trusted heart rate of the whole record; peak_reported_bpm: what the strap claimed, never used.
    trusted_fraction: known share of the ridden time, 0 to 1.
    load: training load of the known time (arbitrary units), None when ``load_missing`` says what it needs.
    trained, change: sentences for the rider: what the ride trained, what to change next time.
    """

    duration_s: float
    ridden_s: float
    paused_s: float
    unknown_s: float
    band_s: Mapping[int, float]
    hard_s: float
    near_max_s: float
    near_max_bpm: int
    in_target_s: float
    above_target_s: float
    below_target_s: float
    target_unknown_s: float
    no_target_s: float
    mean_bpm: float | None
    peak_bpm: float | None
    peak_reported_bpm: float | None
    trusted_fraction: float
    alarms: tuple[Alarm, ...]
    recoveries: tuple[Recovery, ...]
    drift: Drift | None
    load: float | None
    load_missing: str
    trained: tuple[str, ...]
    change: tuple[str, ...]

    @property
    def target_s(self) -> float:
        """Ridden, known time that had a target."""
        return self.in_target_s + self.above_target_s + self.below_target_s

    @property
    def had_target(self) -> bool:
        """Whether there was a target on the ride, known or not how it was held."""
        return self.target_s + self.target_unknown_s > 0


@dataclass(frozen=True, slots=True)
class ThenAndNow:
    """Heard alarms of one kind before and after a change of settings.

    before_s, after_s: when each began, in s. before_sounds, after_sounds: how often it was heard, reminders included.
    """

    before_s: tuple[float, ...]
    after_s: tuple[float, ...]
    before_sounds: int
    after_sounds: int

    @property
    def moved(self) -> int:
        """How many of the alarms after began at a time where none did before, to ``SAME_S``."""
        return sum(all(abs(now_s - then_s) > SAME_S for then_s in self.before_s) for now_s in self.after_s)


def review(record: RideRecord, bands: BandTable, sex: Sex | None = None) -> Review:
    """Review one ride against the rider's bands. ``sex`` picks the weights of the training load."""
    time = Timeline(record)
    span_ms = time.span_ms
    known = time.ridden & np.isfinite(time.bpm)
    has_target = np.isfinite(time.low_bpm)
    bpm, bpm_ms = time.bpm[known], span_ms[known]
    low_bpm, high_bpm = time.low_bpm[known], time.high_bpm[known]
    whole = np.floor(bpm + 0.5)

    row = np.searchsorted(np.array(bands.limits_bpm, dtype=np.float64), whole, side="right")
    near_bpm = _riders_near_max_bpm(record.marks, bands.hr_max_bpm)
    ridden_ms, known_ms = int(span_ms[time.ridden].sum()), int(bpm_ms.sum())
    load, load_missing = _load(bpm, bpm_ms, bands, sex)
    facts = Review(
        duration_s=time.duration_ms / 1000,
        ridden_s=ridden_ms / 1000,
        paused_s=(time.duration_ms - ridden_ms) / 1000,
        unknown_s=(ridden_ms - known_ms) / 1000,
        band_s={band.number: seconds(bpm_ms[row == i]) for i, band in enumerate(bands.scheme.bands)},
        hard_s=seconds(bpm_ms[whole >= hard_bpm(bands.hr_max_bpm)]),
        near_max_s=seconds(bpm_ms[whole >= near_bpm]),
        near_max_bpm=near_bpm,
        in_target_s=seconds(bpm_ms[(whole >= low_bpm) & (whole <= high_bpm)]),
        above_target_s=seconds(bpm_ms[whole > high_bpm]),
        below_target_s=seconds(bpm_ms[whole < low_bpm]),
        target_unknown_s=seconds(span_ms[time.ridden & has_target & ~known]),
        no_target_s=seconds(span_ms[time.ridden & ~has_target]),
        mean_bpm=float(bpm @ bpm_ms) / known_ms if known_ms else None,
        peak_bpm=_highest(record.trusted_bpm),
        peak_reported_bpm=_highest(record.hr_bpm),
        trusted_fraction=known_ms / ridden_ms if ridden_ms else 0.0,
        alarms=_alarms(record.marks, time),
        recoveries=_recoveries(time, hard_bpm(bands.hr_max_bpm)),
        drift=_drift(time),
        load=load,
        load_missing=load_missing,
        trained=(),
        change=(),
    )
    return replace(facts, trained=_trained(facts, bands), change=_change(facts, record.facts))


def seconds(spans_ms: NDArray[np.int64]) -> float:
    """How long these pieces of time are together, in s."""
    return int(spans_ms.sum()) / 1000


def over_maximum(review: Review, hr_max_bpm: int, ride_id: int) -> str:
    """What to think of a highest trusted heart rate that is over the maximum, short; "" where it is not."""
    if review.peak_bpm is None or whole_bpm(review.peak_bpm) <= hr_max_bpm:
        return ""
    over = f"{whole_bpm(review.peak_bpm)} bpm is over the maximum of {hr_max_bpm} bpm: the heart, or the strap?"
    return f"{over} `rumblestrip maximum evidence {ride_id}` tells."


def summary(review: Review) -> dict[str, object]:
    """A review for JSON: plain values, times to 0.1 s, heart rates and load to 0.1, None where not known."""
    return {
        "duration_s": _tenth(review.duration_s),
        "ridden_s": _tenth(review.ridden_s),
        "paused_s": _tenth(review.paused_s),
        "unknown_s": _tenth(review.unknown_s),
        "trusted_fraction": round(review.trusted_fraction, 4),
        "mean_bpm": _tenth(review.mean_bpm),
        "peak_bpm": _tenth(review.peak_bpm),
        "peak_reported_bpm": _tenth(review.peak_reported_bpm),
        "in_target_s": _tenth(review.in_target_s) if review.had_target else None,
        "above_target_s": _tenth(review.above_target_s) if review.had_target else None,
        "below_target_s": _tenth(review.below_target_s) if review.had_target else None,
        "hard_s": _tenth(review.hard_s),
        "near_max_s": _tenth(review.near_max_s),
        "band_s": {str(number): _tenth(s) for number, s in review.band_s.items()},
        "alarms_by_kind": {
            kind: {
                "count": len(same),
                "reminders": sum(alarm.reminders for alarm in same),
                "median_answer_s": _tenth(median_answer_s(same)),
            }
            for kind, same in by_kind(review.alarms).items()
        },
        "recoveries": [
            {"t_s": _tenth(each.t_s), "peak_bpm": _tenth(each.peak_bpm), "fall_bpm": _tenth(each.fall_bpm)}
            for each in review.recoveries
        ],
        "drift_bpm": _tenth(review.drift.drift_bpm) if review.drift else None,
        "load": _tenth(review.load),
        "trained": list(review.trained),
        "change": list(review.change),
    }


def by_kind(alarms: Iterable[Alarm]) -> dict[str, list[Alarm]]:
    """Alarms by kind, in the order in which each kind first sounded."""
    kinds: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        kinds.setdefault(alarm.kind, []).append(alarm)
    return kinds


def median_answer_s(alarms: Iterable[Alarm]) -> float | None:
    """The median time to answer among those that were answered, in seconds."""
    answers = [alarm.answered_s for alarm in alarms if alarm.answered_s is not None]
    return median(answers) if answers else None


def compare(before: Iterable[Mark], after: Iterable[Mark]) -> dict[str, ThenAndNow]:
    """What other settings would have changed, by alarm kind.

    Other marks may stand among the alarm marks. What was not heard is not counted: audio paused, or something of higher
    priority sounding; nor what is technical, of which a recording does not hold what raised it.
    """
    then, now = _heard(before), _heard(after)
    return {
        kind: ThenAndNow(
            tuple(mark.t_s for mark in was if not mark.detail.get("reminder")),
            tuple(mark.t_s for mark in is_now if not mark.detail.get("reminder")),
            len(was),
            len(is_now),
        )
        for kind in dict.fromkeys([*then, *now])
        for was, is_now in [(then.get(kind, []), now.get(kind, []))]
    }


class Timeline:
    """The ride cut at every moment where something changes; all arrays have one value per piece.

    start_ms, span_ms: where a piece begins and how long it is, int64. bpm: trusted heart rate, NaN where unknown.
    ridden: False while paused. low_bpm, high_bpm: the target, NaN where there is none.
    changes_ms: when the ride paused or went on, or the target changed, in order.
    """

    def __init__(self, record: RideRecord) -> None:
        self.duration_ms = max(0, round(record.duration_s * 1000))
        t_ms = np.clip(np.rint(record.t_s * 1000).astype(np.int64), 0, self.duration_ms)
        hold_ms = round(HOLD_S * 1000)
        paused = False
        target: tuple[float, float] = (np.nan, np.nan)
        mark_ms, mark_ridden, mark_target = [0], [True], [target]
        self.changes_ms: list[int] = []
        for mark in record.marks:
            at_ms = min(max(0, round(mark.t_s * 1000)), self.duration_ms)
            if mark.kind in ("pause", "resume"):
                paused = mark.kind == "pause"
            elif mark.kind == "target":
                target = _limits(mark)
            else:
                continue
            same = (mark_ridden[-1], mark_target[-1]) == (not paused, target)
            if not same:
                self.changes_ms.append(at_ms)
            mark_ms.append(at_ms)
            mark_ridden.append(not paused)
            mark_target.append(target)

        marks = np.array(mark_ms, dtype=np.int64)
        ends = np.minimum(t_ms + hold_ms, self.duration_ms)
        edges = np.unique(np.concatenate((t_ms, ends, marks, np.array([self.duration_ms], dtype=np.int64))))
        self.start_ms, self.span_ms = edges[:-1], np.diff(edges)

        sample = np.searchsorted(t_ms, self.start_ms, side="right") - 1
        held = (sample >= 0) & (self.start_ms < np.append(ends, 0)[sample])
        self.bpm = np.where(held, np.append(record.trusted_bpm, np.nan)[sample], np.nan)
        mark_at = np.searchsorted(marks, self.start_ms, side="right") - 1
        self.ridden = np.array(mark_ridden, dtype=np.bool_)[mark_at]
        limits = np.array(mark_target, dtype=np.float64)[mark_at]
        self.low_bpm, self.high_bpm = limits[:, 0], limits[:, 1]

    def piece_at(self, t_ms: NDArray[np.int64]) -> NDArray[np.int64]:
        """The piece that each moment lies in."""
        return np.searchsorted(self.start_ms, t_ms, side="right").astype(np.int64) - 1

    def knows(self, t_s: float) -> bool:
        """Whether there is a trusted heart rate at that moment."""
        piece = int(self.piece_at(np.array([round(t_s * 1000)], dtype=np.int64))[0])
        return piece >= 0 and bool(np.isfinite(self.bpm[piece]))

    def changed(self, after_s: float, until_s: float) -> bool:
        """Whether the ride paused or went on, or the target changed, after one moment and until the other."""
        return any(after_s * 1000 < at_ms <= round(until_s * 1000) for at_ms in self.changes_ms)

    def by_second(self) -> NDArray[np.int64]:
        """The piece that each whole second of the ride lies in."""
        return self.piece_at(np.arange(0, self.duration_ms, 1000, dtype=np.int64))


def _limits(mark: Mark) -> tuple[float, float]:
    low, high = mark.detail.get("low_bpm"), mark.detail.get("high_bpm")
    if isinstance(low, int | float) and isinstance(high, int | float):
        return float(low), float(high)
    return np.nan, np.nan


def _riders_near_max_bpm(marks: Iterable[Mark], hr_max_bpm: int) -> int:
    """Where near maximum began on this ride. The log of an older ride does not say where the alarm had it."""
    logged = (mark.detail.get("near_max_bpm") for mark in marks if mark.kind == "plan")
    return min([near_max_bpm(hr_max_bpm), *(bpm for bpm in logged if isinstance(bpm, int))])


def _highest(bpm: NDArray[np.float64]) -> float | None:
    known = bpm[np.isfinite(bpm)]
    return float(known.max()) if known.size else None


def _load(
    bpm: NDArray[np.float64], span_ms: NDArray[np.int64], bands: BandTable, sex: Sex | None
) -> tuple[float | None, str]:
    """Minutes x reserve fraction x weight, summed piece by piece (Banister 1991; Morton et al. 1990)."""
    rest = "" if bands.hr_rest_bpm is not None else "hr_rest_bpm (your resting heart rate)"
    weights = "" if sex is not None else "sex (the published weights differ)"
    if bands.hr_rest_bpm is None or sex is None:
        return None, f"it needs {' and '.join(filter(None, (rest, weights)))} in rider.toml"
    if not bpm.size:
        return None, "no trusted heart rate in this ride"
    factor, exponent = LOAD_WEIGHTS[sex]
    reserve = np.clip((bpm - bands.hr_rest_bpm) / (bands.hr_max_bpm - bands.hr_rest_bpm), 0, 1)
    return float((span_ms / 60_000) @ (reserve * factor * np.exp(exponent * reserve))), ""


def _heard(marks: Iterable[Mark]) -> dict[str, list[Mark]]:
    kinds: dict[str, list[Mark]] = {}
    for mark in marks:
        detail = mark.detail
        if mark.kind != "alarm" or detail.get("priority") == "technical":
            continue
        if detail.get("on", True) and detail.get("heard", True):
            kinds.setdefault(str(detail.get("kind", "")), []).append(mark)
    return kinds


def _alarms(marks: tuple[Mark, ...], time: Timeline) -> tuple[Alarm, ...]:
    found: list[Alarm] = []
    latest: dict[str, int] = {}
    for mark in marks:
        if mark.kind != "alarm":
            continue
        kind = str(mark.detail.get("kind", ""))
        last = latest.get(kind)
        if not mark.detail.get("on", True):
            if last is not None:
                del latest[kind]
                began_s = found[last].t_s
                if kind not in LANE_KINDS or (time.knows(mark.t_s) and not time.changed(began_s, mark.t_s)):
                    found[last] = replace(found[last], answered_s=mark.t_s - began_s)
        elif mark.detail.get("reminder") and last is not None:
            found[last] = replace(found[last], reminders=found[last].reminders + 1)
        else:
            latest[kind] = len(found)
            found.append(Alarm(mark.t_s, kind, 0, None))
    return tuple(found)


def _recoveries(time: Timeline, from_bpm: int) -> tuple[Recovery, ...]:
    """Hard efforts, and the fall in the minute after each.

    Nothing but the heart tells when an effort ended: it is where the steepest minute that begins in it begins. A pause
    does not stop a heart: it counts.
    """
    bpm = time.bpm[time.by_second()] if time.start_ms.size else np.empty(0)
    hard = np.flatnonzero(np.floor(bpm + 0.5) >= from_bpm)
    found = []
    for run in np.split(hard, np.flatnonzero(np.diff(hard) > BRIDGE_S) + 1):
        if run.size < HARD_S:
            continue
        first, last = int(run[0]), int(run[-1])
        fall = bpm[first : last + 1][: max(0, bpm.size - first - RECOVERY_S)]
        fall = fall - bpm[first + RECOVERY_S : last + 1 + RECOVERY_S]
        at, fall_bpm = None, None
        if np.isfinite(fall).any():
            at = first + int(np.nanargmax(fall))
            fall_bpm = float(bpm[at] - bpm[at + RECOVERY_S])
        peak_bpm = float(np.nanmax(bpm[first : last + 1]))
        found.append(Recovery(float(first), float(last + 1), peak_bpm, None if at is None else float(at), fall_bpm))
    return tuple(found)


def _drift(time: Timeline) -> Drift | None:
    if not time.start_ms.size or int(time.span_ms[~time.ridden].sum()) > STEADY_PAUSED_S * 1000:
        return None
    second = time.by_second()
    bpm = time.bpm[second[time.ridden[second]]]
    bpm = bpm[WARM_UP_S : bpm.size - COOL_DOWN_S]
    if bpm.size < STEADY_S:
        return None
    halves = [half[np.isfinite(half)] for half in (bpm[: bpm.size // 2], bpm[bpm.size // 2 :])]
    if sum(half.size for half in halves) < STEADY_KNOWN * bpm.size or not all(half.size for half in halves):
        return None
    if max(float(half.std()) for half in halves) > STEADY_SD_BPM:
        return None
    return Drift(float(halves[0].mean()), float(halves[1].mean()))


def _trained(review: Review, bands: BandTable) -> tuple[str, ...]:
    known_s = sum(review.band_s.values())
    if known_s < KNOWN_LEAST_S:
        return ("There is too little trusted heart rate to say what this ride trained.",)
    most = max(bands.scheme.bands, key=lambda band: review.band_s[band.number])
    share = f"{rounded_time(review.band_s[most.number])} of {rounded_time(known_s)} known"
    sentences = [f"Longest in band {most.number}, {most.name}: {share}."]
    if review.band_s[most.number] > known_s / 2:
        sentences = [f"Most of the time, {share}, was in band {most.number}, {most.name}."]
    if most.purpose:
        sentences.append(f"What that band is for: {most.purpose}")
    if review.hard_s >= HARD_TOLD_S:
        sentences.append(f"{rounded_time(review.hard_s)} hard, at {hard_bpm(bands.hr_max_bpm)} bpm or over.")
    if review.drift and review.drift.drift_bpm >= DRIFT_TOLD_BPM:
        sentences.append(
            f"The heart rate drifted up by {review.drift.drift_bpm:.0f} bpm from the first half to the second: heat,"
            " thirst and tiredness do that, and so does a faster pace."
        )
    return tuple(sentences)


def _change(review: Review, ride: RideFacts) -> tuple[str, ...]:
    """Advice, most careful first. No sentence here ever asks for more effort: the same lane or a lower one.

    The first must be whole on the smallest panel; what goes on from it stands in a sentence of its own.
    """
    sentences = []
    near_max = review.near_max_s >= NEAR_MAX_LONG_S or any(alarm.kind == "near_max" for alarm in review.alarms)
    if near_max:
        close = f"{rounded_time(review.near_max_s)} near maximum" if review.near_max_s >= 1 else "Warned near maximum"
        sentences.append(f"Pain, dizziness or an odd rhythm? See a doctor before you ride. {close}: ride easy next.")
        if ride.plan != TEST_PLAN:  # which is meant to lead there
            sentences.append("Ease off when the unit first says near maximum.")
    if review.trusted_fraction < TRUSTED_ENOUGH:
        sentences += [
            f"{rounded_time(review.unknown_s)} could not be trusted: wet the electrodes, tighten the strap.",
            "Read nothing into the rest before that is better.",
        ]
        return tuple(sentences)
    if review.target_s < 60:
        if ride.plan == TEST_PLAN:
            return (*sentences, "Ridden without a target, as a maximal test is.")
        if ride.target == "none":
            return (*sentences, "Ridden without a target, as chosen.")
        sentences.append("There was no target for long enough to judge.")
        # Of a ride that another device recorded nobody can say whether a lane was chosen.
        return (*sentences, *(() if ride.source == "import" else ("Choose a lane before you set off.",)))
    above, below = review.above_target_s / review.target_s, review.below_target_s / review.target_s
    if above >= OUTSIDE_SHARE:
        sentences += [
            f"{rounded_time(review.above_target_s)} over the lane: ease at the first buzz.",
            "Start climbs and headwinds more gently.",
        ]
    if below >= OUTSIDE_SHARE and not near_max:
        sentences += [
            f"{rounded_time(review.below_target_s)} under the lane: on an easy day that is no fault.",
            "If it keeps happening, choose a lower lane or a road with fewer stops.",
        ]
    if not sentences:
        sentences.append(f"You held the lane for {100 * review.in_target_s / review.target_s:.0f} % of the known time.")
    return tuple(sentences)


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
