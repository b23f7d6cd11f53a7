"""What a wall clock may be believed. A small board without a network wakes in the past."""

from __future__ import annotations

from datetime import UTC, datetime
from math import inf

WRITTEN_YEAR = 2026
"""This program is not older: a clock that says so is wrong."""

_WRITTEN_UNIX_S = datetime(WRITTEN_YEAR, 1, 1, tzinfo=UTC).timestamp()


def date_of(clock_unix_s: float) -> float | None:
    """What a clock says, in seconds since 1970 UTC; None where it is plainly wrong, and the date not known."""
    return clock_unix_s if _WRITTEN_UNIX_S <= clock_unix_s < inf else None
