"""The clocks: the wall clock may leap, monotonic time may not."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

import pytest

from firmware_app.core.events import Event, WallClock
from firmware_app.devices.clock import Clock, LoopClock, SystemClock, synchronised

Run = Callable[[Any], Any]
YEAR_S = 365.25 * 86400.0
WOKE_UNIX_S = 1_577_836_800.0  # 2020-01-01 00:00 UTC: where a board without a clock battery may wake up


async def told(corrections: list[tuple[float, float]], for_s: float) -> list[tuple[float, float]]:
    """(t_s, unix_s) of each delivery, the wall clock corrected at each t_s by so many seconds."""
    clock = LoopClock(WOKE_UNIX_S)
    heard: list[tuple[float, float]] = []

    def deliver(event: Event) -> None:
        assert isinstance(event, WallClock)
        heard.append((clock.t_s(), event.unix_s))

    listening = asyncio.create_task(clock.run(deliver))
    loop = asyncio.get_running_loop()
    for at_s, by_s in corrections:
        loop.call_at(loop.time() + at_s, clock.correct, by_s)
    await asyncio.sleep(for_s)
    listening.cancel()
    return heard


def test_a_steady_clock_is_told_once(virtually: Run) -> None:
    assert virtually(told([], 48 * 3600)) == [(0.0, WOKE_UNIX_S)]


@pytest.mark.parametrize("by_s", [6 * YEAR_S, -3600.0, 3.0, -3.0])
def test_a_correction_is_told_soon_and_once(virtually: Run, by_s: float) -> None:
    first, second = virtually(told([(61.0, by_s)], 7200))
    assert first == (0.0, WOKE_UNIX_S)
    assert 61.0 <= second[0] <= 63.0
    assert second[1] == pytest.approx(WOKE_UNIX_S + by_s + second[0])


def test_leaping_years_forward_and_an_hour_back(virtually: Run) -> None:
    heard = virtually(told([(60.0, 6 * YEAR_S), (1000.0, -3600.0)], 7200))
    assert [round(unix_s - t_s - WOKE_UNIX_S) for t_s, unix_s in heard] == [0, 6 * YEAR_S, 6 * YEAR_S - 3600]


def test_steering_too_slow_to_see_at_one_look_is_told_when_it_adds_up(virtually: Run) -> None:
    heard = virtually(told([(60.0 * n, 0.03) for n in range(1, 101)], 7200))
    assert [round(unix_s - t_s - WOKE_UNIX_S, 2) for t_s, unix_s in heard] == [0.0, 2.01]


@pytest.mark.parametrize("by_s", [-1.9, 0.5, 1.9])
def test_what_a_ride_cannot_notice_is_not_told(virtually: Run, by_s: float) -> None:
    assert len(virtually(told([(60.0, by_s)], 600))) == 1


def test_no_correction_moves_the_time_of_the_ride(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SystemClock()
    before_s = clock.t_s()
    for wall_s in (0.0, WOKE_UNIX_S + 6 * YEAR_S, WOKE_UNIX_S - 3600):
        monkeypatch.setattr(time, "time", lambda wall_s=wall_s: wall_s)
        assert clock.unix_s() == wall_s
        assert before_s <= clock.t_s() < before_s + 60
        before_s = clock.t_s()


def test_the_systems_clock_counts_from_its_making() -> None:
    assert 0 <= SystemClock().t_s() < 60


def test_the_base_says_nothing_of_its_own() -> None:
    with pytest.raises(NotImplementedError):
        Clock().t_s()
    with pytest.raises(NotImplementedError):
        Clock().unix_s()


def test_whether_the_clock_is_kept_right_is_known_or_not() -> None:
    assert synchronised() in (True, False, None)
