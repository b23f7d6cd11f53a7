"""The sounder: a piezo with tones, an on/off buzzer, a vibration motor, or silence.

A pattern is timed by the running asyncio loop, in real or in virtual time. The pin is let go when the sound is over,
when the sounder is closed, when Python exits, on SIGTERM and SIGHUP, and by a thread of its own when the loop stalls
in the middle of a note. Nothing in the process can help when it is killed outright (SIGKILL) or when foreign code
stalls with the interpreter locked: ``python -m firmware_app.devices.sounder`` silences the pin then; the systemd unit
runs it after the program has ended, however it ended.

    sounder, fault = open_sounder(SounderSettings(kind="piezo", pin=18))
    sounder.play(Sound("near_max", "high", (Note(3000, 100), Note(0, 100), Note(3000, 100))))
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import logging
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

from firmware_app.core.alarms import RANK
from firmware_app.core.events import Event, Fault, Note, Sound
from firmware_app.devices import header
from firmware_app.devices.watchdog import unwind_on_signals
from firmware_app.settings import SounderSettings

OVERDUE_S = 0.25
"""A note that the loop has not ended this long after its time is ended by the guard."""
AGAIN_S = 1.0
"""How long the guard leaves a pin alone that could not be driven off (own choice)."""
MOTOR_LEAST_MS = 120
"""A small vibration motor takes about this long to be felt (common practice, no source)."""
REST_MS = 60
"""The rest that makes two notes two where pitch cannot."""

log = logging.getLogger(__name__)


def on_off(notes: tuple[Note, ...], least_ms: int = 0) -> tuple[Note, ...]:
    """The same sound for something that has no pitch, so that no two meanings become one buzz.

    Where a sound has more than one pitch, the lowest becomes a third as long: falling is long-short, rising is
    short-long. Notes that touch get a rest between them. The whole is slowed down until no note is shorter than
    ``least_ms``: lengthening only the short ones would make rising and falling alike.
    """
    pitches = {note.hz for note in notes if note.hz}
    low_hz = min(pitches) if len(pitches) > 1 else 0
    played: list[Note] = []
    for note in notes:
        if note.hz and played and played[-1].hz:
            played.append(Note(0, REST_MS))
        tap = note.hz and note.hz == low_hz
        played.append(Note(note.hz, max(1, note.duration_ms // 3) if tap else note.duration_ms))
    shortest_ms = min((note.duration_ms for note in played if note.hz), default=least_ms)
    slower = max(1.0, least_ms / max(1, shortest_ms))
    return tuple(
        Note(note.hz, max(round(note.duration_ms * slower), least_ms if not note.hz else 0)) for note in played
    )


class Sounder:
    """What every sounder does. This one keeps the rules and makes no noise; the others say how a tone is made.

    One sound at a time: one of equal or higher priority replaces the one that plays, a lower one is dropped. A pin
    that fails becomes a Fault for ``deliver`` and never an exception; the next sound tries again.

    deliver: who is told of faults; called in the loop's thread.
    """

    def __init__(self) -> None:
        self.deliver: Callable[[Event], None] = lambda event: None
        self._lock = threading.Lock()
        self._left: list[Note] = []
        self._rank = -1
        self._next: asyncio.TimerHandle | None = None
        self._failing = False

    def play(self, sound: Sound) -> None:
        """Start ``sound`` now, unless a higher one plays. The first note sounds before this returns."""
        if RANK[sound.priority] < self._rank:
            return
        self._forget()
        self._left = list(self._shaped(sound.notes))
        self._rank = RANK[sound.priority]
        self._step()

    def hush(self) -> None:
        """Stop what plays, at once."""
        self._forget()
        self._sound(Note(0, 0))

    def close(self) -> None:
        """Silence, and let the pin go. Can be called twice."""
        self.hush()

    def _shaped(self, notes: tuple[Note, ...]) -> tuple[Note, ...]:
        return notes

    def _forget(self) -> None:
        if self._next is not None:
            self._next.cancel()
        self._next, self._left, self._rank = None, [], -1

    def _step(self) -> None:
        """Begin the next note, or end the sound."""
        left = self._left
        if not left:
            self.hush()
            return
        note = left.pop(0)
        self._next = asyncio.get_running_loop().call_later(note.duration_ms / 1000, self._step)
        self._sound(note)

    def _sound(self, note: Note) -> None:
        """Make the pin sound ``note``; hz 0 is silence."""


class SilentSounder(Sounder):
    """No sounder, or none wanted."""


class PinSounder(Sounder):
    """A sounder on a pin: keeps the guard that ends a note which the loop has forgotten."""

    def __init__(self, pin: int, device: Any) -> None:
        super().__init__()
        self._pin = pin
        self._device = device
        self._overdue_s: float | None = None  # real time, unlike all others: a stall is real in virtual time too
        self._wake = threading.Condition(self._lock)
        self._closed = False
        threading.Thread(target=self._guard, name="sounder guard", daemon=True).start()
        atexit.register(self.close)

    def close(self) -> None:
        self.hush()
        with self._lock:
            self._closed = True
            self._wake.notify()
        atexit.unregister(self.close)
        try:
            self._device.close()
        except Exception:
            log.exception("the sounder's pin could not be let go")

    def _sound(self, note: Note) -> None:
        try:
            with self._lock:
                if self._closed:
                    return
                if note.hz:
                    # Before the tone: a pin may complain and sound all the same.
                    self._overdue_s = time.monotonic() + note.duration_ms / 1000 + OVERDUE_S
                    self._wake.notify()
                self._tone(note.hz)
                if not note.hz:
                    self._overdue_s = None
        except Exception as error:
            self._failed(error)
        else:
            if self._failing and note.hz:
                self._failing = False
                self._tell(Fault("sounder", "The sounder answers again.", active=False))

    def _failed(self, error: Exception) -> None:
        if not self._failing:
            self._failing = True
            log.warning("sounder: %s", error)
            self._tell(header.fault("sounder", self._pin, error))

    def _tell(self, fault: Fault) -> None:
        # Not from within play(): whoever plays a sound is in the middle of an event. With no loop there is nobody.
        with contextlib.suppress(RuntimeError):
            asyncio.get_running_loop().call_soon(self.deliver, fault)

    def _guard(self) -> None:
        said = False
        with self._lock:
            while not self._closed:
                now_s = time.monotonic()
                if self._overdue_s is None:
                    self._wake.wait()
                elif now_s < self._overdue_s:
                    self._wake.wait(self._overdue_s - now_s)
                else:
                    # What is left of the pattern would come late and mean nothing; the loop finds it gone.
                    self._left = []
                    try:
                        self._tone(0)
                        self._overdue_s, said = None, False
                    except Exception as error:
                        # It may be sounding: until it is known not to, it is tried again, and said once.
                        self._overdue_s = now_s + AGAIN_S
                        if not said:
                            said = True
                            log.warning("the sounder could not be silenced, and is tried again: %s", error)

    def _tone(self, hz: int) -> None:
        """Drive the pin. May raise whatever the pin library raises."""
        raise NotImplementedError


class PiezoSounder(PinSounder):
    """A passive piezo on PWM: any tone, at half duty.

    gpiozero's ``TonalBuzzer`` bends every tone to a musical scale and a few octaves; ``PWMOutputDevice`` does not.
    """

    def __init__(self, settings: SounderSettings) -> None:
        from gpiozero import PWMOutputDevice

        super().__init__(settings.pin, PWMOutputDevice(settings.pin, active_high=settings.active_high))

    def _tone(self, hz: int) -> None:
        if hz:
            self._device.frequency = hz
        self._device.value = 0.5 if hz else 0.0


class OnOffSounder(PinSounder):
    """A buzzer with its own tone, or a vibration motor: on or off."""

    def __init__(self, settings: SounderSettings) -> None:
        from gpiozero import DigitalOutputDevice

        super().__init__(settings.pin, DigitalOutputDevice(settings.pin, active_high=settings.active_high))
        self._least_ms = MOTOR_LEAST_MS if settings.kind == "motor" else 0

    def _shaped(self, notes: tuple[Note, ...]) -> tuple[Note, ...]:
        return on_off(notes, self._least_ms)

    def _tone(self, hz: int) -> None:
        self._device.value = hz > 0


def open_sounder(settings: SounderSettings) -> tuple[Sounder, Fault | None]:
    """The sounder that is wired, or a silent one and the fault that says why. Never raises."""
    if settings.kind == "silent":
        return SilentSounder(), None
    try:
        with header.opening():
            sounder = PiezoSounder(settings) if settings.kind == "piezo" else OnOffSounder(settings)
    except Exception as error:
        return SilentSounder(), header.fault("sounder", settings.pin, error)
    unwind_on_signals()
    return sounder, None


def main() -> int:
    """Silence the pin after a program that could not: open the sounder and let it go.

    Settings that cannot be used do not leave it sounding: the pin that the shipped ones name is silenced then.
    """
    from firmware_app.settings import SettingsError, load_unit

    wired, wrong = SounderSettings(), ""
    try:
        wired = load_unit().sounder
    except (SettingsError, OSError) as error:
        wrong = f"{error}. Pin {wired.pin} is silenced instead, as shipped."
    sounder, fault = open_sounder(wired)
    sounder.close()
    for text in (wrong, fault.text if fault else ""):
        if text:
            print(text, file=sys.stderr)
    return 1 if wrong or fault else 0


if __name__ == "__main__":
    sys.exit(main())
