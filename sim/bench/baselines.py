"""The two simple alarms that the unit has to beat, and the unit itself, behind one interface."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import median
from typing import Protocol

from sim.strap import Row

Alarm = tuple[float, str]
"""When it sounded, in seconds since the ride began, and its kind. First soundings only, no reminders."""


class Contender(Protocol):
    """Something that listens to a strap and sounds alarms."""

    name: str

    def alarms(self, rows: Sequence[Row], hr_max_bpm: int, target_bpm: tuple[int, int]) -> list[Alarm]:
        """Every alarm of a ride, in order of time."""
        ...


def reported_bpm(rows: Sequence[Row]) -> list[tuple[float, float]]:
    """The number a simple alarm would look at: as reported, or the mean of the packet's RR where there is none."""
    found = []
    for t_s, measurement in rows:
        if measurement.hr_bpm is not None:
            found.append((t_s, float(measurement.hr_bpm)))
        elif measurement.rr_ms:
            found.append((t_s, 60_000 * len(measurement.rr_ms) / sum(measurement.rr_ms)))
    return found


class Plain:
    """A plain threshold on the reported number: it sounds whenever the number reaches a limit from inside."""

    name = "plain threshold"

    def alarms(self, rows: Sequence[Row], hr_max_bpm: int, target_bpm: tuple[int, int]) -> list[Alarm]:
        """One alarm per crossing; near_max after 15 s of readings at or above 94 %."""
        return _threshold(reported_bpm(rows), hr_max_bpm, target_bpm, hysteresis_bpm=0.0, dwell_s=0.0)


class Median:
    """A 7 s median with 1 bpm of hysteresis and 3 s of dwell."""

    name = "7 s median"

    def alarms(self, rows: Sequence[Row], hr_max_bpm: int, target_bpm: tuple[int, int]) -> list[Alarm]:
        """One alarm per crossing by 1 bpm or more held for 3 s; near_max after 15 s at or above 94 %."""
        recent: deque[tuple[float, float]] = deque()
        smooth = []
        for t_s, hr_bpm in reported_bpm(rows):
            recent.append((t_s, hr_bpm))
            while recent[0][0] < t_s - 7:
                recent.popleft()
            smooth.append((t_s, median(value for _, value in recent)))
        return _threshold(smooth, hr_max_bpm, target_bpm, hysteresis_bpm=1.0, dwell_s=3.0)


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


class Unit:
    """What the unit would have done: the companion itself, fed with the same notifications."""

    name = "rumblestrip"

    def __init__(self, changes: dict[str, object] | None = None) -> None:
        """``changes``: keys of alarms.toml laid over the shipped ones, table by table."""
        self.changes = changes or {}

    def alarms(self, rows: Sequence[Row], hr_max_bpm: int, target_bpm: tuple[int, int]) -> list[Alarm]:
        """The alarm marks of the ride, reminders left out."""
        from firmware_app import settings
        from firmware_app.core import bands
        from firmware_app.core.alarms import AlarmTable
        from firmware_app.core.companion import Companion, play
        from firmware_app.core.record import RideFacts
        from firmware_app.core.session import free_plan

        shipped = settings.defaults_dir() / "alarms.toml"
        table = settings.convert(settings.overlaid(settings.read_toml(shipped), self.changes), AlarmTable, shipped)
        scheme = bands.Scheme("one", "percent_of_maximum", (bands.Band(1, "all", 0.0),))
        plan = free_plan(f"{target_bpm[0]}-{target_bpm[1]}bpm")
        companion = Companion(RideFacts(hr_max_bpm), bands.table(scheme, hr_max_bpm), table, plan)
        return [
            (mark.t_s, str(mark.detail["kind"]))
            for mark in play(companion, rows).marks
            if mark.kind == "alarm" and mark.detail["on"] and not mark.detail["reminder"]
        ]
