"""The unit's own life: tasks that are started again when they die, word to the service manager, orderly endings."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor, Future
from typing import Any, TypeVar

from firmware_app.core.events import Event, Fault

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 30.0
HEALTHY_S = 30.0
"""A task that has run for so long is taken for well again."""

T = TypeVar("T")

log = logging.getLogger(__name__)


async def watched(
    name: str, make_coro: Callable[[], Coroutine[Any, Any, None]], deliver: Callable[[Event], None]
) -> None:
    """Run ``make_coro()``, and again whenever it dies, waiting longer each time up to ``LONGEST_WAIT_S`` seconds.

    A death is a Fault of part ``name``, told once until the task is well again for ``HEALTHY_S`` seconds. A task that
    returns has done its work and is not started again. Cancelling this cancels the task and is no death.

        async with asyncio.TaskGroup() as group:
            group.create_task(watched("strap", lambda: strap.run(deliver), deliver))
    """
    loop = asyncio.get_running_loop()
    wait_s = FIRST_WAIT_S
    told = ""
    recovery: asyncio.TimerHandle | None = None

    def recovered() -> None:
        nonlocal told, wait_s
        told, wait_s = "", FIRST_WAIT_S
        deliver(Fault(name, f"{name} works again.", active=False))

    while True:
        if told:
            recovery = loop.call_later(HEALTHY_S, recovered)
        try:
            await make_coro()
            if told:
                recovered()
            return
        except asyncio.CancelledError:
            task = asyncio.current_task()
            if task is None or task.cancelling():
                raise
            # Nobody cancelled this task: something inside it cancelled itself, which is one more way to die.
            why = "was cancelled from within"
        except Exception as error:
            log.exception("%s died", name)
            why = " ".join(str(error).split()) or type(error).__name__
        finally:
            if recovery is not None:
                recovery.cancel()
        text = f"{name} stopped ({why}) and is started again."
        if text != told:
            told = text
            deliver(Fault(name, text))
        await asyncio.sleep(wait_s)
        wait_s = min(2 * wait_s, LONGEST_WAIT_S)


class _OwnThread(Executor):
    """A daemon thread for each piece of work."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        future: Future[T] = Future()

        def work() -> None:
            if future.set_running_or_notify_cancel():
                try:
                    future.set_result(fn(*args, **kwargs))
                except BaseException as error:
                    future.set_exception(error)

        threading.Thread(target=work, daemon=True).start()
        return future


async def apart(work: Callable[[], T]) -> T:
    """Do what may take long, beside the loop. What never ends, as on a card that hangs, keeps no program from ending.

    Not ``asyncio.to_thread``: its threads are waited for when the loop is closed, and again when Python ends.
    """
    return await asyncio.get_running_loop().run_in_executor(_OwnThread(), work)


class ServiceManager:
    """Word to systemd by its notification socket; does nothing where there is none.

    Source: sd_notify(3), sd_watchdog_enabled(3): datagrams of VARIABLE=value lines to the Unix socket $NOTIFY_SOCKET
    (a leading @ is the abstract namespace), WATCHDOG=1 well within every $WATCHDOG_USEC when $WATCHDOG_PID is ours.
    """

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        ours = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        usec = os.environ.get("WATCHDOG_USEC", "")
        self.watchdog_s: float | None = int(usec) / 1e6 if ours and usec.isdigit() and int(usec) else None
        """How often the manager wants to hear from us, in seconds; None when it does not."""

    def ready(self, status: str = "") -> None:
        """The unit is up."""
        self._send("READY=1", f"STATUS={status}")

    def status(self, text: str) -> None:
        """One line for ``systemctl status``."""
        self._send(f"STATUS={text}")

    def stopping(self) -> None:
        """The unit is on its way down."""
        self._send("STOPPING=1")

    async def run(self) -> None:
        """Keep the watchdog content for as long as the running loop really turns; returns when there is none."""
        if self.watchdog_s is None:
            return
        while True:
            self._send("WATCHDOG=1")
            # sd_watchdog_enabled(3) recommends half of it; of a third one may come late.
            await asyncio.sleep(self.watchdog_s / 3)

    def _send(self, *words: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        text = "\n".join(word.replace("\n", " ") for word in words)
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as wire:
                # A manager that does not listen must not stall the ride.
                wire.setblocking(False)
                wire.sendto(text.encode(), address)
        except OSError as error:
            log.warning("the service manager does not listen: %s", error)


def unwind_on_signals() -> None:
    """Let SIGTERM and SIGHUP end Python in the ordinary way, so that pins, terminal and log are let go in order.

    Their default is to end the process on the spot, with everything as it happens to be. A handler that somebody has
    set stays. Signals belong to the main thread: in any other this does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        return
    for number in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, lambda number, frame: sys.exit(128 + number))
