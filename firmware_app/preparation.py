"""What a ride needs before it begins, from the rider's settings and what was asked for this once."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from firmware_app import plans, settings
from firmware_app.core import bands, maximum, session
from firmware_app.core.alarms import AlarmTable
from firmware_app.core.companion import Companion
from firmware_app.core.record import RideFacts


@dataclass(frozen=True)
class Preparation:
    """Everything that is settled before the first pedal stroke."""

    accepted: maximum.AcceptedMaximum
    bands: bands.BandTable
    alarms: AlarmTable
    plan: session.Plan
    target: str
    rider: settings.Rider

    def facts(self, source: str, started_unix_s: float | None = None) -> RideFacts:
        """What the log says of the ride."""
        return RideFacts(
            hr_max_bpm=self.bands.hr_max_bpm,
            hr_rest_bpm=self.bands.hr_rest_bpm,
            scheme=self.bands.scheme.name,
            plan=self.plan.name,
            target=self.target,
            source=source,
            started_unix_s=started_unix_s,
        )

    def companion(self, facts: RideFacts) -> Companion:
        """A ride, ready to be fed."""
        return Companion(facts, self.bands, self.alarms, self.plan)

    @property
    def near_max_bpm(self) -> float:
        """Where the alarm takes near maximum to begin, in bpm."""
        return self.alarms.near_max.begins_bpm(self.bands.hr_max_bpm)

    def near_max_caution(self) -> str:
        """What a rider with a lower limit for near maximum should know of this lane or plan before riding; or ""."""
        return session.near_max_caution(self.plan, self.bands, self.near_max_bpm)

    def check_test(self) -> None:
        """Raises SettingsError when the rider takes medicines with which no maximal test is begun."""
        if self.rider.rate_medicines:
            path = settings.config_dir() / "rider.toml"
            raise settings.SettingsError(f"{path}: rate_medicines = true: {maximum.NO_TEST}")

    def digest(self) -> str:
        """What is ridden, in short: another one when a step, or a lane in bpm, is another."""
        import hashlib

        steps = (self.plan.steps, session.targets(self.plan, self.bands))
        return hashlib.sha256(repr(steps).encode()).hexdigest()[:16]

    def towards(self, target: str | None, plan: str | None) -> Preparation:
        """The same rider with another choice for today. Raises SettingsError or BandError when it cannot be ridden."""
        lane, chosen = _choice(target or self.rider.target, plan, self.bands)
        return replace(self, target=lane, plan=chosen)


def _choice(target: str, plan: str | None, table: bands.BandTable) -> tuple[str, session.Plan]:
    lane = "" if plan else target
    chosen = plans.load_plan(plan) if plan else session.free_plan(None if lane == "none" else lane)
    session.targets(chosen, table)
    return lane, chosen


@contextlib.contextmanager
def _of_the_rider(own: bool) -> Iterator[None]:
    """Name rider.toml in what is wrong with a value that stands there."""
    try:
        yield
    except (bands.BandError, settings.SettingsError) as error:
        if not own:
            raise
        raise settings.SettingsError(f"{settings.config_dir() / 'rider.toml'}: {error}") from error


def prepare(
    target: str | None = None,
    plan: str | None = None,
    hr_max_bpm: int | None = None,
    hr_rest_bpm: int | None = None,
    scheme: str | None = None,
    alarms: AlarmTable | None = None,
) -> Preparation:
    """The rider's settings with what is asked for this once laid over them.

    Raises SettingsError or BandError, which say what to mend, before anything has begun.
    """
    rider = settings.load("rider", settings.Rider)
    with _of_the_rider(hr_max_bpm is None and rider.birth_year is not None):
        accepted = maximum.hr_max(rider, date.today().year, hr_max_bpm)
    rest_bpm = settings.resting_bpm(rider, hr_rest_bpm, accepted.value_bpm)
    with _of_the_rider(scheme is None):
        table = bands.table(settings.load_scheme(scheme or rider.scheme), accepted.value_bpm, rest_bpm)
    with _of_the_rider(target is None and plan is None):
        lane, chosen = _choice(target or rider.target, plan, table)
    return Preparation(accepted, table, alarms or settings.load_alarms(), chosen, lane, rider)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that ``ride``, ``simulate`` and ``replay`` share."""
    lane = parser.add_mutually_exclusive_group()
    lane.add_argument(
        "--target",
        type=settings.word,
        metavar="LANE",
        help="a band (3), bands (3-4), percent (70-80%%), bpm (130-145bpm) or none",
    )
    lane.add_argument("--plan", type=settings.word, metavar="NAME", help="a session plan: its name, or a TOML file")
    hr_max = "your maximum heart rate, for this once"
    parser.add_argument("--hr-max-bpm", type=settings.hr_max_bpm, metavar="N", help=hr_max)
    parser.add_argument("--hr-rest-bpm", type=settings.bpm, metavar="N", help="your resting heart rate, for this once")
    parser.add_argument("--scheme", type=settings.word, metavar="NAME", help="a band scheme, for this once")
    parser.add_argument("--alarms", type=Path, metavar="FILE", help="alarm settings laid over yours, for this once")
    parser.add_argument(
        "--set",
        type=settings.word,
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="one key of alarms.toml, for this once: above_target.apart_s=30",
    )


def alarms_from(args: argparse.Namespace) -> AlarmTable:
    """The alarm table that the options ask for."""
    return settings.load_alarms(args.alarms, args.set)


def from_arguments(args: argparse.Namespace, **known: Any) -> Preparation:
    """The preparation that the options ask for. known: what stands in where an option was not given."""
    asked = {
        name: getattr(args, name)
        for name in ("target", "plan", "hr_max_bpm", "hr_rest_bpm", "scheme")
        if getattr(args, name) is not None
    }
    if "plan" in asked or "target" in asked:
        known = {name: value for name, value in known.items() if name not in ("plan", "target")}
    return prepare(**{**known, **asked}, alarms=alarms_from(args))
