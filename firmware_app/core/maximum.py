"""The maximum heart rate: formulas by age, the number the unit rides by, and what the rides say it may be.

Nothing here ever changes the rider's maximum. A formula only stands in for one that nobody has measured, and says so;
the running estimate is a proposal at most. docs/maximum.md derives it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import erf, erfc, exp, hypot, sqrt
from typing import TYPE_CHECKING, Literal, NamedTuple, Protocol

from firmware_app.core.bands import HR_MAX_RANGE_BPM, BandError, whole_bpm

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from firmware_app.core.evidence import Evidence

Z_90 = 1.645
"""Half the width of the central 90 % of a normal distribution, in standard deviations."""


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


def age_years(birth_year: int, year: int) -> int:
    """Age in whole years, to a year. Raises BandError when no formula holds for it."""
    age = year - birth_year
    if not 10 <= age <= 100:
        what = f"birth_year: {birth_year} makes you {age} in {year}; the formulas hold from 10 to 100"
        raise BandError(f"{what}; mend birth_year in rider.toml")
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

NO_TEST = (
    "no maximal test is begun with medicines that slow the heart; ask your doctor what limit to ride by, and set it to "
    "false only when you no longer take any"
)

NO_TEST_OVER_LIMIT = (
    "no maximal test is begun with a limit under the usual one: it leads far over it, where near maximum sounds once "
    "and no more; ask the doctor who gave it, and take it out only when it no longer holds"
)


@dataclass(frozen=True, slots=True)
class AcceptedMaximum:
    """The maximum in use, and whose it is.

    origin: "given" for this ride, "set" or accepted by the rider, or "formula" where nobody has measured.
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


def hr_max(rider: RiderFacts, year: int, override: int | None = None) -> AcceptedMaximum:
    """The maximum to ride by: ``override`` in bpm, else the rider's accepted one, else the age formula, marked so.

    year: of the ride; of one today, what ``dates.year_of`` says. Raises BandError with the cure when it is out of
    range, when there is neither, or when medicines forbid a formula.
    """
    value = rider.hr_max_bpm if override is None else override
    if value is not None:
        low, high = HR_MAX_RANGE_BPM
        if not low <= value <= high:
            raise BandError(f"a maximum of {value} bpm is not between {low} and {high}; give your measured maximum")
        if override is not None:
            return AcceptedMaximum(value, "given", value, value, "given for this once")
        return AcceptedMaximum(value, "set", value, value, "set or accepted by you")
    if rider.rate_medicines:
        raise BandError(f"no maximum is set, and {MEDICINES}; then `rumblestrip maximum set N`")
    if rider.birth_year is None:
        raise BandError(
            "no maximum is known; `rumblestrip maximum set N`, or birth_year in rider.toml for a formula, or, with a "
            "recording of a hard ride, `rumblestrip maximum evidence FILE`, which tells what to begin with"
        )
    age = age_years(rider.birth_year, year)
    floor_bpm, ceiling_bpm = HR_MAX_RANGE_BPM
    low, high = PRIOR.range_bpm(age)
    text = f"{PRIOR.text}, age {age} ({PRIOR.source})"
    return AcceptedMaximum(_formula_bpm(age), "formula", max(low, floor_bpm), min(high, ceiling_bpm), text)


def _formula_bpm(age: float) -> int:
    """What stands in for a maximum that nobody has measured."""
    floor_bpm, ceiling_bpm = HR_MAX_RANGE_BPM
    return min(max(whole_bpm(PRIOR.of_age(age)), floor_bpm), ceiling_bpm)


# --- the running estimate -------------------------------------------------------------------------------------------

Effort = Literal["hard", "all_out", "test"]

_ANY_AGE = (185.0, 16.0)
"""Mean and SD of a prior for a rider whose age is not known or whose formula does not hold (own choice, wide)."""
_NOISE_BPM = 1.2
_NOISE_REPORTED_BPM = 2.5
_NOISE_UNCLEAN_BPM = 6.0
"""SD of a peak from RR intervals, of one from reported bpm, and what no clean beat at all would add (own choice)."""
_TEST_BPM = 2.0
"""Day to day, a measured maximum moves by about this much (common practice, no source)."""
_ALL_OUT_GAP_BPM = 4.0
"""How far below the maximum an all-out ride ends, on average; exponential (common practice, no source)."""
_MONTH_DAYS = 30.0
"""Of the all-out rides of so many days only the best counts as one (own choice)."""
_ALIKE_SDS = 2.0
"""Hard rides with peaks within so many SD of the highest are one word, of their mean (own choice)."""
_AGREE_DAYS = 3
"""Each day on which doubtful rides are alike makes it less likely that all are false, up to so many (own choice)."""
_RANGE_HOLDS, _RANGES_TRIED = 0.9, 41
"""What part the range holds, and from how many such ranges the shortest is chosen."""
_GRID_BPM = 0.25
"""How fine the maximum is searched for: finer than anything that is said of it."""
_AGEING_BPM_A = 0.64
"""Per year, the slope of Nes et al. 2013."""
_WANDER_BPM_A = 1.0
"""SD that a year adds to what was learnt before it: training, weight, illness (own choice)."""
_STRAY = 0.005
_STRAY_UNSOUND, _STRAY_AGAIN = 0.1, 0.5
_STRAY_TEST = 1e-6
"""The chance that a piece of evidence is false after all; unsound where an artefact could explain it, again where the
same strap has misled before (own choice). A sound test that no sound ride stands above is believed before any formula:
people stray from it further than a normal distribution does."""

TEST_PLAN = "maximal-test"
"""The plan's name in the log of a ride that was a guided maximal test; a mark of kind ``verdict`` tells how it went."""

ALL_OUT = "all_out"
"""The kind of the mark in a ride of which the rider says that they gave everything."""

_SOUND_QUALITY = 0.9
_SOUND_DROP_BPM = 4.0
"""Sound evidence is of this quality at least, and 15 s long within this much of its peak."""
_BEYOND_BPM = 4
"""A proposal goes no further than this over what was held; a test that a ride stands above by more was no maximum."""
_PLAUSIBLE_SDS = 3.0
"""A ride so many SDs over the formula is out of what people of that age reach (own choice)."""
_FAR_BPM = 8
"""An estimate this far from the highest that was held rests on something else as well, and says so (own choice)."""


@dataclass(frozen=True, slots=True)
class Observation:
    """One ride's word on the maximum.

    peak_bpm: held 5 s. effort: "hard" says at least that, "all_out" a little more, "test" what it is. noise_bpm: SD of
    the peak itself. doubt: why an artefact could explain it, so that it raises no maximum; "" where none could.
    label: how to name the ride.
    """

    days_ago: float
    peak_bpm: float
    effort: Effort
    noise_bpm: float = _NOISE_BPM
    doubt: str = ""
    label: str = "a ride"

    @property
    def sound(self) -> bool:
        """Whether no artefact could explain it, so that it may raise a maximum."""
        return not self.doubt


def observe(found: Evidence, days_ago: float, effort: Effort, label: str) -> Observation | None:
    """The observation in the evidence of one ride; None when it has no peak to trust."""
    if found.peak_bpm is None:
        return None
    held = found.held_15s_bpm is not None and found.held_15s_bpm >= found.peak_bpm - _SOUND_DROP_BPM
    poor_bpm = _NOISE_UNCLEAN_BPM * (1 - found.quality)
    noise_bpm = hypot(_NOISE_BPM if found.from_rr else _NOISE_REPORTED_BPM, poor_bpm)
    doubts = {
        "reported bpm without RR intervals": not found.from_rr,
        "a poor signal": found.quality < _SOUND_QUALITY,
        "not held for 15 s": not held,
    }
    doubt = " and ".join(reason for reason, holds in doubts.items() if holds)
    return Observation(days_ago, found.peak_bpm, effort, noise_bpm, doubt, label)


@dataclass(frozen=True, slots=True)
class Estimate:
    """What the maximum probably is. low_bpm and high_bpm bound the likeliest 90 %. ``why`` says what it rests on, and
    what higher peak proposes nothing and why."""

    value_bpm: int
    low_bpm: float
    high_bpm: float
    why: str


def estimate(observations: Sequence[Observation], age: float | None, medicines: bool = False) -> Estimate:
    """The maximum today, from the age formula and every observation.

    A Bayesian posterior on a grid of today's maximum. Time widens what an old observation says and age lowers it, so
    each enters as what it says of today. Of the all-out rides of a month only the best counts as all-out: the same
    rider falls short in the same way, and the others are no independent word on how far. Nor are hard rides that are
    alike: that a rider comes as far again and again does not say that there is more, and the highest of many is high by
    luck as well. The value is the median, the range the shortest that holds nine parts in ten: what was held may be all
    that there is.
    """
    import numpy as np

    mean, sd = (PRIOR.of_age(age), PRIOR.sd_bpm) if age is not None and not medicines else _ANY_AGE
    grid = np.arange(HR_MAX_RANGE_BPM[0], HR_MAX_RANGE_BPM[1] + _GRID_BPM, _GRID_BPM)
    weight = np.exp(-0.5 * ((grid - mean) / sd) ** 2)
    for words in _chains(observations):
        fits = np.ones_like(grid)
        for word in reversed(words):
            fits = (1 - word.stray) * _fits(grid, word) + word.stray * fits
        weight = weight * fits
        weight /= weight.sum()
    below = np.cumsum(weight) / weight.sum()
    begins = np.linspace(0.0, 1.0 - _RANGE_HOLDS, _RANGES_TRIED)
    lows, highs = (np.interp(part, below, grid) for part in (begins, begins + _RANGE_HOLDS))
    shortest = int(np.argmin(highs - lows))
    low_bpm, high_bpm = float(lows[shortest]), float(highs[shortest])
    value_bpm = whole_bpm(float(np.interp(0.5, below, grid)))
    return Estimate(value_bpm, round(low_bpm, 1), round(high_bpm, 1), _why(observations, age, medicines, value_bpm))


class _Word(NamedTuple):
    """What one ride, or several alike, say of today's maximum. stray: the chance that it is false after all."""

    effort: Effort
    bpm: float
    sd_bpm: float
    stray: float


def _chains(observations: Sequence[Observation]) -> Iterator[list[_Word]]:
    """What is known independently of each other; of a chain the next word counts where the one before is false."""
    hard, best_at = list[Observation](), list[float]()
    for seen in sorted(observations, key=lambda one: -one.peak_bpm):
        of_the_month = any(abs(seen.days_ago - days) < _MONTH_DAYS for days in best_at)
        if seen.effort == "hard" or (seen.effort == "all_out" and of_the_month):
            hard.append(seen)
            continue
        if seen.effort == "all_out":
            best_at.append(seen.days_ago)
        yield [_Word(seen.effort, _today_bpm(seen), _sd_bpm(seen), _stray(seen, observations))]
    for sound in (True, False):
        yield list(_alike([seen for seen in hard if seen.sound is sound]))


def _alike(hard: list[Observation]) -> Iterator[_Word]:
    """One word for all the hard rides that are alike within their noise, the highest first. All are sound, or none."""
    left = sorted(hard, key=lambda one: -_today_bpm(one))
    unsound = _STRAY_UNSOUND
    while left:
        top_bpm, sd_bpm = _today_bpm(left[0]), _sd_bpm(left[0])
        alike = [seen for seen in left if top_bpm - _today_bpm(seen) <= _ALIKE_SDS * min(sd_bpm, _sd_bpm(seen))]
        stray = _STRAY if left[0].sound else unsound ** min(_days(alike), _AGREE_DAYS)
        yield _Word("hard", sum(map(_today_bpm, alike)) / len(alike), sd_bpm, stray)
        left = [seen for seen in left if seen not in alike]
        unsound = _STRAY_AGAIN


def _days(observations: Sequence[Observation]) -> int:
    """On how many days they were ridden."""
    days = list[float]()
    for seen in observations:
        if all(abs(seen.days_ago - day) >= _ANOTHER_DAY_DAYS for day in days):
            days.append(seen.days_ago)
    return len(days)


def _years(seen: Observation) -> float:
    return max(seen.days_ago, 0.0) / 365.25


def _today_bpm(seen: Observation) -> float:
    """What the peak of an observation says of today."""
    return seen.peak_bpm - _AGEING_BPM_A * _years(seen)


def _sd_bpm(seen: Observation) -> float:
    """How far the maximum of today may lie from that."""
    return hypot(_TEST_BPM if seen.effort == "test" else seen.noise_bpm, _WANDER_BPM_A * sqrt(_years(seen)))


def _stray(seen: Observation, observations: Sequence[Observation]) -> float:
    """The chance that an observation is false after all."""
    if not seen.sound:
        return _STRAY_UNSOUND
    outdone = any(other.sound and _today_bpm(other) > _today_bpm(seen) + _BEYOND_BPM for other in observations)
    return _STRAY_TEST if seen.effort == "test" and not outdone else _STRAY


def _fits(grid: NDArray[np.float64], word: _Word) -> NDArray[np.float64]:
    """How well each maximum of today explains a word that is true; 1 where it does best."""
    import numpy as np

    sd = word.sd_bpm
    over = [float(value) for value in grid - word.bpm]
    if word.effort == "test":
        fits = [exp(-0.5 * (x / sd) ** 2) for x in over]
    elif word.effort == "hard":
        fits = [0.5 * (1 + erf(x / sd / sqrt(2))) for x in over]
    else:
        # An exponential gap seen through normal noise.
        gap = _ALL_OUT_GAP_BPM
        # 700: beyond it a float overflows.
        fits = [exp(min(0.5 * (sd / gap) ** 2 - x / gap, 700)) * erfc((sd / gap - x / sd) / sqrt(2)) for x in over]
    values = np.array(fits)
    return values / max(float(values.max()), 1e-300)


def against(seen: Observation, age: float | None) -> str:
    """Why an observation may raise no maximum; "" where it may: it is sound, and no higher than people of that age get
    unless a test measured it."""
    if not seen.sound:
        return f"{seen.doubt}, so that an artefact could explain it"
    ceiling = HR_MAX_RANGE_BPM[1] if age is None else PRIOR.of_age(age) + _PLAUSIBLE_SDS * PRIOR.sd_bpm
    if seen.effort != "test" and seen.peak_bpm > ceiling:
        return "hardly anyone of your age gets there, and no maximal test measured it"
    return ""


def _standing(observations: Sequence[Observation], age: float | None) -> list[Observation]:
    """Those that may raise a maximum."""
    return [seen for seen in observations if not against(seen, age)]


def _witness(told: Sequence[Observation], value_bpm: int) -> tuple[Observation, bool]:
    """What an estimate rests on, and whether that is a test which measured it: the last one, else the highest peak."""
    best = max(told, key=_today_bpm)
    measured = [
        seen
        for seen in told
        if seen.effort == "test"
        and abs(_today_bpm(seen) - value_bpm) <= Z_90 * _sd_bpm(seen)
        and _today_bpm(best) <= _today_bpm(seen) + _TEST_BPM
    ]
    return min(measured, key=lambda seen: seen.days_ago, default=best), bool(measured)


def _why(observations: Sequence[Observation], age: float | None, medicines: bool, value_bpm: int) -> str:
    """What the estimate rests on most, and why a higher peak proposes nothing."""
    wide = "a wide one, since no formula holds with medicines that slow the heart"
    start = wide if medicines else f"the formula {PRIOR.text}"
    if age is None and not medicines:
        start = "a wide one, since no age is known"
    if not observations:
        return f"It rests on nothing but a first guess: {start}."
    standing = _standing(observations, age)
    best, measured = _witness(standing or observations, value_bpm)
    said = f"{whole_bpm(best.peak_bpm)} bpm ({best.label})"
    ending = "and that ride was all-out" if best.effort == "all_out" else "and how far it can go beyond is not known"
    if value_bpm > best.peak_bpm + _FAR_BPM:
        ending = f"which only says that it is at least that; beyond it stands the first guess, {start}"
    elif value_bpm < best.peak_bpm - _FAR_BPM:
        ending = "though nothing else speaks for so much"
    why = f"The highest heart rate that you held was {said}, {ending}."
    if measured:
        why = f"A maximal test measured {said}."
    lost = max((seen for seen in observations if seen not in standing), key=lambda seen: seen.peak_bpm, default=None)
    if lost is not None and (not standing or lost.peak_bpm > best.peak_bpm):
        why += f" {whole_bpm(lost.peak_bpm)} bpm ({lost.label}) proposes nothing: {against(lost, age)}."
    return why


_LEAP_BPM, _AGREE_BPM = 5, 3.0
"""A rise of more than the first wants a ride of another day within the second of it (own choice)."""
_ANOTHER_DAY_DAYS = 0.5
"""A strap that misled one ride misleads another of the same day, or another recording of the same ride (own choice)."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A maximum for the rider to accept or refuse. origin: what it rests on, as the history has it.

    leap: it would rise far on one day's riding alone; ``why`` says so.
    """

    value_bpm: int
    low_bpm: float
    high_bpm: float
    why: str
    origin: Literal["ride", "test"]
    leap: bool = False


def propose(
    observations: Sequence[Observation], accepted_bpm: int | None, age: float | None, medicines: bool = False
) -> Proposal | None:
    """A better maximum than the accepted one, or else what the last maximal test measured, or None.

    Higher only on sound evidence above it: never on a formula, never further than a few beats over what was held, and
    never on a peak that hardly anyone of that age reaches, unless a maximal test measured it. Lower only when the whole
    range lies below. Without an accepted maximum, on sound evidence that comes near the estimate.
    """
    if not observations:
        return None
    found = estimate(observations, age, medicines)
    in_use_bpm = accepted_bpm
    if accepted_bpm is None and age is not None and not medicines:
        in_use_bpm = _formula_bpm(age)
    better = _better(observations, accepted_bpm, in_use_bpm, age, found)
    return better or _last_test(observations, accepted_bpm, found)


def _better(
    observations: Sequence[Observation],
    accepted_bpm: int | None,
    in_use_bpm: int | None,
    age: float | None,
    found: Estimate,
) -> Proposal | None:
    """What the estimate proposes. in_use_bpm: the accepted maximum, or the formula's that stands in for it."""
    sound = _standing(observations, age)
    if not sound and accepted_bpm is None:
        return None
    best = max(sound, key=lambda seen: seen.peak_bpm, default=observations[0])
    # A hard ride shows that the maximum is at least this; only an all-out ride or a test speaks of a little more.
    most = whole_bpm(best.peak_bpm) + (0 if best.effort == "hard" else _BEYOND_BPM)
    value = found.value_bpm
    if sound and (accepted_bpm is None or best.peak_bpm >= accepted_bpm + 1):
        if accepted_bpm is None and value > best.peak_bpm + 2 * _BEYOND_BPM:
            return None  # an easy ride says next to nothing
        value = min(value, most)
        if value < HR_MAX_RANGE_BPM[0] or (accepted_bpm is not None and value <= accepted_bpm):
            return None
    elif accepted_bpm is None or found.high_bpm >= accepted_bpm:
        return None
    _, measured = _witness(sound or observations, found.value_bpm)
    why = found.why
    agreed = any(
        seen.peak_bpm > best.peak_bpm - _AGREE_BPM and abs(seen.days_ago - best.days_ago) >= _ANOTHER_DAY_DAYS
        for seen in sound
    )
    rise_bpm = 0 if in_use_bpm is None else value - in_use_bpm
    leap = rise_bpm > _LEAP_BPM and not agreed and not measured
    if leap:
        why += (
            f" It would rise by {rise_bpm} bpm on one day's riding alone, and what slides as slowly as a heart"
            " is not told from one: see whether a hard ride of another day says the same before you accept it."
        )
    return Proposal(value, found.low_bpm, found.high_bpm, why, "test" if measured else "ride", leap)


def doubts(value_bpm: int, observations: Sequence[Observation], age: float | None, medicines: bool) -> tuple[str, ...]:
    """What speaks against a maximum that a rider gives, in sentences. It is the rider's all the same.

    age: None where it is not known. With medicines that slow the heart no range speaks. Only sound observations do: a
    doubt about a low value asks for a higher one.
    """
    said = []
    if age is not None:
        (low, high), of, source = PRIOR.range_bpm(age), f"{age:.0f} years", PRIOR.text
    else:
        guess = estimate((), None)
        low, high = round(guess.low_bpm), round(guess.high_bpm)
        of, source = "any age", "a wide guess; birth_year in rider.toml gives a closer one"
    if not medicines and not low <= value_bpm <= high:
        said.append(
            f"{value_bpm} bpm is outside the range that holds nine people in ten of {of}: {low} to {high} ({source})."
        )
    best = max((seen for seen in observations if seen.sound), key=lambda seen: seen.peak_bpm, default=None)
    if best is not None and best.peak_bpm >= value_bpm + 1:
        said.append(
            f"{value_bpm} bpm is less than the {whole_bpm(best.peak_bpm)} bpm that you held ({best.label}), and no "
            "heart goes over its maximum."
        )
    return tuple(said)


def _last_test(observations: Sequence[Observation], accepted_bpm: int | None, found: Estimate) -> Proposal | None:
    """What the last maximal test measured, where it is not the accepted maximum and no newer ride stands above it.

    The page that ended the test promised it, and the rider knows what kind of day it was.
    """
    sound = [seen for seen in observations if seen.sound]
    tests = [seen for seen in sound if seen.effort == "test"]
    if not tests:
        return None
    last = min(tests, key=lambda seen: seen.days_ago)
    today_bpm, sd_bpm = _today_bpm(last), _sd_bpm(last)
    outdone = any(seen.days_ago < last.days_ago and _today_bpm(seen) > today_bpm + _BEYOND_BPM for seen in sound)
    known = accepted_bpm is not None and abs(accepted_bpm - today_bpm) <= sd_bpm
    if outdone or known or not HR_MAX_RANGE_BPM[0] <= today_bpm <= HR_MAX_RANGE_BPM[1]:
        return None
    why = f"Your last maximal test measured {whole_bpm(last.peak_bpm)} bpm ({last.label})"
    if abs(found.value_bpm - today_bpm) > _BEYOND_BPM:
        why += f", though all rides together speak for {found.value_bpm}"
    half_bpm = Z_90 * sd_bpm
    low_bpm, high_bpm = round(today_bpm - half_bpm, 1), round(today_bpm + half_bpm, 1)
    return Proposal(whole_bpm(today_bpm), low_bpm, high_bpm, f"{why}.", "test")
