"""One ride: events in, effects out.

The companion owns the plan, the lane, the pauses and a lookout (``core/lookout``), and nothing of the world. A live
unit, a headless simulation, a replay and every test drive it with the same events; it cannot tell which. Time comes
with the events. Between them it steps on a grid of quarter seconds that starts with the ride, so that a ride played
back from its recording sounds the same alarms at the same times as it did on the road.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from itertools import zip_longest
from typing import Literal

from firmware_app.core.alarms import AlarmChange, AlarmTable
from firmware_app.core.bands import BandTable, Target, whole_bpm, whole_percent
from firmware_app.core.events import Effect, Event, Hush, Mark, Off, Press, Slept, Sound, Tick
from firmware_app.core.lag import LagModel
from firmware_app.core.lookout import CATCH_UP_S, STALE_S, Lookout, unheard
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import Collector, RideFacts, RideRecord
from firmware_app.core.session import Plan, PlanRun, StepChange
from firmware_app.core.times import clock_text
from firmware_app.core.views import TAIL_S, RideView, Side

_POOR_QUALITY = 0.6

_ADVICE = {
    "no_signal": "No heart rate. Check the strap.",
    "poor_contact": "Poor contact. Wet the strap, pull it tight.",
    "storage_failing": "Ride not being stored. Check the card.",
    "unit_power_low": "Unit battery low.",
    "strap_battery_low": "Strap battery low.",
}


class Companion:
    """A ride through a plan (a free ride is a plan of one endless step).

    Raises BandError when a step's target does not fit the rider's bands.
    """

    def __init__(self, facts: RideFacts, bands: BandTable, alarms: AlarmTable, plan: Plan) -> None:
        self.facts = facts
        self.paused = False
        self.ended = False
        self._bands = bands
        self._lookout = Lookout(alarms, facts.hr_max_bpm)
        self.near_max_bpm = self._lookout.near_max_bpm
        self._engine = self._lookout.engine
        self._now = self._lookout.now
        self._lag = LagModel()
        self._run = PlanRun(plan, bands)
        self._target: Target | None = None
        self._paused_since_s = 0.0
        self._paused_total_s = 0.0
        self._history: deque[tuple[float, float]] = deque()  # (t_s, trusted bpm) of the tail

    # --- in and out -------------------------------------------------------------------------------------------------

    def feed(self, event: Event, t_s: float) -> tuple[Effect, ...]:
        """Take one event at its time in seconds since the ride began; answers with what is to be done.

        A time earlier than one already seen counts as that one.
        """
        out: list[Effect] = []
        if self.ended:
            return ()
        t_s = max(t_s, self._now.t_s)
        if isinstance(event, Off):
            out.extend(self._off(max(event.since_s, self._now.t_s), t_s))
        self._tick_to(t_s, out)
        self._lookout.take(event, t_s, out)
        if isinstance(event, Measurement):
            self._heard(t_s)
            self._step_alarms(t_s, out)
        elif isinstance(event, Press):
            self._press(event, t_s, out)
        return tuple(out)

    def pause(self, t_s: float, why: str = "key") -> tuple[Effect, ...]:
        """Stand still: the plan's time stops, the lane is not watched, near_max still is."""
        if self.paused or self.ended:
            return ()
        self.paused = True
        self._paused_since_s = t_s
        self._now.riding = False
        return (*self._hush(), Mark(t_s, "pause", {"why": why}))

    def resume(self, t_s: float, why: str = "key") -> tuple[Effect, ...]:
        """Ride on."""
        if not self.paused or self.ended:
            return ()
        self.paused = False
        self._paused_total_s += t_s - self._paused_since_s
        self._now.riding = True
        out: list[Effect] = [Mark(t_s, "resume", {"why": why})]
        self._turn(t_s, out)
        return tuple(out)

    def end(self, t_s: float, why: str = "key") -> tuple[Effect, ...]:
        """The ride is over; nothing is taken after this."""
        if self.ended:
            return ()
        self.ended = True
        out: list[Effect] = []
        self._lookout.end(t_s, why, out)
        return tuple(out)

    def woke(self, since_s: float, t_s: float, out: list[Effect]) -> None:
        """As ``Lookout.woke``, of all that was answered to events that had to wait since ``since_s``."""
        # From one of them to the next nobody slept: it is one sleep.
        out[:] = [effect for effect in out if not (isinstance(effect, Mark) and effect.kind == "slept")]
        self._lookout.woke(since_s, t_s, out)

    def ridden_s(self, t_s: float) -> float:
        """Seconds ridden: without the pauses."""
        standing_s = t_s - self._paused_since_s if self.paused else 0.0
        return t_s - self._paused_total_s - standing_s

    def paused_s(self, t_s: float) -> float:
        """Seconds of the pause under way."""
        return t_s - self._paused_since_s if self.paused else 0.0

    @property
    def trusted_bpm(self) -> float | None:
        """The trusted heart rate now, in bpm; None when there is none."""
        return self._now.trusted_bpm

    @property
    def run(self) -> PlanRun:
        """Where in its plan the ride is."""
        return self._run

    # --- what happens -----------------------------------------------------------------------------------------------

    def _tick_to(self, t_s: float, out: list[Effect]) -> None:
        since_s = self._now.t_s
        for at_s in self._lookout.moments(t_s):
            if not self.paused:
                # A rest is not over by a heart rate that the strap itself denies.
                hr_bpm = None if self._now.denied else self._now.trusted_bpm
                self._steps(self._run.feed(self.ridden_s(at_s), hr_bpm), at_s, out)
            self._step_alarms(at_s, out)
        self._lookout.woke(since_s, t_s, out)

    def _off(self, since_s: float, t_s: float) -> tuple[Effect, ...]:
        """The unit was off: nobody watched, and the plan stood still. A ride that was paused still is."""
        out: list[Effect] = []
        self._tick_to(since_s, out)
        paused = self.pause(since_s, "cut")
        self._lookout.leap(t_s)
        resumed = self.resume(t_s, "cut") if paused else (Mark(t_s, "off", {"from_s": since_s}),)
        return _silent((*out, *paused, *resumed))

    def _heard(self, t_s: float) -> None:
        """What the heart rate that has just come in says of the lane."""
        now = self._now
        if now.trusted_bpm is None:
            return
        self._history.append((t_s, now.trusted_bpm))
        while self._history[0][0] < max(t_s - TAIL_S, self._lookout.unbroken_since_s):
            self._history.popleft()
        self._lag.feed(t_s, now.trusted_bpm)
        now.on_its_way = self._lag.on_its_way(t_s)
        now.trend_bpm, now.trend_bpm_s = self._lag.trend
        now.arrived = self._lag.arrived

    def _press(self, press: Press, t_s: float, out: list[Effect]) -> None:
        out.append(Mark(t_s, "press", {"key": press.key, "hold": press.hold}))
        ridden_s = self.ridden_s(t_s)
        match (press.key, press.hold, self.paused):
            case ("select", "short", False):
                out.extend(self.pause(t_s))
            case ("select", "short", True):
                out.extend(self.resume(t_s))
            case ("select", "long", _):
                out.extend(self.end(t_s))
            case ("minus", "short", False):
                self._engine.pause_audio(t_s)
                out.extend(self._hush())
            case ("plus", "short", False):
                self._steps(self._run.press(ridden_s), t_s, out)
            case ("minus", "short", True):
                self._steps(self._run.back(ridden_s), t_s, out)
            case ("plus", "short", True):
                self._steps(self._run.skip(ridden_s), t_s, out)
            case ("plus", "long", True):
                self._steps(self._run.extend(ridden_s), t_s, out)

    def _hush(self) -> tuple[Hush, ...]:
        """What a key may silence: everything but near_max."""
        return () if self._engine.is_active("near_max") else (Hush(),)

    # --- the plan and the alarms ------------------------------------------------------------------------------------

    def _steps(self, changes: tuple[StepChange, ...], t_s: float, out: list[Effect]) -> None:
        for change in changes:
            if change.why == "cue":
                self._told(self._engine.tell("step_change", t_s), t_s, out)
                continue
            self._target = change.target
            self._now.low_bpm = change.target.low_bpm if change.target else None
            self._now.high_bpm = change.target.high_bpm if change.target else None
            detail = {"index": change.index, "name": change.name, "round": change.round, "why": change.why}
            out.append(Mark(t_s, "step", detail))
            lane = {"low_bpm": self._now.low_bpm, "high_bpm": self._now.high_bpm}
            out.append(Mark(t_s, "target", {**lane, "text": change.target.text if change.target else ""}))
            self._turn(t_s, out)
            if change.why != "start":
                self._told(self._engine.tell("step_change", t_s), t_s, out)

    def _turn(self, t_s: float, out: list[Effect]) -> None:
        """A new lane, or the first moment back in it: from here a heart gets the time that its lag deserves."""
        self._lag.aim(t_s, self._target)
        # Now, and not with the next measurement: the engine looks before that at a lane that has just moved.
        self._now.on_its_way = self._lag.on_its_way(t_s)
        self._now.arrived = self._lag.arrived
        self._told(self._engine.new_lane(t_s), t_s, out)

    def _step_alarms(self, t_s: float, out: list[Effect]) -> None:
        self._told(self._engine.step(self._now), t_s, out)

    def _told(self, changes: list[AlarmChange], t_s: float, out: list[Effect]) -> None:
        for change in changes:
            out.extend(change.effects(t_s))

    # --- what the rider sees ----------------------------------------------------------------------------------------

    def view(self) -> RideView:
        """The ride page as it stands."""
        now = self._now
        shown_bpm = None if now.trusted_bpm is None else whole_bpm(now.trusted_bpm)
        band = None if shown_bpm is None else self._bands.band_of(shown_bpm)
        near_max = self._engine.is_active("near_max")
        side: Side = 0
        # Without a heart rate nobody is over or under a lane, whatever the last alarm said: the page says "no signal".
        # Nor is one whose whole beat is inside, though the alarm waits for its release.
        if shown_bpm is not None and now.low_bpm is not None and now.high_bpm is not None:
            if self._engine.is_active("above_target") and shown_bpm >= now.high_bpm:
                side = 1
            elif self._engine.is_active("below_target") and shown_bpm <= now.low_bpm and self._engine.may_urge(now):
                side = -1
        step = self._run.now
        muted_s = self._engine.audio_pause_left_s(now.t_s)
        return RideView(
            percent=None if shown_bpm is None else whole_percent(shown_bpm, self.facts.hr_max_bpm),
            hr_bpm=shown_bpm,
            band=band.number if band else None,
            band_name=band.name if band else "",
            low_bpm=now.low_bpm,
            high_bpm=now.high_bpm,
            hr_max_bpm=self.facts.hr_max_bpm,
            tail_bpm=self._tail(now.t_s),
            side=side,
            near_max=near_max,
            word="ease" if near_max or side > 0 else "lift" if side < 0 else "",
            step=step.name if not step.round else f"{step.name} {step.round}",
            left=step.left,
            after=step.after,
            elapsed=clock_text(int(self.ridden_s(now.t_s))),
            muted=clock_text(muted_s) if muted_s else "",
            notice=self._lookout.notice(self._advice()),
            signal=self._signal(),
        )

    def _tail(self, t_s: float) -> tuple[int | None, ...]:
        tail: list[int | None] = [None] * TAIL_S
        for then_s, hr_bpm in self._history:
            place = TAIL_S - 1 - int(t_s - then_s)
            if place >= 0:
                tail[place] = whole_bpm(hr_bpm)
        return tuple(tail)

    def _advice(self) -> list[str]:
        return [text for kind, text in _ADVICE.items() if self._engine.is_active(kind)]

    def _signal(self) -> Literal["good", "poor", "none"]:
        if self._now.trusted_bpm is None:
            return "none"
        return "good" if self._now.quality >= _POOR_QUALITY else "poor"


def _silent(effects: tuple[Effect, ...]) -> tuple[Mark, ...]:
    """The marks alone, each without the sound behind it."""
    return tuple(
        unheard(effect) if isinstance(after, Sound) else effect
        for effect, after in zip_longest(effects, effects[1:])
        if isinstance(effect, Mark)
    )


def play(companion: Companion, rows: Iterable[tuple[float, Event]]) -> RideRecord:
    """A whole recording through a companion, as fast as it goes. rows: (t_s, event), times not decreasing."""
    kept = Collector(companion.facts)
    kept.take((Mark(0.0, "plan", {"near_max_bpm": companion.near_max_bpm}),))
    last_s = 0.0
    answers: list[tuple[float, list[Effect]]] = []
    for t_s, event in _awake(rows):
        answer = list(companion.feed(event, t_s))
        if isinstance(event, Slept):
            # What came in it had to wait, and of what fell due by then no more was heard than after any sleep.
            while answers and answers[-1][0] > event.since_s:
                answer[:0] = answers.pop()[1]
            companion.woke(event.since_s, t_s, answer)
        answers.append((t_s, answer))
        last_s = t_s
    for _, answer in answers:
        kept.take(tuple(answer))
    kept.take(companion.end(last_s, "recording"))
    return kept.record(last_s)


def _awake(rows: Iterable[tuple[float, Event]]) -> Iterator[tuple[float, Event]]:
    """The rows, and ticks where nothing came for a while: only one that says so is of a unit that slept."""
    last_s = 0.0
    for t_s, event in rows:
        watched_s = event.since_s if isinstance(event, Off | Slept) else t_s
        last_s = max(last_s, watched_s - CATCH_UP_S)
        while watched_s - last_s > STALE_S:
            last_s += STALE_S / 2
            yield last_s, Tick()
        if last_s < watched_s < t_s:
            yield watched_s, Tick()
        yield t_s, event
        last_s = t_s
