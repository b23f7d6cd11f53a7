"""Band schemes: percent of maximum or of heart-rate reserve to bpm and back, and the target picked from them.

A limit in bpm is the percentage rounded to the nearest whole beat (halves up) and belongs to the band above it. Live
classification uses those whole-bpm limits on the whole-bpm heart rate that the panel shows, so the printed table and
the unit on the bars cannot disagree.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from math import floor
from typing import Literal

Basis = Literal["percent_of_maximum", "percent_of_reserve", "bpm"]

HR_MAX_RANGE_BPM = (120, 230)
"""Maxima outside this are taken for a slip of the pen."""


class BandError(ValueError):
    """A scheme or a target that cannot be used; the text says what and how to mend it."""


@dataclass(frozen=True, slots=True)
class Band:
    """One band. ``low`` is its lower limit in the scheme's basis (percent or bpm); the first band has 0."""

    number: int
    name: str
    low: float
    purpose: str = ""
    feel: str = ""


@dataclass(frozen=True, slots=True)
class Scheme:
    """A named set of bands, in order."""

    name: str
    basis: Basis
    bands: tuple[Band, ...]
    source: str = ""


def whole_bpm(value: float) -> int:
    """Nearest whole beat, halves up."""
    return floor(value + 0.5)


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


def table(scheme: Scheme, hr_max_bpm: int, hr_rest_bpm: int | None = None) -> BandTable:
    """The rider's bands in whole bpm.

    Raises BandError when a reserve scheme has no resting heart rate, or the values leave a band without a beat.
    Source of the reserve: Karvonen, Kentala, Mustala 1957: rest + fraction x (max - rest).
    """
    if not HR_MAX_RANGE_BPM[0] <= hr_max_bpm <= HR_MAX_RANGE_BPM[1]:
        low, high = HR_MAX_RANGE_BPM
        raise BandError(f"hr_max_bpm: {hr_max_bpm} is not between {low} and {high}; set it to your measured maximum")
    if scheme.basis == "percent_of_reserve" and hr_rest_bpm is None:
        raise BandError(f"scheme {scheme.name!r} is in percent of reserve: set hr_rest_bpm, your resting heart rate")
    if hr_rest_bpm is not None and not 25 <= hr_rest_bpm < hr_max_bpm - 20:
        raise BandError(f"hr_rest_bpm: {hr_rest_bpm} is not between 25 and 20 below the maximum ({hr_max_bpm})")
    limits = tuple(_bpm(scheme.basis, band.low, hr_max_bpm, hr_rest_bpm) for band in scheme.bands[1:])
    for lower, upper, band in zip(limits, limits[1:], scheme.bands[1:], strict=False):
        if lower >= upper:
            raise BandError(f"scheme {scheme.name!r}: band {band.number} ({band.name}) would hold no whole beat")
    return BandTable(scheme, hr_max_bpm, hr_rest_bpm, limits)


def _bpm(basis: Basis, low: float, hr_max_bpm: int, hr_rest_bpm: int | None) -> int:
    if basis == "percent_of_maximum":
        return whole_bpm(low * hr_max_bpm / 100)
    if basis == "percent_of_reserve" and hr_rest_bpm is not None:
        return whole_bpm(hr_rest_bpm + low * (hr_max_bpm - hr_rest_bpm) / 100)
    return whole_bpm(low)


@dataclass(frozen=True, slots=True)
class Target:
    """A lane in whole bpm: outside is under ``low_bpm`` or over ``high_bpm``. ``text`` is how the rider wrote it."""

    low_bpm: int
    high_bpm: int
    text: str


_BANDS = re.compile(r"(\d+)(?:-(\d+))?")
_PERCENT = re.compile(r"(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)%")
_BPM = re.compile(r"(\d+)-(\d+)bpm")


def parse_target(text: str, bands: BandTable) -> Target:
    """A target as a rider writes it: ``3`` a band, ``3-4`` bands, ``70-80%`` of maximum, ``130-145bpm``.

    Raises BandError with the cure when it is none of these, upside down, or not a lane that a heart can ride.
    """
    plain = text.replace(" ", "")
    if match := _PERCENT.fullmatch(plain):
        low, high = (whole_bpm(float(part) * bands.hr_max_bpm / 100) for part in match.groups())
    elif match := _BPM.fullmatch(plain):
        low, high = (int(part) for part in match.groups())
    elif match := _BANDS.fullmatch(plain):
        first = int(match[1])
        last = int(match[2] or first)
        count = len(bands.scheme.bands)
        if not 1 <= first <= last <= count:
            raise BandError(f"target {text!r}: bands run from 1 to {count} in scheme {bands.scheme.name!r}")
        low, high = bands.low_bpm(first), bands.high_bpm(last)
    else:
        raise BandError(f"target {text!r}: write a band (3), bands (3-4), percent (70-80%) or bpm (130-145bpm)")
    if not 0 <= low < high:
        raise BandError(f"target {text!r}: its low limit {low} bpm is not under its high limit {high} bpm")
    if high > bands.hr_max_bpm:
        raise BandError(f"target {text!r}: {high} bpm is over the maximum of {bands.hr_max_bpm} bpm")
    return Target(low, high, text)
