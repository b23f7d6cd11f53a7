"""How light the unit is: start-up, memory, core, live loop and log, each figure beside a floor of the same run.

The figures of two machines can be compared by their ratio to the floor only. What each is made of, and what it means
for a small board: docs/speed.md.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from firmware_app import preparation
from firmware_app.core.companion import Companion
from firmware_app.core.events import Effect, Tick
from firmware_app.core.measurement import Measurement
from sim.scenario import labelled_ride

HELP = "start-up, memory, core, live loop, log and latency, each against a floor measured in the same run"

GOALS = {
    "core_us_per_measurement": 100.0,
    "replay_times_real_time": 5000.0,
    "first_frame_over_bare_imports": 1.6,
    "rss_over_bare_imports": 1.35,
    "live_cpu_percent": 3.0,
    "notify_to_buzzer_p99_ms": 15.0,
    "notify_to_frame_p99_ms": 15.0,
    "log_kb_per_hour": 120.0,
}
"""On the machine that builds the unit. Only the replay is to be above its goal."""

BARE = "import numpy, pygame, bleak, gpiozero"

RIDE = ["ride", "--strap", "sim", "--panel", "offscreen"]

HR_MAX_BPM = 186

_TELLS = "import sys, time; print(time.clock_gettime(time.CLOCK_MONOTONIC), flush=True)"

_FIRST_FRAME = f"""
from firmware_app.devices.panel import OffscreenPanel
show = OffscreenPanel.present
def present(self, surface, rows=None):
    show(self, surface, rows)
    OffscreenPanel.present = show
    {_TELLS}
OffscreenPanel.present = present
import sys
from firmware_app.cli import main
sys.exit(main(sys.argv[1:]))
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of this bench."""
    parser.add_argument("--starts", type=int, default=9, help="process starts of each kind; the fastest counts")
    parser.add_argument("--live-s", type=float, default=60.0, help="how long the live ride is watched (default 60)")
    parser.add_argument("--only", metavar="PARTS", help=f"some of {','.join(PARTS)}")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Measure and print."""
    wanted = args.only.split(",") if args.only else list(PARTS)
    unknown = sorted(set(wanted) - set(PARTS))
    if unknown:
        print(f"--only {unknown[0]}: choose from {', '.join(PARTS)}", file=sys.stderr)
        return 2
    figures: dict[str, float] = {}
    for part in wanted:
        figures |= PARTS[part](args)
    figures = {name: float(f"{value:.4g}") for name, value in figures.items()}
    if args.json:
        print(json.dumps({"schema": "rumblestrip.bench.speed/1", **figures, "goals": GOALS}))
        return 0
    for name, figure in figures.items():
        goal = GOALS.get(name)
        print(f"{name:42} {figure:10g}" + (f"   goal {goal:g}" if goal else ""))
    return 0


# --- core and log ---------------------------------------------------------------------------------------------------


class _Deaf:
    """Hears everything and does nothing: the floor of the core is what calling it costs."""

    def feed(self, event: object, t_s: float) -> tuple[Effect, ...]:
        return ()


def _hour() -> list[tuple[float, Measurement]]:
    """An hour in the hills, with an ordinary strap: one notification a second, two RR intervals in most of them."""
    return labelled_ride("hills", 1.0, 1).rows


def _companion() -> Companion:
    ready = preparation.prepare("3", None, HR_MAX_BPM, 56, "seven")
    return ready.companion(ready.facts("sim"))


Fed = tuple[float, tuple[Effect, ...]]


def _played(companion: Companion | _Deaf, rows: list[tuple[float, Measurement]]) -> Iterator[Fed]:
    """A ride as the unit feeds it: each notification, and ticks four times a second between them."""
    tick = Tick()
    ticks = 0
    for t_s, measurement in rows:
        while ticks * 0.25 < t_s:
            yield ticks * 0.25, companion.feed(tick, ticks * 0.25)
            ticks += 1
        yield t_s, companion.feed(measurement, t_s)


def _best(times: int, work: Callable[[], object]) -> float:
    """CPU seconds of the fastest of so many runs: the others were disturbed."""
    found = math.inf
    for _ in range(times):
        began_s = time.process_time()
        work()
        found = min(found, time.process_time() - began_s)
    return found


def _drain(effects: Iterator[object]) -> None:
    for _ in effects:
        pass


def core(args: argparse.Namespace) -> dict[str, float]:
    """The companion alone: one notification and its four ticks. Its view, which the panel asks for, stands apart."""
    rows = _hour()
    core_s = _best(3, lambda: _drain(_played(_companion(), rows)))
    floor_s = _best(3, lambda: _drain(_played(_Deaf(), rows)))
    companion = _companion()
    _drain(_played(companion, rows[:600]))
    view_s = _best(3, lambda: [companion.view() for _ in range(1000)]) / 1000
    return {
        "core_us_per_measurement": core_s / len(rows) * 1e6,
        "core_us_floor": floor_s / len(rows) * 1e6,
        "core_rr_per_measurement": sum(len(m.rr_ms) for _, m in rows) / len(rows),
        "view_us": view_s * 1e6,
    }


def replay(args: argparse.Namespace) -> dict[str, float]:
    """An hour's ride through core and alarms into a log on disk, and without the log, by the clock on the wall.

    The floor of the log: what that hour's log holds, copied by SQLite into a new file at one go.
    """
    from firmware_app.store.writer import LogWriter

    rows = _hour()
    hour_s = rows[-1][0]

    def through(writer: LogWriter | None) -> float:
        began_s = time.perf_counter()
        companion = _companion()
        if writer is not None:
            writer.begin(companion.facts)
        for _, effects in _played(companion, rows):
            if writer is not None and effects:
                writer.take(effects)
        if writer is not None:
            writer.end("rider")
            if writer.close():
                raise RuntimeError("the log did not take the ride")
        return time.perf_counter() - began_s

    bare_s = min(through(None) for _ in range(3))
    with disk_folder() as folder:
        path = folder / "rides.sqlite3"
        sizes = []
        logged_s = math.inf
        for _ in range(3):
            logged_s = min(logged_s, through(LogWriter(path)))
            sizes.append(path.stat().st_size)
        with sqlite3.connect(path) as log:
            began_s = time.perf_counter()
            log.execute("VACUUM INTO ?", (str(folder / "copy"),))
            copy_s = (time.perf_counter() - began_s) / 3
        log.close()
    return {
        "replay_times_real_time": hour_s / logged_s,
        "replay_without_log_times_real_time": hour_s / bare_s,
        "log_copy_floor_times_real_time": hour_s / copy_s,
        "log_kb_per_hour": (sizes[-1] - sizes[0]) / (len(sizes) - 1) / 1000 / (hour_s / 3600),
    }


def card(args: argparse.Namespace) -> dict[str, float]:
    """What a live hour of the log makes the system write to the disk: the measurement of the bench ``history``.

    The floor: the finished log, written once.
    """
    from sim.bench.history import live_hour

    with disk_folder() as folder:
        found = live_hour(folder / "rides.sqlite3", pace=100)
    kept, written = found["live_file_kb_per_hour"], found["written_to_card_kb_per_hour"]
    if not isinstance(kept, float) or not isinstance(written, int):
        return {}  # this system does not count what it writes
    return {"card_kb_per_hour": written, "card_floor_kb_per_hour": kept}


@contextmanager
def disk_folder() -> Iterator[Path]:
    """A folder for a while, on a disk where there is one: what is kept in memory costs nothing to write."""
    with tempfile.TemporaryDirectory(dir="/var/tmp" if os.path.isdir("/var/tmp") else None) as folder:
        yield Path(folder)


# --- the whole unit -------------------------------------------------------------------------------------------------


@contextmanager
def _fresh_unit() -> Iterator[dict[str, str]]:
    """The environment of a unit just installed: its own folders, no settings, every module compiled."""
    with disk_folder() as folder:
        env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        env["PYTHONPYCACHEPREFIX"] = f"{folder}/compiled"
        env["PYGAME_HIDE_SUPPORT_PROMPT"] = "1"
        for name in ("CONFIG", "DATA", "STATE", "CACHE"):
            env[f"XDG_{name}_HOME"] = f"{folder}/{name.lower()}"
        yield env


@contextmanager
def _child(script: str, words: list[str], env: dict[str, str]) -> Iterator[tuple[subprocess.Popen[str], float]]:
    """A Python process, and the seconds from its start until it told the time."""
    began_s = time.clock_gettime(time.CLOCK_MONOTONIC)
    child = subprocess.Popen(
        [sys.executable, "-c", script, *words],
        env=env,
        text=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    try:
        assert child.stdout is not None
        yield child, float(child.stdout.readline()) - began_s
    finally:
        child.terminate()
        child.communicate()


def start(args: argparse.Namespace) -> dict[str, float]:
    """From the start of the process to the first frame, with a simulated strap and with a real one.

    Where setuptools is installed, importing pygame loads pkg_resources, which the unit does without: so there is a
    second floor, without it.
    """
    scripts = {
        "first_frame_s": (_FIRST_FRAME, RIDE),
        "first_frame_real_strap_s": (_FIRST_FRAME, ["ride", "--panel", "offscreen", "--hr-max-bpm", f"{HR_MAX_BPM}"]),
        "bare_imports_s": (f"{BARE}\n{_TELLS}", []),
        "lean_imports_s": (f"import sys; sys.modules['pkg_resources'] = None; {BARE}\n{_TELLS}", []),
    }
    took_s = dict.fromkeys(scripts, math.inf)
    with _fresh_unit() as env:
        for turn in range(args.starts + 1):
            # Turn about, so that what disturbs the machine disturbs them all; the first only compiles.
            for name, (script, words) in scripts.items():
                with _child(script, words, env) as (_, seconds):
                    if turn:
                        took_s[name] = min(took_s[name], seconds)
    bare_s, lean_s = took_s["bare_imports_s"], took_s["lean_imports_s"]
    return {
        "first_frame_over_bare_imports": took_s["first_frame_s"] / bare_s,
        "first_frame_over_lean_imports": took_s["first_frame_s"] / lean_s,
        "first_frame_real_strap_over_bare_imports": took_s["first_frame_real_strap_s"] / bare_s,
        "first_frame_real_strap_over_lean_imports": took_s["first_frame_real_strap_s"] / lean_s,
        **took_s,
    }


def live(args: argparse.Namespace) -> dict[str, float]:
    """The whole unit in real time, one measurement a second, the panel drawn: memory and CPU, after it has settled.

    The floor of memory are bare imports, that of the CPU an asyncio loop that only wakes four times a second.
    """
    settle_s = min(5.0, args.live_s)
    idle = f"import asyncio\n{_TELLS}\nasync def idle():\n  while True: await asyncio.sleep(0.25)\nasyncio.run(idle())"
    with (
        _fresh_unit() as env,
        _child(f"{BARE}\n{_TELLS}\nsys.stdin.read()", [], env) as (bare, _),
        _child(idle, [], env) as (loop, _),
        _child(_FIRST_FRAME, RIDE, env) as (unit, _),
    ):
        time.sleep(settle_s)
        before = {child.pid: _cpu_s(child.pid) for child in (unit, loop)}
        time.sleep(args.live_s)
        unit_s, loop_s = (_cpu_s(child.pid) - before[child.pid] for child in (unit, loop))
        unit_kb, bare_kb = _rss_kb(unit.pid), _rss_kb(bare.pid)
    return {
        "rss_over_bare_imports": unit_kb / bare_kb,
        "rss_mb": unit_kb / 1000,
        "bare_imports_rss_mb": bare_kb / 1000,
        "live_cpu_percent": 100 * unit_s / args.live_s,
        "idle_loop_cpu_percent": 100 * loop_s / args.live_s,
    }


def _cpu_s(pid: int) -> float:
    """CPU time of all threads of a process so far, to the nanosecond (proc_pid_schedstat is not in every kernel)."""
    total_ns = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        total_ns += int((task / "schedstat").read_text().split()[0])
    return total_ns / 1e9


def _rss_kb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize() / 1000


def latency(args: argparse.Namespace) -> dict[str, float]:
    """From a notification on the emulated radio to the buzzer's pin and to the frame: the bench of that name.

    What the emulated radio itself needs to bring it stands beside them.
    """
    from sim.bench.latency import measure

    try:
        found = measure(args.live_s)
    except RuntimeError as error:
        print(f"latency is left out: {error}", file=sys.stderr)
        return {}
    names = ("notify_to_buzzer_p99_ms", "notify_to_frame_p99_ms", "sent_to_notify_p99_ms")
    return {name: found[name] for name in names}


def alarms(args: argparse.Namespace) -> dict[str, float]:
    """Hours of simulated riding made, ridden and scored per second, on all cores. The floor: only made."""
    from sim.baselines import Contender, Ours
    from sim.bench.alarms import KINDS, Job, score_all

    def score(listeners: tuple[Contender, ...]) -> tuple[float, float]:
        jobs: list[Job] = [(kind, 1.0, seed, listeners) for kind in KINDS for seed in (1, 2)]
        began_s = time.perf_counter()
        scores = [found for _, found in score_all(jobs)]
        took_s = time.perf_counter() - began_s
        return sum(one.hours for found in scores for one in found.values()), took_s

    hours, scored_s = score((Ours(),))
    _, made_s = score(())
    return {"alarms_bench_hours_per_s": hours / scored_s, "rides_made_hours_per_s": hours / made_s}


PARTS: dict[str, Callable[[argparse.Namespace], dict[str, float]]] = {
    part.__name__: part for part in (core, replay, card, start, live, latency, alarms)
}
"""In this order. ``latency`` needs bluezoo and a D-Bus daemon."""
