"""The bench's own rules, on rides made by hand, and its command."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from firmware_app.core.measurement import Measurement
from sim.baselines import MEDIAN, PLAIN, Ours, Threshold
from sim.bench.__main__ import main
from sim.bench.alarms import exits, holds, rides, score, score_alarms, seeds_of
from sim.rider import STEP_S
from sim.scenario import LabelledRide
from sim.strap import Episode, Row, Strap


def ride(*points: tuple[float, float], silent: tuple[float, float] = (-2.0, -1.0)) -> LabelledRide:
    """A ride with a lane from 120 to 140 bpm and a maximum of 200, through these (t_s, bpm), reported each second."""
    t_s = np.arange(0, points[-1][0], STEP_S)
    latent = np.interp(t_s, [t for t, _ in points], [bpm for _, bpm in points])
    seconds = np.arange(0, points[-1][0])
    rows: list[Row] = [
        (float(t), Measurement(round(float(latent[int(t / STEP_S)]))))
        for t in seconds
        if not silent[0] <= t < silent[1]
    ]
    return LabelledRide("by hand", 0, 0.0, 200, (120, 140), rows, t_s, latent, latent, Strap(), [])


OUT = ride((0, 130), (100, 130), (110, 140), (120, 150), (160, 150), (170, 140), (180, 130), (300, 130))
"""Over the lane from 110 s to 170 s."""


def test_an_exit_is_six_seconds_and_two_beats() -> None:
    (found,) = exits(OUT)
    assert (found.side, found.start_s, found.end_s) == (1, 110.25, 170)
    shallow = ride((0, 130), (100, 139), (110, 141.5), (160, 141.5), (170, 130), (300, 130))
    short = ride((0, 130), (100, 130), (102, 145), (105, 145), (107, 130), (300, 130))
    assert exits(shallow) == exits(short) == []


def test_a_return_that_is_none_does_not_make_two_exits() -> None:
    edge = ride((0, 130), (100, 130), (110, 146), (130, 139.5), (150, 146), (170, 130), (300, 130))
    blink = ride((0, 130), (100, 130), (110, 146), (130, 146), (132, 137), (134, 146), (170, 130), (300, 130))
    back = ride((0, 130), (100, 130), (110, 146), (130, 132), (150, 146), (170, 130), (300, 130))
    assert [len(exits(one)) for one in (edge, blink, back)] == [1, 1, 2]


def test_coming_up_from_rest_is_no_exit_nor_is_one_that_nobody_could_see() -> None:
    assert exits(ride((0, 80), (100, 130), (300, 130))) == []
    assert exits(ride((0, 130), (100, 130), (110, 115), (140, 115), (150, 130), (300, 130), silent=(95, 160))) == []
    assert len(exits(ride((0, 130), (100, 130), (110, 115), (140, 115), (150, 130), (300, 130), silent=(95, 120)))) == 1


@pytest.mark.parametrize(
    ("fault", "optical", "hidden"),
    [("dropout", False, 1), ("cadence", True, 1), ("cadence", False, 0), ("late", False, 0)],
)
def test_an_exit_that_a_fault_lies_over_is_told_apart(fault: str, optical: bool, hidden: int) -> None:
    one = replace(OUT, strap=Strap(optical=optical), episodes=[Episode(fault, 105.0, 115.0, 0.5)])
    found = score_alarms(one, [(120.25, "above_target")])
    assert (found.hidden, found.delays_s, found.seen_delays_s) == (hidden, [10.0], [10.0][hidden:])
    after = replace(one, episodes=[Episode(fault, 111.0, 115.0, 0.5)])
    assert score_alarms(after, []).hidden == 0


@pytest.mark.parametrize(
    ("t_s", "missed", "delay_s"), [(118.25, 0, 8.0), (105, 0, 0.0), (101, 1, None), (181, 0, 70.75), (184, 1, None)]
)
def test_delay_and_misses(t_s: float, missed: int, delay_s: float | None) -> None:
    found = score_alarms(OUT, [(t_s, "above_target")])
    assert (found.exits, found.missed) == (1, missed)
    assert found.delays_s == ([] if delay_s is None else [delay_s])


def test_an_alarm_of_the_other_side_is_none() -> None:
    assert score_alarms(OUT, [(118, "below_target")]).missed == 1


def test_one_who_was_told_on_the_edge_was_told() -> None:
    edge = ride((0, 130), (60, 139.5), (110, 139.5), (120, 150), (160, 150), (180, 130), (300, 130))
    found = score_alarms(edge, [(80, "above_target")])
    assert (found.missed, found.false, found.delays_s) == (0, 0, [0.0])


@pytest.mark.parametrize(("t_s", "false"), [(50, 1), (100, 1), (102, 0), (120, 0), (182, 0), (184, 1)])
def test_an_alarm_is_false_when_the_heart_was_nowhere_near(t_s: float, false: int) -> None:
    assert score_alarms(OUT, [(t_s, "above_target")]).false == false


def test_chatter_is_a_second_buzz_of_the_same_side_within_twenty_seconds() -> None:
    alarms = [(115.0, "above_target"), (125.0, "below_target"), (134.0, "above_target"), (155.0, "above_target")]
    assert score_alarms(OUT, alarms).chatter == 1


TOP = ride((0, 130), (100, 130), (120, 190), (150, 190), (152, 186), (154, 190), (170, 190), (200, 130), (300, 130))
"""At or above 188 bpm (94 % of 200) from about 119 s; a dip to 93 % at 152 s; under 92 % from about 173 s."""


def test_a_hold_is_due_after_fifteen_seconds_and_once() -> None:
    ((from_s, due_s, until_s),) = holds(TOP)
    assert (from_s, due_s, until_s) == pytest.approx((118, 134.5, 173), abs=0.5)
    assert score_alarms(TOP, [(137.5, "near_max")]).hold_delays_s == [pytest.approx(3, abs=0.5)]
    assert score_alarms(TOP, []).holds_missed == 1
    assert score_alarms(TOP, [(250, "near_max")]).near_max_false == 1


def test_a_hold_that_nobody_could_see_is_due_when_it_can_be_seen() -> None:
    points = ((0, 130), (100, 130), (120, 190), (170, 190), (200, 130), (300, 130))
    assert holds(ride(*points, silent=(110, 180))) == []
    assert holds(ride(*points, silent=(110, 140)))[0][1] == pytest.approx(155, abs=0.5)


def test_the_look_ahead_is_scored_on_slow_exits() -> None:
    slow = ride((0, 130), (100, 130), (200, 140), (230, 143), (260, 130), (400, 130))
    found = score_alarms(slow, [(180, "drifting_up"), (270, "drifting_up")])
    assert (found.slow_exits, found.warned, found.warnings, found.warnings_wrong) == (1, 1, 2, 1)
    assert score_alarms(slow, [(195, "drifting_up")]).warned == 0
    assert score_alarms(OUT, []).slow_exits == 0


def test_the_plain_threshold_sounds_at_the_limit_each_time() -> None:
    rows = [(float(i), Measurement(bpm)) for i, bpm in enumerate([130, 139, 140, 141, 139, 140, 121, 120, 119])]
    assert PLAIN.alarms(rows, 200, (120, 140)) == [(2, "above_target"), (5, "above_target"), (7, "below_target")]


def test_the_median_sees_past_a_spike_and_waits() -> None:
    bpm = [130] * 20 + [190] * 2 + [130] * 20 + [145] * 30
    rows = [(float(i), Measurement(value)) for i, value in enumerate(bpm)]
    ((t_s, kind),) = MEDIAN.alarms(rows, 200, (120, 140))
    assert kind == "above_target"
    assert 42 + 6 <= t_s <= 42 + 8


def test_a_threshold_reads_rr_intervals_where_there_is_no_number() -> None:
    rows = [(float(i), Measurement(None, (400.0, 400.0))) for i in range(5)]
    assert Threshold("t", 0, 0, 0).alarms(rows, 200, (120, 140)) == [(0, "above_target")]


def test_ordinary_dirt_is_ordinary() -> None:
    """The two baselines score about what they do on other people's rides: 24 and 2.0 false alarms an hour."""
    dirty = rides(["hills", "steady", "intervals", "sprints"], [1.0], range(1, 6))
    plain, median = score(PLAIN, dirty).figures(), score(MEDIAN, dirty).figures()
    assert 12 < (plain["false_per_h"] or 0) < 36
    assert 15 < (plain["chatter_per_h"] or 0) < 45
    assert 2 < (plain["delay_p95_s"] or 0) < 6
    assert 1 < (median["false_per_h"] or 0) < 4
    assert 15 < (median["delay_p95_s"] or 0) < 25


def test_the_command_prints_one_json_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["alarms", "--seeds", "1", "--kinds", "demo", "--dirt", "1", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "rumblestrip.bench.alarms/1"
    assert {row["contender"] for row in document["scores"]} == {"rumblestrip", "plain threshold", "7 s median"}
    assert {row["kind"] for row in document["scores"]} == {"demo", "all"}


def test_the_command_draws_the_trade_off(tmp_path: Path) -> None:
    picture = tmp_path / "trade-off.svg"
    assert main(["alarms", "--seeds", "1", "--kinds", "demo", "--dirt", "1", "--picture", str(picture)]) == 0
    assert picture.read_text(encoding="utf-8").count("<svg") == 1


@pytest.mark.parametrize("wrong", [["--dirt", "much"], ["--kinds", "valleys"], ["--set", "near_max"]])
def test_a_wrong_request_is_status_two(wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["alarms", "--seeds", "1", *wrong]) == 2
    assert capsys.readouterr().err


def test_seeds() -> None:
    assert list(seeds_of("7")) == [7]
    assert list(seeds_of("2-4")) == [2, 3, 4]
    with pytest.raises(Exception, match="write seeds as"):
        seeds_of("4-2")


def test_the_unit_beats_both_baselines() -> None:
    """A guard, not the measurement: few rides, loose limits. The figures themselves come from the bench."""
    dirty = rides(["hills", "intervals", "sprints"], [1.0], range(1, 3))
    ours, plain, median = (score(one, dirty) for one in (Ours(), PLAIN, MEDIAN))
    assert ours.missed <= 0.02 * ours.exits
    assert ours.false + ours.chatter < 0.25 * (median.false + median.chatter) < plain.false
    assert (ours.figures()["delay_p95_s"] or 99) < 0.7 * (median.figures()["delay_p95_s"] or 0)
    assert ours.holds_missed == 0
