"""What each screen is told: one immutable view per page of the unit, drawn by ``screens`` and compared to redraw.

A view holds finished facts in whole numbers and short texts, so that two equal views draw the same pixels and nothing
has to be worked out while drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Side = Literal[-1, 0, 1]
"""-1 under the lane, 0 inside, 1 over it."""

TAIL_S = 30
"""How far back the tail of the ride page reaches."""

NO_ACTIONS = ("", "", "")
"""What minus, select and plus do, when the page does not say it."""


@dataclass(frozen=True, slots=True)
class RideView:
    """The ride page.

    percent: heart rate as ``bands.whole_percent`` tells it; None when there is no trusted heart rate.
    tail_bpm: trusted heart rate of the last ``TAIL_S``, one value a second, oldest first; None where unknown.
    low_bpm, high_bpm: the lane; None for no target.
    side: which edge the rider has left for long enough to be told (not the raw comparison); 0 as soon as the whole beat
        is inside again.
    near_max: near maximum long enough to be told: the panel inverts.
    word: what to do, "ease", "lift" or ""; never "lift" while near_max.
    step, left, after: the step's name, what is left of it ("3:20", "until 120 bpm"), what comes next; "" when free.
    elapsed: ridden time, "1:02:45".
    muted: what is left of audio paused, "1:40"; "" when it is not.
    notice: one line that something is wrong and what to do; "" when nothing is.
    signal: quality of the heart-rate signal.
    """

    percent: int | None
    hr_bpm: int | None
    band: int | None
    band_name: str
    low_bpm: int | None
    high_bpm: int | None
    hr_max_bpm: int
    tail_bpm: tuple[int | None, ...]
    side: Side
    near_max: bool
    word: str
    step: str
    left: str
    after: str
    elapsed: str
    muted: str
    notice: str
    signal: Literal["good", "poor", "none"]


@dataclass(frozen=True, slots=True)
class FindingView:
    """Starting up and finding the strap: what the unit is doing, what is wrong, what to do. rows: (part, state)."""

    doing: str
    wrong: str
    cure: str
    rows: tuple[tuple[str, str], ...]
    actions: tuple[str, str, str] = NO_ACTIONS


@dataclass(frozen=True, slots=True)
class HomeView:
    """Before the ride: the strap, its battery, the accepted maximum, today's plan or target.

    hr_now: the trusted heart rate now, as text, "" where there is none.
    target: the lane in words, or how long the plan takes at the longest; lane: in bpm, where that says more, or "".
    limit: this lane or plan reaches the limit that a doctor gave, or ""; it stands above whatever is wrong.
    caution: the maximum is only a formula, or "".
    """

    strap: str
    strap_battery: str
    unit_battery: str
    hr_now: str
    hr_max: str
    plan: str
    target: str
    lane: str
    caution: str
    notice: str
    actions: tuple[str, str, str] = NO_ACTIONS
    limit: str = ""


@dataclass(frozen=True, slots=True)
class PausedView:
    """The ride stands still: elapsed ridden time, time paused, the heart rate, the lane, and what each key does.

    target: the lane in bpm, "" for none.
    """

    elapsed: str
    paused: str
    hr_now: str
    target: str
    actions: tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class StepView:
    """The step view of a session: all steps as (name, target, length, "done" | "now" | "next"), and what keys do."""

    plan: str
    steps: tuple[tuple[str, str, str, str], ...]
    left: str
    note: str
    actions: tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class TestView:
    """A page of the guided maximal test.

    stage: its name; lines: what to do and what to watch for; big: the number, "" on a page that is there to be read.
    notice: one line that something is wrong and what to do; "" when nothing is.
    """

    stage: str
    big: str
    lines: tuple[str, ...]
    left: str
    near_max: bool
    notice: str
    actions: tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class SummaryView:
    """After the ride. bands: (number, name, time, fraction of the known time); alarms: short sentences, highest first.

    in_target: "" for a ride without a target; unknown: time without a trusted heart rate, for whatever reason.
    sentence: what the rider must read, whole on every panel; more: what else there is to say, where there is room.
    """

    title: str
    elapsed: str
    in_target: str
    unknown: str
    peak: str
    bands: tuple[tuple[int, str, str, float], ...]
    alarms: tuple[str, ...]
    sentence: str
    more: tuple[str, ...]
    actions: tuple[str, str, str] = NO_ACTIONS


@dataclass(frozen=True, slots=True)
class ListView:
    """A list to choose from (settings, plans, straps in range): rows of (label, value), the chosen one, key actions."""

    title: str
    rows: tuple[tuple[str, str], ...]
    chosen: int
    hint: str
    actions: tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class FaultView:
    """Something broke: what and what to do, in words that a rider can read out to somebody.

    code: the parts at fault, "" for none.
    """

    title: str
    lines: tuple[str, ...]
    code: str
    actions: tuple[str, str, str] = NO_ACTIONS


View = RideView | FindingView | HomeView | PausedView | StepView | TestView | SummaryView | ListView | FaultView
