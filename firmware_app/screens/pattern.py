"""A test pattern: whether the panel shows every pixel, the right way up, in the right colours."""

from __future__ import annotations

from pygame import Rect, Surface

from firmware_app.screens.parts import Fill
from firmware_app.screens.sheet import Sheet, cut_bottom, cut_top
from firmware_app.screens.theme import Themes

_COLOURS = (("red", (220, 0, 0)), ("green", (0, 160, 0)), ("blue", (0, 60, 255)))


def pattern(size: tuple[int, int], themes: Themes) -> Surface:
    """A frame on the outermost pixels, the colours with their names, the ramp from black to white, and the columns.

    A missing side of the frame is a wrong size or rotation, a wrong colour a wrong order of bits, bands in the ramp
    are few bits a colour.
    """
    sheet = Sheet(size, themes.plain)
    width, height = size
    body = sheet.body()
    sheet.parts.append(Fill((0, 0, width, height), themes.plain.ink))
    sheet.parts.append(Fill((2, 2, width - 4, height - 4), themes.plain.paper))
    sheet.text(cut_top(body, sheet.px(1.2)), f"top · {width}x{height}", sheet.px(0.5), align="centre")
    sheet.actions(body, ("minus", "select", "plus"))
    ramp = cut_bottom(body, body.height // 3)
    for i in range(32):
        left, right = (ramp.left + ramp.width * n // 32 for n in (i, i + 1))
        sheet.parts.append(Fill((left, ramp.top, right - left, ramp.height), (255 * i // 31,) * 3))
    for i, (name, colour) in enumerate(_COLOURS):
        left, right = (body.left + body.width * n // 3 for n in (i, i + 1))
        bar = Rect(left, body.top, right - left, body.height)
        label = cut_bottom(bar, sheet.px(1.0))
        sheet.parts.append(Fill((bar.left, bar.top, bar.width, bar.height), colour))
        sheet.text(label, name, sheet.px(0.42), align="centre")
    surface = Surface(size, 0, 32)
    for part in sheet.parts:
        part.draw(surface)
    return surface
