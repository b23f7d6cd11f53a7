"""Measurements to and from the bytes of one block of the log.

A block is two strings of bytes: one fixed-size row per measurement, and the RR intervals of all its rows behind each
other. Everything is little-endian. Heart rates, qualities and RR intervals lie on a grid of 1/128:

- RR intervals in 1/128 ms hold whole milliseconds (128 steps) and the strap's 1/1024 s (125 steps) without rounding;
- trusted heart rate in 1/128 bpm is rounded down, so no value ever crosses a half beat and none changes its band;
- quality in 1/128 is rounded down too.

Times are whole milliseconds. Nothing but this format lives here: no file and no database.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from struct import Struct

import numpy as np

from firmware_app.core.events import Sample
from firmware_app.core.record import Columns, RideRecord

GRID = 128
"""Steps of a bpm, of a quality and of a ms, as above."""
MAX_RR_PER_ROW = 255
"""The longest notification (512 bytes) has room for no more."""

BLOCK_BYTES = 960
"""With this much a block fills one page of 1024 bytes: a commit then writes one page, and a finished page stays put."""

_ROW = Struct("<IHHBBB")
_DTYPE = np.dtype(
    [("t_ms", "<u4"), ("hr_bpm", "<u2"), ("trusted", "<u2"), ("quality", "u1"), ("flags", "u1"), ("rr_count", "u1")]
)
ROW_BYTES = _ROW.size
_RR_BYTES = 4

_CONTACT_KNOWN = 0x01
_CONTACT = 0x02
_HR = 0x04
_TRUSTED = 0x08
"""The flags of a row: contact is known, and what it is; there is a heart rate; there is a trusted one."""

_U16_MAX = 0xFFFF
_U32_MAX = 0xFFFF_FFFF


class BlockError(ValueError):
    """The bytes are not a block: rows cut off, or RR intervals missing or left over."""


@dataclass(slots=True)
class Block:
    """A block in the making. ``dirty``: it holds something that the database does not."""

    number: int
    rows: bytearray = field(default_factory=bytearray)
    rr: bytearray = field(default_factory=bytearray)
    dirty: bool = False

    def has_room(self, row: bytes, rr: bytes) -> bool:
        """Whether one more measurement fits; an empty block takes any."""
        return not self.rows or len(self.rows) + len(self.rr) + len(row) + len(rr) <= BLOCK_BYTES

    def add(self, row: bytes, rr: bytes) -> None:
        """Put one more measurement at the end."""
        self.rows += row
        self.rr += rr
        self.dirty = True


def pack(sample: Sample) -> tuple[bytes, bytes]:
    """One measurement as a row and its RR intervals. Values that do not fit their field are held at its end."""
    measurement = sample.measurement
    flags = 0
    if measurement.contact is not None:
        flags |= _CONTACT_KNOWN | (_CONTACT if measurement.contact else 0)
    hr_bpm = 0
    if measurement.hr_bpm is not None:
        flags |= _HR
        hr_bpm = min(max(measurement.hr_bpm, 0), _U16_MAX)
    trusted = 0
    if sample.trusted_bpm is not None:
        flags |= _TRUSTED
        trusted = int(min(max(sample.trusted_bpm * GRID, 0), _U16_MAX))
    rr_ms = measurement.rr_ms[:MAX_RR_PER_ROW]
    row = _ROW.pack(
        min(max(round(sample.t_s * 1000), 0), _U32_MAX),
        hr_bpm,
        trusted,
        int(min(max(sample.quality, 0.0), 1.0) * GRID),
        flags,
        len(rr_ms),
    )
    rr = b"".join(min(max(round(rr * GRID), 0), _U32_MAX).to_bytes(_RR_BYTES, "little") for rr in rr_ms)
    return row, rr


def pack_record(record: RideRecord) -> Iterator[tuple[bytes, bytes]]:
    """A whole ride as blocks, the same bytes that packing it one by one gives."""
    count = len(record.t_s)
    rows = np.zeros(count, dtype=_DTYPE)
    has_hr = np.isfinite(record.hr_bpm)
    has_trusted = np.isfinite(record.trusted_bpm)
    rows["t_ms"] = np.clip(np.rint(record.t_s * 1000), 0, _U32_MAX)
    rows["hr_bpm"] = np.clip(np.where(has_hr, record.hr_bpm, 0), 0, _U16_MAX)
    rows["trusted"] = np.clip(np.where(has_trusted, record.trusted_bpm, 0) * GRID, 0, _U16_MAX)
    rows["quality"] = np.clip(record.quality, 0, 1) * GRID
    rows["flags"] = has_hr * _HR + has_trusted * _TRUSTED
    rows["flags"] |= np.choose(record.contact + 1, (0, _CONTACT_KNOWN, _CONTACT_KNOWN | _CONTACT)).astype(np.uint8)
    rr_count = np.bincount(record.rr_row, minlength=count)
    if count and rr_count.max() > MAX_RR_PER_ROW:
        raise ValueError(f"more than {MAX_RR_PER_ROW} RR intervals in one measurement")
    rows["rr_count"] = rr_count
    rr = np.clip(np.rint(record.rr_ms * GRID), 0, _U32_MAX).astype("<u4")
    rr_ends = np.cumsum(rr_count)
    byte_ends = np.arange(1, count + 1) * ROW_BYTES + rr_ends * _RR_BYTES
    start = rr_start = byte_start = 0
    while start < count:
        end = max(int(np.searchsorted(byte_ends, byte_start + BLOCK_BYTES, side="right")), start + 1)
        rr_end = int(rr_ends[end - 1])
        yield rows[start:end].tobytes(), rr[rr_start:rr_end].tobytes()
        start, rr_start, byte_start = end, rr_end, int(byte_ends[end - 1])


def unpack(blocks: Iterable[tuple[bytes, bytes]]) -> Columns:
    """Blocks in their order to columns. Raises BlockError."""
    pairs = list(blocks)
    row_bytes = b"".join(rows for rows, _ in pairs)
    rr_bytes = b"".join(rr for _, rr in pairs)
    if len(row_bytes) % ROW_BYTES:
        raise BlockError(f"{len(row_bytes)} bytes of rows do not divide by {ROW_BYTES}")
    rows = np.frombuffer(row_bytes, dtype=_DTYPE)
    rr_count = rows["rr_count"].astype(np.int64)
    if len(rr_bytes) != int(rr_count.sum()) * _RR_BYTES:
        raise BlockError(f"{len(rr_bytes)} bytes of RR intervals for {int(rr_count.sum())} of them")
    flags = rows["flags"]
    nan = np.float64("nan")
    return Columns(
        t_s=rows["t_ms"] / 1000.0,
        hr_bpm=np.where(flags & _HR, rows["hr_bpm"].astype(np.float64), nan),
        trusted_bpm=np.where(flags & _TRUSTED, rows["trusted"] / float(GRID), nan),
        quality=rows["quality"] / float(GRID),
        contact=np.where(flags & _CONTACT_KNOWN, (flags & _CONTACT).astype(np.int8) // _CONTACT, -1).astype(np.int8),
        rr_ms=np.frombuffer(rr_bytes, dtype="<u4") / float(GRID),
        rr_row=np.repeat(np.arange(len(rows)), rr_count),
    )
