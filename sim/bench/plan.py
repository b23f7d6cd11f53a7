"""How good the alarms are on rides with a plan: while the heart follows a lane that moved, and in all that moves it.

``alarms`` scores rides with one lane. Here the shipped plans are ridden with their step changes, key presses, pauses,
skips and extensions, by two riders (what they do is an own choice; their hearts and straps are those of the simulator):

- The *honest* one sets out 2 to 12 s after each change, at a workload that settles the heart in the middle third of the
  lane (8 to 20 bpm under the high limit of one that is open below), and allows for the heart's drift. Every 5 to 25 min
  there is a traffic light: the key, 10 to 90 s standing, the key, and off again within 4 s. One in eight such pauses
  skips a step, one in five extends it. A step that a key ends is ended at 35 to 90 % of its time, or of 20 min. A free
  step of 45 s or less is a burst, another one easy riding, so easy where it waits for the heart that the heart falls.
- The *sluggish* one does so at two steps of five. At the others it sets out 1 to 5 min late, goes 20 to 80 % of the way
  and stays there, or leaves the lane in mid-step by 6 to 20 bpm for 1 to 3 min.

The lane *moves* when a step begins and when riding goes on after a pause. A heart that is outside it then, or within
the next 30 s, is *on the way* until it has been inside for 6 s and 1 bpm deep, or until the lane moves again. The
sounds of the side from which it comes are judged so, reminders too:

- *Slowest* is the slowest heart that published kinetics allow. For 30 s the work before goes on in it (its dead time
  and the strap's, and as long again to read the panel and change gear: common practice, no source); then it goes from
  the furthest that it got, first-order with 68.7 + 2 x 21.5 s (mean and two SD; Hunt et al. 2019, cycle ergometer), to
  the middle of the lane, or to 10 bpm inside where that is nearer. A heart *keeps up* while it is no more than 2.5 bpm
  behind that one (the published fit error).
- A heart is *honest* for those 30 s, and as long as its rider has worked since the fifteenth second at what settles it
  inside the lane, however slow it is. A *scold* is a sound at an honest heart, up to 12 s after it arrived. *seen* are
  those over whose way no fault of the strap lay until then (HIDING in ``alarms``), *behind* those of hearts that did
  not keep up: a heart rate alone does not tell these from a lazy rider's. *early* is a sound at a heart that keeps up
  and whose rider is not honest: right, though published kinetics alone would not yet have shown it.
- A heart is *late* while it is not honest, does not keep up, is 2 bpm outside, and its rider works at what settles it
  outside as well. Once that has lasted 6 s it is to be told. The delay runs from when it became late to the first sound
  since the lane moved, and is 0 for an earlier one. It is *missed* when none came while it was on the way. One that
  became late less than 20 s before the end of its way, or after which nothing arrived on it, does not count.

Once the heart is inside, the rest of the stretch is scored by the rules of ``alarms``: exits, their delay, false alarms
and chatter. And in the whole ride:

- *hasty* are reminders less than 30 s after the last sound of that side, with the heart outside all the time;
- *lifts* are seconds at or above 92 % of maximum in which the page says "lift" or something sounds that asks for more;
- *in pause* are sounds in a pause but near_max, those about the strap and that of a step skipped there;
- *unsaid* are changes without a step_change sound while neither near_max nor the strap has the ear of the rider,
  *doubled* those with two at one moment, and *in vain* cues that no change followed within 6 ridden seconds: the heart
  that was to end the step left again, or the rider extended it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from firmware_app import plans, settings
from firmware_app.core import bands
from firmware_app.core.alarms import AlarmTable
from firmware_app.core.companion import Companion
from firmware_app.core.events import Event, Mark, Press, Tick
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts
from firmware_app.core.session import Plan, PlanRun, StepChange
from firmware_app.settings import SettingsError
from sim.bench import alarms
from sim.bench.alarms import (
    BACK_DEEP_BPM,
    BEFORE_S,
    CHATTER_S,
    EXIT_DEEP_BPM,
    EXIT_S,
    hiding,
    on_all_cores,
    percentile,
    seeds_of,
    stretches,
)
from sim.dice import Dice, Floats
from sim.rider import STEP_S, Rider
from sim.scenario import LabelledRide
from sim.strap import Episode, Faults, Row, Strap, beats, episodes, notifications

HELP = "score the alarms over rides of the shipped plans, with their step changes, pauses and key presses"

RIDERS = ("honest", "sluggish")
# Not taken from core/lag.py: a bench that asks the firmware what is right finds nothing.
SLOWEST_TAU_S = 68.7 + 2 * 21.5
SLOWEST_DEAD_S = 30.0
FIT_BPM = 2.5
INSIDE_BPM = 10.0
SET_OUT_S = 15.0
CUE_S = 6.0
LEAST_REMINDER_S = 30.0
NEAR_MAX_SHARE = 0.92
OF_THE_STRAP = ("no_signal", "poor_contact", "strap_battery_low")
EARS = ("near_max", "no_signal", "poor_contact")
COMING_FROM = {1: "below_target", -1: "above_target"}
URGES = ("below_target", "drifting_down")

Lanes = list[tuple[float, float, tuple[int, int]]]
Spans = list[tuple[float, float]]

SHIPPED = settings.defaults_dir() / "sessions"


# --- the ride -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PlanRide:
    """One ride of a plan: the truth, and what the unit made of it. Times in seconds since the ride began.

    t_s, latent_bpm, settles_bpm: every STEP_S; the last is where the workload of that moment would settle the heart.
    lanes: the stretches ridden in one lane, as (from_s, until_s, (low_bpm, high_bpm)). paused: as (from_s, until_s).
    sounds: (t_s, kind, whether it is a reminder) in order of time. changes_s: when a step began, or the plan ended.
    busy: when an alarm above a step change had the ear of the rider. lifts_s: each second in which the page said "lift"
    near maximum.
    """

    hr_max_bpm: int
    rows: list[Row]
    t_s: Floats
    latent_bpm: Floats
    settles_bpm: Floats
    lanes: Lanes
    paused: Spans
    sounds: list[tuple[float, str, bool]]
    changes_s: list[float]
    busy: Spans = field(default_factory=list)
    lifts_s: list[float] = field(default_factory=list)
    strap: Strap = field(default_factory=Strap)
    episodes: list[Episode] = field(default_factory=list)


@dataclass(frozen=True)
class _Light:
    """A traffic light: when, for how long, what is pressed there, and how long after it the legs set off."""

    t_s: float
    for_s: float
    press: Press | None
    off_s: float


def _lights(seed: int, until_s: float) -> list[_Light]:
    dice = Dice(seed, "lights")
    found = []
    t_s = 0.0
    while (t_s := t_s + _on_grid(dice.between(300, 1500))) < until_s:
        for_s, roll, off_s = _on_grid(dice.between(10, 90)), dice.between(0, 1), dice.between(0, 4)
        press = Press("plus") if roll < 0.125 else Press("plus", "long") if roll < 0.325 else None
        found.append(_Light(t_s, for_s, press, off_s))
        t_s += for_s
    return found


def _on_grid(t_s: float) -> float:
    return round(t_s / STEP_S) * STEP_S


class _Legs:
    """What a rider makes of each change: the heart rate that the workload is to settle at, and from when on."""

    def __init__(self, kind: str, rider: Rider, plan: Plan, seed: int) -> None:
        self._sluggish = kind == "sluggish"
        self._rider = rider
        self._plan = plan
        self._seed = seed
        self._changes = 0
        self._ahead: list[tuple[float, float]] = []
        self._goal_bpm = _settled_bpm(rider, 0.2)

    def goal_bpm(self, t_s: float) -> float:
        """Where the heart is to settle now."""
        while self._ahead and self._ahead[0][0] <= t_s:
            self._goal_bpm = self._ahead.pop(0)[1]
        return self._goal_bpm

    def take(self, change: StepChange, t_s: float) -> float:
        """A step has begun. Answers with how many seconds of it are ridden before the key; inf for no key."""
        self._changes += 1
        dice = Dice(self._seed, "legs", self._changes)
        delay_s, place, manner = dice.between(2, 12), dice.between(0, 1), dice.between(0, 1)
        if change.index == len(self._plan.steps):
            self._ahead = [(t_s + delay_s, _settled_bpm(self._rider, 0.2))]
            return float("inf")
        ends = self._plan.steps[change.index].ends
        step_s = ends.time_s or 0.0
        press_s = min(step_s, 1200.0) * dice.between(0.35, 0.9) if ends.press else float("inf")
        if change.target is None:
            waits = ends.arrival is not None
            work = 0.9 + 0.2 * place if step_s <= 45 else 0.05 + 0.05 * place if waits else 0.1 + 0.2 * place
            self._ahead = [(t_s + delay_s, _settled_bpm(self._rider, work))]
            return press_s
        low, high = change.target.low_bpm, change.target.high_bpm
        open_bpm = max(high - 8 - 12 * place, _settled_bpm(self._rider, 0.05))
        goal = low + (high - low) * (1 + place) / 3 if low else open_bpm
        self._ahead = [(t_s + delay_s, goal)]
        if self._sluggish and manner > 0.4:
            edge = min(max(self._goal_bpm, low), high)
            if manner < 0.6:
                self._ahead = [(t_s + dice.between(60, 300), goal)]
            elif manner < 0.8 and edge != self._goal_bpm:
                part = self._goal_bpm + dice.between(0.2, 0.8) * (edge - self._goal_bpm)
                self._ahead = [(t_s + delay_s, part)]
            else:
                at_s = t_s + min(step_s, press_s) * dice.between(0.4, 0.8)
                deep_bpm, for_s = dice.between(6, 20), dice.between(60, 180)
                out = low - deep_bpm if low and dice.chance(0.5) else high + deep_bpm
                self._ahead += [(at_s, out), (at_s + for_s, goal)]
        return press_s


def _settled_bpm(rider: Rider, workload: float) -> float:
    return rider.hr_easy_bpm + rider.day_bpm + workload * (rider.hr_max_bpm - rider.hr_easy_bpm)


@dataclass(frozen=True)
class _Script:
    """A ride as far as it is known which steps the heart ended: goals every STEP_S (0 standing), keys, the end."""

    goals_bpm: Floats
    presses: list[tuple[float, Press]]
    end_s: float


def _script(
    kind: str, rider: Rider, plan: Plan, table: bands.BandTable, seed: int, length_s: float, arrived_s: Sequence[float]
) -> _Script:
    """Ride the plan up to its end. arrived_s: when the unit ended a step because the heart had arrived."""
    run, legs = PlanRun(plan, table), _Legs(kind, rider, plan, seed)
    lights, arrivals = _lights(seed, length_s), list(arrived_s)
    goals = np.zeros(int(length_s / STEP_S))
    presses: list[tuple[float, Press]] = []
    press_s = end_s = float("inf")
    stood_s = off_s = 0.0
    light: _Light | None = None

    def take(changes: tuple[StepChange, ...], t_s: float, ridden_s: float) -> None:
        nonlocal press_s, end_s
        for change in changes:
            if change.why != "cue":
                press_s = ridden_s + legs.take(change, t_s)
                end_s = t_s + CHATTER_S if run.finished else end_s

    for i in range(len(goals)):
        t_s = i * STEP_S
        if t_s >= end_s:
            break
        ridden_s = (light.t_s if light else t_s) - stood_s
        if light is None:
            take(run.feed(ridden_s, None), t_s, ridden_s)
            if arrivals and arrivals[0] <= t_s:
                arrivals.pop(0)
                take(run.skip(ridden_s), t_s, ridden_s)
            if ridden_s >= press_s:
                presses.append((t_s, Press("plus")))
                take(run.press(ridden_s), t_s, ridden_s)
            if lights and lights[0].t_s <= t_s and not run.finished:
                light = replace(lights.pop(0), t_s=t_s)
                presses.append((t_s, Press("select")))
        elif light.press and t_s == light.t_s + 5:
            presses.append((t_s, light.press))
            if light.press.hold == "long":
                take(run.extend(ridden_s), t_s, ridden_s)
            else:
                take(run.skip(ridden_s), t_s, ridden_s)
        elif t_s >= light.t_s + light.for_s:
            presses.append((t_s, Press("select")))
            stood_s += light.for_s
            off_s = t_s + light.off_s
            light = None
        goals[i] = 0.0 if light or t_s < off_s else legs.goal_bpm(t_s)
    return _Script(goals, presses, min(end_s, length_s))


def _settles(rider: Rider, workload: Floats) -> Floats:
    """Where each moment's workload would settle the heart, its drift and its ceiling included."""
    at_once = replace(rider, dead_time_s=0.0, fast_s=STEP_S, slow_s=STEP_S, recovery=1.0, wander_bpm=0.0)
    return at_once.latent(workload, Dice(0))


def _workload(rider: Rider, goals_bpm: Floats) -> Floats:
    """What settles the heart at these goals in spite of its drift; nothing where they are 0."""
    easy_bpm, gain_bpm = _settled_bpm(rider, 0.0), rider.hr_max_bpm - rider.hr_easy_bpm
    fresh = np.clip((goals_bpm - easy_bpm) / gain_bpm, 0.0, 1.1)
    drift_bpm = np.clip(_settles(rider, fresh) - easy_bpm - gain_bpm * fresh, 0.0, None)
    return np.clip((goals_bpm - drift_bpm - easy_bpm) / gain_bpm, 0.0, 1.1)


def plan_ride(name: str, kind: str, dirt: float, seed: int) -> PlanRide:
    """Ride a shipped plan with the companion. The same arguments give the same ride.

    The rider is that of the seed in every scenario. When the heart ends a step, what comes after is made anew.
    """
    rider = Rider.drawn(Dice(seed, "rider"))
    scheme = bands.Scheme("one", "percent_of_maximum", (bands.Band(1, "all", 0.0),))
    table = bands.table(scheme, rider.hr_max_bpm)
    plan = plans.load_plan(str(SHIPPED / f"{name}.toml"), table)
    alarms_file = settings.defaults_dir() / "alarms.toml"
    alarm_table = settings.convert(settings.read_toml(alarms_file), AlarmTable, alarms_file)
    companion = Companion(RideFacts(rider.hr_max_bpm), table, alarm_table, plan)
    longest_s = plan.longest_s or 0.0
    length_s = longest_s + sum(light.for_s + 60 for light in _lights(seed, 1.5 * longest_s)) + CHATTER_S
    strap = Strap().drawn(Dice(seed, "strap"))
    faults = episodes(Faults(), length_s, dirt, seed)
    marks: list[Mark] = []
    heard: list[Row] = []
    lifts_s: list[float] = []
    arrived_s: list[float] = []
    pressed, now_s = 0, -1.0
    while True:
        script = _script(kind, rider, plan, table, seed, length_s, arrived_s)
        workload = _workload(rider, script.goals_bpm)
        latent_bpm = np.round(rider.latent(workload, Dice(seed, "heart")), 3)
        rows = notifications(beats(latent_bpm, rider.hr_max_bpm, Dice(seed, "beats")), length_s, strap, faults, seed)
        rows = [row for row in rows if now_s < row[0] <= script.end_s]
        events: list[tuple[float, Event]] = [*script.presses[pressed:], *rows]
        events += [(float(t_s), Tick()) for t_s in range(int(now_s) + 1, int(script.end_s) + 1)]
        arrived = False
        for t_s, event in sorted(events, key=lambda one: one[0]):
            if arrived:
                break
            now_s = t_s
            new = [effect for effect in companion.feed(event, t_s) if isinstance(effect, Mark)]
            marks += new
            pressed += isinstance(event, Press)
            if isinstance(event, Measurement):
                heard.append((t_s, event))
            elif latent_bpm[int(t_s / STEP_S)] >= NEAR_MAX_SHARE * rider.hr_max_bpm and companion.view().word == "lift":
                lifts_s.append(t_s)
            for mark in new:
                if mark.kind == "step" and mark.detail["why"] == "arrived":
                    arrived_s.append(mark.t_s)
                    arrived = True
        if not arrived:
            break
    count = int(script.end_s / STEP_S)
    lanes, paused, busy = _stretches_of(marks, script.end_s)
    return PlanRide(
        hr_max_bpm=rider.hr_max_bpm,
        rows=heard,
        t_s=np.arange(count, dtype=np.float64) * STEP_S,
        latent_bpm=latent_bpm[:count],
        settles_bpm=_settles(rider, workload)[:count],
        lanes=lanes,
        paused=paused,
        sounds=[
            (mark.t_s, str(mark.detail["kind"]), bool(mark.detail["reminder"]))
            for mark in marks
            if mark.kind == "alarm" and mark.detail["on"] and mark.detail["heard"]
        ],
        changes_s=[mark.t_s for mark in marks if mark.kind == "step" and mark.detail["why"] != "start"],
        busy=busy,
        lifts_s=lifts_s,
        strap=strap,
        episodes=faults,
    )


def _stretches_of(marks: Sequence[Mark], end_s: float) -> tuple[Lanes, Spans, Spans]:
    """The lanes as they were ridden, the pauses, and when something above a step change had the rider's ear."""
    lanes: Lanes = []
    paused: Spans = []
    busy: Spans = []
    lane: tuple[int, int] | None = None
    since_s, stopped_s = 0.0, None
    began_s: dict[str, float] = {}
    for mark in [*marks, Mark(end_s, "end")]:
        if mark.kind in ("target", "pause", "end") and stopped_s is None and lane is not None:
            lanes.append((since_s, mark.t_s, lane))
        if mark.kind == "pause":
            stopped_s = mark.t_s
        elif mark.kind == "target":
            low, high = mark.detail["low_bpm"], mark.detail["high_bpm"]
            lane = (low, high) if isinstance(low, int) and isinstance(high, int) else None
            since_s = mark.t_s
        elif mark.kind == "resume" and stopped_s is not None:
            paused.append((stopped_s, mark.t_s))
            since_s, stopped_s = mark.t_s, None
        elif mark.kind == "alarm" and (kind := str(mark.detail["kind"])) in EARS:
            if mark.detail["on"]:
                began_s.setdefault(kind, mark.t_s)
            else:
                busy.append((began_s.pop(kind), mark.t_s))
    busy += [(from_s, end_s) for from_s in began_s.values()]
    return [one for one in lanes if one[1] > one[0]], paused, busy


# --- the score ------------------------------------------------------------------------------------------------------


@dataclass
class Score:
    """What the unit was worth over some rides. Delays in seconds; lane: by the rules of ``alarms``."""

    hours: float = 0.0
    changes: int = 0
    ways: int = 0
    scolds: int = 0
    seen_scolds: int = 0
    behind: int = 0
    early: int = 0
    lates: int = 0
    missed: int = 0
    delays_s: list[float] = field(default_factory=list)
    seen_delays_s: list[float] = field(default_factory=list)
    hasty: int = 0
    lifts_s: int = 0
    in_pause: int = 0
    unsaid: int = 0
    doubled: int = 0
    in_vain: int = 0
    lane: alarms.Score = field(default_factory=alarms.Score)

    def __iadd__(self, other: Score) -> Score:
        for name, value in vars(other).items():
            if name != "lane":
                setattr(self, name, getattr(self, name) + value)
        self.lane += other.lane
        return self

    def figures(self) -> dict[str, float | int | None]:
        """Rates per hour ridden or per way, delays at p50 and p95 in seconds, shares from 0 to 1."""
        lane = self.lane.figures()
        return {
            "hours": round(self.hours, 2),
            "changes": self.changes,
            "ways": self.ways,
            "scolds": self.scolds,
            "scolds_per_h": round(self.scolds / (self.hours or 1.0), 3),
            "scolds_per_way": round(self.scolds / self.ways, 4) if self.ways else None,
            "scolds_seen": self.seen_scolds,
            "scolds_behind": self.behind,
            "early": self.early,
            "lates": self.lates,
            "late_missed": self.missed,
            "late_p50_s": percentile(self.delays_s, 50),
            "late_p95_s": percentile(self.delays_s, 95),
            "late_seen_p95_s": percentile(self.seen_delays_s, 95),
            "exits": lane["exits"],
            "exits_missed": lane["missed"],
            "exit_p50_s": lane["delay_p50_s"],
            "exit_p95_s": lane["delay_p95_s"],
            "false_per_h": lane["false_per_h"],
            "chatter_per_h": lane["chatter_per_h"],
            "hasty_per_h": round(self.hasty / (self.hours or 1.0), 3),
            "lifts_s": self.lifts_s,
            "in_pause": self.in_pause,
            "unsaid": self.unsaid,
            "doubled": self.doubled,
            "in_vain": self.in_vain,
        }


def _within(t_s: float, spans: Spans) -> bool:
    return any(from_s <= t_s <= until_s for from_s, until_s in spans)


def score_ride(ride: PlanRide) -> Score:
    """What the sounds of this ride were worth."""

    def ridden_s(t_s: float) -> float:
        return t_s - sum(min(max(t_s - from_s, 0.0), until_s - from_s) for from_s, until_s in ride.paused)

    result = Score(hours=len(ride.t_s) * STEP_S / 3600, changes=len(ride.changes_s))
    near = ride.latent_bpm >= NEAR_MAX_SHARE * ride.hr_max_bpm
    urged = [t_s for t_s, kind, _ in ride.sounds if kind in URGES and near[min(int(t_s / STEP_S), len(near) - 1)]]
    result.lifts_s = len({int(t_s) for t_s in (*ride.lifts_s, *urged)})
    told_s = [t_s for t_s, kind, _ in ride.sounds if kind == "step_change"]
    at_change = [told_s.count(t_s) for t_s in ride.changes_s]
    result.unsaid = sum(
        not count and not _within(t_s, ride.busy) for t_s, count in zip(ride.changes_s, at_change, strict=True)
    )
    result.doubled = sum(count > 1 for count in at_change)
    result.in_vain = sum(
        not any(0 <= ridden_s(at_s) - ridden_s(t_s) <= CUE_S for at_s in ride.changes_s) for t_s in told_s
    )
    result.in_pause = sum(
        kind not in (*OF_THE_STRAP, "near_max", "step_change") and from_s < t_s < until_s
        for t_s, kind, _ in ride.sounds
        for from_s, until_s in ride.paused
    )
    for stretch in ride.lanes:
        _score_lane(ride, stretch, result)
    return result


def _score_lane(ride: PlanRide, stretch: tuple[float, float, tuple[int, int]], result: Score) -> None:
    """One lane from when it moved until it moved again."""
    from_s, until_s, lane = stretch
    first, past = int(np.ceil(from_s / STEP_S)), int(until_s / STEP_S)
    if first >= past:
        return
    sounds = [(t_s - from_s, kind, again) for t_s, kind, again in ride.sounds if from_s <= t_s < until_s]
    part = LabelledRide(
        kind="",
        seed=0,
        dirt=0.0,
        hr_max_bpm=ride.hr_max_bpm,
        target_bpm=lane,
        rows=[(t_s - from_s, measurement) for t_s, measurement in ride.rows if from_s <= t_s < until_s],
        t_s=np.arange(past - first, dtype=np.float64) * STEP_S,
        latent_bpm=ride.latent_bpm[first:past],
        workload=ride.settles_bpm[first:past],
        strap=ride.strap,
        episodes=[replace(one, start_s=one.start_s - from_s, end_s=one.end_s - from_s) for one in ride.episodes],
    )
    _score_reminders(part, sounds, result)
    way, at = _way(part)
    if way:
        _score_way(part, way, at, [t_s for t_s, kind, _ in sounds if kind == COMING_FROM[way]], result)
    at_s = at * STEP_S
    rest = replace(
        part,
        rows=[(t_s - at_s, measurement) for t_s, measurement in part.rows if t_s >= at_s],
        t_s=part.t_s[at:] - at_s,
        latent_bpm=part.latent_bpm[at:],
        episodes=[replace(one, start_s=one.start_s - at_s, end_s=one.end_s - at_s) for one in part.episodes],
    )
    # An alarm of the way in that comes a little late is judged there.
    after_s = at_s + BEFORE_S if way else 0.0
    begun = [(t_s - at_s, kind) for t_s, kind, again in sounds if t_s >= after_s and not again]
    result.lane += alarms.score_alarms(rest, begun)


def _way(part: LabelledRide) -> tuple[int, int]:
    """Which way the heart goes (1 up, -1 down, 0 where it stays inside), and the place where it is there."""
    low, high = part.target_bpm
    soon = part.latent_bpm[: int(SLOWEST_DEAD_S / STEP_S)]
    outside = np.flatnonzero((soon < low) | (soon > high))
    if not len(outside):
        return 0, 0
    way = 1 if soon[outside[0]] < low else -1
    inside_bpm = (part.latent_bpm - (low if way > 0 else high)) * way
    for first, past in stretches(inside_bpm >= 0):
        lasting = (past - first) * STEP_S >= EXIT_S and inside_bpm[first:past].max() >= BACK_DEEP_BPM
        if lasting and past * STEP_S > SLOWEST_DEAD_S and first > outside[0]:
            return way, first
    return way, len(inside_bpm)


def _score_reminders(part: LabelledRide, sounds: list[tuple[float, str, bool]], result: Score) -> None:
    """Those that come too soon. sounds: as in PlanRide, from when the lane moved."""
    low, high = part.target_bpm
    for side, kind in COMING_FROM.items():
        inside = (part.latent_bpm - (low if side > 0 else high)) * side >= 0
        last_s = -np.inf
        for t_s, again in ((t_s, again) for t_s, other, again in sounds if other == kind):
            if again and t_s - last_s < LEAST_REMINDER_S:
                result.hasty += not inside[max(int((last_s - EXIT_S) / STEP_S), 0) : int(t_s / STEP_S)].any()
            last_s = t_s


def _score_way(part: LabelledRide, way: int, end: int, sounds_s: list[float], result: Score) -> None:
    """The way of a heart into a lane. part: the ride from when the lane moved. end: the place where the way ends."""
    low, high = part.target_bpm
    edge_bpm = low if way > 0 else high
    inside_bpm = (part.latent_bpm - edge_bpm) * way
    settled_bpm = part.workload
    dead = part.t_s < SLOWEST_DEAD_S
    start_bpm, goal_bpm = inside_bpm[dead].min(), min((high - low) / 2, INSIDE_BPM)
    moving_s = np.clip(part.t_s - SLOWEST_DEAD_S, 0.0, None)
    slowest_bpm = goal_bpm + (start_bpm - goal_bpm) * np.exp(-moving_s / SLOWEST_TAU_S)
    keeps_up = dead | (inside_bpm >= slowest_bpm - FIT_BPM)
    astray = (settled_bpm < low) | (settled_bpm > high)
    astray[: int(SET_OUT_S / STEP_S)] = False
    honest = ~np.logical_or.accumulate(astray) | dead
    hidden_s = min((start_s for start_s, end_s in hiding(part) if end_s >= 0), default=np.inf)
    result.ways += 1
    for t_s in sounds_s:
        at = min(int(t_s / STEP_S), len(honest) - 1)
        if at < end + int(BEFORE_S / STEP_S):
            result.scolds += bool(honest[at])
            result.seen_scolds += bool(honest[at] and t_s < hidden_s)
            result.behind += bool(honest[at] and not keeps_up[at])
            result.early += bool(keeps_up[at] and not honest[at])
    late = ~honest & ~keeps_up & (inside_bpm <= -EXIT_DEEP_BPM) & ((settled_bpm - edge_bpm) * way < 0)
    lasting = [(a, b) for a, b in stretches(late[:end]) if (b - a) * STEP_S >= EXIT_S]
    if not lasting:
        return
    late_s, over_s = lasting[0][0] * STEP_S, end * STEP_S
    arrivals = np.array([t_s for t_s, _ in part.rows])
    if late_s > over_s - CHATTER_S or not np.any((arrivals >= late_s) & (arrivals <= over_s)):
        return
    result.lates += 1
    told_s = [t_s for t_s in sounds_s if t_s <= over_s]
    if not told_s:
        result.missed += 1
        return
    delay_s = max(told_s[0] - late_s, 0.0)
    result.delays_s.append(delay_s)
    if late_s < hidden_s:
        result.seen_delays_s.append(delay_s)


# --- the command ----------------------------------------------------------------------------------------------------


Job = tuple[str, str, float, int]
"""Which ride: plan, rider, dirt, seed."""


def score(job: Job) -> Score:
    """The score of one ride."""
    return score_ride(plan_ride(*job))


def names() -> list[str]:
    """The shipped plans."""
    return sorted(path.stem for path in SHIPPED.glob("*.toml"))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of ``plan``."""
    parser.add_argument("--seeds", type=seeds_of, default=range(1, 11), help="which rides, as A-B (default 1-10)")
    parser.add_argument("--plans", default="all", help='shipped plans, with commas between (default "all")')
    parser.add_argument("--dirt", default="1,3", help="how dirty, with commas between (default %(default)s)")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a table")


def run(args: argparse.Namespace) -> int:
    """Score, and print a table or JSON."""
    chosen = names() if args.plans == "all" else args.plans.split(",")
    for name in chosen:
        if name not in names():
            raise SettingsError(f"--plans {name}: no such plan; choose from {', '.join(names())}")
    try:
        dirts = [float(part) for part in args.dirt.split(",")]
    except ValueError as error:
        raise SettingsError(f"--dirt {args.dirt}: write numbers, with commas between") from error
    jobs = [(name, rider, dirt, seed) for seed in args.seeds for name in chosen for rider in RIDERS for dirt in dirts]
    found: dict[tuple[float, str, str], Score] = {}
    for (name, rider, dirt, _), one in on_all_cores(score, jobs):
        for group in (name, "all"):
            total = found.setdefault((dirt, rider, group), Score())
            total += one
    if args.json:
        rows = [{"dirt": d, "rider": r, "plan": p, **one.figures()} for (d, r, p), one in found.items()]
        print(json.dumps({"schema": "rumblestrip.bench.plan/1", "seeds": list(args.seeds), "scores": rows}))
    else:
        _print(found)
    return 0


COLUMNS = (
    ("changes", "changes", 8),
    ("ways", "ways", 6),
    ("scolds_per_h", "scolds/h", 9),
    ("scolds_per_way", "per way", 8),
    ("scolds_seen", "seen", 5),
    ("scolds_behind", "behind", 7),
    ("early", "early", 6),
    ("lates", "lates", 6),
    ("late_missed", "missed", 7),
    ("late_p50_s", "p50 s", 6),
    ("late_p95_s", "p95 s", 6),
    ("late_seen_p95_s", "seen s", 7),
    ("exits", "exits", 6),
    ("exits_missed", "missed", 7),
    ("exit_p50_s", "p50 s", 6),
    ("exit_p95_s", "p95 s", 6),
    ("false_per_h", "false/h", 8),
    ("chatter_per_h", "chat/h", 7),
    ("hasty_per_h", "hasty/h", 8),
    ("lifts_s", "lifts", 6),
    ("in_pause", "in pause", 9),
    ("unsaid", "unsaid", 7),
    ("doubled", "doubled", 8),
    ("in_vain", "in vain", 8),
)
"""Of the table: the figure, its head, its width."""


def _print(found: dict[tuple[float, str, str], Score]) -> None:
    for dirt in sorted({key[0] for key in found}):
        print(f"dirt {dirt:g}\n{'rider':9} {'plan':17} {'hours':>7}" + "".join(f"{h:>{w}}" for _, h, w in COLUMNS))
        for at, rider, name in sorted(found, key=lambda key: (key[1], key[2] == "all", key)):
            if at == dirt:
                f = found[at, rider, name].figures()
                cells = "".join(f"{'-' if f[key] is None else f[key]:>{width}}" for key, _, width in COLUMNS)
                print(f"{rider:9} {name:17} {f['hours']:7}{cells}")
