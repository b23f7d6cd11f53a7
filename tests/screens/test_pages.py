"""What each page tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from firmware_app import settings
from firmware_app.core import bands, pages, views
from firmware_app.core.events import Mark
from firmware_app.core.maximal_test import SAFETY_PAGES
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.core.review import ALARM_NAMES, review
from firmware_app.core.views import ListView, RideView, StepView, View
from firmware_app.screens.painter import Painter
from firmware_app.screens.parts import Shape, Text
from firmware_app.screens.pattern import pattern
from firmware_app.screens.theme import DAY
from sim.gallery import EXAMPLES, RIDE, SIZES, main
from tests.screens.sight import pixels

every_size = pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")


def said(size: tuple[int, int], view: View) -> str:
    painter = Painter(size, DAY)
    painter.paint(view)
    return " | ".join(part.text for part in painter.parts if isinstance(part, Text))


def test_every_view_has_an_example_and_a_page() -> None:
    assert {type(view) for view in EXAMPLES.values()} == set(View.__args__)


@every_size
@pytest.mark.parametrize("name", [name for name, view in EXAMPLES.items() if not isinstance(view, RideView)])
def test_what_keys_do_is_on_every_page(size, name) -> None:
    text = said(size, EXAMPLES[name])
    for action in EXAMPLES[name].actions:
        assert action in text


@every_size
def test_near_max_which_sounds_all_the_same_never_stands_beside_sound_off(size) -> None:
    assert "sound off" in said(size, replace(RIDE, muted="1:40"))
    assert "sound off" not in said(size, replace(EXAMPLES["ride, near maximum"], muted="1:40"))


@every_size
def test_near_maximum_is_named_no_smaller_than_the_band(size) -> None:
    painter = Painter(size, DAY)
    painter.paint(EXAMPLES["ride, near maximum"])
    cap_px = {part.text: part.cap_px for part in painter.parts if isinstance(part, Text)}
    assert cap_px["near maximum"] >= cap_px["7 All-out"]


@every_size
def test_the_ride_page_tells_band_heart_rate_step_and_what_is_left(size) -> None:
    text = said(size, RIDE)
    for part in ("78", "4 Brisk", "147 bpm", "Climb 2 of 4", "3:20", "141", "154", "1:02:45"):
        assert part in text


@every_size
def test_home_tells_maximum_target_and_caution(size) -> None:
    text = said(size, EXAMPLES["home"])
    for part in ("188", "4 Brisk", "141-154", "connected, chest", "battery 64 %", "72 bpm", "formula"):
        assert part in text
    assert "86 % | strap battery" in text or "battery 86 % | connected" in text


LIMIT = "This lane reaches your limit, 138 bpm."
NO_SOUNDER = "No sounder: no pins were found. Install the part for them, or set its kind to silent."


@every_size
@pytest.mark.parametrize("strap", ["connected, chest", "no strap: hold - for settings"])
@pytest.mark.parametrize("target", [("", "4 Brisk", "141-154"), ("Brisk blocks", "1:20:00", "")])
def test_the_limit_a_doctor_gave_is_whole_and_stands_above_whatever_is_wrong(size, strap, target) -> None:
    plan, name, lane = target
    battery = "86 %" if strap.startswith("connected") else ""
    view = replace(
        EXAMPLES["home"], strap=strap, strap_battery=battery, plan=plan, target=name, lane=lane, limit=LIMIT,
        notice=NO_SOUNDER,
    )  # fmt: skip
    words = said(size, view).replace(" | ", " ")
    for text in (LIMIT, strap, name, lane, "188, formula"):
        assert text in words
    assert words.index(LIMIT) < words.index("No sounder: no pins")


@every_size
def test_a_plan_tells_how_long_it_takes_and_no_target(size) -> None:
    text = said(size, replace(EXAMPLES["home"], plan="Brisk blocks", target="1:20:00", lane=""))
    assert "longest | 1:20:00" in text
    assert "target" not in text


@every_size
def test_a_missing_strap_is_told_in_full_at_home(size) -> None:
    for strap in ("no strap: hold - for settings", "contact with your strap Demo was lost: looking for it"):
        view = replace(EXAMPLES["home"], strap=strap, strap_battery="", hr_now="")
        assert strap in said(size, view).replace(" | ", " ")


@every_size
def test_without_a_target_no_page_speaks_of_one(size) -> None:
    paused = said(size, replace(EXAMPLES["paused"], target=""))
    assert "no target" in paused
    assert "target" not in paused.replace("no target", "")
    assert "in target" in said(size, EXAMPLES["summary"])
    assert "in target" not in said(size, replace(EXAMPLES["summary"], in_target=""))


@every_size
def test_time_that_nobody_knows_is_called_unknown_after_a_ride(size) -> None:
    text = said(size, EXAMPLES["summary"])
    assert "1:05 | unknown" in text
    assert "no signal" not in text


@every_size
@pytest.mark.parametrize("name", ["home", "paused"])
def test_a_heart_rate_that_nobody_knows_is_shown_as_on_the_ride_page(size, name) -> None:
    assert "-- | heart rate" in said(size, replace(EXAMPLES[name], hr_now=""))


@every_size
def test_a_fault_can_be_read_out(size) -> None:
    text = said(size, EXAMPLES["fault"]).replace(" | ", " ")
    for part in ("storage", "still work", "no space"):
        assert part in text


WATCH = "Stop for pain, dizziness, an odd rhythm."


@every_size
@pytest.mark.parametrize("notice", ["", "Ride not being stored. Check the card.", "Demo Strap is gone: wet it."])
@pytest.mark.parametrize(
    "lines",
    [
        EXAMPLES["test"].lines,
        ("step 12. Near the maximum you have set: stopping is always right.", WATCH),
        ("Pedal gently, do not stop all at once.", "Ended: no heart-rate signal. Had you nothing left? Yes.", WATCH),
    ],
)
def test_number_and_warnings_of_the_test_are_whole_beside_what_is_wrong(size, lines, notice) -> None:
    view = replace(EXAMPLES["test"], lines=lines, notice=notice)
    words = said(size, view).replace(" | ", " ")
    for text in (*lines, view.big, notice):
        assert text in words


@every_size
@pytest.mark.parametrize("page", range(len(SAFETY_PAGES)))
def test_no_word_of_the_safety_pages_is_cut_off(size, page) -> None:
    last = page == len(SAFETY_PAGES) - 1
    actions = ("back", "hold: yes" if last else "", "" if last else "next")
    view = views.TestView("Safety", "", SAFETY_PAGES[page], f"{page + 1} of {len(SAFETY_PAGES)}", False, "", actions)
    words = said(size, view).replace(" | ", " ")
    for text in (*SAFETY_PAGES[page], *filter(None, actions)):
        assert text in words


HEARTS = {
    "near maximum": 182.0,
    "hardly trusted": np.nan,
    "over the lane": 160.0,
    "under the lane": 105.0,
    "in the lane": 130.0,
}


@every_size
@pytest.mark.parametrize("of_what", [*HEARTS, "without a lane"])
def test_what_the_rider_must_read_after_a_ride_is_whole_on_every_panel(size, of_what) -> None:
    """Long rides: their times are the widest."""
    table = bands.table(settings.load_scheme("seven"), 184, 50)
    t_s = np.arange(9000.0)
    bpm = np.where(t_s < 4000, 135.0, HEARTS.get(of_what, 130.0))
    marks = () if of_what == "without a lane" else (Mark(0.0, "target", {"low_bpm": 120, "high_bpm": 138}),)
    alarms = tuple(Mark(t_s, "alarm", {"kind": kind, "on": True}) for t_s, kind in enumerate(ALARM_NAMES))
    record = RideRecord(
        t_s, bpm, bpm, np.ones(t_s.size), np.full(t_s.size, -1, dtype=np.int8),
        np.empty(0), np.empty(0, dtype=np.int64), RideFacts(184),
        marks + (alarms[1:] if of_what != "near maximum" else alarms), 9000.0,
    )  # fmt: skip
    names = tuple(band.name for band in table.scheme.bands)
    one = pages.Pages((), (), "184", page="summary", review=review(record, table), band_names=names)
    view = one.view(None, 0.0)
    words = said(size, view).replace(" | ", " ")
    assert view.sentence in words
    assert ("See a doctor before you ride. 1:23:20 near maximum" in words) == (of_what == "near maximum")
    assert ("could not be trusted" in words) == (of_what == "hardly trusted")
    for name in names:
        assert name in words


@every_size
def test_who_is_told_to_ease_stands_over_the_edge(size) -> None:
    """The whole beat may be the limit's when the alarm sounds; two pictures that contradict each other help nobody."""
    for side, limit_bpm in ((1, 154), (-1, 141)):

        def marker(hr_bpm, side):
            painter = Painter(size, DAY)
            painter.paint(replace(RIDE, hr_bpm=hr_bpm, side=side))
            return [part for part in painter.parts if isinstance(part, Shape)][-1].box

        assert marker(limit_bpm, side) == marker(limit_bpm + side, side)
        assert marker(limit_bpm, 0) != marker(limit_bpm, side)


@every_size
@pytest.mark.parametrize("chosen", [0, 1, 20, 38, 39])
def test_the_chosen_row_is_in_sight_and_the_hidden_ones_are_counted(size, chosen) -> None:
    rows = tuple((f"row {i}", "") for i in range(40))
    text = said(size, ListView("Many", rows, chosen, "", ("", "", "")))
    shown = [i for i in range(40) if f"row {i} |" in f"{text} |"]
    assert chosen in shown
    assert ("above" in text) == (shown[0] > 0)
    assert ("below" in text) == (shown[-1] < 39)
    for word, count in (("above", shown[0]), ("below", 39 - shown[-1])):
        assert not count or f"{count} {word}" in text


@every_size
def test_the_step_that_runs_is_in_sight(size) -> None:
    steps = tuple((f"step {i}", "", "5:00", "done" if i < 30 else "now" if i == 30 else "next") for i in range(60))
    text = said(size, StepView("Long", steps, "1:00", "", ("", "", "")))
    assert "step 30" in text
    assert "Paused" in text  # it stands in the place of the ride only while that is paused


def test_a_painter_repaints_little_when_a_second_passes() -> None:
    painter = Painter((480, 320), DAY)
    assert painter.paint(RIDE).rows == ((0, 320),)
    rows = painter.paint(replace(RIDE, elapsed="1:02:46")).rows
    assert sum(bottom - top for top, bottom in rows) < 40
    assert painter.paint(replace(RIDE, elapsed="1:02:46")).rows == ()


@every_size
def test_the_pattern_marks_the_outermost_pixels(size) -> None:
    image = pixels(pattern(size, DAY))
    for side in (image[0], image[-1], image[:, 0], image[:, -1]):
        assert (side == DAY.plain.ink).all()
    assert (image[2, 2] == DAY.plain.paper).all()


def test_the_gallery_is_made_by_one_command(tmp_path, capsys) -> None:
    assert main([str(tmp_path)]) == 0
    made = {path.name for path in tmp_path.glob("*.png")}
    assert made == {"ride-day.png", "ride-night.png", "pages-day.png", "pages-night.png", "sizes.png"}
    assert main(["--help"]) == main([]) == 2
    assert "FOLDER" in capsys.readouterr().err
