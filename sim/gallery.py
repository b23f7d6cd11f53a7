"""The gallery of pages for the README: ``python -m sim.gallery docs/pictures`` draws it anew, by day and by night.

The rider and the ride are invented. The same views serve as examples wherever a page has to be drawn without a ride.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from firmware_app.core.views import (
    FaultView,
    FindingView,
    HomeView,
    ListView,
    PausedView,
    RideView,
    StepView,
    SummaryView,
    TestView,
    View,
)
from firmware_app.screens.theme import THEMES

if TYPE_CHECKING:
    from pygame import Surface

SIZES = ((240, 240), (240, 320), (320, 240), (320, 480), (480, 320), (480, 800), (800, 480))


def _tail(*points: int) -> tuple[int, ...]:
    """Thirty values, one a second, on straight lines through these points."""
    steps = 29
    tail = []
    for i in range(steps + 1):
        at = i / steps * (len(points) - 1)
        before = min(int(at), len(points) - 2)
        tail.append(round(points[before] + (at - before) * (points[before + 1] - points[before])))
    return tuple(tail)


RIDE = RideView(
    percent=78,
    hr_bpm=147,
    band=4,
    band_name="Brisk",
    low_bpm=141,
    high_bpm=154,
    hr_max_bpm=188,
    tail_bpm=_tail(142, 143, 146, 149, 148, 147),
    side=0,
    near_max=False,
    word="",
    step="Climb 2 of 4",
    left="3:20",
    after="Recover",
    elapsed="1:02:45",
    muted="",
    notice="",
    signal="good",
)

EXAMPLES: dict[str, View] = {
    "ride": RIDE,
    "ride, over": replace(
        RIDE, percent=84, hr_bpm=158, band=5, band_name="Hard", side=1, word="ease", tail_bpm=_tail(147, 150, 154, 158)
    ),
    "ride, under": replace(
        RIDE, percent=71, hr_bpm=134, band=3, band_name="Steady", side=-1, word="lift", tail_bpm=_tail(146, 141, 134)
    ),
    "ride, near maximum": replace(
        RIDE,
        percent=96,
        hr_bpm=180,
        band=7,
        band_name="All-out",
        side=1,
        near_max=True,
        word="ease",
        tail_bpm=_tail(168, 174, 178, 180),
        muted="1:40",
    ),
    "ride, no signal": replace(
        RIDE,
        percent=None,
        hr_bpm=None,
        band=None,
        band_name="",
        signal="none",
        tail_bpm=(*_tail(147, 148, 146)[:17], *(None,) * 13),
        notice="No heart rate. Check the strap.",
    ),
    "ride, free": replace(RIDE, low_bpm=None, high_bpm=None, step="", left="", after="", signal="poor", muted="0:35"),
    "finding": FindingView(
        "Looking for the strap",
        "your strap Demo is not in range",
        "put it on, wet its pads, and make sure that no other device is using it",
        (("strap", "Demo"), ("sounder", "failing")),
        ("", "go on", ""),
    ),
    "home": HomeView(
        strap="connected, chest",
        strap_battery="86 %",
        unit_battery="64 %",
        hr_now="72 bpm",
        hr_max="188, formula",
        plan="",
        target="4 Brisk",
        lane="141-154",
        caution="Maximum 188 is only an age formula: yours is likely in 172 to 204.",
        notice="",
        actions=("lower", "ride", "higher"),
    ),
    "paused": PausedView("1:02:45", "4:10", "104 bpm", "141-154", ("", "ride on", "")),
    "step": StepView(
        "Hill repeats",
        (
            ("Warm up", "113-122", "10:00", "done"),
            ("Climb 1 of 3", "141-154", "5:00", "done"),
            ("Recover 1 of 3", "", "4:00", "done"),
            ("Climb 2 of 3", "141-154", "5:00", "now"),
            ("Recover 2 of 3", "", "4:00", "next"),
            ("Climb 3 of 3", "141-154", "5:00", "next"),
            ("Ride home", "0-113", "15:00", "next"),
        ),
        "3:20",
        "Recover ends early when the heart is down.",
        ("back", "ride on", "skip"),
    ),
    "test": TestView(
        "Ramp",
        "171",
        ("step 7: 200 W", "Stop for pain, dizziness, an odd rhythm."),
        "0:40",
        False,
        "",
        ("stop", "", "sprint"),
    ),
    "test, near maximum, a fault": TestView(
        "Sprint",
        "184",
        ("Stop whenever you like.", "Stop for pain, dizziness, an odd rhythm."),
        "0:12",
        True,
        "Ride not being stored. Check the card.",
        ("stop", "", ""),
    ),
    "summary": SummaryView(
        "Ride over",
        "1:31:20",
        "52:10",
        "1:05",
        "181 bpm",
        (
            (1, "Restore", "8:12", 0.09),
            (2, "Easy", "17:20", 0.19),
            (3, "Steady", "21:40", 0.24),
            (4, "Brisk", "33:50", 0.375),
            (5, "Hard", "7:03", 0.08),
            (6, "Severe", "1:40", 0.018),
            (7, "All-out", "0:30", 0.005),
        ),
        ("1 x near max", "3 x above target"),
        "Pain, dizziness or an odd rhythm? See a doctor before you ride. 0:30 near maximum: ride easy next.",
        (
            "Ease off when the unit first says near maximum.",
            "Longest in band 4, Brisk: 33:50 of 1:30:15 known.",
        ),
        ("", "home", ""),
    ),
    "list": ListView(
        "Settings",
        (("Sounds", "on"), ("Light", "day"), ("Brightness", "80 %"), ("Strap", "Demo"), ("What is wrong", "nothing")),
        2,
        "Hold select, then let go: back",
        ("up", "change", "down"),
    ),
    "fault": FaultView(
        "What is wrong",
        (
            "The ride log cannot be written since 0:41:07: no space left.",
            "The lane, the sounds and the keys still work. This ride is kept in memory until there is room.",
        ),
        "storage",
        ("", "back", ""),
    ),
}
"""One view of each page, and the ride in each of its states."""


def sheet(names: tuple[str, ...], sizes: tuple[tuple[int, int], ...], theme: str, columns: int) -> Surface:
    """A montage of these pages in each of the sizes, ``columns`` to a row."""
    from pygame import Surface

    from firmware_app.screens.painter import Painter

    gap = 12
    pictures = [Painter(size, THEMES[theme]).paint(EXAMPLES[name]).surface for size in sizes for name in names]
    rows = [pictures[i : i + columns] for i in range(0, len(pictures), columns)]
    width = max(sum(picture.get_width() + gap for picture in row) for row in rows)
    height = sum(max(picture.get_height() for picture in row) + gap for row in rows)
    whole = Surface((width + gap, height + gap), 0, 32)
    whole.fill((128, 128, 128))
    top = gap
    for row in rows:
        left = gap
        for picture in row:
            whole.blit(picture, (left, top))
            left += picture.get_width() + gap
        top += max(picture.get_height() for picture in row) + gap
    return whole


def main(argv: list[str] | None = None) -> int:
    """Write the montages of the README into the folder that is named, and say which."""
    arguments = sys.argv[1:] if argv is None else argv
    if len(arguments) != 1 or arguments[0].startswith("-"):
        print("usage: python -m sim.gallery FOLDER", file=sys.stderr)
        return 2
    import pygame.image

    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    ride = tuple(name for name in EXAMPLES if name.startswith("ride"))
    other = tuple(name for name in EXAMPLES if not name.startswith("ride"))
    for theme in ("day", "night"):
        for part, picture in (
            ("ride", sheet(ride, ((480, 320),), theme, 3)),
            ("pages", sheet(other, ((320, 240),), theme, 4)),
        ):
            path = folder / f"{part}-{theme}.png"
            pygame.image.save(picture, path)
            print(path)
    path = folder / "sizes.png"
    pygame.image.save(sheet(("ride, over",), SIZES, "day", 4), path)
    print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
