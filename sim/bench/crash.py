"""What the ride log loses when the program is killed or the power fails, at random moments of a ride.

Every round forks a process that writes a ride, kills it (SIGKILL) at a random moment and judges its files twice:

- *killed*: as they are. A kill takes nothing from the system's page cache.
- *power cut*: what was made durable last, under what was written since; of that, each sector of 512 bytes is the new
  one, the old one, or noise, and the files end anywhere between their old and their new length. This is harsher than a
  card: it keeps no order among writes that no barrier separates.

Half of the rounds write at the log's own pace, so that seconds lost are the real ones; the others a hundred times
faster, so that the kill falls into a write, into the carrying-over of the write-ahead log, or between two rides.
"""

from __future__ import annotations

import argparse
import json
import mmap
import os
import random
import shutil
import signal
import sqlite3
import struct
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from firmware_app.core.events import Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts
from firmware_app.store import schema, writer
from firmware_app.store.log import open_log

HELP = __doc__
KILL_LOSS_S = 2.0
POWER_LOSS_S = 5.0
"""What the log promises to lose at most."""

_SECTOR_BYTES = 512
_NAME = "rides.sqlite3"
_GIVEN = struct.Struct("<d")
_MOST_GIVEN = 200_000
_BARRIER = 2  # what SQLite calls FULL: synced at every commit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--kills", type=int, default=100, help="how many (default: 100)")
    parser.add_argument("--seed", type=int, default=1, help="the same seed, the same moments (default: 1)")
    parser.add_argument("--at-once", type=int, default=12, help="rides under way at a time (default: 12)")
    parser.add_argument("--fast", action="store_true", help="only the fast rounds: no seconds of the log's own pace")
    parser.add_argument("--folder", type=Path, help="write here, for instance on the card itself")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace) -> int:
    document = bench(args.kills, args.seed, args.at_once, fast=args.fast, folder=args.folder)
    if args.json:
        print(json.dumps(document, indent=2))
    else:
        for key, value in document.items():
            print(f"{key}: {value}")
    return 1 if document["problems"] else 0


@dataclass
class Round:
    """One ride in a process of its own. given: slot 0 counts the measurements handed over, slot i is when, in s."""

    seed: int
    folder: Path
    pace: float
    pid: int
    given: mmap.mmap
    began_s: float
    kill_s: float

    def count(self) -> int:
        return int(_GIVEN.unpack_from(self.given, 0)[0])

    def at_s(self, index: int) -> float:
        return float(_GIVEN.unpack_from(self.given, _GIVEN.size * (index + 1))[0])


def bench(kills: int, seed: int, at_once: int, *, fast: bool = False, folder: Path | None = None) -> dict[str, object]:
    """Kill so many rides; what was lost, and every promise that was broken."""
    dice = random.Random(seed)
    losses: dict[str, list[float]] = {"kill": [], "power": []}
    problems: list[str] = []
    stored = own_pace = 0
    with tempfile.TemporaryDirectory(prefix="rumblestrip-crash-", dir=folder) as place:
        under_way: list[Round] = []
        begun = 0
        while begun < kills or under_way:
            while begun < kills and len(under_way) < at_once:
                pace = 100.0 if fast or begun % 2 else 1.0
                under_way.append(_begin(Path(place) / str(begun), dice.randrange(1 << 30), pace))
                begun += 1
            due = min(under_way, key=lambda each: each.kill_s)
            time.sleep(max(due.kill_s - time.monotonic(), 0))
            killed_s = time.monotonic()
            os.kill(due.pid, signal.SIGKILL)
            os.waitpid(due.pid, 0)
            under_way.remove(due)
            own_pace += due.pace == 1.0
            for kind, where in (("kill", due.folder / "log"), ("power", _power_cut(due))):
                try:
                    kept, lost_s = _judge(due, where / _NAME, killed_s)
                    stored += kept
                    losses[kind].append(lost_s)
                    limit_s = KILL_LOSS_S if kind == "kill" else POWER_LOSS_S
                    if lost_s > limit_s:
                        problems.append(f"seed {due.seed}: {kind}: {lost_s:.2f} s lost")
                # Whatever goes wrong is a finding of this bench, and must not hide the others.
                except Exception as error:
                    problems.append(f"seed {due.seed}: {kind}: {type(error).__name__}: {error}")
            due.given.close()
            shutil.rmtree(due.folder)
    return {
        "kills": kills,
        "at_own_pace": own_pace,
        "seed": seed,
        "measurements_checked": stored,
        "kill_lost_s_p50": round(float(np.median(losses["kill"] or [0])), 3),
        "kill_lost_s_max": round(max(losses["kill"], default=0.0), 3),
        "power_lost_s_p50": round(float(np.median(losses["power"] or [0])), 3),
        "power_lost_s_max": round(max(losses["power"], default=0.0), 3),
        "problems": problems,
    }


def _begin(folder: Path, seed: int, pace: float) -> Round:
    path = folder / "log" / _NAME
    open_log(path).close()
    _keep_durable(path.parent)
    given = mmap.mmap(-1, _GIVEN.size * (_MOST_GIVEN + 1))
    began_s = time.monotonic()
    lasts_s = random.Random(seed).uniform(0.02, 7.0 if pace == 1.0 else 1.5)
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        try:
            _ride(path, seed, pace, given)
        finally:
            os._exit(1)
    return Round(seed, folder, pace, pid, given, began_s, began_s + lasts_s)


def _ride(path: Path, seed: int, pace: float, given: mmap.mmap) -> None:
    """The process that will be killed: rides without an end."""
    dice = random.Random(seed)
    settle = writer.LogWriter._settle

    def settle_and_keep(self: writer.LogWriter, connection: sqlite3.Connection) -> None:
        """A commit with a barrier has just been made. Carrying the write-ahead log over ends with another."""
        if connection.execute("PRAGMA synchronous").fetchone()[0] < _BARRIER:
            raise RuntimeError("the writer takes for durable what SQLite has not synced")
        _keep_durable(path.parent)
        carried_over = _size(schema.wal_path(path)) > writer._CHECKPOINT_BYTES
        settle(self, connection)
        if carried_over:
            _keep_durable(path.parent)

    writer.LogWriter._settle = settle_and_keep  # type: ignore[method-assign]
    if pace > 1:
        writer._CHECKPOINT_BYTES = 40_000
    log = writer.LogWriter(path, commit_s=writer.COMMIT_S / pace)
    began_s = time.monotonic()
    log.begin(RideFacts(hr_max_bpm=190, started_unix_s=time.time()))
    for index in range(_MOST_GIVEN):
        if pace > 1 and dice.random() < 0.003:
            log.end("rider")
            log.begin(RideFacts(hr_max_bpm=190, started_unix_s=time.time()))
        now_s = time.monotonic()
        _GIVEN.pack_into(given, _GIVEN.size * (index + 1), now_s)
        _GIVEN.pack_into(given, 0, index + 1)
        sample = _sample(index, now_s - began_s)
        log.take((sample, Mark(sample.t_s, "press", {"key": "plus"})) if index % 7 == 0 else (sample,))
        time.sleep(0.05 if pace == 1.0 else 0.001)


def _sample(index: int, t_s: float) -> Sample:
    """The measurement number ``index``, to be known again by its heart rate and its RR intervals."""
    rr_ms = tuple((300 + (index * 7 + each) % 900) * 1000 / 1024 for each in range(index % 4))
    return Sample(round(t_s, 3), Measurement(60 + index % 120, rr_ms, True), 60.5 + index % 120, 1.0)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0


def _files(folder: Path) -> Iterator[Path]:
    return (path for path in folder.iterdir() if not path.name.endswith("-shm"))


def _keep_durable(folder: Path) -> None:
    """Put a copy of the files aside, whole: what a power cut from here on leaves at least."""
    part = Path(tempfile.mkdtemp(prefix="part-", dir=folder.parent))
    for path in _files(folder):
        shutil.copyfile(path, part / path.name)
    part.rename(folder.parent / f"durable-{time.monotonic_ns():020d}")
    for old in sorted(folder.parent.glob("durable-*"))[:-1]:
        shutil.rmtree(old)


def _power_cut(due: Round) -> Path:
    dice = np.random.default_rng(due.seed)
    durable = sorted(due.folder.glob("durable-*"))[-1]
    torn = due.folder / "torn"
    torn.mkdir()
    written = due.folder / "log"
    for name in {path.name for path in (*_files(durable), *_files(written))}:
        old, new = ((folder / name).read_bytes() if (folder / name).exists() else b"" for folder in (durable, written))
        shorter, longer = sorted((len(old), len(new)))
        length = int(dice.integers(shorter, longer + 1))
        pieces = []
        # From "everything arrived" to "next to nothing did".
        share_new = dice.random()
        for at in range(0, length, _SECTOR_BYTES):
            was, now = (data[at : at + _SECTOR_BYTES].ljust(_SECTOR_BYTES, b"\0") for data in (old, new))
            fate = dice.random()
            if was == now or fate < share_new:
                pieces.append(now)
            else:
                pieces.append(was if fate < (1 + share_new) / 2 else dice.bytes(_SECTOR_BYTES))
        (torn / name).write_bytes(b"".join(pieces)[:length])
    return torn


def _judge(due: Round, path: Path, killed_s: float) -> tuple[int, float]:
    """How many measurements are stored and how many seconds are lost. Raises AssertionError on a broken promise."""
    with open_log(path) as log:
        rides = log.rides()
        damaged = [text for text in log.recovered if "damaged" in text]
        records = [log.record(ride.ride_id) for ride in rides]
        offered = log.resumable(time.time(), "strap")
    with closing(schema.connect(path)) as connection:
        check = connection.execute("PRAGMA integrity_check").fetchall()
    _hold(not damaged, f"was set aside: {damaged}")
    _hold(check == [("ok",)], f"integrity: {check}")
    _hold(all(ride.ended is not None for ride in rides), "a cut ride was not ended")
    stored = sum(len(record.t_s) for record in records)
    count = due.count()
    _hold(stored <= count, f"{stored} stored of {count}")
    if rides and rides[-1].ended == "cut":
        _hold(offered is not None and offered.ride_id == rides[-1].ride_id, "the cut ride is not offered")
    index = 0
    for record in records:
        rr_ends = np.cumsum(np.bincount(record.rr_row, minlength=len(record.t_s)))
        for row, hr_bpm in enumerate(record.hr_bpm.tolist()):
            expected = _sample(index, 0.0)
            start = int(rr_ends[row - 1]) if row else 0
            _hold(hr_bpm == expected.measurement.hr_bpm, f"measurement {index} is another one")
            rr_ms = tuple(record.rr_ms[start : int(rr_ends[row])].tolist())
            _hold(rr_ms == expected.measurement.rr_ms, f"the RR intervals of measurement {index} are others")
            index += 1
    return stored, killed_s - due.at_s(stored) if stored < count else 0.0


def _hold(promise: bool, broken: str) -> None:
    if not promise:
        raise AssertionError(broken)
