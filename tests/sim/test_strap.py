"""The simulated strap: what a clean one sends, and the mark that each fault leaves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.dice import Dice
from sim.rider import STEP_S
from sim.strap import Episode, Fault, Faults, Row, Strap, beats, episodes, notifications

CHEST = Strap(signal="both", averaging_s=4.0, contact=True, optical=False)
ARM = Strap(signal="bpm", averaging_s=4.0, contact=None, optical=True)
SECONDS = 400.0


def sent(*faults: Episode, strap: Strap = CHEST, hr_bpm: float = 140.0, seed: int = 1) -> list[Row]:
    """What arrives of an even heart rate, with these faults."""
    latent = np.full(int(SECONDS / STEP_S), hr_bpm)
    return notifications(beats(latent, 185, Dice(seed, "beats")), SECONDS, strap, list(faults), seed)


def within(rows: list[Row], start_s: float, end_s: float) -> list[Row]:
    return [(t_s, m) for t_s, m in rows if start_s <= t_s < end_s]


def test_a_clean_strap_tells_the_truth_once_a_second() -> None:
    rows = sent()
    assert len(rows) == pytest.approx(SECONDS, abs=8)
    assert all(abs((m.hr_bpm or 0) - 140) <= 3 for t_s, m in rows if t_s > 5)
    rrs_ms = [rr for _, m in rows for rr in m.rr_ms]
    assert sum(rrs_ms) / 1000 == pytest.approx(SECONDS, abs=3)
    assert 60_000 / np.mean(rrs_ms) == pytest.approx(140, abs=0.5)
    assert {len(m.rr_ms) for _, m in rows} >= {2, 3}


def test_rr_intervals_are_whole_ticks_of_the_wire() -> None:
    assert all((rr * 1024 / 1000).is_integer() for _, m in sent() for rr in m.rr_ms)


def test_breathing_variability_shrinks_as_intensity_grows() -> None:
    def spread_ms(hr_bpm: float) -> float:
        return float(np.std(np.diff(beats(np.full(2400, hr_bpm), 185, Dice(3, "beats"))) * 1000))

    assert spread_ms(75) > 2 * spread_ms(110) > 4 * spread_ms(165) > 2


@pytest.mark.parametrize("signal", ["bpm", "rr"])
def test_a_strap_may_send_one_of_the_two(signal: str) -> None:
    rows = sent(strap=Strap(signal, 4.0, None, False))  # type: ignore[arg-type]
    assert all((m.hr_bpm is None) == (signal == "rr") and bool(m.rr_ms) == (signal == "rr") for _, m in rows[5:])


def test_a_missed_beat_is_one_doubled_interval() -> None:
    rrs_ms = [rr for _, m in sent(Episode("missed", 100.0, 100.0, 0.5)) for rr in m.rr_ms]
    assert sorted(rrs_ms)[-1] == pytest.approx(857, abs=60)
    assert sum(rr > 600 for rr in rrs_ms) == 1


def test_a_doubled_beat_is_two_fragments_of_one() -> None:
    # A slow heart, so that neither fragment falls into the refractory time.
    rrs_ms = [rr for _, m in sent(Episode("doubled", 100.0, 100.0, 0.5), hr_bpm=70.0) for rr in m.rr_ms]
    first = next(i for i, rr in enumerate(rrs_ms) if rr < 620)
    assert rrs_ms[first] + rrs_ms[first + 1] == pytest.approx(857, abs=120)


@pytest.mark.parametrize("roll", [0.2, 0.6, 0.9])
def test_static_spoils_the_beats_while_it_lasts_and_no_others(roll: float) -> None:
    rows = sent(Episode("static", 100.0, 115.0, roll))
    during = [rr for _, m in within(rows, 100, 117) for rr in m.rr_ms]
    assert np.mean([abs(rr / 428.6 - 1) > 0.15 for rr in during]) > 0.3
    assert all(abs(rr / 428.6 - 1) < 0.1 for _, m in within(rows, 120, 390) for rr in m.rr_ms)


def test_a_dry_start_misses_and_doubles() -> None:
    during = [rr for _, m in within(sent(Episode("dry", 0.0, 60.0, 0.5)), 0, 60) for rr in m.rr_ms]
    assert any(rr > 750 for rr in during)
    assert any(rr < 350 for rr in during)


@pytest.mark.parametrize("roll", [0.2, 0.8])
def test_a_stuck_strap_repeats_itself(roll: float) -> None:
    rows = within(sent(Episode("stuck", 100.0, 130.0, roll)), 101, 129)
    assert len({m.hr_bpm for _, m in rows}) == 1
    assert len({m.rr_ms for _, m in rows}) == 1
    assert bool(rows[0][1].rr_ms) == (roll < 0.5)


def test_an_arm_band_locks_to_the_cadence_and_a_chest_strap_does_not() -> None:
    lock = Episode("cadence", 100.0, 160.0, 0.5)
    assert all(70 < (m.hr_bpm or 0) < 105 for _, m in within(sent(lock, strap=ARM), 110, 150))
    assert all((m.hr_bpm or 0) > 130 for _, m in within(sent(lock), 110, 150))


@pytest.mark.parametrize(("roll", "flag"), [(0.4, False), (0.9, True)])
def test_lost_contact_ends_the_beats_with_or_without_the_flag(roll: float, flag: bool) -> None:
    rows = within(sent(Episode("lifted", 100.0, 130.0, roll)), 101, 129)
    assert {m.contact for _, m in rows} == {flag}
    assert all(not m.rr_ms for _, m in rows)
    assert rows[-1][1].hr_bpm == 0


def test_nothing_arrives_in_a_drop_out() -> None:
    rows = sent(Episode("dropout", 100.0, 160.0, 0.5))
    assert not within(rows, 100, 160)
    assert len(within(rows, 160, 170)) >= 9


def test_late_packets_come_bunched_and_whole() -> None:
    rows, clean = sent(Episode("late", 100.0, 105.0, 0.5)), sent()
    assert not within(rows, 100, 105)
    assert len(within(rows, 105, 105.5)) >= 5
    assert [m for _, m in rows] == [m for _, m in clean]


def test_a_restarted_strap_is_silent_and_begins_afresh() -> None:
    rows = sent(Episode("restart", 100.0, 108.0, 0.5))
    assert not within(rows, 100, 108)
    first = within(rows, 108, 120)[0][1]
    assert len(first.rr_ms) <= 3


def test_one_fault_is_drawn_without_stirring_the_others() -> None:
    plain, dirty = Faults(), Faults(static=Fault(60.0, (2, 9)))
    others = [e for e in episodes(dirty, 3600, 1.0, 5) if e.fault != "static"]
    assert others == [e for e in episodes(plain, 3600, 1.0, 5) if e.fault != "static"]


def test_faults_come_at_their_rate() -> None:
    found = [e for seed in range(20) for e in episodes(Faults(stuck=Fault(6.0, (8, 40))), 3600, 2.0, seed)]
    stuck = [e for e in found if e.fault == "stuck"]
    assert len(stuck) == pytest.approx(240, abs=50)
    assert all(8 <= e.end_s - e.start_s <= 40 for e in stuck)


def test_a_perfect_strap_has_no_faults() -> None:
    assert episodes(Faults(), 3600, 0.0, 1) == []


FAULTS = st.lists(
    st.builds(
        lambda name, start, length, roll: Episode(name, start, start + length, roll),
        st.sampled_from(Faults.__struct_fields__),
        st.floats(0, SECONDS),
        st.floats(0, 120),
        st.floats(0, 1),
    ),
    max_size=8,
)


@settings(max_examples=40)
@given(faults=FAULTS, strap=st.sampled_from([CHEST, ARM]), seed=st.integers(0, 50))
def test_whatever_goes_wrong_it_stays_a_strap(faults: list[Episode], strap: Strap, seed: int) -> None:
    rows = sent(*sorted(faults, key=lambda e: e.start_s), strap=strap, seed=seed)
    times = [t_s for t_s, _ in rows]
    assert times == sorted(times)
    assert all(m.hr_bpm == 0 or 30 <= (m.hr_bpm or 0) <= 250 for _, m in rows)
    assert all(200 < rr <= 3000 for _, m in rows for rr in m.rr_ms)
