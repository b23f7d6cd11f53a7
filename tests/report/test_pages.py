"""The pages after a ride: whole, safe, self-contained, told without colour."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from datetime import date, datetime, timedelta
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest

from firmware_app import settings
from firmware_app.core import bands
from firmware_app.core.alarms import rows_of
from firmware_app.core.events import Mark
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.core.review import Review, review, summary
from firmware_app.core.steps import step_results
from firmware_app.core.times import rounded_time
from firmware_app.report import plots
from firmware_app.report.page import DAY, NIGHT, PRINT, Html, section, table, text
from firmware_app.report.ride import ride_page
from firmware_app.report.weeks import Estimate, gather, rows, weeks_json, weeks_page

EVIL = "<script>alert('x')</script>&\"'"


@pytest.fixture
def seven() -> bands.BandTable:
    return bands.table(settings.load_scheme("seven"), 184, 50)


def ride(seconds: int = 1500, began: datetime | None = None, plan: str = "", source: str = "strap") -> RideRecord:
    """A hard effort in the middle, a gap, a pause, a target that moves, alarms of two kinds."""
    t = np.arange(seconds, dtype=np.float64)
    bpm = 130 + 38 * np.clip(np.sin(2 * np.pi * t / seconds), 0, 1)
    trusted = bpm.copy()
    trusted[100:160] = np.nan
    marks = [
        Mark(0.0, "step", {"index": 0, "name": f"one {EVIL}", "round": "", "why": "start"}),
        Mark(0.0, "target", {"low_bpm": 120, "high_bpm": 138, "text": "3"}),
        Mark(200.0, "alarm", {"kind": "above_target", "priority": "medium", "reminder": 0, "on": True}),
        Mark(seconds / 2, "step", {"index": 1, "name": "two", "round": "1 of 2", "why": "time"}),
        Mark(seconds / 2, "target", {"low_bpm": 100, "high_bpm": 150, "text": "x"}),
        Mark(seconds - 300.0, "pause", {"why": "key"}),
        Mark(seconds - 240.0, "resume", {"why": "key"}),
    ]
    facts = RideFacts(184, 50, "seven", plan, "3", source, began.timestamp() if began else None)
    return RideRecord(
        t, np.rint(bpm), trusted, np.ones(seconds), np.full(seconds, -1, dtype=np.int8),
        np.empty(0), np.empty(0, dtype=np.int64), facts, tuple(marks), float(seconds),
    )  # fmt: skip


class Reader(HTMLParser):
    """What a browser would make of a page: open tags in order, and every address that it could fetch."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "xlink:href", "data")]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in ("meta", "br"):
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def svgs(page: str) -> list[str]:
    return re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL)


def the_page(record: RideRecord, seven: bands.BandTable, sex=None) -> str:
    return ride_page(1, record, review(record, seven, sex), seven)


def test_a_page_is_well_formed_and_fetches_nothing(seven: bands.BandTable) -> None:
    record = ride(began=datetime(2026, 11, 24, 17, 31))
    weeks = gather([(record.facts, summary(review(record, seven)))], date(2026, 11, 25), 3)
    for page in (the_page(record, seven), weeks_page(weeks, seven.scheme)):
        reader = Reader(page)
        assert reader.open == []
        assert all(address.startswith("#") for address in reader.addresses)
        assert not {"script", "link", "img", "iframe"} & set(reader.tags)
        assert "default-src 'none'" in page
        assert not re.search(r"url\((?!#)", page)


def test_what_the_rider_wrote_is_escaped(seven: bands.BandTable) -> None:
    scheme = replace(seven.scheme, bands=tuple(replace(band, name=EVIL, purpose=EVIL) for band in seven.scheme.bands))
    record = ride(plan=EVIL)
    page = ride_page(1, record, review(record, replace(seven, scheme=scheme)), replace(seven, scheme=scheme), EVIL)
    assert "<script>" not in page
    assert EVIL in Reader(page).words
    for svg in svgs(page):
        ElementTree.fromstring(svg.replace("<svg", '<svg xmlns:xlink="http://www.w3.org/1999/xlink"', 1))


def test_near_maximum_is_told_by_the_riders_own_limit_where_there_was_one(seven: bands.BandTable) -> None:
    own = Mark(0.0, "plan", {"near_max_bpm": 130})
    assert "were at or above 130 bpm, your own limit." in the_page(replace(ride(), marks=(own,)), seven)
    assert "0:00 were at or above 173 bpm, 94 % of it." in the_page(replace(ride(), marks=()), seven)


@pytest.mark.parametrize("value", [EVIL, 7, 1.5, None])
def test_text_escapes_all_but_markup(value: object) -> None:
    assert "<script>" not in text(value)
    assert text(Html("<b>")) == "<b>"
    assert "<script>" not in section(str(value), value) + table([str(value)], [(value, value)])


def test_plots_use_only_the_page_s_inks_and_keep_words_as_words(seven: bands.BandTable) -> None:
    drawn = svgs(the_page(ride(), seven))
    assert len(drawn) == 2
    for svg in drawn:
        assert not re.search(r"#[0-9a-f]{6}\b|\bblack\b|rgb\(", svg.replace("url(#", ""))
        assert "<text" in svg
    words = Reader(drawn[0]).words
    assert "5 Hard" in words
    assert "above target" in words
    assert "unknown" in words
    assert "paused" in words


def test_every_alarm_that_can_sound_is_on_the_page_by_its_own_name_and_what_informs_is_not(
    seven: bands.BandTable,
) -> None:
    kinds = [kind for kind, _ in rows_of(settings.load_alarms())]
    told = [Mark(20.0 + at, "alarm", {"kind": kind, "priority": "low", "on": True}) for at, kind in enumerate(kinds)]
    page = the_page(replace(ride(), marks=tuple(told)), seven)
    in_table = re.findall(r'<th scope="row">([a-z ]+)</th>', page)
    beside_the_plot = [name for name in re.findall(r">([a-z ]+)</text>", svgs(page)[0]) if name in in_table]
    expected = [kind.replace("_", " ") for kind in kinds if kind not in ("back_in_target", "step_change")]
    assert in_table == beside_the_plot == expected


@pytest.mark.parametrize("seconds", [400, 471, 1500, 3607, 5411])
def test_an_alarm_stands_under_the_moment_that_raised_it(
    seconds: int, seven: bands.BandTable, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[plots.Canvas] = []

    class Kept(plots.Canvas):
        def svg(self) -> str:
            drawn.append(self)
            return super().svg()

    monkeypatch.setattr(plots, "Canvas", Kept)
    the_page(ride(seconds), seven)
    top, below = drawn[0].rows
    assert top.get_xlim() == below.get_xlim() == (0, seconds / 60)


@pytest.mark.parametrize(
    ("seconds", "unit", "labels"),
    [
        (4, "minutes and seconds", ["0:00", "0:01", "0:02", "0:03", "0:04"]),
        (400, "minutes and seconds", ["0:00", "2:00", "4:00", "6:00"]),
        (471, "minutes and seconds", ["0:00", "2:00", "4:00", "6:00"]),
        (1500, "minutes and seconds", ["0:00", "5:00", "10:00", "15:00", "20:00", "25:00"]),
        (3599, "minutes and seconds", ["0:00", "10:00", "20:00", "30:00", "40:00", "50:00"]),
        (3600, "hours and minutes", ["0:00", "0:10", "0:20", "0:30", "0:40", "0:50", "1:00"]),
        (9000, "hours and minutes", ["0:00", "0:30", "1:00", "1:30", "2:00", "2:30"]),
    ],
)
def test_the_time_of_a_ride_is_written_in_round_steps_and_its_unit_named(
    seconds: int, unit: str, labels: list[str], seven: bands.BandTable
) -> None:
    page = the_page(replace(ride(400), duration_s=float(seconds)), seven)
    assert re.findall(r">(\d+:\d\d)</text>", svgs(page)[0]) == labels
    assert f"Time in {unit}." in Reader(page).words


def test_a_page_is_the_same_every_time(seven: bands.BandTable) -> None:
    assert the_page(ride(), seven) == the_page(ride(), seven)


def test_no_name_is_given_twice_on_a_page(seven: bands.BandTable) -> None:
    record = ride(began=datetime(2026, 11, 24, 17, 31))
    weeks = gather([(record.facts, summary(review(record, seven, "male")))], date(2026, 11, 25), 3)
    for page in (the_page(record, seven), weeks_page(weeks, seven.scheme)):
        names = re.findall(r'\bid="([^"]+)"', page)
        assert len(names) == len(set(names))


def luminance(colour: str) -> float:
    """Relative luminance of sRGB (W3C WCAG 2.1)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colours", [DAY, NIGHT, PRINT])
def test_every_ink_holds_seven_to_one_on_its_paper(colours: dict[str, str]) -> None:
    """Contrast (L1 + 0.05) / (L2 + 0.05); 7:1 is level AAA (W3C WCAG 2.1, 1.4.6)."""
    for name in ("ink", "quiet", "accent"):
        lighter, darker = sorted((luminance(colours["paper"]), luminance(colours[name])), reverse=True)
        assert (lighter + 0.05) / (darker + 0.05) >= 7, name


def test_the_page_tells_the_review(seven: bands.BandTable) -> None:
    record = ride(began=datetime(2026, 11, 24, 17, 31))
    words = Reader(the_page(record, seven, "male")).words
    for part in (
        "Tuesday 24 November 2026, 17:31",
        "5 Hard",
        "151–163",
        "two (1 of 2)",
        "maximum of 184 bpm",
        "never used",
    ):
        assert part in words


def test_a_highest_over_the_maximum_is_doubted(seven: bands.BandTable) -> None:
    record = ride()
    assert "is over the maximum" not in Reader(the_page(record, seven)).words
    over = replace(record, trusted_bpm=np.append(record.trusted_bpm[:-1], seven.hr_max_bpm + 1.0))
    assert "185 bpm is over the maximum of 184 bpm" in Reader(the_page(over, seven)).words


def test_a_highest_on_the_maximum_is_not_doubted(seven: bands.BandTable) -> None:
    record = ride()
    on_it = replace(record, trusted_bpm=np.append(record.trusted_bpm[:-1], float(seven.hr_max_bpm)))
    words = Reader(the_page(on_it, seven)).words
    assert "Highest trusted heart rate 184 bpm, 100 % of it." in words
    assert "is over the maximum" not in words


def test_a_bar_in_a_row_is_as_long_as_the_share_beside_it(seven: bands.BandTable) -> None:
    rows = re.findall(r'<td>(\d+) %</td><td><span class="bar"><i style="width:([\d.]+)%">', the_page(ride(), seven))
    assert len(rows) == len(seven.scheme.bands) + 1
    assert {percent for percent, _ in rows} > {"0"}
    assert all(abs(float(width) - float(percent)) < 0.6 for percent, width in rows)


def test_reminders_are_counted_apart_from_the_times_an_alarm_began(seven: bands.BandTable) -> None:
    sounds = ((20.0, 0), (40.0, 1), (80.0, 2), (140.0, 3))
    alarm = {"kind": "no_signal", "priority": "medium", "on": True}
    told = tuple(Mark(t_s, "alarm", {**alarm, "reminder": reminder}) for t_s, reminder in sounds)
    page = the_page(replace(ride(), marks=told), seven)
    assert '<th scope="row">no signal</th><td>1</td><td>3</td><td>0</td>' in page


def test_the_share_in_the_lane_of_a_step_leaves_unknown_time_out(seven: bands.BandTable) -> None:
    record = ride()
    step = step_results(record)[0]
    known_s = step.ridden_s - step.unknown_s
    share = f"{100 * step.in_target_s / known_s:.0f} %"
    assert share != f"{100 * step.in_target_s / step.ridden_s:.0f} %"
    assert f"<td>120–138</td><td>12:30</td><td>{share}</td>" in the_page(record, seven)


def test_an_effort_is_told_by_when_it_began_and_how_long_it_lasted(seven: bands.BandTable) -> None:
    (effort,) = review(ride(), seven).recoveries
    began, lasted = rounded_time(effort.from_s), rounded_time(effort.until_s - effort.from_s)
    assert f'<th scope="row">1</th><td>{began}</td><td>{lasted}</td>' in the_page(ride(), seven)


def test_every_share_on_the_page_names_what_it_is_a_share_of(seven: bands.BandTable) -> None:
    record = ride(began=datetime(2026, 11, 24, 9))
    page = the_page(record, seven)
    shares = [name for name, value in re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", page) if "%" in value]
    assert shares == ["In target, of known time with a lane", "Trusted, of ridden time"]
    assert '<th scope="col">Of ridden</th>' in page
    assert "In lane: of the known time of the step." in page
    weeks = weeks_page(gather([(record.facts, summary(review(record, seven)))], date(2026, 11, 25), 1), seven.scheme)
    assert [name for name, value in re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", weeks) if "%" in value] == shares[:1]


@pytest.mark.parametrize("record", [
    pytest.param(replace(ride(), trusted_bpm=np.full(1500, np.nan)), id="nothing trusted"),
    pytest.param(replace(ride(), marks=()), id="no marks"),
    pytest.param(ride(400), id="short"),
    pytest.param(
        RideRecord(*(np.empty(0),) * 4, np.empty(0, dtype=np.int8), np.empty(0),
                   np.empty(0, dtype=np.int64), RideFacts(184), (), 0.0),
        id="empty",
    ),
])  # fmt: skip
def test_a_poor_ride_still_has_a_page(record: RideRecord, seven: bands.BandTable) -> None:
    assert Reader(the_page(record, seven)).open == []


def test_without_the_plotting_library_the_cure_is_named(
    seven: bands.BandTable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(plots.PlotError, match=r"/bin/pip install '\.\[report\]'"):
        the_page(ride(), seven)


# --- weeks ----------------------------------------------------------------------------------------------------------


def some_rides(seven: bands.BandTable, *days: date, sex=None) -> list[tuple[RideFacts, dict[str, object]]]:
    records = [ride(began=datetime(day.year, day.month, day.day, 9)) for day in days]
    return [(record.facts, summary(review(record, seven, sex))) for record in records]


def test_a_ride_counts_in_the_week_in_which_it_began(seven: bands.BandTable) -> None:
    """Weeks run from Monday to Sunday (ISO 8601)."""
    sunday, monday = date(2026, 11, 22), date(2026, 11, 23)
    found = gather(some_rides(seven, date(2026, 11, 8), sunday, monday), date(2026, 11, 25), 2)
    assert [(week.monday, week.rides) for week in found] == [(date(2026, 11, 16), 1), (monday, 1)]


def test_a_ride_without_a_date_is_in_no_week(seven: bands.BandTable) -> None:
    record = ride()
    assert sum(week.rides for week in gather([(record.facts, summary(review(record, seven)))], date.today(), 52)) == 0


def test_a_week_adds_its_rides_up(seven: bands.BandTable) -> None:
    one: Review = review(ride(), seven, "male")
    (week,) = gather(some_rides(seven, date(2026, 11, 23), date(2026, 11, 24), sex="male"), date(2026, 11, 25), 1)
    assert week.rides == 2
    assert week.ridden_s == 2 * one.ridden_s
    assert week.band_s == {number: pytest.approx(2 * seconds, abs=0.2) for number, seconds in one.band_s.items()}
    assert one.load is not None
    assert week.load == pytest.approx(2 * one.load, abs=0.2)
    assert week.held == pytest.approx(one.in_target_s / one.target_s, abs=1e-3)
    assert sum(week.band_s.values()) + week.unknown_s == pytest.approx(week.ridden_s, abs=1)


def test_the_peak_of_a_week_is_the_highest_of_its_rides(seven: bands.BandTable) -> None:
    rides = some_rides(seven, *(date(2026, 11, day) for day in (23, 24, 25)))
    peaked = [(facts, {**one, "peak_bpm": bpm}) for (facts, one), bpm in zip(rides, (171.0, 168.0, None), strict=True)]
    (week,) = gather(peaked, date(2026, 11, 25), 1)
    assert week.peak_bpm == 171.0


def test_the_resting_heart_rate_of_a_week_is_the_latest_that_is_known(seven: bands.BandTable) -> None:
    rides = some_rides(seven, *(date(2026, 11, day) for day in (23, 24, 25)))
    rests_bpm = (50, 47, None)
    rested = [(replace(facts, hr_rest_bpm=bpm), one) for (facts, one), bpm in zip(rides, rests_bpm, strict=True)]
    (week,) = gather(rested, date(2026, 11, 25), 1)
    assert week.rest_bpm == 47


def test_of_the_weeks_the_latest_stands_first(seven: bands.BandTable) -> None:
    days = [row[0] for row in rows(gather([], date(2026, 11, 25), 3))]
    assert days == ["2026-11-23", "2026-11-16", "2026-11-09"]


def test_a_load_that_misses_a_ride_says_so(seven: bands.BandTable) -> None:
    with_load = some_rides(seven, date(2026, 11, 23), sex="male")
    (week,) = gather([*with_load, *some_rides(seven, date(2026, 11, 24))], date(2026, 11, 25), 1)
    assert week.rides_without_load == 1
    assert rows([week])[0][3].endswith("+")


def test_the_estimate_of_a_week_is_the_last_one_made_by_its_end(seven: bands.BandTable) -> None:
    # One of a Sunday belongs to the week that ends with it, one of a Monday to the next.
    days = (date(2026, 11, 8), date(2026, 11, 16))
    estimates = [Estimate(day, value_bpm, 165, 195) for day, value_bpm in zip(days, (180, 184), strict=True)]
    found = gather([], date(2026, 11, 25), 5, estimates)
    assert [week.estimate and week.estimate.value_bpm for week in found] == [None, 180, 180, 184, 184]


def test_simulated_rides_are_told_apart(seven: bands.BandTable) -> None:
    record = ride(began=datetime(2026, 11, 24, 9), source="sim")
    found = gather([(record.facts, summary(review(record, seven)))], date(2026, 11, 25), 1)
    assert weeks_json(found)[0]["simulated"] == 1
    assert "simulated rides among them: 1" in Reader(weeks_page(found, seven.scheme)).words


@pytest.mark.parametrize("known", [[184], [None, 184, None], [184, None, 186], [184, 185, None, 186]])
def test_the_maximum_of_a_week_alone_is_drawn_too(known: list[float | None]) -> None:
    mondays = [date(2026, 10, 5) + timedelta(weeks=n) for n in range(len(known))]
    nothing: list[None] = [None] * len(known)

    def lengths_px(svg: str) -> list[float]:
        paths = re.findall(r'<path d="(M [^"]*)" clip-path[^>]*stroke: var\(--ink\)', svg)
        lines = [[float(at) for at in line.split() if at != "L"] for path in paths for line in path.split("M")[1:]]
        return [line[-2] - line[0] for line in lines if len(line) > 2]

    levels = lengths_px(plots.hearts(mondays, known, nothing, nothing, nothing))
    stretches = "".join("x" if value else " " for value in known).split()
    assert len(levels) == len(stretches)
    assert min(levels) > 5
    assert lengths_px(plots.hearts(mondays, nothing, nothing, nothing, nothing)) == []


@pytest.mark.parametrize("known", [[None], [184], [184, 185], [184, 184], [120, 199]])
def test_heart_rates_of_the_weeks_stand_on_whole_beats_and_some_range(known: list[float | None]) -> None:
    mondays = [date(2026, 10, 5) + timedelta(weeks=n) for n in range(len(known))]
    nothing: list[None] = [None] * len(known)
    drawn = plots.hearts(mondays, known, nothing, nothing, nothing)
    beats = [float(label) for label in re.findall(r">([\d.]+)</text>", drawn)]
    assert all(bpm.is_integer() for bpm in beats)
    assert max(beats) - min(beats) >= 10


def test_weeks_without_a_target_say_so_instead_of_drawing_nothing(seven: bands.BandTable) -> None:
    record = ride(began=datetime(2026, 11, 24, 9))
    free = replace(record, marks=tuple(mark for mark in record.marks if mark.kind != "target"))
    pages = [
        weeks_page(gather([(one.facts, summary(review(one, seven)))], date(2026, 11, 25), 1), seven.scheme)
        for one in (record, free)
    ]
    assert [page.count("Share of the time in target") for page in pages] == [1, 0]
    assert ["had a target" in Reader(page).words for page in pages] == [False, True]


def test_weeks_without_a_ride_still_have_a_page(seven: bands.BandTable) -> None:
    page = weeks_page(gather([], date(2026, 11, 25), 12), seven.scheme)
    assert Reader(page).open == []
    assert "07 September 2026 to 29 November 2026" in Reader(page).words
    many = some_rides(seven, *(date(2026, 11, 23) - timedelta(weeks=ago) for ago in range(60, -1, -1)))
    assert Reader(weeks_page(gather(many, date(2026, 11, 25), 60), seven.scheme)).open == []
