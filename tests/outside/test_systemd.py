"""The systemd unit, judged by systemd's own tools (systemd-analyze(1), verify and security)."""

from __future__ import annotations

import inspect
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from firmware_app.devices.strap import Pace
from firmware_app.store.writer import LogWriter
from firmware_app.worn_strap import LET_GO_S

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "config" / "rumblestrip.service"
KIOSK = ROOT / "docs" / "kiosk.md"

needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60)


@needs_systemd
def test_the_unit_passes_verify(tmp_path: Path) -> None:
    """verify also wants the programs to be there: as installed, but under a folder of this test."""
    for name in ("rumblestrip", "python"):
        (tmp_path / name).write_text("#!/bin/sh\n")
        (tmp_path / name).chmod(0o755)
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace("/opt/rumblestrip/bin", str(tmp_path)))
    verdict = analyze("verify", str(unit))
    # Warnings about other units of the machine that runs this are none of ours.
    assert [line for line in verdict.stderr.splitlines() if "rumblestrip" in line] == []
    assert verdict.returncode == 0


@needs_systemd
def test_the_exposure_in_the_docs_is_the_one_that_systemd_gives() -> None:
    verdict = analyze("security", "--offline=true", "--no-pager", str(UNIT))
    if verdict.returncode != 0 or "Overall exposure" not in verdict.stdout:
        pytest.skip("this systemd-analyze cannot judge a file offline (it can from version 250 on)")
    pattern = r"Overall exposure level for rumblestrip.service: ([\d.]+)"
    given, written = (re.search(pattern, text) for text in (verdict.stdout, KIOSK.read_text()))
    assert given is not None
    assert written is not None
    # Newer versions weigh a little differently; worse than a low score would be a unit that was opened up.
    assert float(given[1]) <= 1.5
    assert abs(float(given[1]) - float(written[1])) <= 0.3


@needs_systemd
def test_the_drop_in_for_a_backlight_leaves_the_unit_valid_and_closed(tmp_path: Path) -> None:
    """What docs/kiosk.md says to put into a drop-in."""
    line = re.search(r"^    (ProtectKernelTunables=no)$", KIOSK.read_text(), re.MULTILINE)
    assert line is not None
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace("ProtectKernelTunables=yes", line[1]))
    verdict = analyze("security", "--offline=true", "--no-pager", str(unit))
    given = re.search(r"Overall exposure level for rumblestrip.service: ([\d.]+)", verdict.stdout)
    if given is None:
        pytest.skip("this systemd-analyze cannot judge a file offline (it can from version 250 on)")
    assert float(given[1]) <= 1.5


def test_a_stop_leaves_time_to_let_go_of_the_strap_and_then_to_close_the_log() -> None:
    """After TimeoutStopSec (systemd.service(5)) comes SIGKILL, in the middle of whatever is left."""
    given = re.search(r"^TimeoutStopSec=(\d+)$", UNIT.read_text(), re.MULTILINE)
    assert given is not None
    log_s = inspect.signature(LogWriter.close).parameters["timeout_s"].default
    assert Pace().call_s + 3 <= LET_GO_S
    assert int(given[1]) >= LET_GO_S + log_s


def test_the_line_that_silences_a_killed_unit_runs() -> None:
    """ExecStopPost, with the interpreter of this test in place of the installed one, on mock pins."""
    line = re.search(r"^ExecStopPost=-\S+/python (.+)$", UNIT.read_text(), re.MULTILINE)
    assert line is not None
    env = os.environ | {"GPIOZERO_PIN_FACTORY": "mock", "GPIOZERO_MOCK_PIN_CLASS": "mockpwmpin"}
    done = subprocess.run(
        [sys.executable, *line[1].split()], cwd=ROOT, env=env, capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
