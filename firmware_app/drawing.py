"""The page that stands, drawn on the panel: only what changed, and never so much that strap and sounder wait for it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from firmware_app.core.views import View
from firmware_app.devices.panel import Panel
from firmware_app.faults import Faults
from firmware_app.wiring import Wiring

if TYPE_CHECKING:
    from firmware_app.screens.painter import Painter

LONGEST_DRAW_S = 10.0
"""A picture that took longer was not being drawn all the time: the unit slept meanwhile, and must not stay blank."""


class Drawing:
    """Draws one page after another, where there is a panel, and tells ``Wiring.watch`` of each that is new."""

    def __init__(self, wiring: Wiring, faults: Faults) -> None:
        self._wiring = wiring
        self._faults = faults
        self._painter: Painter | None = None
        self._theme = ""
        self._again_s = float("-inf")

    def show(self, page: Callable[[], View], theme: str) -> None:
        """Draw the page in this theme, unless it was drawn just now. One that cannot be drawn is a fault."""
        clock = self._wiring.clock
        if self._wiring.panel is None or clock.t_s() < self._again_s:
            return
        began_s = clock.t_s()
        self._faults.attempt("panel", partial(self._draw, self._wiring.panel, page, theme))
        # A panel may be slow: strap and sounder have the loop for at least as long. A tick draws what was passed over.
        now_s = clock.t_s()
        self._again_s = now_s + min(now_s - began_s, LONGEST_DRAW_S)

    def _draw(self, panel: Panel, page: Callable[[], View], theme: str) -> None:
        view = page()
        known = self._painter if theme == self._theme else None
        painter = known or _painter(panel.size, theme)
        self._painter, self._theme = None, theme  # begun anew, and whole, after a failure
        picture = painter.paint(view)
        if picture.rows:
            panel.present(picture.surface, picture.rows)
            with contextlib.suppress(OSError):
                self._wiring.watch(view)
        self._painter = painter


def _painter(size: tuple[int, int], theme: str) -> Painter:
    from firmware_app.screens.painter import Painter
    from firmware_app.screens.theme import THEMES

    return Painter(size, THEMES[theme])
