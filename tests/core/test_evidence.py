"""Evidence of the maximum on made recordings: the true peak is known, and artefacts are laid over it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_app.core.events import Sample
from firmware_app.core.evidence import Evidence, find
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, record_of

Rng = np.random.Generator


def beats(rng: Rng, top_bpm: float) -> np.ndarray:
    """RR intervals in ms of a graded test of 25 minutes that reaches ``top_bpm``, counted in steps of 8 ms."""
    made, t_s = [], 0.0
    while t_s < 1500:
        at = [0, 180, 1080, 1110, 1140, 1200, 1500]
        bpm = np.interp(t_s, at, [80, 95, top_bpm - 3, top_bpm, top_bpm - 2, top_bpm - 35, 100])
        breathing = 0.012 + 0.04 * max(0.0, (130 - bpm) / 70)
        rr_ms = 60000 / bpm * (1 + breathing * (0.7 * rng.standard_normal() + np.sin(1.5 * t_s)))
        made.append(rr_ms)
        t_s += rr_ms / 1000
    return np.array(made)


def evidence(rr_ms: np.ndarray) -> Evidence:
    rr_ms = np.round(rr_ms / 8) * 8
    end_s = np.cumsum(rr_ms) / 1000
    samples = [
        Sample(float(t_s), Measurement(None, (float(rr),)), None, 0.0) for t_s, rr in zip(end_s, rr_ms, strict=True)
    ]
    return find(record_of(RideFacts(180), samples, [], float(end_s[-1])))


def counted_twice(part: np.ndarray, rng: Rng) -> np.ndarray:
    return np.repeat(part / 2, 2)


def counted_twice_unevenly(part: np.ndarray, rng: Rng) -> np.ndarray:
    share = rng.uniform(0.4, 0.48)
    return np.stack([part * share, part * (1 - share)], axis=1).ravel()


def every_second_missed(part: np.ndarray, rng: Rng) -> np.ndarray:
    return part[: part.size // 2 * 2].reshape(-1, 2).sum(axis=1)


def some_missed(part: np.ndarray, rng: Rng) -> np.ndarray:
    keep = rng.random(part.size) > 0.2
    keep[-1] = True
    return np.diff(np.cumsum(part)[keep], prepend=0.0)


def any_noise(part: np.ndarray, rng: Rng) -> np.ndarray:
    noise = rng.uniform(250, 800, max(int(part.sum() / 500), 1))
    return noise * part.sum() / noise.sum()


def early_beats(part: np.ndarray, rng: Rng) -> np.ndarray:
    part = part.copy()
    for at in range(0, part.size - 1, int(rng.integers(3, 6))):
        early = 0.3 * part[at]
        part[at] -= early
        part[at + 1] += early
    return part


def splinters(part: np.ndarray, rng: Rng) -> np.ndarray:
    torn_ms = rng.uniform(8, 32) * rng.uniform(0.8, 1.2, part.size)
    return np.stack([part - torn_ms, torn_ms], axis=1).ravel()


ARTEFACTS = [splinters, counted_twice, counted_twice_unevenly, every_second_missed, some_missed, any_noise, early_beats]


@pytest.mark.parametrize("spoil", ARTEFACTS, ids=lambda spoil: spoil.__name__)
def test_bursts_up_to_half_a_minute_never_raise_the_peak(
    spoil: Callable[[np.ndarray, Rng], np.ndarray],
) -> None:
    for seed in range(12):
        rng = np.random.default_rng(seed)
        top_bpm = rng.uniform(165, 200)
        rr_ms = beats(rng, top_bpm)
        for begin_s in (rng.uniform(0, 1450), rng.uniform(1000, 1080)):
            end_s = np.cumsum(rr_ms) / 1000
            inside = np.flatnonzero((end_s >= begin_s) & (end_s < begin_s + rng.uniform(3, 30)))
            rr_ms = np.concatenate([rr_ms[: inside[0]], spoil(rr_ms[inside], rng), rr_ms[inside[-1] + 1 :]])
        found = evidence(rr_ms)
        assert found.peak_bpm is not None
        assert top_bpm - 3 < found.peak_bpm < top_bpm + 3, seed
        assert any(stretch.peak_bpm == found.peak_bpm and not stretch.doubt for stretch in found.stretches)
        assert all(stretch.held_s >= 4 or stretch.doubt for stretch in found.stretches)


@pytest.mark.parametrize("share", [0.3, 0.6, 1.0])
@pytest.mark.parametrize("torn_ms", [8, 16, 24, 32])
def test_beats_that_a_splinter_was_torn_off_are_not_faster_than_they_were(torn_ms: int, share: float) -> None:
    """An edge that a strap sees twice, on any share of the beats, for as long as the ride lasts."""
    rng = np.random.default_rng(3)
    rr_ms = beats(rng, 185)
    torn = np.where(rng.random(rr_ms.size) < share, torn_ms, 0)
    pieces_ms = np.stack([rr_ms - torn, torn], axis=1).ravel()
    found = evidence(pieces_ms[pieces_ms > 0])
    assert found.peak_bpm is None or found.peak_bpm < 188


def test_a_rate_locked_to_something_else_is_left_out_and_named() -> None:
    rng = np.random.default_rng(1)
    rr_ms = beats(rng, 180)
    at = int(np.searchsorted(np.cumsum(rr_ms) / 1000, 700))
    locked = np.full(80, 60000 / 212)  # 23 s, when the heart is near 140
    found = evidence(np.concatenate([rr_ms[:at], locked, rr_ms[at + 55 :]]))
    assert found.peak_bpm == pytest.approx(180, abs=3)
    false = [stretch for stretch in found.stretches if stretch.peak_bpm > 200]
    assert false
    assert all("step" in stretch.doubt for stretch in false)


@pytest.mark.parametrize(("before_s", "locked_s"), [(300, 90), (600, 200)])
def test_a_rate_locked_for_minutes_and_left_near_the_top_is_not_the_peak(before_s: int, locked_s: int) -> None:
    """It lasts longer than the ride before it, and the way down from the true top fits it."""
    rng = np.random.default_rng(0)

    def beating(bpm: Callable[[float], float], for_s: float) -> list[float]:
        made: list[float] = []
        while sum(made) < for_s * 1000:
            made.append(60000 / bpm(sum(made) / 1000) * (1 + 0.008 * rng.standard_normal()))
        return made

    found = evidence(
        np.array(
            beating(lambda t_s: 100 + 47 * t_s / before_s, before_s)
            + beating(lambda t_s: 193, locked_s)
            + beating(lambda t_s: max(180 - 0.6 * t_s, 115), 500)
        )
    )
    assert (found.peak_bpm or 0) < 183
    assert any(stretch.peak_bpm > 190 and "contradicted" in stretch.doubt for stretch in found.stretches)


def test_a_rate_that_drifts_off_and_snaps_back_is_not_the_peak() -> None:
    rng = np.random.default_rng(2)
    rr_ms = beats(rng, 175)
    at = int(np.searchsorted(np.cumsum(rr_ms) / 1000, 600))
    rr_ms[at : at + 110] /= np.linspace(1, 1.55, 110)  # to about 205 bpm in some 40 s
    found = evidence(rr_ms)
    assert found.peak_bpm is not None
    assert found.peak_bpm < 178


@pytest.mark.parametrize("slide_bpm_s", [0.35, 0.6, 1.0])
@pytest.mark.parametrize("up", [True, False])
def test_the_way_to_a_rate_that_snaps_back_or_from_one_that_snapped_off_is_none_either(
    slide_bpm_s: float, up: bool
) -> None:
    """No part of it stands far enough from the snap to be the heart, however slowly it went."""
    rng = np.random.default_rng(4)
    way_s = 47 / slide_bpm_s
    at_s = [0, 300, 400, 500, 600, 600 + way_s, 640 + way_s, 640.1 + way_s, 720 + way_s]
    bpm = [100, 130, 146, 146, 131, 178, 178, 131, 120]
    if not up:
        at_s, bpm = [at_s[-1] - t_s for t_s in reversed(at_s)], bpm[::-1]
    rr_ms: list[float] = []
    while (t_s := sum(rr_ms) / 1000) < at_s[-1]:
        rr_ms.append(60000 / float(np.interp(t_s, at_s, bpm)) * (1 + 0.008 * rng.standard_normal()))
    found = evidence(np.array(rr_ms))
    assert found.peak_bpm == pytest.approx(146, abs=3)
    assert any(stretch.peak_bpm > 170 and stretch.doubt for stretch in found.stretches)


def packets(bpm: float, from_s: int, past_s: int) -> list[Sample]:
    """A lively heart in notifications of two intervals a second."""
    rng = np.random.default_rng(from_s)
    rr_ms = np.round(60000 / bpm * (1 + 0.01 * rng.standard_normal((past_s - from_s, 2))), 1)
    return [
        Sample(float(t_s), Measurement(round(bpm), tuple(pair)), bpm, 1.0)
        for t_s, pair in zip(range(from_s, past_s), rr_ms.tolist(), strict=True)
    ]


@pytest.mark.parametrize("stuck", [Measurement(190, (316.0, 315.0, 317.0)), Measurement(None, (316.0, 315.0, 317.0))])
def test_what_a_stuck_strap_repeats_after_a_gap_is_no_peak(stuck: Measurement) -> None:
    repeated = [Sample(float(t_s), stuck, None, 0.0) for t_s in range(700, 760)]
    samples = [*packets(140, 0, 600), *repeated, *packets(140, 860, 1200)]
    found = find(record_of(RideFacts(200), samples, [], 1200.0))
    assert found.peak_bpm == pytest.approx(140, abs=3)


@pytest.mark.parametrize("turns", ["AB", "AABB"])
def test_two_packets_that_a_stuck_strap_sends_by_turns_are_no_peak_either(turns: str) -> None:
    packet = {"A": Measurement(187, (320.0, 321.0, 322.0)), "B": Measurement(188, (319.0, 321.0, 320.0))}
    repeated = [Sample(float(700 + i), packet[turns[i % len(turns)]], None, 0.0) for i in range(60)]
    samples = [*packets(140, 0, 600), *repeated, *packets(140, 860, 1200)]
    found = find(record_of(RideFacts(200), samples, [], 1200.0))
    assert found.peak_bpm == pytest.approx(140, abs=3)


def test_a_strap_that_sends_intervals_is_judged_by_them_however_much_it_drops_out() -> None:
    """What it reports without any, as one that is stuck or off the skin does, is nothing then."""
    held = [Sample(float(t_s), Measurement(190), None, 0.0) for t_s in range(1500, 1560)]
    samples = [*packets(140, 0, 300), *held, *packets(140, 3000, 3300)]
    found = find(record_of(RideFacts(200), samples, [], 3300.0))
    assert found.from_rr
    assert found.peak_bpm == pytest.approx(140, abs=3)


def ridden(bpm: list[float], contact: list[bool] | None = None) -> list[Sample]:
    """A notification a second of a lively heart at these rates, with the contact flag; no rate: nothing arrives."""
    rng = np.random.default_rng(len(bpm))
    samples, end_s = [], 0.0
    for t_s, rate in enumerate(bpm):
        rr_ms = []
        while end_s < t_s + 1:
            rr_ms.append(60000 / (rate or 140) * (1 + 0.01 * rng.standard_normal()))
            end_s += rr_ms[-1] / 1000
        if rate:
            measured = Measurement(round(rate), tuple(rr_ms), contact[t_s] if contact else None)
            samples.append(Sample(t_s + 1.0, measured, None, 0.0))
    return samples


def found_in(bpm: list[float], contact: list[bool] | None = None) -> Evidence:
    return find(record_of(RideFacts(180), ridden(bpm, contact), [], float(len(bpm))))


CLIMB = [140.0] * 300 + [140 + i for i in range(60)] + [200.0] * 60
"""Five minutes, then a rate that slides away at the pace of a heart and stays a minute at 200 bpm."""


@pytest.mark.parametrize(("step_bpm", "peak_bpm"), [(2.0, 176), (0.25, 185)])
def test_what_static_drives_an_average_up_to_is_not_the_peak(step_bpm: float, peak_bpm: float) -> None:
    """It comes and goes in a point; a heart is round at its top, and rounder still when it is averaged."""
    steady = [170 + 6 * np.sin(t_s / 40) for t_s in range(600)]
    rise = list(np.arange(175, {2.0: 211, 0.25: 185}[step_bpm], step_bpm))
    said = enumerate([*steady, *rise, *rise[::-1], *steady], 1)
    samples = [Sample(float(t_s), Measurement(round(bpm)), None, 0.0) for t_s, bpm in said]
    found = find(record_of(RideFacts(180), samples, [], 1300.0))
    assert found.peak_bpm == pytest.approx(peak_bpm, abs=1.5)
    assert any("point" in stretch.doubt for stretch in found.stretches) is (step_bpm == 2.0)


def test_beats_without_skin_contact_are_no_evidence() -> None:
    found = found_in([*CLIMB, *[140.0] * 300], [True] * 300 + [False] * 120 + [True] * 300)
    assert found.peak_bpm == pytest.approx(140, abs=3)


def test_a_contact_flag_that_is_never_set_says_nothing() -> None:
    found = found_in(CLIMB, [False] * 420)
    assert found.peak_bpm == pytest.approx(200, abs=3)


def test_a_contact_flag_that_is_hardly_ever_set_is_named_as_the_reason() -> None:
    found = found_in(CLIMB, [True] * 20 + [False] * 400)
    assert found.peak_bpm is None
    assert "contact flag" in found.reason


@pytest.mark.parametrize(("reported_bpm", "peak_bpm"), [(60, None), (115, 120), (0, 120), (None, 120)])
def test_intervals_that_the_strap_itself_reports_far_less_for_are_no_peak(
    reported_bpm: int | None, peak_bpm: float | None
) -> None:
    """Beats counted twice all the way: nothing else in the recording tells."""
    samples = [
        Sample(one.t_s, Measurement(reported_bpm, one.measurement.rr_ms), None, 0.0) for one in packets(120, 0, 600)
    ]
    found = find(record_of(RideFacts(180), samples, [], 600.0))
    assert found.peak_bpm == (peak_bpm and pytest.approx(peak_bpm, abs=3))
    assert ("reported far less" in found.reason) == (peak_bpm is None)


@pytest.mark.parametrize("gap_s", [0, 5])
@pytest.mark.parametrize(("from_bpm", "to_bpm", "in_s"), [(125, 205, 30), (125, 195, 30), (145, 205, 20)])
def test_a_rate_that_keeps_rising_faster_than_a_heart_is_not_the_peak(
    from_bpm: int, to_bpm: int, in_s: int, gap_s: int
) -> None:
    """No step of it is too high by itself; a short silence on the way changes nothing."""
    up = np.linspace(from_bpm, to_bpm, in_s).tolist()
    easy = np.linspace(150, from_bpm, 100).tolist()
    found = found_in([150.0] * 200 + easy + up + [to_bpm] * 20 + [0.0] * gap_s + [to_bpm] * 40)
    assert found.peak_bpm == pytest.approx(150, abs=3)
    assert any("faster than a heart" in stretch.doubt for stretch in found.stretches)


@pytest.mark.parametrize("in_s", [30, 40, 50])
def test_a_rate_that_slides_down_faster_than_a_heart_is_not_the_peak(in_s: int) -> None:
    """A dry strap: high from the start, until it is wet."""
    ride = [*np.linspace(110, 165, 600).tolist(), *np.linspace(165, 110, 300).tolist()]
    found = found_in([200.0] * 120 + np.linspace(200, 110, in_s).tolist() + ride)
    assert found.peak_bpm == pytest.approx(165, abs=3)
    assert any(stretch.peak_bpm > 190 and "fell faster" in stretch.doubt for stretch in found.stretches)


@pytest.mark.parametrize("tau_s", [18, 25, 40, 55])
def test_a_sprint_is_no_such_rise(tau_s: int) -> None:
    """First order, from 135 bpm towards 190 for two minutes, then back; docs/simulator.md has the time constants."""
    up = [190 - 55 * np.exp(-i / tau_s) for i in range(120)]
    down = [110 + (up[-1] - 110) * np.exp(-i / 75) for i in range(200)]
    assert found_in([135.0] * 200 + up + down).peak_bpm == pytest.approx(up[-1], abs=3)


@pytest.mark.parametrize("gap_s", [0, 5, 12])
@pytest.mark.parametrize("after", [[0.0] * 45 + [145.0] * 300, []], ids=["silence", "end"])
def test_a_lock_that_begins_and_ends_unseen_is_not_the_peak(after: list[float], gap_s: int) -> None:
    """In 45 s of silence a heart may rise by 41 bpm; a short silence amid the lock makes no witness of either half."""
    lock = [186.0] * 50 + [0.0] * gap_s + [186.0] * 50
    found = found_in([145.0] * 600 + [0.0] * 45 + lock + after)
    assert found.peak_bpm == pytest.approx(145, abs=3)
    assert any(stretch.peak_bpm > 180 and "silences" in stretch.doubt for stretch in found.stretches)


@pytest.mark.parametrize("gap_s", [0, 5, 8, 20, 40])
def test_a_lock_after_a_silence_in_which_no_heart_gets_there_is_not_the_peak(gap_s: int) -> None:
    """Beats counted twice from a stop on, for longer than the ride before it."""
    found = found_in([95.0] * 600 + [0.0] * gap_s + [190.0] * 1200)
    assert found.peak_bpm is None
    assert "contradicted" in found.reason


@pytest.mark.parametrize("fading", [True, False])
def test_a_top_after_a_silence_counts_where_the_way_up_or_down_is_seen(fading: bool) -> None:
    shape = [180.0] * 20 + np.linspace(180, 148, 40).tolist()
    found = found_in([145.0] * 300 + [0.0] * 45 + (shape if fading else shape[::-1]) + [0.0] * 45 + [145.0] * 300)
    assert found.peak_bpm == pytest.approx(180, abs=3)


def test_what_leads_over_the_limit_is_no_peak_below_it_either() -> None:
    """Beats counted twice for a quarter of an hour, while the heart rises from 95 to 125."""
    found = found_in([*np.linspace(190, 250, 900), *np.linspace(125, 160, 600), *[160.0] * 200])
    assert found.peak_bpm == pytest.approx(160, abs=3)
    assert any("faster than a rider" in stretch.doubt for stretch in found.stretches)
    assert not any(stretch.peak_bpm > 165 and not stretch.doubt for stretch in found.stretches)


@pytest.mark.parametrize("gap_s", [5, 20, 45])
def test_what_goes_on_after_a_silence_where_it_was_over_the_limit_is_no_peak_either(gap_s: int) -> None:
    """Beats counted twice while the heart calms down from 119 to 98."""
    over, after = np.linspace(238, 222, 300).tolist(), np.linspace(220, 196, 500).tolist()
    found = found_in([*np.linspace(120, 160, 300), *over, *[0.0] * gap_s, *after])
    assert (found.peak_bpm or 0) < 165
    assert any(217 < one.peak_bpm < 223 and "faster than a rider" in one.doubt for one in found.stretches)


def sprinting(silences_s: list[tuple[int, int]]) -> Evidence:
    """A sprint of a minute to 188 bpm with silences in it, each from second to second of it."""
    up = [190 - 40 * np.exp(-i / 18) for i in range(60)]
    bpm = [*up, *(110 + (up[-1] - 110) * np.exp(-i / 75) for i in range(200))]
    for from_s, past_s in silences_s:
        bpm[from_s:past_s] = [0.0] * (past_s - from_s)
    return found_in([150.0] * 300 + bpm)


@pytest.mark.parametrize(
    "silences_s", [[(25, 29), (65, 69)], [(35, 40), (75, 80)], [(10, 16), (30, 36), (50, 56), (70, 76)]]
)
def test_short_silences_do_not_hide_a_sprint(silences_s: list[tuple[int, int]]) -> None:
    assert sprinting(silences_s).peak_bpm == pytest.approx(189, abs=2)


def test_what_is_doubted_between_silences_alone_is_not_said_to_be_among_noise() -> None:
    found = sprinting([(20, 33), (60, 73)])
    doubts = {stretch.doubt for stretch in found.stretches if stretch.peak_bpm > 185}
    assert doubts == {"stands alone between gaps"}


def reported(bpm: list[float]) -> Evidence:
    """A whole bpm a second, without RR intervals."""
    samples = [Sample(float(t_s), Measurement(round(rate)), None, 0.0) for t_s, rate in enumerate(bpm)]
    return find(record_of(RideFacts(180), samples, [], float(len(bpm))))


@pytest.mark.parametrize("frozen_s", [20, 60, 300])
def test_a_reported_number_that_is_jumped_to_and_never_moves_is_no_peak(frozen_s: int) -> None:
    up, down = np.linspace(130, 167, 400).tolist(), np.linspace(166, 120, 300).tolist()
    assert reported([*up, *[176.0] * frozen_s, *down]).peak_bpm == pytest.approx(167, abs=1.5)


def test_a_reported_number_that_stands_still_is_a_peak_where_it_was_climbed_to() -> None:
    """Also after one report that was too low."""
    up, down = np.linspace(130, 176, 120).tolist(), np.linspace(176, 120, 200).tolist()
    assert reported([*up, *[176.0] * 20, 90.0, *[176.0] * 40, *down]).peak_bpm == pytest.approx(176, abs=1)


def test_a_recording_with_a_row_every_few_seconds_is_no_evidence_and_says_why() -> None:
    samples = [Sample(5.0 * i, Measurement(170 + i % 3), None, 0.0) for i in range(200)]
    found = find(record_of(RideFacts(180), samples, [], 1000.0))
    assert (found.peak_bpm, found.raw_peak_bpm) == (None, 172)
    assert "every 5 s" in found.reason


def test_noise_alone_is_no_evidence_and_says_why() -> None:
    rng = np.random.default_rng(3)
    found = evidence(rng.uniform(250, 900, 2000))
    assert found.peak_bpm is None
    assert found.reason
    assert found.raw_peak_bpm is not None


def test_an_empty_recording_says_so() -> None:
    found = find(record_of(RideFacts(180), [Sample(0.0, Measurement(None), None, 0.0)], [], 0.0))
    assert (found.peak_bpm, found.raw_peak_bpm) == (None, None)
    assert "no heart rate" in found.reason


row = st.tuples(st.floats(0, 3), st.none() | st.integers(0, 65535), st.lists(st.floats(0, 64000, width=32), max_size=4))


@settings(max_examples=60)
@given(st.lists(row, max_size=60))
def test_whatever_a_strap_sends_is_survived(rows: list[tuple[float, int | None, list[float]]]) -> None:
    t_s, samples = 0.0, []
    for after_s, hr_bpm, rr_ms in rows:
        t_s += after_s
        samples.append(Sample(t_s, Measurement(hr_bpm, tuple(rr_ms)), None, 0.0))
    found = find(record_of(RideFacts(180), samples, [], t_s))
    assert found.peak_bpm is None or 30 <= found.peak_bpm <= 230
    assert (found.peak_bpm is None) == bool(found.reason)
