"""Every page but the ride, and which view is drawn by which."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from pygame import Rect

from firmware_app.core import views
from firmware_app.screens import ride
from firmware_app.screens.parts import Fill, Hatch, Ridges, boxed, extent
from firmware_app.screens.sheet import LEADING, Block, Sheet, cut_bottom, cut_left, cut_top, shortened

TEXT = 0.52
"""Capitals of ordinary text, in bases."""

NAMES = 0.42
"""The bands' names after a ride: so much of the width at most."""


def draw(sheet: Sheet, view: views.View) -> None:
    """Put the page of this view on the sheet."""
    _PAGES[type(view)](sheet, view)


def _wide(sheet: Sheet) -> bool:
    return sheet.size[0] > 1.2 * sheet.size[1]


def _big(sheet: Sheet, box: Rect, text: str) -> Rect:
    """One text as large as the box allows."""
    return sheet.text(box, text, box.height, align="centre")


def _finding(sheet: Sheet, view: views.FindingView) -> None:
    body = sheet.body()
    sheet.actions(body, view.actions)
    sheet.title(body, view.doing)
    theme = sheet.theme
    blocks = [
        Block(view.wrong, scale=1.15, lines=5),
        Block(view.cure, ink=theme.accent, lines=6, space=0.35),
        *(Block(part, state, space=0.6 if i == 0 else 0, spare=True) for i, (part, state) in enumerate(view.rows)),
    ]
    sheet.flow(body, blocks, sheet.px(TEXT))


def _home(sheet: Sheet, view: views.HomeView) -> None:
    body = sheet.body()
    theme = sheet.theme
    sheet.actions(body, view.actions)
    sheet.title(body, view.plan or "Free ride", f"battery {view.unit_battery}" if view.unit_battery else "")
    strap = [Block(view.strap, ink=theme.quiet)]
    if view.strap_battery:
        # A row of its own where there is height, the end of the strap's where there is width.
        strap = [Block(view.strap, f"battery {view.strap_battery}")]
        if _wide(sheet):
            strap = [Block(view.strap, " "), Block("strap battery", view.strap_battery)]
    rows = [*strap, Block("heart rate", view.hr_now or ride.NO_NUMBER), Block("maximum", view.hr_max)]
    limit = Block(view.limit, ink=theme.accent, space=0.25)
    notice = Block(view.notice, ink=theme.ink, plate=True, space=0.25)
    words = [*rows, limit, Block(view.caution, ink=theme.quiet, spare=True), notice]
    if _wide(sheet):
        road = cut_left(body, round(0.46 * body.width))
        cut_left(body, sheet.px(0.6))
    else:
        gap = sheet.px(0.3)
        wanted = sheet.flow_height(body, words, sheet.px(TEXT)) + gap
        road_px = max(sheet.px(2.9), min(body.height - wanted, round(0.45 * body.height)))
        if view.limit:
            # On the smallest panel the road gives way to it, and leaves a line for what is wrong.
            needed = sheet.flow_height(body, [*rows, limit, replace(notice, lines=1)], sheet.floor_px) + gap
            road_px = min(road_px, body.height - needed)
        road = cut_top(body, road_px)
        cut_top(body, gap)
    _target(sheet, view, road)
    sheet.flow(body, words, sheet.px(TEXT))


def _target(sheet: Sheet, view: views.HomeView, road: Rect) -> None:
    """The target as a short piece of its road, with the ridged edges that wait on the ride."""
    theme = sheet.theme
    edge, bar = sheet.px(0.5), max(3, sheet.px(0.17))
    sheet.parts.append(Ridges((road.left, road.top, edge, road.height), theme.ink, bar))
    sheet.parts.append(Ridges((road.right - edge, road.top, edge, road.height), theme.ink, bar))
    lane = road.inflate(-2 * edge - sheet.px(0.8), 0)
    # In bases; where the road is low it does without the label.
    label, name, bpm = 0.9, 1.75, 0.95 if view.lane else 0.0
    if view.lane and lane.height < sheet.px(2.4):
        label = 0.0
    scale = min(sheet.base, lane.height / (label + name + bpm))
    stack = Rect(lane)
    stack.height = round(scale * (label + name + bpm))
    stack.centery = lane.centery
    kicker = cut_top(stack, round(scale * label))
    below = cut_bottom(stack, round(scale * bpm))
    what = "longest" if view.plan else "target"
    sheet.text(kicker, what, min(sheet.px(0.46), kicker.height), align="centre", ink=theme.quiet)
    sheet.text(stack, view.target or "none", min(sheet.px(0.95), stack.height), align="centre")
    sheet.text(below, view.lane, min(sheet.px(0.6), below.height), align="centre", ink=theme.accent)


def _paused(sheet: Sheet, view: views.PausedView) -> None:
    body = sheet.body()
    sheet.actions(body, view.actions)
    sheet.title(body, "Paused", view.paused)
    target = Block("target", view.target) if view.target else Block("no target", " ")
    rows = [Block("heart rate", view.hr_now or ride.NO_NUMBER), target]
    below = cut_bottom(body, round(2 * LEADING * sheet.px(TEXT)) + 2)
    cut_bottom(body, sheet.px(0.2))
    label = cut_top(body, sheet.px(0.8))
    sheet.text(label, "ridden", sheet.px(0.46), ink=sheet.theme.quiet, align="centre")
    body.height = min(body.height, sheet.px(4))
    _big(sheet, body, view.elapsed)
    sheet.flow(below, rows, sheet.px(TEXT))


def _step(sheet: Sheet, view: views.StepView) -> None:
    """All steps, the one that runs now on a plate; done and next are told apart by a mark and by the ink."""
    body = sheet.body()
    theme = sheet.theme
    sheet.actions(body, view.actions)
    sheet.title(body, f"Paused: {view.plan}", view.left)
    _foot(sheet, body, view.note)
    now = next((i for i, step in enumerate(view.steps) if step[3] == "now"), 0)
    mark = sheet.px(0.5)
    for row, i in _window(sheet, body, len(view.steps), now):
        name, target, length, state = view.steps[i]
        ink, paper = theme.quiet if state == "done" else theme.ink, theme.paper
        if state == "now":
            sheet.parts.append(Fill(boxed(row), theme.ink))
            ink, paper = theme.paper, theme.ink
        inside = row.inflate(-sheet.px(0.4), 0)
        sign = cut_left(inside, mark)
        cut_left(inside, sheet.px(0.2))
        sign.height = min(mark, row.height - 4)
        sign.centery = row.centery
        if state == "now":
            sheet.arrow(sign.inflate(-mark // 3, 0), 1, theme.paper)
        elif state == "done":
            sheet.tick(sign, ink)
        cap = min(sheet.px(TEXT), int(row.height / LEADING))
        right = f"{target}  {length}" if target and length else target or length
        sheet.pair(inside, name, right, cap, ink, ink, paper)


def _foot(sheet: Sheet, body: Rect, text: str) -> None:
    """A remark in two lines at most at the foot of the body, which it takes from it."""
    if not text:
        return
    cap = sheet.px(0.46)
    two_lines = Rect(body.left, 0, body.width, round(2 * LEADING * cap))
    remark = [Block(text, lines=2, ink=sheet.theme.quiet)]
    sheet.flow(cut_bottom(body, sheet.flow_height(two_lines, remark, cap)), remark, cap)
    cut_bottom(body, sheet.px(0.15))


def _window(sheet: Sheet, box: Rect, count: int, chosen: int) -> list[tuple[Rect, int]]:
    """Rows of a list, each with its place: as many as fit, the chosen one among them, the rest counted below."""
    line = round(1.9 * sheet.px(TEXT))
    fit = max(1, box.height // line)
    first, shown = 0, count
    if count > fit:
        shown = max(1, fit - 1)
        first = min(max(0, chosen - shown // 2), count - shown)
        tail = cut_bottom(box, box.height - shown * line)
        before, after = first, count - first - shown
        texts = [f"{before} above" if before else "", f"{after} below" if after else ""]
        cap = min(sheet.px(0.42), int(tail.height / LEADING))
        sheet.text(tail, " · ".join(text for text in texts if text), cap, ink=sheet.theme.quiet, align="centre")
    return [(Rect(box.left, box.top + n * line, box.width, line), first + n) for n in range(shown)]


def _test(sheet: Sheet, view: views.TestView) -> None:
    body = sheet.body()
    sheet.actions(body, view.actions)
    sheet.title(body, view.stage, view.left)
    sheet.notice(body, view.notice, lines=2)
    # A page without a number is there to be read: its words get all the room, and none of them may be cut off.
    blocks = [Block(line, lines=3 if view.big else 9, space=0.3) for line in view.lines]
    if not view.big:
        sheet.flow(body, blocks, sheet.px(TEXT))
        return
    if _wide(sheet):
        number = cut_left(body, round((0.34 if view.notice else 0.46) * body.width))
        cut_left(body, sheet.px(0.5))
    else:
        # The words are a warning: the number takes what they leave.
        left = body.height - sheet.flow_height(body, blocks, sheet.floor_px) - sheet.px(0.3)
        number = cut_top(body, max(sheet.px(0.7), min(round(0.4 * body.height), left)))
        cut_top(body, sheet.px(0.3))
    number.height = min(number.height, sheet.px(4.5))
    _big(sheet, number, view.big)
    sheet.flow(body, blocks, sheet.px(TEXT))


def _summary(sheet: Sheet, view: views.SummaryView) -> None:
    body = sheet.body()
    theme = sheet.theme
    sheet.actions(body, view.actions)
    sheet.title(body, view.title, view.elapsed)
    facts = [("in target", view.in_target), ("unknown", view.unknown), ("peak", view.peak)]
    facts = [fact for fact in facts if fact[1]]
    sentence = Block(view.sentence, lines=9, ink=theme.accent, space=0.3)
    said = [sentence, *(Block(text, lines=9, ink=theme.accent, spare=True) for text in view.more)]
    said += [Block(text, lines=2, ink=theme.quiet, spare=True) for text in view.alarms]
    if _wide(sheet):
        bands = cut_left(body, round(0.52 * body.width))
        cut_left(body, sheet.px(0.6))
        _bands(sheet, view, bands)
        sheet.flow(body, [*(Block(*fact, ink=theme.ink) for fact in facts), *said], sheet.px(0.48))
        return
    cap, gap = sheet.px(0.44), sheet.px(0.6)
    line = round(LEADING * cap)
    least, best = sum(_least_rows(sheet, view, body.width)), round(1.8 * sheet.px(0.42))
    # The sentence is whole, and so are the bands' letters: on the smallest panel the facts take what these leave.
    words = sheet.flow_height(body, [sentence], sheet.floor_px) + sheet.px(0.1)
    while facts and (len(facts) + 1) // 2 * line + least + words > body.height:
        facts.pop()
    if len(facts) > 1:
        row = cut_top(body, line)
        sheet.pair(cut_left(row, (row.width - gap) // 2), *facts[0], cap)
        cut_left(row, gap)
        sheet.pair(row, *facts[1], cap)
        facts = facts[2:]
    for fact in facts:
        sheet.pair(cut_top(body, line), *fact, cap)
    rest = max(round(4.5 * LEADING * sheet.floor_px), words)
    _bands(sheet, view, cut_top(body, max(least, min(body.height - rest, best * len(view.bands)))))
    cut_top(body, sheet.px(0.1))
    sheet.flow(body, said, sheet.px(0.48))


def _band_names(view: views.SummaryView) -> list[str]:
    return [f"{number} {name}" for number, name, _, _ in view.bands]


def _least_rows(sheet: Sheet, view: views.SummaryView, width: int) -> list[int]:
    """How high the row of each band must be, at the least, for its letters to be whole."""
    cap = sheet.floor_px
    names = [shortened(name, cap, round(NAMES * width)) for name in _band_names(view)]
    return [max(round(1.3 * cap), sum(extent(name, cap)[1:])) for name in names]


def _bands(sheet: Sheet, view: views.SummaryView, box: Rect) -> None:
    """A bar for each band, with its number, name and time: the longest fills the column."""
    if not view.bands:
        return
    theme = sheet.theme
    line = min(box.height // len(view.bands), sheet.px(1.1))
    cap = max(sheet.floor_px, min(sheet.px(0.42), int(line / LEADING)))
    rows = [line] * len(view.bands)
    if line < max(least := _least_rows(sheet, view, box.width)) and sum(least) <= box.height:
        rows = least
    names = _band_names(view)
    longest = max(fraction for *_, fraction in view.bands) or 1.0
    label_px = min(max(extent(name, cap)[0] for name in names), round(NAMES * box.width))
    time_px = max(extent(band[2], cap)[0] for band in view.bands)
    gap = sheet.px(0.25)
    for name, line, (_, _, time, fraction) in zip(names, rows, view.bands, strict=True):
        row = cut_top(box, line)
        sheet.text(Rect(row.left, row.top, label_px, line), name, cap)
        sheet.text(Rect(row.right - time_px, row.top, time_px, line), time, cap, align="right", ink=theme.quiet)
        room = Rect(row.left + label_px + gap, row.top, row.width - label_px - time_px - 2 * gap, line)
        bar = room.inflate(0, -2 * max(1, line // 5))
        bar.width = max(1, round(room.width * min(max(fraction / longest, 0.0), 1.0)))
        if room.width > 4 and fraction > 0:
            sheet.parts.append(Hatch(boxed(bar), theme.ink, theme.paper, max(1, sheet.px(0.06)), 1))
            sheet.parts.append(Fill((bar.right - 2, bar.top, 2, bar.height), theme.ink))


def _list(sheet: Sheet, view: views.ListView) -> None:
    body = sheet.body()
    theme = sheet.theme
    sheet.actions(body, view.actions)
    sheet.title(body, view.title)
    _foot(sheet, body, view.hint)
    for row, i in _window(sheet, body, len(view.rows), view.chosen):
        label, value = view.rows[i]
        ink, value_ink, paper = theme.ink, theme.quiet, theme.paper
        inside = row.inflate(-sheet.px(0.4), 0)
        sign = cut_left(inside, sheet.px(0.34))
        cut_left(inside, sheet.px(0.3))
        if i == view.chosen:
            sheet.parts.append(Fill(boxed(row), theme.ink))
            ink, value_ink, paper = theme.paper, theme.paper, theme.ink
            sheet.arrow(sign.inflate(0, sheet.px(0.5) - sign.height), 1, theme.paper)
        cap = min(sheet.px(TEXT), int(row.height / LEADING))
        sheet.pair(inside, label, value, cap, ink, value_ink, paper)


def _fault(sheet: Sheet, view: views.FaultView) -> None:
    body = sheet.body()
    sheet.actions(body, view.actions)
    sheet.title(body, view.title)
    if view.code:
        code = cut_bottom(body, sheet.px(1.1))
        cut_bottom(body, sheet.px(0.2))
        sheet.parts.append(Fill(boxed(code), sheet.theme.ink))
        inside = code.inflate(-sheet.px(0.6), 0)
        sheet.text(inside, view.code, sheet.px(0.56), ink=sheet.theme.paper, paper=sheet.theme.ink, align="centre")
    sheet.flow(body, [Block(line, lines=6, space=0.3) for line in view.lines], sheet.px(TEXT))


_PAGES: dict[type, Callable[[Sheet, Any], None]] = {
    views.RideView: ride.draw,
    views.FindingView: _finding,
    views.HomeView: _home,
    views.PausedView: _paused,
    views.StepView: _step,
    views.TestView: _test,
    views.SummaryView: _summary,
    views.ListView: _list,
    views.FaultView: _fault,
}
