"""Virtual time: an event loop whose clock jumps to the next timer instead of waiting for it.

Everything else is a real asyncio loop: tasks, queues, executors, and callbacks from other threads. So the whole unit
runs as it does live, an hour of it in a second.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from typing import Any, TypeVar

T = TypeVar("T")


class _NoWait(selectors.DefaultSelector):
    """A selector that looks and does not wait: what it was to wait, the loop's clock has jumped."""

    def __init__(self) -> None:
        super().__init__()
        self.jumped_s = 0.0
        self.busy = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or self.busy:
            # Nothing is due, or a thread is at work that the loop waits for: that takes real time, and none of ours.
            return super().select(None if timeout is None else min(timeout, 0.001))
        ready = super().select(0)
        if not ready and timeout > 0:
            self.jumped_s += timeout
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop in virtual time, from 0 s on. While an executor works for the loop, its time stands still."""

    def __init__(self) -> None:
        self._no_wait = _NoWait()
        super().__init__(self._no_wait)

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._no_wait.jumped_s

    def run_in_executor(  # type: ignore[override]
        self, executor: Executor | None, func: Callable[..., T], *args: Any
    ) -> asyncio.Future[T]:
        """As in every loop; virtual time waits for it."""
        future = super().run_in_executor(executor, func, *args)
        self._no_wait.busy += 1
        future.add_done_callback(self._executor_done)
        return future

    def _executor_done(self, _: object) -> None:
        self._no_wait.busy -= 1


def run_virtual(coroutine: Coroutine[Any, Any, T]) -> T:
    """``asyncio.run`` in virtual time."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(coroutine)
