"""Fixtures for every room."""

from __future__ import annotations

import os
from pathlib import Path

import hypothesis
import pytest

# How long an example takes is the machine's, and no failure: timing lives in sim/bench. What a test asks of its home it
# asks with every example of it.
UNASKED = [hypothesis.HealthCheck.too_slow, hypothesis.HealthCheck.function_scoped_fixture]
hypothesis.settings.register_profile("house", deadline=None, suppress_health_check=UNASKED)
hypothesis.settings.load_profile("house")

RECORDINGS = Path(
    os.environ.get("RUMBLESTRIP_RECORDINGS", Path(__file__).resolve().parents[2] / "shared" / "data" / "graded_tests")
)


@pytest.fixture(autouse=True)
def private_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Every test has a home of its own: no test reads or writes the settings and rides of whoever runs it."""
    for name in ("CONFIG", "DATA", "STATE", "CACHE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    return tmp_path


@pytest.fixture(scope="session")
def graded_tests() -> list[Path]:
    """Five recorded graded cycle-ergometer tests to exhaustion, beat by beat.

    Source: Chabert, Mongin, Hermand, Collado, Hue, PhysioNet 1.0.0, 2022, doi 10.13026/2qs3-kh43.
    """
    files = sorted(RECORDINGS.glob("test_*.csv"))
    if not files:
        pytest.skip("the recorded graded tests are not here: set RUMBLESTRIP_RECORDINGS to their folder")
    return files
