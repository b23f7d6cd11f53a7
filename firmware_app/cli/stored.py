"""The rides in the log, as commands ask for them: by number, or ``last``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from firmware_app.cli import Failed, UsageError

if TYPE_CHECKING:
    from firmware_app.store.log import Log, RideSummary

NO_HEART = ("sim", "replay")
"""Sources of rides that no heart of the rider's rode."""


@contextmanager
def ride_log(*, thorough: bool = False) -> Iterator[Log]:
    """The rider's log. What had to be mended in it is said on stderr; what goes wrong with it ends the command."""
    from firmware_app.store.log import LogError, UnknownRideError, log_path, open_log

    try:
        with open_log(log_path(), thorough=thorough) as log:
            for text in log.recovered:
                print(text, file=sys.stderr)
            yield log
    except UnknownRideError as error:
        raise UsageError(str(error)) from error
    except LogError as error:
        raise Failed(str(error)) from error


def names_a_ride(text: str) -> bool:
    """Whether a word on the command line is a ride of the log rather than a file."""
    # isdecimal alone would let other scripts' digits and numbers beyond SQLite's pass.
    return text == "last" or (text.isascii() and text.isdecimal() and len(text) <= 18)


def stored_ride(log: Log, text: str) -> RideSummary:
    """The ride that a word names. Raises UsageError when it names none, UnknownRideError when there is no such ride."""
    if not names_a_ride(text):
        raise UsageError(f"'{text}' is not a ride: give its number, or `last`; `rumblestrip rides` lists them")
    return log.ride("last" if text == "last" else int(text))
