"""What each step was: a ride through a plan with a pause, a gap and a recovery, worked out by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.events import Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, RideRecord, record_of
from firmware_app.core.steps import step_results


def step(t_s: float, index: int, name: str, low_bpm: int | None, high_bpm: int | None, why: str = "time") -> list[Mark]:
    return [
        Mark(t_s, "step", {"index": index, "name": name, "round": "", "why": why}),
        Mark(t_s, "target", {"low_bpm": low_bpm, "high_bpm": high_bpm, "text": ""}),
    ]


def record(bpm: list[float | None], marks: list[Mark]) -> RideRecord:
    """One trusted value a second from 0."""
    samples = [Sample(float(t), Measurement(hr_bpm=None if b is None else round(b)), b, 1.0) for t, b in enumerate(bpm)]
    return record_of(RideFacts(hr_max_bpm=180), samples, marks, float(len(bpm)))


def test_a_session_step_by_step() -> None:
    warm = [110.0] * 100
    hard = [120.0] * 60 + [155.0] * 30 + [165.0] * 10  # lane 150-160: a minute under it, ten seconds over
    rest = [165.0 - t / 2 for t in range(100)]
    marks = [
        *step(0, 0, "Warm up", 100, 120, "start"),
        *step(100, 1, "Hard", 150, 160),
        *step(200, 2, "Rest", None, None),
        *step(260, 3, "", None, None, "end"),
    ]
    first, second, third, after = step_results(record(warm + hard + rest, marks))
    assert (first.in_target_s, first.arrived_s, first.fall_bpm) == (100, 0, None)
    assert (second.below_s, second.in_target_s, second.above_s, second.unknown_s) == (60, 30, 10, 0)
    assert (second.low_bpm, second.high_bpm, second.arrived_s, second.peak_bpm) == (150, 160, 60, 165)
    assert second.fall_bpm == 30  # 165 at its end, 135 a minute later
    assert (third.low_bpm, third.no_target_s, third.arrived_s, third.why) == (None, 60, None, "time")
    assert (after.index, after.why, after.began_s, after.ended_s) == (3, "end", 260, 300)


def test_a_pause_is_not_ridden_and_a_gap_is_unknown() -> None:
    bpm: list[float | None] = [120.0] * 100
    bpm[50:80] = [None] * 30
    marks = [*step(0, 0, "Ride", 110, 130), Mark(10, "pause", {}), Mark(30, "resume", {})]
    (result,) = step_results(record(bpm, marks))
    # A value that is known to be missing is unknown at once; only silence is bridged, for five seconds.
    assert (result.ridden_s, result.in_target_s, result.unknown_s) == (80, 50, 30)


def test_a_pause_before_the_arrival_does_not_count_as_time_to_arrive() -> None:
    marks = [*step(0, 0, "Ride", 130, 140), Mark(10, "pause", {}), Mark(40, "resume", {})]
    (result,) = step_results(record([120.0] * 60 + [135.0] * 20, marks))
    assert result.arrived_s == 30


def test_no_recovery_is_told_where_another_hard_step_follows_or_the_minute_is_not_whole() -> None:
    bpm: list[float | None] = [160.0] * 260
    on = [*step(0, 0, "one", 150, 170), *step(100, 1, "two", 155, 165), *step(210, 2, "rest", None, None)]
    assert [r.fall_bpm for r in step_results(record(bpm, on))] == [None, None, None]


def test_the_fall_after_an_easy_step_is_no_recovery() -> None:
    marks = [*step(0, 0, "easy", 110, 130), *step(50, 1, "rest", None, None)]
    assert step_results(record([120.0] * 50 + [90.0] * 100, marks))[0].fall_bpm is None


def test_the_stages_of_an_older_maximal_test_have_no_round() -> None:
    old = Mark(0, "step", {"index": 0, "name": "warm_up", "round": 0, "why": ""})
    (result,) = step_results(record([120.0] * 10, [old]))
    assert (result.name, result.round) == ("warm_up", "")


def test_a_ride_without_steps_has_none() -> None:
    assert step_results(record([120.0] * 10, [])) == ()
    assert step_results(record([], step(0, 0, "Ride", 110, 130))) == ()


@given(
    st.lists(st.none() | st.floats(60, 190), max_size=120),
    st.lists(st.tuples(st.floats(0, 130), st.sampled_from(["step", "free", "pause", "resume"])), max_size=15),
)
def test_the_parts_of_every_step_add_up_and_the_steps_add_up_to_the_ride(
    bpm: list[float | None], happened: list[tuple[float, str]]
) -> None:
    marks = step(0, 0, "s", 110, 130, "start")
    for t_s, kind in sorted(happened):
        lane = (100, 140) if kind == "step" else (None, None)
        marks += [Mark(t_s, kind, {})] if kind in ("pause", "resume") else step(t_s, 1, "s", *lane)
    results = step_results(record(bpm, marks))
    for r in results:
        parts_s = r.in_target_s + r.above_s + r.below_s + r.no_target_s + r.unknown_s
        assert parts_s == pytest.approx(r.ridden_s)
        assert r.ridden_s <= r.ended_s - r.began_s + 1e-9
        assert r.arrived_s is None or r.arrived_s + r.in_target_s <= r.ridden_s + 1e-9
    assert sum(r.ended_s - r.began_s for r in results) == pytest.approx(len(bpm))
