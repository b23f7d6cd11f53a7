"""Keys: three push buttons to ground, the keys of a terminal, and what makes a press short, long or repeating."""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from firmware_app.core.events import Event, Fault, Hold, Key, Press
from firmware_app.devices import header
from firmware_app.devices.watchdog import unwind_on_signals
from firmware_app.settings import KeySettings

if TYPE_CHECKING:
    from gpiozero import Button

STUCK_S = 10.0
"""A key held for longer is taken for stuck or wet. No press asks for half of that (common practice, no source)."""


@dataclass(slots=True)
class _Held:
    since_s: float
    due_s: float
    given: bool = False


class Holding:
    """Down and up to short, long and repeat: the one state machine behind buttons, keyboard and touch.

    ``short`` comes with the release, ``long`` after ``long_s`` seconds down, then ``repeat`` every ``repeat_s`` until
    the release, or for ``STUCK_S`` at most: a key shorted by rain must not turn a target up all day. Select gives its
    ``long`` with the release, and no ``repeat``: it ends a ride, and one that stays down must end nothing. A tick that
    comes late gives one press, not the ones it missed: after a stall nothing may rush. Times are seconds of any clock
    that never goes back. A ``down`` of a key that is down and an ``up`` of one that is up change nothing.

        holding = Holding(long_s=1.0, repeat_s=0.25)
        holding.down("plus", 0.0); holding.up("plus", 0.2)  # [Press("plus", "short")]
    """

    def __init__(self, long_s: float, repeat_s: float) -> None:
        if not 0 < long_s < STUCK_S or repeat_s <= 0:
            raise ValueError(f"long_s must lie between 0 and {STUCK_S:g}, repeat_s above 0")
        self._long_s = long_s
        self._repeat_s = repeat_s
        self._held: dict[Key, _Held] = {}

    def down(self, key: Key, t_s: float) -> list[Press]:
        """The key went down. Gives no press yet: it may still become a long one."""
        self._held.setdefault(key, _Held(t_s, t_s + self._long_s))
        return []

    def up(self, key: Key, t_s: float) -> list[Press]:
        """The key was released: one ``short``, or the ``long`` that has not been given yet, or nothing."""
        held = self._held.pop(key, None)
        if held is None or held.given or t_s - held.since_s >= STUCK_S:
            return []
        return [Press(key, "short" if t_s < held.due_s else "long")]

    def tick(self, t_s: float) -> list[Press]:
        """Time passed: the ``long`` and ``repeat`` presses that are due, at most one for each key."""
        presses = []
        for key, held in self._held.items():
            if key == "select" or t_s < held.due_s or t_s - held.since_s >= STUCK_S:
                continue
            presses.append(Press(key, "repeat" if held.given else "long"))
            held.given = True
            held.due_s += self._repeat_s
            if held.due_s <= t_s:
                held.due_s = t_s + self._repeat_s
        return presses

    def held(self) -> tuple[Key, ...]:
        """The keys that are down, in the order they went down."""
        return tuple(self._held)

    def stuck(self, t_s: float) -> tuple[Key, ...]:
        """The keys that have been down for ``STUCK_S`` or longer."""
        return tuple(key for key, held in self._held.items() if t_s - held.since_s >= STUCK_S)


class Buttons:
    """Push buttons between their pins and ground, with the board's pull-ups, debounced by the pin library.

    gpiozero calls from threads of its own; presses are delivered in the loop's thread. A button that is not fitted, or
    whose pin cannot be had, is left out with a Fault and the others work. One that is down at the start, or for
    ``STUCK_S``, presses nothing more and is told as a Fault until it is let go.

        await Buttons(KeySettings(minus_pin=5, select_pin=6, plus_pin=13)).run(print)
    """

    POLL_S = 0.05
    """While a key is down, long and repeated presses are looked for so often (own choice)."""

    def __init__(self, settings: KeySettings) -> None:
        self._settings = settings
        self._buttons: dict[Key, Button] = {}

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Deliver presses and faults until cancelled; returns when there is no button to listen to."""
        loop = asyncio.get_running_loop()
        self._holding = Holding(self._settings.long_s, self._settings.repeat_s)
        self._edges: asyncio.Queue[tuple[Key, bool, float]] = asyncio.Queue()
        self._stuck: set[Key] = set()
        self._open_since_s: dict[Key, float] = {}
        try:
            self._open(loop, deliver)
            while self._buttons:
                try:
                    async with asyncio.timeout(self.POLL_S if self._holding.held() else None):
                        key, down, t_s = await self._edges.get()
                except TimeoutError:
                    if not self._edges.empty():
                        continue  # after a stall what has happened meanwhile comes before the time that has passed
                    presses = self._holding.tick(loop.time()) + self._look(loop.time(), deliver)
                else:
                    presses = self._holding.down(key, t_s) if down else self._release(key, t_s, deliver)
                for press in presses:
                    deliver(press)
        finally:
            self._close()

    def _open(self, loop: asyncio.AbstractEventLoop, deliver: Callable[[Event], None]) -> None:
        from gpiozero import BadPinFactory, Button

        def edge(key: Key, down: bool) -> None:
            # The time is taken here, in the pin library's thread: a loop that stalls must not turn short into long.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(self._edges.put_nowait, (key, down, loop.time()))

        for key, pin in self._settings.fitted().items():
            try:
                with header.opening():
                    button = Button(pin, pull_up=True, bounce_time=self._settings.debounce_s)
                self._buttons[key] = button
                button.when_pressed = lambda key=key: edge(key, True)
                button.when_released = lambda key=key: edge(key, False)
                if button.is_pressed:
                    self._tell_stuck(key, "is down although nobody can have pressed it yet", deliver)
            except (BadPinFactory, ImportError) as error:
                deliver(header.fault("keys", pin, error))
                return
            except Exception as error:
                deliver(header.fault(f"{key} key", pin, error))

    def _look(self, t_s: float, deliver: Callable[[Event], None]) -> list[Press]:
        """What no edge tells: a key that stays down, and one whose release got lost, with the press that it ends."""
        presses = []
        for key in self._holding.held():
            if self._buttons[key].is_pressed:
                self._open_since_s.pop(key, None)
            elif t_s - self._open_since_s.setdefault(key, t_s) > 2 * self._settings.debounce_s + self.POLL_S:
                # Longer than any bounce, and still no word of it. It was let go when it was found open: the time
                # that it took to be sure must not turn short into long.
                presses += self._release(key, self._open_since_s[key], deliver)
        for key in self._holding.stuck(t_s):
            if key not in self._stuck:
                self._tell_stuck(key, f"has been down for {STUCK_S:g} seconds", deliver)
        return presses

    def _release(self, key: Key, t_s: float, deliver: Callable[[Event], None]) -> list[Press]:
        self._open_since_s.pop(key, None)
        if key in self._stuck:
            self._stuck.discard(key)
            deliver(Fault(f"{key} key", f"The {key} key works again.", active=False))
        return self._holding.up(key, t_s)

    def _tell_stuck(self, key: Key, what: str, deliver: Callable[[Event], None]) -> None:
        self._stuck.add(key)
        deliver(Fault(f"{key} key", f"The {key} key {what}: it may be stuck or wet. It works again once it is let go."))

    def _close(self) -> None:
        for button in self._buttons.values():
            with contextlib.suppress(Exception):
                button.close()
        self._buttons.clear()


class TerminalKeys:
    """The keys of a terminal, for a unit without buttons: ``-``, space or enter, ``+``; capital M, S, P hold them.

    A terminal tells no release, so a long press has a letter of its own. The terminal is put back as it was, whenever
    and however the program ends short of SIGKILL. Without a terminal, or in the background of one, nothing is read.
    """

    PRESSES: dict[str, tuple[Key, Hold]] = {  # noqa: RUF012 - a constant
        "-": ("minus", "short"),
        " ": ("select", "short"),
        "\n": ("select", "short"),
        "\r": ("select", "short"),
        "+": ("plus", "short"),
        "=": ("plus", "short"),  # the same key without shift on many keyboards
        "M": ("minus", "long"),
        "S": ("select", "long"),
        "P": ("plus", "long"),
    }

    def __init__(self, terminal: TextIO | None = None) -> None:
        self._terminal = sys.stdin if terminal is None else terminal

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Deliver presses until cancelled, or until the terminal is gone."""
        import termios
        import tty

        loop = asyncio.get_running_loop()
        ended = asyncio.Event()
        try:
            handle = self._terminal.fileno()
            if os.tcgetpgrp(handle) != os.getpgrp():
                return
            before = termios.tcgetattr(handle)
        except (OSError, ValueError, AttributeError, termios.error):
            return

        def restore() -> None:
            with contextlib.suppress(termios.error, OSError):
                termios.tcsetattr(handle, termios.TCSANOW, before)

        def read() -> None:
            try:
                typed = os.read(handle, 64).decode("utf-8", "replace")
            except OSError:
                typed = ""
            if not typed:
                ended.set()
            elif "\x1b" not in typed:  # arrows and the like come as several letters, none of them meant as a key
                for letter in typed:
                    if letter in self.PRESSES:
                        deliver(Press(*self.PRESSES[letter]))

        unwind_on_signals()
        atexit.register(restore)
        try:
            tty.setcbreak(handle, termios.TCSANOW)
            loop.add_reader(handle, read)
            await ended.wait()
        finally:
            loop.remove_reader(handle)
            restore()
            atexit.unregister(restore)
