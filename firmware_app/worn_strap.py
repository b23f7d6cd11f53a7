"""The strap that the unit listens to, and those before it that are being let go."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from firmware_app.core.events import Event
from firmware_app.devices.strap import Strap
from firmware_app.devices.watchdog import watched
from firmware_app.settings import StrapSettings

LET_GO_S = 8.0
"""So long a new strap, or the end, waits for the one before to be let go."""


class WornStrap:
    """One strap at a time; another can be put on at any moment.

    settings: of the strap that is worn. make: makes it. ended: told when it has come to its end, which only a simulated
    one does, whose ride is over.
    """

    def __init__(
        self,
        settings: StrapSettings,
        make: Callable[[StrapSettings], Strap],
        deliver: Callable[[Event], None],
        ended: Callable[[], None],
    ) -> None:
        self.settings = settings
        self._make = make
        self._deliver = deliver
        self._ended = ended
        self._task: asyncio.Task[None] | None = None
        self._letting_go: list[asyncio.Task[None]] = []

    def start(self) -> None:
        """Listen to it, and again whenever that fails, until it is let go."""
        self._task = asyncio.create_task(watched("strap", self._listen, self._deliver), name="strap")

    def change(self, settings: StrapSettings) -> None:
        """Listen to this one from now on, or from the start on."""
        self.settings = settings
        if self._task is not None:
            self.let_go()
            self.start()

    def let_go(self) -> tuple[asyncio.Task[None], ...]:
        """Let go of it. Returns what is still to be waited for, ``LET_GO_S`` at most."""
        if self._task is not None:
            self._task.cancel()
            self._letting_go.append(self._task)
        return tuple(self._letting_go)

    async def _listen(self) -> None:
        worn = self.settings

        def deliver(event: Event) -> None:
            if worn is self.settings:  # what one before says while it is let go is not this one's
                self._deliver(event)

        if self._letting_go:
            # One link at a time; but one that cannot be let go must not keep the new one away.
            await asyncio.wait(self._letting_go, timeout=LET_GO_S)
        await self._make(worn).run(deliver)
        self._ended()
