"""A session on the bars: the plan, the pauses and a lost strap together, through the companion's doors."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from firmware_app import plans, settings
from firmware_app.core import bands
from firmware_app.core.companion import Companion
from firmware_app.core.events import Press, Tick
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import Collector, RideFacts, RideRecord
from firmware_app.core.session import Ends, Plan, Step, parse_arrival
from firmware_app.core.steps import step_results

PLAN = Plan(
    "test",
    "Test",
    "",
    "",
    (
        Step("Warm up", "110-130bpm", Ends(60)),
        Step("Climb", "140-160bpm", Ends(300, press=True)),
        Step("Rest", None, Ends(120, arrival=parse_arrival("below 120bpm"))),
        Step("Home", "100-130bpm", Ends(60)),
    ),
)


def ride(
    plan: Plan,
    heart: Callable[[int], float | None],
    seconds: int,
    presses: dict[int, list[Press]] | None = None,
) -> tuple[Companion, RideRecord]:
    """One measurement a second, none where ``heart`` says None; presses by the second."""
    table = bands.table(settings.load_scheme("seven"), 184)
    companion = Companion(RideFacts(hr_max_bpm=184), table, settings.load_alarms(), plan)
    kept = Collector(companion.facts)
    for t in range(seconds):
        hr_bpm = heart(t)
        beat = Tick() if hr_bpm is None else Measurement(hr_bpm=round(hr_bpm), rr_ms=(round(60000 / hr_bpm),))
        kept.take(companion.feed(beat, float(t)))
        for press in (presses or {}).get(t, []):
            kept.take(companion.feed(press, t + 0.5))
    kept.take(companion.end(float(seconds), "test"))
    return companion, kept.record(float(seconds))


def steps(record: RideRecord) -> list[tuple[float, str, object]]:
    return [(m.t_s, str(m.detail["name"]), m.detail["why"]) for m in record.marks if m.kind == "step"]


def test_every_kind_of_end_in_one_ride() -> None:
    def heart(t: int) -> float:
        return 120 if t < 60 else 150 if t < 200 else max(110, 150 - (t - 200))

    _, record = ride(PLAN, heart, 400, {200: [Press("plus")]})
    found = steps(record)
    assert found[:3] == [(0, "Warm up", "start"), (60, "Climb", "time"), (200.5, "Rest", "press")]
    arrived_s, name, why = found[3]
    assert (name, why) == ("Home", "arrived")
    assert 230 <= arrived_s <= 245
    assert found[4] == (arrived_s + 60, "", "end")


def test_a_pause_in_the_middle_of_a_step_moves_everything_after_it_by_its_length() -> None:
    _, record = ride(PLAN, lambda t: 120, 200, {30: [Press("select")], 75: [Press("select")]})
    assert steps(record)[1] == (105, "Climb", "time")
    assert step_results(record)[0].ridden_s == 60


@pytest.mark.parametrize("back_s", [70, 300])
def test_a_strap_lost_across_a_step_change_lets_the_lane_move_on_time(back_s: int) -> None:
    companion, record = ride(PLAN, lambda t: None if 50 <= t < back_s else 120, 320)
    assert steps(record)[1] == (60, "Climb", "time")
    assert (companion.view().low_bpm, companion.view().high_bpm) == (140, 160)
    first, second = step_results(record)[:2]
    assert first.unknown_s > 0
    assert second.unknown_s > 0


def test_a_strap_lost_while_the_heart_should_arrive_leaves_it_to_the_time_limit() -> None:
    _, record = ride(PLAN, lambda t: 150 if t < 150 else None, 400, {140: [Press("plus")]})
    assert steps(record)[2:4] == [(140.5, "Rest", "press"), (260.5, "Home", "time")]


def test_steps_can_be_skipped_gone_back_to_and_extended_while_paused() -> None:
    select, skip, back, longer = Press("select"), Press("plus"), Press("minus"), Press("plus", "long")
    _, record = ride(PLAN, lambda t: 120, 250, {20: [select], 25: [skip], 30: [back], 35: [longer], 40: [select]})
    found = steps(record)
    assert [(name, why) for _, name, why in found[:3]] == [("Warm up", "start"), ("Climb", "skip"), ("Warm up", "back")]
    assert found[3] == (20.5 + 20 + 120, "Climb", "time")  # ridden, paused, and the first step with a minute more


@pytest.mark.parametrize("name", plans.plan_names())
def test_every_shipped_plan_comes_to_its_end_by_itself(name: str) -> None:
    plan = plans.load_plan(name)
    assert plan.longest_s is not None
    _, record = ride(plan, lambda t: 140, int(plan.longest_s) + 5)
    assert [m.detail["index"] for m in record.marks if m.kind == "step"] == list(range(len(plan.steps) + 1))
    assert sum(r.ridden_s for r in step_results(record)) == pytest.approx(record.duration_s)
