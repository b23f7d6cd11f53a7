"""The ride page: a road seen from above. The panel is the road, its sides are the ridged edges of the lane.

The low limit runs down the left side and the high limit down the right; on the free ground between them stand the
numbers, and at the lower end moves the marker with its tail.
"""

from __future__ import annotations

from pygame import Rect

from firmware_app.core.views import TAIL_S, RideView
from firmware_app.screens.parts import Fill, Hatch, Ridges, Shape, boxed, extent, trail
from firmware_app.screens.sheet import Sheet, cut_top

FREE_SPAN_BPM = 40
"""What the road is wide, where a lane has no low limit or there is no lane at all."""

NO_NUMBER = "--"
NEAR_MAX = "near maximum"

_SIGN = 0.36
"""The percent sign against the number."""

_CAR = ((500, 0), (1000, 1000), (500, 760), (0, 1000))


class Road:
    """Where a heart rate lies across the panel.

    ``edge`` is the width of an edge strip, ``verge`` of the whole side of the road: the strip and the ground beyond.
    """

    def __init__(self, sheet: Sheet, view: RideView) -> None:
        width, height = sheet.size
        self.width = width
        self.verge = round(0.11 * min(width, 1.3 * height))
        self.edge = round(0.45 * self.verge)
        self.has_lane = view.high_bpm is not None
        known = [bpm for bpm in (*view.tail_bpm, view.hr_bpm) if bpm is not None]
        middle = sum(known) / len(known) if known else 0.0
        self.high_bpm: float = view.high_bpm if view.high_bpm is not None else middle + FREE_SPAN_BPM / 2
        # Band 1 reaches down to nothing: there is no edge to its left, and nobody to be told to hurry.
        self.has_low = bool(view.low_bpm)
        self.low_bpm: float = view.low_bpm if view.low_bpm else self.high_bpm - FREE_SPAN_BPM

    def x(self, hr_bpm: float) -> int:
        """Across the panel in px. A beat outside a limit is already beyond the strip: inside and outside never touch.

        The farther out, the nearer to the side of the panel, which ten beats reach.
        """
        if hr_bpm > self.high_bpm and self.has_lane:
            return round(self.width - self._beyond(hr_bpm - self.high_bpm))
        if hr_bpm < self.low_bpm and self.has_low:
            return round(self._beyond(self.low_bpm - hr_bpm))
        part = (hr_bpm - self.low_bpm) / max(self.high_bpm - self.low_bpm, 1)
        inset = self.verge * 1.15
        return round(inset + min(max(part, 0.0), 1.0) * (self.width - 2 * inset))

    def _beyond(self, out_bpm: float) -> float:
        ground = self.verge - self.edge
        return ground * (0.9 - 0.3 * min(out_bpm / 10, 1.0))


def draw(sheet: Sheet, view: RideView) -> None:
    """The whole page."""
    road = Road(sheet, view)
    body = sheet.body()
    inner = Rect(road.verge + sheet.pad, body.top, sheet.size[0] - 2 * (road.verge + sheet.pad), body.height)
    if not road.has_lane:
        inner = Rect(body)
    _edges(sheet, view, road)
    _status(sheet, view, cut_top(inner, sheet.px(0.75)))
    sheet.notice(inner, view.notice)

    # The number gets what the others leave, as far as the width lets it grow; the rest goes to the road.
    tall = sheet.size[1] > 1.2 * sheet.size[0]
    lines = [0.98, 0.98, 0.9, 0.9] if tall else [1.0, 0.92]
    header, road_px = sheet.px(1.45), sheet.px(1.75)
    number = _number_text(view)
    widest = inner.width / (_number_width(number, 100) / 100)
    free = inner.height - header - road_px - sum(sheet.px(line) for line in lines)
    # With little room the road gives way before the number does.
    least = min(sheet.px(2.4), int((free + road_px - sheet.px(0.7)) / 1.05))
    cap = max(sheet.floor_px, min(max(int(0.9 * free), least), int(widest), sheet.px(4.6)))
    gap = min(max(free - cap, 0) // 3, sheet.px(0.5))
    _number(sheet, number, cut_top(inner, round(1.04 * cap) + gap), cap)
    cut_top(inner, gap // 2)
    _facts(sheet, view, [cut_top(inner, sheet.px(line)) for line in lines])
    cut_top(inner, gap)
    _header(sheet, view, road, cut_top(inner, header))
    _lane(sheet, view, road, inner)


def _number_text(view: RideView) -> str:
    return NO_NUMBER if view.percent is None else str(view.percent)


def _number_width(number: str, cap_px: int) -> int:
    return extent(number, cap_px)[0] + round(0.07 * cap_px) + extent("%", round(_SIGN * cap_px))[0]


def _number(sheet: Sheet, number: str, box: Rect, cap_px: int) -> None:
    """The number and its sign on the middle of the lane, the sign hung from the top of the digits."""
    # Round digits reach a little under their base line.
    base = min(box.top + (box.height + cap_px) // 2, box.bottom - extent(number, cap_px)[2])
    if number == NO_NUMBER:
        sheet.write(box.centerx - extent(number, cap_px)[0] // 2, base, number, cap_px)
        return
    covered = sheet.write(box.centerx - _number_width(number, cap_px) // 2, base, number, cap_px)
    small = round(_SIGN * cap_px)
    sheet.write(covered.right + round(0.07 * cap_px), base - cap_px + small, "%", small, sheet.theme.quiet)


def _status(sheet: Sheet, view: RideView, box: Rect) -> None:
    """Ridden time left; right whatever is out of the ordinary, which pushes the time out when both do not fit."""
    odd = [
        "weak signal" if view.signal == "poor" else "",
        # Near maximum sounds all the same.
        f"sound off {view.muted}" if view.muted and not view.near_max else "",
    ]
    cap = sheet.px(0.46)
    said = " · ".join(text for text in odd if text)
    covered = sheet.text(box, said, cap, align="right")
    room = box.width - covered.width - cap
    if extent(view.elapsed, cap)[0] <= room:
        sheet.text(Rect(box.left, box.top, room, box.height), view.elapsed, cap, ink=sheet.theme.quiet)


def _facts(sheet: Sheet, view: RideView, lines: list[Rect]) -> None:
    """Band and heart rate, step and what is left of it: in pairs, or one under another where the panel is tall.

    Near maximum no step counts: by night a lane left looks much as this does by day, so its name stands there, large.
    """
    theme = sheet.theme
    band, bpm = "no signal", ""
    if view.percent is not None:
        band, bpm = f"{view.band} {view.band_name}", f"{view.hr_bpm} bpm"
    if len(lines) == 2:
        if bpm:
            sheet.pair(lines[0], band, bpm, sheet.px(0.62))
        else:
            sheet.text(lines[0], band, sheet.px(0.62), align="centre")
        if view.near_max:
            sheet.text(lines[1], NEAR_MAX, sheet.px(0.62), align="centre")
        else:
            sheet.pair(lines[1], view.step, view.left, sheet.px(0.54), theme.quiet, theme.ink)
        return
    big, small = sheet.px(0.6), sheet.px(0.54)
    sheet.text(lines[0], band, big, align="centre")
    sheet.text(lines[1], bpm, big, align="centre")
    if view.near_max:
        sheet.text(lines[2], NEAR_MAX, big, align="centre")
        return
    if extent(view.step, small)[0] + extent(view.left, small)[0] + small <= lines[2].width:
        sheet.pair(lines[2], view.step, view.left, small, theme.quiet, theme.ink)
        if view.after:
            sheet.text(lines[3], f"then {view.after}", small, ink=theme.quiet)
    else:
        sheet.text(lines[2], view.step, small, ink=theme.quiet)
        sheet.text(lines[3], view.left, small, align="right")


def _edges(sheet: Sheet, view: RideView, road: Road) -> None:
    """The ridged edges; the one that was left widens over its whole verge and hatches."""
    width, height = sheet.size
    theme = sheet.theme
    bar = max(3, sheet.px(0.17))
    line = max(3, sheet.px(0.13))
    for side, there in ((-1, road.has_lane and road.has_low), (1, road.has_lane)):
        if not there:
            continue
        if view.side == side:
            left = 0 if side < 0 else width - road.verge
            sheet.parts.append(Hatch((left, 0, road.verge, height), theme.ink, theme.paper, 2 * bar, side))
            left = road.verge - line if side < 0 else width - road.verge
            sheet.parts.append(Fill((left, 0, line, height), theme.ink))
        else:
            left = road.verge - road.edge if side < 0 else width - road.verge
            sheet.parts.append(Ridges((left, 0, road.edge, height), theme.ink, bar))


def _header(sheet: Sheet, view: RideView, road: Road, box: Rect) -> None:
    """Over the road: its limits at their edges, and between them the word that says what to do.

    The word is never made smaller for the sake of the limits: where there is no room for both, they give way.
    """
    cap, word_cap = sheet.px(0.46), sheet.px(1.15)
    word = view.word.upper()  # as it would be painted on a road
    low = str(view.low_bpm) if road.has_lane and road.has_low else ""
    high = str(view.high_bpm) if road.has_lane else ""
    head = round(0.45 * word_cap)
    around = 2 * head + round(0.7 * word_cap)
    if word:
        beside = 2 * (max(extent(low, cap)[0], extent(high, cap)[0]) + cap // 2)
        if extent(word, word_cap)[0] + around + beside > box.width:
            low = high = ""
    sheet.text(box, low, cap, ink=sheet.theme.quiet)
    sheet.text(box, high, cap, align="right", ink=sheet.theme.quiet)
    if not word:
        if not road.has_lane:
            sheet.text(box, "no target", cap, align="centre", ink=sheet.theme.quiet)
        return
    text, word_cap = sheet.fitted(word, box.inflate(-around, 0), word_cap)
    width = extent(text, word_cap)[0] + around
    plate = Rect(0, box.top, min(width, box.width), box.height)
    plate.centerx = box.centerx
    colour = sheet.theme.accent
    sheet.parts.append(Fill(boxed(plate), colour))
    # The arrow points back to the lane.
    arrow = Rect(0, 0, head, round(0.8 * word_cap))
    arrow.centery = plate.centery
    inside = plate.inflate(-round(0.5 * word_cap), 0)
    if view.side >= 0:
        arrow.left = inside.left
        sheet.arrow(arrow, -1, sheet.theme.paper)
        inside.left, inside.width = inside.left + head, inside.width - head
    else:
        arrow.right = inside.right
        sheet.arrow(arrow, 1, sheet.theme.paper)
        inside.width -= head
    sheet.text(inside, text, word_cap, align="centre", ink=sheet.theme.paper, paper=colour)


def _lane(sheet: Sheet, view: RideView, road: Road, box: Rect) -> None:
    """The marker and behind it the last half minute."""
    theme = sheet.theme
    size = min(sheet.px(0.95), box.height)
    top = box.top + sheet.px(0.1)
    bottom = box.bottom
    middle = sheet.size[0] // 2
    dash = Rect(0, 0, max(2, sheet.px(0.1)), sheet.px(0.36))
    for y in range(top, bottom - dash.height + 1, 2 * dash.height):
        sheet.parts.append(Fill((middle - dash.width // 2, y, dash.width, dash.height), theme.quiet))
    rim = max(1, sheet.px(0.07))
    points = _tail(sheet, view, road, top + round(0.8 * size), bottom - rim)
    if any(points):
        sheet.parts.append(trail(theme.accent, theme.paper, rim, points))
    if view.hr_bpm is None:
        return
    marker = Rect(0, top, round(0.85 * size), size)
    marker.centerx = road.x(_told_bpm(view, view.hr_bpm))
    marker.clamp_ip(Rect(2, 2, sheet.size[0] - 4, sheet.size[1] - 4))
    halo = marker.inflate(4 * rim, 4 * rim)
    sheet.parts.append(Shape(boxed(halo.clip(Rect(0, 0, *sheet.size))), theme.paper, _CAR))
    sheet.parts.append(Shape(boxed(marker), theme.accent, _CAR))


def _told_bpm(view: RideView, hr_bpm: int) -> int:
    """Where the marker stands: over the edge while the rider is told so, though the whole beat may be the limit's."""
    if view.side > 0 and view.high_bpm is not None:
        return max(hr_bpm, view.high_bpm + 1)
    if view.side < 0 and view.low_bpm is not None:
        return min(hr_bpm, view.low_bpm - 1)
    return hr_bpm


def _tail(sheet: Sheet, view: RideView, road: Road, top: int, bottom: int) -> list[tuple[float, float, float] | None]:
    """The last half minute as points of a trail, oldest first, from ``bottom`` up to the marker at ``top``."""
    thin, thick = 0.05 * sheet.base, 0.13 * sheet.base
    xs = [None if bpm is None else road.x(bpm) for bpm in view.tail_bpm]
    points: list[tuple[float, float, float] | None] = []
    for i, x in enumerate(xs):
        age = len(xs) - 1 - i
        # A whole beat is a step on a wide road: the mean over five seconds makes it a line again.
        near = [other for other in xs[max(0, i - min(2, age)) : i + min(2, age) + 1] if other is not None]
        half = thick - (thick - thin) * age / TAIL_S
        y = top + (bottom - thick - top) * age / (TAIL_S - 1)
        points.append(None if x is None else (round(sum(near) / len(near), 1), round(y, 1), round(half, 1)))
    return points
