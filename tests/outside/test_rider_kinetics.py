"""The simulated population against published heart-rate kinetics, fitted as in those papers.

Sources: Hunt et al. 2019 (figshare 9720008): first-order time constant on a cycle ergometer 68.7 s, SD 21.5 s, fit
error 2.2 to 2.5 bpm. Wang & Hunt, BioMed Eng OnLine 20, 2021: a second-order model fits better, RMSE 2.07 against
2.27 bpm. Square wave and pseudo-random binary workload about a moderate level; the periods are our choice.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.signal import lfilter

from sim.dice import Dice
from sim.rider import STEP_S, Rider
from sim.strap import beats

TAU_S, TAU_SD_S = 68.7, 21.5
RIDERS = 60
SAMPLE_S = 2.0
WARM_UP_S = 480
TAUS_S = np.arange(15.0, 200.0, 2.0)


def square() -> np.ndarray:
    """Four periods of eight minutes, +1 and -1, every STEP_S."""
    return np.tile(np.repeat([-1.0, 1.0], int(240 / STEP_S)), 4)


def pseudo_random() -> np.ndarray:
    """A maximum-length sequence of 63 bits of 30 s: x^6 + x^5 + 1."""
    state, bits = [1] * 6, []
    for _ in range(63):
        bits.append(2.0 * state[-1] - 1)
        state = [state[-1] ^ state[-2], *state[:-1]]
    return np.repeat(bits, int(30 / STEP_S))


def answer(rider_seed: int, work: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Workload and heart rate from RR intervals, every SAMPLE_S after a warm-up at the middle level."""
    rider = Rider.drawn(Dice(rider_seed, "kinetics"))
    whole = np.concatenate((np.zeros(int(WARM_UP_S / STEP_S)), work))
    beat_s = beats(rider.latent(0.45 + 0.1 * whole, Dice(rider_seed, "heart")), rider.hr_max_bpm, Dice(rider_seed, "b"))
    t_s = np.arange(WARM_UP_S, len(whole) * STEP_S - 1, SAMPLE_S)
    # Five beats are averaged, as a strap's reported heart rate would.
    hr_bpm = np.convolve(60 / np.diff(beat_s), np.ones(5) / 5, "same")
    return whole[(t_s / STEP_S).astype(int)], np.interp(t_s, beat_s[1:], hr_bpm)


def fitted(work: np.ndarray, hr_bpm: np.ndarray, second_s: float | None) -> tuple[float, float]:
    """Least squares over gain, level and time constant; second_s is a second pole's. Returns (RMSE bpm, tau s)."""
    best = (np.inf, 0.0)
    for tau_s in TAUS_S:
        model = work
        for pole_s in (tau_s, second_s):
            if pole_s:
                share = SAMPLE_S / pole_s
                model = lfilter([share], [1, share - 1], model)
        columns = np.stack([model, np.ones_like(model)], axis=1)
        error = hr_bpm - columns @ np.linalg.lstsq(columns, hr_bpm, rcond=None)[0]
        best = min(best, (float(np.sqrt(np.mean(error * error))), float(tau_s)))
    return best


@cache
def population(signal: str) -> np.ndarray:
    """First-order fits, shape (RIDERS, 2): RMSE in bpm and time constant in s."""
    work = square() if signal == "square" else pseudo_random()
    return np.array([fitted(*answer(rider, work), None) for rider in range(RIDERS)])


@pytest.mark.parametrize("signal", ["square", "pseudo_random"])
def test_time_constants_have_the_published_mean_and_spread(signal: str) -> None:
    taus_s = population(signal)[:, 1]
    # Two standard errors of a mean and of a standard deviation of so many riders.
    assert abs(taus_s.mean() - TAU_S) < 2 * TAU_SD_S / np.sqrt(RIDERS)
    assert abs(taus_s.std(ddof=1) - TAU_SD_S) < 2 * TAU_SD_S / np.sqrt(2 * RIDERS)


def test_the_fit_error_is_about_the_published_one() -> None:
    rmse = np.concatenate([population("square")[:, 0], population("pseudo_random")[:, 0]])
    assert 1.9 < rmse.mean() < 2.6


def test_a_second_order_model_fits_better() -> None:
    work = pseudo_random()
    riders = range(12)
    second = [min(fitted(*answer(rider, work), pole_s)[0] for pole_s in (4.0, 8.0, 14.0)) for rider in riders]
    assert np.mean(second) < 0.97 * population("pseudo_random")[list(riders), 0].mean()
