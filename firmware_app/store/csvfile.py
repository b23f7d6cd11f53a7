"""A ride as CSV: header ``t_s,hr_bpm,rr_ms,contact``, one row per measurement.

A recording needs ``t_s`` and either or both of ``hr_bpm`` and ``rr_ms``, in any order; other columns are left alone.
``rr_ms`` holds the RR intervals of that measurement separated by spaces; a missing value is an empty field. What is
exported reads back as the same measurements at the same times.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from math import isfinite
from pathlib import Path
from typing import TextIO

import numpy as np

from firmware_app.core.bands import whole_bpm
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideRecord
from firmware_app.store.blocks import MAX_RR_PER_ROW

COLUMNS = ("t_s", "hr_bpm", "rr_ms", "contact")

MAX_T_S = 4_000_000
"""Some 46 days: more than the log's four bytes of milliseconds hold would be a slip of the column or its unit."""
LONGEST_S = 3 * 86_400.0
"""A longer ride is none: its times are no seconds, or do not count from its beginning."""
_MAX_HR_BPM = 65_535
_MAX_RR_MS = 64_000
"""What a strap can send at most: 16 bits of bpm, and 16 bits of 1/1024 s."""
_CONTACT = {"": None, "1": True, "0": False}


class CsvError(ValueError):
    """A recording that cannot be used. The text names the file, the line, the column and the cure."""


def read_csv(path: Path) -> list[tuple[float, Measurement]]:
    """The measurements of a recording with their times in seconds, in order.

    Times are rounded to whole ms and must not go back; a heart rate is rounded to the nearest beat. Raises CsvError.
    """
    rows = []
    before_s = 0.0
    for line, (t_text, hr_text, rr_text, contact_text) in read_columns(path, COLUMNS, needed=COLUMNS[:1]):
        t_s = round(number(path, line, "t_s", t_text, MAX_T_S), 3)
        if t_s < before_s:
            raise CsvError(f"{path}: line {line}: t_s: {t_s:g} comes after {before_s:g}; sort the rows by t_s")
        before_s = t_s
        rows.append((t_s, measurement(path, line, hr_text, rr_text, contact_text)))
    return rows


def measurement(path: Path, line: int, hr_text: str, rr_text: str, contact_text: str = "") -> Measurement:
    """One measurement from its fields. Raises CsvError."""
    hr_bpm = whole_bpm(number(path, line, "hr_bpm", hr_text, _MAX_HR_BPM)) if hr_text else None
    rr_ms = tuple([number(path, line, "rr_ms", text, _MAX_RR_MS) for text in rr_text.split()])
    if len(rr_ms) > MAX_RR_PER_ROW:
        raise CsvError(
            f"{path}: line {line}: rr_ms: {len(rr_ms)} RR intervals in one row; give each row at most {MAX_RR_PER_ROW}"
        )
    if contact_text not in _CONTACT:
        raise CsvError(f"{path}: line {line}: contact: '{shown(contact_text)}' is none of 1, 0 and empty; mend it")
    return Measurement(hr_bpm, rr_ms, _CONTACT[contact_text])


def number(path: Path, line: int, column: str, text: str, highest: float) -> float:
    """A number from 0 to ``highest``. Raises CsvError."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or "_" in text:
        what = "is empty" if not text else f"'{shown(text)}' is no number"
        raise CsvError(f"{path}: line {line}: {column}: {what}; write digits with a decimal point, such as 812.5")
    if not 0 <= value <= highest:
        raise CsvError(f"{path}: line {line}: {column}: {shown(text)} is not from 0 to {highest}; mend that row")
    return value


def shown(text: str) -> str:
    """A field as it may stand in a message: short and printable."""
    return "".join(c if c.isprintable() else "?" for c in text[:40])


def read_columns(path: Path, names: tuple[str, ...], needed: tuple[str, ...]) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Line number and the fields of the columns ``names``, stripped, row by row; an absent column gives "".

    ``needed`` must be there, and at least one row. Blank lines are passed over. Raises CsvError.
    """
    try:
        # "utf-8-sig": spreadsheets put a byte-order mark before the first name.
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            header = [name.strip() for name in next(reader, [])]
            at = _places(path, header, names, needed)
            width = max(place for place in at if place is not None) + 1
            empty = True
            for fields in reader:
                if not fields:
                    continue
                if len(fields) < width:
                    raise CsvError(
                        f"{path}: line {reader.line_num}: {len(fields)} fields where the header has {len(header)}; "
                        "the row is cut off: mend or remove it"
                    )
                empty = False
                yield reader.line_num, tuple(["" if place is None else fields[place].strip() for place in at])
            if empty:
                raise CsvError(f"{path}: has no row of data; check that it is the right file")
    except OSError as error:
        raise CsvError(f"{path}: cannot be read ({error.strerror}); check that it exists and is yours") from error
    except UnicodeDecodeError as error:
        raise CsvError(f"{path}: is not UTF-8 text; save it as CSV in UTF-8") from error
    except csv.Error as error:
        raise CsvError(f"{path}: line {reader.line_num}: is not CSV ({error}); save it as plain CSV") from error


def _places(path: Path, header: list[str], names: tuple[str, ...], needed: tuple[str, ...]) -> list[int | None]:
    doubled = [name for name in names if header.count(name) > 1]
    if doubled:
        raise CsvError(f"{path}: line 1: the column {doubled[0]} is there twice; remove one")
    missing = [name for name in needed if name not in header]
    values = [name for name in names if name not in needed and name != "contact"]
    if not missing and values and not any(name in header for name in values):
        missing = [" or ".join(values)]
    if missing:
        if len(header) < 2 and any(mark in "".join(header) for mark in ";\t"):
            raise CsvError(f"{path}: line 1: the columns are not separated by commas; save it with commas")
        has = ", ".join(shown(name) or "(empty)" for name in header[:12]) or "nothing"
        raise CsvError(f"{path}: line 1: no column {missing[0]}; the header has {has}: rename the column that holds it")
    return [header.index(name) if name in header else None for name in names]


def export_csv(record: RideRecord, file: TextIO) -> None:
    """Write a ride as CSV: every measurement as it was reported, times in whole ms, RR intervals exactly."""
    file.write(",".join(COLUMNS) + "\n")
    file.writelines(_lines(record))


def _lines(record: RideRecord) -> Iterable[str]:
    rr_ms = [rr_text(value) for value in record.rr_ms.tolist()]
    ends = np.searchsorted(record.rr_row, np.arange(len(record.t_s)), side="right").tolist()
    contact_text = {1: "1", 0: "0", -1: ""}
    start = 0
    for t_s, hr_bpm, contact, end in zip(
        record.t_s.tolist(), record.hr_bpm.tolist(), record.contact.tolist(), ends, strict=True
    ):
        hr_text = "" if hr_bpm != hr_bpm else f"{hr_bpm:.0f}"
        yield f"{t_s:.3f},{hr_text},{' '.join(rr_ms[start:end])},{contact_text[contact]}\n"
        start = end


def rr_text(rr_ms: float) -> str:
    """An RR interval in ms, in as few digits as give back the very same value."""
    return repr(rr_ms).removesuffix(".0")
