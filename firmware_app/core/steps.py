"""What each step of a session was, afterwards: the plan beside what was ridden.

Built on the review's timeline: time in whole milliseconds, a trusted heart rate that speaks for five seconds at most,
everything else unknown. The parts of a step add up to the time that was ridden in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firmware_app.core.bands import hard_bpm
from firmware_app.core.record import RideRecord
from firmware_app.core.review import RECOVERY_S, Timeline, seconds


@dataclass(frozen=True, slots=True)
class StepResult:
    """One step as it was ridden; gone back to, it is another one.

    index, name, round: as in the plan; ``index`` one past the last step is the ride after the plan's end.
    why: what began it. began_s, ended_s: seconds since the ride began, pauses included.
    low_bpm, high_bpm: its lane, None for none.
    ridden_s: without pauses; the sum of in_target_s, above_s, below_s, no_target_s and unknown_s.
    arrived_s: ridden seconds until the heart was first in the lane; None when it never was, or there was no lane.
    peak_bpm: highest trusted heart rate, None when none is known.
    fall_bpm: how far the heart rate fell in the first minute after a hard step; None for a step that did not end hard,
    that another hard one followed, or when either end of that minute is unknown.
    """

    index: int
    name: str
    round: str
    why: str
    began_s: float
    ended_s: float
    low_bpm: int | None
    high_bpm: int | None
    ridden_s: float
    in_target_s: float
    above_s: float
    below_s: float
    no_target_s: float
    unknown_s: float
    arrived_s: float | None
    peak_bpm: float | None
    fall_bpm: float | None


def step_results(record: RideRecord) -> tuple[StepResult, ...]:
    """Every step of the ride in riding order; a free ride is one step, a ride without step marks has none."""
    time = Timeline(record)
    marks = [mark for mark in record.marks if mark.kind == "step"]
    edges_ms = [min(max(0, round(mark.t_s * 1000)), time.duration_ms) for mark in marks] + [time.duration_ms]
    lanes = [_lane(time, began_ms) for began_ms in edges_ms[:-1]] + [(np.nan, np.nan)]
    found = []
    for i, mark in enumerate(marks):
        began_ms, ended_ms = edges_ms[i], edges_ms[i + 1]
        if began_ms == ended_ms:
            continue  # a moment's visit, or the end of the plan at the end of the ride
        starts_ms = np.clip(time.start_ms, began_ms, ended_ms)
        span_ms = np.clip(time.start_ms + time.span_ms, began_ms, ended_ms) - starts_ms
        ridden_ms = np.where(time.ridden, span_ms, 0)
        bpm = np.floor(time.bpm + 0.5)
        known, laned = np.isfinite(bpm), np.isfinite(time.low_bpm)
        inside = (bpm >= time.low_bpm) & (bpm <= time.high_bpm)
        here = bpm[(span_ms > 0) & known]
        low, high = lanes[i]
        found.append(
            StepResult(
                index=_whole(mark.detail.get("index")),
                name=str(mark.detail.get("name", "")),
                round=str(mark.detail.get("round") or ""),  # older tests wrote a 0
                why=str(mark.detail.get("why", "")),
                began_s=began_ms / 1000,
                ended_s=ended_ms / 1000,
                low_bpm=None if np.isnan(low) else int(low),
                high_bpm=None if np.isnan(high) else int(high),
                ridden_s=seconds(ridden_ms),
                in_target_s=seconds(ridden_ms[inside]),
                above_s=seconds(ridden_ms[bpm > time.high_bpm]),
                below_s=seconds(ridden_ms[bpm < time.low_bpm]),
                no_target_s=seconds(ridden_ms[known & ~laned]),
                unknown_s=seconds(ridden_ms[~known]),
                arrived_s=_arrived_s(ridden_ms, inside),
                peak_bpm=float(here.max()) if here.size else None,
                fall_bpm=_fall_bpm(time, ended_ms, lanes[i + 1][1], hard_bpm(record.facts.hr_max_bpm)),
            )
        )
    return tuple(found)


def _lane(time: Timeline, at_ms: int) -> tuple[float, float]:
    if at_ms >= time.duration_ms:
        return np.nan, np.nan
    piece = int(time.piece_at(np.array([at_ms]))[0])
    return float(time.low_bpm[piece]), float(time.high_bpm[piece])


def _arrived_s(ridden_ms: NDArray[np.int64], inside: NDArray[np.bool_]) -> float | None:
    there = np.flatnonzero(inside & (ridden_ms > 0))
    return seconds(ridden_ms[: there[0]]) if there.size else None


def _fall_bpm(time: Timeline, ended_ms: int, next_high_bpm: float, hard: int) -> float | None:
    """A pause does not stop a heart, so the minute is the clock's and not the ridden one."""
    minute_ms = np.array([ended_ms - 1, ended_ms + 1000 * RECOVERY_S])
    if minute_ms[1] >= time.duration_ms:
        return None
    before_bpm, after_bpm = time.bpm[time.piece_at(minute_ms)]
    fall_bpm = float(before_bpm - after_bpm)
    followed = next_high_bpm >= before_bpm  # false without a lane
    return fall_bpm if np.isfinite(fall_bpm) and before_bpm >= hard and not followed else None


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0
