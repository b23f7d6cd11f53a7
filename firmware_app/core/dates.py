"""What a wall clock may be believed. A small board without a network wakes in the past."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime

WRITTEN_YEAR = 2026
"""This program is not older: a clock that says so is wrong."""

_WRITTEN_UNIX_S = datetime(WRITTEN_YEAR, 1, 1, tzinfo=UTC).timestamp()


LAST_UNIX_S = datetime(9999, 1, 1, tzinfo=UTC).timestamp()
"""Calendars end here."""


def date_of(clock_unix_s: float) -> float | None:
    """What a clock says, in seconds since 1970 UTC; None where it is plainly wrong, and the date not known."""
    return clock_unix_s if _WRITTEN_UNIX_S <= clock_unix_s < LAST_UNIX_S else None


def now_of(clock_unix_s: float, dated_unix_s: Iterable[float]) -> float:
    """What to count the age of rides from, in seconds since 1970 UTC: the clock, or, where it is plainly wrong, the
    latest date that is known. By a clock that woke in the past every old peak would be one of today."""
    now_unix_s = date_of(clock_unix_s)
    return max((_WRITTEN_UNIX_S, *dated_unix_s)) if now_unix_s is None else now_unix_s


def year_of(today: date) -> int:
    """The year that a clock says, to tell an age by. By one that woke in the past a rider would seem younger, and be
    driven by a higher maximum."""
    return max(today.year, WRITTEN_YEAR)


def on_a_calendar(stored_unix_s: float | None) -> float | None:
    """A stored time, in seconds since 1970 UTC; None where no calendar has it: one damaged byte makes any number."""
    return stored_unix_s if stored_unix_s is not None and 0 <= stored_unix_s < LAST_UNIX_S else None
