"""Mock pins, and a loop that skips every wait."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Iterator
from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin


class SkippingLoop(asyncio.SelectorEventLoop):
    """Virtual time: where a real loop would sleep until its next timer, this one moves its clock there."""

    def __init__(self) -> None:
        super().__init__(_SkippingSelector(self))
        self.now_s = 0.0

    def time(self) -> float:
        return self.now_s


class _SkippingSelector(selectors.DefaultSelector):
    def __init__(self, loop: SkippingLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[Any]:
        ready = super().select(0 if timeout is None or timeout > 0 else timeout)
        if not ready and timeout:
            self._loop.now_s += timeout
        return ready


@pytest.fixture
def virtually() -> Callable[[Coroutine[Any, Any, Any]], Any]:
    """Run a coroutine in virtual time."""

    def run(coroutine: Coroutine[Any, Any, Any]) -> Any:
        with asyncio.Runner(loop_factory=SkippingLoop) as runner:
            return runner.run(coroutine)

    return run


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    """gpiozero on mock pins, with PWM."""
    before = Device.pin_factory
    Device.pin_factory = MockFactory(pin_class=MockPWMPin)
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before
