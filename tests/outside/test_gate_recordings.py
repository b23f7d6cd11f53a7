"""The gate on recorded hearts, against an offline method that sees the whole recording at once.

The reference is neurokit2's ``signal_fixpeaks`` by its default method, after Lipponen and Tarvainen, J Med Eng
Technol 43:173, 2019: it corrects ectopic, missed, extra, long and short beats. The trusted value is compared with the
median of fifteen corrected beats centred on the moment: what an analyst would say afterwards that the heart rate was.

The bounds below are what was measured, with about a third to spare; ``pytest -s`` prints what is measured now.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from firmware_app.core.beats import Gate
from firmware_app.core.measurement import Measurement

WARM_UP_S = 15.0
EFFORT_BPM = 120.0
HALF = 7

Floats = NDArray[np.float64]


class Compared(NamedTuple):
    """One recording. t_s, trusted_bpm, reference_bpm: shape (n,), one a beat, NaN where nothing was trusted."""

    name: str
    t_s: Floats
    raw_bpm: Floats
    trusted_bpm: Floats
    reference_bpm: Floats


def compared(path: Path) -> Compared:
    import neurokit2

    with path.open() as file:
        rr_ms = np.array([float(row["rr_ms"]) for row in csv.DictReader(file) if row["rr_ms"]])
    t_s = np.cumsum(rr_ms) / 1000
    gate = Gate()
    answers = [gate.feed(Measurement(None, (rr,)), t) for t, rr in zip(t_s.tolist(), rr_ms.tolist(), strict=True)]
    trusted_bpm = np.array([np.nan if a.hr_bpm is None else a.hr_bpm for a in answers])
    peaks_ms = np.concatenate(([0], np.cumsum(rr_ms))).astype(int)
    _, corrected_ms = neurokit2.signal_fixpeaks(peaks_ms, sampling_rate=1000, iterative=True)
    corrected_bpm = 60000 / np.diff(np.asarray(corrected_ms))
    median_bpm = [np.median(corrected_bpm[max(i - HALF, 0) : i + HALF + 1]) for i in range(len(corrected_bpm))]
    reference_bpm = np.interp(t_s, np.asarray(corrected_ms)[1:] / 1000, median_bpm)
    late = t_s > WARM_UP_S
    return Compared(path.name, t_s[late], 60000 / rr_ms[late], trusted_bpm[late], reference_bpm[late])


@pytest.fixture(scope="module")
def recordings(graded_tests: list[Path]) -> list[Compared]:
    pytest.importorskip("neurokit2")
    return [compared(path) for path in graded_tests]


def test_the_trusted_value_agrees_with_the_offline_correction(recordings: list[Compared]) -> None:
    for one in recordings:
        known = np.isfinite(one.trusted_bpm)
        off_bpm = np.abs(one.trusted_bpm - one.reference_bpm)
        effort = known & (one.reference_bpm >= EFFORT_BPM)
        p50, p95 = np.percentile(off_bpm[known], (50, 95))
        hard50, hard95 = np.percentile(off_bpm[effort], (50, 95))
        print(
            f"{one.name}: all p50 {p50:.2f} p95 {p95:.2f}, from {EFFORT_BPM:.0f} bpm p50 {hard50:.2f} p95 {hard95:.2f} "
            f"worst {off_bpm[effort].max():.1f} bpm; not trusted {1 - known.mean():.2%}"
        )
        assert p50 < 1.2
        assert p95 < 7.0
        assert hard50 < 1.0
        assert hard95 < 4.0
        assert known.mean() > 0.97


def test_no_artefact_is_ever_a_peak(recordings: list[Compared]) -> None:
    for one in recordings:
        peak_bpm, raw_bpm = np.nanmax(one.trusted_bpm), one.raw_bpm.max()
        reference_bpm = one.reference_bpm[HALF:-HALF].max()
        print(f"{one.name}: peak {peak_bpm:.1f}, of the medians {reference_bpm:.1f}, of single intervals {raw_bpm:.1f}")
        assert abs(peak_bpm - reference_bpm) < 3.0


def delay_s(bpm: Callable[[float], float], reached_bpm: float, reached_s: float) -> float:
    """How much later than the heart the trusted value gets to a heart rate for good."""
    gate, t_s, late_s = Gate(), 0.0, 0.0
    jitter = np.random.default_rng(1)
    while t_s < 120:
        rr_ms = 60000 / bpm(t_s) * (1 + 0.008 * float(jitter.standard_normal()))
        t_s += rr_ms / 1000
        answer = gate.feed(Measurement(None, (rr_ms,)), t_s).hr_bpm
        if answer is None or answer < reached_bpm:
            late_s = t_s
    return late_s - reached_s


def test_the_delay_on_a_ramp_and_on_a_step() -> None:
    # A ramp of a beat in two seconds, and one of a beat a second: when is the middle passed?
    slow_s = delay_s(lambda t: 120 + 0.5 * min(max(t - 30, 0), 80), 140, 70)
    quick_s = delay_s(lambda t: 120 + 1.0 * min(max(t - 30, 0), 40), 140, 50)
    # No heart jumps; this is how long it takes to believe that one has, to within 2 bpm.
    small_s = delay_s(lambda t: 130 if t < 60 else 138, 136, 60)
    large_s = delay_s(lambda t: 130 if t < 60 else 160, 158, 60)
    print(f"delay on a ramp of 0.5 bpm/s {slow_s:.1f} s, of 1 bpm/s {quick_s:.1f} s")
    print(f"delay on a step of 8 bpm {small_s:.1f} s, of 30 bpm {large_s:.1f} s")
    assert slow_s < 4
    assert quick_s < 3
    assert small_s < 10
    assert large_s < 25
