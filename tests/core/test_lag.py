"""Heart-rate lag: an excuse for a heart on its way, none for one that is not."""

from __future__ import annotations

from collections.abc import Callable
from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.bands import Target
from firmware_app.core.lag import DEAD_S, SLOW_DEAD_S, TAU_RANGE_S, TAU_S, LagModel, arrival_s, course

Heart = Callable[[float], float]
LANE = Target(160, 170, "")
EASY = Target(0, 125, "")


def heart(
    start_bpm: float, goal_bpm: float, tau_s: float = TAU_S, dead_s: float = DEAD_S, idle_s: float = 0.0
) -> Heart:
    """A first-order heart whose rider sets out ``idle_s`` after the lane has moved."""
    return lambda t_s: goal_bpm + (start_bpm - goal_bpm) * exp(-max(0.0, t_s - dead_s - idle_s) / tau_s)


def scolded(model: LagModel, lane: Target, bpm: Heart, from_s: float = 0.0, for_s: int = 300) -> list[float]:
    """The seconds outside the lane at which the model has no excuse, after a minute at the start and a move."""
    for t_s in range(-60, 1):
        model.feed(from_s + t_s, bpm(0.0))
    model.aim(from_s, lane)
    bare = []
    for t_s in range(1, for_s):
        model.feed(from_s + t_s, round(bpm(float(t_s))))
        if course(round(bpm(float(t_s))), lane) and not model.on_its_way(from_s + t_s):
            bare.append(float(t_s))
    return bare


def test_a_typical_heart_on_its_way_is_never_scolded_up_or_down() -> None:
    assert scolded(LagModel(), LANE, heart(120, 165)) == []
    assert scolded(LagModel(), EASY, heart(170, 115)) == []


@pytest.mark.parametrize(("start_bpm", "lane"), [(120, LANE), (170, EASY)])
def test_a_heart_that_does_not_move_is_scolded_soon_and_for_good(start_bpm: float, lane: Target) -> None:
    bare = scolded(LagModel(), lane, lambda t_s: start_bpm)
    assert SLOW_DEAD_S <= bare[0] < SLOW_DEAD_S + 15
    assert len(bare) == 300 - bare[0]


def test_a_heart_that_settles_halfway_is_scolded_long_before_the_step_is_over() -> None:
    assert scolded(LagModel(), LANE, heart(120, 140))[0] < 75


def test_a_late_start_is_scolded_until_the_heart_moves() -> None:
    bare = scolded(LagModel(), LANE, heart(120, 167, idle_s=90))
    assert bare[0] < SLOW_DEAD_S + 15
    assert bare[-1] < 90 + DEAD_S + 20


def test_a_heart_inside_its_lane_or_without_one_needs_no_excuse() -> None:
    model = LagModel()
    assert not model.on_its_way(0)
    model.feed(0, 165)
    model.aim(0, LANE)
    assert not model.on_its_way(0)
    model.aim(1, None)
    model.feed(2, 100)
    assert not model.on_its_way(2)
    assert arrival_s(165, LANE) == 0


def test_a_heart_that_is_just_outside_when_the_lane_moves_has_its_time_from_that_moment() -> None:
    model = LagModel()
    for t_s in range(20):
        model.feed(t_s, 163)
    model.feed(20, 159)  # its running mean is still inside
    model.aim(20, LANE)
    assert model.on_its_way(20)


def test_a_heart_that_climbs_over_its_lane_after_a_step_up_has_no_excuse() -> None:
    """The excuse is for the way in; an overshoot is an overshoot."""
    model = LagModel()
    assert 90 in scolded(model, LANE, heart(150, 185, tau_s=40), for_s=120)


def test_a_heart_that_touches_the_edge_may_waver_there_but_not_turn_back() -> None:
    def then(after_bpm: float) -> list[float]:
        quick = heart(120, 170, tau_s=30)
        return scolded(LagModel(), LANE, lambda t_s: quick(t_s) if t_s < 80 else after_bpm, for_s=140)

    assert then(158) == []
    assert then(150)[0] < 90


@given(out_bpm=st.floats(4, 20), dip_s=st.integers(2, 12), up_bpm_s=st.floats(0.4, 3.0))
def test_a_heart_that_came_back_and_turns_out_again_has_no_excuse(out_bpm: float, dip_s: int, up_bpm_s: float) -> None:
    model = LagModel()
    model.aim(0, LANE)
    over = [170 + out_bpm] * 60
    back = [over[-1] - 1.5 * s for s in range(int(out_bpm / 1.5) + 1)]
    before = [165.0] * 120 + over + back  # long past the way in, then over the lane
    dip = [169 - 0.2 * s for s in range(dip_s)]
    again = [dip[-1] + up_bpm_s * s for s in range(1, 20)]
    for t_s, bpm in enumerate([*before, *dip, *again]):
        model.feed(t_s, bpm)
        turned_s = t_s - len(before) - dip_s
        assert turned_s < 8 or bpm <= 170 or not model.on_its_way(t_s)


def after_a_move(before: Target | None, lane: Target, bpm: Heart, for_s: int = 120) -> list[float]:
    """As ``scolded``, after a minute in another lane; where it is the same one, the ride goes on after a pause."""
    model = LagModel()
    model.aim(-60, before)
    return scolded(model, lane, bpm, for_s=for_s)


def test_a_heart_on_the_edge_of_the_new_lane_answers_to_the_work_before_for_the_dead_time() -> None:
    """The middle of the old lane lies under the new one; the heart is inside it by chance, and leaves it at once."""

    def swing(t_s: float) -> float:
        return 160.5 if t_s <= 2 else max(160 - 0.3 * t_s, 154.0) if t_s < 25 else min(154 + 0.3 * (t_s - 25), 165.0)

    assert after_a_move(Target(150, 160, ""), LANE, swing) == []
    assert after_a_move(None, LANE, swing) == []


def test_a_heart_that_stays_out_after_the_dead_time_has_no_excuse_for_having_been_inside() -> None:
    assert after_a_move(Target(150, 160, ""), LANE, lambda t_s: 160.5 if t_s <= 2 else 154.0)[0] < SLOW_DEAD_S + 35


def test_a_heart_that_fell_while_the_rider_stood_has_its_time_from_where_it_fell_to() -> None:
    """A traffic light: the heart falls on for some seconds when the legs turn again, and then comes back honestly."""

    def light(t_s: float) -> float:
        return 158 - 0.5 * t_s if t_s < 15 else 165 - 14.5 * exp(-(t_s - 15) / TAU_S)

    assert after_a_move(LANE, LANE, light) == []


@pytest.mark.parametrize("before", [LANE, Target(150, 165, "")])
def test_a_heart_that_leaves_upward_after_a_pause_or_a_step_up_has_no_excuse(before: Target) -> None:
    """Neither standing nor the work in a lower lane leads a heart up."""
    bare = after_a_move(before, LANE, lambda t_s: 165 + 0.5 * t_s, for_s=60)
    assert bare[0] == 12.0  # the whole beat over the lane


def test_a_heart_that_leaves_upward_after_the_start_has_no_excuse() -> None:
    assert scolded(LagModel(), LANE, lambda t_s: 165 + 0.5 * t_s, for_s=60)[0] == 12.0


def test_a_heart_that_has_just_come_in_is_still_on_its_way_and_one_that_stayed_is_not() -> None:
    model = LagModel()
    honest = heart(120, 165)
    scolded(model, LANE, honest, for_s=150)
    inside = []
    for t_s in range(150, 190):
        model.feed(t_s, honest(t_s))
        if honest(t_s) >= LANE.low_bpm:
            inside.append(model.on_its_way(t_s))
    assert inside[:3] == [True] * 3
    assert inside[5:] == [False] * len(inside[5:])


def test_what_nobody_saw_is_no_time_in_the_lane() -> None:
    model = LagModel()
    model.feed(0, 120)
    model.aim(0, LANE)
    for t_s, arrived in ((40, False), (60, False), (62, False), (66, True)):
        model.feed(t_s, 161)
        assert model.arrived == arrived


def test_a_heart_that_swings_over_the_edge_has_not_arrived_yet() -> None:
    """An honest heart on its last beats to the lane is over the edge for a moment, and under it again for a while."""

    honest = heart(120, 165)

    def swinging(t_s: float) -> float:
        return honest(t_s) + (5 if 125 <= t_s < 128 else -2 if t_s >= 128 else 0)

    assert swinging(126) >= 160 > 157.5 > swinging(128)
    assert scolded(LagModel(), LANE, swinging, for_s=150) == []


def test_a_heart_that_goes_on_rising_after_a_step_down_is_excused_for_the_dead_time_only() -> None:
    bare = scolded(LagModel(), EASY, lambda t_s: 160 + 0.2 * t_s)
    assert bare == [float(t_s) for t_s in range(int(bare[0]), 300)]
    assert bare[0] < SLOW_DEAD_S + 10


def test_the_time_constant_moves_with_the_rides_own_answers_and_each_way_apart() -> None:
    model = LagModel()
    for turn in range(8):
        scolded(model, LANE, heart(120, 165, tau_s=45), from_s=turn * 1000.0)
    assert model.tau_s(1) == pytest.approx(45, abs=8)
    assert model.tau_s(-1) == TAU_S


def test_a_lazy_rider_does_not_teach_the_model_to_wait() -> None:
    model = LagModel()
    for turn in range(8):
        scolded(model, LANE, heart(120, 166, idle_s=150), from_s=turn * 1000.0, for_s=600)
    assert model.tau_s(1) == TAU_S


def test_a_lane_that_moved_without_a_signal_gives_the_whole_time_from_its_return_and_teaches_nothing() -> None:
    model = LagModel()
    model.feed(0, 120)
    model.aim(100, LANE)
    bpm = heart(120, 165)
    for t_s in range(160, 460):
        value = round(bpm(t_s - 160))
        model.feed(t_s, value)
        assert model.on_its_way(t_s) or not course(value, LANE)
    assert model.tau_s(1) == TAU_S


def test_missing_heart_rates_are_passed_over() -> None:
    one, other = LagModel(), LagModel()
    for model in (one, other):
        model.feed(0, 120)
        model.aim(0, LANE)
    for t_s in range(1, 60):
        one.feed(t_s, 120 + t_s / 2)
        other.feed(t_s, 120 + t_s / 2)
        other.feed(t_s + 0.5, None)
        other.feed(t_s + 0.5, float("nan"))
        assert one.on_its_way(t_s) == other.on_its_way(t_s)


@given(st.floats(60, 200), st.integers(60, 180), st.integers(1, 40))
def test_the_typical_arrival_is_on_the_edge_and_grows_with_the_way(hr_bpm: float, low_bpm: int, width_bpm: int) -> None:
    lane = Target(low_bpm, low_bpm + width_bpm, "")
    assert arrival_s(hr_bpm, lane) >= 0
    way = course(hr_bpm, lane)
    if way is not None:
        further = hr_bpm - 5 * way.way
        assert arrival_s(further, lane) > arrival_s(hr_bpm, lane)
        assert way.bpm(arrival_s(hr_bpm, lane), TAU_S, DEAD_S) == pytest.approx(way.edge_bpm)


lanes = st.sampled_from([None, LANE, EASY])


@given(st.lists(st.tuples(st.floats(0, 30), st.none() | st.floats(20, 250), lanes), max_size=80))
def test_whatever_is_fed_the_time_constants_stay_within_their_published_bounds(
    walk: list[tuple[float, float | None, Target | None]],
) -> None:
    model = LagModel()
    t_s = 0.0
    for wait_s, hr_bpm, lane in walk:
        t_s += wait_s
        if lane is not None:
            model.aim(t_s, lane)
        model.feed(t_s, hr_bpm)
        model.on_its_way(t_s)
        for way in (1, -1):
            assert TAU_RANGE_S[0] <= model.tau_s(way) <= TAU_RANGE_S[1]  # type: ignore[arg-type]
