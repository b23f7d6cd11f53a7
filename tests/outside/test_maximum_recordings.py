"""The evidence in recorded graded tests against a centred 15-beat median.

Source of the recordings: Chabert, Mongin, Hermand, Collado, Hue, PhysioNet 1.0.0, 2022, doi 10.13026/2qs3-kh43.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from firmware_app.core.events import Sample
from firmware_app.core.evidence import Evidence, find
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, record_of
from firmware_app.store.csvfile import read_csv
from sim.scenario import labelled_ride


def evidence_of(rows: list[tuple[float, Measurement]]) -> Evidence:
    samples = [Sample(t_s, measurement, None, 0.0) for t_s, measurement in rows]
    return find(record_of(RideFacts(180), samples, [], rows[-1][0]))


def median_of_15(rr_ms: np.ndarray) -> float:
    return float(np.median(np.lib.stride_tricks.sliding_window_view(60000 / rr_ms, 15), axis=1).max())


def test_peak_is_within_3_bpm_of_the_median_and_below_the_raw_peak(graded_tests: list[Path]) -> None:
    for path in graded_tests:
        rows = read_csv(path)
        rr_ms = np.array([rr for _, measurement in rows for rr in measurement.rr_ms])
        found = evidence_of(rows)
        assert found.peak_bpm == pytest.approx(median_of_15(rr_ms), abs=3.0), path.name
        assert found.raw_peak_bpm > found.peak_bpm + 1.5
        assert found.held_15s_bpm is not None
        assert found.peak_bpm - 3 <= found.held_15s_bpm <= found.peak_bpm + 0.5


@pytest.mark.parametrize("window_s", [1, 4, 8])
def test_the_same_tests_as_a_strap_would_report_them(graded_tests: list[Path], window_s: int) -> None:
    """One whole bpm a second, the mean of the last beats, artefacts and all; no RR intervals."""
    for path in graded_tests:
        rr_ms = np.array([rr for _, measurement in read_csv(path) for rr in measurement.rr_ms])
        end_s = np.cumsum(rr_ms) / 1000
        rows = []
        for t_s in range(3, int(end_s[-1])):
            inside = (end_s > t_s - window_s) & (end_s <= t_s)
            if inside.any():
                rows.append((float(t_s), Measurement(round(60000 / rr_ms[inside].mean()))))
        assert evidence_of(rows).peak_bpm == pytest.approx(median_of_15(rr_ms), abs=3.0), path.name


def test_noise_over_the_peak_of_a_recording_does_not_raise_it(graded_tests: list[Path]) -> None:
    """Forty seconds of beats counted twice or three times, laid over six places of each recording."""
    for path in graded_tests:
        rr_ms = np.array([rr for _, measurement in read_csv(path) for rr in measurement.rr_ms])
        true_bpm = median_of_15(rr_ms)
        for place in np.linspace(0, rr_ms.size - 130, 6).astype(int):
            for times in (2, 3):
                burst = np.repeat(rr_ms[place : place + 60] / times, times)
                spoilt = np.concatenate([rr_ms[:place], burst, rr_ms[place + 60 :]])
                end_s = np.cumsum(spoilt) / 1000
                rows = [(float(t_s), Measurement(None, (float(rr),))) for t_s, rr in zip(end_s, spoilt, strict=True)]
                found = evidence_of(rows).peak_bpm
                assert found is not None
                assert found <= true_bpm + 3


def test_one_beat_in_five_made_false_changes_nothing(graded_tests: list[Path]) -> None:
    for path in graded_tests:
        rr_ms = np.array([rr for _, measurement in read_csv(path) for rr in measurement.rr_ms])
        true_bpm = median_of_15(rr_ms)
        rng = np.random.default_rng(4)
        false = rng.random(rr_ms.size) < 0.2
        rr_ms[false] *= rng.choice([0.3, 0.5, 0.65, 0.8, 1.3, 1.6, 2, 3], false.sum())
        end_s = np.cumsum(rr_ms) / 1000
        rows = [(float(t_s), Measurement(None, (float(rr),))) for t_s, rr in zip(end_s, rr_ms, strict=True)]
        assert evidence_of(rows).peak_bpm == pytest.approx(true_bpm, abs=3.0), path.name


@pytest.mark.parametrize("kind", ["maximal", "sprints", "intervals"])
def test_simulated_rides_with_four_times_the_ordinary_faults(kind: str) -> None:
    """Any strap that the simulator draws, with and without RR intervals; the latent heart rate is the truth."""
    for seed in range(4):
        ride = labelled_ride(kind, 4, seed)
        true_bpm = np.convolve(ride.latent_bpm, np.ones(20) / 20, "valid").max()  # held five seconds
        found = evidence_of(ride.rows)
        assert found.peak_bpm == pytest.approx(true_bpm, abs=3.0), seed
