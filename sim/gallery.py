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
_KEYS = ("Resume", "Steps", "End: hold")

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
        notice="No heart rate for 40 s: wet the strap and press it on.",
    ),
    "ride, free": replace(RIDE, low_bpm=None, high_bpm=None, step="", left="", after="", signal="poor", muted="0:35"),
    "finding": FindingView(
        "Finding the strap",
        "No strap answers.",
        "Put it on and wet its electrodes: most straps sleep until they feel skin.",
        (("radio", "ready"), ("remembered strap", "DE:MO:00:00:00:01"), ("searching for", "0:42")),
        ("Settings", "Ride", "Pair"),
    ),
    "home": HomeView(
        strap="Strap in contact",
        strap_battery="86 %",
        unit_battery="64 %",
        hr_now="72 bpm",
        hr_max="188 bpm",
        plan="Hill repeats",
        target="4 Brisk",
        lane="141-154 bpm",
        caution="The maximum is only a formula: trust how it feels.",
        notice="",
        actions=("Target -", "Ride", "Target +"),
    ),
    "paused": PausedView("1:02:45", "4:10", "104 bpm", "4 Brisk 141-154", _KEYS),
    "step": StepView(
        "Hill repeats",
        (
            ("Warm up", "2 Easy", "10:00", "done"),
            ("Climb 1", "4 Brisk", "5:00", "done"),
            ("Recover", "until 120 bpm", "", "done"),
            ("Climb 2", "4 Brisk", "5:00", "now"),
            ("Recover", "until 120 bpm", "", "next"),
            ("Climb 3", "4 Brisk", "5:00", "next"),
            ("Ride home", "1 Restore", "15:00", "next"),
        ),
        "3:20",
        "Recover ends early when the heart is down.",
        ("Back", "Skip: hold", "Longer"),
    ),
    "test": TestView(
        "Last ramp",
        "171",
        (
            "Seated, a little harder every minute, until you cannot.",
            "Stop at once for chest pain, dizziness or a beat that stumbles.",
        ),
        "0:40",
        False,
        "",
        ("", "Stop", ""),
    ),
    "test, near maximum, a fault": TestView(
        "Sprint",
        "184",
        ("Yours, as long as you want it.", "Stop for pain, dizziness, an odd rhythm."),
        "0:12",
        True,
        "Ride not being stored. Check the card.",
        ("stop", "", ""),
    ),
    "summary": SummaryView(
        "Ride done",
        "1:31:20",
        "52:10",
        "1:05",
        "181 bpm, 96 %",
        (
            (1, "Restore", "8:12", 0.09),
            (2, "Easy", "17:20", 0.19),
            (3, "Steady", "21:40", 0.24),
            (4, "Brisk", "33:50", 0.375),
            (5, "Hard", "7:03", 0.08),
            (6, "Severe", "1:40", 0.018),
            (7, "All-out", "0:30", 0.005),
        ),
        ("3 times over the target, 4:10 in all.", "Once near maximum, for 0:30."),
        "Four climbs, and the last as steady as the first.",
        ("", "Done", ""),
    ),
    "list": ListView(
        "Settings",
        (("Sounds", "on"), ("Theme", "day"), ("Brightness", "80 %"), ("Pair a strap", ""), ("Back", "")),
        2,
        "Changes are kept at once.",
        ("-", "Next", "+"),
    ),
    "fault": FaultView(
        "Storage fault",
        (
            "The ride log cannot be written since 0:41:07: no space left.",
            "The lane, the sounds and the keys still work. This ride is kept in memory until there is room.",
        ),
        "storage: E28, unit 0.1.0",
        ("", "Go on", ""),
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
    if len(arguments) != 1:
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
