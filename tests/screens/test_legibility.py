"""Every page, size and theme: contrast and character height from the pixels, nothing outside or overlapping."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pygame.font
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pygame import Rect

from firmware_app.core import views
from firmware_app.core.views import FindingView, HomeView, ListView, RideView, StepView, View
from firmware_app.screens.painter import Painter
from firmware_app.screens.parts import Fill, Hatch, Ridges, Shape, Text, Trail
from firmware_app.screens.theme import DAY, NIGHT, Themes
from sim.gallery import EXAMPLES, RIDE, SIZES
from tests.screens.sight import VISION, arc_minutes, colours_of, contrast, ground_and_ink, ink_height, pixels

SMALLEST_MM_PER_PX = 0.0975
"""A 240x240 panel of 1.3 inch: 33.0 mm across 339.4 px; the finest pitch of the panels that are built for this."""

every_size = pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
every_theme = pytest.mark.parametrize("themes", [DAY, NIGHT], ids=["day", "night"])


def _painted(size: tuple[int, int], themes: Themes, view: View) -> Painter:
    painter = Painter(size, themes)
    painter.picture = painter.paint(view)  # type: ignore[attr-defined]
    return painter


def _texts(painter: Painter) -> list[Text]:
    return [part for part in painter.parts if isinstance(part, Text)]


def _assert_apart(painter: Painter) -> None:
    """Texts lie inside the panel, on one plain ground, and nothing is drawn over them."""
    panel = Rect(0, 0, *painter.size)
    for part in painter.parts:
        if isinstance(part, Shape | Trail):
            continue  # the marker may be cut by the side of the panel, never by a text: see below
        assert panel.contains(Rect(part.box)), part
    for at, text in enumerate(painter.parts):
        if not isinstance(text, Text):
            continue
        box = Rect(text.box)
        ground = None
        for other in painter.parts[:at]:
            if box.colliderect(other.box):
                assert isinstance(other, Fill), (text, other)
                assert Rect(other.box).contains(box), (text, other)
                ground = other.colour
        assert ground == text.paper, text
        for other in painter.parts[at + 1 :]:
            assert not box.colliderect(other.box), (text, other)


@every_size
@every_theme
def test_every_text_has_seven_to_one_and_a_place_of_its_own(size, themes) -> None:
    for name, view in EXAMPLES.items():
        painter = _painted(size, themes, view)
        _assert_apart(painter)
        for text in _texts(painter):
            ground, ink = ground_and_ink(pixels(painter.picture.surface, text.box))
            assert contrast(ground, ink) >= 7, (name, text, contrast(ground, ink))


NAMES = ("Überschwelle gäbig", "Gängige Übungsjagd", "7 Über-Schwellenbereich", "Åkjøring ç", "Ģenķis", "Ŷşțą", "Brisk")
PLAN = "Überschwellenintervalle am Nachmittag XL"
NAMED = {
    "ride": replace(RIDE, band=7, band_name=NAMES[0], step=PLAN, after=NAMES[1], notice=NAMES[3]),
    "home": replace(EXAMPLES["home"], target=f"7 {NAMES[0]}", strap=NAMES[3], limit=NAMES[1], notice=NAMES[4]),
    "home, a plan": replace(EXAMPLES["home"], plan=PLAN, target="1:20:00", lane=""),
    "step": replace(EXAMPLES["step"], plan=PLAN, steps=tuple((name, "", "5:00", "next") for name in NAMES)),
    "list": replace(EXAMPLES["list"], title=PLAN, rows=tuple((name, name) for name in NAMES)),
    "finding": FindingView("Looking", f"{NAMES[1]} is not in range", NAMES[0], tuple((name, name) for name in NAMES)),
    "summary": replace(
        EXAMPLES["summary"],
        bands=tuple((number, name, "10:00", 0.1) for number, name in enumerate(NAMES, start=1)),
    ),
}


def _inked(area: np.ndarray, paper: tuple[int, int, int]) -> list[int]:
    """The rows that anything is written in."""
    written = np.abs(area.astype(int) - paper).sum(axis=2) > 60
    return [int(row) for row in np.flatnonzero(written.any(axis=1))]


@every_size
@every_theme
@pytest.mark.parametrize("name", NAMED)
def test_letters_are_whole_from_accent_to_descender(size, themes, name) -> None:
    painter = _painted(size, themes, NAMED[name])
    _assert_apart(painter)
    for text in _texts(painter):
        # The same words on a ground without end, four times as large.
        font = pygame.font.Font(None, 8 * text.cap_px)
        free = _inked(pixels(font.render(text.text, True, (0, 0, 0), (255, 255, 255))), (255, 255, 255))
        rows = _inked(pixels(painter.picture.surface, text.box), text.paper)
        assert rows[-1] - rows[0] + 1 >= (free[-1] - free[0] + 1) / 4 - 1, text


@every_size
def test_no_name_of_a_band_is_left_out_for_its_letters(size) -> None:
    said = [text.text for text in _texts(_painted(size, DAY, NAMED["summary"]))]
    for number, name in enumerate(NAMES, start=1):
        assert any(text.startswith(f"{number} {name[:4]}") for text in said), (name, said)


@every_size
def test_a_day_in_one_band_is_written_whole(size) -> None:
    day = replace(NAMED["summary"], bands=tuple((*band[:2], "23:45:10", band[3]) for band in NAMED["summary"].bands))
    painter = _painted(size, DAY, day)
    _assert_apart(painter)
    assert [text.text for text in _texts(painter)].count("23:45:10") == len(NAMES)


@every_size
@every_theme
@pytest.mark.parametrize("percent", [78, 96, 103])
@pytest.mark.parametrize("notice", ["", "The strap's battery is low: put in a new one after the ride, it is a CR2032."])
def test_the_number_is_read_from_75_cm(size, themes, percent, notice) -> None:
    """ISO 15008: 20 minutes of arc recommended, 16 acceptable; from memory."""
    painter = _painted(size, themes, replace(RIDE, percent=percent, notice=notice))
    number = next(text for text in _texts(painter) if text.text == str(percent))
    height_px = ink_height(pixels(painter.picture.surface, number.box))
    assert arc_minutes(height_px * SMALLEST_MM_PER_PX) >= 20


@every_size
@every_theme
@pytest.mark.parametrize("name", ["ride, over", "ride, under", "ride, near maximum"])
def test_the_word_is_read_from_75_cm(size, themes, name) -> None:
    """ISO 15008: 12 minutes of arc is the least; from memory."""
    view = EXAMPLES[name]
    painter = _painted(size, themes, view)
    word = next(text for text in _texts(painter) if text.text.lower() == view.word)
    height_px = ink_height(pixels(painter.picture.surface, word.box))
    assert arc_minutes(height_px * SMALLEST_MM_PER_PX) >= 12


def test_the_measures_agree_with_their_definitions() -> None:
    """Black on white is 21:1 (WCAG 2.1); #767676 is the lightest grey with 4.5:1 on white, widely printed."""
    white, black = np.array([255, 255, 255]), np.array([0, 0, 0])
    assert contrast(white, black) == pytest.approx(21)
    assert contrast(white, np.array([0x76] * 3)) == pytest.approx(4.54, abs=0.01)
    # 20 minutes of arc at 75 cm: 750 mm x tan(20/60 degrees).
    assert arc_minutes(4.363) == pytest.approx(20, abs=0.01)
    for matrix in VISION.values():
        assert matrix.sum(axis=1) == pytest.approx(1, abs=1e-5)


@every_size
@every_theme
@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("name", ["ride, over", "ride, under", "ride, near maximum"])
def test_the_lane_reads_without_colour(size, themes, vision, name) -> None:
    painter = _painted(size, themes, EXAMPLES[name])
    image = pixels(painter.picture.surface)
    ridges = Rect(next(part.box for part in painter.parts if isinstance(part, Ridges)))
    hatch = Rect(next(part.box for part in painter.parts if isinstance(part, Hatch)))
    halo, marker = (Rect(part.box) for part in [part for part in painter.parts if isinstance(part, Shape)][-2:])
    plate = Rect([part for part in painter.parts if isinstance(part, Fill)][-1].box)
    road = image[2, size[0] // 2]
    assert plate  # the word's own contrast is measured above
    for edge in (ridges, hatch):
        colours, _ = colours_of(image[:40, edge.left : edge.right])
        strongest = max(contrast(colour, road, vision) for colour in colours)
        assert strongest >= 3
    car = image[marker.top + marker.height * 2 // 3, marker.centerx]
    assert contrast(car, road, vision) >= 3
    # On the hatch the marker keeps a rim in the colour of the road.
    row = image[marker.top + marker.height * 2 // 3, max(halo.left, 0) : min(halo.right, size[0])]
    assert any((colour == road).all() for colour in row)


@every_size
def test_leaving_the_lane_shows_three_ways(size) -> None:
    inside = _painted(size, DAY, RIDE)
    for name, side in (("ride, under", -1), ("ride, over", 1)):
        painter = _painted(size, DAY, EXAMPLES[name])
        calm = [Rect(part.box) for part in inside.parts if isinstance(part, Ridges)]
        (hatch,) = [Rect(part.box) for part in painter.parts if isinstance(part, Hatch)]
        edge = calm[0] if side < 0 else calm[1]
        assert hatch.contains(edge)
        assert hatch.width > 2 * edge.width
        assert EXAMPLES[name].word in [text.text.lower() for text in _texts(painter)]
        marker = Rect([part.box for part in painter.parts if isinstance(part, Shape)][-1])
        assert marker.centerx < edge.left if side < 0 else marker.centerx > edge.right
        marker = Rect([part.box for part in inside.parts if isinstance(part, Shape)][-1])
        assert calm[0].right < marker.centerx < calm[1].left


def test_a_limit_itself_is_inside_and_the_next_beat_is_out() -> None:
    for size in SIZES:
        for hr_bpm, out in ((141, False), (140, True), (154, False), (155, True)):
            painter = _painted(size, DAY, replace(RIDE, hr_bpm=hr_bpm))
            left, right = (Rect(part.box) for part in painter.parts if isinstance(part, Ridges))
            marker = Rect([part.box for part in painter.parts if isinstance(part, Shape)][-1])
            assert (not left.right <= marker.centerx <= right.left) == out


@every_theme
def test_near_maximum_inverts(themes) -> None:
    high = replace(RIDE, percent=96, word="ease", side=1)
    plain = pixels(_painted((480, 320), themes, high).picture.surface)
    turned = pixels(_painted((480, 320), themes, replace(high, near_max=True)).picture.surface)
    assert (plain[2, 240] != turned[2, 240]).all()
    assert contrast(plain[2, 240], turned[2, 240]) >= 7
    assert themes.inverted.paper == themes.plain.ink


def test_bands_have_no_colour() -> None:
    def colours(band: int, name: str) -> set[tuple[int, ...]]:
        painter = _painted((480, 320), DAY, replace(RIDE, band=band, band_name=name))
        return {tuple(map(int, colour)) for colour in colours_of(pixels(painter.picture.surface))[0]}

    theme = {DAY.plain.paper, DAY.plain.ink, DAY.plain.quiet, DAY.plain.accent}
    for band, name in enumerate(("Restore", "Easy", "Steady", "Brisk", "Hard", "Severe", "All-out"), start=1):
        painter = _painted((480, 320), DAY, replace(RIDE, band=band, band_name=name))
        assert f"{band} {name}" in [text.text for text in _texts(painter)]
        assert theme <= colours(band, name)
        for part in painter.parts:
            for field in ("colour", "ink", "paper", "rim"):
                assert getattr(part, field, DAY.plain.ink) in theme


@every_size
def test_no_signal_shows_no_number(size) -> None:
    painter = _painted(size, DAY, EXAMPLES["ride, no signal"])
    texts = [text.text for text in _texts(painter)]
    assert "--" in texts
    assert "no signal" in texts
    assert not any("bpm" in text or "%" in text for text in texts)
    assert not any(isinstance(part, Shape) for part in painter.parts), "a marker where nobody knows"


@every_size
def test_what_is_out_of_the_ordinary_is_said(size) -> None:
    view = replace(RIDE, signal="poor", muted="1:40", notice="Battery low")
    said = " ".join(text.text for text in _texts(_painted(size, DAY, view)))
    for word in ("weak signal", "sound off", "1:40", "Battery low"):
        assert word in said


# --- any text, any size ---------------------------------------------------------------------------------------------

words = st.one_of(
    st.text(max_size=60),
    st.text(alphabet=st.characters(codec="latin-1"), max_size=60),
    st.sampled_from(["", "Å" * 40, "gjpqy ÉÀÜ Ģŷļșą", "a very long notice " * 12, "until 120 bpm", "1234567890" * 2]),
)
sizes = st.tuples(st.integers(240, 820), st.integers(240, 820))
maybe_bpm = st.one_of(st.none(), st.integers(30, 230))
triple = st.tuples(words, words, words)
ride_views = st.builds(
    RideView,
    percent=st.one_of(st.none(), st.integers(15, 130)),
    hr_bpm=maybe_bpm,
    band=st.one_of(st.none(), st.integers(1, 12)),
    band_name=words,
    low_bpm=st.one_of(st.none(), st.integers(0, 150)),
    high_bpm=st.one_of(st.none(), st.integers(151, 230)),
    hr_max_bpm=st.integers(120, 230),
    tail_bpm=st.lists(maybe_bpm, max_size=40).map(tuple),
    side=st.sampled_from([-1, 0, 1]),
    near_max=st.booleans(),
    word=st.sampled_from(["", "ease", "lift"]),
    step=words,
    left=words,
    after=words,
    elapsed=words,
    muted=st.sampled_from(["", "1:40"]),
    notice=words,
    signal=st.sampled_from(["good", "poor", "none"]),
)
other_views = st.one_of(
    st.builds(FindingView, words, words, words, st.lists(st.tuples(words, words), max_size=6).map(tuple), triple),
    st.builds(HomeView, *[words] * 10, triple, words),
    st.builds(
        views.TestView, words, words, st.lists(words, max_size=4).map(tuple), words, st.booleans(), words, triple
    ),
    st.builds(
        StepView,
        words,
        st.lists(st.tuples(words, words, words, st.sampled_from(["done", "now", "next"])), max_size=15).map(tuple),
        words,
        words,
        triple,
    ),
    st.integers(0, 20).flatmap(
        lambda count: st.builds(
            ListView,
            words,
            st.lists(st.tuples(words, words), min_size=count, max_size=count).map(tuple),
            st.integers(0, max(count - 1, 0)),
            words,
            triple,
        )
    ),
)


@settings(max_examples=120)
@given(size=sizes, view=st.one_of(ride_views, other_views))
def test_no_text_ever_leaves_its_place(size, view) -> None:
    _assert_apart(_painted(size, DAY, view))


@settings(max_examples=30)
@given(first=ride_views, second=st.one_of(ride_views, other_views), size=st.sampled_from(SIZES[:4]))
def test_equal_views_have_equal_pixels_however_they_came_about(first, second, size) -> None:
    painter = Painter(size, DAY)
    painter.paint(first)
    before = pixels(painter.paint(second).surface)
    after, rows = painter.paint(first)
    fresh = pixels(Painter(size, DAY).paint(replace(first)).surface)
    assert np.array_equal(pixels(after), fresh)
    same = np.ones(size[1], dtype=bool)
    for top, bottom in rows:
        same[top:bottom] = False
    assert np.array_equal(before[same], fresh[same]), "a row changed and was not named"
    assert painter.paint(replace(first)).rows == ()
