"""What a ride needs before it begins, from the rider's settings and what was asked for this once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from firmware_app import plans, settings
from firmware_app.core import bands, maximum, session
from firmware_app.core.alarms import AlarmTable
from firmware_app.core.companion import Companion
from firmware_app.core.dates import year_of
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

    def in_words(self) -> str:
        """What is ridden: the plan by its title, else the lane in bpm."""
        if not self.plan.free:
            return f"plan {self.plan.title}"
        lane = session.targets(self.plan, self.bands)[0]
        return f"lane {session.lane_text(lane)} bpm" if lane else "no lane"

    @property
    def near_max_bpm(self) -> float:
        """Where the alarm takes near maximum to begin, in bpm."""
        return self.alarms.near_max.begins_bpm(self.bands.hr_max_bpm)

    def near_max_caution(self) -> str:
        """What a rider with a lower limit for near maximum should know of this lane or plan before riding; or ""."""
        return session.near_max_caution(self.plan, self.bands, self.near_max_bpm)

    def check_test(self) -> None:
        """Raises SettingsError for a rider with medicines, or a limit of their own, with which no test is begun."""
        if self.rider.rate_medicines:
            path = settings.config_dir() / "rider.toml"
            raise settings.SettingsError(f"{path}: rate_medicines = true: {maximum.NO_TEST}")
        own_bpm = session.own_near_max_bpm(self.bands.hr_max_bpm, self.near_max_bpm)
        if own_bpm is not None:
            path = settings.config_dir() / "alarms.toml"
            raise settings.SettingsError(
                f"{path}: [near_max]: for you near maximum begins at {own_bpm} bpm: {maximum.NO_TEST_OVER_LIMIT}"
            )

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
    with settings.of_the_rider(hr_max_bpm is None and rider.birth_year is not None):
        accepted = maximum.hr_max(rider, year_of(date.today()), hr_max_bpm)
    rest_bpm = settings.resting_bpm(rider, hr_rest_bpm, accepted.value_bpm)
    with settings.of_the_rider(scheme is None):
        table = bands.table(settings.load_scheme(scheme or rider.scheme), accepted.value_bpm, rest_bpm)
    with settings.of_the_rider(target is None and plan is None):
        lane, chosen = _choice(target or rider.target, plan, table)
    return Preparation(accepted, table, alarms or settings.load_alarms(), chosen, lane, rider)
