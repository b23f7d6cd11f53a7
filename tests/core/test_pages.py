"""The pages: three keys lead everywhere and nothing traps."""

from __future__ import annotations

from collections.abc import Iterable
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware_app import settings
from firmware_app.core import bands, pages
from firmware_app.core.companion import Companion, play
from firmware_app.core.events import Link, Measurement, Press, Tick
from firmware_app.core.record import RideFacts
from firmware_app.core.review import review
from firmware_app.core.session import Ends, Plan, Step, free_plan
from firmware_app.core.times import rounded_time
from firmware_app.core.views import (
    FaultView,
    FindingView,
    HomeView,
    ListView,
    PausedView,
    RideView,
    StepView,
    SummaryView,
)

LANES = tuple(pages.Lane(str(n), f"{n} Band", f"{100 + 10 * n}-{109 + 10 * n}") for n in range(1, 8))
PLANS = (pages.PlanChoice("hills", "Hills", "50:00"), pages.PlanChoice("easy", "Easy", "1:00:00"))
STRAPS = (("A", "Nearest", "-50 dBm"), ("B", "", "-60 dBm"), ("C", "Far", "-90 dBm"))

MINUS, SELECT, PLUS = Press("minus"), Press("select"), Press("plus")
BACK = Press("select", "long")
PRESSES = st.builds(Press, st.sampled_from(["minus", "select", "plus"]), st.sampled_from(["short", "long", "repeat"]))


def at(page: pages.Page, *, plans: tuple[pages.PlanChoice, ...] = PLANS, **fields: object) -> pages.Pages:
    return pages.Pages(lanes=LANES, plans=plans, hr_max="188", page=page, **fields)  # type: ignore[arg-type]


def press(one: pages.Pages, presses: Iterable[Press]) -> list[pages.Order]:
    return [order for each in presses for order in one.press(each)]


def seen(one: pages.Pages) -> type:
    return type(one.view(None, 0.0))


# --- the ways --------------------------------------------------------------------------------------------------------


WAYS: dict[str, tuple[list[Press], type]] = {
    "home": ([SELECT], HomeView),
    "plans": ([SELECT, Press("plus", "long")], ListView),
    "settings": ([SELECT, Press("minus", "long")], ListView),
    "straps": ([SELECT, Press("minus", "long"), PLUS, PLUS, PLUS, SELECT], ListView),
    "faults": ([SELECT, Press("minus", "long"), PLUS, PLUS, PLUS, PLUS, PLUS, SELECT], FaultView),
}


def test_the_ways_lead_to_every_page_that_is_there_from_the_start() -> None:
    # The others come by themselves: at the start, with a ride, after one, and when one was cut.
    assert set(get_args(pages.Page)) == {*WAYS, "finding", "ride", "summary", "offer"}


@pytest.mark.parametrize("page", list(WAYS))
def test_every_page_can_be_reached_from_the_start(page: str) -> None:
    one = at("finding")
    assert seen(one) is FindingView
    way, view = WAYS[page]
    press(one, way)
    assert one.page == page
    assert seen(one) is view


def test_a_cut_ride_is_offered_before_home_and_can_be_refused() -> None:
    one = at("finding", offered="A ride of 20:00 was cut 1:00 ago.")
    one.connected()
    assert one.page == "offer"
    assert "cut" in str(one.view(None, 0.0))
    assert one.press(SELECT) == (pages.GoOn(),)
    press(one, [MINUS])
    assert one.page == "home"
    # One press too many does not throw it away.
    press(one, [Press("minus", "long"), *[PLUS] * 7, SELECT])
    assert one.page == "offer"
    assert one.press(SELECT) == (pages.GoOn(),)


def test_the_strap_itself_ends_the_search_and_nothing_else() -> None:
    one = at("finding")
    one.connected()
    assert one.page == "home"
    press(one, [Press("minus", "long")])
    one.connected()
    assert one.page == "settings"


@examples(max_examples=300)
@given(
    presses=st.lists(PRESSES, max_size=30),
    straps=st.none() | st.integers(0, 3).map(lambda n: STRAPS[:n]),
    plans=st.integers(0, 2).map(lambda n: PLANS[:n]),
    offered=st.sampled_from(["", "A ride was cut."]),
    found_after=st.integers(0, 30),
)
def test_from_anywhere_home_is_near_and_nothing_breaks(
    presses: list[Press],
    straps: tuple[tuple[str, str, str], ...] | None,
    plans: tuple[pages.PlanChoice, ...],
    offered: str,
    found_after: int,
) -> None:
    one = at("finding", plans=plans, offered=offered)
    for number, each in enumerate(presses):
        if number == found_after:
            one.straps = straps
        for order in one.press(each):
            if isinstance(order, pages.TakeStrap):
                assert (order.address, order.name) in {(address, name) for address, name, _ in STRAPS}
            if isinstance(order, pages.Ride):
                assert order.plan in {plan.name for plan in plans} or order.target in {lane.text for lane in LANES}
        view = one.view(None, 0.0)
        if isinstance(view, ListView):
            assert 0 <= view.chosen < max(len(view.rows), 1)
    for each in (BACK, BACK, PLUS, PLUS):
        if one.page == "home":
            break
        one.press(each)
    assert one.page == "home"


# --- what is chosen --------------------------------------------------------------------------------------------------


def test_the_lane_on_the_page_is_the_lane_that_is_ridden() -> None:
    one = at("home")
    for expected in ("1", "2", "3", "4", "5", "6", "7", "7"):
        view = one.view(None, 0.0)
        assert isinstance(view, HomeView)
        assert view.target == f"{expected} Band"
        assert one.press(SELECT) == (pages.Ride(None, expected),)
        one.press(PLUS)
    press(one, [MINUS] * 20)
    assert one.press(SELECT) == (pages.Ride(None, "1"),)


def test_a_plan_is_chosen_shown_ridden_and_left_again() -> None:
    one = at("home", chosen=3)
    press(one, [Press("plus", "long"), PLUS, SELECT])
    view = one.view(None, 0.0)
    assert isinstance(view, HomeView)
    assert (one.page, view.plan, view.target) == ("home", "Easy", "1:00:00")
    assert one.press(SELECT) == (pages.Ride("easy", None),)
    press(one, [PLUS])
    assert one.press(SELECT) == (pages.Ride(None, "4"),)  # as it stood before the plan


def test_a_maximum_that_is_only_a_formula_is_marked_on_every_panel() -> None:
    for caution, shown in (("", "188"), ("Maximum 188 is only an age formula.", "188, formula")):
        view = at("home", caution=caution).view(None, 0.0)
        assert isinstance(view, HomeView)
        assert view.hr_max == shown


def test_what_reaches_a_doctors_limit_is_told_beside_what_is_wrong() -> None:
    lanes = (pages.Lane("3", "3 Band", "120-129"), pages.Lane("4", "4 Band", "130-139", "This lane reaches it."))
    plans = (pages.PlanChoice("hills", "Hills", "50:00", "This plan reaches it."),)
    for chosen, plan, limit in ((0, None, ""), (1, None, "This lane reaches it."), (0, 0, "This plan reaches it.")):
        one = pages.Pages(lanes, plans, "188", chosen=chosen, plan=plan, page="home", faults={"sounder": "No sounder."})
        view = one.view(None, 0.0)
        assert isinstance(view, HomeView)
        assert (view.limit, view.notice) == (limit, "No sounder.")


@pytest.mark.parametrize(
    ("lane", "shown"),
    [
        (pages.Lane("120-144bpm", "120-144bpm", "120-144"), ""),
        (pages.Lane("120 - 144 bpm", "120 - 144 bpm", "120-144"), ""),
        (pages.Lane("0-120bpm", "0-120bpm", "under 120"), "under 120"),
        (pages.Lane("70-80%", "70-80%", "132-150"), "132-150"),
        (pages.Lane("3", "3 Band", "130-139"), "130-139"),
    ],
)
def test_the_lane_in_bpm_is_shown_where_the_target_does_not_say_it(lane: pages.Lane, shown: str) -> None:
    view = pages.Pages((lane,), (), "188", page="home").view(None, 0.0)
    assert isinstance(view, HomeView)
    assert (view.target, view.lane) == (lane.name, shown)


def test_without_a_chosen_strap_home_says_where_to_choose_one() -> None:
    one = at("home", link=Link("off", "no strap chosen: run rumblestrip pair"))
    view = one.view(None, 0.0)
    assert isinstance(view, HomeView)
    assert view.strap == "no strap: hold - for settings"
    press(one, [Press("minus", "long")])
    view = one.view(None, 0.0)
    assert isinstance(view, ListView)
    assert ("Strap", "none chosen") in view.rows


@pytest.mark.parametrize(("key", "other"), [("plus", "minus"), ("minus", "plus")])
def test_the_key_that_opens_a_list_does_not_run_on_in_it(key: str, other: str) -> None:
    one = at("home")
    press(one, [Press(key, "long"), *[Press(key, "repeat")] * 5])  # type: ignore[arg-type]
    view = one.view(None, 0.0)
    assert isinstance(view, ListView)
    assert view.chosen == 0
    # Let go and held down again it moves.
    press(one, [Press("plus", "long"), Press("plus", "repeat")])
    view = one.view(None, 0.0)
    assert isinstance(view, ListView)
    assert view.chosen > 0


def test_a_paused_lane_without_a_low_limit_is_called_under() -> None:
    table = bands.table(settings.load_scheme("seven"), 188)
    ride = Companion(RideFacts(hr_max_bpm=188), table, settings.load_alarms(), free_plan("1"))
    ride.feed(SELECT, 5.0)
    view = at("ride").view(ride, 6.0)
    assert isinstance(view, PausedView)
    assert view.target.startswith("under ")


def test_without_plans_there_is_no_page_of_plans() -> None:
    one = at("home", plans=())
    press(one, [Press("plus", "long")])
    assert one.page == "home"


def test_a_search_that_could_not_be_made_says_why_and_is_made_again() -> None:
    one = at("straps", straps=(), faults={"straps": "Bluetooth is off: switch it on."})
    shown = one.view(None, 0.0)
    assert isinstance(shown, FaultView)
    assert shown.lines == ("Bluetooth is off: switch it on.",)
    assert one.press(SELECT) == (pages.LookForStraps(),)


@pytest.mark.parametrize("early", [MINUS, PLUS, SELECT, Press("minus", "repeat")])
def test_a_press_before_the_straps_are_found_chooses_none(early: Press) -> None:
    one = at("settings")
    press(one, [PLUS, PLUS, PLUS])
    assert one.press(SELECT) == (pages.LookForStraps(),)
    assert one.press(early) == ()
    one.straps = STRAPS
    view = one.view(None, 0.0)
    assert isinstance(view, ListView)
    assert view.chosen == 0
    assert one.press(SELECT) == (pages.TakeStrap("A", "Nearest"),)
    assert one.page == "home"


def test_where_no_strap_is_found_one_can_look_again() -> None:
    one = at("straps", straps=())
    assert one.press(SELECT) == (pages.LookForStraps(),)
    assert one.straps is None


def test_a_backlight_that_cannot_be_set_is_not_offered() -> None:
    one = at("settings", brightness_percent=None)
    one.press(PLUS)
    one.press(PLUS)
    assert one.press(SELECT) == ()
    view = one.view(None, 0.0)
    assert isinstance(view, ListView)
    assert dict(view.rows)["Brightness"] == "not here"


def test_settings_change_and_show_the_change() -> None:
    one = at("settings", brightness_percent=100)
    assert one.press(SELECT) == (pages.SettingChange("sounder.sounds", False),)
    assert one.press(SELECT) == (pages.SettingChange("sounder.sounds", True),)
    one.press(PLUS)
    assert one.press(SELECT) == (pages.SettingChange("panel.theme", "night"),)
    one.press(PLUS)
    values = [order.value for _ in range(8) for order in one.press(SELECT) if isinstance(order, pages.SettingChange)]
    assert all(10 <= int(value) <= 100 for value in values)
    assert len(set(values)) > 2
    view = one.view(None, 0.0)
    assert isinstance(view, ListView)
    assert dict(view.rows)["Light"] == "night"
    assert dict(view.rows)["Brightness"] == f"{one.brightness_percent} %"


def test_faults_are_shown_at_home_and_in_full_where_they_are_asked_for() -> None:
    one = at("home", faults={"storage": "Card full.", "panel": "No panel."})
    view = one.view(None, 0.0)
    assert isinstance(view, HomeView)
    assert view.notice == "Card full."
    one.page = "faults"
    full = one.view(None, 0.0)
    assert isinstance(full, FaultView)
    assert full.lines == ("Card full.", "No panel.")
    assert full.code == "panel storage"
    well = at("faults").view(None, 0.0)
    assert isinstance(well, FaultView)
    assert (well.lines, well.code) == (("Every part answers.",), "")


def test_what_is_wrong_with_the_link_and_its_cure_stand_apart() -> None:
    one = at("finding", link=Link("off", "Bluetooth is off: switch it on."))
    view = one.view(None, 0.0)
    assert isinstance(view, FindingView)
    assert (view.wrong, view.cure) == ("Bluetooth is off", "switch it on.")


# --- the ride -------------------------------------------------------------------------------------------------------


def riding(plan: Plan | None = None) -> Companion:
    table = bands.table(settings.load_scheme("seven"), 188)
    return Companion(RideFacts(188), table, settings.load_alarms(), plan or free_plan("3"))


@examples(max_examples=100)
@given(PRESSES)
def test_while_riding_the_pages_take_no_press(each: Press) -> None:
    one = at("ride")
    assert one.press(each) == ()
    assert one.page == "ride"


@examples(max_examples=100)
@given(st.lists(PRESSES, max_size=12))
def test_while_riding_there_are_the_ride_the_pause_and_the_end(presses: list[Press]) -> None:
    one, companion = at("ride"), riding()
    companion.feed(Tick(), 0.25)
    for second, each in enumerate(presses):
        companion.feed(each, 1.0 + second)
        view = one.view(companion, 1.0 + second)
        assert isinstance(view, PausedView if companion.paused and not companion.ended else RideView | PausedView)
        assert companion.ended == (BACK in presses[: second + 1])


def test_a_paused_plan_shows_its_steps() -> None:
    plan = Plan("p", "P", "", "", (Step("One", "3", Ends(60)), Step("Two", None, Ends(90))))
    one, companion = at("ride"), riding(plan)
    companion.feed(Tick(), 70.0)
    companion.feed(SELECT, 70.0)
    view = one.view(companion, 71.0)
    assert isinstance(view, StepView)
    assert [(step[0], step[2], step[3]) for step in view.steps] == [("One", "1:00", "done"), ("Two", "1:30", "now")]
    companion.feed(SELECT, 80.0)
    companion.feed(Tick(), 300.0)
    companion.feed(SELECT, 300.0)
    assert isinstance(one.view(companion, 301.0), PausedView)


def test_the_summary_is_shown_after_the_ride_and_leads_home() -> None:
    table = bands.table(settings.load_scheme("seven"), 188)
    record = play(riding(), [(float(t), Measurement(130 + t % 3, (60000 / (130 + t % 3),) * 2)) for t in range(300)])
    names = tuple(band.name for band in table.scheme.bands)
    one = at("summary", review=review(record, table), band_names=names)
    view = one.view(None, 0.0)
    assert isinstance(view, SummaryView)
    assert [name for _, name, _, _ in view.bands] == list(names)
    assert sum(fraction for *_, fraction in view.bands) == pytest.approx(1, abs=0.01)
    press(one, [SELECT])
    assert one.page == "home"


@pytest.mark.parametrize(("target", "in_target"), [(None, ""), ("140-150bpm", "0:00"), ("120-138bpm", "4:48")])
def test_time_in_target_is_told_where_there_was_one(target: str | None, in_target: str) -> None:
    table = bands.table(settings.load_scheme("seven"), 188)
    hearts = [(float(t), Measurement(130 + t % 3, (60000 / (130 + t % 3),) * 2)) for t in range(290)]
    names = tuple(band.name for band in table.scheme.bands)
    record = play(riding(free_plan(target)), hearts)
    view = at("summary", review=review(record, table), band_names=names).view(None, 0.0)
    assert isinstance(view, SummaryView)
    assert view.in_target == in_target


def test_after_time_near_maximum_the_summary_says_so_first_and_only_alarms_are_counted() -> None:
    table = bands.table(settings.load_scheme("seven"), 188)
    hearts = [130 + 2 * (t % 3) for t in range(60)] + [140 + min(t, 40) for t in range(200)]
    hearts += [max(180 - t, 130) + t % 3 for t in range(120)]
    record = play(riding(), [(float(t), Measurement(bpm)) for t, bpm in enumerate(hearts)])
    names = tuple(band.name for band in table.scheme.bands)
    ridden = review(record, table)
    view = at("summary", review=ridden, band_names=names).view(None, 0.0)
    assert isinstance(view, SummaryView)
    kinds = [alarm.kind for alarm in ridden.alarms]
    assert kinds[0] == "above_target"
    assert "back_in_target" in kinds  # which informs, and is no alarm
    told = [text.partition(" x ")[2] for text in view.alarms]
    assert told[0] == "near max"
    assert "above target" in told
    assert "back in target" not in told
    assert view.sentence.startswith(ridden.change[0])
    assert view.elapsed == rounded_time(ridden.ridden_s)
