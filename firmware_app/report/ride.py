"""The page of one ride."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from firmware_app.core.bands import NEAR_MAX_FRACTION, BandTable, hard_bpm, near_max_bpm, whole_bpm, whole_percent
from firmware_app.core.record import RideRecord
from firmware_app.core.review import ALARM_NAMES, Review, Timeline, by_kind, median_answer_s, over_maximum
from firmware_app.core.steps import StepResult, step_results
from firmware_app.core.times import rounded_time
from firmware_app.report import plots
from firmware_app.report.page import Html, bar, figures, listing, page, paragraph, picture, section, table

UNKNOWN = "–"
IN_TARGET = "In target, of known time with a lane"

ANSWERED = (
    "Answered: the heart rate was back inside, or the condition was over, before a pause, another target or the end. "
    "The answer is the time until then."
)

NOT_MEDICAL = (
    "Rumblestrip is not a medical device. None of these figures is a diagnosis; what each one means, and what it does "
    "not, stands in docs/review.md."
)


def ride_page(
    ride_id: int,
    record: RideRecord,
    review: Review,
    bands: BandTable,
    maximum_text: str = "",
) -> str:
    """One ride as a self-contained page. Raises plots.PlotError when the plotting library is missing.

    maximum_text: where the maximum of that day came from.
    """
    sections = [
        figures(headline(review)),
        section("What it did", listing(review.trained)),
        section("Next time", listing(review.change)),
        _over_time(record, review, bands),
        _bands(review, bands),
        _alarms(review),
    ]
    steps = step_results(record)
    if len(steps) > 1:
        sections.append(_steps(steps))
    sections += [_recoveries(record, review, bands), _maximum(ride_id, review, bands, maximum_text), _load(review)]
    return page(f"Ride {ride_id}", when(record), [*sections, paragraph(NOT_MEDICAL, quiet=True)])


def when(record: RideRecord) -> str:
    """When the ride began, by the unit's own time zone, and what it was."""
    facts = record.facts
    began = "Date unknown: the unit had no clock that day"
    if facts.started_unix_s is not None:
        began = f"{datetime.fromtimestamp(facts.started_unix_s):%A %d %B %Y, %H:%M}"
    return f"{began} · {facts.what}" + ("" if facts.source == "strap" else f" · from {facts.source}")


def headline(review: Review) -> list[tuple[str, str]]:
    """The large figures, as (name, value)."""
    in_target = UNKNOWN if not review.target_s else _percent(review.in_target_s, review.target_s)
    return [
        ("Ridden", rounded_time(review.ridden_s)),
        (IN_TARGET, in_target),
        ("Mean", _bpm(review.mean_bpm)),
        ("Highest", _bpm(review.peak_bpm)),
        ("Load", UNKNOWN if review.load is None else f"{review.load:.0f}"),
        ("Trusted, of ridden time", f"{100 * review.trusted_fraction:.0f} %"),
    ]


def _over_time(record: RideRecord, review: Review, bands: BandTable) -> Html:
    drawn = plots.ride(Timeline(record), record.marks, review, bands)
    unit = "hours and minutes" if review.duration_s >= plots.HOUR_S else "minutes and seconds"
    caption = (
        "Trusted heart rate over the lane and its two ridged edges. Below: each alarm, from its first sound until "
        f"it was answered, and the stretches where the heart rate is unknown. Time in {unit}."
    )
    if review.recoveries:
        caption += " Numbers mark the hard efforts."
    if sum(mark.kind == "step" for mark in record.marks) > 1:
        caption += " Ticks at the top are the steps."
    return section("The ride", picture(drawn, caption))


def _bands(review: Review, bands: BandTable) -> Html:
    whole_s = review.ridden_s or 1
    rows: list[tuple[object, ...]] = []
    for band in reversed(bands.scheme.bands):
        seconds = review.band_s[band.number]
        top = band.number == len(bands.scheme.bands)
        limits = (
            f"from {bands.low_bpm(band.number)}"
            if top
            else f"{bands.low_bpm(band.number)}–{bands.high_bpm(band.number) - 1}"
        )
        rows.append((f"{band.number} {band.name}", limits, *_share(seconds, whole_s)))
    rows.append(("Unknown", "", *_share(review.unknown_s, whole_s)))
    words = f"Of {rounded_time(review.ridden_s)} ridden"
    words += f"; {rounded_time(review.paused_s)} paused are left out." if review.paused_s else "."
    return section("Time in bands", table(("Band", "bpm", "Time", "Of ridden", ""), rows), paragraph(words, quiet=True))


def _share(seconds: float, whole_s: float) -> tuple[str, str, Html]:
    return rounded_time(seconds), _percent(seconds, whole_s), bar(seconds / whole_s)


def _alarms(review: Review) -> Html:
    kinds = by_kind(review.alarms)
    rows = []
    for kind, name in ALARM_NAMES.items():
        if same := kinds.get(kind):
            reminders = sum(alarm.reminders for alarm in same)
            answered = sum(alarm.answered_s is not None for alarm in same)
            answer_s = median_answer_s(same)
            median = UNKNOWN if answer_s is None else rounded_time(answer_s)
            rows.append((name, len(same), reminders, answered, median))
    if not rows:
        return section("Alarms", paragraph("None."))
    head = ("Alarm", "Times", "Reminders", "Answered", "Median answer")
    return section("Alarms", table(head, rows), paragraph(ANSWERED, quiet=True))


def _steps(steps: Sequence[StepResult]) -> Html:
    rows = []
    for step in steps:
        name = " ".join(part for part in (step.name, step.round and f"({step.round})") if part) or UNKNOWN
        lane = UNKNOWN if step.low_bpm is None else f"{step.low_bpm}–{step.high_bpm}"
        laned_s = step.in_target_s + step.above_s + step.below_s
        rows.append(
            (
                name,
                lane,
                rounded_time(step.ridden_s),
                UNKNOWN if not laned_s else _percent(step.in_target_s, laned_s),
                UNKNOWN if step.low_bpm is None else rounded_time(step.below_s),
                UNKNOWN if step.low_bpm is None else rounded_time(step.above_s),
                UNKNOWN if step.arrived_s is None else rounded_time(step.arrived_s),
                UNKNOWN if step.fall_bpm is None else f"{step.fall_bpm:.0f} bpm",
            )
        )
    words = (
        "In lane: of the known time of the step. Arrived: ridden time until the heart was first in the lane; it lags,"
        " and in a short step it may never arrive. Fell: in the first minute after a hard step that an easier one"
        " followed."
    )
    head = ("Step", "Lane", "Ridden", "In lane", "Under", "Over", "Arrived", "Fell")
    return section("Step by step", table(head, rows), paragraph(words, quiet=True))


def _recoveries(record: RideRecord, review: Review, bands: BandTable) -> Html:
    begins = f"A hard effort is half a minute or more from {hard_bpm(bands.hr_max_bpm)} bpm up."
    if not review.recoveries:
        return section("After hard efforts", paragraph(f"There were none. {begins}"))
    parts: list[object] = []
    if any(effort.fall_bpm is not None for effort in review.recoveries):
        caption = (
            "Fall of the heart rate from the end of each effort; the dot is the first minute. It is a fall from"
            " stopping only where you stopped: riding on makes it small."
        )
        parts.append(picture(plots.recoveries(Timeline(record), review), caption))
    rows = [
        (
            number,
            rounded_time(effort.from_s),
            rounded_time(effort.until_s - effort.from_s),
            _bpm(effort.peak_bpm),
            UNKNOWN if effort.fall_bpm is None else f"{effort.fall_bpm:.0f} bpm",
        )
        for number, effort in enumerate(review.recoveries, start=1)
    ]
    parts.append(table(("Effort", "Began at", "Lasted", "Highest", "Fell in 1 min"), rows))
    parts.append(paragraph(f"{begins} The fall is a trend to watch over weeks, not a verdict on a heart.", quiet=True))
    return section("After hard efforts", *parts)


def _maximum(ride_id: int, review: Review, bands: BandTable, maximum_text: str) -> Html:
    parts = [paragraph(f"This ride was reckoned with a maximum of {bands.hr_max_bpm} bpm. {maximum_text}".strip())]
    if review.peak_bpm is not None:
        share = f"{whole_percent(whole_bpm(review.peak_bpm), bands.hr_max_bpm)} %"
        parts.append(paragraph(f"Highest trusted heart rate {_bpm(review.peak_bpm)}, {share} of it."))
        if doubt := over_maximum(review, bands.hr_max_bpm, ride_id):
            parts.append(paragraph(doubt))
    if review.peak_reported_bpm is not None:
        parts.append(
            paragraph(
                f"The strap's own highest was {_bpm(review.peak_reported_bpm)}. It is shown for comparison and never"
                " used: one false beat is enough to make it.",
                quiet=True,
            )
        )
    own = review.near_max_bpm < near_max_bpm(bands.hr_max_bpm)
    limit = "your own limit" if own else f"{round(100 * NEAR_MAX_FRACTION)} % of it"
    near = f"{rounded_time(review.near_max_s)} were at or above {review.near_max_bpm} bpm, {limit}."
    return section("The maximum", *parts, paragraph(near))


def _load(review: Review) -> Html:
    if review.load is None:
        return section("Load and drift", paragraph(f"No load: {review.load_missing}."), *_drift(review))
    words = (
        f"{review.load:.0f}, counted over the known time. It adds up minutes, each weighted by how far into the reserve"
        " the heart was: good for comparing your own weeks, and with nobody else's. It does not know heat, hills, sleep"
        " or strength."
    )
    return section("Load and drift", paragraph(f"Load {words}"), *_drift(review))


def _drift(review: Review) -> tuple[Html, ...]:
    if review.drift is None:
        return (paragraph("No drift: it is only told for a long, steady ride without gaps.", quiet=True),)
    one = review.drift
    return (
        paragraph(
            f"Drift {one.drift_bpm:+.0f} bpm: {one.first_bpm:.0f} bpm on average in the first half,"
            f" {one.second_bpm:.0f} in the second, without warm-up and cool-down."
        ),
    )


def _bpm(value: float | None) -> str:
    return UNKNOWN if value is None else f"{whole_bpm(value)} bpm"


def _percent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.0f} %"
