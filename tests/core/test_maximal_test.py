"""The guided maximal test, headless on simulated riders whose true maximum is known."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from firmware_app import settings
from firmware_app.core import bands
from firmware_app.core.alarms import AlarmTable, quiet
from firmware_app.core.companion import Companion
from firmware_app.core.events import Effect, Event, Fault, Link, Mark, Note, Press, Sound, Tick
from firmware_app.core.maximal_test import SAFETY_PAGES, MaximalTest, Ramp, SafetyPages, Verdict
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, record_of
from firmware_app.core.session import free_plan
from firmware_app.core.steps import step_results
from sim.dice import Dice
from sim.rider import STEP_S, Rider
from sim.scenario import labelled_ride
from sim.strap import Episode, Signal, Strap, beats, notifications

RAMP_S = 600.0
SPRINT_S = RAMP_S + 15 * 60
ALL_OUT = [(SPRINT_S, Press("plus")), (SPRINT_S + 29, Press("minus"))]


@dataclass
class Done:
    test: MaximalTest
    effects: list[tuple[float, str, Effect]]
    hr_max_bpm: int

    def sounds(self) -> list[tuple[float, str, Sound]]:
        return [(t_s, stage, effect) for t_s, stage, effect in self.effects if isinstance(effect, Sound)]


def ride(
    seed: int,
    presses: list[tuple[float, Press]] = ALL_OUT,
    faults: tuple[Episode, ...] = (),
    top: float = 1.15,
    set_bpm: int | None = None,
    tick_s: float = 0.25,
    on_step: Callable[[MaximalTest], None] = lambda test: None,
    signal: Signal = "both",
) -> Done:
    """A whole test: ``top`` is the workload, in fractions of peak power, at which this rider would sprint."""
    rider = Rider.drawn(Dice(seed, "rider"))
    at_s = [0, 20, RAMP_S, SPRINT_S, SPRINT_S + 1, SPRINT_S + 30, SPRINT_S + 31, SPRINT_S + 400]
    work = np.interp(np.arange(0, at_s[-1], STEP_S), at_s, [0.1, 0.35, 0.5, top, top + 0.2, top + 0.2, 0.1, 0.1])
    latent = rider.latent(work, Dice(seed, "heart"))
    beat_s = beats(latent, rider.hr_max_bpm, Dice(seed, "beats"))
    strap = Strap(signal=signal, contact=True, optical=False).drawn(Dice(seed, "strap"))
    rows: list[tuple[float, Event]] = [*notifications(beat_s, at_s[-1], strap, list(faults), seed)]
    rows += [(float(t_s), Tick()) for t_s in np.arange(0, at_s[-1], tick_s)]
    rows += presses
    test = MaximalTest(RideFacts(set_bpm or rider.hr_max_bpm), settings.load_alarms(), Ramp(80, 20))
    effects: list[tuple[float, str, Effect]] = []
    for t_s, event in sorted(rows, key=lambda row: row[0]):
        effects += [(t_s, test.view().stage, effect) for effect in test.feed(event, t_s)]
        on_step(test)
    return Done(test, effects, rider.hr_max_bpm)


def test_the_measured_maximum_is_within_two_beats_wherever_a_test_was_judged_maximal() -> None:
    judged = 0
    for seed in range(14):
        done = ride(seed)
        verdict = done.test.verdict
        assert verdict is not None
        if verdict.maximal:
            judged += 1
            assert verdict.peak_bpm == pytest.approx(done.hr_max_bpm, abs=2.0), seed
    assert judged >= 8


def in_the_ramp(top_bpm: int) -> MaximalTest:
    """A test of 700 s whose heart has risen to ``top_bpm``."""
    test = MaximalTest(RideFacts(190), settings.load_alarms(), Ramp(80, 20))
    for second in range(700):
        bpm = min(130 + max(second - 550, 0) // 2, top_bpm)
        rr_ms = tuple(60000 / bpm + (second * 7 + n * 3) % 5 - 2 for n in range(2))
        test.feed(Measurement(bpm, rr_ms), float(second))
    return test


def test_a_unit_that_slept_in_the_ramp_sounds_nothing_that_is_over_and_says_that_it_slept() -> None:
    test = in_the_ramp(186)
    assert test.near_max
    woken = test.feed(Tick(), 1900.0)
    # Near maximum ended, the ramp for want of a signal, and the cool-down: all of it while nobody watched.
    marks = [effect for effect in woken if isinstance(effect, Mark)]
    assert [mark.detail["name"] for mark in marks if mark.kind == "step"] == ["Cool-down", "Result"]
    assert not test.near_max
    assert [effect for effect in woken if isinstance(effect, Sound)] == []
    assert [mark for mark in marks if mark.kind == "slept"] == [Mark(1900.0, "slept", {"from_s": 699.0})]


@pytest.mark.parametrize(("until_s", "heard"), [(715.0, ["test_cue"]), (720.0, [])])
def test_the_end_of_the_hard_part_is_told_after_a_sleep_if_it_was_just_now(until_s: float, heard: list[str]) -> None:
    test = in_the_ramp(140)
    woken = test.feed(Tick(), until_s)
    assert test.view().stage == "Cool-down"
    assert [effect.kind for effect in woken if isinstance(effect, Sound)] == heard
    stages = [effect.detail for effect in woken if isinstance(effect, Mark) and effect.kind == "step"]
    assert [set(detail) for detail in stages] == [{"index", "name", "round", "why"}]


def test_a_good_test_tells_its_stages_and_the_fall() -> None:
    done = ride(1)
    marks = [effect for _, _, effect in done.effects if isinstance(effect, Mark)]
    stages = [(mark.detail["index"], mark.detail["name"]) for mark in marks if mark.kind == "step"]
    assert stages == list(enumerate(["Warm-up", "Ramp", "Sprint", "Cool-down", "Result"]))
    # Afterwards they are steps as those of a plan.
    steps = step_results(record_of(done.test.facts, [], marks, SPRINT_S + 400))
    assert [(step.index, step.name, step.round) for step in steps] == [(*stage, "") for stage in stages]
    verdict = done.test.verdict
    assert verdict is not None
    assert verdict.fall_1_bpm is not None
    assert verdict.fall_2_bpm is not None
    assert 5 < verdict.fall_1_bpm < 70
    assert "minute" in " ".join(done.test.view().lines)
    assert [mark.detail["maximal"] for mark in marks if mark.kind == "verdict"] == [verdict.maximal]


def test_however_time_is_split_into_ticks_the_test_is_the_same_and_its_time_never_goes_back() -> None:
    fine, coarse = (
        [effect for _, _, effect in ride(5, tick_s=tick_s).effects if isinstance(effect, Mark | Sound)]
        for tick_s in (0.25, 7.3)
    )
    assert coarse == fine
    times = [effect.t_s for effect in fine if isinstance(effect, Mark)]
    assert times == sorted(times)
    late = MaximalTest(RideFacts(180), settings.load_alarms())
    late.feed(Tick(), 30.0)
    assert late.feed(Link("lost"), 20.0) == (Mark(30.0, "link", {"state": "lost"}),)


@pytest.mark.parametrize("at_s", [100.0, RAMP_S + 30, RAMP_S + 500, SPRINT_S + 5])
def test_one_press_stops_it_at_any_moment(at_s: float) -> None:
    done = ride(2, [*[row for row in ALL_OUT if row[0] < at_s], (at_s, Press("minus"))])
    stages = [t_s for t_s, _, e in done.effects if isinstance(e, Mark) and e.detail.get("name") == "Cool-down"]
    assert stages == [at_s]


@pytest.mark.parametrize("at_s", [100.0, RAMP_S + 30, RAMP_S + 500, SPRINT_S - 200])
def test_an_aborted_test_is_not_maximal(at_s: float) -> None:
    verdict = ride(3, [(at_s, Press("minus"))]).test.verdict
    assert verdict is not None
    assert not verdict.maximal
    assert verdict.why


def test_a_test_given_up_early_is_not_maximal_even_when_the_rider_says_so() -> None:
    at_s = RAMP_S + 420
    for seed in range(4):
        verdict = ride(seed, [(at_s, Press("minus")), (at_s + 9, Press("plus"))]).test.verdict
        assert verdict is not None
        assert not verdict.maximal


def test_noise_over_most_of_the_last_minute_never_measures_too_high() -> None:
    """What is left between the bursts may stand a few beats too high, but then it is no measurement."""
    for seed in range(5):
        noise = tuple(
            Episode("static", SPRINT_S - 30 + 9 * n, SPRINT_S - 30 + 9 * n + 7, 0.3 + 0.1 * n) for n in range(6)
        )
        done = ride(seed, faults=noise)
        verdict = done.test.verdict
        assert verdict is not None
        if verdict.maximal:
            assert verdict.peak_bpm == pytest.approx(done.hr_max_bpm, abs=2.0)
        assert verdict.peak_bpm is None or verdict.peak_bpm < done.hr_max_bpm + 6


def test_a_lost_strap_ends_the_effort() -> None:
    done = ride(4, faults=(Episode("dropout", RAMP_S + 400, SPRINT_S + 400, 0.5),))
    verdict = done.test.verdict
    assert verdict is not None
    assert not verdict.maximal
    assert "lost" in verdict.why
    cooled = [t_s for t_s, _, e in done.effects if isinstance(e, Mark) and e.detail.get("name") == "Cool-down"]
    assert RAMP_S + 400 < cooled[0] < RAMP_S + 430


def test_a_signal_lost_just_before_the_end_is_not_called_a_rise() -> None:
    end_s = SPRINT_S + 29
    verdict = ride(10, faults=(Episode("dropout", end_s - 51, end_s - 39.5, 0.5),)).test.verdict
    assert verdict is not None
    assert not verdict.maximal
    assert "signal was lost" in verdict.why
    assert "rising" not in verdict.why


def test_without_a_signal_the_ramp_never_begins() -> None:
    test = MaximalTest(RideFacts(180), settings.load_alarms())
    for t_s in np.arange(0.0, 1500, 0.25).tolist():
        test.feed(Tick(), t_s)
    assert test.view().stage == "Warm-up"
    assert "signal" in test.view().lines[0]


def beating(bpm: int, from_s: int, to_s: int, until_s: int) -> list[tuple[float, Event]]:
    """A heart at 120 bpm but from ``from_s`` to ``to_s``, and ticks."""
    rows: list[tuple[float, Event]] = []
    hr_bpm, beat_s, beats_n = 120.0, 2.0, 0
    for second in range(2, until_s):
        wanted = bpm if from_s <= second < to_s else 120
        hr_bpm += min(max(wanted - hr_bpm, -1.0), 2.0)
        rr_ms: list[float] = []
        while beat_s < second:
            beats_n += 1
            rr_ms.append(60000 / hr_bpm + (-2, 1, 3, -1, -1)[beats_n % 5])
            beat_s += rr_ms[-1] / 1000
        rows += [(second, Measurement(round(hr_bpm), tuple(rr_ms), True))]
        rows += [(second + quarter, Tick()) for quarter in (0.1, 0.35, 0.6, 0.85)]
    return rows


def at_ease(until_s: int, presses: Sequence[tuple[float, Press]] = (), lost_from_s: float = 1e9) -> MaximalTest:
    """A test of a heart that stays at 120 bpm."""
    test = MaximalTest(RideFacts(200), settings.load_alarms())
    heart = [row for row in beating(120, 0, 0, until_s) if row[0] < lost_from_s or isinstance(row[1], Tick)]
    for t_s, event in sorted([*heart, *presses], key=lambda row: row[0]):
        test.feed(event, t_s)
    return test


def test_the_ramp_does_not_begin_on_a_signal_that_was_good_a_while_ago() -> None:
    assert at_ease(602).view().stage == "Ramp"
    assert at_ease(602, lost_from_s=595).view().stage == "Warm-up"


def test_the_ramp_ends_by_itself_after_its_last_step() -> None:
    assert at_ease(2100).view().lines[0] == "step 25: one notch of resistance"
    over = at_ease(2102).view()
    assert over.stage == "Cool-down"
    assert "the ramp is over" in over.lines[1]


def test_only_a_short_press_begins_the_sprint() -> None:
    assert at_ease(660, [(650.0, Press("plus", "long"))]).view().stage == "Ramp"
    assert at_ease(660, [(650.0, Press("plus"))]).view().stage == "Sprint"


def test_the_page_shows_what_was_taken_for_the_riders_word() -> None:
    """And a stop key that stays down has not been asked."""

    def word(*presses: tuple[float, Press]) -> str:
        view = at_ease(680, presses).view()
        assert view.actions == ("no", "", "yes")
        return view.lines[1].partition("Had you nothing left?")[2]

    stop = (660.0, Press("minus"))
    assert word(stop) == ""
    assert word(stop, (665.0, Press("plus"))) == " Yes."
    assert word(stop, (665.0, Press("plus")), (670.0, Press("minus"))) == " No."
    sprint = (650.0, Press("plus"))
    assert word(sprint, stop) == " Yes."
    assert word(sprint, (660.0, Press("minus", "long")), (660.3, Press("minus", "repeat"))) == " Yes."


def verdict_of(done: Done) -> Verdict:
    assert done.test.verdict is not None
    return done.test.verdict


def test_what_a_strap_without_rr_intervals_tells_is_no_measurement() -> None:
    assert verdict_of(ride(1)).maximal  # with them, as without the noise below
    assert "RR intervals" in verdict_of(ride(1, signal="bpm")).why


def test_a_doubt_above_the_peak_keeps_a_test_from_being_maximal() -> None:
    doubted = verdict_of(ride(1, faults=(Episode("static", SPRINT_S, SPRINT_S + 10, 0.8),)))
    assert doubted.peak_bpm is not None
    assert doubted.why == "the signal was not clean near the top"


# --- safety -----------------------------------------------------------------------------------------------------------


READ = [(104.0 + 4.0 * n, Press("plus")) for n in range(3)]


def read(presses: list[tuple[float, Press]]) -> tuple[str, str]:
    """What came of the last of these presses, on pages that show from 100 s on, and which page stands."""
    safety = SafetyPages(100.0)
    answers = [safety.press(press, t_s) for t_s, press in presses]
    assert not any(answers[:-1])
    return answers[-1], safety.view().left


def test_only_a_long_hold_on_the_last_page_begins() -> None:
    assert read([*READ, (119.0, Press("select", "long"))]) == ("begin", "4 of 4")
    assert read([*READ, (119.0, Press("select"))]) == ("", "4 of 4")
    assert read([*READ, (113.0, Press("select", "long"))]) == ("", "4 of 4")
    assert read([*READ, (119.0, Press("minus")), (125.0, Press("select", "long"))]) == ("", "3 of 4")
    assert read([(119.0, Press("select", "long"))]) == ("", "1 of 4")
    back = [*READ, (119.0, Press("minus")), (120.0, Press("plus"))]
    assert read(back) == ("", "3 of 4")  # a page turned back to is read again
    assert read([*back[:-1], (122.5, Press("plus"))]) == ("", "4 of 4")
    hurried = [(100 + 0.1 * n, Press("plus")) for n in range(9)] + [(101.0, Press("select", "long"))]
    assert read(hurried) == ("", "1 of 4")


def test_the_safety_pages_say_what_they_must() -> None:
    text = " ".join(line for page in SAFETY_PAGES for line in page).lower()
    for word in (
        "doctor", "past 45", "illness", "heart history", "someone with you", "pain", "dizziness", "rhythm",
        "not for you", "local rules", "licensed practice", "one press",
    ):  # fmt: skip
        assert word in text


def test_the_rider_can_leave_before_it_begins() -> None:
    assert read([(100.1, Press("minus"))]) == ("leave", "1 of 4")


# --- never upward -----------------------------------------------------------------------------------------------------


def words(test: MaximalTest) -> Iterator[str]:
    view = test.view()
    yield from (view.stage, *view.lines, *view.actions)


def held(table: AlarmTable, bpm: int, from_s: int, to_s: int) -> list[tuple[float, str, Effect]]:
    """A test of a rider easy but from ``from_s`` to ``to_s``, with a sprint from 800 s to 820 s."""
    test = MaximalTest(RideFacts(200), table)
    rows = [(800.0, Press("plus")), (820.0, Press("minus")), *beating(bpm, from_s, to_s, 1000)]
    told: list[tuple[float, str, Effect]] = []
    for t_s, event in sorted(rows, key=lambda row: row[0]):
        told += [(t_s, test.view().stage, effect) for effect in test.feed(event, t_s)]
    return told


def near(told: list[tuple[float, str, Effect]], stage: str) -> list[float]:
    return [t_s for t_s, on, effect in told if isinstance(effect, Sound) and effect.kind == "near_max" and on == stage]


def test_near_maximum_sounds_as_on_any_ride_but_once_where_it_is_meant() -> None:
    warm = near(held(settings.load_alarms(), 195, 100, 250), "Warm-up")
    assert warm[0] == pytest.approx(100 + 34 + 15, abs=6)
    assert len(warm) >= 8
    assert np.diff(warm) == pytest.approx(10, abs=0.5)
    told = held(settings.load_alarms(), 195, 700, 860)
    assert [near(told, stage) for stage in ("Ramp", "Sprint")] == [[pytest.approx(700 + 34 + 15, abs=6)], []]
    cooling = near(told, "Cool-down")
    assert 820 <= cooling[0] <= 831
    assert len(cooling) >= 3
    marks = [effect.detail for _, _, effect in told if isinstance(effect, Mark) and effect.kind == "alarm"]
    assert [(mark["on"], mark["heard"]) for mark in marks][:: len(marks) - 1] == [(True, True), (False, False)]
    assert len([mark for mark in marks if mark["on"]]) == 1 + len(cooling)


def test_that_near_maximum_is_over_is_told_where_its_reminders_are_not() -> None:
    told = held(settings.load_alarms(), 195, 500, 640)
    assert len(near(told, "Warm-up")) > 3
    alarms = [(mark.t_s, mark.detail) for _, _, mark in told if isinstance(mark, Mark) and mark.kind == "alarm"]
    assert [on["on"] for t_s, on in alarms if t_s > RAMP_S] == [False]


def near_alarms(
    one: Companion | MaximalTest, rows: list[tuple[float, Event]]
) -> list[tuple[float, Mapping[str, object]]]:
    effects = [effect for t_s, event in rows for effect in one.feed(event, t_s)]
    alarms = [effect for effect in effects if isinstance(effect, Mark) and effect.kind == "alarm"]
    return [(mark.t_s, mark.detail) for mark in alarms if mark.detail["kind"] == "near_max"]


def in_both(
    rows: list[tuple[float, Event]], hr_max_bpm: int, table: AlarmTable
) -> list[list[tuple[float, Mapping[str, object]]]]:
    """What near_max says in a free ride, and in the warm-up of a test, of the same heart."""
    scheme = bands.table(settings.load_scheme("seven"), hr_max_bpm)
    free = Companion(RideFacts(hr_max_bpm), scheme, table, free_plan(None))
    test = MaximalTest(RideFacts(hr_max_bpm), table)
    begun: list[tuple[float, Event]] = [row for row in rows if row[0] < RAMP_S - 2]
    told = [near_alarms(free, begun), near_alarms(test, begun)]
    assert test.view().stage == "Warm-up"
    return told


HARD_FOR_9_S = [120] * 60 + [*range(120, 190, 2)] + [193] * 9
FOUND_OVER = [120] * 60 + [*range(120, 180, 2)] + [180] * 5 + [0] * 16 + [195] * 6
STOOD_STILL = [150 + second // 6 for second in range(60)] + [160] * 32 + [191, 192, 193, 192] * 4


@pytest.mark.parametrize(
    ("bpms", "rr", "ends"),
    [
        (HARD_FOR_9_S + [0] * 60, True, 1),  # lost over the limit: counts as there for a while, and is let go at last
        (HARD_FOR_9_S + [193] * 60 + [0] * 20 + [193] * 20, True, 0),  # lost when it was told: not seen is not gone
        (FOUND_OVER, True, 0),  # found over the limit after a gap
        (STOOD_STILL, False, 0),  # found over it after a number that stood still
    ],
)
def test_near_maximum_is_told_in_the_warm_up_exactly_when_a_ride_tells_it(bpms: list[int], rr: bool, ends: int) -> None:
    rows: list[tuple[float, Event]] = []
    for second, bpm in enumerate(bpms, start=1):
        wobble = (-2, 1, 3, -1, -1)[second % 5]
        rrs = (60000 / bpm + wobble,) * round(bpm / 60) if rr and bpm else ()
        rows += [(float(second), Measurement(bpm, rrs, True))] if bpm else []
        rows += [(second + 0.6, Tick())]
    ride, test = in_both(rows, 200, settings.load_alarms())
    assert ride
    assert test == ride
    assert [alarm["on"] for _, alarm in test].count(False) == ends


@pytest.mark.parametrize("seed", range(4))
def test_near_maximum_of_simulated_riders_is_told_in_the_warm_up_exactly_when_a_ride_tells_it(seed: int) -> None:
    ridden = labelled_ride("sprints", 3, seed)
    table = settings.load_alarms()
    low = replace(table, near_max=replace(table.near_max, limit_bpm=0.7 * ridden.hr_max_bpm))
    ride, test = in_both(list(ridden.rows), ridden.hr_max_bpm, low)
    assert ride
    assert test == ride


@pytest.mark.parametrize(("limit_percent", "told"), [(90.0, 1), (94.0, 0)])
def test_the_riders_own_limit_and_sound_hold(limit_percent: float, told: int) -> None:
    table = settings.load_alarms()
    own = (Note(700, 300),)
    table = replace(table, near_max=replace(table.near_max, limit_percent=limit_percent, release_percent=80, sound=own))
    sounds = [effect for _, _, effect in held(table, 184, 700, 790) if isinstance(effect, Sound)]
    assert [sound.notes for sound in sounds if sound.kind == "near_max"] == [own] * told


def test_no_step_is_cued_where_a_ride_would_not_say_lift() -> None:
    """At 93 %, under the limit and over its release."""
    cued = [t_s for t_s, _, e in held(settings.load_alarms(), 186, 670, 800) if isinstance(e, Sound)]
    assert not [t_s for t_s in cued if 705 < t_s < 800]
    assert [t_s for t_s in cued if 640 < t_s < 690]


def test_nothing_pushes_and_near_maximum_is_silent_but_for_its_own_notice() -> None:
    seen: set[str] = set()
    reached: list[bool] = []

    def look(test: MaximalTest) -> None:
        reached.append(test.near_max)
        if test.view().stage != "Safety":
            seen.update(word.lower().strip(".,:!") for text in words(test) for word in text.split())

    done = ride(5, on_step=look)
    assert not seen & {"harder", "faster", "push", "go", "more", "lift", "come"}
    assert any(reached)
    assert {sound.kind for _, _, sound in done.sounds()} == {"test_cue", "near_max"}
    assert len(near(done.effects, "Ramp") + near(done.effects, "Sprint")) == 1


def test_the_sprint_says_that_it_may_be_stopped_and_nothing_that_asks_for_its_length() -> None:
    told: set[tuple[str, ...]] = set()

    def look(test: MaximalTest) -> None:
        if test.view().stage == "Sprint":
            told.add(test.view().lines)

    ride(5, on_step=look)
    assert told == {("Stop whenever you like.", "Stop for pain, dizziness, an odd rhythm.")}


def test_a_set_maximum_far_too_low_silences_the_steps_and_says_that_stopping_is_right() -> None:
    told: set[str] = set()

    def look(test: MaximalTest) -> None:
        if test.near_max and test.view().stage == "Ramp":
            told.update(test.view().lines)
            assert test.view().near_max

    done = ride(6, set_bpm=150, on_step=look)
    assert near(done.effects, "Warm-up")
    first = near(done.effects, "Warm-up")[0]
    # Told in the warm-up, and silent, with the panel inverted, where it is meant to be.
    assert not [sound for t_s, stage, sound in done.sounds() if t_s > first and stage in ("Ramp", "Sprint")]
    assert any("stopping is always right" in line for line in told)


def test_ramp_by_watts_and_by_feel_is_on_the_screen() -> None:
    assert Ramp(80, 20).text(4) == "step 4: 140 W"
    assert "step 4" in Ramp().text(4)


def test_what_is_wrong_is_on_the_page_until_it_is_over() -> None:
    test = MaximalTest(RideFacts(180), settings.load_alarms())
    test.feed(Link("searching", "Put the strap on."), 1.0)
    seen = [test.view().notice]
    for event in (
        Fault("sounder", "No sounder."),
        Fault("storage", "Card full."),
        Fault("storage", "The card works again.", active=False),
        Link("connected"),
        Fault("sounder", "", active=False),
    ):
        test.feed(event, 30.0)
        seen.append(test.view().notice)
    assert seen == ["Put the strap on.", "Put the strap on.", "Card full.", "Put the strap on.", "No sounder.", ""]


def test_with_all_sounds_off_a_test_is_silent_but_for_near_maximum() -> None:
    told = held(quiet(settings.load_alarms()), 195, 100, 250)
    assert {effect.kind for _, _, effect in told if isinstance(effect, Sound)} == {"near_max"}
    assert len(near(told, "Warm-up")) >= 8


def test_links_are_logged_and_nothing_is_answered_after_the_end() -> None:
    test = MaximalTest(RideFacts(180), settings.load_alarms())
    assert Mark(5.0, "link", {"state": "lost"}) in test.feed(Link("lost"), 5.0)
    test.end(6.0)
    assert test.feed(Link("lost"), 6.0) == ()
    assert test.feed(Measurement(120), 7.0) == ()
    assert replace(test.facts).plan == "maximal-test"
