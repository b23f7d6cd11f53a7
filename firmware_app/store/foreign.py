"""A ride that was recorded elsewhere, read from a CSV whose columns the rider names."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Literal

from firmware_app.core.measurement import Measurement
from firmware_app.store import csvfile
from firmware_app.store.csvfile import CsvError

TimeUnit = Literal["s", "ms", "iso"]

_EPOCH_S = 1e9
"""Numbers from here on (September 2001) count from 1970 and so give the date too; no ride is thirty years long."""
_LAST_S = 4e9


@dataclass(frozen=True, slots=True)
class Columns:
    """Names of the columns; with neither hr nor rr named, those of ``hr_bpm`` and ``rr_ms`` that are there.

    unit: of the times; "iso" is ISO 8601 dates with times.
    """

    time: str = "t_s"
    hr: str | None = None
    rr: str | None = None
    unit: TimeUnit = "s"


def read_foreign(
    path: Path, columns: Columns, started: datetime | None = None
) -> tuple[float, list[tuple[float, Measurement]]]:
    """When the ride began in seconds since 1970, and its measurements as ``csvfile.read_csv`` gives them.

    started: when it began; needed where the times do not tell the date, and going before theirs where they do. A time
    without a zone is this unit's local time. Raises CsvError naming file, line, column and cure.
    """
    hr, rr = (columns.hr, columns.rr) if columns.hr or columns.rr else ("hr_bpm", "rr_ms")
    names = tuple(name for name in (columns.time, hr, rr) if name)
    needed = tuple(name for name in (columns.time, columns.hr, columns.rr) if name)
    if len(set(names)) < len(names):
        raise CsvError(f"{path}: a column can be only one of time, heart rate and RR intervals; name them apart")
    rows: list[tuple[float, Measurement]] = []
    first_s = before_s = 0.0
    for line, fields in csvfile.read_columns(path, names, needed):
        texts = dict(zip(names, fields, strict=True))
        at_s = _time(path, line, columns, texts[columns.time])
        if not rows:
            dated = columns.unit == "iso" or at_s >= _EPOCH_S
            if started is None and not dated:
                raise CsvError(f"{path}: the times do not tell the date; give it with --date")
            first_s = before_s = at_s if dated else 0.0
        if at_s < before_s:
            raise CsvError(f"{path}: line {line}: {columns.time}: comes before the row above; sort the rows by time")
        before_s = at_s
        measurement = csvfile.measurement(path, line, texts.get(hr or "", ""), texts.get(rr or "", ""))
        rows.append((round(at_s - first_s, 3), measurement))
    if rows[-1][0] > csvfile.LONGEST_S:
        raise CsvError(f"{path}: the ride would last {rows[-1][0] / 86400:.0f} days; check --time-unit")
    return started.timestamp() if started is not None else first_s, rows


def _time(path: Path, line: int, columns: Columns, text: str) -> float:
    if columns.unit == "iso":
        try:
            at_s = datetime.fromisoformat(text).timestamp()
        except (ValueError, OverflowError, OSError):
            at_s = float("nan")
        if not isfinite(at_s) or not 0 <= at_s <= _LAST_S:
            raise CsvError(
                f"{path}: line {line}: {columns.time}: '{csvfile.shown(text)}' is no date with a time; "
                "write it as 2026-05-04T18:02:11, or change --time-unit"
            )
        return at_s
    scale = 1000 if columns.unit == "ms" else 1
    return csvfile.number(path, line, columns.time, text, _LAST_S * scale) / scale
