"""Words to a terminal, a pipe or a journal, kept apart from the ride: whoever reads them may stop reading."""

from __future__ import annotations

import contextlib
import logging
import queue
import sys
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Any

log = logging.getLogger(__name__)

WAITING_AT_MOST = 100
"""So many lines wait for a reader; what comes then is left out (own choice)."""


class Aside:
    """Does one thing after the other on a thread of its own.

    A terminal that is held, or whose link has gone dead, takes some thousand bytes more, and then whoever writes to it
    stands still for as long as that lasts. That must not be the loop that watches a heart.
    """

    def __init__(self) -> None:
        self._waiting: queue.Queue[Callable[[], object]] = queue.Queue(WAITING_AT_MOST)
        threading.Thread(target=self._run, name="words", daemon=True).start()

    def soon(self, act: Callable[..., object], *about: Any) -> None:
        """Do this when all before it is done. Never waits, and raises nothing."""
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(partial(act, *about))

    def done(self, within_s: float) -> bool:
        """Whether everything is done, as soon as it is; False when it is not within so many seconds."""
        over, until_s = threading.Event(), time.monotonic() + within_s
        try:
            self._waiting.put(over.set, timeout=within_s)
        except queue.Full:
            return False
        return over.wait(until_s - time.monotonic())

    def _run(self) -> None:
        while True:
            act = self._waiting.get()
            try:
                act()
            except OSError:
                pass  # whoever reads may have gone away
            except Exception:
                if not (sys.stdout.closed or sys.stderr.closed):
                    log.exception("something could not be said")


class LogAside(logging.Handler):
    """What is logged, said aside as Python says it where nobody asked for more: warnings and worse, on stderr."""

    def __init__(self, aside: Aside) -> None:
        super().__init__(logging.WARNING)
        self._aside = aside

    def emit(self, record: logging.LogRecord) -> None:
        if logging.lastResort is not None:
            self._aside.soon(logging.lastResort.handle, record)
