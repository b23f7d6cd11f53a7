"""An unmodified ``rumblestrip ride`` as a process of its own, watched from within: what comes in, pins, pictures.

    with WatchedRide(folder, ["--target", "3"], env) as ride:
        ride.until(lambda: ride.pin(18))
        ride.end()
        ride.pin(18)

The process has ``sitecustomize.py`` of this folder on its path. It hooks gpiozero's mock pins, the place where bleak
hands a notification over, and the off-screen panel, and writes a line for each to a file; nothing else is changed.
"""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple, Self

_ROOT = Path(__file__).resolve().parents[2]
_TRACE = "trace.txt"


class Line(NamedTuple):
    """One thing that was seen. t_s: CLOCK_MONOTONIC, the same in all processes of a machine.

    what: "heard" (words: the bytes in hex), "done" with them, "shown" (a picture is on the panel), or "pin" (words:
    number, duty 0 to 1, frequency in Hz).
    """

    t_s: float
    what: str
    words: tuple[str, ...]


class PinChange(NamedTuple):
    """A pin from one moment on. duty: 0 is low. hz: PWM frequency, 0 while low."""

    t_s: float
    duty: float
    hz: int


class WatchedRide:
    """``rumblestrip ride`` with the off-screen panel and mock pins, as a context manager.

    folder: for what it writes; its settings and rides are in config/rumblestrip and data/rumblestrip there. words: more
    words of the command line. env: of the process. terminal: give it a terminal of its own, on which it draws its
    status line and takes keys. end_at: "HZ SIGNAL" sends itself that signal in the very moment at which a pin first
    sounds HZ; "HZ crash" raises an exception there that nothing catches.
    """

    def __init__(
        self, folder: Path, words: Iterable[str], env: Mapping[str, str], *, terminal: bool = False, end_at: str = ""
    ) -> None:
        self.folder = folder
        self.env = {
            **env,
            **{f"XDG_{name}_HOME": str(folder / name.lower()) for name in ("CONFIG", "DATA", "STATE", "CACHE")},
        }
        probe = {
            "PYTHONPATH": str(Path(__file__).resolve().parent),
            "GPIOZERO_PIN_FACTORY": "mock",
            "GPIOZERO_MOCK_PIN_CLASS": "mockpwmpin",
            "RUMBLESTRIP_PROBE": str(folder / _TRACE),
            "RUMBLESTRIP_PROBE_END_AT": end_at,
        }
        self._screen: list[bytes] = []
        ours, theirs = pty.openpty() if terminal else (None, None)
        with (folder / "stderr.txt").open("wb") as stderr:
            self._child = subprocess.Popen(
                [sys.executable, "-m", "firmware_app", "ride", "--panel", "offscreen", *words],
                env={**self.env, **probe},
                cwd=_ROOT,
                stdin=subprocess.DEVNULL if theirs is None else theirs,
                stdout=subprocess.DEVNULL if theirs is None else theirs,
                stderr=stderr,
                start_new_session=terminal,
            )
        self._terminal = ours
        self._reader: threading.Thread | None = None
        if ours is not None and theirs is not None:
            os.close(theirs)
            self._reader = threading.Thread(target=self._read, args=(ours,))
            self._reader.start()

    def _read(self, terminal: int) -> None:
        with suppress(OSError):  # how Linux says that nobody is on the other side any more
            while part := os.read(terminal, 4096):
                self._screen.append(part)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self._child.kill()
        self._child.wait()
        if self._reader is not None and self._terminal is not None:
            self._reader.join()
            os.close(self._terminal)

    def type(self, text: str) -> None:
        """Type on its terminal."""
        if self._terminal is None:
            raise ValueError("this ride has no terminal")
        os.write(self._terminal, text.encode())

    # --- what it does ---------------------------------------------------------------------------------------------

    def said(self) -> str:
        """Everything on stderr so far."""
        return (self.folder / "stderr.txt").read_text()

    def status_lines(self) -> list[str]:
        """Every status line that its terminal has shown."""
        text = b"".join(list(self._screen)).decode(errors="replace")
        return [line.strip() for line in re.split(r"\r(?:\x1b\[K|\n)?|\n", text) if line.strip()]

    def trace(self) -> list[Line]:
        """Everything that the probe has seen."""
        try:
            text = (self.folder / _TRACE).read_text()
        except FileNotFoundError:
            return []
        lines = (line.split() for line in text[: text.rfind("\n") + 1].splitlines())
        return [Line(float(t_s), what, tuple(words)) for t_s, what, *words in lines]

    def heard(self) -> list[bytes]:
        """The notifications that bleak has handed over."""
        return [bytes.fromhex(line.words[0]) for line in self.trace() if line.what == "heard"]

    def pin(self, number: int) -> list[PinChange]:
        """What a pin has done."""
        return [
            PinChange(line.t_s, float(line.words[1]), int(line.words[2]))
            for line in self.trace()
            if line.what == "pin" and line.words[0] == str(number)
        ]

    # --- waiting and ending ---------------------------------------------------------------------------------------

    def until(self, condition: Callable[[], object], seconds: float = 60.0) -> None:
        """Wait until it is so. Raises TimeoutError with what the ride said; EOFError when the ride ends before."""
        until_s = time.monotonic() + seconds
        while not condition():
            if self._child.poll() is not None and not condition():
                raise EOFError(f"the ride ended with status {self._child.returncode}:\n{self.said()}")
            if time.monotonic() > until_s:
                raise TimeoutError(f"not within {seconds:g} s; the ride said:\n{self.said()}")
            time.sleep(0.05)

    def end(self, number: int = signal.SIGTERM) -> int:
        """Send it a signal; its exit status."""
        self._child.send_signal(number)
        return self.wait()

    def wait(self, seconds: float = 60.0) -> int:
        """Its exit status, once it has ended. Raises subprocess.TimeoutExpired."""
        return self._child.wait(seconds)
