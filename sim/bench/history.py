"""Ten years of riding in one log: 2,000 rides of 75 minutes, a measurement a second with its RR intervals.

Times what a rider waits for, as the commands themselves (start of Python and all) and inside the process; the size of
the file; and what one live hour writes to the card.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from firmware_app.core.events import Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.store import writer
from firmware_app.store.log import open_log

HELP = __doc__


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rides", type=int, default=2000, help="default: 2000")
    parser.add_argument("--minutes", type=int, default=75, help="length of each (default: 75)")
    parser.add_argument("--seed", type=int, default=1, help="default: 1")
    parser.add_argument("--pace", type=float, default=100.0, help="how much faster the live hour runs (default: 100)")
    parser.add_argument("--folder", type=Path, help="write here, for instance on the card itself")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace) -> int:
    with tempfile.TemporaryDirectory(prefix="rumblestrip-history-", dir=args.folder) as place:
        document = {
            **history(Path(place), args.rides, args.minutes, args.seed),
            **live_hour(Path(place) / "live" / "rides.sqlite3", args.pace),
        }
    if args.json:
        print(json.dumps(document, indent=2))
    else:
        for key, value in document.items():
            print(f"{key}: {value}")
    return 0


def rides(count: int, minutes: int, seed: int) -> Iterator[RideRecord]:
    """Rides up to today, evenly over the years; each heart wanders between 100 and 170 bpm, every beat counted."""
    dice = np.random.default_rng(seed)
    seconds = minutes * 60
    t_s = np.arange(seconds, dtype=np.float64)
    every_s = 10 * 365.25 * 86_400 / count
    for index in range(count):
        wander = np.cumsum(dice.normal(0, 0.6, seconds))
        hr_bpm = 135 + 35 * np.sin(wander / 12)
        beats = np.floor(np.cumsum(hr_bpm / 60))
        rr_row = np.repeat(np.arange(seconds), np.diff(beats, prepend=0).astype(np.int64))
        rr_ms = np.rint(60_000 / hr_bpm[rr_row] * 1.024) / 1.024
        marks = tuple(
            Mark(float(at), "alarm", {"kind": "above_target", "priority": "medium", "reminder": 0, "on": on})
            for at, on in zip(range(120, seconds, 60), (True, False) * seconds, strict=False)
        )
        yield RideRecord(
            facts=RideFacts(
                hr_max_bpm=188,
                hr_rest_bpm=52,
                scheme="seven",
                target="3-4",
                started_unix_s=time.time() - (count - index) * every_s,
            ),
            t_s=t_s,
            hr_bpm=np.rint(hr_bpm),
            trusted_bpm=np.where(dice.random(seconds) < 0.01, np.nan, hr_bpm),
            quality=np.ones(seconds),
            contact=np.ones(seconds, dtype=np.int8),
            rr_ms=rr_ms,
            rr_row=rr_row,
            marks=(Mark(0.0, "target", {"low_bpm": 122, "high_bpm": 154, "text": "3-4"}), *marks),
            duration_s=float(seconds - 1),
        )


def history(place: Path, count: int, minutes: int, seed: int) -> dict[str, object]:
    """Build the log and time the commands on it."""
    homes = {f"XDG_{name}_HOME": str(place / name.lower()) for name in ("CONFIG", "DATA", "STATE", "CACHE")}
    path = place / "data" / "rumblestrip" / "rides.sqlite3"
    rider = place / "config" / "rumblestrip" / "rider.toml"
    rider.parent.mkdir(parents=True)
    rider.write_text('hr_max_bpm = 188\nhr_rest_bpm = 52\nsex = "female"\n')

    def command_s(*words: str) -> float:
        began_s = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "firmware_app", *words],
            check=True,
            stdout=subprocess.DEVNULL,
            env={**os.environ, **homes},
        )
        return round(time.perf_counter() - began_s, 3)

    began_s = time.perf_counter()
    with open_log(path) as log:
        for record in rides(count, minutes, seed):
            log.add(record)
    built_s = time.perf_counter() - began_s
    began_s = time.perf_counter()
    with open_log(path) as log:
        opened_s = time.perf_counter() - began_s
        assert len(log.rides()) == count
        listed_s = time.perf_counter() - began_s - opened_s
        began_s = time.perf_counter()
        measurements = sum(len(log.record(ride.ride_id).t_s) for ride in log.rides())
        read_s = time.perf_counter() - began_s
    began_s = time.perf_counter()
    open_log(path, thorough=True).close()
    checked_s = time.perf_counter() - began_s
    return {
        "rides": count,
        "measurements": measurements,
        "file_mb": round(path.stat().st_size / 1e6, 1),
        "file_kb_per_hour": round(path.stat().st_size / 1000 / (count * minutes / 60), 1),
        "build_s": round(built_s, 1),
        "open_s": round(opened_s, 4),
        "check_whole_file_s": round(checked_s, 2),
        "list_s": round(listed_s, 4),
        "read_every_ride_s": round(read_s, 2),
        "rides_command_s": command_s("rides"),
        "weeks_command_first_s": command_s("report", "--weeks", "12", "--json"),
        "weeks_command_s": command_s("report", "--weeks", "12", "--json"),
        "recompute_every_review_s": command_s("report", "--weeks", "12", "--recompute", "--json"),
    }


def live_hour(path: Path, pace: float) -> dict[str, object]:
    """One hour at a measurement a second through the writer, ``pace`` times faster: commits and barriers scale with it.

    written_to_card_kb_per_hour is what the system counts for this process (write_bytes of /proc/self/io, whole pages of
    the page cache), without what the file system adds of its own; None where the system does not count, or a disk in
    memory has nothing to count.
    """
    log = writer.LogWriter(path, commit_s=writer.COMMIT_S / pace)
    before = _written_bytes()
    log.begin(RideFacts(hr_max_bpm=188, started_unix_s=time.time()))
    began_s = time.monotonic()
    for t_s in range(3600):
        measurement = Measurement(150, (409.1796875, 400.390625, 398.4375)[: 2 + t_s % 2], True)
        log.take((Sample(float(t_s), measurement, 150.25, 1.0),))
        if t_s % 60 == 0:
            log.take((Mark(float(t_s), "alarm", {"kind": "above_target", "priority": "medium", "on": True}),))
        time.sleep(max(began_s + (t_s + 1) / pace - time.monotonic(), 0))
    log.end("rider")
    assert log.close() == 0
    written = _written_bytes() - before
    return {
        "live_file_kb_per_hour": round(path.stat().st_size / 1000, 1),
        "written_to_card_kb_per_hour": round(written / 1000) if written > 0 else None,
    }


def _written_bytes() -> int:
    """Bytes that this process has sent towards a disk."""
    try:
        lines = Path("/proc/self/io").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("write_bytes")), 0)
