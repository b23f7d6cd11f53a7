"""Virtual time: everything in its order, nothing waited for, and threads waited for."""

from __future__ import annotations

import asyncio
import threading
import time

import pytest

from sim.runner import run_virtual


def test_sleeping_takes_exactly_the_virtual_time_and_hours_are_nothing() -> None:
    async def run() -> list[float]:
        loop = asyncio.get_running_loop()
        seen = [loop.time()]
        for wait_s in (0.25, 0.0, 3600.0, 10 * 86400.0):
            await asyncio.sleep(wait_s)
            seen.append(loop.time())
        return seen

    assert run_virtual(run()) == pytest.approx([0.0, 0.25, 0.25, 3600.25, 867600.25])


def test_timers_go_off_in_the_order_of_their_times() -> None:
    async def run() -> list[tuple[float, str]]:
        loop = asyncio.get_running_loop()
        seen: list[tuple[float, str]] = []

        async def tell(at_s: float, name: str) -> None:
            await asyncio.sleep(at_s)
            seen.append((round(loop.time(), 6), name))

        await asyncio.gather(tell(5, "late"), tell(0.1, "soon"), tell(2.5, "middle"), tell(0.1, "soon too"))
        return seen

    assert run_virtual(run()) == [(0.1, "soon"), (0.1, "soon too"), (2.5, "middle"), (5.0, "late")]


def test_time_stands_still_while_a_thread_works_for_the_loop() -> None:
    async def run() -> tuple[float, str]:
        loop = asyncio.get_running_loop()
        released = threading.Event()
        loop.call_later(1000.0, released.set)
        # The timer may not go off while the thread waits: the thread ends by itself.
        result = await asyncio.to_thread(lambda: (time.sleep(0.05), "kept" if not released.is_set() else "jumped")[1])
        return loop.time(), result

    at_s, result = run_virtual(run())
    assert result == "kept"
    assert at_s < 1000


def test_another_thread_can_call_into_the_loop() -> None:
    async def run() -> str:
        loop = asyncio.get_running_loop()
        called: asyncio.Future[str] = loop.create_future()
        threading.Thread(target=lambda: loop.call_soon_threadsafe(called.set_result, "called")).start()
        return await called

    assert run_virtual(run()) == "called"


def test_an_error_comes_out_and_a_task_left_over_is_cancelled() -> None:
    cancelled: list[bool] = []

    async def forever() -> None:
        try:
            await asyncio.sleep(1e9)
        except asyncio.CancelledError:
            cancelled.append(True)
            raise

    async def run() -> None:
        kept = asyncio.create_task(forever())
        await asyncio.sleep(1)
        raise LookupError(str(kept.done()))

    with pytest.raises(LookupError, match="False"):
        run_virtual(run())
    assert cancelled == [True]


def test_a_timeout_is_a_virtual_one() -> None:
    async def run() -> float:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.Event().wait(), 7200)
        return asyncio.get_running_loop().time()

    assert run_virtual(run()) == pytest.approx(7200)
