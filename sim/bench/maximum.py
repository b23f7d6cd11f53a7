"""The ranges of the estimated maximum: how often they hold the true one, and how wide they are."""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from functools import partial
from math import sqrt
from pathlib import Path
from typing import Any, Literal

from firmware_app.core import maximum
from firmware_app.core.maximum import Effort, Estimate, Observation
from sim.dice import Dice

HELP = """\
Simulated riders whose true maximum is known, drawn around the age formula with its published spread, ride every ten
days: easily (no evidence), hard (some way under the maximum), or all-out (a little under it); with --tests every ninth
ride is a maximal test. With --untold they ride every third day and never say which ride was all-out: all that the log
knows is that the maximum is at least what was held. Prints how often the 90 % range of the estimate held the true
maximum after 0, 3, 10, 30 and 100 rides, how wide it was, and how far off the value. --draw writes the picture of one
rider over thirty rides.
"""

RIDES = (0, 3, 10, 30, 100)
RIDES_DRAWN = 30
DAYS_A = 365.25
Habit = Literal["told", "tests", "untold"]
DAYS_BETWEEN: dict[Habit, float] = {"told": 10.0, "tests": 10.0, "untold": 3.0}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--riders", type=int, default=400, metavar="N")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    habit = parser.add_mutually_exclusive_group()
    habit.set_defaults(habit="told")
    add = partial(habit.add_argument, action="store_const", dest="habit")
    add("--tests", const="tests", help="riders who also do maximal tests")
    add("--untold", const="untold", help="riders who never say which ride was all-out")
    parser.add_argument("--draw", type=Path, metavar="FILE", help="write the picture (SVG) and nothing else")


def run(args: argparse.Namespace) -> int:
    if args.draw:
        draw(args.draw, args.seed)
    else:
        print(json.dumps(coverage(args.riders, args.seed, args.habit), indent=2))
    return 0


@dataclass(frozen=True)
class Rider:
    """A rider with a known maximum and every ride's word on it, oldest first, by the day it was ridden.

    age, hr_max_bpm: on the first day. The maximum falls with age as the formula does.
    """

    age: int
    hr_max_bpm: float
    rides: tuple[tuple[float, Observation | None], ...]

    def found(self, rides: int) -> tuple[float, Estimate]:
        """The true maximum in bpm on the day of the last of the first ``rides`` rides, and the estimate on that day."""
        done = self.rides[:rides]
        today = done[-1][0] if done else 0.0
        seen = [replace(one, days_ago=today - day) for day, one in done if one is not None]
        return self.hr_max_bpm - _aged_bpm(today), maximum.estimate(seen, self.age + today / DAYS_A)


def drawn(seed: int, number: int, habit: Habit) -> Rider:
    """A rider: how hard they ride is their own habit, and not known to the estimator."""
    dice = Dice(seed, "maximum", number)
    age = round(dice.between(18, 70))
    hr_max_bpm = maximum.PRIOR.of_age(age) + maximum.PRIOR.sd_bpm * dice.normal()
    first_bpm = hr_max_bpm
    keenness = dice.between(0.1, 0.6)
    reach_bpm = dice.between(15, 45)
    rides: list[tuple[float, Observation | None]] = []
    for ride in range(max(RIDES)):
        day = DAYS_BETWEEN[habit] * ride
        hr_max_bpm = first_bpm - _aged_bpm(day)
        noise = 1.2 * dice.normal()
        label = f"ride {ride + 1}"
        if habit == "tests" and ride % 9 == 5:
            seen: Observation | None = Observation(0, hr_max_bpm + 2 * dice.normal(), "test", label=label)
        elif not dice.chance(keenness):
            seen = None
        elif dice.chance(0.3):
            effort: Effort = "hard" if habit == "untold" else "all_out"
            seen = Observation(0, hr_max_bpm - _gap(dice) + noise, effort, label=label)
        else:
            seen = Observation(0, hr_max_bpm - dice.between(2, reach_bpm) + noise, "hard", label=label)
        rides.append((day, seen))
    return Rider(age, first_bpm, tuple(rides))


def _aged_bpm(days: float) -> float:
    """How far age lowers a maximum in so many days."""
    return maximum.PRIOR.of_age(0.0) - maximum.PRIOR.of_age(days / DAYS_A)


def _gap(dice: Dice) -> float:
    """Exponential with a mean of 4 bpm, as half the sum of two squared normals times that mean."""
    return 4.0 * (dice.normal() ** 2 + dice.normal() ** 2) / 2


def coverage(riders: int, seed: int, habit: Habit) -> dict[str, Any]:
    """Coverage of the 90 % range after each number of rides, with its own 95 % binomial error."""
    rows = []
    people = [drawn(seed, number, habit) for number in range(riders)]
    for rides in RIDES:
        found = [rider.found(rides) for rider in people]
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
    return {"riders": riders, "seed": seed, "habit": habit, "nominal": 0.9, "after": rows}


def _holds(one: Estimate, true_bpm: float) -> bool:
    return one.low_bpm <= true_bpm <= one.high_bpm


def draw(path: Path, seed: int) -> None:
    """One rider over thirty rides: the estimate, its range, what each ride showed, and the truth."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    matplotlib.rcParams["svg.hashsalt"] = "rumblestrip"
    rider = drawn(seed, 26, "told")
    counts = range(RIDES_DRAWN + 1)
    true_bpm, found = zip(*(rider.found(rides) for rides in counts), strict=True)
    figure, axes = plt.subplots(figsize=(8, 4.2))
    axes.fill_between(counts, [e.low_bpm for e in found], [e.high_bpm for e in found], color="0.85", label="90 % range")
    axes.plot(counts, [e.value_bpm for e in found], color="0.1", label="estimate")
    axes.plot(counts, true_bpm, color="0.1", linestyle=":", label="true maximum")
    for effort, marker, text in (("hard", "v", "hard ride"), ("all_out", "^", "all-out ride"), ("test", "D", "test")):
        at = [
            (n, one.peak_bpm) for n, (_, one) in enumerate(rider.rides[:RIDES_DRAWN], 1) if one and one.effort == effort
        ]
        if at:
            axes.plot(*zip(*at, strict=True), marker, color="C1", label=text)
    axes.set(xlabel="rides", ylabel="bpm", title=f"A simulated rider of {rider.age}: thirty rides in ten months")
    # Under the picture: inside, it would lie over a line wherever one happens to run.
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), fontsize="small", ncols=5, frameon=False)
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)
