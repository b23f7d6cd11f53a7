"""How good the alarms are: delay, misses, false alarms and chatter over labelled rides, beside two simple baselines.

The rules, for one ride:

- An *exit* is a stretch of latent heart rate outside the lane that lasts 6 s and gets 2 bpm deep. A return that lasts
  under 6 s or gets under 1 bpm inside does not end it: a rider on the edge has not come back. One that is under way
  when the ride begins (the heart comes up from rest) does not count, nor does one that begins in the last 20 s.
- It is *missed* when no alarm of its side sounds from 8 s before it begins to 12 s after it ends, the same margins that
  make an alarm false, nor earlier while the heart stayed within 1 bpm of the limit until it left. Exits that lie in a
  drop-out from end to end do not count: nothing arrived to judge by.
- *Delay* runs from the moment the latent heart rate crosses the limit to the first such alarm; an earlier one has 0.
- An exit is *hidden* when it begins while the strap is silent, stuck, off the skin, in static or, where it is optical,
  locked to the pedals. The delay of the others is told beside that of all.
- An alarm is *false* when the latent heart rate stayed more than 1 bpm inside the limit from 12 s before to 8 s after.
- *Chatter* is an alarm within 20 s of the last one of the same side.
- A *hold* is 15 s of latent heart rate at or above 94 % of maximum, without a gap of over 3 s between notifications,
  once between two times under 92 %. It is missed when near_max did not sound over 92 %; its delay runs from the
  fifteenth second, and is 0 when near_max came before it. near_max is false when the latent heart rate kept more than
  1 bpm below 94 % from 12 s before to 8 s after.
- *Slow exits* are those whose last 3 bpm inside took 20 s or more. They are *warned* when drifting of that side sounded
  10 to 60 s before. A warning is *wrong* when the latent heart rate did not get within 1 bpm of the limit in the next
  60 s.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from firmware_app.settings import SettingsError
from sim.baselines import MEDIAN, PLAIN, Alarm, Contender, Ours, Threshold
from sim.rider import STEP_S
from sim.scenario import LabelledRide, labelled_ride, load, names

HELP = "score the alarms over labelled rides, beside a plain threshold and a median filter"

EXIT_S = 6.0
EXIT_DEEP_BPM = 2.0
BACK_DEEP_BPM = 1.0
NEAR_BPM = 1.0
BEFORE_S = 12.0
AFTER_S = 8.0
CHATTER_S = 20.0
HOLD_S = 15.0
GAP_S = 3.0
KINDS = ("hills", "steady", "intervals", "sprints")
SIDES = {"above_target": 1, "below_target": -1}
DRIFTS = {"drifting_up": 1, "drifting_down": -1}
J = TypeVar("J")
R = TypeVar("R")

HIDING = ("static", "stuck", "lifted", "dropout", "restart")


@dataclass(frozen=True, slots=True)
class Exit:
    """One time outside the lane.

    side: 1 over it, -1 under it. edge_s: since when the heart had been within 1 bpm of the limit. start_s, end_s: when
    it left and was back. slow: whether it came slowly. hidden: whether a fault of the strap lay over its beginning.
    """

    side: int
    edge_s: float
    start_s: float
    end_s: float
    slow: bool
    hidden: bool


@dataclass
class Score:
    """What one contender was worth over some rides. Delays in seconds; ``warnings`` are the drifting look-ahead.

    seen_delays_s: those of the exits that were not hidden.
    """

    hours: float = 0.0
    exits: int = 0
    missed: int = 0
    hidden: int = 0
    delays_s: list[float] = field(default_factory=list)
    seen_delays_s: list[float] = field(default_factory=list)
    alarms: int = 0
    false: int = 0
    chatter: int = 0
    holds: int = 0
    holds_missed: int = 0
    hold_delays_s: list[float] = field(default_factory=list)
    near_max_false: int = 0
    slow_exits: int = 0
    warned: int = 0
    warnings: int = 0
    warnings_wrong: int = 0

    def __iadd__(self, other: Score) -> Score:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)
        return self

    def figures(self) -> dict[str, float | int | None]:
        """Rates per hour, delays at p50 and p95 in seconds, shares from 0 to 1."""
        hours = self.hours or 1.0
        return {
            "hours": round(self.hours, 2),
            "exits": self.exits,
            "missed": self.missed,
            "missed_share": round(self.missed / self.exits, 4) if self.exits else None,
            "delay_p50_s": percentile(self.delays_s, 50),
            "delay_p95_s": percentile(self.delays_s, 95),
            "hidden": self.hidden,
            "seen_delay_p95_s": percentile(self.seen_delays_s, 95),
            "false_per_h": round(self.false / hours, 3),
            "chatter_per_h": round(self.chatter / hours, 3),
            "alarms_per_h": round(self.alarms / hours, 2),
            "near_max_holds": self.holds,
            "near_max_missed": self.holds_missed,
            "near_max_delay_p95_s": percentile(self.hold_delays_s, 95),
            "near_max_delay_worst_s": max(self.hold_delays_s, default=None),
            "near_max_false_per_h": round(self.near_max_false / hours, 3),
            "slow_exits": self.slow_exits,
            "warned_share": round(self.warned / self.slow_exits, 3) if self.slow_exits else None,
            "warnings_wrong_per_h": round(self.warnings_wrong / hours, 3),
        }


def percentile(values: list[float], percent: float) -> float | None:
    """A percentile of delays in seconds, in hundredths; None where there are none."""
    return round(float(np.percentile(values, percent)), 2) if values else None


def stretches(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where a mask is true: (first, past the last) of every stretch."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def hiding(ride: LabelledRide) -> list[tuple[float, float]]:
    """When a fault of its strap hid the heart: (from_s, until_s)."""
    kinds = (*HIDING, "cadence") if ride.strap.optical else HIDING
    return [(episode.start_s, episode.end_s) for episode in ride.episodes if episode.fault in kinds]


def exits(ride: LabelledRide) -> list[Exit]:
    """The exits of a ride that count, by the rules above."""
    found = []
    arrivals = np.array([t_s for t_s, _ in ride.rows])
    faults = hiding(ride)
    for side, limit_bpm in ((1, ride.target_bpm[1]), (-1, ride.target_bpm[0])):
        over = (ride.latent_bpm - limit_bpm) * side
        joined: list[list[int]] = []
        for first, past in stretches(over > 0):
            if joined:
                back = over[joined[-1][1] : first]
                if len(back) * STEP_S < EXIT_S or back.min() > -BACK_DEEP_BPM:
                    joined[-1][1] = past
                    continue
            joined.append([first, past])
        for first, past in joined:
            start_s, end_s = first * STEP_S, past * STEP_S
            if first == 0 or end_s - start_s < EXIT_S or over[first:past].max() < EXIT_DEEP_BPM:
                continue
            if start_s > ride.t_s[-1] - CHATTER_S or not np.any((arrivals >= start_s) & (arrivals <= end_s)):
                continue
            approach = over[max(first - int(20 / STEP_S), 0) : first]
            slow = len(approach) == int(20 / STEP_S) and bool(approach.max() <= 0 and approach[0] > -3.0)
            away = np.flatnonzero(over[:first] < -NEAR_BPM)
            edge_s = (int(away[-1]) + 1) * STEP_S if len(away) else 0.0
            hidden = any(from_s <= start_s <= until_s for from_s, until_s in faults)
            found.append(Exit(side, edge_s, start_s, end_s, slow, hidden))
    return sorted(found, key=lambda exit_: exit_.start_s)


def holds(ride: LabelledRide) -> list[tuple[float, float, float]]:
    """The times near maximum: when the latent heart rate came over 92 %, when near_max was due, when it fell under it.

    Those that never held 94 % for 15 s while notifications came are left out.
    """
    arrivals = np.array([-1e9, *(t_s for t_s, _ in ride.rows)])
    heard = ride.t_s - arrivals[np.searchsorted(arrivals, ride.t_s, side="right") - 1] <= GAP_S
    top = (ride.latent_bpm >= 0.94 * ride.hr_max_bpm) & heard
    found = []
    for first, past in stretches(ride.latent_bpm >= 0.92 * ride.hr_max_bpm):
        held = [a for a, b in stretches(top[first:past]) if (b - a) * STEP_S >= HOLD_S]
        if held:
            found.append((first * STEP_S, (first + held[0]) * STEP_S + HOLD_S, past * STEP_S))
    return found


def score_alarms(ride: LabelledRide, alarms: Sequence[Alarm]) -> Score:
    """What these alarms were worth on this ride."""
    result = Score(hours=len(ride.latent_bpm) * STEP_S / 3600)
    limits = {1: ride.target_bpm[1], -1: ride.target_bpm[0]}

    def closest(t_s: float, side: int, limit_bpm: float, before_s: float, after_s: float) -> float:
        first, past = (max(int(at / STEP_S), 0) for at in (t_s - before_s, t_s + after_s + STEP_S))
        return float(((ride.latent_bpm[first:past] - limit_bpm) * side).max(initial=-1e9))

    last = {1: -1e9, -1: -1e9}
    sounded: dict[int, list[float]] = {1: [], -1: []}
    for t_s, kind in alarms:
        if side := SIDES.get(kind):
            result.alarms += 1
            result.false += closest(t_s, side, limits[side], BEFORE_S, AFTER_S) < -NEAR_BPM
            result.chatter += t_s - last[side] < CHATTER_S
            last[side] = t_s
            sounded[side].append(t_s)
        elif kind == "near_max":
            near = closest(t_s, 1, 0.94 * ride.hr_max_bpm, BEFORE_S, AFTER_S)
            result.near_max_false += near < -NEAR_BPM
        elif side := DRIFTS.get(kind):
            result.warnings += 1
            result.warnings_wrong += closest(t_s, side, limits[side], 0, 60) < -NEAR_BPM
    for exit_ in exits(ride):
        result.exits += 1
        from_s = min(exit_.start_s - AFTER_S, exit_.edge_s)
        heard = [t for t in sounded[exit_.side] if from_s <= t <= exit_.end_s + BEFORE_S]
        result.hidden += exit_.hidden
        if heard:
            delay_s = max(heard[0] - exit_.start_s, 0.0)
            result.delays_s.append(delay_s)
            if not exit_.hidden:
                result.seen_delays_s.append(delay_s)
        else:
            result.missed += 1
        if exit_.slow:
            result.slow_exits += 1
            result.warned += any(
                DRIFTS.get(kind) == exit_.side and 10 <= exit_.start_s - t_s <= 60 for t_s, kind in alarms
            )
    for from_s, due_s, until_s in holds(ride):
        told = [t_s for t_s, kind in alarms if kind == "near_max" and from_s <= t_s <= until_s]
        result.holds += 1
        if told:
            result.hold_delays_s.append(max(told[0] - due_s, 0.0))
        else:
            result.holds_missed += 1
    return result


def score(contender: Contender, rides: Iterable[LabelledRide]) -> Score:
    """What a contender is worth over these rides, in this process."""
    total = Score()
    for ride in rides:
        total += score_alarms(ride, contender.alarms(ride.rows, ride.hr_max_bpm, ride.target_bpm))
    return total


def rides(kinds: Iterable[str], dirts: Iterable[float], seeds: Iterable[int]) -> list[LabelledRide]:
    """Labelled rides, every kind at every dirt with every seed. An hour's ride takes some 4 MB: keep what you need."""
    seeds, dirts = list(seeds), list(dirts)
    return [labelled_ride(kind, dirt, seed) for kind in kinds for dirt in dirts for seed in seeds]


Job = tuple[str, float, int, tuple[Contender, ...]]
"""Which ride (scenario, dirt, seed), and who listens to it."""


def _ride_scores(job: Job) -> dict[str, Score]:
    kind, dirt, seed, listeners = job
    ride = labelled_ride(kind, dirt, seed)
    return {one.name: score(one, [ride]) for one in listeners}


def score_all(jobs: Sequence[Job]) -> Iterator[tuple[Job, dict[str, Score]]]:
    """Score every job; results by name, in the order of the jobs."""
    return on_all_cores(_ride_scores, jobs)


def on_all_cores(work: Callable[[J], R], jobs: Sequence[J]) -> Iterator[tuple[J, R]]:
    """Every job with what the work makes of it, in order, on all cores, with a progress bar on a terminal."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    from tqdm import tqdm

    hidden = not sys.stderr.isatty()
    # Begun anew and not forked: a fork takes along the locks that other threads hold, and may wait for one for ever.
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        results = pool.map(work, jobs, chunksize=4)
        yield from zip(jobs, tqdm(results, total=len(jobs), unit="ride", disable=hidden, file=sys.stderr), strict=True)


def seeds_of(text: str) -> range:
    """``3`` or ``1-40`` as seeds."""
    first, _, last = text.partition("-")
    try:
        found = range(int(first), int(last or first) + 1)
    except ValueError:
        found = range(0)
    if not found:
        raise argparse.ArgumentTypeError(f"{text!r}: write seeds as 7 or 1-40")
    return found


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of ``alarms``."""
    parser.add_argument("--seeds", type=seeds_of, default=range(1, 21), help="which rides, as A-B (default 1-20)")
    parser.add_argument(
        "--kinds", default=",".join(KINDS), help='scenarios or .toml files, with commas between, or "all" (%(default)s)'
    )
    parser.add_argument("--dirt", default="1,3", help="how dirty, with commas between (default %(default)s)")
    parser.add_argument(
        "--set", action="append", default=[], metavar="KEY=VALUE", help="change a key of alarms.toml; may come often"
    )
    parser.add_argument("--picture", metavar="FILE", help="draw the trade-off to an SVG or PNG file instead")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a table")


def run(args: argparse.Namespace) -> int:
    """Score, and print a table or JSON, or draw."""
    kinds = names() if args.kinds == "all" else args.kinds.split(",")
    for kind in kinds:
        load(kind)
    try:
        dirts = [float(dirt) for dirt in args.dirt.split(",")]
        changes = tomllib.loads("\n".join(args.set))
    except ValueError as error:
        raise SettingsError(f"write --dirt as 1,3 and --set as KEY=VALUE of alarms.toml: {error}") from error
    listeners: tuple[Contender, ...] = (Ours(changes), PLAIN, MEDIAN)
    if args.picture:
        listeners += tuple(one for _, line in LINES for one in line)
    jobs: list[Job] = [(kind, dirt, seed, listeners) for kind in kinds for dirt in dirts for seed in args.seeds]
    found: dict[tuple[float, str, str], Score] = {}
    for (kind, dirt, _, _), scores in score_all(jobs):
        for name, one in scores.items():
            for group in (kind, "all"):
                found.setdefault((dirt, group, name), Score())
                found[dirt, group, name] += one
    if args.picture:
        draw({(dirt, name): one for (dirt, group, name), one in found.items() if group == "all"}, args.picture)
    elif args.json:
        rows = [{"dirt": d, "kind": k, "contender": n, **s.figures()} for (d, k, n), s in found.items()]
        print(json.dumps({"schema": "rumblestrip.bench.alarms/1", "seeds": list(args.seeds), "scores": rows}))
    else:
        _print(found)
    return 0


def _decisive(bpm_s: float) -> Ours:
    return Ours(
        {side: {"decision_bpm_s": bpm_s} for side in ("above_target", "below_target")}, f"rumblestrip {bpm_s:g} bpm s"
    )


LINES: tuple[tuple[str, tuple[Contender, ...]], ...] = (
    ("plain threshold, dwell 0 to 10 s", tuple(Threshold(f"plain {s:g} s", 0, 0, s) for s in (0, 1, 2, 3, 5, 7, 10))),
    (
        "median, 1 bpm of hysteresis, windows 3 to 15 s",
        tuple(Threshold(f"median {s:g} s", s, 1, s * 3 / 7) for s in (3, 5, 7, 9, 12, 15)),
    ),
    ("rumblestrip, decision_bpm_s 0.5 to 10", tuple(_decisive(bpm_s) for bpm_s in (0.5, 1, 2, 3.5, 6, 10))),
)
"""The lines of the picture: one setting of each contender from hasty to slow."""


def draw(found: dict[tuple[float, str], Score], file: str) -> None:
    """Delay against false alarms, one panel per dirt; filled is what ships, and the two baselines."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    mpl.rcParams["svg.hashsalt"] = "rumblestrip"
    dirts = sorted({dirt for dirt, _ in found})
    figure, panels = plt.subplots(1, len(dirts), figsize=(5 * len(dirts), 4.2), sharey=True, squeeze=False)
    for dirt, panel in zip(dirts, panels[0], strict=True):
        for (label, line), marker, style in zip(LINES, "so^", (":", "--", "-"), strict=True):
            scores = [found[dirt, one.name] for one in line]
            # No false alarm at all in so many hours is drawn as half a one.
            false = [max(one.false, 0.5) / one.hours for one in scores]
            p95 = [one.figures()["delay_p95_s"] for one in scores]
            panel.plot(p95, false, style, marker=marker, label=label, color="black", markerfacecolor="white")
        for name in ("rumblestrip", PLAIN.name, MEDIAN.name):
            one = found[dirt, name]
            at = (one.figures()["delay_p95_s"] or 0.0, max(one.false, 0.5) / one.hours)
            panel.plot(*at, "o", color="black", markersize=9)
            panel.annotate(name, at, xytext=(8, 6), textcoords="offset points", fontsize=9)
        panel.set(title=f"dirt {dirt:g}", xlabel="delay p95, s", yscale="log", xlim=(0, None))
        panel.margins(y=0.12)
        panel.grid(True, which="major", alpha=0.3)
    panels[0][0].set_ylabel("false alarms an hour")
    figure.legend(*panels[0][0].get_legend_handles_labels(), loc="lower center", ncols=len(LINES), fontsize=8)
    hours = next(iter(found.values())).hours
    figure.suptitle(f"What a false alarm costs in delay ({hours:g} h of simulated riding a point)", fontsize=11)
    figure.tight_layout(rect=(0, 0.06, 1, 1))
    figure.savefig(file, metadata={"Date": None} if file.endswith(".svg") else None)


def _print(found: dict[tuple[float, str, str], Score]) -> None:
    head = f"{'kind':10} {'contender':16} {'exits':>6} {'missed':>7} {'p50 s':>6} {'p95 s':>6} {'seen s':>6}"
    head += f" {'false/h':>8} {'chat/h':>7} {'holds':>6} {'missed':>6} {'late s':>7} {'false/h':>8}"
    head += f" {'warned':>7} {'wrong/h':>8}"
    for dirt in sorted({key[0] for key in found}):
        print(f"dirt {dirt:g}\n{head}")
        for (at, kind, name), one in sorted(found.items(), key=lambda item: (item[0][1] == "all", item[0][1])):
            if at == dirt:
                f = one.figures()
                print(
                    f"{kind:10} {name:16} {f['exits']:6} {_share(f['missed_share']):>7} {_s(f['delay_p50_s']):>6}"
                    f" {_s(f['delay_p95_s']):>6} {_s(f['seen_delay_p95_s']):>6} {f['false_per_h']:8.2f}"
                    f" {f['chatter_per_h']:7.2f}"
                    f" {f['near_max_holds']:6} {f['near_max_missed']:6} {_s(f['near_max_delay_worst_s']):>7}"
                    f" {f['near_max_false_per_h']:8.2f} {_share(f['warned_share']):>7} {f['warnings_wrong_per_h']:8.2f}"
                )


def _share(value: float | int | None) -> str:
    return "-" if value is None else f"{100 * value:.1f}%"


def _s(value: float | int | None) -> str:
    return "-" if value is None else f"{value:.1f}"
