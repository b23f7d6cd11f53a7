"""Time: monotonic seconds for the ride, and the wall clock with its corrections.

A small board has no battery-backed clock: it wakes in the past and jumps when the network tells it the time. Every
duration comes from ``t_s``, which no correction moves; the wall clock only dates a ride.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from firmware_app.core.events import Event, WallClock

CORRECTED_S = 2.0
"""A wall clock that has moved by more than this against the monotonic one was corrected."""
POLL_S = 2.0
"""A corrected clock is noticed so soon: it only dates the ride, and is in no hurry (own choice)."""

_TIME_ERROR = 5
_TIMEX_BYTES = 512
"""The clock's state when nothing synchronises it (ntp_adjtime(3)); room for a struct timex of any platform."""


class Clock:
    """What every clock can do; the kinds below say where its time comes from."""

    def t_s(self) -> float:
        """Monotonic seconds since this clock was made."""
        raise NotImplementedError

    def unix_s(self) -> float:
        """What the wall clock says, right or wrong: seconds since 1970 UTC."""
        raise NotImplementedError

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Deliver the wall clock now, and again whenever it was corrected, within ``POLL_S`` seconds.

        Slow steering counts too: what is compared is the correction since the last delivery, not since the last look.
        """
        told_s: float | None = None
        while True:
            unix_s = self.unix_s()
            began_s = unix_s - self.t_s()
            if told_s is None or abs(began_s - told_s) > CORRECTED_S:
                told_s = began_s
                deliver(WallClock(unix_s))
            await asyncio.sleep(POLL_S)


class SystemClock(Clock):
    """The computer's clocks. ``t_s`` goes on while the computer is suspended, as the ride does.

    On Linux that is CLOCK_BOOTTIME (clock_gettime(2)); the monotonic clock would stand still during a suspend, and
    waking up would look like a correction of the wall clock.
    """

    def __init__(self) -> None:
        self._clock = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
        self._began_s = time.clock_gettime(self._clock)

    def t_s(self) -> float:
        return time.clock_gettime(self._clock) - self._began_s

    def unix_s(self) -> float:
        return time.time()


class LoopClock(Clock):
    """The running loop's time, real or virtual, and a wall clock that says what it is told.

    Make it inside the loop. unix_s: what the wall clock says at first.
    """

    def __init__(self, unix_s: float) -> None:
        self._loop = asyncio.get_running_loop()
        self._began_s = self._loop.time()
        self._began_unix_s = unix_s

    def t_s(self) -> float:
        return self._loop.time() - self._began_s

    def unix_s(self) -> float:
        return self._began_unix_s + self.t_s()

    def correct(self, by_s: float) -> None:
        """Move the wall clock by so many seconds."""
        self._began_unix_s += by_s


def synchronised() -> bool | None:
    """Whether some time service keeps the computer's clock right; None where that cannot be known.

    Source: ntp_adjtime(3): the return value is the clock's state.
    """
    import ctypes

    try:
        libc = ctypes.CDLL(None, use_errno=True)
        # A struct timex with every byte 0 asks and changes nothing.
        state = int(libc.ntp_adjtime(ctypes.create_string_buffer(_TIMEX_BYTES)))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR
