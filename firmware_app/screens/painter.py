"""From a view to pixels, drawing only what changed since the view before."""

from __future__ import annotations

from typing import NamedTuple

from pygame import Rect, Surface

from firmware_app.core.views import View
from firmware_app.screens import pages
from firmware_app.screens.parts import Part
from firmware_app.screens.sheet import Sheet
from firmware_app.screens.theme import Themes

Rows = tuple[tuple[int, int], ...]
"""Rows of pixels as (first, one past the last), from the top, apart from each other."""


class Picture(NamedTuple):
    """A painted panel. ``rows`` are those that differ from the picture before; none when it is the same."""

    surface: Surface
    rows: Rows


class Painter:
    """Paints views of one size in one theme, one after another, on one surface.

    size: width and height in px, from 240x240 up, either way round. The surface has 32 bits a pixel and stays the
    painter's: it is changed by the next ``paint``. Needs no window.
    """

    def __init__(self, size: tuple[int, int], themes: Themes) -> None:
        self.size = size
        self.parts: tuple[Part, ...] = ()
        """What the picture is made of, from the back to the front."""
        self._themes = themes
        self._surface = Surface(size, 0, 32)
        self._view: View | None = None

    def paint(self, view: View) -> Picture:
        """The picture of this view. Equal views have equal pixels."""
        if view == self._view:
            return Picture(self._surface, ())
        inverted = getattr(view, "near_max", False)
        sheet = Sheet(self.size, self._themes.inverted if inverted else self._themes.plain)
        pages.draw(sheet, view)
        changed = self._changed(view, tuple(sheet.parts))
        self.parts = tuple(sheet.parts)
        self._view = view
        for area in changed:
            self._surface.set_clip(area)
            for part in self.parts:
                if area.colliderect(part.box):
                    part.draw(self._surface)
        self._surface.set_clip(None)
        return Picture(self._surface, _rows(changed))

    def _changed(self, view: View, parts: tuple[Part, ...]) -> list[Rect]:
        whole = Rect(0, 0, *self.size)
        if type(view) is not type(self._view) or parts[0] != self.parts[0]:
            return [whole]
        # Overlapping areas become one, so that nothing is drawn twice.
        areas: list[Rect] = []
        for part in set(parts) ^ set(self.parts):
            area = Rect(part.box).clip(whole)
            while (hit := area.collidelist(areas)) >= 0:
                area.union_ip(areas.pop(hit))
            areas.append(area)
        return areas


def _rows(areas: list[Rect]) -> Rows:
    rows: list[tuple[int, int]] = []
    for top, bottom in sorted((area.top, area.bottom) for area in areas if area.height):
        if rows and top <= rows[-1][1]:
            rows[-1] = (rows[-1][0], max(rows[-1][1], bottom))
        else:
            rows.append((top, bottom))
    return tuple(rows)
