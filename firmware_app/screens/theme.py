"""Two inks and one accent, for day and for night. Bands have no colour: they are told apart by number and word.

Every ink and the accent keep 7:1 or better against the paper (relative luminance, W3C WCAG 2.1, 1.4.6), and the paper
against them, so that a text may stand on either.
"""

from __future__ import annotations

from dataclasses import dataclass

Colour = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours as sRGB, 0 to 255. ``ink`` is for what matters now, ``quiet`` for the rest, ``accent`` for the rider."""

    paper: Colour
    ink: Colour
    quiet: Colour
    accent: Colour


@dataclass(frozen=True, slots=True)
class Themes:
    """A theme and what it turns into near maximum, when the whole panel inverts: paper and ink change places."""

    plain: Theme
    inverted: Theme


_CHALK, _TAR = (247, 244, 236), (15, 18, 22)
_BONE, _SOOT = (226, 220, 208), (9, 11, 14)

DAY = Themes(
    plain=Theme(paper=_CHALK, ink=_TAR, quiet=(66, 70, 76), accent=(146, 38, 0)),
    inverted=Theme(paper=_TAR, ink=_CHALK, quiet=(184, 182, 176), accent=(255, 168, 56)),
)
# The night paper is black and its ink is not white: even inverted, the panel must not blind a rider in the dark.
NIGHT = Themes(
    plain=Theme(paper=_SOOT, ink=_BONE, quiet=(172, 168, 158), accent=(255, 168, 56)),
    inverted=Theme(paper=_BONE, ink=_SOOT, quiet=(50, 53, 58), accent=(118, 30, 0)),
)
THEMES: dict[str, Themes] = {"day": DAY, "night": NIGHT}
