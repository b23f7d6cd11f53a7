"""Band schemes: checked rows, whole-beat limits, live classification and targets."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app import settings
from firmware_app.core import bands
from firmware_app.core.bands import Row

SHIPPED = ("seven", "acsm-max", "acsm-reserve")


def table(name: str, hr_max_bpm: int, hr_rest_bpm: int | None = 60) -> bands.BandTable:
    return bands.table(settings.load_scheme(name), hr_max_bpm, hr_rest_bpm)


def test_worked_limits_of_the_seven_bands() -> None:
    assert table("seven", 184).limits_bpm == (110, 120, 138, 151, 164, 173)


def test_worked_limit_of_the_reserve() -> None:
    # Karvonen, Kentala, Mustala 1957: maximum 200, rest 60, 60 % gives 144.
    assert table("acsm-reserve", 200, 60).low_bpm(4) == 144


def test_acsm_categories() -> None:
    # Garber et al., Med Sci Sports Exerc 43:1334, 2011, with a maximum of 200 (one percent is two beats).
    live = table("acsm-max", 200)
    percent = {56.5: 1, 57: 2, 63: 2, 64: 3, 76: 3, 77: 4, 94: 4, 95: 5, 100: 5}
    assert {p: live.band_of(2 * p).number for p in percent} == percent
    # The same, of the reserve of a rider with rest 50 and maximum 150 (one percent is one beat).
    live = table("acsm-reserve", 150, 50)
    percent = {29: 1, 30: 2, 39: 2, 40: 3, 59: 3, 60: 4, 89: 4, 90: 5}
    assert {p: live.band_of(50 + p).number for p in percent} == percent


@pytest.mark.parametrize("name", SHIPPED)
def test_printed_limits_and_live_classification_agree(name: str) -> None:
    for hr_max_bpm in range(120, 231):
        live = table(name, hr_max_bpm)
        numbers = [band.number for band in live.scheme.bands]
        for hr_bpm in range(0, 256):
            inside = [
                n for n in numbers if live.low_bpm(n) <= hr_bpm and (n == numbers[-1] or hr_bpm < live.high_bpm(n))
            ]
            assert inside == [live.band_of(hr_bpm).number]


@pytest.mark.parametrize("name", ["seven", "acsm-max"])
def test_the_percent_shown_lies_in_the_band_of_the_beat_and_on_its_side_of_any_lane(name: str) -> None:
    for hr_max_bpm in range(120, 231):
        live = table(name, hr_max_bpm)
        for hr_bpm in range(0, 256):
            shown = bands.whole_percent(hr_bpm, hr_max_bpm)
            assert live.band_of(hr_bpm).number == sum(band.low <= shown for band in live.scheme.bands)
            reached = [bands.limit_bpm("percent_of_maximum", p, hr_max_bpm, None) <= hr_bpm for p in range(shown + 2)]
            assert reached == [True] * (shown + 1) + [False]
            assert abs(100 * hr_bpm / hr_max_bpm - shown) < 1 + 50 / hr_max_bpm
        assert bands.whole_percent(hr_max_bpm, hr_max_bpm) == 100


@pytest.mark.parametrize(
    ("hr_max_bpm", "hr_bpm", "percent"),
    [(184, 128, 69), (184, 129, 70), (190, 178, 93), (190, 179, 94), (187, 140, 75)],
)
def test_worked_percents(hr_max_bpm: int, hr_bpm: int, percent: int) -> None:
    assert bands.whole_percent(hr_bpm, hr_max_bpm) == percent


@given(st.floats(0, 255))
def test_a_fraction_of_a_beat_is_classified_as_the_whole_beat_that_is_shown(hr_bpm: float) -> None:
    live = table("seven", 187)
    assert live.band_of(hr_bpm) == live.band_of(bands.whole_bpm(hr_bpm))


limits = st.lists(st.integers(1, 99), min_size=1, max_size=8, unique=True).map(sorted)


def rows_of(inner: list[int]) -> list[Row]:
    edges = [0, *inner, None]
    return [Row(f"Band {i}", low, high) for i, (low, high) in enumerate(pairwise(edges))]


@given(limits)
def test_gapless_rows_make_a_scheme(inner: list[int]) -> None:
    made = bands.checked_scheme("own", "percent_of_maximum", rows_of(inner))
    assert [band.low for band in made.bands] == [0, *inner]


@given(limits, st.data())
def test_a_moved_limit_is_a_hole_or_an_overlap(inner: list[int], data: st.DataObject) -> None:
    rows = rows_of(inner)
    place = data.draw(st.integers(1, len(rows) - 1))
    by = data.draw(st.sampled_from((-0.5, 0.5)))
    row = rows[place]
    assert row.low is not None
    rows[place] = Row(row.name, row.low + by, row.high)
    with pytest.raises(bands.SchemeError, match="hole" if by > 0 else "overlap") as caught:
        bands.checked_scheme("own", "percent_of_maximum", rows)
    assert (caught.value.place, caught.value.key) == (place, "low")


def test_a_scheme_in_bpm_that_leaves_no_beat_under_the_maximum() -> None:
    made = bands.checked_scheme("own", "bpm", [Row("Low", 0, 150), Row("High", 150)])
    assert bands.table(made, 170).band_of(150).name == "High"
    for hr_max_bpm in (140, 150):
        with pytest.raises(bands.BandError, match="no whole beat"):
            bands.table(made, hr_max_bpm)
    assert bands.parse_target("2", bands.table(made, 151)).high_bpm == 151


def test_a_reserve_scheme_needs_a_resting_heart_rate() -> None:
    with pytest.raises(bands.BandError, match="hr_rest_bpm"):
        table("acsm-reserve", 180, None)


@pytest.mark.parametrize(
    ("text", "lane"),
    [("3", (120, 138)), ("3-4", (120, 151)), ("70-80%", (129, 147)), ("130-145bpm", (130, 145)), (" 1 ", (0, 110))],
)
def test_targets(text: str, lane: tuple[int, int]) -> None:
    target = bands.parse_target(text, table("seven", 184))
    assert (target.low_bpm, target.high_bpm) == lane


def test_a_heart_rate_without_its_unit_is_told_how_to_be_written() -> None:
    with pytest.raises(bands.BandError, match=r"for heart rates write 130-145bpm$"):
        bands.parse_target("130-145", table("seven", 184))
    with pytest.raises(bands.BandError, match=r"for heart rates write 70-80bpm, for percent 70-80%$"):
        bands.parse_target("70-80", table("seven", 184))


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("70%-80%", "70-80%"),
        ("70 % \N{EN DASH} 80 %", "70-80%"),
        ("70,5-80%", "70.5-80%"),
        ("130bpm-145bpm", "130-145bpm"),
        ("3\N{EN DASH}4", "3-4"),
    ],
)
def test_a_target_as_it_is_written_on_paper_is_told_how_to_be_written_here(text: str, meant: str) -> None:
    with pytest.raises(bands.BandError, match=f"write it as {meant}$"):
        bands.parse_target(text, table("seven", 184))


ENDLESS = ["9" * 5000, f"1-{'9' * 400}%", f"1-{'9' * 5000}bpm"]


@pytest.mark.parametrize(
    "text", ["", "0", "8", "4-3", "80-70%", "90-101%", "145-130bpm", "130-190bpm", "fast", "3–4", *ENDLESS]
)
def test_targets_that_are_refused(text: str) -> None:
    with pytest.raises(bands.BandError):
        bands.parse_target(text, table("seven", 184))
