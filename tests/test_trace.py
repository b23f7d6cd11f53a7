"""docs/trace.md tells what really happens."""

from __future__ import annotations

import doctest
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def pin_factory_kept() -> Iterator[None]:
    from gpiozero import Device

    before = Device.pin_factory
    yield
    Device.pin_factory = before


def test_the_trace_is_what_happens(pin_factory_kept: None) -> None:
    page = Path(__file__).resolve().parents[1] / "docs" / "trace.md"
    result = doctest.testfile(str(page), module_relative=False)
    assert result.attempted > 30
    assert result.failed == 0
