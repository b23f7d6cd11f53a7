"""The simulated heart: what it must do whatever its numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.dice import Dice, between_points, wave
from sim.rider import STEP_S, Rider

CALM = replace(Rider(), wander_bpm=0.0, drift_bpm=0.0)


def ridden(rider: Rider, *stretches: tuple[float, float]) -> np.ndarray:
    """Latent heart rate of (seconds, fraction of peak power) in a row."""
    work = np.concatenate([np.full(int(s / STEP_S), fraction) for s, fraction in stretches])
    return rider.latent(work, Dice(1, "heart"))


def at(latent_bpm: np.ndarray, t_s: float) -> float:
    return float(latent_bpm[int(t_s / STEP_S)])


def test_steady_heart_rate_is_linear_in_workload() -> None:
    easy, middle, hard = (at(ridden(CALM, (1500, fraction)), 1499) for fraction in (0.2, 0.5, 0.8))
    assert easy == pytest.approx(CALM.hr_easy_bpm + 0.2 * (CALM.hr_max_bpm - CALM.hr_easy_bpm), abs=0.5)
    assert middle - easy == pytest.approx(hard - middle, abs=0.5)


def test_nothing_moves_in_the_dead_time() -> None:
    latent = ridden(CALM, (1500, 0.4), (300, 0.8))
    assert at(latent, 1500 + CALM.dead_time_s - 0.5) == pytest.approx(at(latent, 1499), abs=0.1)
    assert at(latent, 1500 + CALM.dead_time_s + 5) > at(latent, 1499) + 1


def test_it_sinks_more_slowly_than_it_rises() -> None:
    latent = ridden(CALM, (1500, 0.4), (1500, 0.8), (1500, 0.4))
    low, high = at(latent, 1499), at(latent, 2999)
    risen = (at(latent, 1560) - low) / (high - low)
    sunk = (high - at(latent, 3060)) / (high - low)
    assert sunk < risen - 0.03


def test_it_reaches_its_maximum_and_never_passes_it() -> None:
    latent = ridden(Rider(), (900, 1.15), (60, 3.0))
    assert latent.max() <= Rider().hr_max_bpm
    assert latent.max() > Rider().hr_max_bpm - 1


def test_it_drifts_upward_over_the_hours() -> None:
    latent = ridden(replace(CALM, drift_bpm=9.0), (7200, 0.6))
    assert 3 < at(latent, 4200) - at(latent, 600) < 9


def test_another_day_is_another_heart_rate_at_the_same_power() -> None:
    offsets = np.array([CALM.on_a_day(Dice(day, "day")).day_bpm for day in range(400)])
    # Day to day, heart rate at a given power varies by 2 to 4 bpm (common practice, no source).
    assert 2 < offsets.std() < 3
    assert abs(offsets.mean()) < 0.5


def test_watts_are_a_fraction_of_the_peak() -> None:
    assert Rider(peak_power_w=320).fraction_of(240) == 0.75


def test_dice_are_fair_and_do_not_depend_on_each_other() -> None:
    normals = Dice(1, "a").normals(20_000)
    assert abs(normals.mean()) < 0.03
    assert abs(normals.std() - 1) < 0.03
    assert abs(np.corrcoef(normals, Dice(1, "b").normals(20_000))[0, 1]) < 0.03
    assert (normals == Dice(1, "a").normals(20_000)).all()


def test_own_arithmetic_agrees_with_the_library() -> None:
    turns = np.linspace(-2, 2, 1001)
    assert np.abs(wave(turns) - np.sin(2 * np.pi * turns)).max() < 0.002
    xs, ys = np.array([0.0, 1.0, 4.0]), np.array([5.0, 7.0, 1.0])
    assert between_points(turns * 3, xs, ys) == pytest.approx(np.interp(turns * 3, xs, ys))
