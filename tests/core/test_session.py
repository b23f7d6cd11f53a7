"""The plan and the run through it: every kind of end, and the laws that hold whatever the presses and gaps."""

from __future__ import annotations

from itertools import pairwise
from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.bands import Band, BandError, Scheme, table
from firmware_app.core.session import (
    CUE_S,
    HOLD_S,
    Arrival,
    Ends,
    Plan,
    PlanError,
    PlanRun,
    Step,
    StepChange,
    free_plan,
    near_max_caution,
    parse_arrival,
    warnings,
)

SCHEME = Scheme(
    "plain",
    "percent_of_maximum",
    tuple(Band(n, f"b{n}", low) for n, low in enumerate((0, 60, 65, 75, 82, 89, 94), 1)),
)
BANDS = table(SCHEME, 180)
RECOVER = Ends(300, arrival=parse_arrival("below 65%"))  # 117 of 180 bpm


def plan(*steps: Step) -> Plan:
    return Plan("test", "Test", "to test", "nobody", steps)


def ride(run: PlanRun, until_s: float, hr_bpm: float | None, from_s: float = 0.0) -> list[StepChange]:
    """Four ticks a second, ends included."""
    ticks = range(round(from_s * 4), round(until_s * 4) + 1)
    return [change for tick in ticks for change in run.feed(tick / 4, hr_bpm)]


def moves(changes: list[StepChange]) -> list[tuple[float, int, str]]:
    return [(c.at_s, c.index, c.why) for c in changes if c.why != "cue"]


TWO = plan(Step("one", "3", Ends(60), "a note"), Step("two", "80-90%", Ends(90), round="1 of 2"))


# --- every kind of end --------------------------------------------------------------------------------------------


def test_a_step_ends_by_time_exactly_although_the_tick_comes_late() -> None:
    run = PlanRun(TWO, BANDS)
    run.feed(0.13, 120)
    (change,) = run.feed(60.2, 120)
    assert change == StepChange(60.0, 1, "two", "1 of 2", run.targets[1], "time")
    assert moves(list(run.feed(150.1, 120))) == [(150.0, 2, "end")]
    assert run.finished
    assert run.now.target is None


def test_a_gap_over_several_steps_moves_through_every_one_of_them() -> None:
    run = PlanRun(TWO, BANDS)
    assert [(c.at_s, c.index, c.why) for c in run.feed(500, 120)] == [(0, 0, "start"), (60, 1, "time"), (150, 2, "end")]


def test_only_a_step_that_a_key_ends_is_ended_by_the_key() -> None:
    run = PlanRun(plan(Step("climb", None, Ends(600, press=True)), Step("down", None, Ends(60))), BANDS)
    ride(run, 10, 120)
    assert moves(list(run.press(10))) == [(10, 1, "press")]
    assert run.press(20) == ()
    assert run.now.index == 1


def test_a_key_step_ends_by_its_limit_when_nobody_presses() -> None:
    run = PlanRun(plan(Step("climb", None, Ends(60, press=True)), Step("down", None, Ends(60))), BANDS)
    assert (60, 1, "time") in moves(ride(run, 70, 120))


@pytest.mark.parametrize(("until", "there", "not_there"), [("below 65%", 117.4, 117.6), ("above 150bpm", 149.5, 149.4)])
def test_the_heart_arrives_when_the_shown_number_has_been_there_for_a_while(
    until: str, there: float, not_there: float
) -> None:
    run = PlanRun(plan(Step("wait", None, Ends(300, arrival=parse_arrival(until))), Step("go", "3", Ends(60))), BANDS)
    assert moves(ride(run, 100, not_there)) == [(0, 0, "start")]
    # One stray moment is not an arrival.
    ride(run, 102, there, 100.25)
    ride(run, 103, not_there, 102.25)
    changes = ride(run, 120, there, 103.25)
    assert moves(changes) == [(103.25 + HOLD_S, 1, "arrived")]


def test_the_time_limit_ends_a_step_whose_heart_never_arrives() -> None:
    run = PlanRun(plan(Step("rest", None, RECOVER), Step("go", "3", Ends(60))), BANDS)
    assert moves(ride(run, 301, 140)) == [(0, 0, "start"), (300, 1, "time")]


@pytest.mark.parametrize("lost", [None, float("nan")])
def test_no_heart_rate_never_counts_as_arrived_and_forgets_that_it_was_there(lost: float | None) -> None:
    run = PlanRun(plan(Step("rest", None, RECOVER), Step("go", "3", Ends(60))), BANDS)
    ride(run, 10, 140)
    ride(run, 13, 110, 10.25)
    assert moves(ride(run, 200, lost, 13.25)) == []
    assert moves(ride(run, 202, 110, 200.25)) == []
    assert moves(ride(run, 206, 110, 202.25)) == [(200.25 + HOLD_S, 1, "arrived")]


def test_a_strap_lost_across_a_step_change_does_not_hold_the_plan_up() -> None:
    run = PlanRun(TWO, BANDS)
    ride(run, 50, 120)
    assert moves(ride(run, 80, None, 50.25)) == [(60, 1, "time")]
    assert run.now.target == run.targets[1]


def test_a_pause_in_the_middle_of_a_step_costs_it_nothing() -> None:
    run = PlanRun(TWO, BANDS)
    ride(run, 30, 120)
    for _ in range(1000):  # the ridden time stands still
        assert run.feed(30, 80) == ()
    assert run.now.left_s == 30
    assert moves(ride(run, 61, 120, 30.25)) == [(60, 1, "time")]


# --- cues, and what the rider may do ------------------------------------------------------------------------------


def test_a_change_by_time_is_announced_once_and_names_what_comes() -> None:
    cues = [c for c in ride(PlanRun(TWO, BANDS), 160, 120) if c.why == "cue"]
    assert [(c.at_s, c.index, c.name) for c in cues] == [(60 - CUE_S, 1, "two"), (150 - CUE_S, 2, "")]


def test_an_arriving_heart_is_announced_too() -> None:
    run = PlanRun(plan(Step("rest", None, RECOVER), Step("go", "3", Ends(60))), BANDS)
    changes = [*ride(run, 10, 140), *ride(run, 20, 110, 10.25)]
    assert [(c.at_s, c.why) for c in changes[1:]] == [(10.25, "cue"), (10.25 + HOLD_S, "arrived")]


def test_a_heart_that_is_there_when_its_step_begins_is_not_announced_at_the_same_moment() -> None:
    """The change sounds already."""
    run = PlanRun(plan(Step("work", "3", Ends(60)), Step("rest", None, RECOVER), Step("go", "3", Ends(60))), BANDS)
    changes = ride(run, 70, 110)
    assert [(c.at_s, c.why) for c in changes[1:]] == [(60 - CUE_S, "cue"), (60, "time"), (60 + HOLD_S, "arrived")]


def test_a_step_too_short_for_a_cue_has_none() -> None:
    run = PlanRun(plan(Step("burst", None, Ends(8)), Step("go", "3", Ends(60))), BANDS)
    assert [c.why for c in ride(run, 20, 120)] == ["start", "time"]


def test_an_extended_step_is_longer_and_announced_again() -> None:
    run = PlanRun(TWO, BANDS)
    ride(run, 58, 120)
    assert run.extend(58) == ()
    changes = ride(run, 121, 120, 58.25)
    assert [(c.at_s, c.why) for c in changes] == [(115, "cue"), (120, "time")]


def test_skip_and_back() -> None:
    run = PlanRun(TWO, BANDS)
    ride(run, 20, 120)
    assert moves(list(run.skip(20))) == [(20, 1, "skip")]
    assert moves(list(run.back(30))) == [(30, 0, "back")]
    assert run.now.left_s == 60
    assert moves(list(run.back(40))) == [(40, 0, "back")]
    assert moves(list(run.skip(41)) + list(run.skip(42))) == [(41, 1, "skip"), (42, 2, "end")]
    assert run.skip(43) == ()
    assert run.extend(43) == ()
    assert moves(list(run.back(44))) == [(44, 1, "back")]


def test_a_double_press_ends_one_step_and_not_two() -> None:
    key = Ends(60, press=True)
    run = PlanRun(plan(Step("a", None, key), Step("b", None, key), Step("c", None, key)), BANDS)
    run.feed(0.0, None)
    assert moves(list(run.press(10.0))) == [(10, 1, "press")]
    assert run.press(10.4) == ()
    assert moves(list(run.press(11.5))) == [(11.5, 2, "press")]


def test_a_key_press_meant_for_the_step_that_just_ended_does_nothing() -> None:
    key = Ends(60, press=True)
    run = PlanRun(plan(Step("a", None, key), Step("b", None, key), Step("c", "6", key)), BANDS)
    ride(run, 59.75, 120)
    assert moves(list(run.press(60.1))) == [(60, 1, "time")]
    assert run.press(60.9) == ()
    assert moves(list(run.press(61.5))) == [(61.5, 2, "press")]


def test_a_rest_gone_back_to_does_not_end_at_once_for_a_heart_that_is_still_low() -> None:
    run = PlanRun(plan(Step("rest", None, RECOVER), Step("go", "3", Ends(60))), BANDS)
    ride(run, 10, 140)
    ride(run, 20, 110, 10.25)
    run.back(20)
    assert moves(ride(run, 100, 110, 20.25)) == []
    ride(run, 110, 125, 100.25)
    assert moves(ride(run, 120, 110, 110.25)) == [(115.25, 1, "arrived")]


# --- what the panel is told ---------------------------------------------------------------------------------------


def test_now_tells_the_step_what_is_left_and_what_comes_next() -> None:
    run = PlanRun(TWO, BANDS)
    ride(run, 20.25, 120)
    now = run.now
    assert (now.name, now.left, now.after, now.note) == ("one", "0:40", "two 144-162", "a note")
    run.skip(21)
    assert (run.now.round, run.now.after) == ("1 of 2", "end")


def test_left_tells_what_the_step_waits_for_and_counts_its_last_minute() -> None:
    run = PlanRun(plan(Step("rest", None, RECOVER), Step("climb", "1", Ends(4000, press=True))), BANDS)
    run.feed(0, 140)
    assert (run.now.left, run.now.after) == ("until 117 bpm", "climb under 108")
    run.feed(250, 140)
    assert run.now.left == "0:50"
    run.feed(300, 140)
    assert run.now.left == "press"


def test_a_free_ride_has_its_lane_and_no_end() -> None:
    run = PlanRun(free_plan("70-80%"), BANDS)
    assert moves(ride(run, 30, 120)) == [(0, 0, "start")]
    for act in (run.press, run.skip, run.back, run.extend):
        assert act(1e6) == ()
    now = run.now
    assert (now.target, now.left_s, now.left, now.after, run.finished) == (run.targets[0], None, "", "", False)
    assert PlanRun(free_plan(None), BANDS).now.target is None


def test_lanes_and_arrivals_in_bands_and_percent_move_with_the_maximum() -> None:
    steps = plan(Step("a", "3", Ends(60)), Step("b", "130-140bpm", Ends(60)), Step("c", None, RECOVER))
    low, high = PlanRun(steps, table(SCHEME, 160)), PlanRun(steps, table(SCHEME, 200))
    assert [(t.low_bpm, t.high_bpm) for t in low.targets if t] == [(104, 120), (130, 140)]
    assert [(t.low_bpm, t.high_bpm) for t in high.targets if t] == [(130, 150), (130, 140)]
    low.feed(130, None)
    high.feed(130, None)
    assert (low.now.left, high.now.left) == ("until 104 bpm", "until 130 bpm")


# --- plans that cannot be -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "steps",
    [
        (),
        (Step("a", None, Ends(60)), Step("b", None, Ends(press=True))),
        (Step("a", None, Ends(arrival=parse_arrival("below 60%"))),),
        (Step("a", None, Ends(0)),),
        (Step("a", None, Ends(float("nan"))),),
    ],
)
def test_a_plan_that_would_not_end_cannot_be_made(steps: tuple[Step, ...]) -> None:
    with pytest.raises(PlanError):
        plan(*steps)


@pytest.mark.parametrize(
    "step",
    [
        Step("odd", "9", Ends(60)),
        Step("odd", "150-190bpm", Ends(60)),
        Step("odd", None, Ends(60, arrival=parse_arrival("above 180bpm"))),
        Step("odd", None, Ends(60, arrival=parse_arrival("below 20%"))),
    ],
)
def test_a_step_that_does_not_fit_the_rider_is_refused_by_name(step: Step) -> None:
    with pytest.raises(BandError, match="odd"):
        PlanRun(plan(step), BANDS)


@pytest.mark.parametrize("text", ["65%", "under 65%", "below", "below -5%", "above 150"])
def test_an_arrival_that_cannot_be_read_says_how_to_write_it(text: str) -> None:
    with pytest.raises(PlanError, match="below 65%"):
        parse_arrival(text)


def test_a_step_in_which_the_heart_cannot_arrive_is_said_so_once_with_the_cure() -> None:
    short = [Step("burst", "6", Ends(60)), Step("rest", None, Ends(20, arrival=parse_arrival("below 60%")))] * 3
    found = warnings(plan(Step("warm", "3", Ends(600)), *short), BANDS)
    assert len(found) == 2
    assert found[0].startswith("burst:")
    assert "by feel" in found[0]
    assert "rise to 160 bpm" in found[0]
    assert found[1].startswith("rest:")
    assert "fall to 108 bpm" in found[1]


def test_the_cure_cures() -> None:
    def warned(time_s: float) -> tuple[str, ...]:
        return warnings(plan(Step("warm", "3", Ends(600)), Step("burst", "6", Ends(time_s))), BANDS)

    (text,) = warned(60)
    minutes = int(text.split("give it ")[1].split(" min")[0])
    assert warned(minutes * 60) == ()


def test_the_warning_begins_where_the_published_heart_just_misses_its_lane() -> None:
    # From half of 180 bpm; band 3 is 117-135 and the rider settles 9 bpm inside: dead time and tau x ln(36 / 9).
    needs_s = 15.0 + 68.7 * log(36 / 9)
    assert warnings(plan(Step("go", "3", Ends(needs_s + 1))), BANDS) == ()
    assert len(warnings(plan(Step("go", "3", Ends(needs_s - 1))), BANDS)) == 1


def test_a_long_step_near_the_maximum_is_warned_of() -> None:
    (text,) = warnings(plan(Step("top", "7", Ends(600))), BANDS)
    assert "near the maximum" in text


@pytest.mark.parametrize("rise", [None, parse_arrival("above 178bpm")])
def test_no_cure_asks_for_more_time_near_the_maximum(rise: Arrival | None) -> None:
    (text,) = warnings(plan(Step("top", None if rise else "95-100%", Ends(50, arrival=rise))), BANDS)
    assert "choose a lower one" in text
    assert "min" not in text


def test_an_arrival_near_the_maximum_is_named_as_a_lane_there_is() -> None:
    def said(until: str) -> str:
        return near_max_caution(plan(Step("rise", "5", Ends(600, arrival=parse_arrival(until)))), BANDS, 169.2)

    assert "rise (up to 169 bpm)" in said("above 169bpm")
    assert said("above 168bpm") == said("below 175bpm") == ""


def test_a_lane_or_an_arrival_that_reaches_a_lower_limit_of_the_riders_is_named() -> None:
    # 76 % of 180 bpm is 137: band 3 ends at 135, and 82 % is 148.
    steady, rise = Step("steady", "3", Ends(600)), Step("rise", None, Ends(600, arrival=parse_arrival("above 140bpm")))
    hard, down = Step("hard", "75-82%", Ends(300)), Step("down", None, Ends(300, arrival=parse_arrival("below 140bpm")))
    said = near_max_caution(plan(steady, hard, down, rise, hard), BANDS, 136.8)
    assert "137 bpm" in said
    assert "hard (up to 148 bpm), rise (up to 140 bpm);" in said
    assert "the lane (up to 137 bpm)" in near_max_caution(free_plan("120-137bpm"), BANDS, 136.8)
    assert near_max_caution(free_plan("120-136bpm"), BANDS, 136.8) == ""


@pytest.mark.parametrize(
    ("lane", "lies_there"), [("7", True), ("160-178bpm", True), ("160-176bpm", False), ("6", False)]
)
def test_a_lane_with_its_middle_near_maximum_is_named(lane: str, lies_there: bool) -> None:
    said = near_max_caution(free_plan(lane), BANDS, 169.2)
    assert ("near maximum begins at 169 bpm" in said) == lies_there
    long = warnings(plan(Step("top", lane, Ends(900))), BANDS)
    assert any("is near the maximum" in text for text in long) == lies_there


# --- laws ---------------------------------------------------------------------------------------------------------

ends = st.builds(
    Ends,
    st.floats(0.5, 400),
    st.booleans(),
    st.none() | st.sampled_from([parse_arrival(text) for text in ("below 65%", "above 150bpm", "above 100bpm")]),
)
lanes = st.sampled_from([None, "1", "3-4", "80-90%"])
steps = st.lists(st.builds(Step, st.just("s"), lanes, ends), min_size=1, max_size=6)
hearts = st.none() | st.floats(60, 180)
acts = st.tuples(
    st.sampled_from(["feed", "feed", "feed", "press", "skip", "back", "extend"]),
    st.sampled_from([0.0, 0.25, 0.25, 1.0, 7.3, 60.0, 900.0, -5.0]),
    hearts,
)


@given(steps, st.lists(acts, max_size=60))
def test_whatever_the_presses_and_gaps_the_plan_ends_no_step_is_lost_and_times_add_up(
    written: list[Step], walk: list[tuple[str, float, float | None]]
) -> None:
    run = PlanRun(plan(*written), BANDS)
    t_s = latest_s = 0.0
    seen: list[StepChange] = []
    extended_s = 0.0
    for act, wait_s, hr_bpm in walk:
        t_s = max(0.0, t_s + wait_s)
        latest_s = max(latest_s, t_s)
        found = run.feed(t_s, hr_bpm) if act == "feed" else getattr(run, act)(t_s)
        extended_s += 60.0 if act == "extend" and not run.finished else 0.0
        done = [c for c in found if c.why != "cue"]
        for change in done:
            ends_of = written[seen[-1].index].ends if seen and seen[-1].index < len(written) else Ends()
            assert change.why != "press" or (ends_of.press and act == "press")
            assert change.why != "skip" or act == "skip"
            assert change.why != "arrived" or (ends_of.arrival and act == "feed" and hr_bpm is not None)
            seen.append(change)
        assert all(c.index == run.now.index + 1 for c in found if c.why == "cue")
        assert run.now.index == seen[-1].index
        assert run.finished == (run.now.index == len(written))
        assert run.now.left_s is None or run.now.left_s >= 0

    found = run.feed(latest_s + sum(s.ends.time_s or 0 for s in written) + extended_s + 1e-6, None)
    seen += [c for c in found if c.why != "cue"]
    assert run.finished

    assert (seen[0].at_s, seen[0].index, seen[0].why) == (0, 0, "start")
    for one, two in pairwise(seen):
        # Every step begins exactly where the one before ends, so the times add up; only "back" returns.
        assert two.at_s >= one.at_s
        assert two.index == (max(one.index - 1, 0) if two.why == "back" else one.index + 1)
        if one.index < len(written):
            longest_s = (written[one.index].ends.time_s or 0) + extended_s
            assert two.at_s - one.at_s <= longest_s + 1e-6
    assert seen[-1].why == "end"
    if not any(c.why == "back" for c in seen):
        assert [c.index for c in seen] == list(range(len(written) + 1))


@given(steps, st.lists(st.floats(0.01, 200), max_size=30))
def test_a_plan_without_a_heart_runs_the_same_however_often_it_is_fed(written: list[Step], waits: list[float]) -> None:
    often, once = PlanRun(plan(*written), BANDS), PlanRun(plan(*written), BANDS)
    t_s = 0.0
    seen: list[StepChange] = []
    for wait_s in waits:
        t_s += wait_s
        seen += often.feed(t_s, None)
    assert moves(seen or list(often.feed(t_s, None))) == moves(list(once.feed(t_s, None)))
    assert often.now == once.now
