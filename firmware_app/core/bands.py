"""Band schemes: percent of maximum or of heart-rate reserve to bpm and back, and the target picked from them.

A limit in bpm is the percentage rounded to the nearest whole beat (halves up) and belongs to the band above it. Live
classification uses those whole-bpm limits on the whole-bpm heart rate that the panel shows, so the printed table and
the unit on the bars cannot disagree.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import floor
from typing import Literal

Basis = Literal["percent_of_maximum", "percent_of_reserve", "bpm"]

HR_MAX_RANGE_BPM = (120, 230)
"""Maxima outside this are taken for a slip of the pen."""

LOWEST_REST_BPM = 25
LEAST_RESERVE_BPM = 21
"""A resting heart rate under the first, or nearer to the maximum than the second, is taken for one too (own choice)."""

HIGHEST_LIMIT_BPM = 250
"""No limit of a scheme in bpm is higher: no heart is (own choice)."""

NEAR_MAX_FRACTION = 0.94
HARD_FRACTION = 0.82
"""Of the maximum: where near maximum and a hard effort begin (bands 7 and 5 of seven; common practice, no source).

What a ride is judged by afterwards and a plan before; the alarm's own limit stands in alarms.toml.
"""


class BandError(ValueError):
    """A scheme or a target that cannot be used; the text says what and how to mend it."""


class SchemeError(BandError):
    """A scheme that is written down wrong. ``place`` is the index of the band, None for the whole; ``key`` its key."""

    def __init__(self, text: str, place: int | None = None, key: str = "") -> None:
        super().__init__(text)
        self.place = place
        self.key = key


@dataclass(frozen=True, slots=True)
class Band:
    """One band. ``low`` is its lower limit in the scheme's basis (percent or bpm); the first band has 0.

    purpose says what it is for; talk, breath and legs how it should feel.
    """

    number: int
    name: str
    low: float
    purpose: str = ""
    talk: str = ""
    breath: str = ""
    legs: str = ""


@dataclass(frozen=True, slots=True)
class Scheme:
    """A named set of bands, in order."""

    name: str
    basis: Basis
    bands: tuple[Band, ...]
    source: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One band as a scheme file has it: both limits, so that holes and overlaps can be told apart from an order."""

    name: str
    low: float | None = None
    high: float | None = None
    purpose: str = ""
    talk: str = ""
    breath: str = ""
    legs: str = ""


def checked_scheme(name: str, basis: Basis, rows: Sequence[Row], source: str = "") -> Scheme:
    """A checked scheme. The first row may leave out ``low`` (0), the last ``high`` (open at the top).

    Raises SchemeError for a hole, an overlap, limits out of order or out of range, and a name missing or used twice.
    """
    if len(rows) < 2:
        raise SchemeError("a scheme has at least two bands; add a [[band]]")
    unit = "bpm" if basis == "bpm" else "%"
    top = HIGHEST_LIMIT_BPM if basis == "bpm" else 100
    names: set[str] = set()
    below = 0.0
    for place, row in enumerate(rows):
        band = f"band {place + 1} ({row.name})"
        if not row.name.strip() or row.name in names:
            raise SchemeError(f"band {place + 1} needs a name of its own, not {row.name!r}", place, "name")
        names.add(row.name)
        low = 0.0 if row.low is None and place == 0 else row.low
        if low is None:
            raise SchemeError(f"{band} has no low limit; write low = {below:g}", place)
        if low != below:
            fault = "a hole" if low > below else "an overlap"
            before = f"band {place} ends at" if place else "the first band begins at"
            text = f"{fault}: {before} {below:g} {unit} but {band} begins at {low:g}; write low = {below:g}"
            raise SchemeError(text, place, "low")
        last = place == len(rows) - 1
        high = float(top) if row.high is None and last else row.high
        if high is None:
            raise SchemeError(f"{band} has no high limit; write where band {place + 2} begins", place)
        if not low < high <= top:
            text = f"out of order: {band} runs from {low:g} to {high:g} {unit}; its high lies over {low:g}, up to {top}"
            raise SchemeError(text, place, "high" if row.high is not None else "low")
        below = high
    if rows[-1].high is not None and below != top:
        text = f"a hole: the last band ends at {below:g} {unit}; leave its high out, it is open at the top"
        raise SchemeError(text, len(rows) - 1, "high")
    bands = tuple(
        Band(place + 1, row.name, row.low or 0.0, row.purpose, row.talk, row.breath, row.legs)
        for place, row in enumerate(rows)
    )
    return Scheme(name, basis, bands, source)


def whole_bpm(value: float) -> int:
    """Nearest whole beat, halves up."""
    return floor(value + 0.5)


def near_max_bpm(hr_max_bpm: int) -> int:
    """Where near maximum begins for a rider without a limit of their own, in whole bpm."""
    return whole_bpm(NEAR_MAX_FRACTION * hr_max_bpm)


def hard_bpm(hr_max_bpm: int) -> int:
    """Where a hard effort begins, in whole bpm."""
    return whole_bpm(HARD_FRACTION * hr_max_bpm)


def whole_percent(hr_bpm: int, hr_max_bpm: int) -> int:
    """The heart rate in percent of the maximum, as it is shown: the highest whole percent whose limit it has reached.

    Neither rounded nor cut off: a limit in bpm is itself rounded, and with a maximum of 187 a band from 75 % begins at
    140 bpm, which is 74.9 %. A percent shown must not lie in another band, or on another side of a lane, than the beat.
    """
    return ((2 * hr_bpm + 1) * 50 - 1) // hr_max_bpm  # the last whole p with p x maximum / 100 < hr_bpm + 1/2


@dataclass(frozen=True, slots=True)
class BandTable:
    """A scheme turned into whole beats for one rider. limits_bpm[i] is the low limit of band i + 2."""

    scheme: Scheme
    hr_max_bpm: int
    hr_rest_bpm: int | None
    limits_bpm: tuple[int, ...]

    def band_of(self, hr_bpm: float) -> Band:
        """The band of a heart rate in bpm."""
        return self.scheme.bands[bisect_right(self.limits_bpm, whole_bpm(hr_bpm))]

    def low_bpm(self, number: int) -> int:
        """Low limit of a band in bpm, 0 for the first."""
        return 0 if number == 1 else self.limits_bpm[number - 2]

    def high_bpm(self, number: int) -> int:
        """High limit of a band in bpm, the maximum for the last; the limit itself belongs to the band above."""
        return self.hr_max_bpm if number == len(self.scheme.bands) else self.limits_bpm[number - 1]


def rest_range_bpm(hr_max_bpm: int) -> tuple[int, int]:
    """What a resting heart rate may be beside a maximum, in bpm."""
    return LOWEST_REST_BPM, hr_max_bpm - LEAST_RESERVE_BPM


def table(scheme: Scheme, hr_max_bpm: int, hr_rest_bpm: int | None = None) -> BandTable:
    """The rider's bands in whole bpm.

    Raises BandError when a reserve scheme has no resting heart rate, or the values leave a band without a beat below
    the maximum: nobody could ride in it.
    Source of the reserve: Karvonen, Kentala, Mustala 1957: rest + fraction x (max - rest).
    """
    if not HR_MAX_RANGE_BPM[0] <= hr_max_bpm <= HR_MAX_RANGE_BPM[1]:
        low, high = HR_MAX_RANGE_BPM
        raise BandError(f"hr_max_bpm: {hr_max_bpm} is not between {low} and {high}; set it to your measured maximum")
    if scheme.basis == "percent_of_reserve" and hr_rest_bpm is None:
        raise BandError(f"scheme {scheme.name!r} is in percent of reserve: set hr_rest_bpm, your resting heart rate")
    low, high = rest_range_bpm(hr_max_bpm)
    if hr_rest_bpm is not None and not low <= hr_rest_bpm <= high:
        raise BandError(
            f"hr_rest_bpm: {hr_rest_bpm} is not from {low} to {high}, for a maximum of {hr_max_bpm} bpm; mend it"
        )
    limits = tuple(limit_bpm(scheme.basis, band.low, hr_max_bpm, hr_rest_bpm) for band in scheme.bands[1:])
    edges = (0, *limits, hr_max_bpm)
    for lower, upper, band in zip(edges, edges[1:], scheme.bands, strict=False):
        if lower >= upper:
            raise BandError(
                f"scheme {scheme.name!r}: band {band.number} ({band.name}) would hold no whole beat below a maximum of "
                f"{hr_max_bpm} bpm; choose another scheme, or mend its limits"
            )
    return BandTable(scheme, hr_max_bpm, hr_rest_bpm, limits)


def limit_bpm(basis: Basis, low: float, hr_max_bpm: int, hr_rest_bpm: int | None) -> int:
    """A limit in the scheme's basis as whole bpm, halves up."""
    if basis == "bpm":
        return whole_bpm(low)
    rest = hr_rest_bpm if basis == "percent_of_reserve" and hr_rest_bpm is not None else 0
    # Rounded first, so that a half made of decimal percentages is still a half in binary.
    return whole_bpm(round(rest + low * (hr_max_bpm - rest) / 100, 6))


@dataclass(frozen=True, slots=True)
class Target:
    """A lane in whole bpm: outside is under ``low_bpm`` or over ``high_bpm``. ``text`` is how the rider wrote it."""

    low_bpm: int
    high_bpm: int
    text: str


# Of so many digits and no more: beyond some hundreds there is no float, beyond some thousands int itself refuses.
_BANDS = re.compile(r"(\d{1,3})(?:-(\d{1,3}))?")
_PERCENT = re.compile(r"(\d{1,3}(?:\.\d+)?)-(\d{1,3}(?:\.\d+)?)%")
_BPM = re.compile(r"(\d{1,3})-(\d{1,3})bpm")


def parse_target(text: str, bands: BandTable) -> Target:
    """A target as a rider writes it: ``3`` a band, ``3-4`` bands, ``70-80%`` of maximum, ``130-145bpm``.

    Raises BandError with the cure when it is none of these, upside down, or not a lane that a heart can ride.
    """
    plain = text.replace(" ", "")
    if match := _PERCENT.fullmatch(plain):
        low, high = (limit_bpm("percent_of_maximum", float(part), bands.hr_max_bpm, None) for part in match.groups())
    elif match := _BPM.fullmatch(plain):
        low, high = (int(part) for part in match.groups())
    elif match := _BANDS.fullmatch(plain):
        first = int(match[1])
        last = int(match[2] or first)
        count = len(bands.scheme.bands)
        if 1 <= last < first <= count:
            raise BandError(f"target {text!r}: its first band is over its last; write {last}-{first}")
        if not 1 <= first <= last <= count:
            unit = f"; for heart rates write {plain}bpm" if first > count and match[2] else ""
            unit += f", for percent {plain}%" if unit and last <= 100 else ""
            raise BandError(f"target {text!r}: bands run from 1 to {count} in scheme {bands.scheme.name!r}{unit}")
        low, high = bands.low_bpm(first), bands.high_bpm(last)
    else:
        # Written as on paper: with a dash, a decimal comma, or the unit twice.
        meant = re.sub("[–—−]", "-", plain).replace(",", ".").replace("%-", "-").replace("bpm-", "-")
        if any(form.fullmatch(meant) for form in (_PERCENT, _BPM, _BANDS)):
            raise BandError(f"target {text!r}: write it as {meant}")
        raise BandError(f"target {text!r}: write a band (3), bands (3-4), percent (70-80%) or bpm (130-145bpm)")
    if not 0 <= low < high:
        wrong = f"its low limit {low} bpm is not under its high limit {high} bpm"
        raise BandError(f"target {text!r}: {wrong}; put the lower one first")
    if high > bands.hr_max_bpm:
        raise BandError(f"target {text!r}: {high} bpm is over the maximum of {bands.hr_max_bpm} bpm; write less")
    return Target(low, high, text)
