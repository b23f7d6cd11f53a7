"""Virtual time: a real loop in everything but the waiting."""

from __future__ import annotations

import asyncio
import threading
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.runner import VirtualLoop, run_virtual


def order(loop: asyncio.AbstractEventLoop, delays_ms: list[int]) -> list[int]:
    """In which order timers fire that were set for these times after one moment."""
    fired: list[int] = []

    async def all_of_them() -> None:
        base_s = loop.time()
        for delay_ms in delays_ms:
            loop.call_at(base_s + delay_ms / 1000, fired.append, delay_ms)
        await asyncio.sleep(max(delays_ms) / 1000 + 0.002)

    try:
        loop.run_until_complete(all_of_them())
    finally:
        loop.close()
    return fired


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 20), min_size=1, max_size=8, unique=True))
def test_timers_fire_in_the_order_of_a_real_loop(delays_ms: list[int]) -> None:
    virtual = order(VirtualLoop(), delays_ms)
    assert virtual == sorted(delays_ms)
    assert virtual == order(asyncio.SelectorEventLoop(), delays_ms)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0, 1e5), min_size=1, max_size=20))
def test_a_sleep_ends_when_it_said(waits_s: list[float]) -> None:
    async def sleeps() -> None:
        loop = asyncio.get_running_loop()
        for wait_s in waits_s:
            due_s = loop.time() + wait_s
            await asyncio.sleep(wait_s)
            assert loop.time() == pytest.approx(due_s, abs=1e-6)

    run_virtual(sleeps())


def test_an_hour_of_ticks_is_not_waited_for() -> None:
    async def ticks() -> int:
        loop = asyncio.get_running_loop()
        count, due_s = 0, loop.time()
        while loop.time() < 3600:
            due_s += 0.25
            await asyncio.sleep(due_s - loop.time())
            count += 1
        return count

    assert run_virtual(ticks()) == 14_400


def test_time_stands_still_while_an_executor_works() -> None:
    async def work() -> tuple[float, str]:
        loop = asyncio.get_running_loop()
        ticking = loop.create_task(asyncio.sleep(0.001))
        before_s = loop.time()
        word = await asyncio.to_thread(lambda: (time.sleep(0.05), "done")[1])
        took_s = loop.time() - before_s
        await ticking
        return took_s, word

    assert run_virtual(work()) == (0.0, "done")


def test_another_thread_can_wake_the_loop() -> None:
    async def wait_for_it() -> str:
        loop = asyncio.get_running_loop()
        woken: asyncio.Future[str] = loop.create_future()
        threading.Timer(0.02, lambda: loop.call_soon_threadsafe(woken.set_result, "woken")).start()
        return await woken

    assert run_virtual(wait_for_it()) == "woken"


def test_time_outs_are_virtual() -> None:
    async def hang() -> float:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.Event().wait(), 600)
        return asyncio.get_running_loop().time()

    assert run_virtual(hang()) == pytest.approx(600)


def test_an_error_comes_out() -> None:
    async def fail() -> None:
        await asyncio.sleep(5)
        raise LookupError("as it was")

    with pytest.raises(LookupError, match="as it was"):
        run_virtual(fail())
