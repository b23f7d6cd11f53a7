"""The figures of a review against published formulas, worked examples, and a slow independent implementation."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from firmware_app.core.bands import Band, BandTable, Scheme, table
from firmware_app.core.events import Mark
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.core.review import review

SCHEME = Scheme(
    "seven",
    "percent_of_maximum",
    tuple(Band(i, f"band {i}", low) for i, low in enumerate((0, 60, 65, 75, 82, 89, 94), start=1)),
)


def ride(t_s, bpm, marks=(), duration_s=None) -> RideRecord:
    t = np.asarray(t_s, dtype=np.float64)
    trusted = np.asarray(bpm, dtype=np.float64)
    return RideRecord(
        t,
        np.rint(trusted),
        trusted,
        np.ones(t.size),
        np.full(t.size, -1, dtype=np.int8),
        np.empty(0),
        np.empty(0, dtype=np.int64),
        RideFacts(200),
        tuple(marks),
        float(t.size) if duration_s is None else duration_s,
    )


def test_load_of_the_worked_example() -> None:
    """Max 200, rest 40, 30 min at 130 bpm, men: HRr 0.5625, about 32.

    Source: the formula of Banister 1991 and Morton et al. 1990, and its arithmetic: 30 x 0.5625 x 0.64 exp(1.08).
    """
    record = ride(np.arange(1800), np.full(1800, 130.0))
    load = review(record, table(SCHEME, 200, 40), "male").load
    assert load == pytest.approx(32, abs=0.5)
    assert load == pytest.approx(30 * 0.5625 * 0.64 * math.exp(1.92 * 0.5625), rel=1e-12)


def test_load_for_women() -> None:
    """The same half hour with the weights for women, 0.86 exp(1.67 HRr) (Banister 1991; Morton et al. 1990)."""
    record = ride(np.arange(1800), np.full(1800, 130.0))
    load = review(record, table(SCHEME, 200, 40), "female").load
    assert load == pytest.approx(30 * 0.5625 * 0.86 * math.exp(1.67 * 0.5625), rel=1e-12)


def test_summing_second_by_second_never_gives_less_than_the_mean_heart_rate_would() -> None:
    """x exp(kx) is convex, so intervals count more than their mean (Jensen's inequality)."""
    bpm = np.where(np.arange(3600) // 240 % 2, 170.0, 110.0)
    bands = table(SCHEME, 200, 40)
    even = review(ride(np.arange(3600), np.full(3600, bpm.mean())), bands, "male").load
    uneven = review(ride(np.arange(3600), bpm), bands, "male").load
    assert even is not None
    assert uneven is not None
    assert uneven > even


@pytest.mark.parametrize("tau_s", [47.2, 68.7, 90.2])
def test_fall_in_the_first_minute_of_a_first_order_recovery(tau_s: float) -> None:
    """A heart that leaves 178 bpm for 100 bpm with time constant tau has fallen by 78 (1 - exp(-60 / tau)) after 60 s.

    Time constant on a cycle ergometer 68.7 s, SD 21.5 s (Hunt et al. 2019, figshare 9720008). The minute: Cole et al.,
    N Engl J Med 341:1351, 1999.
    """
    after = np.arange(300)
    bpm = np.concatenate([np.full(300, 178.0), 100 + 78 * np.exp(-after / tau_s)])
    (effort,) = review(ride(np.arange(600), bpm), table(SCHEME, 200, 40)).recoveries
    assert effort.t_s == 300
    assert effort.fall_bpm == pytest.approx(78 * (1 - math.exp(-60 / tau_s)), abs=1e-9)


def slow_review(record: RideRecord, bands: BandTable) -> dict[str, object]:
    """The definitions of docs/review.md walked millisecond step by millisecond step, with plain loops."""
    step_ms, end_ms = 50, round(record.duration_s * 1000)
    out: dict[str, float] = dict.fromkeys(("paused", "unknown", "in", "above", "below", "target_unknown", "none"), 0)
    band = dict.fromkeys(range(1, len(bands.scheme.bands) + 1), 0)
    beats = weight = 0.0
    row, mark = -1, 0
    paused, low, high = False, None, None
    for now in range(0, end_ms, step_ms):
        while row + 1 < len(record.t_s) and round(record.t_s[row + 1] * 1000) <= now:
            row += 1
        while mark < len(record.marks) and round(record.marks[mark].t_s * 1000) <= now:
            one = record.marks[mark]
            if one.kind in ("pause", "resume"):
                paused = one.kind == "pause"
            if one.kind == "target":
                low, high = one.detail["low_bpm"], one.detail["high_bpm"]
            mark += 1
        if paused:
            out["paused"] += step_ms
            continue
        bpm = None
        if row >= 0 and now < round(record.t_s[row] * 1000) + 5000 and not math.isnan(record.trusted_bpm[row]):
            bpm = float(record.trusted_bpm[row])
        if bpm is None:
            out["unknown"] += step_ms
            out["none" if low is None else "target_unknown"] += step_ms
            continue
        band[bands.band_of(bpm).number] += step_ms
        beats += bpm * step_ms
        weight += step_ms
        shown = math.floor(bpm + 0.5)
        lane = "none" if low is None else "below" if shown < low else "above" if shown > high else "in"
        out[lane] += step_ms
    return {**out, "band": band, "mean": beats / weight if weight else None}


@pytest.mark.parametrize("seed", range(12))
def test_times_and_bands_equal_a_walk_through_the_ride(seed: int) -> None:
    """A slow implementation on a 50 ms raster, on rides whose every moment lies on that raster."""
    rng = np.random.default_rng(seed)
    size = 250
    t = np.cumsum(
        rng.choice([0.0, 0.05, 0.8, 1.0, 1.2, 4.9, 7.0, 30.0], size, p=[0.02, 0.08, 0.2, 0.5, 0.1, 0.04, 0.04, 0.02])
    )
    t = np.round(t / 0.05) * 0.05
    bpm = np.clip(140 + np.cumsum(rng.normal(0, 3, size)), 60, 195)
    bpm[rng.random(size) < 0.1] = np.nan
    bpm[rng.random(size) < 0.1] = 119.5
    marks = []
    for at in sorted(round(float(x) / 0.05) * 0.05 for x in rng.uniform(0, t[-1], 14)):
        lane = [(120, 138), (100, 150), (None, None)][int(rng.integers(3))]
        kind = ["pause", "resume", "target"][int(rng.integers(3))]
        marks.append(Mark(at, kind, {"low_bpm": lane[0], "high_bpm": lane[1]} if kind == "target" else {}))
    record = ride(t, bpm, marks, duration_s=round(float(t[-1]) - 3 + 10 * (seed % 2), 2))
    bands = table(SCHEME, 184, 50)
    it, slow = review(record, bands), slow_review(record, bands)
    assert {number: round(s * 1000) for number, s in it.band_s.items()} == slow["band"]
    fast = {
        "paused": it.paused_s,
        "unknown": it.unknown_s,
        "in": it.in_target_s,
        "above": it.above_target_s,
        "below": it.below_target_s,
        "target_unknown": it.target_unknown_s,
        "none": it.no_target_s,
    }
    assert {key: round(s * 1000) for key, s in fast.items()} == {key: slow[key] for key in fast}
    assert it.mean_bpm == pytest.approx(slow["mean"], abs=1e-9)


def test_fall_after_the_peak_of_recorded_graded_tests(graded_tests: list[Path]) -> None:
    """Five recorded hearts: the fall equals a plain reading of a median-filtered tachogram, one minute apart."""
    import scipy.signal

    for path in graded_tests:
        with path.open(newline="") as file:
            rows = [(float(row["t_s"]), float(row["rr_ms"])) for row in csv.DictReader(file)]
        t = np.array([row[0] for row in rows])
        bpm = scipy.signal.medfilt(60_000 / np.array([row[1] for row in rows]), 15)
        efforts = review(
            ride(t, bpm, duration_s=float(t[-1])), table(SCHEME, max(120, round(bpm.max())), 50)
        ).recoveries
        assert efforts, path.name
        for effort in efforts:
            if effort.t_s is None:
                continue
            ends = [bpm[np.flatnonzero(t <= at)[-1]] for at in (effort.t_s, effort.t_s + 60)]
            assert effort.fall_bpm == pytest.approx(ends[0] - ends[1]), path.name
