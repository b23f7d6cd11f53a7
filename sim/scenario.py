"""Scenarios: TOML files that say who rides, what, towards which target and with which faults; and the rides they make.

A ride made here is labelled: beside the notifications stands the latent heart rate that nobody has on a real ride.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import msgspec
import numpy as np
from msgspec import Meta

from firmware_app import settings
from firmware_app.core.bands import whole_bpm
from sim.dice import Dice, Floats, wave
from sim.rider import STEP_S, Rider
from sim.strap import Episode, Faults, Row, Strap, beats, episodes, notifications

FOLDER = Path(__file__).resolve().parent / "scenarios"

Fraction = Annotated[float, Meta(ge=0, le=4)]
Share = Annotated[float, Meta(ge=0, le=1)]


class RiderSpec(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Who rides. Every key left out is drawn from the population, anew for every seed."""

    hr_max_bpm: Annotated[int, Meta(ge=120, le=230)] | None = None
    hr_rest_bpm: Annotated[int, Meta(ge=30, le=100)] | None = None
    mass_kg: Annotated[float, Meta(ge=30, le=180)] | None = None
    peak_w_per_kg: Annotated[float, Meta(ge=1, le=8)] | None = None


class Step(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A stretch of workload: ``fraction`` of peak power or ``watts``, ramping to ``to`` where given (same unit).

    s: how long, or from how long to how long. scatter: how much the level differs each time, standard deviation as a
    share of it. swing: height of irregular swings around the level, as a share of it; swing_s: their periods.
    """

    s: tuple[Annotated[float, Meta(gt=0)], Annotated[float, Meta(gt=0)]]
    fraction: Fraction | None = None
    watts: Annotated[float, Meta(ge=0, le=2500)] | None = None
    to: Annotated[float, Meta(ge=0, le=2500)] | None = None
    scatter: Share = 0.0
    swing: Share = 0.0
    swing_s: tuple[Annotated[float, Meta(ge=2)], Annotated[float, Meta(ge=2)]] = (60.0, 300.0)


class Block(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Steps ridden in a row, ``repeat`` times; the ride's length cuts what is too much."""

    step: Annotated[list[Step], Meta(min_length=1)]
    repeat: Annotated[int, Meta(ge=1, le=1000)] = 1


class Lane(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The target: ``percent`` of maximum, or ``share``: the lane that holds the latent heart rate between these two
    shares of the time after the first five minutes, drawn a little to either side (for rides that are to leave it)."""

    percent: tuple[Annotated[float, Meta(ge=30, le=100)], Annotated[float, Meta(ge=30, le=100)]] | None = None
    share: tuple[Share, Share] | None = None


class Scenario(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One scenario file."""

    about: str
    duration_s: Annotated[float, Meta(ge=30, le=6 * 3600)]
    target: Lane
    block: Annotated[list[Block], Meta(min_length=1)]
    rider: RiderSpec = RiderSpec()
    strap: Strap = Strap()
    faults: Faults = Faults()


@dataclass(frozen=True)
class LabelledRide:
    """A synthetic ride and the truth about it.

    rows: notifications as they arrive. t_s, latent_bpm: shape (n,), the truth, every STEP_S from 0.
    target_bpm: the lane, low and high. episodes: what went wrong, and when.
    """

    kind: str
    seed: int
    dirt: float
    hr_max_bpm: int
    target_bpm: tuple[int, int]
    rows: list[Row]
    t_s: Floats
    latent_bpm: Floats
    workload: Floats
    strap: Strap
    episodes: list[Episode]


def names() -> list[str]:
    """The scenarios that come with the simulator."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def load(name: str) -> Scenario:
    """A scenario by name, or by the path of a file that ends in ``.toml``.

    Raises SettingsError naming the file, the key and the cure.
    """
    path = Path(name) if name.endswith(".toml") else FOLDER / f"{name}.toml"
    if not os.path.exists(path):  # Path's own raises for a name that is too long for a file
        raise settings.SettingsError(f"{name}: no such scenario; choose from {', '.join(names())} or give a .toml file")
    scenario = settings.convert(settings.read_toml(path), Scenario, path)
    problem = _problem_with(scenario)
    if problem:
        raise settings.SettingsError(f"{path}: {problem}")
    return scenario


def _problem_with(scenario: Scenario) -> str:
    for i, block in enumerate(scenario.block):
        for k, step in enumerate(block.step):
            where = f"block[{i}].step[{k}]"
            if (step.fraction is None) == (step.watts is None):
                return f"{where}: give either fraction or watts"
            if step.s[0] > step.s[1]:
                return f"{where}.s: {list(step.s)} runs backward; put the shorter time first"
            if step.swing_s[0] > step.swing_s[1]:
                return f"{where}.swing_s: {list(step.swing_s)} runs backward; put the shorter time first"
    pair = scenario.target.percent or scenario.target.share
    if (scenario.target.percent is None) == (scenario.target.share is None) or pair is None:
        return "target: give either percent or share"
    if pair[0] >= pair[1]:
        return f"target: {list(pair)} is not a lane; put the lower limit first"
    for name in scenario.faults.__struct_fields__:
        fault = getattr(scenario.faults, name)
        if fault.s[0] > fault.s[1]:
            return f"faults.{name}.s: {list(fault.s)} runs backward; put the shorter time first"
    return ""


def labelled_ride(kind: str | Scenario, dirt: float, seed: int) -> LabelledRide:
    """The ride that a scenario (its name, or loaded) makes of a seed. The same arguments give the same bytes.

    dirt: 0 for a perfect strap, 1 for ordinary, more multiplies the rate of every fault.
    """
    scenario = load(kind) if isinstance(kind, str) else kind
    rider = _rider(scenario.rider, Dice(seed, "rider"))
    workload = _workload(scenario, rider, Dice(seed, "work"))
    latent_bpm = np.round(rider.latent(workload, Dice(seed, "heart")), 3)
    strap = scenario.strap.drawn(Dice(seed, "strap"))
    faults = episodes(scenario.faults, scenario.duration_s, dirt, seed)
    beat_s = beats(latent_bpm, rider.hr_max_bpm, Dice(seed, "beats"))
    return LabelledRide(
        kind=kind if isinstance(kind, str) else "ride",
        seed=seed,
        dirt=dirt,
        hr_max_bpm=rider.hr_max_bpm,
        target_bpm=_target(scenario.target, rider.hr_max_bpm, latent_bpm, Dice(seed, "target")),
        rows=notifications(beat_s, scenario.duration_s, strap, faults, seed),
        t_s=np.arange(len(latent_bpm), dtype=np.float64) * STEP_S,
        latent_bpm=latent_bpm,
        workload=workload,
        strap=strap,
        episodes=faults,
    )


def _rider(spec: RiderSpec, dice: Dice) -> Rider:
    rider = Rider.drawn(dice)
    if spec.hr_max_bpm is not None:
        # The range between easy and maximum keeps its proportion.
        rider = replace(
            rider, hr_max_bpm=spec.hr_max_bpm, hr_easy_bpm=rider.hr_easy_bpm * spec.hr_max_bpm / rider.hr_max_bpm
        )
    if spec.hr_rest_bpm is not None:
        rider = replace(rider, hr_rest_bpm=spec.hr_rest_bpm)
    if spec.mass_kg is not None or spec.peak_w_per_kg is not None:
        rider = replace(rider, peak_power_w=(spec.mass_kg or 72.0) * (spec.peak_w_per_kg or 4.2))
    return rider


def _workload(scenario: Scenario, rider: Rider, dice: Dice) -> Floats:
    count = int(scenario.duration_s / STEP_S)
    parts: list[Floats] = []
    length = 0
    for block in scenario.block:
        for _ in range(block.repeat):
            for step in block.step:
                if length >= count:
                    break
                parts.append(_step(step, rider, dice))
                length += len(parts[-1])
    work = np.concatenate(parts)[:count]
    return np.concatenate((work, np.full(count - len(work), work[-1])))


def _step(step: Step, rider: Rider, dice: Dice) -> Floats:
    count = max(int(dice.between(*step.s) / STEP_S), 1)
    start = step.fraction if step.fraction is not None else rider.fraction_of(step.watts or 0.0)
    end = start
    if step.to is not None:
        end = step.to if step.fraction is not None else rider.fraction_of(step.to)
    level = start + (end - start) * (np.arange(count) / count)
    level = level * max(1 + step.scatter * dice.normal(), 0.0)
    if step.swing:
        level = level * (1 + step.swing * _swings(count, step.swing_s, dice))
    return np.clip(level, 0.0, None)


def _swings(count: int, period_s: tuple[float, float], dice: Dice) -> Floats:
    """Irregular swings, within 1 either way: a wave whose every half has its own length and height."""
    ends_s, heights = [0.0], [0.0]
    while ends_s[-1] < count * STEP_S:
        ends_s.append(ends_s[-1] + dice.between(*period_s) / 2)
        heights.append((1 if len(ends_s) % 2 else -1) * dice.between(0.2, 1.0))
    t_s = np.arange(count) * STEP_S
    ends = np.array(ends_s)
    right = np.clip(np.searchsorted(ends, t_s, side="right"), 1, len(ends) - 1)
    # Half a cosine from each turning point to the next.
    share = (t_s - ends[right - 1]) / (ends[right] - ends[right - 1])
    ease = 0.5 - 0.5 * wave(0.25 + 0.5 * share)
    high = np.array(heights)
    swings: Floats = high[right - 1] + (high[right] - high[right - 1]) * ease
    return swings


def _target(lane: Lane, hr_max_bpm: int, latent_bpm: Floats, dice: Dice) -> tuple[int, int]:
    if lane.percent is not None:
        low, high = lane.percent
        return whole_bpm(low * hr_max_bpm / 100), whole_bpm(high * hr_max_bpm / 100)
    settled = np.sort(latent_bpm[int(300 / STEP_S) :] if len(latent_bpm) > 600 / STEP_S else latent_bpm)
    low, high = (float(settled[int(share * (len(settled) - 1))]) for share in lane.share or (0.0, 1.0))
    low_bpm = whole_bpm(low + dice.between(-1.5, 1.5))
    # A lane narrower than 8 bpm is none that anybody would ride.
    high_bpm = max(whole_bpm(high + dice.between(-1.5, 1.5)), low_bpm + 8)
    return low_bpm, min(high_bpm, hr_max_bpm)
