"""The rules of the bench for plans, on rides made by hand; what its riders do; and its command."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from firmware_app.core.lag import LagModel
from firmware_app.core.measurement import Measurement
from sim.bench.__main__ import main
from sim.bench.plan import PlanRide, Score, names, plan_ride, score, score_ride
from sim.rider import STEP_S
from sim.strap import Episode

LANE = (120, 140)
Points = tuple[tuple[float, float], ...]


def ride(bpm: Points, settles: Points, *sounds: tuple[float, str], again: float = -1.0) -> PlanRide:
    """300 s in a lane from 120 to 140 bpm, maximum 200, through these (t_s, bpm). again: which sound is a reminder."""
    t_s = np.arange(0, 300, STEP_S)
    latent, settling = (np.interp(t_s, [t for t, _ in points], [b for _, b in points]) for points in (bpm, settles))
    return PlanRide(
        hr_max_bpm=200,
        rows=[(float(t), Measurement(round(float(latent[int(t / STEP_S)])))) for t in range(300)],
        t_s=t_s,
        latent_bpm=latent,
        settles_bpm=settling,
        lanes=[(0.0, 300.0, LANE)],
        paused=[],
        sounds=[(at_s, kind, at_s == again) for at_s, kind in sounds],
        changes_s=[],
    )


STAYS = ((0, 100), (300, 100))
COMES = ((0, 100), (40, 100), (140, 130), (300, 130))
IN_TIME = ((0, 100), (10, 100), (10.25, 130), (300, 130))


@pytest.mark.parametrize(
    ("t_s", "scolds", "early", "delays_s"),
    [(20, 1, 0, [0.0]), (35, 0, 1, [0.0]), (50, 0, 0, [10.25]), (290, 0, 0, [250.25])],
)
def test_a_heart_that_stays_is_late_from_where_the_slowest_honest_one_has_left_it(
    t_s: float, scolds: int, early: int, delays_s: list[float]
) -> None:
    """Slowest: 30 s, then 30 bpm to go with 111.7 s; 2.5 bpm of them are gone after 9.7 s."""
    found = score_ride(ride(STAYS, STAYS, (t_s, "below_target")))
    assert (found.ways, found.scolds, found.early, found.lates, found.missed) == (1, scolds, early, 1, 0)
    assert found.delays_s == delays_s


def test_a_late_heart_that_nobody_told_is_missed_and_the_other_side_is_no_telling() -> None:
    assert score_ride(ride(STAYS, STAYS)).missed == 1
    assert score_ride(ride(STAYS, STAYS, (60, "above_target"))).missed == 1


def test_a_late_heart_is_hidden_when_a_fault_lay_over_its_way() -> None:
    told = ride(STAYS, STAYS, (50, "below_target"))
    assert score_ride(told).seen_delays_s == [10.25]
    assert score_ride(replace(told, episodes=[Episode("stuck", 10, 20, 0.5)])).seen_delays_s == []
    assert score_ride(replace(told, episodes=[Episode("stuck", 60, 70, 0.5)])).seen_delays_s == [10.25]


def test_a_rider_who_set_out_in_time_is_honest_however_slow_the_heart_is() -> None:
    slow = ((0, 100), (40, 100), (240, 130), (300, 130))
    found = score_ride(ride(slow, IN_TIME, (36, "below_target"), (100, "below_target")))
    assert (found.scolds, found.seen_scolds, found.behind, found.lates) == (2, 2, 1, 0)
    assert score_ride(ride(slow, STAYS, (100, "below_target"))).scolds == 0


def test_a_scold_comes_until_the_heart_has_been_inside_for_twelve_seconds() -> None:
    found = [score_ride(ride(COMES, IN_TIME, (t_s, "below_target"))) for t_s in (100, 117, 121)]
    assert [one.scolds for one in found] == [1, 1, 0]
    assert [one.lane.alarms for one in found] == [0, 0, 1]


def test_a_heart_that_falls_out_while_the_old_work_goes_on_is_on_the_way_too() -> None:
    dips = ((0, 122), (10, 118), (20, 116), (60, 130), (300, 130))
    found = score_ride(ride(dips, IN_TIME, (25, "below_target")))
    assert (found.ways, found.scolds, found.lane.exits) == (1, 1, 0)
    assert score_ride(ride(((0, 130), (300, 130)), IN_TIME)).ways == 0


def test_after_the_way_in_the_rules_of_the_alarms_hold() -> None:
    leaves = (*COMES[:3], (200, 130), (220, 150), (260, 150), (280, 130), (300, 130))
    found = score_ride(ride(leaves, IN_TIME, (165, "below_target"), (214, "above_target")))
    assert (found.lane.exits, found.lane.missed, found.lane.false) == (1, 0, 1)
    assert found.lane.delays_s == [pytest.approx(4, abs=0.5)]


def test_a_reminder_is_hasty_unless_the_heart_was_back() -> None:
    sounds = ((60, "below_target"), (80, "below_target"))
    back = ((0, 100), (62, 100), (65, 125), (70, 125), (75, 100), (300, 100))
    assert score_ride(ride(STAYS, STAYS, *sounds, again=80)).hasty == 1
    assert score_ride(ride(STAYS, STAYS, *sounds)).hasty == 0
    assert score_ride(ride(back, STAYS, *sounds, again=80)).hasty == 0


def test_nothing_asks_for_more_near_maximum_and_no_lane_sounds_in_a_pause() -> None:
    top = ((0, 130), (100, 130), (120, 190), (300, 190))
    assert score_ride(ride(top, top, (50, "below_target"), (200, "below_target"))).lifts_s == 1
    stands = replace(
        ride(STAYS, STAYS, (50, "above_target"), (55, "near_max"), (70, "above_target")), paused=[(40, 60)]
    )
    assert score_ride(stands).in_pause == 1


def test_a_change_is_told_once() -> None:
    told = ride(STAYS, STAYS, (95, "step_change"), (100, "step_change"), (200, "step_change"), (200, "step_change"))
    found = score_ride(replace(told, changes_s=[100.0, 200.0, 250.0]))
    assert (found.changes, found.unsaid, found.doubled, found.in_vain) == (3, 1, 1, 0)
    assert score_ride(replace(told, changes_s=[100.0, 250.0])).in_vain == 2
    assert score_ride(replace(told, changes_s=[100.0, 250.0], busy=[(240.0, 260.0)])).unsaid == 0
    stands = replace(told, changes_s=[120.0, 200.0], paused=[(96.0, 115.5)])
    assert score_ride(stands).in_vain == 0


def test_the_honest_rider_works_at_what_each_lane_asks_for_and_the_sluggish_one_does_not() -> None:
    def honest_share(kind: str) -> float:
        found = []
        for name in ("severe-fours", "back-on-the-bike"):
            one = plan_ride(name, kind, 1.0, 3)
            for from_s, until_s, (low, high) in one.lanes:
                settled = one.settles_bpm[int((from_s + 15) / STEP_S) : int(until_s / STEP_S)]
                found += ((settled >= low) & (settled <= high)).tolist()
        return float(np.mean(found))

    assert honest_share("honest") == 1.0
    assert honest_share("sluggish") < 0.9


def test_every_kind_of_move_comes_up() -> None:
    one = plan_ride("severe-fours", "honest", 1.0, 3)
    assert len(one.changes_s) == 10
    assert one.paused
    assert len(one.lanes) == 5
    assert len({lane for _, _, lane in one.lanes}) == 2


def test_the_same_seed_is_the_same_score() -> None:
    job = ("severe-fours", "sluggish", 3.0, 4)
    assert score(job) == score(job) != score((*job[:3], 5))


def test_a_unit_without_the_excuse_of_the_lag_scolds_honest_hearts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A guard, not the measurement: the figures come from the bench."""

    def ridden() -> Score:
        total = Score()
        for seed in (3, 4):
            total += score(("severe-fours", "honest", 1.0, seed))
        return total

    assert ridden().scolds <= 1
    monkeypatch.setattr(LagModel, "on_its_way", lambda self, t_s: False)
    broken = ridden()
    assert broken.scolds > broken.ways > 5


def test_the_command_prints_one_json_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--seeds", "1", "--plans", "recovery-spin", "--dirt", "1", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "rumblestrip.bench.plan/1"
    assert {(row["rider"], row["plan"]) for row in document["scores"]} == {
        (rider, plan) for rider in ("honest", "sluggish") for plan in ("recovery-spin", "all")
    }
    assert "severe-fours" in names()


@pytest.mark.parametrize("wrong", [["--dirt", "much"], ["--plans", "hill"]])
def test_a_wrong_request_is_status_two(wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--seeds", "1", *wrong]) == 2
    assert wrong[1] in capsys.readouterr().err
