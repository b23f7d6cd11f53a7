"""The ranges of the estimated maximum: how often they hold the true one, and how wide they are."""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path
from typing import Any

from firmware_app.core import maximum
from firmware_app.core.maximum import Estimate, Observation
from sim.dice import Dice

HELP = """\
Simulated riders whose true maximum is known, drawn around the age formula with its published spread, ride every ten
days: easily (no evidence), hard (some way under the maximum), or all-out (a little under it); with --tests every ninth
ride is a maximal test. Prints how often the 90 % range of the estimate held the true maximum after 0, 3, 10 and 30
rides, how wide it was, and how far off the value. --draw writes the picture of one rider over thirty rides.
"""

RIDES = (0, 3, 10, 30)
DAYS_BETWEEN = 10.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--riders", type=int, default=400, metavar="N")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--tests", action="store_true", help="riders who also do maximal tests")
    parser.add_argument("--draw", type=Path, metavar="FILE", help="write the picture (SVG) and nothing else")


def run(args: argparse.Namespace) -> int:
    if args.draw:
        draw(args.draw, args.seed)
    else:
        print(json.dumps(coverage(args.riders, args.seed, args.tests), indent=2))
    return 0


@dataclass(frozen=True)
class Rider:
    """A rider with a known maximum and every ride's word on it, oldest first, by the day it was ridden."""

    age: int
    hr_max_bpm: float
    rides: tuple[tuple[float, Observation | None], ...]

    def seen(self, rides: int) -> list[Observation]:
        """The observations of the first ``rides`` rides, as they stand on the day of the last."""
        done = self.rides[:rides]
        today = done[-1][0] if done else 0.0
        return [replace(one, days_ago=today - day) for day, one in done if one is not None]


def drawn(seed: int, number: int, tests: bool) -> Rider:
    """A rider: how hard they ride is their own habit, and not known to the estimator."""
    dice = Dice(seed, "maximum", number)
    age = round(dice.between(18, 70))
    hr_max_bpm = maximum.PRIOR.of_age(age) + maximum.PRIOR.sd_bpm * dice.normal()
    keenness = dice.between(0.1, 0.6)
    reach_bpm = dice.between(15, 45)
    rides: list[tuple[float, Observation | None]] = []
    for ride in range(max(RIDES)):
        day = DAYS_BETWEEN * ride
        noise = 1.2 * dice.normal()
        label = f"ride {ride + 1}"
        if tests and ride % 9 == 5:
            seen: Observation | None = Observation(0, hr_max_bpm + 2 * dice.normal(), "test", label=label)
        elif not dice.chance(keenness):
            seen = None
        elif dice.chance(0.3):
            seen = Observation(0, hr_max_bpm - _gap(dice) + noise, "all_out", label=label)
        else:
            seen = Observation(0, hr_max_bpm - dice.between(2, reach_bpm) + noise, "hard", label=label)
        rides.append((day, seen))
    return Rider(age, hr_max_bpm, tuple(rides))


def _gap(dice: Dice) -> float:
    """Exponential with a mean of 4 bpm, as half the sum of two squared normals times that mean."""
    return 4.0 * (dice.normal() ** 2 + dice.normal() ** 2) / 2


def coverage(riders: int, seed: int, tests: bool) -> dict[str, Any]:
    """Coverage of the 90 % range after each number of rides, with its own 95 % binomial error."""
    rows = []
    people = [drawn(seed, number, tests) for number in range(riders)]
    for rides in RIDES:
        found = [(rider.hr_max_bpm, maximum.estimate(rider.seen(rides), rider.age)) for rider in people]
        share = sum(_holds(one, true) for true, one in found) / riders
        rows.append(
            {
                "rides": rides,
                "coverage": round(share, 3),
                "error_95": round(1.96 * sqrt(0.9 * 0.1 / riders), 3),
                "mean_width_bpm": round(sum(one.high_bpm - one.low_bpm for _, one in found) / riders, 1),
                "rms_error_bpm": round(sqrt(sum((one.value_bpm - true) ** 2 for true, one in found) / riders), 1),
                "bias_bpm": round(sum(one.value_bpm - true for true, one in found) / riders, 1),
            }
        )
    return {"riders": riders, "seed": seed, "tests": tests, "nominal": 0.9, "after": rows}


def _holds(one: Estimate, true_bpm: float) -> bool:
    return one.low_bpm <= true_bpm <= one.high_bpm


def draw(path: Path, seed: int) -> None:
    """One rider over thirty rides: the estimate, its range, what each ride showed, and the truth."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    matplotlib.rcParams["svg.hashsalt"] = "rumblestrip"
    rider = drawn(seed, 26, tests=False)
    counts = range(max(RIDES) + 1)
    found = [maximum.estimate(rider.seen(rides), rider.age) for rides in counts]
    figure, axes = plt.subplots(figsize=(8, 4.2))
    axes.fill_between(counts, [e.low_bpm for e in found], [e.high_bpm for e in found], color="0.85", label="90 % range")
    axes.plot(counts, [e.value_bpm for e in found], color="0.1", label="estimate")
    axes.axhline(rider.hr_max_bpm, color="0.1", linestyle=":", label="true maximum")
    for effort, marker, text in (("hard", "v", "hard ride"), ("all_out", "^", "all-out ride"), ("test", "D", "test")):
        at = [(n, one.peak_bpm) for n, (_, one) in enumerate(rider.rides, 1) if one and one.effort == effort]
        if at:
            axes.plot(*zip(*at, strict=True), marker, color="C1", label=text)
    axes.set(xlabel="rides", ylabel="bpm", title=f"A simulated rider of {rider.age}: thirty rides in ten months")
    # Under the picture: inside, it would lie over a line wherever one happens to run.
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), fontsize="small", ncols=5, frameon=False)
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)
