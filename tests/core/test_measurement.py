"""The wire format, by worked packets of the standard and by its laws."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.measurement import RR_TICKS_PER_S, Measurement, PacketError, decode, encode

u16 = st.integers(0, 0xFFFF)
on_the_wire = st.builds(
    Measurement,
    hr_bpm=u16,
    rr_ms=st.lists(u16.map(lambda ticks: ticks * 1000 / RR_TICKS_PER_S), max_size=9).map(tuple),
    contact=st.sampled_from([None, True, False]),
    energy_kj=st.none() | u16,
)


# Worked by hand from Heart Rate Service 1.0 (Bluetooth SIG, 2011-07-12), 3.1.1: flags bit 0 16-bit value, bits 1-2
# contact, bit 3 energy, bit 4 RR; little-endian; RR in 1/1024 s, oldest first.
@pytest.mark.parametrize(
    ("packet", "measurement"),
    [
        ("0048", Measurement(72)),
        ("010401", Measurement(260)),
        ("024d", Measurement(77, contact=None)),  # "detected" means nothing where contact is not supported
        ("044d", Measurement(77, contact=False)),
        ("064d", Measurement(77, contact=True)),
        ("08640a00", Measurement(100, energy_kj=10)),
        ("103c0004", Measurement(60, (1000.0,))),
        ("107800020003", Measurement(120, (500.0, 750.0))),
        ("1f2c01ffff00040002", Measurement(300, (1000.0, 500.0), True, 0xFFFF)),
        ("1000", Measurement(0)),  # RR promised, none sent
    ],
)
def test_worked_packets(packet: str, measurement: Measurement) -> None:
    assert decode(bytes.fromhex(packet)) == measurement


@given(on_the_wire)
def test_what_was_encoded_is_decoded(measurement: Measurement) -> None:
    assert decode(encode(measurement)) == measurement


@given(on_the_wire, st.integers(1, 7))
def test_reserved_bits_are_ignored(measurement: Measurement, reserved: int) -> None:
    packet = bytearray(encode(measurement))
    packet[0] |= reserved << 5
    assert decode(packet) == measurement


@given(on_the_wire, st.data())
def test_a_packet_cut_short_is_an_error_or_ends_between_two_rr_intervals(
    measurement: Measurement, data: st.DataObject
) -> None:
    packet = encode(measurement)
    size = data.draw(st.integers(0, len(packet) - 1))
    beats_from = len(packet) - 2 * len(measurement.rr_ms)
    if measurement.rr_ms and size >= beats_from and (size - beats_from) % 2 == 0:
        whole = measurement.rr_ms[: (size - beats_from) // 2]
        assert decode(packet[:size]).rr_ms == whole
    else:
        with pytest.raises(PacketError):
            decode(packet[:size])


@given(st.binary(max_size=40))
def test_any_bytes_are_a_measurement_or_a_packet_error(packet: bytes) -> None:
    try:
        measurement = decode(packet)
    except PacketError:
        return
    assert decode(encode(measurement)) == measurement


@given(st.floats(0, 0xFFFF * 1000 / RR_TICKS_PER_S))
def test_an_rr_interval_travels_to_the_nearest_tick(rr_ms: float) -> None:
    (sent_ms,) = decode(encode(Measurement(60, (rr_ms,)))).rr_ms
    assert abs(sent_ms - rr_ms) <= 500 / RR_TICKS_PER_S + 1e-9


@pytest.mark.parametrize(
    ("measurement", "field"),
    [
        (Measurement(None, (800.0,)), "hr_bpm"),
        (Measurement(-1), "hr_bpm"),
        (Measurement(0x10000), "hr_bpm"),
        (Measurement(60, energy_kj=0x10000), "energy_kj"),
        (Measurement(60, (64_000.0,)), "rr_ms"),
        (Measurement(60, (-1.0,)), "rr_ms"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(measurement: Measurement, field: str) -> None:
    with pytest.raises(ValueError, match=field):
        encode(measurement)
