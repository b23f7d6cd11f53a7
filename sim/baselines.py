"""The two simple alarms that the unit has to beat, and the unit itself, behind one interface."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Protocol

from sim.strap import Row

Alarm = tuple[float, str]
"""When it sounded, in seconds since the ride began, and its kind. First soundings only, no reminders."""


class Contender(Protocol):
    """Something that listens to a strap and sounds alarms."""

    @property
    def name(self) -> str:
        """What it is called in tables."""

    def alarms(self, rows: Sequence[Row], hr_max_bpm: int, target_bpm: tuple[int, int]) -> list[Alarm]:
        """Every alarm of a ride, in order of time."""


def reported_bpm(rows: Sequence[Row]) -> list[tuple[float, float]]:
    """The number a simple alarm would look at: as reported, or the mean of the packet's RR where there is none."""
    found = []
    for t_s, measurement in rows:
        if measurement.hr_bpm is not None:
            found.append((t_s, float(measurement.hr_bpm)))
        elif measurement.rr_ms:
            found.append((t_s, 60_000 * len(measurement.rr_ms) / sum(measurement.rr_ms)))
    return found


@dataclass(frozen=True)
class Threshold:
    """A threshold on the median of the last ``window_s`` of readings (0: the reading itself).

    It sounds when the number has been at a limit, or past it by the hysteresis, for the dwell, and again only after it
    has been back; near_max sounds after 15 s at or above 94 % of maximum, once each time.
    """

    name: str
    window_s: float
    hysteresis_bpm: float
    dwell_s: float

    def alarms(self, rows: Sequence[Row], hr_max_bpm: int, target_bpm: tuple[int, int]) -> list[Alarm]:
        """Every alarm of a ride, in order of time."""
        recent: deque[tuple[float, float]] = deque()
        smooth = []
        for t_s, hr_bpm in reported_bpm(rows):
            recent.append((t_s, hr_bpm))
            while recent[0][0] < t_s - self.window_s:
                recent.popleft()
            smooth.append((t_s, median(value for _, value in recent)))
        return _threshold(smooth, hr_max_bpm, target_bpm, self.hysteresis_bpm, self.dwell_s)


PLAIN = Threshold("plain threshold", 0, 0, 0)
MEDIAN = Threshold("7 s median", 7, 1, 3)


def _threshold(
    readings: list[tuple[float, float]],
    hr_max_bpm: int,
    target_bpm: tuple[int, int],
    hysteresis_bpm: float,
    dwell_s: float,
) -> list[Alarm]:
    low_bpm, high_bpm = target_bpm
    top_bpm = round(0.94 * hr_max_bpm)
    found: list[Alarm] = []
    told = 0
    leaving, since_s = 0, 0.0
    top_since_s: float | None = None
    for t_s, hr_bpm in readings:
        side = (hr_bpm >= high_bpm + hysteresis_bpm) - (hr_bpm <= low_bpm - hysteresis_bpm)
        if side != leaving:
            leaving, since_s = side, t_s
        if side != told and (not side or t_s - since_s >= dwell_s):
            told = side
            if side:
                found.append((t_s, "above_target" if side > 0 else "below_target"))
        if hr_bpm < top_bpm:
            top_since_s = None
        elif top_since_s is None:
            top_since_s = t_s
        elif t_s - top_since_s >= 15:
            found.append((t_s, "near_max"))
            top_since_s = float("inf")
    return found


@dataclass(frozen=True)
class Ours:
    """What the unit would have done: the companion itself, fed with the same notifications.

    changes: keys of alarms.toml laid over the shipped ones, table by table.
    """

    changes: Mapping[str, object] = field(default_factory=dict)
    name: str = "rumblestrip"

    def alarms(self, rows: Sequence[Row], hr_max_bpm: int, target_bpm: tuple[int, int]) -> list[Alarm]:
        """The alarm marks of the ride, reminders left out."""
        from firmware_app import settings
        from firmware_app.core import bands
        from firmware_app.core.alarms import AlarmTable
        from firmware_app.core.companion import Companion, play
        from firmware_app.core.record import RideFacts
        from firmware_app.core.session import free_plan

        shipped = settings.defaults_dir() / "alarms.toml"
        data = settings.overlaid(settings.read_toml(shipped), dict(self.changes))
        table = settings.convert(data, AlarmTable, shipped)
        scheme = bands.Scheme("one", "percent_of_maximum", (bands.Band(1, "all", 0.0),))
        plan = free_plan(f"{target_bpm[0]}-{target_bpm[1]}bpm")
        companion = Companion(RideFacts(hr_max_bpm), bands.table(scheme, hr_max_bpm), table, plan)
        return [
            (mark.t_s, str(mark.detail["kind"]))
            for mark in play(companion, rows).marks
            if mark.kind == "alarm" and mark.detail["on"] and not mark.detail["reminder"]
        ]
