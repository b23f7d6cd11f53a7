"""What of the unit fails, and what is done so that nothing that fails takes the ride with it."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TypeVar

from firmware_app.core.events import Fault
from firmware_app.devices.clock import Clock
from firmware_app.devices.watchdog import HEALTHY_S

T = TypeVar("T")

log = logging.getLogger(__name__)


class Faults:
    """The faults that are known, and the doing of what may fail.

    known: what each part that is at fault said last. tell: told of a fault that was found here. It may do nothing with
    it at once: whoever fails is in the middle of an event.
    """

    def __init__(self, clock: Clock, tell: Callable[[Fault], None]) -> None:
        self.known: dict[str, str] = {}
        self._clock = clock
        self._tell = tell
        self._failed_s: dict[str, float] = {}  # of each part that fails: when it did last

    def keep(self, fault: Fault) -> None:
        """Know of it, or know that it is over."""
        if fault.active:
            self.known[fault.part] = fault.text
        else:
            self.clear(fault.part)

    def clear(self, *parts: str) -> None:
        """Whatever was wrong with these parts is over."""
        for part in parts:
            self.known.pop(part, None)

    def attempt(self, part: str, act: Callable[[], None]) -> bool:
        """Do what must not take the ride with it; whether it went well.

        A failure is told once, and once more when the part has been well for a while, not at its first success: a page
        that shows the fault may draw where the page without it does not, and the two would chase each other.
        """
        now_s = self._clock.t_s()
        try:
            act()
        except Exception as error:
            told = part in self._failed_s
            self._failed_s[part] = now_s
            if not told:
                log.exception("%s failed", part)
                self._tell(Fault(part, f"The {part} fails ({error}). The ride goes on without it."))
            return False
        else:
            if now_s - self._failed_s.get(part, now_s) >= HEALTHY_S:
                del self._failed_s[part]
                self._tell(Fault(part, f"The {part} works again.", active=False))
            return True

    def opened(self, part: str, make: Callable[[], T], instead: Callable[[], T]) -> T:
        """A part, or what stands in for one that cannot be opened."""
        try:
            return make()
        except Exception as error:
            self.cannot_open(part, error)
            return instead()

    def cannot_open(self, part: str, error: BaseException) -> None:
        """Tell that a part cannot be opened."""
        log.error("%s cannot be opened", part, exc_info=error)
        self._tell(Fault(part, f"The {part} cannot be opened ({error}). The ride goes on without it."))
