"""The drawing of the wiring is the one that config/unit.toml asks for, on the header that gpiozero knows."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType
from xml.etree import ElementTree

import pytest
from gpiozero.pins.mock import MockFactory

DOCS = Path(__file__).resolve().parents[2] / "docs"


@pytest.fixture(scope="module")
def draw_wiring() -> ModuleType:
    spec = importlib.util.spec_from_file_location("draw_wiring", DOCS / "draw_wiring.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_drawing_in_the_docs_is_up_to_date(draw_wiring: ModuleType) -> None:
    drawn = (DOCS / "wiring.svg").read_text(encoding="utf-8")
    assert drawn == draw_wiring.drawing(), "run: python docs/draw_wiring.py"
    ElementTree.fromstring(drawn)


def test_ground_and_supply_are_where_the_drawing_says(draw_wiring: ModuleType) -> None:
    """Source: gpiozero.pins.data, header J8."""
    header = MockFactory().board_info.headers["J8"].pins
    assert {header[position].name for position in draw_wiring.GROUND} == {"GND"}
    assert header[draw_wiring.SUPPLY].name == "3V3"
    assert header[2].name == "5V"
