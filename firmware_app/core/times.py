"""How a time of so many seconds is written for a rider: ``3:20``, or ``1:02:45`` from an hour on."""

from __future__ import annotations

from math import ceil, floor

_FLOAT_SLACK_S = 1e-6
"""A whole number of seconds that came out of sums of floats is still that number, and not a begun second more."""


def clock_text(seconds: float) -> str:
    """A time that is left or needed: a begun second counts whole, so that a countdown shows 0:00 only at its end."""
    return _written(max(ceil(seconds - _FLOAT_SLACK_S), 0))


def rounded_time(seconds: float) -> str:
    """A time that is past, to the nearest second, halves up."""
    return _written(floor(seconds + 0.5))


def _written(whole_s: int) -> str:
    minutes, second = divmod(whole_s, 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours}:{minute:02}:{second:02}" if hours else f"{minute}:{second:02}"
