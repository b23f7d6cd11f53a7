"""A short run of the crash bench: killed at random moments, torn at random sectors."""

from __future__ import annotations

import json
import subprocess
import sys

from firmware_app.store import writer
from sim.bench import crash


def test_kills_and_power_cuts_lose_no_more_than_promised() -> None:
    # In a process of its own: it forks, and a test runner has threads.
    done = subprocess.run(
        [sys.executable, "-m", "sim.bench", "crash", "--kills", "16", "--seed", "8", "--fast", "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    document = json.loads(done.stdout)
    assert document["problems"] == []
    assert document["measurements_checked"] > 1000


def test_the_pace_leaves_a_slow_card_time_within_the_promises() -> None:
    assert writer.COMMIT_S <= crash.KILL_LOSS_S - 0.5
    assert writer.COMMIT_S + writer.SYNC_S <= crash.POWER_LOSS_S - 1.0
