"""What the strap peripheral sends, before any radio: every beat once, in packets that fit."""

from __future__ import annotations

import random
from itertools import accumulate, islice, pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.measurement import PacketError, decode, encode
from sim.peripheral import FAULTS, packets, recorded, spoilt, synthetic

hearts = st.lists(st.integers(250, 2500), max_size=200)


@given(hearts, st.sampled_from([1.0, 3.0, 20.0, 120.0]))
def test_every_beat_goes_out_once_at_its_time_in_packets_that_fit(rr_ms: list[int], speed: float) -> None:
    beats = [(t_ms / 1000, float(rr)) for t_ms, rr in zip(accumulate(rr_ms), rr_ms, strict=True)]
    sent = list(packets(beats, speed))
    assert [rr for _, measurement in sent for rr in measurement.rr_ms] == rr_ms
    # The smallest notification holds 20 bytes (Core Specification 4.2, vol 3 part G 5.2.1).
    assert all(len(encode(measurement)) <= 20 for _, measurement in sent)
    gone = 0
    for t_s, measurement in sent:
        gone += len(measurement.rr_ms)
        assert t_s == pytest.approx((beats[gone - 1][0] - beats[0][0]) / speed)


def test_unhurried_it_notifies_about_once_a_second() -> None:
    times_s = [t_s for t_s, _ in islice(packets(synthetic(1)), 200)]
    gaps_s = [b - a for a, b in pairwise(times_s)]
    assert all(1.0 <= gap_s < 1.7 for gap_s in gaps_s)


def test_the_synthetic_heart_is_the_same_for_the_same_seed() -> None:
    first, again, other = (list(islice(synthetic(seed), 50)) for seed in (1, 1, 2))
    assert first == again != other


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_spoil_a_packet_as_they_say(fault: str) -> None:
    _, measurement = next(packets(synthetic(1)))
    packet = encode(measurement)
    sent = list(spoilt(packet, fault, random.Random(1)))
    expected = {"none": [packet], "doubled": [packet, packet], "mute": [], "empty": [b""], "stuck-255": [b"\x00\xff"]}
    if fault in expected:
        assert sent == expected[fault]
    elif fault == "truncated":
        with pytest.raises(PacketError):
            decode(sent[0])
    else:
        assert sent != [packet]


def test_a_recording_is_read_beat_by_beat(tmp_path: Path) -> None:
    path = tmp_path / "ride.csv"
    path.write_text("t_s,hr_bpm,rr_ms,contact\n1.0,60,1000 990,1\n2.0,60,,1\n3.0,61,0 985.5,\n")
    assert list(recorded(path)) == [(1.0, 1000.0), (1.0, 990.0), (3.0, 985.5)]
