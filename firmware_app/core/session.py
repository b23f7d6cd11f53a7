"""The session: a plan of steps, and where in it the ride is.

Pure. Times are *ridden* seconds: the ride's own time without its pauses, which the caller keeps. A plan is a flat tuple
of steps (repeats are already written out), and every step of it has a time limit, whatever else may end it: so a plan
always ends. The one exception is the free ride: a single step that lasts as long as the ride.

    run = PlanRun(plan, bands)
    for change in run.feed(ridden_s, trusted_bpm):
        ...                       # the lane moves, a sound, a mark in the log
    run.now                       # what the panel shows
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import ceil, isfinite
from typing import Literal

from firmware_app.core.bands import BandError, BandTable, Target, parse_target, whole_bpm

CUE_S = 5.0
"""A change that comes on its own is announced this long before, unless the step is shorter than twice that."""

HOLD_S = 5.0
"""The heart has arrived when it has been there this long: one stray beat must not cut a recovery short."""

GUARD_S = 1.0
"""A key that comes this soon after a change that came on its own was meant for the step before, and does nothing."""

PRESS_LIMIT_S = 3600.0
"""Time limit of a step that a key ends and that states none."""

Why = Literal["start", "time", "press", "arrived", "skip", "back", "end", "cue"]


class PlanError(ValueError):
    """A plan that cannot be ridden; the text says which step and how to mend it."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """The heart rate that ends a step: at or ``below``, or at or ``above``, ``value`` in bpm or percent of maximum."""

    side: Literal["below", "above"]
    value: float
    unit: Literal["%", "bpm"]

    def bpm(self, bands: BandTable) -> int:
        """The limit in whole bpm for one rider."""
        return whole_bpm(round(self.value * bands.hr_max_bpm / 100, 6) if self.unit == "%" else self.value)

    def reached(self, hr_bpm: float, limit_bpm: int) -> bool:
        """Whether the heart rate as the panel shows it, in whole bpm, is there."""
        shown = whole_bpm(hr_bpm)
        return shown <= limit_bpm if self.side == "below" else shown >= limit_bpm


_ARRIVAL = re.compile(r"(below|above)(\d+(?:\.\d+)?)(%|bpm)")


def parse_arrival(text: str) -> Arrival:
    """``below 65%``, ``above 150bpm``. Raises PlanError with the cure."""
    match = _ARRIVAL.fullmatch(text.replace(" ", ""))
    if not match:
        raise PlanError(f'until {text!r}: write "below 65%", "above 150bpm" or the like')
    side, value, unit = match.groups()
    return Arrival(side, float(value), unit)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Ends:
    """What ends a step, whichever comes first: its time limit in s, a key press, the heart rate arriving."""

    time_s: float | None = None
    press: bool = False
    arrival: Arrival | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One step. target_text: as in ``bands.parse_target``, None for none. round: "2 of 4", "" outside repeats."""

    name: str
    target_text: str | None
    ends: Ends
    note: str = ""
    round: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a ride is for, step by step. Raises PlanError when it has no step or would never end."""

    name: str
    title: str
    purpose: str
    for_whom: str
    steps: tuple[Step, ...]

    def __post_init__(self) -> None:
        if not self.steps:
            raise PlanError("a plan needs at least one step")
        for number, step in enumerate(self.steps, 1):
            if step.ends.time_s is None and not self.free:
                raise PlanError(f"step {number} ({step.name}): give it a time, so that the plan always ends")
            if step.ends.time_s is not None and not step.ends.time_s > 0:
                raise PlanError(f"step {number} ({step.name}): its time must be more than nothing")

    @property
    def free(self) -> bool:
        """Whether this is a free ride: one step that nothing ends."""
        return len(self.steps) == 1 and self.steps[0].ends == Ends()

    @property
    def longest_s(self) -> float | None:
        """The time it takes when every step runs to its limit; None for a free ride."""
        return None if self.free else sum(step.ends.time_s or 0.0 for step in self.steps)


def free_plan(target_text: str | None) -> Plan:
    """A plain target, or none, for as long as the ride lasts."""
    return Plan("", "Free ride", "", "", (Step("", target_text, Ends()),))


@dataclass(frozen=True, slots=True)
class Change:
    """The plan moved on, or (``why`` "cue") is about to.

    at_s: ridden time of the change, exact to the step's time and not rounded to the tick that noticed it.
    index, name, round, target: of the step that begins; past the last step ``index`` is the number of steps and
    ``why`` is "end".
    why: what brought it: "start" the ride, "time" the limit, "press" a key, "arrived" the heart, "skip", "back".
    """

    at_s: float
    index: int
    name: str
    round: str
    target: Target | None
    why: Why


@dataclass(frozen=True, slots=True)
class StepNow:
    """The step being ridden. left_s: to its time limit, None for none. left, after: for the panel, "" for nothing."""

    index: int
    name: str
    target: Target | None
    started_s: float
    left_s: float | None
    left: str
    after: str
    note: str
    round: str


def clock_text(seconds: float) -> str:
    """``3:20`` or ``1:02:45``; a begun second counts whole, so that a countdown shows 0:00 only at its end."""
    minutes, second = divmod(ceil(seconds - 1e-6), 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours}:{minute:02}:{second:02}" if hours else f"{minute}:{second:02}"


def lane_text(lane: Target) -> str:
    """``158-171``, or ``under 108`` for a lane without a low limit; in bpm."""
    return f"{lane.low_bpm}-{lane.high_bpm}" if lane.low_bpm else f"under {lane.high_bpm}"


def targets(plan: Plan, bands: BandTable) -> tuple[Target | None, ...]:
    """The lane of every step for one rider. Raises BandError naming a step whose target does not fit the bands."""
    lanes: list[Target | None] = []
    for number, step in enumerate(plan.steps, 1):
        try:
            lanes.append(None if step.target_text is None else parse_target(step.target_text, bands))
        except BandError as error:
            where = "" if plan.free else f"step {number} ({step.name}): "
            raise BandError(f"{where}{error}") from error
    return tuple(lanes)


class PlanRun:
    """One ride through a plan: fed with ridden time and heart rate, answers with what changed.

    Every door takes the ridden time first settles what that time already ended, and then does its own work; a time
    earlier than one already seen counts as that one. Steps begin exactly where the one before ended.
    """

    def __init__(self, plan: Plan, bands: BandTable) -> None:
        """Resolve every step for this rider. Raises BandError naming a step whose target does not fit the bands."""
        self.plan = plan
        self.targets = targets(plan, bands)
        self._arrivals_bpm = tuple(s.ends.arrival.bpm(bands) if s.ends.arrival else 0 for s in plan.steps)
        self._ridden_s = 0.0
        self._begun = False
        self._there_since_s: float | None = None
        self._enter(0, 0.0, "start")

    @property
    def finished(self) -> bool:
        """Whether the last step is over. The ride may go on, without a target."""
        return self._index == len(self.plan.steps)

    @property
    def now(self) -> StepNow:
        """The step being ridden; once finished, an empty step without a target."""
        if self.finished:
            return StepNow(self._index, "", None, self._started_s, None, "", "", "", "")
        step = self.plan.steps[self._index]
        left_s = None if self._limit_s is None else self._limit_s - self._ridden_s
        return StepNow(
            index=self._index,
            name=step.name,
            target=self.targets[self._index],
            started_s=self._started_s,
            left_s=left_s,
            left=self._left_text(step, left_s),
            after=self._after_text(),
            note=step.note,
            round=step.round,
        )

    def feed(self, ridden_s: float, hr_bpm: float | None) -> tuple[Change, ...]:
        """Time passes. hr_bpm: trusted heart rate, None (or not a number) for none, which never ends a step."""
        changes = self._settle(ridden_s)
        if not self.finished and self._heart_there(hr_bpm):
            self._there_since_s = self._ridden_s if self._there_since_s is None else self._there_since_s
            if self._ridden_s - self._there_since_s >= HOLD_S:
                changes.append(self._move(1, self._ridden_s, "arrived"))
        else:
            self._there_since_s = None
        if self._cue_due():
            changes.append(self._change(self._index + 1, self._ridden_s, "cue"))
        return tuple(changes)

    def press(self, ridden_s: float) -> tuple[Change, ...]:
        """The key: ends a step that a key ends, and nothing else."""
        changes = self._settle(ridden_s)
        if not self.finished and self.plan.steps[self._index].ends.press and not self._guarded():
            changes.append(self._move(1, self._ridden_s, "press"))
        return tuple(changes)

    def skip(self, ridden_s: float) -> tuple[Change, ...]:
        """On to the next step; a free ride has none."""
        changes = self._settle(ridden_s)
        if not self.finished and not self.plan.free and not self._guarded():
            changes.append(self._move(1, self._ridden_s, "skip"))
        return tuple(changes)

    def back(self, ridden_s: float) -> tuple[Change, ...]:
        """Back to the beginning of the step before, or of the first. Works after the end, too.

        A step gone back to wants its heart rate anew: it does not end for a heart that is still where it ended before.
        """
        changes = self._settle(ridden_s)
        if not self.plan.free:
            changes.append(self._move(-1 if self._index else 0, self._ridden_s, "back"))
        return tuple(changes)

    def extend(self, ridden_s: float, extra_s: float = 60.0) -> tuple[Change, ...]:
        """Put off the time limit of the step being ridden; a free ride has none to put off."""
        changes = self._settle(ridden_s)
        if self._limit_s is not None and extra_s > 0 and not self._guarded():
            self._limit_s += extra_s
            self._cued_time = False
        return tuple(changes)

    def _settle(self, ridden_s: float) -> list[Change]:
        """Begin, and end every step whose time is over by now."""
        self._ridden_s = max(self._ridden_s, ridden_s)
        changes = []
        if not self._begun:
            self._begun = True
            changes.append(self._change(0, 0.0, "start"))
        while not self.finished and self._limit_s is not None and self._limit_s <= self._ridden_s:
            changes.append(self._move(1, self._limit_s, "time"))
        return changes

    def _move(self, by: int, at_s: float, why: Why) -> Change:
        self._enter(self._index + by, at_s, why)
        return self._change(self._index, at_s, "end" if self.finished else why)

    def _enter(self, index: int, at_s: float, why: Why) -> None:
        self._index = index
        self._started_s = at_s
        time_s = None if self.finished else self.plan.steps[index].ends.time_s
        self._limit_s = None if time_s is None else at_s + time_s
        self._entered_by = why
        self._armed = why != "back"
        self._there_since_s = None
        self._cued_time = False
        self._cued_arrival = False

    def _change(self, index: int, at_s: float, why: Why) -> Change:
        if index == len(self.plan.steps):
            return Change(at_s, index, "", "", None, why)
        step = self.plan.steps[index]
        return Change(at_s, index, step.name, step.round, self.targets[index], why)

    def _heart_there(self, hr_bpm: float | None) -> bool:
        arrival = self.plan.steps[self._index].ends.arrival
        if arrival is None or hr_bpm is None or not isfinite(hr_bpm):
            return False
        there = arrival.reached(hr_bpm, self._arrivals_bpm[self._index])
        self._armed = self._armed or not there
        return there and self._armed

    def _cue_due(self) -> bool:
        """Once for the time limit and once for the heart: a heart that arrives and leaves again may cue in vain."""
        time = (
            self._limit_s is not None
            and self._limit_s - self._ridden_s <= CUE_S
            and self._limit_s - self._started_s >= 2 * CUE_S
        )
        arrival = self._there_since_s is not None
        due = (time and not self._cued_time) or (arrival and not self._cued_arrival)
        self._cued_time |= time
        self._cued_arrival |= arrival
        return due

    def _guarded(self) -> bool:
        return self._entered_by in ("time", "arrived") and self._ridden_s - self._started_s < GUARD_S

    def _left_text(self, step: Step, left_s: float | None) -> str:
        if left_s is None:
            return ""
        if left_s > 60 and step.ends.arrival:
            return f"until {self._arrivals_bpm[self._index]} bpm"
        if left_s > 60 and step.ends.press:
            return "press"
        return clock_text(left_s)

    def _after_text(self) -> str:
        if self.plan.free:
            return ""
        if self._index + 1 == len(self.plan.steps):
            return "end"
        lane = self.targets[self._index + 1]
        name = self.plan.steps[self._index + 1].name
        return name if lane is None else f"{name} {lane_text(lane)}"
