"""A page under construction: boxes are cut from the panel, texts are fitted into them.

Every measure comes from the panel's own size. A text that does not fit gets smaller down to a floor that can still be
read, then it is cut off with an ellipsis; it never leaves its box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pygame import Rect

from firmware_app.screens.parts import Fill, Part, Ridges, Shape, Text, boxed, extent
from firmware_app.screens.theme import Colour, Theme

ELLIPSIS = "…"
LEADING = 1.64
"""Height of a line in capital heights: room for descenders, and for accents on capitals."""

Align = Literal["left", "centre", "right"]


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of running text, or a row with a label left and a value right.

    scale: size against the rest of the flow. lines: so many at most. space: gap above, in lines. plate: on a ground
    of its own. spare: the first to go when there is no room.
    """

    text: str
    value: str = ""
    ink: Colour | None = None
    scale: float = 1.0
    lines: int = 4
    space: float = 0.0
    plate: bool = False
    spare: bool = False


def shortened(text: str, cap_px: int, width: int) -> str:
    """The text, or as much of its beginning as fits with an ellipsis; "" when not even one letter does."""
    if extent(text, cap_px)[0] <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if extent(text[:middle].rstrip() + ELLIPSIS, cap_px)[0] <= width:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + ELLIPSIS if low else ""


def wrapped(text: str, cap_px: int, width: int, lines: int) -> tuple[list[str], bool]:
    """The text in at most so many lines, and whether all of it is there, no word cut."""
    words = text.split()
    done: list[str] = []
    while words and len(done) < lines:
        count = 1
        while count < len(words) and extent(" ".join(words[: count + 1]), cap_px)[0] <= width:
            count += 1
        if len(done) == lines - 1:
            count = len(words)
        done.append(" ".join(words[:count]))
        words = words[count:]
    whole = all(extent(line, cap_px)[0] <= width for line in done)
    return [shortened(line, cap_px, width) for line in done], whole


class Sheet:
    """Collects the parts of one page."""

    def __init__(self, size: tuple[int, int], theme: Theme) -> None:
        self.size = size
        self.theme = theme
        self.base = min(size) / 10
        """The measure of everything: 24 px on the smallest panel."""
        self.floor_px = max(9, round(0.375 * self.base))
        """The smallest capital that is ever written."""
        self.pad = max(5, round(0.26 * self.base))
        self.parts: list[Part] = [Fill((0, 0, *size), theme.paper)]

    def px(self, bases: float) -> int:
        """So many bases in whole pixels."""
        return round(bases * self.base)

    def body(self) -> Rect:
        """The panel without its margins."""
        return Rect(0, 0, *self.size).inflate(-2 * self.pad, -2 * self.pad)

    # --- one line ---------------------------------------------------------------------------------------------------

    def fitted(self, text: str, box: Rect, cap_px: int) -> tuple[str, int]:
        """The text as it can be written in the box, and its capital height."""
        floor = min(cap_px, self.floor_px)
        width, above, below = extent(text, cap_px)
        if not self._holds(box, (width, above, below)):
            room = min(box.width / max(width, 1), box.height / max(above + below, 1))
            cap_px = max(floor, int(cap_px * room))
            while cap_px > floor and not self._holds(box, extent(text, cap_px)):
                cap_px -= 1
        return shortened(text, cap_px, box.width), cap_px

    @staticmethod
    def _holds(box: Rect, size: tuple[int, int, int]) -> bool:
        width, above, below = size
        return width <= box.width and above + below <= box.height

    def text(
        self,
        box: Rect,
        text: str,
        cap_px: int,
        *,
        align: Align = "left",
        ink: Colour | None = None,
        paper: Colour | None = None,
    ) -> Rect:
        """Write one line, its capitals centred on the height of the box. Gives what it covers, empty when nothing."""
        text, cap_px = self.fitted(text, box, cap_px)
        width, above, below = extent(text, cap_px)
        if not text.strip() or not width or above + below > box.height:
            return Rect(box.left, box.centery, 0, 0)
        left = {"left": box.left, "centre": box.left + (box.width - width) // 2, "right": box.right - width}[align]
        base = box.top + (box.height + cap_px) // 2
        base = min(max(base, box.top + above), box.bottom - below)
        return self.write(left, base, text, cap_px, ink, paper)

    def write(
        self, left: int, base: int, text: str, cap_px: int, ink: Colour | None = None, paper: Colour | None = None
    ) -> Rect:
        """Write one line as it is, from ``left`` on the base line ``base``. Gives what it covers."""
        width, above, below = extent(text, cap_px)
        covered = Rect(left, base - above, width, above + below)
        self.parts.append(Text(boxed(covered), text, cap_px, ink or self.theme.ink, paper or self.theme.paper))
        return covered

    def pair(
        self,
        box: Rect,
        label: str,
        value: str,
        cap_px: int,
        ink: Colour | None = None,
        value_ink: Colour | None = None,
        paper: Colour | None = None,
    ) -> None:
        """A label left and a value right on one line, both shrunk alike; the label gives way first."""
        gap = round(0.9 * cap_px) if label and value else 0
        while cap_px > self.floor_px:
            if extent(label, cap_px)[0] + gap + extent(value, cap_px)[0] <= box.width:
                break
            cap_px -= 1
        label_min = min(extent(label, cap_px)[0], box.width * 2 // 5)
        right = Rect(box.left + label_min + gap, box.top, box.width - label_min - gap, box.height)
        covered = self.text(right, value, cap_px, align="right", ink=value_ink or ink, paper=paper)
        room = box.width - covered.width - gap
        self.text(Rect(box.left, box.top, room, box.height), label, cap_px, ink=ink, paper=paper)

    # --- running text -----------------------------------------------------------------------------------------------

    def flow(self, box: Rect, blocks: Sequence[Block], cap_px: int) -> int:
        """Write blocks one under another, as large as fits up to ``cap_px``. Gives the bottom of the last one.

        At the floor, spare ones go, then the longest give up lines, then the last ones go; of two as long, the later.
        """
        left = [block for block in blocks if block.text or block.value]
        cap = max(cap_px, self.floor_px)
        while cap > self.floor_px and not self._fits(box, left, cap):
            cap -= 1
        while left and self._height(box, left, cap) > box.height:
            counts = [len(self._lines(box, block, cap)) for block in left]
            spare = [i for i, block in enumerate(left) if block.spare]
            longest = max(range(len(left)), key=lambda i: (counts[i], i))
            if spare or counts[longest] == 1:
                left.pop(spare[-1] if spare else -1)
            else:
                left[longest] = replace(left[longest], lines=counts[longest] - 1)
        y = box.top
        row_px = self._row_cap(box, left, cap)
        for i, block in enumerate(left):
            y = self._write(box, block, cap, y, row_px, first=i == 0)
        return y

    def flow_height(self, box: Rect, blocks: Sequence[Block], cap_px: int) -> int:
        """How much of the height of the box these take, written as ``flow`` writes them."""
        return Sheet(self.size, self.theme).flow(Rect(0, 0, *box.size), blocks, cap_px)

    def _row_cap(self, box: Rect, blocks: Sequence[Block], cap_px: int) -> int:
        """One size for all rows that need a little less; one that needs much less shrinks without the others."""
        fits = [cap_px]
        for block in blocks:
            if block.value:
                together = extent(block.text, cap_px)[0] + cap_px + extent(block.value, cap_px)[0]
                fits.append(int(cap_px * min(1.0, self._inside(box, block, cap_px) / together)))
        return max(self.floor_px, min(fit for fit in fits if fit >= 0.72 * cap_px))

    def _cap(self, block: Block, cap_px: int) -> int:
        return max(self.floor_px, round(cap_px * block.scale))

    def _inside(self, box: Rect, block: Block, cap_px: int) -> int:
        return box.width - (round(1.4 * self._cap(block, cap_px)) if block.plate else 0)

    def _lines(self, box: Rect, block: Block, cap_px: int) -> list[str]:
        if block.value:
            return [block.text]
        return wrapped(block.text, self._cap(block, cap_px), self._inside(box, block, cap_px), block.lines)[0]

    def _fits(self, box: Rect, blocks: Sequence[Block], cap_px: int) -> bool:
        for block in blocks:
            own = self._cap(block, cap_px)
            if block.value:
                together = extent(block.text, own)[0] + own + extent(block.value, own)[0]
                # A row that is somewhat too long shrinks on its own.
                if 0.6 * together > self._inside(box, block, cap_px):
                    return False
            elif not wrapped(block.text, own, self._inside(box, block, cap_px), block.lines)[1]:
                return False
        return self._height(box, blocks, cap_px) <= box.height

    def _height(self, box: Rect, blocks: Sequence[Block], cap_px: int) -> int:
        return sum(self._block_height(box, block, cap_px, first=i == 0) for i, block in enumerate(blocks))

    def _line_px(self, block: Block, cap_px: int) -> int:
        cap = self._cap(block, cap_px)
        _, above, below = extent(block.text + block.value, cap)
        return max(round(LEADING * cap), above + below)

    def _block_height(self, box: Rect, block: Block, cap_px: int, *, first: bool) -> int:
        line = self._line_px(block, cap_px)
        space = 0 if first else round(block.space * line)
        margin = 2 * round(0.25 * line) if block.plate else 0
        return space + margin + line * len(self._lines(box, block, cap_px))

    def _write(self, box: Rect, block: Block, cap_px: int, y: int, row_px: int, *, first: bool) -> int:
        line, own = self._line_px(block, cap_px), self._cap(block, cap_px)
        bottom = y + self._block_height(box, block, cap_px, first=first)
        y += 0 if first else round(block.space * line)
        ink, paper = block.ink or self.theme.ink, self.theme.paper
        inside = Rect(box.left, y, box.width, line)
        if block.plate:
            self.parts.append(Fill((box.left, y, box.width, bottom - y), ink))
            ink, paper = paper, ink
            inside = Rect(box.left + round(0.7 * own), y + round(0.25 * line), self._inside(box, block, cap_px), line)
        if block.value:
            self.pair(
                inside, block.text, block.value, min(own, row_px), block.ink or self.theme.quiet, block.ink, paper
            )
        else:
            for text in self._lines(box, block, cap_px):
                self.text(inside, text, own, ink=ink, paper=paper)
                inside = inside.move(0, line)
        return bottom

    # --- furniture --------------------------------------------------------------------------------------------------

    def title(self, box: Rect, text: str, right: str = "") -> None:
        """The head of a page, cut from the top of the box, over a strip of ridges."""
        line = cut_top(box, self.px(0.95))
        self.pair(line, text, right, self.px(0.56), value_ink=self.theme.quiet)
        strip = cut_top(box, self.px(0.22))
        self.parts.append(Ridges(boxed(strip), self.theme.ink, max(2, self.px(0.1)), upright=False))
        cut_top(box, self.px(0.3))

    def notice(self, box: Rect, text: str, lines: int = 3) -> None:
        """What is wrong, on a plate cut from the bottom of the box: so many lines at most."""
        if not text:
            return
        cap = self.px(0.48)
        room = Rect(box.left, 0, box.width, round((lines + 0.5) * LEADING * cap))
        block = Block(text, lines=lines, plate=True)
        self.flow(cut_bottom(box, self.flow_height(room, [block], cap)), [block], cap)
        cut_bottom(box, self.px(0.12))

    def actions(self, box: Rect, actions: Sequence[str]) -> None:
        """What the three keys do, cut from the bottom of the box in three columns, as touch divides the panel."""
        if not any(actions):
            return
        bar = cut_bottom(box, self.px(1.15))
        cut_bottom(box, self.px(0.25))
        gap = max(3, self.px(0.12))
        edges = [bar.left, round(self.size[0] / 3), round(self.size[0] * 2 / 3), bar.right]
        caps = []
        for i, action in enumerate(actions):
            cell = Rect(edges[i] + gap, bar.top, edges[i + 1] - edges[i] - 2 * gap, bar.height)
            caps.append(self.fitted(action, cell.inflate(-2 * gap, 0), self.px(0.5))[1])
        for i, action in enumerate(actions):
            cell = Rect(edges[i] + (gap if i else 0), bar.top, 0, bar.height)
            cell.width = edges[i + 1] - cell.left - (gap if i < 2 else 0)
            if not action:
                continue
            middle = i == 1
            ground = self.theme.ink if middle else self.theme.paper
            self.parts.append(Fill(boxed(cell), self.theme.ink))
            if not middle:
                rim = max(1, self.px(0.06))
                self.parts.append(Fill(boxed(cell.inflate(-2 * rim, -2 * rim)), ground))
            ink = self.theme.paper if middle else self.theme.ink
            room = cell.inflate(-2 * gap, 0)
            self.text(room, action, min(caps), align="centre", ink=ink, paper=ground)

    def arrow(self, box: Rect, direction: Literal[-1, 1], colour: Colour) -> None:
        """A solid arrow head that points left (-1) or right (1)."""
        corners = ((1000, 0), (0, 500), (1000, 1000)) if direction < 0 else ((0, 0), (1000, 500), (0, 1000))
        self.parts.append(Shape(boxed(box), colour, corners))

    def tick(self, box: Rect, colour: Colour) -> None:
        """The sign for done."""
        corners = ((0, 560), (160, 400), (390, 620), (850, 90), (1000, 240), (400, 930))
        self.parts.append(Shape(boxed(box), colour, corners))


def cut_top(box: Rect, height: int) -> Rect:
    """Take so much off the top of the box, which is changed, and give it."""
    height = max(0, min(height, box.height))
    taken = Rect(box.left, box.top, box.width, height)
    box.top, box.height = box.top + height, box.height - height
    return taken


def cut_bottom(box: Rect, height: int) -> Rect:
    """Take so much off the bottom of the box, which is changed, and give it."""
    height = max(0, min(height, box.height))
    box.height -= height
    return Rect(box.left, box.bottom, box.width, height)


def cut_left(box: Rect, width: int) -> Rect:
    """Take so much off the left of the box, which is changed, and give it."""
    width = max(0, min(width, box.width))
    taken = Rect(box.left, box.top, width, box.height)
    box.left, box.width = box.left + width, box.width - width
    return taken
