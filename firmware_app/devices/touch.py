"""A touch panel on a board without a desktop, read from ``/dev/input/eventN``.

Structures and codes are those of linux/input.h and linux/input-event-codes.h. Only the first finger counts: the kernel
gives it as ABS_X, ABS_Y and BTN_TOUCH for every touch panel, whatever else it sends for the others.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import struct
import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import Literal

from firmware_app.core.events import Key
from firmware_app.devices.keys import Holding
from firmware_app.devices.panel import Deliver, column
from firmware_app.settings import KeySettings

EVENT = struct.Struct("@llHHi")
"""struct input_event: seconds and microseconds, type, code, value."""
ABSINFO = struct.Struct("@6i")
"""struct input_absinfo: value, minimum, maximum, fuzz, flat, resolution."""
EV_SYN, EV_KEY, EV_ABS = 0, 1, 3
SYN_REPORT, SYN_DROPPED = 0, 3
ABS_X, ABS_Y = 0, 1
BTN_TOUCH = 0x14A
"""Types and codes of events, by their names in linux/input-event-codes.h."""
EVIOCSCLOCKID = 1 << 30 | struct.calcsize("i") << 16 | ord("E") << 8 | 0xA0
"""The request that sets the clock of the events' times: _IOW('E', 0xa0, int)."""
TICK_S = 0.05
"""While a finger is down, long and repeated presses are looked for so often (own choice)."""

_AT_ONCE = 1024
"""More events than the kernel keeps for us: none is left behind by a read."""

TouchChange = Key | Literal["up", "lost"]


def eviocgabs(axis: int) -> int:
    """The request that asks for the range of an axis: _IOR('E', 0x40 + axis, struct input_absinfo)."""
    return 2 << 30 | ABSINFO.size << 16 | ord("E") << 8 | 0x40 + axis


class Decoder:
    """Bytes of an input device to keys going down, and up.

    x_range, y_range: least and greatest value of both axes, in the panel's own orientation. start: where the axes
    stand now, because the kernel only sends an axis that has changed. rotation_deg: how far the picture is turned.
    """

    def __init__(
        self,
        x_range: tuple[int, int],
        y_range: tuple[int, int],
        rotation_deg: int,
        start: tuple[int, int],
    ) -> None:
        self._ranges = x_range, y_range
        self._rotation_deg = rotation_deg
        self._at = list(start)
        self._touched = self._reported = False
        self._rest = b""
        self._dropping = False

    def feed(self, data: bytes) -> Iterator[tuple[TouchChange, float]]:
        """The key that a finger went down on, "up", or "lost" when the kernel lost events: then nothing was pressed.

        With it the kernel's own time of it, in seconds: a loop that stalls reads it late. A finger that slides keeps
        the key that it went down on. Bytes may come in pieces of any size.
        """
        data = self._rest + data
        whole = len(data) - len(data) % EVENT.size
        self._rest = data[whole:]
        for whole_s, more_us, kind, code, value in EVENT.iter_unpack(data[:whole]):
            if kind == EV_SYN and code == SYN_DROPPED:
                self._dropping = True
            elif kind == EV_ABS and code in (ABS_X, ABS_Y):
                self._at[code] = value
            elif kind == EV_KEY and code == BTN_TOUCH:
                self._touched = value != 0
            elif kind == EV_SYN and code == SYN_REPORT:
                t_s = whole_s + more_us / 1e6
                if self._dropping:
                    # What was sent up to here is not whole: wait for the next touch.
                    self._dropping = self._touched = self._reported = False
                    yield "lost", t_s
                elif self._touched != self._reported:
                    self._reported = self._touched
                    yield self._key() if self._touched else "up", t_s

    def _key(self) -> Key:
        x, y = (
            (value - least) / max(most - least, 1) for value, (least, most) in zip(self._at, self._ranges, strict=True)
        )
        return column({0: x, 90: y, 180: 1 - x, 270: 1 - y}[self._rotation_deg])


class Touch:
    """An open touch device, or with a handle below 0 one that is yet to come.

    again: opens it anew after it has gone; without it, it stays gone.
    """

    def __init__(
        self, handle: int, decoder: Decoder, keys: KeySettings, again: Callable[[], Touch] | None = None
    ) -> None:
        self._handle = handle
        self._decoder = decoder
        self._keys = keys
        self._again = again

    @classmethod
    def open(cls, path: str, rotation_deg: int, keys: KeySettings) -> Touch:
        """Open the device. Raises OSError when it is missing, not ours to read, or has no position."""
        import fcntl

        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            # The clock of the loop, which nobody sets.
            fcntl.ioctl(handle, EVIOCSCLOCKID, struct.pack("i", time.CLOCK_MONOTONIC))
            axes = []
            for axis in (ABS_X, ABS_Y):
                answer = bytearray(ABSINFO.size)
                fcntl.ioctl(handle, eviocgabs(axis), answer)
                axes.append(ABSINFO.unpack(answer))
        except OSError:
            os.close(handle)
            raise
        (x, *x_range), (y, *y_range) = (axis[:3] for axis in axes)
        decoder = Decoder((x_range[0], x_range[1]), (y_range[0], y_range[1]), rotation_deg, (x, y))
        return cls(handle, decoder, keys, partial(cls.open, path, rotation_deg, keys))

    @classmethod
    def awaited(cls, path: str, rotation_deg: int, keys: KeySettings) -> Touch:
        """A device that cannot be opened yet: each ``run`` tries."""
        nothing = Decoder((0, 0), (0, 0), rotation_deg, (0, 0))
        return cls(-1, nothing, keys, partial(cls.open, path, rotation_deg, keys))

    async def run(self, deliver: Deliver) -> None:
        """Deliver presses until cancelled.

        Raises OSError when the device goes away or is not there; run again, it is opened again.
        """
        loop = asyncio.get_running_loop()
        if self._handle < 0 and self._again is not None:
            fresh = self._again()
            self._handle, self._decoder = fresh._handle, fresh._decoder
        readable = asyncio.Event()
        loop.add_reader(self._handle, readable.set)
        holding = self._fresh()
        down: Key | None = None
        try:
            while True:
                # Asleep until something happens; awake for long presses only while a finger is down.
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(readable.wait(), TICK_S if down else None)
                presses = []
                # After a stall, too, what has happened meanwhile comes before the time that has passed.
                for change, t_s in self._decoder.feed(self._read(readable)):
                    t_s = min(t_s, loop.time())
                    if change == "lost":
                        holding, down = self._fresh(), None
                    elif change == "up":
                        presses += holding.up(down, t_s) if down else []
                        down = None
                    else:
                        down = change
                        presses += holding.down(down, t_s)
                presses += holding.tick(loop.time())
                for press in presses:
                    deliver(press)
        except OSError:
            loop.remove_reader(self._handle)
            self.close()
            raise
        finally:
            if self._handle >= 0:
                loop.remove_reader(self._handle)

    def _fresh(self) -> Holding:
        return Holding(self._keys.long_s, self._keys.repeat_s)

    def _read(self, readable: asyncio.Event) -> bytes:
        readable.clear()
        try:
            data = os.read(self._handle, _AT_ONCE * EVENT.size)
        except BlockingIOError:
            return b""
        if not data:
            raise OSError("the touch device has gone")
        return data

    def close(self) -> None:
        """Close the device. It may be called twice."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
