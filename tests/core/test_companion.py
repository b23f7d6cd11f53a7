"""The companion: one ride, event by event. The same events give the same ride, whoever feeds them and how finely."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware_app import settings
from firmware_app.core import bands
from firmware_app.core.companion import Companion, play
from firmware_app.core.events import (
    BadPacket,
    Battery,
    Effect,
    Event,
    Fault,
    Hush,
    Link,
    Mark,
    Notice,
    Off,
    Press,
    Sample,
    Sound,
    Tick,
    WallClock,
)
from firmware_app.core.lookout import STALE_S, TICK_S
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import Collector, RideFacts, events_of
from firmware_app.core.session import Ends, Plan, Step, free_plan, parse_arrival
from firmware_app.core.views import TAIL_S

HR_MAX_BPM = 190
Rows = list[tuple[float, Event]]


def companion(target: str | None = "120-140bpm", plan: Plan | None = None) -> Companion:
    table = bands.table(settings.load_scheme("seven"), HR_MAX_BPM)
    facts = RideFacts(hr_max_bpm=HR_MAX_BPM, target=target or "")
    return Companion(facts, table, settings.load_alarms(), plan or free_plan(target))


def beating(bpms: Iterable[float], from_s: float = 0.0) -> Rows:
    """A notification a second with the beats of that second, each RR interval a little off."""
    rows: Rows = []
    beat_s = t_s = from_s
    wobble = 0
    for bpm in bpms:
        t_s += 1.0
        rrs = []
        while beat_s + 60 / bpm <= t_s:
            wobble = (wobble * 31 + 7) % 101
            rr_s = 60 / bpm * (1 + 0.0002 * (wobble - 50))
            beat_s += rr_s
            rrs.append(rr_s * 1000)
        rows.append((t_s, Measurement(round(bpm), tuple(rrs))))
    return rows


def feed(one: Companion, rows: Iterable[tuple[float, Event]]) -> list[Effect]:
    return [effect for t_s, event in rows for effect in one.feed(event, t_s)]


def marks(effects: Iterable[Effect], kind: str) -> list[Mark]:
    return [effect for effect in effects if isinstance(effect, Mark) and effect.kind == kind]


def sounds(effects: Iterable[Effect], kind: str) -> list[Sound]:
    return [effect for effect in effects if isinstance(effect, Sound) and effect.kind == kind]


# --- the same events, the same ride ---------------------------------------------------------------------------------


EVENTS = st.one_of(
    st.builds(
        Measurement,
        st.none() | st.integers(0, 300),
        st.lists(st.floats(200, 2000), max_size=4).map(tuple),
        st.sampled_from([None, True, False]),
    ),
    st.builds(Press, st.sampled_from(["minus", "select", "plus"]), st.sampled_from(["short", "repeat"])),
    st.builds(Link, st.sampled_from(["off", "searching", "connecting", "connected", "lost"]), st.text(max_size=5)),
    st.builds(Battery, st.sampled_from(["strap", "unit"]), st.integers(0, 100)),
    st.builds(Fault, st.sampled_from(["storage", "power", "panel"]), st.text(max_size=5), st.booleans()),
    st.builds(BadPacket, st.just("cut off")),
    st.builds(WallClock, st.floats(0, 2e9)),
)


@examples(max_examples=60)
@given(
    events=st.lists(st.tuples(st.floats(0, 20).map(lambda s: round(s, 3)), EVENTS), max_size=40),
    extra=st.lists(st.floats(0, 400), max_size=60),
)
def test_however_time_is_split_into_ticks_the_ride_is_the_same(
    events: list[tuple[float, Event]], extra: list[float]
) -> None:
    at_s = 0.0
    rows: Rows = beating([130] * 20)
    for wait_s, event in events:
        at_s = (at_s or 20.0) + wait_s
        rows.append((at_s, event))
    # No longer apart than what counts as a sleep, after which not every sound goes out.
    awake = [(t_s, Tick()) for t_s in np.arange(0.0, rows[-1][0], STALE_S).tolist()]
    rows = sorted([*rows, *awake], key=lambda row: row[0])
    finer = sorted([*rows, *((t_s, Tick()) for t_s in extra if t_s <= rows[-1][0])], key=lambda row: row[0])
    coarse_one, fine_one, again = companion(), companion(), companion()
    coarse, fine = feed(coarse_one, rows), feed(fine_one, finer)
    assert coarse == feed(again, rows)
    kept = (Mark, Sample, Sound, Notice)
    assert [e for e in coarse if isinstance(e, kept)] == [e for e in fine if isinstance(e, kept)]
    assert coarse_one.view() == fine_one.view()


@examples(max_examples=60)
@given(st.lists(st.tuples(st.floats(-5, 20), EVENTS), max_size=40))
def test_no_event_breaks_a_ride_and_its_time_never_goes_back(events: list[tuple[float, Event]]) -> None:
    one = companion()
    at_s, effects = 0.0, []
    for wait_s, event in events:
        at_s += wait_s
        effects += one.feed(event, at_s)
        view = one.view()
        assert len(view.tail_bpm) == TAIL_S
        assert not (view.near_max and view.word == "lift")
    times = [e.t_s for e in effects if isinstance(e, Mark | Sample)]
    assert times == sorted(times)


def test_what_is_played_is_what_is_fed() -> None:
    rows = beating([130] * 60 + [130 + t for t in range(25)] + [155] * 35)
    record = play(companion(), rows)
    fed = feed(companion(), rows)
    assert [m for m in record.marks if m.kind not in ("plan", "end")] == [e for e in fed if isinstance(e, Mark)]
    assert record.duration_s == 120
    assert len(record.t_s) == 120
    assert np.isfinite(record.trusted_bpm[10:]).all()
    assert record.marks[-1].kind == "end"


# --- what is marked -------------------------------------------------------------------------------------------------


def test_a_ride_opens_with_its_step_and_its_target() -> None:
    opening = feed(companion(), [(0.0, Tick())])
    [step], [target] = marks(opening, "step"), marks(opening, "target")
    assert step.detail["why"] == "start"
    assert (target.detail["low_bpm"], target.detail["high_bpm"]) == (120, 140)
    [none] = marks(feed(companion(None), [(0.0, Tick())]), "target")
    assert (none.detail["low_bpm"], none.detail["high_bpm"]) == (None, None)


def test_a_gap_is_marked_with_where_it_began() -> None:
    one = companion()
    feed(one, beating([130] * 30))
    effects = feed(one, beating([130] * 30, from_s=60))
    [gap] = marks(effects, "gap")
    assert 29 <= gap.detail["from_s"] <= 30  # type: ignore[operator]
    assert 61 <= gap.t_s <= 66


def test_a_gap_that_lasts_to_the_end_is_marked_there() -> None:
    one = companion()
    feed(one, [*beating([130] * 30), (80.0, Tick())])
    [gap] = marks(one.end(80.0), "gap")
    assert gap.t_s == 80
    one = companion()
    feed(one, [(50.0, Tick())])
    [gap] = marks(one.end(50.0), "gap")
    assert gap.detail["from_s"] == 0


def test_presses_faults_links_and_the_clock_are_marked() -> None:
    rows: Rows = [
        (1.0, Press("plus")),
        (2.0, Link("connected")),
        (2.5, Link("connected")),
        (3.0, Link("lost", "Out of reach.")),
        (4.0, Fault("storage", "Card full.")),
        (5.0, Fault("storage", "Card works.", active=False)),
        (6.0, WallClock(1_800_000_000.0)),
    ]
    effects = feed(companion(), rows)
    assert [m.detail["key"] for m in marks(effects, "press")] == ["plus"]
    assert [(m.t_s, m.detail["state"]) for m in marks(effects, "link")] == [(2.0, "connected"), (3.0, "lost")]
    assert [m.detail["active"] for m in marks(effects, "fault")] == [True, False]
    assert [(m.t_s, m.detail["unix_s"]) for m in marks(effects, "clock")] == [(6.0, 1_800_000_000.0)]
    notices = [effect.text for effect in effects if isinstance(effect, Notice)]
    assert notices == ["Out of reach.", "Card full.", "Card works."]


def test_bad_packets_are_counted_and_told_at_the_end() -> None:
    one = companion()
    feed(one, [(float(i), BadPacket("2 bytes")) for i in range(7)])
    [end] = marks(one.end(8.0), "end")
    assert end.detail["bad_packets"] == 7


def test_nothing_is_taken_after_the_end() -> None:
    one = companion()
    feed(one, beating([130] * 10))
    assert one.feed(Press("select", "long"), 11.0)
    assert one.ended
    assert feed(one, [*beating([190] * 60, from_s=12), (80.0, Press("select")), (81.0, WallClock(1.0))]) == []
    assert one.end(90.0) == one.pause(90.0) == one.resume(90.0) == ()


# --- pausing --------------------------------------------------------------------------------------------------------


def test_ridden_and_paused_time_add_up() -> None:
    one = companion()
    for t_s, event in [(100.0, Press("select")), (160.0, Press("select")), (200.0, Press("select"))]:
        one.feed(event, t_s)
    assert one.paused
    assert one.paused_s(230.0) == 30
    assert one.ridden_s(230.0) == 140
    one.feed(Press("select"), 230.0)
    assert one.ridden_s(250.0) == 160
    assert one.view().elapsed == "2:20"


def test_while_paused_the_lane_is_not_watched_and_near_maximum_is() -> None:
    one = companion()
    feed(one, beating([130] * 60))
    one.feed(Press("select"), 60.5)
    effects = feed(one, beating([100] * 120 + [186] * 60, from_s=61))
    assert sounds(effects, "below_target") == sounds(effects, "above_target") == []
    assert sounds(effects, "near_max")


def test_the_plan_stands_still_while_the_rider_does() -> None:
    plan = Plan("p", "P", "", "", (Step("One", "120-140bpm", Ends(60)), Step("Two", None, Ends(60))))
    one = companion(plan=plan)
    effects = feed(one, [(30.0, Press("select")), (500.0, Press("select")), (600.0, Tick())])
    assert [(m.detail["name"], m.t_s) for m in marks(effects, "step")] == [("One", 0), ("Two", 530), ("", 590)]


# --- sleep, and power that fails ------------------------------------------------------------------------------------


def test_after_a_sleep_one_sound_tells_how_it_is_now_and_the_log_all_of_it() -> None:
    plan = Plan("p", "P", "", "", tuple(Step(f"{n}", "120-140bpm", Ends(60)) for n in range(20)))
    awake, asleep = companion(plan=plan), companion(plan=plan)
    rows = beating([130] * 50)
    feed(awake, rows)
    feed(asleep, rows)
    all_along = feed(awake, [(50 + t / 4, Tick()) for t in range(4 * 610)])
    at_once = asleep.feed(Tick(), 50 + 609.75)
    assert marks(at_once, "step") == marks(all_along, "step") != []
    due = [(mark.t_s, {**mark.detail, "heard": ""}) for mark in marks(all_along, "alarm")]
    assert [(mark.t_s, {**mark.detail, "heard": ""}) for mark in marks(at_once, "alarm")] == due
    assert marks(at_once, "slept") == [Mark(659.75, "slept", {"from_s": 50.0})]
    assert [sound.kind for sound in at_once if isinstance(sound, Sound)] == ["no_signal"]
    assert [mark.detail["kind"] for mark in marks(at_once, "alarm") if mark.detail["heard"]] == ["no_signal"]
    assert len([sound for sound in all_along if isinstance(sound, Sound)]) > 1
    assert marks(all_along, "slept") == []


def test_after_a_sleep_nothing_sounds_that_is_over() -> None:
    one = companion()
    feed(one, beating([130] * 60 + [182] * 30))
    assert one.view().near_max
    effects = one.feed(Tick(), 8 * 3600.0)
    assert any(m.detail["kind"] == "near_max" for m in marks(effects, "alarm"))
    assert not one.view().near_max
    assert sounds(effects, "near_max") == []


def test_a_ride_with_a_sleep_and_a_gap_in_it_is_played_back_as_it_was() -> None:
    """In the gap the unit was awake, and what it told was heard; of the sleep only the last was, on waking."""
    rows = beating([130] * 60) + [(60 + t / 4, Tick()) for t in range(4 * 90)]
    rows += [(600.0 + t_s, event) for t_s, event in beating([130] * 30)]
    kept = Collector(RideFacts(200))
    one = companion()
    for t_s, event in rows:
        kept.take(one.feed(event, t_s))
    kept.take(one.feed(Press("select"), 700.0))
    kept.take(one.end(701.0))
    ridden = kept.record(701.0)
    again = play(companion(), events_of(ridden))
    alarms = [mark for mark in ridden.marks if mark.kind in ("alarm", "slept")]
    assert [mark for mark in again.marks if mark.kind in ("alarm", "slept")] == alarms
    told = [mark.detail["heard"] for mark in alarms if mark.kind == "alarm" and mark.t_s < 150 and mark.detail["on"]]
    asleep = [mark.detail["heard"] for mark in alarms if mark.kind == "alarm" and 150 < mark.t_s < 601]
    assert set(told) == {True}
    assert asleep == [False, True]
    assert [mark.t_s for mark in alarms if mark.kind == "slept"] == [601.0, 700.0]


def test_a_ride_whose_beats_waited_while_it_was_taken_up_is_played_back_as_it_was() -> None:
    kept = Collector(RideFacts(200))
    one = companion()
    for t_s, event in beating([130] * 60):
        kept.take(one.feed(event, t_s))
    kept.take(one.feed(Off(60.0), 100.0))
    waited = [(100 + t_s, event) for t_s, event in beating([185] * 15 + [120] * 25)]
    late = [effect for t_s, event in waited for effect in one.feed(event, t_s)]
    one.woke(100.0, 140.0, late)
    kept.take(tuple(late))
    kept.take(one.end(145.0))
    ridden = kept.record(145.0)
    alarms = [mark for mark in ridden.marks if mark.kind in ("alarm", "slept")]
    assert {mark.detail["heard"] for mark in alarms if mark.kind == "alarm" and mark.t_s > 100} == {False}
    again = play(companion(), events_of(ridden))
    assert [mark for mark in again.marks if mark.kind in ("alarm", "slept")] == alarms


def test_what_falls_due_as_the_unit_goes_off_is_not_said_to_have_been_heard() -> None:
    one = companion()
    feed(one, beating([130] * 30))
    effects = one.feed(Off(60.0), 630.0)
    assert {m.detail["heard"] for m in marks(effects, "alarm")} == {False}
    assert not [effect for effect in effects if isinstance(effect, Sound)]


def test_a_recording_of_weeks_is_not_stepped_through() -> None:
    assert [mark.t_s for mark in play(companion(), [(10.0, Tick()), (1e9, Tick())]).marks if mark.kind == "slept"]


def test_a_sleep_of_weeks_is_not_stepped_through() -> None:
    one = companion(plan=Plan("p", "P", "", "", (Step("One", "120-140bpm", Ends(60)), Step("Two", None, Ends(60)))))
    effects = feed(one, [(10.0, Tick()), (1e9, Tick())])  # would take hours
    assert [m.detail["name"] for m in marks(effects, "step")] == ["One", "Two", ""]


def test_while_the_unit_was_off_the_plan_stood_still_and_nothing_was_told() -> None:
    plan = Plan("p", "P", "", "", (Step("One", "120-140bpm", Ends(60)), Step("Two", None, Ends(60))))
    one = companion(plan=plan)
    feed(one, beating([130] * 30))
    effects = one.feed(Off(30.0), 630.0)
    assert [(m.kind, m.t_s, m.detail["why"]) for m in effects if isinstance(m, Mark)] == [
        ("pause", 30.0, "cut"), ("resume", 630.0, "cut"),
    ]  # fmt: skip
    assert len(effects) == 2
    assert one.ridden_s(630.0) == 30
    assert [m.t_s for m in marks(feed(one, [(661.0, Tick())]), "step")] == [660.0]


def test_a_ride_that_was_paused_when_the_unit_went_off_still_is() -> None:
    one = companion()
    feed(one, [(20.0, Press("select"))])
    assert marks(one.feed(Off(40.0), 400.0), "off") == [Mark(400.0, "off", {"from_s": 40.0})]
    assert one.paused
    assert one.ridden_s(400.0) == 20


# --- alarms on the ride ---------------------------------------------------------------------------------------------


def test_a_heart_over_the_lane_is_told_and_told_when_it_is_back() -> None:
    effects = feed(companion(), beating([130] * 60 + [150] * 20 + [132] * 60))
    assert len(sounds(effects, "above_target")) == 1
    assert len(sounds(effects, "back_in_target")) == 1


def test_a_start_under_the_lane_has_the_time_that_the_heart_needs() -> None:
    effects = feed(companion(), beating([min(90 + 0.4 * t, 130) for t in range(180)]))
    assert sounds(effects, "below_target") == []


def test_a_rider_who_never_starts_is_told() -> None:
    assert sounds(feed(companion(), beating([90] * 400)), "below_target")


def test_near_maximum_is_sounded_every_ten_seconds_and_seen() -> None:
    one = companion()
    effects = feed(one, beating([170] * 30 + [182] * 60))
    times = [m.t_s for m in marks(effects, "alarm") if m.detail["kind"] == "near_max"]
    assert len(times) >= 4
    assert 30 + 14 <= times[0] <= 30 + 25
    assert all(later - earlier == 10 for earlier, later in pairwise(times))
    view = one.view()
    assert (view.near_max, view.word) == (True, "ease")


def test_a_number_that_stood_still_and_leaps_near_maximum_is_told_within_seconds() -> None:
    """The strap said 150 while the heart went on; that it was near maximum all the time is the safe thing to take."""
    numbers = [140 + s // 6 for s in range(60)] + [150] * 32 + [181, 182, 183, 182] * 4
    effects = feed(companion(None), [(float(s), Measurement(bpm)) for s, bpm in enumerate(numbers)])
    (near_max,) = (mark.t_s for mark in marks(effects, "alarm") if mark.detail["kind"] == "near_max")
    assert near_max <= 92 + 10


@pytest.mark.parametrize("press", [Press("minus"), Press("select")])
def test_no_key_cuts_the_sound_of_near_maximum_short(press: Press) -> None:
    one = companion()
    effects = feed(one, beating([182] * 40))
    assert sounds(effects, "near_max")
    assert not any(isinstance(effect, Hush) for effect in one.feed(press, 40.1))


def test_a_key_cuts_any_other_sound_short() -> None:
    one = companion()
    assert sounds(feed(one, beating([130] * 60 + [150] * 20)), "above_target")
    assert any(isinstance(effect, Hush) for effect in one.feed(Press("minus"), 80.1))
    assert one.view().muted == "2:00"


# A frozen interval, once and twice, the pedals, half of the heart.
@pytest.mark.parametrize("rr_ms", [(1000.0,), (1000.0, 1000.0), (750.0,), (674.0,)])
def test_nothing_asks_for_more_by_intervals_that_the_strap_itself_denies(rr_ms: tuple[float, ...]) -> None:
    rest = Step("rest", None, Ends(600, arrival=parse_arrival("below 65%")))
    plan = Plan("p", "P", "", "", (Step("easy", "120-140bpm", Ends(300)), rest, Step("hard", "5", Ends(600))))
    ride = companion(plan=plan)
    rows: Rows = [(t_s, Measurement(178 + round(t_s) % 2, rr_ms)) for t_s in np.arange(1.0, 860.0).tolist()]
    words, told = set(), list[Effect]()
    for t_s, event in rows:
        told += ride.feed(event, t_s)
        words.add(ride.view().word)
    assert not sounds(told, "below_target")
    assert sounds(told, "poor_contact")
    assert "lift" not in words
    assert [mark.detail["name"] for mark in marks(told, "step")] == ["easy", "rest"]


@pytest.mark.parametrize(("bpm", "word"), [(105, "lift"), (150, "ease")])
def test_without_a_heart_rate_the_page_says_neither_lift_nor_ease(bpm: int, word: str) -> None:
    one = companion()
    feed(one, beating([130] * 60 + [bpm] * 90))
    assert one.view().word == word
    feed(one, [(150.0 + step / 4, Tick()) for step in range(1, 400)])
    view = one.view()
    assert (view.percent, view.side, view.word, view.signal) == (None, 0, "", "none")


@examples(max_examples=40)
@given(
    st.lists(st.tuples(st.integers(80, 205), st.integers(5, 60)), min_size=1, max_size=8),
    st.integers(100, 189),
)
def test_the_page_never_urges_near_maximum_and_agrees_with_the_bands(
    stretches: list[tuple[int, int]], low_bpm: int
) -> None:
    one = companion(f"{low_bpm}-{HR_MAX_BPM}bpm")
    table = bands.table(settings.load_scheme("seven"), HR_MAX_BPM)
    near = False
    for t_s, event in beating([bpm for bpm, lasts in stretches for _ in range(lasts)]):
        for effect in one.feed(event, t_s):
            if isinstance(effect, Mark) and effect.kind == "alarm" and effect.detail["kind"] == "near_max":
                near = bool(effect.detail["on"])
            elif isinstance(effect, Sound) and near:
                assert effect.kind == "near_max"
        view = one.view()
        assert view.near_max == near
        assert not (near and (view.word != "ease" or view.side < 0))
        if view.hr_bpm is None:
            assert (view.percent, view.band, view.band_name, view.signal) == (None, None, "", "none")
        else:
            band = table.band_of(view.hr_bpm)
            assert (view.band, view.band_name) == (band.number, band.name)
            assert view.percent is not None
            limits = (bands.limit_bpm("percent_of_maximum", view.percent + n, HR_MAX_BPM, None) for n in (0, 1))
            assert next(limits) <= view.hr_bpm < next(limits)


def test_the_page_shows_what_is_wrong_and_for_how_long_it_is_silent() -> None:
    one = companion()
    feed(one, [*beating([130] * 20), (21.0, Fault("storage", "Card full."))])
    assert one.view().notice == "Card full."
    one.feed(Fault("storage", "Card works.", active=False), 22.0)
    one.feed(Tick(), 22.5)
    assert one.view().notice == ""
    one.feed(Link("lost", "Out of reach."), 23.0)
    assert one.view().notice == "Out of reach."
    one.feed(Link("connected"), 24.0)
    one.feed(Tick(), 40.0)
    assert "strap" in one.view().notice.lower()
    assert one.view().hr_bpm is None


def test_what_has_been_missing_all_along_hides_nothing_that_is_lost_now() -> None:
    one = companion()
    feed(one, [(0.1, Fault("sounder", "No sounder.")), (0.2, Link("connected")), *beating([130] * 20)])
    assert one.view().notice == "No sounder."
    one.feed(Tick(), 40.0)
    assert "strap" in one.view().notice.lower()
    one.feed(Link("lost", "Out of reach."), 41.0)
    assert one.view().notice == "Out of reach."
    one.feed(Fault("storage", "Card full."), 42.0)
    one.feed(Fault("touch", "No touch."), 43.0)
    assert one.view().notice == "Card full."


def test_the_tail_is_the_last_half_minute_newest_last() -> None:
    one = companion()
    feed(one, beating([130] * 60 + [130 + t for t in range(15)]))
    tail = one.view().tail_bpm
    assert len(tail) == TAIL_S
    assert None not in tail
    assert tail[-1] - tail[0] > 8  # type: ignore[operator]


def test_the_tail_of_a_strap_that_sends_five_a_second_is_as_long() -> None:
    one = companion()
    feed(one, [(n / 5, Measurement(130, (460.0,) if n % 2 else ())) for n in range(300)])
    assert None not in one.view().tail_bpm


@pytest.mark.parametrize(
    ("bpms", "lost_s", "word"),
    [
        ([150 - 2 * max(t - 60, 0) for t in range(75)], 0, "ease"),
        ([105 + max(t - 90, 0) for t in range(120)], 0, "lift"),
        ([150] * 60 + [129] * 20, 12, "ease"),  # lost over the lane, and found well inside
    ],
)
def test_no_word_stands_where_the_whole_beat_is_inside_the_lane_again(bpms: list[int], lost_s: int, word: str) -> None:
    one = companion()
    views = []
    for t_s, event in beating([130] * 60 + bpms):
        if not 120 < t_s <= 120 + lost_s:
            one.feed(event, t_s)
            views.append(one.view())
    assert {view.word for view in views} == {"", word}
    inside = [view for view in views if view.hr_bpm is not None and 120 < view.hr_bpm < 140]
    assert {(view.side, view.word) for view in inside} == {(0, "")}


def test_a_word_stands_on_while_the_whole_beat_is_the_limit_s() -> None:
    one = companion()
    feed(one, beating([130] * 60 + [150] * 40 + [150 - t / 2 for t in range(20)] + [140.3] * 5))
    view = one.view()
    assert (view.hr_bpm, view.side, view.word) == (140, 1, "ease")


def test_what_is_stored_is_the_whole_beat_that_the_page_shows() -> None:
    one = companion()
    table = bands.table(settings.load_scheme("seven"), HR_MAX_BPM)
    edge_bpm = table.low_bpm(3) - 0.5
    shown = []
    for t_s, event in beating([edge_bpm + 2 * np.sin(t / 40) for t in range(3000)]):
        stored = [effect.trusted_bpm for effect in one.feed(event, t_s) if isinstance(effect, Sample)]
        if stored[0] is not None:
            page = one.view()
            shown.append(page.hr_bpm)
            assert (page.hr_bpm, page.band) == (bands.whole_bpm(stored[0]), table.band_of(stored[0]).number)
    assert len(set(shown)) > 3


def test_a_stale_heart_rate_leaves_the_page_and_the_alarms() -> None:
    one = companion()
    feed(one, beating([150] * 60))
    feed(one, [(60 + TICK_S * i, Tick()) for i in range(1, 40)])
    assert one.view().hr_bpm is None
    assert one.trusted_bpm is None


@pytest.mark.parametrize("bpm", [60, 100, 150])
def test_a_clean_strap_that_reports_every_two_seconds_is_not_called_poor(bpm: int) -> None:
    one = companion()
    effects = feed(one, [(2.0 * (n + 1), Measurement(bpm + n % 2)) for n in range(60)])
    assert not [sound for sound in effects if isinstance(sound, Sound) and sound.kind in ("poor_contact", "no_signal")]


@pytest.mark.parametrize("apart_s", [[3], [5], [1, 1, 4, 1, 7, 2]])
def test_a_recording_with_a_row_every_few_seconds_is_read_as_one_ride(apart_s: list[int]) -> None:
    """Some recordings thin a ride out, or hold a row only where the number changed."""
    rows: Rows = []
    t_s = 0.0
    while t_s < 1200:
        t_s += apart_s[len(rows) % len(apart_s)]
        rows.append((t_s, Measurement(round(136 - 12 * np.cos(t_s / 60)))))
    found = play(companion(), rows)
    alarms = [mark for mark in found.marks if mark.kind == "alarm" and mark.t_s > 40 and mark.detail["on"]]
    told = [mark.detail["kind"] for mark in alarms if not mark.detail["reminder"]]
    assert told == ["above_target", "back_in_target"] * 3
    assert np.isfinite(found.trusted_bpm[found.t_s > 40]).mean() > 0.97


def test_a_strap_that_reports_seldom_and_stops_is_gone_within_seconds_all_the_same() -> None:
    one = companion()
    feed(one, [(5.0 * i, Measurement(130 + i % 3)) for i in range(1, 40)])
    assert one.trusted_bpm is not None
    feed(one, [(195.0 + 13.0, Tick())])
    assert one.trusted_bpm is None


def test_one_drop_out_makes_no_number_of_a_strap_last_longer() -> None:
    one = companion()
    feed(one, [*beating([130] * 60), *beating([130] * 20, from_s=100.0)])
    assert one.trusted_bpm is not None
    feed(one, [(120.0 + 5.0, Tick())])
    assert one.trusted_bpm is None


def lag_ride(offset_s: float) -> Rows:
    """A heart that answers a step at 300 s and a resume at 700 s as hearts do: not at all, then over a minute."""
    rows: Rows = []
    hr_bpm, t_s, wobble = 110.0, offset_s, 0
    while t_s < 800:
        goal_bpm = 110.0 if t_s < 310 else 148.0 if t_s < 600 else 112.0 if t_s < 710 else 148.0
        hr_bpm += (goal_bpm - hr_bpm) * 0.5 / 60
        wobble = (wobble * 31 + 7) % 101
        shown_bpm = hr_bpm + 0.03 * (wobble - 50)
        t_s += 60 / shown_bpm
        rows.append((t_s, Measurement(round(shown_bpm), (60000 / shown_bpm,))))
    return rows


@pytest.mark.parametrize("offset_s", [0.0, 0.1, 0.25, 0.4])
@pytest.mark.parametrize("lanes", [("100-120bpm", "138-158bpm"), ("100-120bpm", "80-95bpm")])
def test_a_new_lane_scolds_no_heart_that_is_on_its_way(offset_s: float, lanes: tuple[str, str]) -> None:
    """Neither at the step, nor when riding goes on after a pause in which the heart came down."""
    plan = Plan("two", "Two", "", "", (Step("One", lanes[0], Ends(300)), Step("Two", lanes[1], Ends(3000))))
    ride = companion(plan=plan)
    up = lanes[1].startswith("138")
    rows = [(t_s, event) for t_s, event in lag_ride(offset_s) if up or t_s < 320]
    out = feed(ride, [row for row in rows if row[0] < 600])
    if up:
        ride.pause(600.0)
        out += feed(ride, [row for row in rows if 600 <= row[0] < 700])
        out += list(ride.resume(700.0))
        out += feed(ride, [row for row in rows if row[0] >= 700])
    told = [(mark.t_s, mark.detail["kind"]) for mark in marks(out, "alarm")]
    assert [(t_s, kind) for t_s, kind in told if kind in ("above_target", "below_target")] == []
