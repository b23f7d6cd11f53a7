"""The maximum heart rate: formulas by age, and whose number the unit rides by.

Nothing here ever changes the rider's maximum. A formula only stands in for one that nobody has measured, and says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from firmware_app.core.bands import HR_MAX_RANGE_BPM, BandError, whole_bpm

Z_90 = 1.645
"""Half the width of the central 90 % of a normal distribution, in standard deviations."""

WRITTEN_YEAR = 2026
"""No clock may put the rider in a year before this was written: a small board without a network wakes in the past,
and somebody who seems younger would be driven by a higher maximum."""


@dataclass(frozen=True, slots=True)
class Formula:
    """Maximum heart rate by age. ``sd_bpm`` is the spread of people around it; ``sd_source`` says where it is from."""

    name: str
    text: str
    of_age: Callable[[float], float]
    sd_bpm: float
    source: str
    sd_source: str
    sex: Literal["female", "male"] | None = None

    def range_bpm(self, age_years: float) -> tuple[int, int]:
        """The middle 90 % of people of that age, in whole bpm."""
        middle, half = self.of_age(age_years), Z_90 * self.sd_bpm
        return whole_bpm(middle - half), whole_bpm(middle + half)


FORMULAS = {
    formula.name: formula
    for formula in (
        Formula(
            "nes", "211 - 0.64 age", lambda age: 211 - 0.64 * age, 10.8,
            "Nes et al., Scand J Med Sci Sports 23:697, 2013; n = 3320, no effect of sex",
            "standard error of estimate, the same paper",
        ),
        Formula(
            "tanaka", "208 - 0.7 age", lambda age: 208 - 0.7 * age, 10.0,
            "Tanaka, Monahan, Seals, J Am Coll Cardiol 37:153, 2001",
            "about 10 bpm, from memory",
        ),
        Formula(
            "gellish", "207 - 0.7 age", lambda age: 207 - 0.7 * age, 11.0,
            "Gellish et al., Med Sci Sports Exerc 39:822, 2007; n = 132, 908 tests",
            "not from the paper: limits of agreement of 18 to 24 bpm in doi 10.1371/journal.pone.0335842",
        ),
        Formula(
            "fox", "220 - age", lambda age: 220 - age, 11.0,
            "Fox, Naughton, Haskell 1971; a rough fit, criticised in Robergs & Landwehr, JEPonline 5(2), 2002",
            "10 to 12 bpm, the latter",
        ),
        Formula(
            "gulati", "206 - 0.88 age", lambda age: 206 - 0.88 * age, 11.8,
            "Gulati et al., Circulation 122:130, 2010; women; from memory",
            "about 12 bpm, from memory", "female",
        ),
    )
}  # fmt: skip

PRIOR = FORMULAS["nes"]
"""The one that stands in for a measurement: the largest sample, and a spread that was published with it."""


def formulas_for(sex: Literal["female", "male"] | None) -> tuple[Formula, ...]:
    """The formulas that hold for a sex; those for one sex only are left out when it is not known."""
    return tuple(formula for formula in FORMULAS.values() if formula.sex in (None, sex))


def age_years(birth_year: int, today_year: int) -> int:
    """Age in whole years, to a year. Raises BandError when no formula holds for it."""
    age = max(today_year, WRITTEN_YEAR) - birth_year
    if not 10 <= age <= 100:
        raise BandError(f"birth_year: {birth_year} makes you {age}; the formulas hold from 10 to 100; mend birth_year")
    return age


class RiderFacts(Protocol):
    """What the maximum needs to know of a rider."""

    @property
    def birth_year(self) -> int | None: ...
    @property
    def sex(self) -> Literal["female", "male"] | None: ...
    @property
    def hr_max_bpm(self) -> int | None: ...
    @property
    def rate_medicines(self) -> bool: ...


MEDICINES = (
    "medicines that slow the heart make every age formula useless, and a maximal test unsafe without a doctor: "
    "ask your doctor what limit to ride by"
)


@dataclass(frozen=True, slots=True)
class AcceptedMaximum:
    """The maximum in use, and whose it is.

    origin: "given" for this ride, "set" by the rider, or "formula" where nobody has measured.
    low_bpm, high_bpm: the 90 % range of a formula; the value itself where the rider has set or given it.
    """

    value_bpm: int
    origin: Literal["set", "formula", "given"]
    low_bpm: int
    high_bpm: int
    text: str

    @property
    def caution(self) -> str:
        """One line for the start of a ride when the number is only a formula, else ""."""
        if self.origin != "formula":
            return ""
        return f"Maximum {self.value_bpm} is only an age formula: yours is likely in {self.low_bpm} to {self.high_bpm}."


def hr_max(rider: RiderFacts, today_year: int, override: int | None = None) -> AcceptedMaximum:
    """The maximum to ride by: ``override`` in bpm, else the rider's accepted one, else the age formula, marked so.

    Raises BandError with the cure when it is out of range, when there is neither, or when medicines forbid a formula.
    """
    value = rider.hr_max_bpm if override is None else override
    if value is not None:
        low, high = HR_MAX_RANGE_BPM
        if not low <= value <= high:
            raise BandError(f"a maximum of {value} bpm is not between {low} and {high}; give your measured maximum")
        given = override is not None
        return AcceptedMaximum(
            value, "given" if given else "set", value, value, "given for this once" if given else "set by the rider"
        )
    if rider.rate_medicines:
        raise BandError(f"no maximum is set, and {MEDICINES}; then `rumblestrip maximum set N`")
    if rider.birth_year is None:
        raise BandError("no maximum is known: `rumblestrip maximum set N`, or birth_year in rider.toml for a formula")
    age = age_years(rider.birth_year, today_year)
    floor_bpm, ceiling_bpm = HR_MAX_RANGE_BPM
    value = min(max(whole_bpm(PRIOR.of_age(age)), floor_bpm), ceiling_bpm)
    low, high = PRIOR.range_bpm(age)
    return AcceptedMaximum(
        value, "formula", max(low, floor_bpm), min(high, ceiling_bpm), f"{PRIOR.text}, age {age} ({PRIOR.source})"
    )
