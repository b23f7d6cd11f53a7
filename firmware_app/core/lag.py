"""Heart-rate lag: the time a heart honestly needs to reach a lane that has moved.

The heart answers a step in work as a first-order system with a dead time (Hunt et al. 2019; Hunt and Wang 2024):
nothing for a few seconds, then most of the way in about a minute. A unit that compares at once scolds a rider who is
doing right. A unit that waits a fixed time lets one who does nothing sit there. So, for a heart outside its lane:

    it is on its way      when it is no further behind than the slowest honest heart would be since the lane moved
                          (for some seconds the work before goes on, and may lead it further away, or out),
                          or when it moves towards the lane at least half as fast as such a heart would at that height

The time constant begins at the published one and moves with the arrivals of this ride, within published bounds. Both
ways are learned apart: a heart may come down more slowly than it goes up. This is only ever an excuse for an alarm
about the lane; nothing about the maximum asks here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, isfinite, log
from typing import Literal

from firmware_app.core.bands import Target

TAU_S = 68.7
TAU_SD_S = 21.5
"""First-order time constant on a cycle ergometer, and its spread between people (Hunt et al. 2019)."""

TAU_RANGE_S = (TAU_S - 2 * TAU_SD_S, TAU_S + 2 * TAU_SD_S)

DEAD_S = 15.0
"""Before anything shows: the heart's own dead time, the strap's averaging, the gate (common practice, no source)."""

SLOW_DEAD_S = 2 * DEAD_S
"""The same for the slowest honest heart: also the time to read the panel and change gear."""

MARGIN_BPM = 2.5
"""How far a heart strays from the model when all is well: the published fit errors are 2.2 to 2.5 bpm (Hunt 2019)."""

FALL_BPM, FALL_BPM_S = 15.0, 1.2
"""A heart at effort falls no further than this at once, and so much a second more (common practice, no source; in the
recorded graded tests the steepest is 16 bpm in 2.6 s)."""

LEARN_FROM_BPM = 10.0
"""A shorter way says too little about the time constant."""

PRIOR_WEIGHT = 2.0
MEMORY = 6
"""The published value counts as two arrivals; the ride's own as one each, the last six or so."""

FAST_S, SLOW_S = 5.0, 15.0
"""Two running means whose difference is the slope."""

BEHIND_S = 5.0
"""So long must a heart be behind before it has no excuse (own choice)."""

HELD_S = 5.0
"""So long must a heart be in its lane to have arrived: one that only swings over the edge has not (own choice)."""

FORGET_S = 10.0
"""After a gap longer than this the slope begins anew."""

Way = Literal[-1, 1]
"""1 up to the lane, -1 down to it."""


@dataclass(frozen=True, slots=True)
class Course:
    """The way of a heart from ``start_bpm`` to a lane. ``edge_bpm`` is its near edge, ``goal_bpm`` where it settles."""

    way: Way
    start_bpm: float
    edge_bpm: float
    goal_bpm: float

    def bpm(self, after_s: float, tau_s: float, dead_s: float) -> float:
        """Heart rate that long after the lane moved."""
        moving_s = max(0.0, after_s - dead_s)
        return self.goal_bpm + (self.start_bpm - self.goal_bpm) * exp(-moving_s / tau_s)

    @property
    def taus(self) -> float:
        """Time constants to the edge."""
        return log((self.goal_bpm - self.start_bpm) / (self.goal_bpm - self.edge_bpm))


def course(hr_bpm: float, target: Target) -> Course | None:
    """The way to the lane, None for a heart that is in it.

    The rider is taken to aim inside it by half its width, by 10 bpm at most and 3 at least.
    """
    inside = min(max((target.high_bpm - target.low_bpm) / 2, 3.0), 10.0)
    if hr_bpm < target.low_bpm:
        return Course(1, hr_bpm, target.low_bpm, target.low_bpm + inside)
    if hr_bpm > target.high_bpm:
        return Course(-1, hr_bpm, target.high_bpm, target.high_bpm - inside)
    return None


def arrival_s(hr_bpm: float, target: Target) -> float:
    """Seconds that a typical heart needs from ``hr_bpm`` to the near edge of the lane; 0 inside it."""
    way = course(hr_bpm, target)
    return 0.0 if way is None else DEAD_S + TAU_S * way.taus


def _led_out(before: Target | None, now: Target | None) -> tuple[Way, ...]:
    """From which sides a heart that is inside now has to come back, where the work before leads it out.

    Standing does so downward. By what the rider rode in a free step nobody knows.
    """
    if before is None or now is None:
        return (1, -1)
    if before == now:
        return (1,)
    return (*((1,) if before.low_bpm < now.low_bpm else ()), *((-1,) if before.high_bpm > now.high_bpm else ()))


class LagModel:
    """One rider's lag during one ride. Constant work and memory per heart rate.

    ``aim`` at each change of the lane and when riding goes on after a pause; ``feed`` every trusted heart rate.
    """

    def __init__(self) -> None:
        self._tau_s: dict[Way, float] = {1: TAU_S, -1: TAU_S}
        self._arrivals: dict[Way, int] = {1: 0, -1: 0}
        self._kept_s: dict[Way, float] = {1: -inf, -1: -inf}
        self._target: Target | None = None
        self._began = False
        self._moved_s = -inf
        self._course: Course | None = None
        self._led_out: tuple[Way, ...] = ()
        self._waiting = False
        self._inside_since_s: float | None = None
        self._arrived = False
        self._whole = False
        self._t_s = -inf
        self._hr_bpm = 0.0
        self._fast_bpm = 0.0
        self._slow_bpm = 0.0

    def tau_s(self, way: Way) -> float:
        """The time constant in s, up (1) or down (-1), as this ride has shown it so far."""
        return self._tau_s[way]

    @property
    def arrived(self) -> bool:
        """Whether the heart has settled in the lane since the lane last moved, and had the time to leave it again."""
        return self._arrived

    @property
    def trend(self) -> tuple[float, float]:
        """The heart rate in bpm without its quick swings, and its slope in bpm/s; level with the heart on a ramp."""
        slope_bpm_s = (self._fast_bpm - self._slow_bpm) / (SLOW_S - FAST_S)
        return self._fast_bpm + FAST_S * slope_bpm_s, slope_bpm_s

    def aim(self, t_s: float, target: Target | None) -> None:
        """The lane has moved, or the ride goes on after a pause: the heart begins its way now."""
        # A ride begins from a standstill.
        self._led_out = _led_out(self._target, target) if self._began else (1,)
        self._began = True
        self._target = target
        self._kept_s = {1: -inf, -1: -inf}
        self._course = None
        self._arrived = False
        self._waiting = target is not None
        if t_s - self._t_s <= FORGET_S:
            self._set_out(t_s)

    def feed(self, t_s: float, hr_bpm: float | None) -> None:
        """One trusted heart rate in bpm, or None for none. Times do not decrease."""
        if hr_bpm is None or not isfinite(hr_bpm):
            return
        gap_s = t_s - self._t_s
        if gap_s > FORGET_S:
            self._fast_bpm = self._slow_bpm = hr_bpm
            self._inside_since_s = None
        elif gap_s > 0:
            self._fast_bpm += (hr_bpm - self._fast_bpm) * (1 - exp(-gap_s / FAST_S))
            self._slow_bpm += (hr_bpm - self._slow_bpm) * (1 - exp(-gap_s / SLOW_S))
        self._t_s, self._hr_bpm = t_s, hr_bpm
        if self._waiting:
            # The lane moved while there was no signal: give all the time from here, and learn nothing from it.
            self._set_out(t_s)
            self._whole = False
        now = self._now()
        self._follow(t_s, now)
        if now is not None and self._moves(now):
            self._kept_s[now.way] = t_s

    def on_its_way(self, t_s: float) -> bool:
        """Whether a heart that is outside its lane is getting there as fast as it honestly can, or has just got there.

        A heart wanders: one that fell behind keeps the excuse for some seconds more. One that has been in the lane and
        now leads away from it has turned; the slope would say so only many seconds later.
        """
        now = self._now()
        if now is None:
            since = self._course
            return since is not None and not self._arrived and t_s - self._kept_s[since.way] < BEHIND_S
        return t_s - self._kept_s[now.way] < BEHIND_S and not self._turned(now)

    def _now(self) -> Course | None:
        return None if self._target is None or self._t_s == -inf else course(self._hr_bpm, self._target)

    def _follow(self, t_s: float, now: Course | None) -> None:
        """Where the heart sets out from, and whether it has arrived."""
        if now is not None or self._inside_since_s is None:
            self._inside_since_s = None if now is not None else t_s
        if self._target is None or self._arrived:
            return
        since = self._course
        if t_s - self._moved_s < SLOW_DEAD_S:
            # Until the legs show, the work before goes on: it may carry the heart further away, or out of the lane.
            away = course(self._fast_bpm, self._target)
            if away and away.way in (self._led_out if since is None else (since.way,)):
                self._course = max(since or away, away, key=lambda one: one.taus)
        elif self._inside_since_s is not None and t_s - self._inside_since_s >= HELD_S:
            self._arrived = True
            if since is not None:
                self._learn(since, max(self._inside_since_s, self._moved_s))

    def _moves(self, now: Course) -> bool:
        tau_s = self._slow_tau_s(now.way)
        if self._keeps_up(now.way, tau_s):
            return True
        return self.trend[1] * now.way >= abs(now.goal_bpm - self._hr_bpm) / tau_s / 2

    def _turned(self, now: Course) -> bool:
        outward = (self._hr_bpm - self._fast_bpm) * now.way < 0
        return self._arrived and outward and not self._keeps_up(now.way, self._slow_tau_s(now.way))

    def _keeps_up(self, way: Way, tau_s: float) -> bool:
        since, after_s = self._course, self._t_s - self._moved_s
        if since is None or since.way != way:
            return since is None and after_s < SLOW_DEAD_S and way in self._led_out
        if after_s < SLOW_DEAD_S:
            return True
        if self._arrived:
            # It was in the lane: a heart may waver at the edge, but not turn back.
            return abs(self._hr_bpm - since.edge_bpm) <= MARGIN_BPM and after_s < self._slowest_s(since)
        slowest_bpm = since.bpm(after_s, tau_s, SLOW_DEAD_S)
        return (self._hr_bpm - slowest_bpm) * since.way >= -MARGIN_BPM

    def _set_out(self, t_s: float) -> None:
        self._waiting = self._arrived = False
        self._whole = True
        self._moved_s = t_s
        if self._target is not None:
            # From the running mean; a heart that only just left the new lane is outside it all the same.
            self._course = course(self._fast_bpm, self._target) or course(self._hr_bpm, self._target)
        if self._course is not None:
            self._kept_s[self._course.way] = t_s

    def _slowest_s(self, way: Course) -> float:
        return SLOW_DEAD_S + self._slow_tau_s(way.way) * way.taus

    def _slow_tau_s(self, way: Way) -> float:
        return min(self._tau_s[way] + TAU_SD_S, TAU_RANGE_S[1])

    def _learn(self, done: Course, t_s: float) -> None:
        """From a heart that arrived in time; one that came late was not ridden there at once."""
        took_s = t_s - self._moved_s
        if not self._whole or took_s > self._slowest_s(done) or abs(done.edge_bpm - done.start_bpm) < LEARN_FROM_BPM:
            return
        seen_s = min(max((took_s - DEAD_S) / done.taus, TAU_RANGE_S[0]), TAU_RANGE_S[1])
        self._arrivals[done.way] = min(self._arrivals[done.way] + 1, MEMORY)
        self._tau_s[done.way] += (seen_s - self._tau_s[done.way]) / (PRIOR_WEIGHT + self._arrivals[done.way])
