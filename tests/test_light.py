"""What a rider at the roadside does not wait for, and what a long ride does not pile up."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from pathlib import Path

import pytest

from firmware_app import settings
from firmware_app.core.bands import table
from firmware_app.core.companion import Companion
from firmware_app.core.events import Tick
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts
from firmware_app.core.session import free_plan

UNTIL_FIRST_FRAME = """
import os, sys
from firmware_app.devices.panel import OffscreenPanel
def present(self, surface, rows=None):
    print(*sys.modules, flush=True)
    os._exit(0)
OffscreenPanel.present = present
from firmware_app.cli import main
main(sys.argv[1:])
"""

ALL_OF_A_COMMAND = """
import sys
from firmware_app.cli import main
sys.stdout = sys.stderr
main(sys.argv[1:])
print(*sys.modules, file=sys.__stdout__)
"""


def _modules(script: str, words: list[str], folder: Path) -> set[str]:
    """The modules that are loaded when the script prints them."""
    homes = {f"XDG_{name}_HOME": str(folder / name) for name in ("CONFIG", "DATA")}
    done = subprocess.run(
        [sys.executable, "-c", script, *words],
        env={**os.environ, **homes},
        cwd=Path(__file__).parent.parent,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split())


@pytest.fixture(scope="module")
def before_first_frame(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    words = ["ride", "--panel", "offscreen", "--hr-max-bpm", "184"]
    found = _modules(UNTIL_FIRST_FRAME, words, tmp_path_factory.mktemp("unit"))
    assert "firmware_app.screens.pages" in found
    return found


@pytest.mark.parametrize(
    "name",
    [
        "bleak",
        "dbus_fast",
        "gpiozero",
        "lgpio",
        "matplotlib",
        "multiprocessing",
        "pkg_resources",
        "sim",
        "sqlite3",
        "tomlkit",
        "firmware_app.core.evidence",
        "firmware_app.core.review",
        "firmware_app.report",
        "firmware_app.store.log",
    ],
)
def test_not_before_the_first_frame(name: str, before_first_frame: set[str]) -> None:
    assert name not in before_first_frame


@pytest.mark.parametrize(
    "words", [["--version"], ["--help"], ["pair", "--help"], ["bands", "--hr-max-bpm", "184"], ["sessions"]]
)
def test_the_small_commands_need_no_large_library(words: list[str], tmp_path: Path) -> None:
    assert not {"numpy", "pygame", "bleak", "gpiozero", "asyncio"} & _modules(ALL_OF_A_COMMAND, words, tmp_path)


def test_a_companion_does_not_grow() -> None:
    bands = table(settings.load_scheme("seven"), 184)
    companion = Companion(RideFacts(184), bands, settings.load_alarms(), free_plan("3"))
    sizes = []
    for minute in range(180):
        for second in range(60):
            t_s = 60.0 * minute + second
            hr_bpm = 120 + (second + minute) % 30
            companion.feed(Measurement(hr_bpm, (60_000 / hr_bpm,) * 2, True), t_s)
            companion.feed(Tick(), t_s + 0.5)
        sizes.append(len(pickle.dumps(companion)))
    # The first minutes fill what is kept of the last half minute; numbers take a few bytes more or less.
    assert max(sizes[120:]) < 1.05 * max(sizes[5:60])
