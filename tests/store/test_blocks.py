"""What goes into a block comes out of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.bands import whole_bpm
from firmware_app.core.events import Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideRecord
from firmware_app.store import blocks
from tests.store.made_rides import records, ride, sample


def one_by_one(record: RideRecord) -> list[tuple[bytes, bytes]]:
    ends = np.searchsorted(record.rr_row, np.arange(len(record.t_s) + 1))
    made: list[blocks.Block] = []
    for row in range(len(record.t_s)):
        hr_bpm, trusted_bpm, contact = record.hr_bpm[row], record.trusted_bpm[row], int(record.contact[row])
        packed = blocks.pack(
            Sample(
                float(record.t_s[row]),
                Measurement(
                    None if np.isnan(hr_bpm) else int(hr_bpm),
                    tuple(record.rr_ms[ends[row] : ends[row + 1]].tolist()),
                    None if contact < 0 else bool(contact),
                ),
                None if np.isnan(trusted_bpm) else float(trusted_bpm),
                float(record.quality[row]),
            )
        )
        if not made or not made[-1].has_room(*packed):
            made.append(blocks.Block(len(made)))
        made[-1].add(*packed)
    return [(bytes(block.rows), bytes(block.rr)) for block in made]


@given(records())
def test_a_ride_comes_back_as_it_was_reported(record: RideRecord) -> None:
    columns = blocks.unpack(blocks.pack_record(record))
    for column in ("t_s", "hr_bpm", "contact", "rr_ms", "rr_row"):
        assert np.array_equal(getattr(columns, column), getattr(record, column), equal_nan=True), column
    assert np.array_equal(np.isnan(columns.trusted_bpm), np.isnan(record.trusted_bpm))


@given(records())
def test_a_whole_ride_packs_to_the_bytes_of_its_measurements(record: RideRecord) -> None:
    assert list(blocks.pack_record(record)) == one_by_one(record)


@given(st.floats(0, 500))
def test_no_stored_heart_rate_changes_its_whole_beat(trusted_bpm: float) -> None:
    stored = float(blocks.unpack([blocks.pack(Sample(0.0, Measurement(100), trusted_bpm, 1.0))]).trusted_bpm[0])
    assert whole_bpm(stored) == whole_bpm(trusted_bpm)
    assert 0 <= trusted_bpm - stored < 1 / 128


def test_nonsense_is_held_at_the_ends_of_its_fields() -> None:
    wild = Sample(-5.0, Measurement(99_999, (1e12, -3.0)), 1e9, 7.0)
    columns = blocks.unpack([blocks.pack(wild)])
    assert (columns.t_s[0], columns.hr_bpm[0], columns.quality[0]) == (0.0, 65_535, 1.0)
    assert columns.rr_ms.tolist() == [(2**32 - 1) / 128, 0.0]


def test_a_block_fills_a_page_and_no_more() -> None:
    pairs = list(blocks.pack_record(ride(1000)))
    assert len(pairs) > 10
    assert all(blocks.BLOCK_BYTES - 40 < len(rows) + len(rr) <= blocks.BLOCK_BYTES for rows, rr in pairs[:-1])


@pytest.mark.parametrize("cut", ["rows", "rr"])
def test_a_damaged_block_is_told(cut: str) -> None:
    rows, rr = blocks.pack(sample(1))
    damaged = (rows[:-1], rr) if cut == "rows" else (rows, rr[:-1])
    with pytest.raises(blocks.BlockError):
        blocks.unpack([damaged])
