"""Formulas, whose maximum is used, the running estimate and what it may propose."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import sqrt

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from firmware_app.core import maximum
from firmware_app.core.bands import BandError
from firmware_app.core.dates import year_of
from firmware_app.core.evidence import Evidence
from firmware_app.core.maximum import Observation
from firmware_app.settings import Rider
from sim.bench.maximum import Habit, coverage


@pytest.mark.parametrize(
    ("name", "age", "bpm"),
    # The papers' own formulas, by hand: Fox 1971; Tanaka 2001; Gellish 2007; Nes 2013; Gulati 2010 (from memory).
    [("fox", 40, 180), ("tanaka", 40, 180), ("gellish", 40, 179), ("nes", 50, 179), ("gulati", 50, 162)],
)
def test_formulas(name: str, age: int, bpm: int) -> None:
    assert maximum.FORMULAS[name].of_age(age) == pytest.approx(bpm, abs=1e-9)


def test_the_formula_for_women_is_shown_to_women() -> None:
    assert "gulati" in [formula.name for formula in maximum.formulas_for("female")]
    assert "gulati" not in [formula.name for formula in maximum.formulas_for("male")]


def test_whose_maximum_is_used() -> None:
    rider = Rider(birth_year=1976, hr_max_bpm=184)
    assert maximum.hr_max(rider, 2026, 190).origin == "given"
    assert maximum.hr_max(rider, 2026).origin == "set"
    formula = maximum.hr_max(Rider(birth_year=1976), 2026)
    assert (formula.value_bpm, formula.origin) == (179, "formula")
    assert formula.low_bpm < 165 < 195 < formula.high_bpm
    assert "formula" in formula.caution


def test_a_clock_that_wakes_in_the_past_makes_nobody_younger() -> None:
    assert year_of(date(1970, 1, 1)) == 2026
    assert year_of(date(2031, 5, 4)) == 2031


def test_an_old_ride_goes_by_the_age_at_the_time() -> None:
    assert maximum.hr_max(Rider(birth_year=1970), 2012).value_bpm == 184  # 211 - 0.64 x 42


@pytest.mark.parametrize(
    "rider", [Rider(), Rider(birth_year=1976, rate_medicines=True), Rider(birth_year=2024), Rider(birth_year=1900)]
)
def test_no_maximum_rather_than_a_wrong_one(rider: Rider) -> None:
    with pytest.raises(BandError):
        maximum.hr_max(rider, 2026)


def test_without_evidence_the_estimate_is_the_formula_with_its_spread() -> None:
    found = maximum.estimate([], 50)
    # Nes et al. 2013: 211 - 0.64 x 50 = 179, SEE 10.8; 90 % lies within 1.645 of it.
    assert found.value_bpm == 179
    assert found.low_bpm == pytest.approx(179 - 17.8, abs=0.5)
    assert found.high_bpm == pytest.approx(179 + 17.8, abs=0.5)


peaks = st.floats(140, 200)


@settings(max_examples=40)
@given(peaks)
def test_a_hard_held_peak_never_lowers_the_estimate(peak_bpm: float) -> None:
    before, after = maximum.estimate([], 50), maximum.estimate([Observation(0, peak_bpm, "hard")], 50)
    assert after.value_bpm >= before.value_bpm
    assert after.low_bpm >= before.low_bpm - 0.3


@settings(max_examples=40)
@given(st.floats(165, 195))
def test_all_out_says_a_little_more_and_a_test_says_what_it_is(peak_bpm: float) -> None:
    hard, all_out, test = (
        maximum.estimate([Observation(0, peak_bpm, effort)], 50) for effort in ("hard", "all_out", "test")
    )
    assert peak_bpm - 1 < all_out.value_bpm < peak_bpm + 8
    assert all_out.high_bpm <= hard.high_bpm + 0.3
    assert test.value_bpm == pytest.approx(peak_bpm, abs=1.5)
    assert test.high_bpm - test.low_bpm < all_out.high_bpm - all_out.low_bpm


def test_time_widens_and_age_lowers() -> None:
    new, old = (maximum.estimate([Observation(days, 185, "test")], 50) for days in (0, 5 * 365))
    assert old.value_bpm < new.value_bpm
    assert old.high_bpm - old.low_bpm > new.high_bpm - new.low_bpm


def test_medicines_leave_the_formula_out() -> None:
    plain, medicines = maximum.estimate([], 70), maximum.estimate([], 70, medicines=True)
    assert medicines.high_bpm - medicines.low_bpm > plain.high_bpm - plain.low_bpm + 10
    assert "medicines" in medicines.why


@pytest.mark.parametrize(("habit", "width_bpm"), [("told", 5), ("tests", 3), ("untold", 24)])
def test_the_range_holds_the_truth_as_often_as_it_says(habit: Habit, width_bpm: float) -> None:
    riders = 150
    slack = 2.6 * sqrt(0.9 * 0.1 / riders)  # 99 % binomial
    # Who only ever says "at least that" is known a little less well than the range says.
    least = 0.8 if habit == "untold" else 0.9
    for row in coverage(riders, seed=7, habit=habit)["after"]:
        assert least - slack <= row["coverage"] <= 0.995, row
    assert row["mean_width_bpm"] < width_bpm


def test_that_a_rider_comes_as_far_every_week_does_not_say_that_there_is_more() -> None:
    one = maximum.estimate([Observation(0, 185, "hard")], 40)
    every_week = [Observation(7 * week, 185 + week % 3 - 1, "hard") for week in range(50)]
    found = maximum.estimate(every_week, 40)
    assert found.value_bpm <= one.value_bpm + 1
    assert found.low_bpm <= 185 <= found.high_bpm


def test_the_highest_of_doubtful_rides_that_differ_is_no_better_than_one() -> None:
    """A strap that misleads again and again says something else each time."""
    honest = [Observation(7 * week, 180, "hard") for week in range(8)]
    differ = [Observation(7 * week, 190 + 9 * week, "hard", noise_bpm=2.5, doubt="a poor signal") for week in range(4)]
    before, after = maximum.estimate(honest, 50), maximum.estimate([*honest, *differ], 50)
    assert after.value_bpm <= before.value_bpm + 6


def test_what_is_proposed_higher() -> None:
    hard = maximum.propose([Observation(0, 192, "hard")], 184, 50)
    all_out = maximum.propose([Observation(0, 192, "all_out")], 184, 50)
    assert hard is not None
    assert all_out is not None
    assert hard.value_bpm == 192
    assert 192 < all_out.value_bpm <= 196


@pytest.mark.parametrize(
    "seen",
    [
        [],
        [Observation(0, 175, "hard")],
        [Observation(0, 192, "hard", doubt="a poor signal")],
        [Observation(0, 192, "all_out", doubt="a poor signal")],
        [Observation(0, 225, "hard")],  # hardly anyone of 50 gets there: rather an artefact
    ],
)
def test_what_never_proposes_a_higher_maximum(seen: list[Observation]) -> None:
    assert maximum.propose(seen, 184, 50) is None


def test_one_unsound_ride_hardly_moves_the_estimate_and_its_word_is_not_the_reason() -> None:
    """An arm band can lock to twice the pedals' rate for minutes."""
    honest = [Observation(20, 182, "hard", label="the hill"), Observation(10, 181, "hard")]
    false = Observation(5, 206, "hard", noise_bpm=2.5, doubt="a poor signal")
    before, after = maximum.estimate(honest, 45), maximum.estimate([*honest, false], 45)
    assert after.value_bpm <= before.value_bpm + 4
    assert "182" in after.why
    # Several that agree are believed in the end.
    again = [replace(false, days_ago=days) for days in (2, 9, 30)]
    assert maximum.estimate([*honest, false, *again], 45).value_bpm > 200
    # On one day they are one strap that misleads.
    assert maximum.estimate([*honest, *[false] * 4], 45).value_bpm <= after.value_bpm


@pytest.mark.parametrize(("age", "bpm"), [(30, 150), (30, 160), (45, 155), (60, 210), (20, 160), (None, 130)])
def test_a_maximal_test_is_believed_before_the_formula(age: int | None, bpm: int) -> None:
    """Four SD from the formula is rare, and a person."""
    seen = [Observation(1, bpm, "test")]
    found = maximum.estimate(seen, age)
    assert found.value_bpm == pytest.approx(bpm, abs=2)
    assert found.high_bpm - found.low_bpm < 10
    for accepted in (None, 191):
        proposal = maximum.propose(seen, accepted, age)
        assert proposal is not None
        assert (proposal.value_bpm, proposal.origin) == (found.value_bpm, "test")


def test_a_maximal_test_above_the_formula_needs_to_be_sound() -> None:
    assert maximum.propose([Observation(1, 210, "test", doubt="a poor signal")], 174, 60) is None


def test_the_last_maximal_test_is_offered_though_others_speak_against_it() -> None:
    bad_day = [Observation(300, 185, "test"), Observation(2, 150, "test", label="ride 9")]
    proposal = maximum.propose(bad_day, 185, 40)
    assert proposal is not None
    assert (proposal.value_bpm, proposal.origin) == (150, "test")
    assert "ride 9" in proposal.why
    # Once it is accepted, or a newer ride has gone higher, there is nothing to offer any more.
    assert maximum.propose(bad_day[1:], 150, 40) is None
    newer = maximum.propose([*bad_day, Observation(1, 170, "hard")], 185, 40)
    assert newer is None


def test_a_leap_on_one_ride_alone_says_so() -> None:
    def why(*peaks_bpm: float, accepted_bpm: int = 180) -> str:
        seen = [Observation(1.0 + at, peak, "hard", label=f"ride {at}") for at, peak in enumerate(peaks_bpm)]
        proposed = maximum.propose(seen, accepted_bpm, None)
        assert proposed is not None
        return proposed.why

    assert "one day's riding alone" in why(190.0, 182.0)
    assert "one day's riding alone" not in why(190.0, accepted_bpm=186)
    assert "by 10 bpm" in why(190.0, 182.0)
    assert "one day's riding alone" not in why(190.0, 188.5)
    assert "one day's riding alone" not in why(184.0)


def test_a_leap_over_a_formula_says_so_too() -> None:
    # Nes et al. 2013: 211 - 0.64 x 47 = 180.9.
    alone = [Observation(1, 198, "hard")]
    leap = maximum.propose(alone, None, 47)
    assert leap is not None
    assert leap.leap
    assert f"by {leap.value_bpm - 181} bpm on one day's riding alone" in leap.why
    # The same strap on the same day, or another recording of the same ride, agrees without being another's word.
    same_day = maximum.propose([*alone, Observation(1.3, 197, "hard")], None, 47)
    assert same_day is not None
    assert same_day.leap
    agreed = maximum.propose([*alone, Observation(9, 197, "hard")], None, 47)
    assert agreed is not None
    assert not agreed.leap
    # With medicines no formula stands in: there is nothing that it would rise from.
    medicines = maximum.propose(alone, None, 47, medicines=True)
    assert medicines is not None
    assert not medicines.leap


def test_a_proposal_names_what_it_rests_on() -> None:
    old_test = Observation(700, 180, "test", label="ride 1")
    higher = maximum.propose([old_test, Observation(1, 190, "hard", label="ride 2")], 180, 45)
    assert higher is not None
    assert (higher.value_bpm, higher.origin) == (190, "ride")
    assert "190 bpm (ride 2)" in higher.why
    beside = maximum.estimate([old_test, Observation(1, 194, "hard", label="ride 2")], 45)
    assert beside.value_bpm < 185
    assert "nothing else speaks for so much" in beside.why
    tested = maximum.propose([old_test, Observation(1, 170, "hard", label="ride 2")], 190, 45)
    assert tested is not None
    assert tested.origin == "test"
    assert "180 bpm (ride 1)" in tested.why


@pytest.mark.parametrize(
    ("dropped", "reason"),
    [
        (Observation(1, 219, "hard", label="ride 3"), "hardly anyone of your age"),
        (Observation(1, 200, "hard", doubt="a poor signal", label="ride 3"), "nothing: a poor signal, so that an art"),
        (Observation(1, 200, "test", doubt="a poor signal", label="ride 3"), "artefact"),
    ],
)
def test_the_estimate_says_why_a_higher_peak_proposes_nothing(dropped: Observation, reason: str) -> None:
    hill = Observation(9, 178, "hard", label="the hill")
    for others in ([], [hill]):
        seen = [*others, dropped]
        assert maximum.propose(seen, 185, 45) is None
        why = maximum.estimate(seen, 45).why
        assert f"{dropped.peak_bpm} bpm (ride 3) proposes nothing" in why
        assert reason in why
    assert "178 bpm (the hill)" in why
    assert "proposes nothing" not in maximum.estimate([hill, Observation(1, 170, "hard", doubt="unsteady")], 45).why


@pytest.mark.parametrize(
    ("found", "doubt"),
    [
        (Evidence(190, 188, 20, 0.95, 190, True, ()), ""),
        (Evidence(190, 188, 20, 0.95, 190, False, ()), "reported bpm without RR intervals"),
        (Evidence(190, None, 8, 0.95, 190, True, ()), "not held for 15 s"),
        (Evidence(190, 180, 8, 0.8, 190, True, ()), "a poor signal and not held for 15 s"),
    ],
)
def test_what_could_be_an_artefact_says_why_and_nothing_else(found: Evidence, doubt: str) -> None:
    seen = maximum.observe(found, 1.0, "hard", "ride 3")
    assert seen is not None
    assert (seen.doubt, seen.sound) == (doubt, not doubt)


def test_a_test_may_propose_lower_and_a_formula_may_not() -> None:
    lower = maximum.propose([Observation(0, 170, "test")], 184, 50)
    assert lower is not None
    assert lower.value_bpm < 175
    assert lower.origin == "test"
    assert maximum.propose([], 215, 50) is None


@settings(max_examples=40)
@example([Observation(0, 108, "test"), Observation(0, 112, "test")], None)
@given(
    st.lists(
        st.builds(
            Observation,
            st.floats(0, 900),
            st.floats(100, 230),
            st.sampled_from(["hard", "all_out", "test"]),
            doubt=st.sampled_from(["", "a poor signal"]),
        ),
        max_size=6,
    ),
    st.none() | st.integers(120, 230),
)
def test_a_higher_proposal_always_stands_on_sound_evidence(seen: list[Observation], accepted: int | None) -> None:
    proposal = maximum.propose(seen, accepted, 40)
    if proposal is not None and (accepted is None or proposal.value_bpm > accepted):
        assert any(one.sound and one.peak_bpm + 5 > proposal.value_bpm for one in seen)
    if proposal is not None:
        assert 120 <= proposal.value_bpm <= 230
