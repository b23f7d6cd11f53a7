"""The simulated beats against recorded ones: how unevenly a working heart beats, by intensity.

Source: the recorded graded tests (Chabert et al., PhysioNet 2022), cleaned with a five-beat median.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sim.dice import Dice
from sim.strap import beats

INTENSITIES = (62.5, 67.5, 72.5, 77.5, 82.5, 87.5, 92.5)
"""Middles of the ranges of percent of maximum, each 5 wide."""


def unevenness_ms(rr_ms: np.ndarray) -> np.ndarray:
    """What each interval differs from the mean of the 15 around it."""
    return rr_ms - np.convolve(rr_ms, np.ones(15) / 15, "same")


def spread_ms(values: np.ndarray) -> float:
    """A standard deviation that a few artefacts do not touch: 1.48 times the median absolute value."""
    return 1.48 * float(np.median(np.abs(values)))


def recorded(path: Path) -> dict[float, float]:
    rr_ms = np.genfromtxt(path, delimiter=",", names=True)["rr_ms"]
    padded = np.pad(rr_ms, 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    rr_ms = np.where(np.abs(rr_ms - middle) > 0.15 * middle, middle, rr_ms)
    hr_bpm = 60_000 / np.convolve(rr_ms, np.ones(15) / 15, "same")
    percent = 100 * hr_bpm / np.percentile(hr_bpm, 99.5)
    uneven = unevenness_ms(rr_ms)
    near = {middle: uneven[np.abs(percent - middle) < 2.5] for middle in INTENSITIES}
    return {middle: spread_ms(values) for middle, values in near.items() if len(values) > 60}


def simulated(percent: float, rider: int) -> float:
    hr_max_bpm = 186
    beat_s = beats(np.full(2400, percent * hr_max_bpm / 100), hr_max_bpm, Dice(rider, "variability"))
    return spread_ms(unevenness_ms(np.diff(beat_s) * 1000)[10:-10])


def test_beats_are_as_uneven_as_recorded_ones(graded_tests: list[Path]) -> None:
    people = [recorded(path) for path in graded_tests]
    for percent in INTENSITIES:
        theirs = [person[percent] for person in people if percent in person]
        ours = [simulated(percent, rider) for rider in range(12)]
        assert theirs
        # Within the range of five people, widened by a half: the simulated riders are more than five.
        assert min(theirs) / 1.5 < np.median(ours) < max(theirs) * 1.5, percent
        assert np.median(ours) == pytest.approx(float(np.median(theirs)), rel=0.5), percent
