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

from firmware_app.core.bands import (
    BandError,
    BandTable,
    Basis,
    Target,
    limit_bpm,
    near_max_bpm,
    parse_target,
    whole_bpm,
)
from firmware_app.core.lag import DEAD_S, TAU_S, arrival_s, course
from firmware_app.core.times import clock_text

CUE_S = 5.0
"""A change that comes on its own is announced this long before, unless the step is shorter than twice that."""

HOLD_S = 5.0
"""The heart has arrived when it has been there this long: one stray beat must not cut a recovery short."""

GUARD_S = 1.0
"""A key press this soon after a change that came on its own was meant for the step before, and ends nothing. Nor
does the second of a double press end anything."""

PRESS_LIMIT_S = 3600.0
"""Time limit of a step that a key ends and that states none."""

LOWEST_BPM = 50
"""A step that waits for the heart to fall below this, or below rest, would always run to its limit."""

NEAR_MAX_HOLD_S = 60.0
"""A lane near maximum cannot be held for longer (common practice, no source)."""

EXTRA_S = 60.0
"""What one press adds to the time limit of a step."""

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
        basis: Basis = "percent_of_maximum" if self.unit == "%" else "bpm"
        return limit_bpm(basis, self.value, bands.hr_max_bpm, None)

    def reached(self, hr_bpm: float, limit_bpm: int) -> bool:
        """Whether the heart rate as the panel shows it, in whole bpm, is there."""
        shown = whole_bpm(hr_bpm)
        return shown <= limit_bpm if self.side == "below" else shown >= limit_bpm


_ARRIVAL = re.compile(r"(below|above)(\d{1,3}(?:\.\d+)?)(%|bpm)")


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
                raise PlanError(f"step {number} ({step.name}): its time must be more than 0 s")

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
class StepChange:
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
    left_s: float | None
    left: str
    after: str
    note: str
    round: str


def lane_text(lane: Target) -> str:
    """``158-171``, or ``under 108`` for a lane without a low limit; in bpm."""
    return f"{lane.low_bpm}-{lane.high_bpm}" if lane.low_bpm else f"under {lane.high_bpm}"


def targets(plan: Plan, bands: BandTable) -> tuple[Target | None, ...]:
    """The lane of every step for one rider. Raises BandError naming a step that does not fit the bands."""
    return tuple(_for_rider(plan, step, bands)[0] for step in plan.steps)


def _for_rider(plan: Plan, step: Step, bands: BandTable) -> tuple[Target | None, int]:
    """The step's lane, and the heart rate in bpm that ends it (0 for none)."""
    arrival = step.ends.arrival
    limit_bpm = arrival.bpm(bands) if arrival else 0
    try:
        if arrival and arrival.side == "above" and limit_bpm >= bands.hr_max_bpm:
            raise BandError(f"until above {limit_bpm} bpm: the maximum is {bands.hr_max_bpm} bpm; write less")
        if arrival and arrival.side == "below" and limit_bpm <= (bands.hr_rest_bpm or LOWEST_BPM):
            raise BandError(f"until below {limit_bpm} bpm: no heart falls that low on a bicycle; write more")
        return (None if step.target_text is None else parse_target(step.target_text, bands)), limit_bpm
    except BandError as error:
        where = "" if plan.free else f"plan {plan.name}, step {step.name!r}: "
        raise BandError(f"{where}{error}") from error


def warnings(plan: Plan, bands: BandTable) -> tuple[str, ...]:
    """What a rider should know before riding it, in sentences: steps in which the heart cannot do what they ask.

    The heart is carried through the plan with the published lag (see ``lag``), every step ridden to its limit. It
    starts at half of the maximum (common practice, no source); a step without a lane leaves it where it was. Raises
    BandError as ``targets`` does.
    """
    found: dict[str, str] = {}
    hr_bpm = bands.hr_max_bpm / 2
    near_bpm = near_max_bpm(bands.hr_max_bpm)
    for step in plan.steps:
        lane, limit_bpm = _for_rider(plan, step, bands)
        time_s, arrival = step.ends.time_s, step.ends.arrival
        if time_s is None:
            continue
        near = lane is not None and _lies_at(lane, near_bpm)
        if lane and near and time_s > NEAR_MAX_HOLD_S:
            found[f"{step.name} near"] = (
                f"{step.name}: {lane.low_bpm} to {lane.high_bpm} bpm is near the maximum of {bands.hr_max_bpm} bpm, "
                f"where the unit warns you and nobody stays for {clock_text(time_s)}; choose a lower lane or a shorter "
                "step"
            )
        if arrival:
            lane = Target(0, limit_bpm, "") if arrival.side == "below" else Target(limit_bpm, bands.hr_max_bpm, "")
            near = _rise_bpm(step, limit_bpm) >= near_bpm
        if lane is None:
            continue
        way, needs_s = course(hr_bpm, lane), arrival_s(hr_bpm, lane)
        if needs_s > time_s:
            verb = "rise" if way and way.way == 1 else "fall"
            edge_bpm = lane.low_bpm if verb == "rise" else lane.high_bpm
            # Nobody is told to stay near maximum for longer.
            other = "choose a lower one" if near else f"give it {ceil((needs_s + 60) / 60)} min"
            cure = other if arrival else f"ride it by feel (leave out its target) or {other}"
            needs = f"the heart needs about {clock_text(needs_s)} to {verb} to {edge_bpm} bpm"
            found.setdefault(step.name, f"{step.name}: {needs}, and the step ends after {clock_text(time_s)}; {cure}")
        if way:
            hr_bpm = way.edge_bpm if arrival and needs_s <= time_s else way.bpm(time_s, TAU_S, DEAD_S)
    return tuple(found.values())


def own_near_max_bpm(hr_max_bpm: int, begins_bpm: float) -> int | None:
    """Where near maximum begins for a rider with whom that is lower than usual, in whole bpm: a doctor said so.

    None where it begins where it usually does. begins_bpm: as the alarm has it.
    """
    near_bpm = whole_bpm(begins_bpm)
    return near_bpm if near_bpm < near_max_bpm(hr_max_bpm) else None


def near_max_caution(plan: Plan, bands: BandTable, begins_bpm: float) -> str:
    """Which of the plan's steps lie near maximum, in a sentence; "" where none does. begins_bpm: as the alarm has it.

    One lies there with the middle of its lane, or when it waits for the heart to rise there. Of a limit under the usual
    one, of which a plan does not know, every lane is spoken of that reaches it. Raises BandError as ``targets`` does.
    """
    near_bpm = whole_bpm(begins_bpm)
    own = own_near_max_bpm(bands.hr_max_bpm, begins_bpm) is not None
    found: dict[str, int] = {}
    for step in plan.steps:
        lane, limit_bpm = _for_rider(plan, step, bands)
        rise_bpm = _rise_bpm(step, limit_bpm)
        high_bpm = max(lane.high_bpm if lane else 0, rise_bpm)
        if (lane and _lies_at(lane, near_bpm)) or (high_bpm if own else rise_bpm) >= near_bpm:
            name = step.name or "the lane"
            found[name] = max(found.get(name, 0), high_bpm)
    if not found:
        return ""
    where = ", ".join(f"{name} (up to {high_bpm} bpm)" for name, high_bpm in found.items())
    if own:
        about = f"for you near maximum begins at {near_bpm} bpm ([near_max] in alarms.toml); this reaches it"
    else:
        about = f"near maximum begins at {near_bpm} bpm, and there the unit tells you to ease; this lies there"
    return f"{about}: {where}; choose a lower lane"


def _rise_bpm(step: Step, limit_bpm: int) -> int:
    """The heart rate that a step waits for the heart to rise to; 0 where it waits for no such thing."""
    return limit_bpm if step.ends.arrival and step.ends.arrival.side == "above" else 0


def _lies_at(lane: Target, near_bpm: int) -> bool:
    return lane.low_bpm + lane.high_bpm >= 2 * near_bpm


class PlanRun:
    """One ride through a plan: fed with ridden time and heart rate, answers with what changed.

    Every door takes the ridden time, settles what had ended by then, and only then does its own work; a time earlier
    than one already seen counts as that one. Steps begin exactly where the one before ended.
    """

    def __init__(self, plan: Plan, bands: BandTable) -> None:
        """Resolve every step for this rider. Raises BandError naming a step that does not fit the bands."""
        self.plan = plan
        resolved = [_for_rider(plan, step, bands) for step in plan.steps]
        self.targets = tuple(lane for lane, _ in resolved)
        self._arrivals_bpm = tuple(limit_bpm for _, limit_bpm in resolved)
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
            return StepNow(self._index, "", None, None, "", "", "", "")
        step = self.plan.steps[self._index]
        left_s = None if self._limit_s is None else self._limit_s - self._ridden_s
        return StepNow(
            index=self._index,
            name=step.name,
            target=self.targets[self._index],
            left_s=left_s,
            left=self._left_text(step, left_s),
            after=self._after_text(),
            note=step.note,
            round=step.round,
        )

    def feed(self, ridden_s: float, hr_bpm: float | None) -> tuple[StepChange, ...]:
        """Time passes. hr_bpm: trusted heart rate, None (or not a number) for none, which never ends a step."""
        changes = self._settle(ridden_s)
        if not self.finished and self._heart_there(hr_bpm):
            self._there_since_s = self._ridden_s if self._there_since_s is None else self._there_since_s
            if self._ridden_s - self._there_since_s >= HOLD_S:
                changes.append(self._move(1, self._ridden_s, "arrived"))
        else:
            self._there_since_s = None
        # What changes at this moment sounds already; two sounds at once are one too many.
        if self._cue_due() and not changes:
            changes.append(self._change(self._index + 1, self._ridden_s, "cue"))
        return tuple(changes)

    def press(self, ridden_s: float) -> tuple[StepChange, ...]:
        """The key: ends a step that a key ends, and nothing else."""
        changes = self._settle(ridden_s)
        late = self._entered_by in ("time", "arrived", "press") and self._ridden_s - self._started_s < GUARD_S
        if not self.finished and self.plan.steps[self._index].ends.press and not late:
            changes.append(self._move(1, self._ridden_s, "press"))
        return tuple(changes)

    def skip(self, ridden_s: float) -> tuple[StepChange, ...]:
        """On to the next step; a free ride has none."""
        changes = self._settle(ridden_s)
        if not self.finished and not self.plan.free:
            changes.append(self._move(1, self._ridden_s, "skip"))
        return tuple(changes)

    def back(self, ridden_s: float) -> tuple[StepChange, ...]:
        """Back to the beginning of the step before, or of the first. Works after the end, too.

        A step gone back to wants its heart rate anew: it does not end for a heart that is still where it ended before.
        """
        changes = self._settle(ridden_s)
        if not self.plan.free:
            changes.append(self._move(-1 if self._index else 0, self._ridden_s, "back"))
        return tuple(changes)

    def extend(self, ridden_s: float) -> tuple[StepChange, ...]:
        """Put off the time limit of the step being ridden; a free ride has none to put off."""
        changes = self._settle(ridden_s)
        if self._limit_s is not None:
            self._limit_s += EXTRA_S
            self._cued_time = False
        return tuple(changes)

    def _settle(self, ridden_s: float) -> list[StepChange]:
        """Begin, and end every step whose time is over by now."""
        self._ridden_s = max(self._ridden_s, ridden_s)
        changes = []
        if not self._begun:
            self._begun = True
            changes.append(self._change(0, 0.0, "start"))
        while not self.finished and self._limit_s is not None and self._limit_s <= self._ridden_s:
            changes.append(self._move(1, self._limit_s, "time"))
        return changes

    def _move(self, by: int, at_s: float, why: Why) -> StepChange:
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

    def _change(self, index: int, at_s: float, why: Why) -> StepChange:
        if index == len(self.plan.steps):
            return StepChange(at_s, index, "", "", None, why)
        step = self.plan.steps[index]
        return StepChange(at_s, index, step.name, step.round, self.targets[index], why)

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
