"""The last weeks: is the training working? As plain data, as text, and as a page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from firmware_app.core.bands import Scheme, whole_bpm
from firmware_app.core.record import RideFacts
from firmware_app.core.times import rounded_time
from firmware_app.report import plots
from firmware_app.report.page import Html, figures, page, paragraph, picture, section, table
from firmware_app.report.ride import IN_TARGET, NOT_MEDICAL, UNKNOWN


@dataclass(frozen=True, slots=True)
class Estimate:
    """What the maximum was estimated to be from one day on, with its 90 % range in bpm, whether accepted or not."""

    day: date
    value_bpm: float
    low_bpm: float
    high_bpm: float


@dataclass
class Week:
    """One week, Monday to Sunday, by the unit's time zone (ISO 8601).

    simulated: how many of the rides no heart has ridden. load: the sum over the rides that have one, None when none
    has. rest_bpm, hr_max_bpm: what the latest ride of the week was reckoned with. peak_bpm: highest trusted heart rate.
    target_s: known time that had a target. estimate: of the maximum, as it stood at the end of the week.
    """

    monday: date
    rides: int = 0
    simulated: int = 0
    ridden_s: float = 0.0
    unknown_s: float = 0.0
    band_s: dict[int, float] = field(default_factory=dict)
    near_max_s: float = 0.0
    in_target_s: float = 0.0
    target_s: float = 0.0
    load: float | None = None
    rides_without_load: int = 0
    rest_bpm: int | None = None
    peak_bpm: float | None = None
    hr_max_bpm: int | None = None
    estimate: Estimate | None = None

    @property
    def held(self) -> float | None:
        """Share of the known time with a target that was inside it, 0 to 1; None without a target."""
        return self.in_target_s / self.target_s if self.target_s else None


def gather(
    rides: Iterable[tuple[RideFacts, Mapping[str, Any]]], today: date, count: int, estimates: Sequence[Estimate] = ()
) -> list[Week]:
    """The ``count`` weeks up to the one of ``today``, oldest first, with every ride in the week in which it began.

    rides: facts and ``core.review.summary`` of each, in order of time; those without a date, or from other weeks, are
    left out. estimates: in order of time.
    """
    this_monday = today - timedelta(days=today.weekday())
    weeks = {
        monday: Week(monday) for monday in (this_monday - timedelta(weeks=ago) for ago in range(count - 1, -1, -1))
    }
    for facts, summary in rides:
        if facts.started_unix_s is None:
            continue
        day = datetime.fromtimestamp(facts.started_unix_s).date()
        week = weeks.get(day - timedelta(days=day.weekday()))
        if week is not None:
            _add(week, facts, summary)
    for week in weeks.values():
        known = [one for one in estimates if one.day < week.monday + timedelta(weeks=1)]
        week.estimate = known[-1] if known else None
    return list(weeks.values())


def _add(week: Week, facts: RideFacts, summary: Mapping[str, Any]) -> None:
    week.rides += 1
    week.simulated += facts.source == "sim"
    week.ridden_s += summary["ridden_s"]
    week.unknown_s += summary["unknown_s"]
    week.near_max_s += summary["near_max_s"]
    if summary["in_target_s"] is not None:
        week.in_target_s += summary["in_target_s"]
        week.target_s += summary["in_target_s"] + summary["above_target_s"] + summary["below_target_s"]
    for number, seconds in summary["band_s"].items():
        week.band_s[int(number)] = week.band_s.get(int(number), 0.0) + seconds
    if summary["load"] is None:
        week.rides_without_load += 1
    else:
        week.load = (week.load or 0.0) + summary["load"]
    week.rest_bpm = facts.hr_rest_bpm or week.rest_bpm
    week.hr_max_bpm = facts.hr_max_bpm
    if summary["peak_bpm"] is not None:
        week.peak_bpm = max(week.peak_bpm or 0.0, summary["peak_bpm"])


def weeks_json(weeks: Sequence[Week]) -> list[dict[str, object]]:
    """The weeks as plain data: times in s, None where nothing is known."""
    return [
        {
            "monday": week.monday.isoformat(),
            "rides": week.rides,
            "simulated": week.simulated,
            "ridden_s": round(week.ridden_s, 1),
            "unknown_s": round(week.unknown_s, 1),
            "band_s": {str(number): round(seconds, 1) for number, seconds in week.band_s.items()},
            "near_max_s": round(week.near_max_s, 1),
            "in_target_fraction": None if week.held is None else round(week.held, 4),
            "load": None if week.load is None else round(week.load, 1),
            "rides_without_load": week.rides_without_load,
            "hr_rest_bpm": week.rest_bpm,
            "peak_bpm": None if week.peak_bpm is None else round(week.peak_bpm, 1),
            "hr_max_bpm": week.hr_max_bpm,
            "estimate_bpm": None
            if week.estimate is None
            else [week.estimate.low_bpm, week.estimate.value_bpm, week.estimate.high_bpm],
        }
        for week in weeks
    ]


HEAD = ("Week of", "Rides", "Ridden", "Load", "In target", "Rest", "Peak", "Maximum", "Estimate")


def rows(weeks: Sequence[Week]) -> list[tuple[str, ...]]:
    """One row of ``HEAD`` a week, latest first."""
    return [
        (
            week.monday.isoformat(),
            str(week.rides),
            rounded_time(week.ridden_s) if week.rides else UNKNOWN,
            _load(week),
            UNKNOWN if week.held is None else f"{100 * week.held:.0f} %",
            _number(week.rest_bpm),
            _number(week.peak_bpm),
            _number(week.hr_max_bpm),
            UNKNOWN if week.estimate is None else f"{week.estimate.low_bpm:.0f}–{week.estimate.high_bpm:.0f}",
        )
        for week in reversed(weeks)
    ]


def weeks_page(weeks: Sequence[Week], scheme: Scheme) -> str:
    """The weeks as a self-contained page. Raises plots.PlotError when the plotting library is missing."""
    sections = [
        _headline(weeks),
        _load_section(weeks),
        _bands_section(weeks, scheme),
        _target_section(weeks),
        _hearts_section(weeks),
        section("Week by week", table(HEAD, rows(weeks)), paragraph(NOT_MEDICAL, quiet=True)),
    ]
    span = f"{weeks[0].monday:%d %B %Y} to {weeks[-1].monday + timedelta(days=6):%d %B %Y}"
    if words := simulated(weeks):
        span += f" · {words}"
    return page(f"The last {len(weeks)} weeks", span, sections)


def _headline(weeks: Sequence[Week]) -> Html:
    target_s = sum(week.target_s for week in weeks)
    held = f"{100 * sum(week.in_target_s for week in weeks) / target_s:.0f} %" if target_s else UNKNOWN
    peaks = [week.peak_bpm for week in weeks if week.peak_bpm is not None]
    return figures(
        [
            ("Rides", str(sum(week.rides for week in weeks))),
            ("Ridden", rounded_time(sum(week.ridden_s for week in weeks))),
            (IN_TARGET, held),
            ("Highest", f"{whole_bpm(max(peaks))} bpm" if peaks else UNKNOWN),
        ]
    )


def _mondays(weeks: Sequence[Week]) -> list[date]:
    return [week.monday for week in weeks]


def _load_section(weeks: Sequence[Week]) -> Html:
    parts = [paragraph(words) for words in load_missing(weeks)]
    if any(week.load is not None for week in weeks):
        loads = [("load", [week.load for week in weeks])]
        drawn = plots.columns("load", "Training load by week", _mondays(weeks), loads, 110)
        parts.insert(0, picture(drawn, "Training load by week. Compare it with your own weeks only."))
    return section("Load", *parts)


def load_missing(weeks: Sequence[Week]) -> list[str]:
    """What the load of these weeks lacks, in sentences."""
    lacking = sum(week.rides_without_load for week in weeks)
    words = [f"Rides without a load, not counted here: {lacking}."] if lacking else []
    if all(week.load is None for week in weeks):
        needs = "it needs hr_rest_bpm and sex in rider.toml, and a heart rate to trust"
        words.insert(0, f"No load: {needs if lacking else 'nothing was ridden'}.")
    return words


def _bands_section(weeks: Sequence[Week], scheme: Scheme) -> Html:
    bands = [
        (f"{band.number} {band.name}", [week.band_s.get(band.number, 0.0) / 3600 for week in weeks])
        for band in reversed(scheme.bands)
    ]
    bands.append(("unknown", [week.unknown_s / 3600 for week in weeks]))
    bands = [(f"{name}  {rounded_time(3600 * sum(hours))}", hours) for name, hours in bands]
    drawn = plots.columns("bands", "Time in each band by week", _mondays(weeks), bands, 30)
    return section("Time in bands", picture(drawn, "Time in each band by week, all rows on one scale, and its sum."))


def _target_section(weeks: Sequence[Week]) -> Html:
    part = paragraph("Nothing that was ridden had a target.")
    if any(week.target_s for week in weeks):
        held = [("% in target", [None if week.held is None else 100 * week.held for week in weeks])]
        drawn = plots.columns("held", "Share of the time in target by week", _mondays(weeks), held, 80, 100)
        part = picture(drawn, "Of the known time with a target.")
    return section("How often the target was held", part)


def _hearts_section(weeks: Sequence[Week]) -> Html:
    estimates = [week.estimate for week in weeks]
    ranges = [None if one is None else (one.low_bpm, one.value_bpm, one.high_bpm) for one in estimates]
    caption = (
        "Line: the maximum that you rode by. Bars: its estimate, and the 90 % range of it. Dots: the highest"
        " trusted heart rate of each week; it tells how hard you rode, not what your maximum is. Dashes: the resting"
        " heart rate that you set."
    )
    drawn = plots.hearts(
        _mondays(weeks),
        [week.hr_max_bpm for week in weeks],
        [week.peak_bpm for week in weeks],
        [week.rest_bpm for week in weeks],
        ranges,
    )
    return section("Resting, peak and maximum heart rate", picture(drawn, caption))


def simulated(weeks: Sequence[Week]) -> str:
    """How many of the rides no heart has ridden, in words; "" for none."""
    count = sum(week.simulated for week in weeks)
    return f"simulated rides among them: {count}" if count else ""


def _load(week: Week) -> str:
    return UNKNOWN if week.load is None else f"{week.load:.0f}" + ("+" if week.rides_without_load else "")


def _number(value: float | None) -> str:
    return UNKNOWN if value is None else f"{whole_bpm(value)}"
