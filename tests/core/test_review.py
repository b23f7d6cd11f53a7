"""The review of a ride, through its doors: laws that hold for every ride, and rides whose figures are known."""

from __future__ import annotations

import json
import pickle
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware_app import settings
from firmware_app.core.bands import Band, BandTable, Scheme, table
from firmware_app.core.companion import Companion, play
from firmware_app.core.events import Mark
from firmware_app.core.maximum import TEST_PLAN
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.core.review import HOLD_S, Review, compare, review, summary
from firmware_app.core.session import free_plan

NAMES = ("Restore", "Easy", "Steady", "Brisk", "Hard", "Severe", "All-out")
SEVEN = Scheme(
    "seven",
    "percent_of_maximum",
    tuple(
        Band(i, name, low, f"Made for {name}.")
        for i, (name, low) in enumerate(zip(NAMES, (0, 60, 65, 75, 82, 89, 94), strict=True), start=1)
    ),
)
BANDS: BandTable = table(SEVEN, 184, 50)


def ride(t_s, trusted_bpm, marks=(), duration_s=None, hr_bpm=None) -> RideRecord:
    """A ride from columns; NaN in ``trusted_bpm`` is a value that the gate refused."""
    t = np.asarray(t_s, dtype=np.float64)
    trusted = np.asarray(trusted_bpm, dtype=np.float64)
    return RideRecord(
        facts=RideFacts(184, 50),
        t_s=t,
        hr_bpm=np.rint(trusted) if hr_bpm is None else np.asarray(hr_bpm, dtype=np.float64),
        trusted_bpm=trusted,
        quality=np.ones(t.size),
        contact=np.full(t.size, -1, dtype=np.int8),
        rr_ms=np.empty(0),
        rr_row=np.empty(0, dtype=np.int64),
        marks=tuple(marks),
        duration_s=float(t.size) if duration_s is None else duration_s,
    )


def each_second(*parts: tuple[int, float]) -> RideRecord:
    """One sample a second: (seconds, bpm) one after the other."""
    bpm = np.concatenate([np.full(seconds, value) for seconds, value in parts])
    return ride(np.arange(bpm.size), bpm)


def target(t_s: float, low: int | None, high: int | None) -> Mark:
    return Mark(t_s, "target", {"low_bpm": low, "high_bpm": high, "text": ""})


def alarm(t_s: float, kind: str, on: bool = True, reminder: int = 0) -> Mark:
    return Mark(t_s, "alarm", {"kind": kind, "priority": "medium", "reminder": reminder, "on": on})


def with_marks(record: RideRecord, *marks: Mark) -> RideRecord:
    return replace(record, marks=marks)


@st.composite
def rides(draw: st.DrawFn) -> RideRecord:
    """Any ride: late and doubled samples, refused values, marks in any order of kinds, samples past the end."""
    size = draw(st.integers(0, 40))
    steps = st.one_of(st.just(0.0), st.just(1.0), st.floats(0, 20))
    t = np.cumsum(draw(st.lists(steps, min_size=size, max_size=size)))
    heart = st.one_of(st.just(float("nan")), st.floats(40, 200))
    bpm = draw(st.lists(heart, min_size=size, max_size=size))
    limits = st.one_of(st.just((None, None)), st.tuples(st.integers(80, 120), st.integers(121, 184)))
    mark = st.one_of(
        st.just(("pause", {})),
        st.just(("resume", {})),
        limits.map(lambda both: ("target", {"low_bpm": both[0], "high_bpm": both[1], "text": ""})),
        st.tuples(st.sampled_from(["near_max", "above_target", "below_target"]), st.booleans(), st.integers(0, 2)).map(
            lambda a: ("alarm", {"kind": a[0], "priority": "medium", "on": a[1], "reminder": a[2]})
        ),
    )
    marks = draw(st.lists(st.tuples(st.floats(0, 400), mark), max_size=12))
    marks.sort(key=lambda one: one[0])
    duration_s = draw(st.floats(0, 500))
    return ride(t, bpm, [Mark(at, kind, detail) for at, (kind, detail) in marks], duration_s)


def ms(*seconds: float) -> int:
    """Seconds in whole milliseconds, added exactly."""
    return sum(round(one * 1000) for one in seconds)


@examples(max_examples=150)
@given(rides())
def test_times_add_up_to_the_duration_exactly(record: RideRecord) -> None:
    it = review(record, BANDS)
    assert ms(it.duration_s) == round(record.duration_s * 1000)
    assert ms(it.ridden_s, it.paused_s) == ms(it.duration_s)
    assert ms(*it.band_s.values(), it.unknown_s, it.paused_s) == ms(it.duration_s)
    lanes = (it.in_target_s, it.above_target_s, it.below_target_s, it.target_unknown_s, it.no_target_s)
    assert ms(*lanes) == ms(it.ridden_s)
    assert all(part >= 0 for part in (*lanes, *it.band_s.values(), it.unknown_s, it.paused_s))
    assert it.near_max_s <= it.hard_s <= it.ridden_s
    assert 0 <= it.trusted_fraction <= 1


@examples(max_examples=100)
@given(rides(), st.sampled_from(["female", "male", None]))
def test_any_review_is_plain_json_without_nan(record: RideRecord, sex) -> None:
    text = json.dumps(summary(review(record, BANDS, sex)), allow_nan=False)
    assert set(json.loads(text)["band_s"]) == {"1", "2", "3", "4", "5", "6", "7"}


@examples(max_examples=100)
@given(rides())
def test_an_answer_is_never_negative_and_never_after_the_ride(record: RideRecord) -> None:
    for one in review(record, BANDS).alarms:
        assert one.answered_s is None or one.answered_s >= 0


@examples(max_examples=100)
@given(rides(), st.integers(60, 400))
def test_the_advice_never_urges_and_asks_for_an_easy_ride_after_time_near_maximum(
    record: RideRecord, near_max_s: int
) -> None:
    hot = np.full(near_max_s, 180.0)
    late = record.duration_s + np.arange(near_max_s)
    it = review(
        ride(
            np.append(record.t_s[record.t_s <= record.duration_s], late),
            np.append(record.trusted_bpm[record.t_s <= record.duration_s], hot),
            [mark for mark in record.marks if mark.t_s < record.duration_s] + [Mark(record.duration_s, "resume")],
            record.duration_s + near_max_s,
        ),
        BANDS,
    )
    words = " ".join(it.change).lower()
    assert "ride easy next" in words
    assert not any(word in words for word in ("harder", "faster", "lift", "push", "more effort", "under the lane"))


def test_bands_use_the_whole_beats_of_the_panel() -> None:
    it = review(each_second((10, 109.4), (10, 109.5), (5, 172.49), (5, 172.5), (5, 190)), BANDS)
    assert it.band_s == {1: 10, 2: 10, 3: 0, 4: 0, 5: 0, 6: 5, 7: 10}


def test_a_value_holds_for_five_seconds_and_the_rest_is_unknown() -> None:
    it = review(ride([0, 20, 21, 22], [120, 130, np.nan, 130], duration_s=40), BANDS)
    assert HOLD_S == 5
    assert sum(it.band_s.values()) == 5 + 1 + 5
    assert it.unknown_s == 15 + 1 + 13
    assert it.mean_bpm == pytest.approx((5 * 120 + 6 * 130) / 11)
    assert it.trusted_fraction == pytest.approx(11 / 40)


def test_time_before_a_beat_was_heard_is_unknown() -> None:
    it = review(ride([10, 11], [120, 120], duration_s=12), BANDS)
    assert (it.unknown_s, sum(it.band_s.values())) == (10, 2)


def test_a_ride_without_one_trusted_beat_has_no_figures_and_says_so() -> None:
    it = review(ride(np.arange(100), np.full(100, np.nan), hr_bpm=np.full(100, 238)), BANDS, "male")
    assert (it.mean_bpm, it.peak_bpm, it.load, it.drift, it.recoveries) == (None, None, None, None, ())
    assert it.peak_reported_bpm == 238
    assert it.unknown_s == 100
    assert "too little" in it.trained[0]
    assert "strap" in it.change[0]


def test_an_empty_ride_reviews() -> None:
    it = review(ride([], [], duration_s=0), BANDS, "female")
    assert it.duration_s == 0
    assert it.trusted_fraction == 0


def test_the_reported_peak_is_shown_and_never_used() -> None:
    record = each_second((100, 130))
    record.hr_bpm[50] = 238
    it = review(record, BANDS)
    assert (it.peak_bpm, it.peak_reported_bpm) == (130, 238)


def test_pauses_run_from_the_first_pause_to_the_next_resume_or_the_end() -> None:
    record = with_marks(
        each_second((100, 130)), Mark(10, "pause"), Mark(15, "pause"), Mark(20, "resume"), Mark(90, "pause")
    )
    it = review(record, BANDS)
    assert (it.ridden_s, it.paused_s) == (80, 20)
    assert it.band_s[3] == 80


def test_the_limits_belong_to_the_lane_and_the_lane_can_move() -> None:
    record = each_second((10, 119), (10, 120), (10, 138), (10, 139), (10, 100))
    marks = [target(0, 120, 138), target(35, 130, 150), target(40, None, None)]
    it = review(with_marks(record, *marks), BANDS)
    assert (it.below_target_s, it.in_target_s, it.above_target_s, it.no_target_s) == (10, 25, 5, 10)


def test_without_a_target_no_time_was_in_it() -> None:
    facts = summary(review(each_second((100, 130)), BANDS))
    assert facts["in_target_s"] is None


def test_an_answer_is_the_time_until_the_heart_is_back_inside() -> None:
    record = with_marks(
        each_second((50, 130), (30, 145), (40, 130), (30, 110), (50, 125)),
        target(0, 120, 138),
        alarm(55, "above_target"),
        alarm(75, "above_target", reminder=1),
        alarm(84, "above_target", on=False),
        alarm(130, "below_target"),
        alarm(151, "below_target", on=False),
    )
    above, below = review(record, BANDS).alarms
    assert (above.kind, above.t_s, above.reminders, above.answered_s) == ("above_target", 55, 1, 29)
    assert (below.kind, below.reminders, below.answered_s) == ("below_target", 0, 21)


@pytest.mark.parametrize("cut", [Mark(60, "pause"), target(60, 140, 160), target(60, None, None)])
def test_a_pause_or_another_target_is_no_answer(cut: Mark) -> None:
    record = with_marks(
        each_second((50, 130), (30, 145), (40, 130)),
        target(0, 120, 138),
        alarm(55, "above_target"),
        cut,
        alarm(61, "above_target", on=False),
    )
    assert review(record, BANDS).alarms[0].answered_s is None


def test_an_alarm_that_ends_in_a_gap_was_not_answered() -> None:
    record = with_marks(
        each_second((50, 130), (30, 145), (20, float("nan")), (30, 145)),
        target(0, 120, 138),
        alarm(55, "above_target"),
        alarm(93, "above_target", on=False),
        alarm(101, "above_target"),
    )
    assert [one.answered_s for one in review(record, BANDS).alarms] == [None, None]


def test_near_max_is_answered_at_its_release() -> None:
    record = with_marks(each_second((50, 175), (50, 150)), alarm(16, "near_max"), alarm(58, "near_max", on=False))
    assert review(record, BANDS).alarms[0].answered_s == 42


def test_the_summary_counts_alarms_by_kind() -> None:
    marks = [target(0, 120, 138)]
    for at in (10, 40):
        marks += [alarm(at, "above_target"), alarm(at + 5, "above_target", reminder=1)]
        marks += [alarm(at + 12, "above_target", on=False)]
    record = with_marks(each_second((20, 140), (20, 130), (14, 140), (20, 130)), *marks)
    counted = summary(review(record, BANDS))["alarms_by_kind"]
    assert counted == {"above_target": {"count": 2, "reminders": 2, "median_answer_s": 12}}


def test_a_short_or_easy_effort_has_no_recovery() -> None:
    assert review(each_second((100, 150), (100, 120)), BANDS).recoveries == ()
    assert review(each_second((100, 130), (29, 160), (100, 120)), BANDS).recoveries == ()


def test_each_hard_effort_has_its_own_fall() -> None:
    record = each_second((60, 130), (40, 165), (60, 140), (60, 130), (40, 170), (60, 120), (60, 120))
    first, second = review(record, BANDS).recoveries
    assert (first.from_s, first.until_s, first.peak_bpm, first.fall_bpm) == (60, 100, 165, 25)
    assert (second.from_s, second.until_s, second.peak_bpm, second.fall_bpm) == (220, 260, 170, 50)


def test_a_short_dip_does_not_cut_an_effort_in_two() -> None:
    record = each_second((60, 165), (20, 140), (60, 165), (100, 120))
    (only,) = review(record, BANDS).recoveries
    assert (only.from_s, only.until_s, only.fall_bpm) == (0, 140, 45)


def test_an_effort_whose_minute_is_lost_has_no_fall_rather_than_a_guess() -> None:
    record = each_second((60, 165), (200, 120))
    record.trusted_bpm[60:] = np.nan
    (only,) = review(record, BANDS).recoveries
    assert (only.peak_bpm, only.t_s, only.fall_bpm) == (165, None, None)


def test_a_pause_does_not_hide_the_fall() -> None:
    record = with_marks(each_second((60, 165), (100, 120)), Mark(60, "pause"))
    assert review(record, BANDS).recoveries[0].fall_bpm == 45


def test_a_steady_hour_shows_its_drift_and_an_uneven_one_shows_none() -> None:
    hour = np.concatenate([np.linspace(90, 140, 600), np.linspace(140, 152, 2700), np.linspace(150, 110, 300)])
    it = review(ride(np.arange(3600), hour), BANDS)
    assert it.drift is not None
    assert it.drift.drift_bpm == pytest.approx(6.0, abs=0.01)
    assert any("drifted up by 6 bpm" in sentence for sentence in it.trained)
    uneven = hour + 12 * np.sign(np.sin(np.arange(3600) / 60))
    assert review(ride(np.arange(3600), uneven), BANDS).drift is None


@pytest.mark.parametrize("spoil", ["short", "paused", "gaps"])
def test_drift_needs_a_long_unbroken_known_ride(spoil: str) -> None:
    record = each_second((3600, 140))
    if spoil == "short":
        record = each_second((2690, 140))
    if spoil == "paused":
        record = with_marks(record, Mark(1800, "pause"), Mark(1930, "resume"))
    if spoil == "gaps":
        record.trusted_bpm[1000:1400] = np.nan
    assert review(record, BANDS).drift is None
    assert review(each_second((2700, 140)), BANDS).drift is not None


def test_load_needs_a_resting_heart_rate_and_a_sex_and_says_which() -> None:
    record = each_second((600, 140))
    assert review(record, BANDS).load is None
    assert "sex" in review(record, BANDS).load_missing
    assert "hr_rest_bpm" not in review(record, BANDS).load_missing
    assert "hr_rest_bpm" in review(record, table(SEVEN, 184), "male").load_missing
    both = review(record, table(SEVEN, 184)).load_missing
    assert "hr_rest_bpm" in both
    assert "sex" in both
    assert review(record, BANDS, "male").load_missing == ""


def test_load_never_counts_more_than_the_maximum_or_less_than_rest() -> None:
    assert review(each_second((600, 40)), BANDS, "male").load == 0
    over = review(each_second((600, 215)), BANDS, "male").load
    assert over == pytest.approx(review(each_second((600, 184)), BANDS, "male").load)


def test_what_was_held_is_said_and_nothing_else_is_asked() -> None:
    it = review(with_marks(each_second((600, 130)), target(0, 120, 138)), BANDS)
    assert it.trained[:2] == (
        "Most of the time, 10:00 of 10:00 known, was in band 3, Steady.",
        "What that band is for: Made for Steady.",
    )
    assert it.change == ("You held the lane for 100 % of the known time.",)


@pytest.mark.parametrize(
    ("in_band_s", "said"),
    [
        (301, "Most of the time, 5:01 of 10:00 known, was in band 3, Steady."),
        (300, "Longest in band 3, Steady: 5:00 of 10:00 known."),
    ],
)
def test_most_is_said_of_more_than_half_only(in_band_s: int, said: str) -> None:
    rest_s = 600 - in_band_s
    record = each_second((in_band_s, 130), (rest_s - rest_s // 2, 150), (rest_s // 2, 110))
    assert review(replace(record, duration_s=600.0), BANDS).trained[0] == said


@pytest.mark.parametrize(("source", "advised"), [("strap", True), ("import", False)])
def test_a_ride_from_another_device_is_not_told_to_choose_a_lane(source: str, advised: bool) -> None:
    record = each_second((600, 130))
    it = review(replace(record, facts=replace(record.facts, source=source)), BANDS)
    words = ("There was no target for long enough to judge.", "Choose a lane before you set off.")
    assert it.change == words[: 1 + advised]


def test_a_ride_without_a_target_by_choice_is_not_asked_for_one() -> None:
    record = each_second((600, 130))
    it = review(replace(record, facts=replace(record.facts, target="none")), BANDS)
    assert it.change == ("Ridden without a target, as chosen.",)


@pytest.mark.parametrize(("own_bpm", "near_bpm", "near_s"), [(130, 130, 670), (None, 173, 70), (178, 173, 70)])
def test_near_maximum_is_counted_from_the_riders_own_limit_where_that_is_lower(
    own_bpm: int | None, near_bpm: int, near_s: float
) -> None:
    began = Mark(0.0, "plan", {"digest": "abc", **({} if own_bpm is None else {"near_max_bpm": own_bpm})})
    it = review(with_marks(each_second((600, 130), (70, 175)), began), BANDS)
    assert (it.near_max_bpm, it.near_max_s) == (near_bpm, near_s)


def test_what_is_played_is_reviewed_with_the_limit_that_it_was_played_with() -> None:
    alarms = settings.load_alarms()
    own = replace(alarms, near_max=replace(alarms.near_max, limit_bpm=130))
    rows = [(float(t), Measurement(round(135 + 2 * np.sin(t / 5)))) for t in range(600)]
    for table_of_alarms, near_bpm in ((own, 130), (alarms, 173)):
        it = review(play(Companion(RideFacts(184), BANDS, table_of_alarms, free_plan(None)), rows), BANDS)
        assert it.near_max_bpm == near_bpm
        assert (it.near_max_s > 500) == (near_bpm == 130)


def test_after_a_maximal_test_the_advice_is_none_that_speaks_against_it() -> None:
    record = each_second((600, 130), (70, 180))
    facts = replace(record.facts, plan=TEST_PLAN)
    doctor, lane = review(replace(record, facts=facts), BANDS).change
    assert doctor.startswith("Pain, dizziness or an odd rhythm? See a doctor before you ride.")
    assert lane == "Ridden without a target, as a maximal test is."
    assert review(replace(each_second((600, 130)), facts=facts), BANDS).change == (lane,)


def test_too_low_a_ride_is_offered_a_lower_lane() -> None:
    it = review(with_marks(each_second((600, 110)), target(0, 120, 138)), BANDS)
    assert "lower lane" in it.change[1]


def test_compare_counts_departures_and_sounds_and_what_moved() -> None:
    before = [alarm(10, "above_target"), alarm(30, "above_target", reminder=1), alarm(40, "above_target", on=False)]
    before += [alarm(100, "above_target"), alarm(200, "below_target"), Mark(5, "pause")]
    after = [alarm(12, "above_target"), alarm(300, "near_max")]
    after += [alarm(99.5, "above_target")]
    change = compare(before, after)
    assert {kind: (one.before_s, one.after_s) for kind, one in change.items()} == {
        "above_target": ((10, 100), (12, 99.5)),
        "below_target": ((200,), ()),
        "near_max": ((), (300,)),
    }
    assert {kind: (one.before_sounds, one.after_sounds, one.moved) for kind, one in change.items()} == {
        "above_target": (3, 2, 1),
        "below_target": (1, 0, 0),
        "near_max": (0, 1, 1),
    }


def test_a_review_travels_between_processes() -> None:
    it = review(each_second((100, 130)), BANDS)
    again = pickle.loads(pickle.dumps(it))
    assert isinstance(again, Review)
    assert again == it


def test_a_heart_that_stays_on_the_limit_has_not_answered() -> None:
    """The alarm counts fractions of a beat, and so must the answer."""
    bands = table(settings.load_scheme("seven"), 184, 50)
    companion = Companion(RideFacts(184, 50, "seven", target="3"), bands, settings.load_alarms(), free_plan("3"))
    t_s, rows = 0.0, []
    while t_s < 600:
        bpm = np.interp(t_s, [280, 300, 500, 520], [130, 138.4, 138.4, 130]) + 0.2 * np.sin(t_s / 9)
        t_s += 60 / float(bpm)
        rows.append((t_s, Measurement(round(bpm), (60000 / float(bpm),))))
    (above,) = [one for one in review(play(companion, rows), bands, "female").alarms if one.kind == "above_target"]
    assert above.reminders >= 2
    assert above.answered_s is not None
    assert above.answered_s > 180


def test_a_played_ride_reviews_as_it_was_ridden() -> None:
    """Through the real companion: its marks and samples are the words that the review reads."""
    bands = table(settings.load_scheme("seven"), 184, 50)
    facts = RideFacts(184, 50, "seven", target="3")
    companion = Companion(facts, bands, settings.load_alarms(), free_plan("3"))
    # Never still: a reading that stands still for long is taken for a stuck one.
    t = np.arange(600)
    heart = np.interp(t, [300, 320, 380, 400], [130, 150, 150, 130]) + 2 * np.sin(t / 5)
    rows = [(float(t), Measurement(round(bpm))) for t, bpm in enumerate(heart) if not 500 <= t < 530]
    it = review(play(companion, rows), bands, "female")
    (above,) = [one for one in it.alarms if one.kind == "above_target"]
    over_s, back_s = 309, 392  # where the heart crosses 138 bpm, on its way up and down
    assert over_s < above.t_s < over_s + 15
    assert above.answered_s == pytest.approx(back_s - above.t_s, abs=6)
    assert it.above_target_s == pytest.approx(back_s - over_s, abs=8)
    assert 20 < it.unknown_s < 40
    assert [one.kind for one in it.alarms if one.kind == "no_signal"] == ["no_signal"]
    assert it.load is not None
