"""The guided maximal test: the pages to read before it, and one pure state machine from the warm-up to the verdict.

Driven like a companion, on the same grid and with the same lookout: ``feed(event, t_s)`` answers with effects,
``view()`` is the page, ``ended`` says when the rider has left. What is measured goes to the log as in any ride (plan
``maximal-test``); the verdict is a mark in it. Of the pages before it nothing is kept: who reads them has not ridden.

    SafetyPages --long select on the last one--> warm_up --time and a good signal--> ramp --plus: "sprint"--> sprint
    warm_up, ramp, sprint --minus, always one press--> cool_down --three minutes--> result --minus--> ended

It never asks for more effort. A cue says that a step or a stage has begun, and near maximum even those are silent; the
only way on is the rider's own. There is no target, so below_target cannot sound.

near_max is the rider's own row of the alarm table, run by the engine of every ride, with one exception: in the ramp and
the sprint it is not repeated. They are meant to lead there, and a buzz every ten seconds through the hardest minutes
would drive a rider on, or teach not to heed it. The panel stays inverted as long as it lasts.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal

from firmware_app.core import maximum
from firmware_app.core.alarms import AlarmTable, rows_of
from firmware_app.core.bands import whole_bpm
from firmware_app.core.events import Effect, Event, Mark, Note, Press, Sample, Sound
from firmware_app.core.lookout import Lookout
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, record_of
from firmware_app.core.times import clock_text
from firmware_app.core.views import TestView

if TYPE_CHECKING:
    from firmware_app.core.evidence import Evidence

Stage = Literal["warm_up", "ramp", "sprint", "cool_down", "result"]

TITLES: dict[Stage, str] = {
    "warm_up": "Warm-up",
    "ramp": "Ramp",
    "sprint": "Sprint",
    "cool_down": "Cool-down",
    "result": "Result",
}
"""What each stage is called, in their order."""

SAFETY_PAGES: tuple[tuple[str, ...], ...] = (
    (
        "A maximal test is the hardest thing you can ask of your heart.",
        "Not for you: heart or lung disease, pain in the chest, fainting, a fever or infection in the last weeks, "
        "pregnancy, medicines that slow the heart.",
    ),
    (
        "Ask a doctor first: certainly past 45, after an illness, or with any heart history, yours or your family's.",
        "Local rules and licensed practice come before this page.",
    ),
    (
        "Only on a trainer, rested, with water and a fan.",
        "Have someone with you who can help and call for help.",
    ),
    (
        "Stop at once for pain, dizziness, or a rhythm that feels odd.",
        "The left key stops the test at any moment, with one press.",
        "Hold the middle key, then let go, if all of this is understood and none of it speaks against you.",
    ),
)

CUE = Sound("test_cue", "info", (Note(1200, 80), Note(0, 60), Note(1200, 80)))
DONE = Sound("test_cue", "info", (Note(900, 250),))
"""Something new begins; the hard part, or all of it, is over. Neither is like an alarm (own choice)."""

PAGE_READ_S = 3.0
"""A safety page stands for so long at least: nobody reads it faster (own choice)."""
WARM_UP_S = 600.0
STEP_S = 60.0
MOST_STEPS = 25
SPRINT_S = 30.0
COOL_DOWN_S = 180.0
"""The stages: of the ramp each step, and how many there are at most (common practice, no source)."""
LOST_S = 15.0
"""Without a trusted heart rate for this long nobody watches the heart: the hard part is over."""

_PLATEAU_S = 40.0
_PLATEAU_RISE_BPM = 2.0
_LEVEL_S = 10.0
"""A plateau: so long before its end the heart was hardly lower, each time as the mean of ``_LEVEL_S`` (own choice)."""
_RAMP_LEAST_S = 240.0
"""A shorter ramp ends before a heart has followed it to the top (own choice)."""
_CLEAN_QUALITY = 0.9
_FRESH_S = 3.0
"""A signal is good of this quality at least, and with a trusted heart rate so lately (own choice)."""
_FALL_MARKS_S = (0.0, 60.0, 120.0)
_AROUND_S = 3.0
"""The fall is taken between these moments after the effort, each as the mean of so much before and after (own
choice)."""
_LATELY_AT_MOST = 1200
"""Trusted heart rates that are kept for plateau and fall: the last minutes of a strap that sends five a second."""


@dataclass(frozen=True, slots=True)
class Ramp:
    """Watts of the first step and of each further one; None for both rides by feel."""

    start_w: int | None = None
    step_w: int | None = None

    def text(self, step: int) -> str:
        """What a step is, on screen. Steps count from 1."""
        if self.start_w is None or self.step_w is None:
            return f"step {step}: one notch of resistance" if step > 1 else "step 1: easy"
        return f"step {step}: {self.start_w + (step - 1) * self.step_w} W"


@dataclass(frozen=True, slots=True)
class Verdict:
    """How the test went. peak_bpm is None without evidence; fall_1_bpm, fall_2_bpm in the first and second minute.

    maximal: a plateau, the effort held, the signal clean; only then it measures the maximum. why: what was missing.
    """

    maximal: bool
    peak_bpm: float | None
    why: str
    fall_1_bpm: int | None
    fall_2_bpm: int | None


class SafetyPages:
    """What must be read before a test. Each page stands for a while, and only a long hold on the last one goes on.

    t_s: when the first one shows.
    """

    def __init__(self, t_s: float) -> None:
        self._page = 0
        self._since_s = t_s

    def press(self, press: Press, t_s: float) -> Literal["", "leave", "begin"]:
        """A press, and what comes of it."""
        read = t_s - self._since_s >= PAGE_READ_S
        last = self._page == len(SAFETY_PAGES) - 1
        match (press.key, press.hold):
            case ("minus", "short") if self._page == 0:
                return "leave"
            case ("minus", "short"):
                self._page, self._since_s = self._page - 1, t_s
            case ("plus", "short") if read and not last:
                self._page, self._since_s = self._page + 1, t_s
            case ("select", "long") if read and last:
                return "begin"
        return ""

    def view(self) -> TestView:
        """The page that stands. It is there to be read, and gets all the room."""
        last = self._page == len(SAFETY_PAGES) - 1
        actions = ("back" if self._page else "leave", "hold: yes" if last else "", "" if last else "next")
        place = f"{self._page + 1} of {len(SAFETY_PAGES)}"
        return TestView("Safety", "", SAFETY_PAGES[self._page], place, False, "", actions)


class MaximalTest:
    """One guided test, from its warm-up on.

    ``facts`` tells the accepted maximum; of ``alarms`` the row near_max is watched.
    """

    def __init__(self, facts: RideFacts, alarms: AlarmTable, ramp: Ramp | None = None) -> None:
        self.facts = replace(facts, plan=maximum.TEST_PLAN, target="")
        self.ended = False
        self.verdict: Verdict | None = None
        self._ramp = ramp or Ramp()
        self._stage: Stage = "warm_up"
        self._begun = False
        self._since_s = 0.0  # when the stage began
        self._step = 0
        self._ramp_s: float | None = None
        self._effort_end_s: float | None = None
        self._why = ""
        self._all_given: bool | None = None  # the rider's own word
        self._cues = bool(alarms.step_change.sound)  # none where a rider has all the sounds off
        others: dict[str, Any] = {kind: replace(row, on=False) for kind, row in rows_of(alarms) if kind != "near_max"}
        self._lookout = Lookout(replace(alarms, **others), facts.hr_max_bpm)
        self.near_max_bpm = self._lookout.near_max_bpm
        self._engine = self._lookout.engine
        self._now = self._lookout.now
        self._lately: deque[tuple[float, float]] = deque(maxlen=_LATELY_AT_MOST)
        self._samples: list[Sample] = []

    # --- events ---------------------------------------------------------------------------------------------------

    def feed(self, event: Event, t_s: float) -> tuple[Effect, ...]:
        """Take one event at its time in seconds since the test began; answers with what is to be done.

        A time earlier than one already seen counts as that one.
        """
        out: list[Effect] = []
        if self.ended:
            return ()
        since_s = self._now.t_s
        t_s = max(t_s, since_s)
        for at_s in self._lookout.moments(t_s):
            self._watch(at_s, out)
            self._moment(at_s, out)
        self._lookout.woke(since_s, t_s, out)
        self._lookout.take(event, t_s, out)
        if isinstance(event, Measurement):
            self._keep(t_s, out)
            self._watch(t_s, out)
        elif isinstance(event, Press):
            out.append(Mark(t_s, "press", {"key": event.key, "hold": event.hold}))
            self._press(event, t_s, out)
        return tuple(out)

    def end(self, t_s: float, why: str = "key") -> tuple[Effect, ...]:
        """End it now, whatever the stage: the unit stops, or the rider leaves."""
        if self.ended:
            return ()
        out: list[Effect] = []
        if self._stage in ("warm_up", "ramp", "sprint"):
            self._why = why
            self._effort_end_s = t_s
        if self.verdict is None:
            self._judge(t_s, out)
        self.ended = True
        self._lookout.end(t_s, why, out)
        return tuple(out)

    def _keep(self, t_s: float, out: list[Effect]) -> None:
        """Remember what the verdict will need of the heart rate that has just come in."""
        if self._now.trusted_bpm is not None:
            self._lately.append((t_s, self._now.trusted_bpm))
        if self._stage != "result":
            self._samples += [effect for effect in out if isinstance(effect, Sample)]

    def _moment(self, t_s: float, out: list[Effect]) -> None:
        stage_s = t_s - self._since_s
        if not self._begun:
            self._begun = True
            self._go("warm_up", t_s, out)
        elif self._stage == "warm_up" and stage_s >= WARM_UP_S and self._signal_is_good(t_s):
            self._ramp_s = t_s
            self._step = 1
            self._go("ramp", t_s, out)
        elif self._stage in ("ramp", "sprint"):
            if t_s - self._lookout.seen_s > LOST_S:
                self._stop("no heart-rate signal", t_s, out)
            elif self._stage == "sprint" and stage_s >= SPRINT_S:
                self._stop("the sprint is over", t_s, out)
            elif self._stage == "ramp" and stage_s >= self._step * STEP_S:
                if self._step >= MOST_STEPS:
                    self._stop("the ramp is over", t_s, out)
                else:
                    self._step += 1
                    self._cue(out)
        elif self._stage == "cool_down" and stage_s >= COOL_DOWN_S:
            self._judge(t_s, out)
            self._go("result", t_s, out)

    def _watch(self, t_s: float, out: list[Effect]) -> None:
        """Near maximum, as on any ride; but what is meant to lead there says so once."""
        meant = self._stage in ("ramp", "sprint")
        for change in self._engine.step(self._now):
            if not (meant and change.reminder and change.on):
                out.extend(change.effects(t_s))

    def _press(self, press: Press, t_s: float, out: list[Effect]) -> None:
        if press.hold == "repeat":
            return
        elif self._stage == "result":
            if press.key == "minus":
                out.extend(self.end(t_s))
        elif self._stage == "cool_down":
            if press.key == "plus":
                self._all_given = True
            elif press.hold == "long" and press.key == "minus":
                out.extend(self.end(t_s))
            elif press.key == "minus":
                self._all_given = False
        elif press.key == "minus":
            self._stop("you stopped", t_s, out)
        elif self._stage == "ramp" and press.key == "plus" and press.hold == "short":
            self._all_given = True
            self._go("sprint", t_s, out)

    def _stop(self, why: str, t_s: float, out: list[Effect]) -> None:
        self._why = why
        self._effort_end_s = t_s
        self._go("cool_down", t_s, out)

    def _go(self, stage: Stage, t_s: float, out: list[Effect]) -> None:
        self._stage, self._since_s = stage, t_s
        index = list(TITLES).index(stage)
        out.append(Mark(t_s, "step", {"index": index, "name": TITLES[stage], "round": "", "why": self._why}))
        if stage not in ("cool_down", "result"):
            self._cue(out)
        elif self._cues:
            out.append(DONE)

    def _cue(self, out: list[Effect]) -> None:
        if self._cues and self._engine.may_urge(self._now):
            out.append(CUE)

    # --- judging ------------------------------------------------------------------------------------------------------

    @property
    def near_max(self) -> bool:
        """Whether the alarm table calls this near maximum: for long enough to be told, and until its release."""
        return self._engine.is_active("near_max")

    def _signal_is_good(self, t_s: float) -> bool:
        return self._now.quality >= _CLEAN_QUALITY and t_s - self._lookout.seen_s < _FRESH_S

    def evidence(self) -> Evidence:
        """What the test, from its warm-up on, says about the maximum."""
        from firmware_app.core.evidence import find

        return find(record_of(self.facts, self._samples, [], self._now.t_s))

    def _judge(self, t_s: float, out: list[Effect]) -> None:
        found = self.evidence()
        why = self._missing(found)
        fall_1, fall_2 = self._falls()
        self.verdict = Verdict(not why, found.peak_bpm, why, fall_1, fall_2)
        detail = {
            "maximal": self.verdict.maximal,
            "peak_bpm": None if found.peak_bpm is None else round(found.peak_bpm, 1),
            "why": why,
            "fall_1_bpm": fall_1,
            "fall_2_bpm": fall_2,
        }
        out.append(Mark(t_s, "verdict", detail))

    def _missing(self, found: Evidence) -> str:
        """The first thing that keeps a test from being maximal, or ""."""
        if self._ramp_s is None or self._effort_end_s is None or self._effort_end_s - self._ramp_s < _RAMP_LEAST_S:
            return "the ramp was too short"
        if self._why == "no heart-rate signal":
            return "the heart-rate signal was lost"
        if found.peak_bpm is None:
            return f"no clean signal: {found.reason}"
        top = next(one for one in found.stretches if one.peak_bpm == found.peak_bpm and not one.doubt)
        if not found.from_rr:
            return "the strap sends no RR intervals, so that artefacts cannot be told from beats"
        doubted = any(one.doubt and one.peak_bpm > found.peak_bpm for one in found.stretches)
        if doubted or found.quality < _CLEAN_QUALITY:
            return "the signal was not clean near the top"
        if self._all_given is not True:
            return "you did not say that you had nothing left"
        end_s = self._effort_end_s
        if not top.start_s <= end_s <= top.start_s + top.length_s + LOST_S:
            return "the highest heart rate was not at the end of the effort"
        # Only a heart that had stopped rising while the effort still rose was at its maximum.
        late = self._mean(end_s - _LEVEL_S, end_s)
        early = self._mean(end_s - _LEVEL_S - _PLATEAU_S, end_s - _PLATEAU_S)
        if late is None or early is None:
            return "the heart-rate signal was lost for a while just before the end, so that no plateau can be seen"
        rising = late - early > _PLATEAU_RISE_BPM
        return "the heart rate was still rising at the end: no plateau" if rising else ""

    def _falls(self) -> tuple[int | None, int | None]:
        """How far the heart rate fell in the first and in the second minute after the effort, in bpm."""
        if self._effort_end_s is None:
            return None, None
        moments_s = [self._effort_end_s + after_s for after_s in _FALL_MARKS_S]
        levels_bpm = [self._mean(at_s - _AROUND_S, at_s + _AROUND_S) for at_s in moments_s]
        falls = [
            None if before is None or after is None else whole_bpm(before - after)
            for before, after in pairwise(levels_bpm)
        ]
        return falls[0], falls[1]

    def _mean(self, from_s: float, to_s: float) -> float | None:
        inside = [hr_bpm for t_s, hr_bpm in self._lately if from_s <= t_s <= to_s]
        return sum(inside) / len(inside) if inside else None

    # --- the page -----------------------------------------------------------------------------------------------------

    def view(self) -> TestView:
        """What the screen shows now."""
        hr_bpm = self._now.trusted_bpm
        big = "--" if hr_bpm is None else str(whole_bpm(hr_bpm))
        lines: tuple[str, ...]
        left = ""
        actions = ("stop", "", "")
        gone_s = self._now.t_s - self._since_s
        watch = "Stop for pain, dizziness, an odd rhythm."
        if self._stage == "warm_up":
            left = clock_text(WARM_UP_S - gone_s)
            waiting = gone_s >= WARM_UP_S
            lines = ("Waiting for a clean heart-rate signal: wet the strap." if waiting else "Ride easily.", watch)
        elif self._stage == "ramp":
            left = clock_text(self._step * STEP_S - gone_s)
            lines = (self._ramp.text(self._step), watch)
            if self.near_max:
                lines = (f"step {self._step}. Near the maximum you have set: stopping is always right.", watch)
            actions = ("stop", "", "sprint")
        elif self._stage == "sprint":
            left = clock_text(SPRINT_S - gone_s)
            lines = ("Stop whenever you like.", watch)
        elif self._stage == "cool_down":
            left = clock_text(COOL_DOWN_S - gone_s)
            # The sprint counts as yes. What was taken for the rider's word decides the verdict, so it is shown.
            word = {None: "", True: " Yes.", False: " No."}[self._all_given]
            ended = f"Ended: {self._why}. Had you nothing left?{word}"
            lines = ("Pedal gently, do not stop all at once.", ended, watch)
            actions = ("no", "", "yes")
        else:
            lines, big = self._result()
            actions = ("leave", "", "")
        return TestView(TITLES[self._stage], big, lines, left, self.near_max, self._lookout.notice(), actions)

    def _result(self) -> tuple[tuple[str, ...], str]:
        verdict = self.verdict
        if verdict is None or verdict.peak_bpm is None:
            return (f"Nothing was measured: {verdict.why if verdict else ''}.",), "--"
        falls = [
            f"{fall} bpm in the {name} minute"
            for fall, name in ((verdict.fall_1_bpm, "first"), (verdict.fall_2_bpm, "second"))
            if fall is not None
        ]
        said = "Maximal. `rumblestrip maximum review` proposes it to you."
        if not verdict.maximal:
            said = f"Not maximal: {verdict.why}. Your maximum is at least this."
        lines = (said, f"Fall: {', '.join(falls)}.") if falls else (said,)
        return lines, str(whole_bpm(verdict.peak_bpm))
