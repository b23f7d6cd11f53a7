"""A ride as CSV: header ``t_s,hr_bpm,rr_ms,contact``, one row per measurement.

A recording needs ``t_s`` and either or both of ``hr_bpm`` and ``rr_ms``, in any order; other columns are left alone,
and where a recording from elsewhere has other names for them, the rider names its columns. ``rr_ms`` holds the RR
intervals of that measurement separated by spaces; a missing value is an empty field. Commas stand between the fields,
or semicolons or tabs, and then a comma is a decimal one. What is exported reads back as the same measurements at the
same times, unless nothing in it can be a heart's: that is refused.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from math import isfinite
from pathlib import Path
from typing import Literal, TextIO

import numpy as np

from firmware_app.core.bands import whole_bpm
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideRecord
from firmware_app.core.track import HR_RANGE_BPM
from firmware_app.store.blocks import MAX_RR_PER_ROW

COLUMNS = ("t_s", "hr_bpm", "rr_ms", "contact")

_DAY_S = 86_400.0
_LONGEST_S = 3 * _DAY_S
"""No ride is longer: such times are not in seconds, or do not count from its beginning (own choice)."""
_MOST_ROWS = 400_000
"""No ride has more: three days of 90 beats a minute do not reach it. A file of millions, such as an electrocardiogram,
would take the memory of a small board, and with it the ride that is under way (own choice)."""
_ANEW_S = 300.0
"""Times that go back by more have begun again: rows that are out of order are so by less."""
_EPOCH_S = 1_000_000_000
"""Numbers from here on (September 2001) count from 1970 and so give the date too; no ride is thirty years long."""
_LAST_S = 4_000_000_000
_LONGEST_RR_S = 10.0
_RR_AGREES = 0.25
"""A column of RR intervals that goes no higher (in ms that would be over 6000 bpm), and that, taken for seconds, says
what is reported beside it but for so much, holds seconds."""
_MAX_HR_BPM = 65_535
_MAX_RR_MS = 64_000
"""What a strap can send at most: 16 bits of bpm, and 16 bits of 1/1024 s."""
_CONTACT = {"": None, "1": True, "0": False}
_COLONS = re.compile(r"(?:([0-9]{1,4}):([0-5][0-9])|([0-9]{1,4})):([0-5][0-9](?:\.[0-9]+)?)")
"""h:mm:ss, or m:ss."""
_SEPARATOR = re.compile(r"sep=([,;\t])\s*", re.IGNORECASE)
"""What some spreadsheets write above the header, for themselves."""
_VALUE = re.compile(r"[-+0-9.,:; TZ]*")
"""A number, a time or a date, several of them, or none: no column is named so."""

TimeUnit = Literal["s", "ms", "iso"]


class CsvError(ValueError):
    """A recording that cannot be used. The text names the file, the line, the column and the cure."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Names of the columns; with neither hr nor rr named, those of ``hr_bpm`` and ``rr_ms`` that are there.

    unit: of the times; "iso" is ISO 8601 dates with times.
    """

    time: str = "t_s"
    hr: str | None = None
    rr: str | None = None
    unit: TimeUnit = "s"


def read_csv(path: Path) -> list[tuple[float, Measurement]]:
    """The measurements of a recording with their times in seconds, in order.

    Times are rounded to whole ms and must not go back; a heart rate is rounded to the nearest beat. Times since 1970,
    or written as h:mm:ss or m:ss (of the day, past midnight too, or since the beginning), count from the first row.
    Raises CsvError.
    """
    return _read(path, Columns(), imported=False)[1]


def read_foreign(
    path: Path, columns: Columns, started: datetime | None
) -> tuple[float, list[tuple[float, Measurement]]]:
    """When the ride began in seconds since 1970, and its measurements as ``read_csv`` gives them.

    started: when it began; needed where the times do not tell the date, and going before theirs where they do. A time
    without a zone is this unit's local time. Raises CsvError naming file, line, column and cure.
    """
    began_unix_s, rows = _read(path, columns, imported=True)
    if started is not None:
        began_unix_s = started.timestamp()
    if began_unix_s is None:
        raise CsvError(f"{path}: the times do not tell the date; give it with --date")
    return began_unix_s, rows


def _values(columns: Columns) -> tuple[str, str]:
    """The names of the columns of heart rate and of RR intervals, "" for one that is not to be read."""
    return (columns.hr or "", columns.rr or "") if columns.hr or columns.rr else ("hr_bpm", "rr_ms")


def _read(path: Path, columns: Columns, *, imported: bool) -> tuple[float | None, list[tuple[float, Measurement]]]:
    """When the recording began, where its times tell, and its measurements.

    imported: the options of ``rides import`` can be given; otherwise they are a way out.
    """
    hr, rr = _values(columns)
    names = (columns.time, hr, rr, "contact")
    known = [name.lower() for name in names if name]
    if len(set(known)) < len(known):
        raise CsvError(
            f"{path}: a column can be only one of time, heart rate, RR intervals and contact; name them apart"
        )
    needed = [name for name in (columns.time, columns.hr, columns.rr) if name]
    times = _Times(path, columns)
    rows: list[tuple[float, Measurement]] = []
    for line, (time, *texts) in _fields(path, names, needed, imported):
        t_s = times.next_s(line, time)
        if len(rows) == _MOST_ROWS:
            cure = "give it a row for each heartbeat, or a file for each ride"
            raise CsvError(f"{path}: line {line}: no ride has more than {_MOST_ROWS} rows; {cure}")
        rows.append((t_s, _measurement(path, line, *texts)))
    if rows[-1][0] > _LONGEST_S:
        cure = "check --time-unit" if imported else "t_s counts seconds since the recording began, not ms"
        raise CsvError(f"{path}: the ride would last {rows[-1][0] / _DAY_S:.0f} days; {cure}")
    if not any(_has_a_beat(measurement) for _, measurement in rows):
        low, high = HR_RANGE_BPM
        cure = "write " + ", ".join(f"{name} in {unit}" for name, unit in ((hr, "beats a minute"), (rr, "ms")) if name)
        raise CsvError(f"{path}: no row has a heart rate from {low:g} to {high:g} bpm; {cure}")
    longest_ms = max((rr_ms for _, measurement in rows for rr_ms in measurement.rr_ms), default=0.0)
    if 0 < longest_ms <= _LONGEST_RR_S and any(map(_tells_seconds, rows)):
        # Beside reported bpm they would be passed over without a word, and with them the better evidence.
        raise CsvError(f"{path}: {rr}: no RR interval is over {longest_ms:g} ms: they are in seconds; write them in ms")
    return times.began_unix_s, rows


@dataclass(slots=True)
class _Times:
    """The times of the rows, one after the other.

    began_unix_s: when the recording began, from its first row on; None where the times do not tell.
    """

    path: Path
    columns: Columns
    began_unix_s: float | None = None
    _first_s: float = 0.0
    _midnights_s: float = 0.0
    _before_s: float = 0.0
    _before: str | None = None

    def next_s(self, line: int, text: str) -> float:
        """The time of the next row in seconds since the recording began, in whole ms. Raises CsvError."""
        at_s = _time_s(self.path, line, self.columns, text)
        of_a_clock = self.columns.unit != "iso" and ":" in text
        if of_a_clock:
            if self._before_s - (at_s + self._midnights_s) > _DAY_S / 2:
                self._midnights_s += _DAY_S
            at_s += self._midnights_s
        if self._before is None:
            if self.columns.unit == "iso" or at_s >= _EPOCH_S:
                self.began_unix_s = at_s
            if self.began_unix_s is not None or of_a_clock:
                self._first_s = self._before_s = at_s
        if at_s < self._before_s:
            cure = "sort the rows by time"
            if self._before_s - at_s > _ANEW_S:
                # Sorted, they would be scrambled.
                cure = "give the recording that begins there a file of its own"
                if of_a_clock:
                    cure = "where times begin again at the hour or at noon, write h:mm:ss on a 24-hour clock"
                elif self.columns.unit == "iso" and datetime.fromisoformat(text).tzinfo is None:
                    cure += ", or, where the clocks were put back, write the zone behind each time, such as +01:00"
            what = f"{shown(text)} comes after {shown(self._before or '')}"
            raise CsvError(f"{self.path}: line {line}: {self.columns.time}: {what}; {cure}")
        self._before_s, self._before = at_s, text
        return round(at_s - self._first_s, 3)


def _tells_seconds(row: tuple[float, Measurement]) -> bool:
    """Whether its RR intervals, taken for seconds, say what it reports."""
    hr_bpm, rrs = row[1].hr_bpm or 0, row[1].rr_ms
    return bool(rrs) and all(rr > 0 and abs(60 / rr - hr_bpm) <= _RR_AGREES * hr_bpm for rr in rrs)


def _has_a_beat(measurement: Measurement) -> bool:
    """Whether anything in it can be a heart's."""
    low, high = HR_RANGE_BPM
    rates_bpm = [measurement.hr_bpm or 0, *(60_000 / rr_ms for rr_ms in measurement.rr_ms if rr_ms)]
    return any(low <= rate_bpm <= high for rate_bpm in rates_bpm)


def _time_s(path: Path, line: int, columns: Columns, text: str) -> float:
    where = f"{path}: line {line}: {columns.time}: '{shown(text)}'"
    if columns.unit == "iso":
        try:
            at_s = datetime.fromisoformat(text).timestamp()
        except (ValueError, OverflowError, OSError):
            at_s = float("nan")
        if not isfinite(at_s) or not 0 <= at_s <= _LAST_S:
            raise CsvError(f"{where} is not a date with a time; write it as 2026-05-04T18:02:11, or change --time-unit")
        return at_s
    if ":" not in text:
        scale = 1000 if columns.unit == "ms" else 1
        return _number(path, line, columns.time, text, _LAST_S * scale) / scale
    found = _COLONS.fullmatch(text)
    if not found and _is_date(text):
        raise CsvError(f"{where} is a date with a time; `rumblestrip rides import` reads it with --time-unit iso")
    if not found:
        raise CsvError(f"{where} is not a time; write seconds, or hours, minutes and seconds as 1:02:45")
    hours, minutes, minutes_only, seconds = found.groups(default="0")
    return int(hours) * 3600 + (int(minutes) + int(minutes_only)) * 60 + float(seconds)


def _is_date(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _measurement(path: Path, line: int, hr_text: str, rr_text: str, contact_text: str) -> Measurement:
    hr_bpm = whole_bpm(_number(path, line, "hr_bpm", hr_text, _MAX_HR_BPM)) if hr_text else None
    rr_ms = tuple([_number(path, line, "rr_ms", text, _MAX_RR_MS) for text in rr_text.split()])
    if len(rr_ms) > MAX_RR_PER_ROW:
        raise CsvError(
            f"{path}: line {line}: rr_ms: {len(rr_ms)} RR intervals in one row; give each row at most {MAX_RR_PER_ROW}"
        )
    if contact_text not in _CONTACT:
        what = f"contact: '{shown(contact_text)}' is not 1, 0 or empty"
        raise CsvError(f"{path}: line {line}: {what}; mend it, or rename the column to have it left alone")
    return Measurement(hr_bpm, rr_ms, _CONTACT[contact_text])


def _number(path: Path, line: int, column: str, text: str, highest: float) -> float:
    """A number from 0 to ``highest``."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or "_" in text:
        what = "is empty" if not text else f"'{shown(text)}' is not a number"
        cure = "write digits with a decimal point, such as 812.5"
        if column == "rr_ms":
            cure += ", and spaces between several"
        raise CsvError(f"{path}: line {line}: {column}: {what}; {cure}")
    if not 0 <= value <= highest:
        raise CsvError(f"{path}: line {line}: {column}: {shown(text)} is not from 0 to {highest}; mend that row")
    return value


def shown(text: str) -> str:
    """A field as it may stand in a message: short and printable."""
    return "".join(c if c.isprintable() else "?" for c in text[:40])


def _fields(
    path: Path, names: tuple[str, ...], needed: list[str], imported: bool
) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Line number and the fields of the columns ``names``, stripped, row by row; an absent column gives "".

    ``needed`` must be there, and at least one row. Blank lines are passed over. Raises CsvError.
    """
    above = 0
    try:
        # "utf-8-sig": spreadsheets put a byte-order mark before the first name.
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
            # Where a comma is the decimal sign, spreadsheets put something else between the fields.
            mark = max(",;\t", key=first.count)
            if told := _SEPARATOR.fullmatch(first):
                mark, first, above = told[1], file.readline(), 1
            reader = csv.reader(chain([first], file), delimiter=mark, strict=True)
            header = [name.strip() for name in next(reader, [])]
            at = _places(f"{path}: line {1 + above}", header, names, needed, imported)
            width = max(place for place in at if place is not None) + 1
            empty = True
            for fields in reader:
                if not fields:
                    continue
                line = reader.line_num + above
                if fault := _wrong_width(fields, len(header), width, mark):
                    raise CsvError(f"{path}: line {line}: {fault}")
                empty = False
                texts = ["" if place is None else fields[place].strip() for place in at]
                yield line, tuple(texts if mark == "," else [text.replace(",", ".") for text in texts])
            if empty:
                raise CsvError(f"{path}: has no row of data; check that it is the right file")
    except OSError as error:
        raise CsvError(f"{path}: cannot be read ({error.strerror}); check that it exists and is yours") from error
    except UnicodeDecodeError as error:
        raise CsvError(f"{path}: is not UTF-8 text; save it as CSV in UTF-8") from error
    except csv.Error as error:
        line = reader.line_num + above
        raise CsvError(f"{path}: line {line}: is not CSV ({error}); save it as plain CSV") from error


def _wrong_width(fields: list[str], of_header: int, needed: int, mark: str) -> str:
    """What is wrong with how many fields a row has, and the cure; "" for nothing."""
    what = f"{len(fields)} fields where the header has {of_header}"
    if len(fields) < needed:
        return f"{what}; the row is cut off: mend or remove it"
    if not any(text.strip() for text in fields[of_header:]):
        return ""
    if mark == ",":
        # A decimal comma would move every field behind it by one, and still be read as numbers.
        return f"{what}; where commas are decimal, put semicolons or tabs between the fields, or write points"
    return f"{what}; mend or remove the row"


def _places(
    where: str, header: list[str], names: tuple[str, ...], needed: list[str], imported: bool
) -> list[int | None]:
    """Where in the header each of the columns ``names`` stands, None for one that is absent. Raises CsvError."""
    if not any(header):
        raise CsvError(f"{where}: is empty where the names of the columns belong; check that it is the right file")
    found = {name: _named(name, header) for name in names}
    doubled = [name for name in names if len(found[name]) > 1]
    if doubled:
        raise CsvError(f"{where}: the column {doubled[0]} is there twice; remove one")
    missing = [name for name in needed if not found[name]][:1]
    values = [name for name in names[1:3] if name]
    if not missing and not any(found[name] for name in values):
        missing = values
    if missing and all(_VALUE.fullmatch(name) for name in header):
        cure = "write a line of them above it, such as t_s,hr_bpm"
        raise CsvError(f"{where}: holds values where the names of the columns belong; {cure}")
    if missing:
        has = ", ".join(shown(name) or "(empty)" for name in header[:12])
        options = dict(zip(names, ("--time-column", "--hr-column", "--rr-column"), strict=False))
        name_it = " or ".join(options[name] for name in missing)
        cure = f"name the column that holds it with {name_it}"
        if not imported:
            cure = f"rename the column that holds it, or `rumblestrip rides import` the file with {name_it}"
        raise CsvError(f"{where}: no column {' or '.join(missing)}; the header has {has}: {cure}")
    return [found[name][0] if found[name] else None for name in names]


def _named(name: str, header: list[str]) -> list[int]:
    """Where the columns of a name stand; written in other capitals only where none is written just so."""
    same = [place for place, other in enumerate(header) if name and other == name]
    return same or [place for place, other in enumerate(header) if name and other.lower() == name.lower()]


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
