"""The wire format against an independent implementation: the heart-rate profile of bumble, both ways."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.measurement import RR_TICKS_PER_S, Measurement, decode, encode

profile = pytest.importorskip("bumble.profiles.heart_rate_service")
Theirs = profile.HeartRateService.HeartRateMeasurement

u16 = st.integers(0, 0xFFFF)
values = st.fixed_dictionaries(
    {
        "hr_bpm": u16,
        "ticks": st.lists(u16, max_size=9),
        "contact": st.sampled_from([None, True, False]),
        "energy_kj": st.none() | u16,
    }
)


def ours(hr_bpm: int, ticks: list[int], contact: bool | None, energy_kj: int | None) -> Measurement:
    return Measurement(hr_bpm, tuple(tick * 1000 / RR_TICKS_PER_S for tick in ticks), contact, energy_kj)


def theirs(hr_bpm: int, ticks: list[int], contact: bool | None, energy_kj: int | None) -> object:
    return Theirs(hr_bpm, contact, energy_kj, tuple(tick / RR_TICKS_PER_S for tick in ticks) or None)


@given(values)
def test_they_read_what_we_write(value: dict) -> None:
    assert Theirs.from_bytes(encode(ours(**value))) == theirs(**value)


@given(values)
def test_we_read_what_they_write(value: dict) -> None:
    assert decode(bytes(theirs(**value))) == ours(**value)


@given(values)
def test_both_write_the_same_bytes(value: dict) -> None:
    assert encode(ours(**value)) == bytes(theirs(**value))
