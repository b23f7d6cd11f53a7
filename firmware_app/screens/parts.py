"""What a page is made of: a few kinds of part, each an immutable value that knows its rectangle and how to draw itself.

Two equal parts draw the same pixels, so a page is redrawn only where its parts differ from those of the page before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import pygame.draw
import pygame.font
import pygame.transform
from pygame import Rect, Surface

from firmware_app.screens.theme import Colour

Box = tuple[int, int, int, int]
"""left, top, width, height in pixels."""

_SMOOTHING = 4
"""Edges are smoothed by drawing so many times larger."""


# --- letters --------------------------------------------------------------------------------------------------------

# The font that comes with pygame, asked for twice the height of its capitals and digits.
_SIZE_OF_CAP = 2
# Small letters are drawn larger and reduced: hinted at their own size, they would stand unevenly apart.
_LARGE_PX = 40


def _writable(text: str) -> str:
    """A name that comes from outside may hold what no font writes, or what pygame refuses."""
    return "".join(letter if letter.isprintable() and letter <= "\uffff" else "?" for letter in text)


def _enlarged(cap_px: int) -> int:
    return 1 if cap_px >= _LARGE_PX else _SMOOTHING


@lru_cache(maxsize=64)
def _font(size: int) -> pygame.font.Font:
    if not pygame.font.get_init():
        pygame.font.init()
    return pygame.font.Font(None, size)


@lru_cache(maxsize=1024)
def extent(text: str, cap_px: int) -> tuple[int, int, int]:
    """Width, and how far the letters reach above and below their base line, in pixels; capitals are ``cap_px`` high."""
    times = _enlarged(cap_px)
    font = _font(times * cap_px * _SIZE_OF_CAP)
    above, below = _reach(font, text)
    return -(-font.size(_writable(text))[0] // times), -(-above // times), -(-below // times)


def _reach(font: pygame.font.Font, text: str) -> tuple[int, int]:
    """How far the letters themselves reach: an accent may rise over the font's ascent, a g fall under its descent."""
    glyphs = [glyph for glyph in font.metrics(_writable(text)) if glyph]
    above = max((glyph[3] for glyph in glyphs), default=0)
    below = -min((glyph[2] for glyph in glyphs), default=0)
    return max(above, 0), max(below, 0)


@lru_cache(maxsize=192)
def _rendered(text: str, cap_px: int, ink: Colour, paper: Colour) -> Surface:
    times = _enlarged(cap_px)
    font = _font(times * cap_px * _SIZE_OF_CAP)
    width, above, below = extent(text, cap_px)
    # Copied to the panel's own depth once, so that each blit of it is a plain copy.
    plain = Surface((width * times, (above + below) * times), 0, 32)
    plain.fill(paper)
    # What rises above the ascent pushes the base line down.
    base = max(font.get_ascent(), _reach(font, text)[0])
    plain.blit(font.render(_writable(text), True, ink, paper), (0, above * times - base))
    return plain if times == 1 else pygame.transform.smoothscale(plain, (width, above + below))


# --- parts ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Part:
    """Something on a page. ``box`` holds every pixel it may touch."""

    box: Box

    def draw(self, surface: Surface) -> None:
        """Put it on the surface; the surface may be clipped to less than the box."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Fill(Part):
    """A plain rectangle."""

    colour: Colour

    def draw(self, surface: Surface) -> None:
        surface.fill(self.colour, self.box)


@dataclass(frozen=True, slots=True)
class Text(Part):
    """One line of text on a plain ground."""

    text: str
    cap_px: int
    ink: Colour
    paper: Colour

    def draw(self, surface: Surface) -> None:
        surface.blit(_rendered(self.text, self.cap_px, self.ink, self.paper), self.box)


@dataclass(frozen=True, slots=True)
class Ridges(Part):
    """The grooves of a rumble strip: bars across it, as thick as the gaps between them."""

    colour: Colour
    bar_px: int
    upright: bool = True

    def draw(self, surface: Surface) -> None:
        left, top, width, height = self.box
        step = 2 * self.bar_px
        if self.upright:
            for y in range(top + self.bar_px // 2, top + height - self.bar_px + 1, step):
                surface.fill(self.colour, (left, y, width, self.bar_px))
        else:
            for x in range(left + self.bar_px // 2, left + width - self.bar_px + 1, step):
                surface.fill(self.colour, (x, top, self.bar_px, height))


@dataclass(frozen=True, slots=True)
class Hatch(Part):
    """Slanting stripes, as thick as the gaps between them; ``slant`` 1 rises to the right, -1 to the left."""

    colour: Colour
    paper: Colour
    stripe_px: int
    slant: int

    def draw(self, surface: Surface) -> None:
        surface.blit(_hatch(self.box[2:], self.colour, self.paper, self.stripe_px, self.slant), self.box)


@lru_cache(maxsize=8)
def _hatch(size: tuple[int, int], colour: Colour, paper: Colour, stripe_px: int, slant: int) -> Surface:
    width, height = size
    image = Surface(size, 0, 32)
    image.fill(paper)
    for y in range(-width, height + width, 4 * stripe_px):
        left, right = (y + width, y) if slant > 0 else (y, y + width)
        corners = [(0, left), (width, right), (width, right + 2 * stripe_px), (0, left + 2 * stripe_px)]
        pygame.draw.polygon(image, colour, corners)
    return image


@dataclass(frozen=True, slots=True)
class Shape(Part):
    """A small polygon with smooth edges; ``corners`` are in thousandths of its box."""

    colour: Colour
    corners: tuple[tuple[int, int], ...]

    def draw(self, surface: Surface) -> None:
        surface.blit(_shape(self.box[2:], self.colour, self.corners), self.box)


@lru_cache(maxsize=32)
def _shape(size: tuple[int, int], colour: Colour, corners: tuple[tuple[int, int], ...]) -> Surface:
    width, height = size[0] * _SMOOTHING, size[1] * _SMOOTHING
    # Transparent, but of the same colour: smoothing must not mix in the black of an empty surface.
    large = Surface((width, height), pygame.SRCALPHA, 32)
    large.fill((*colour, 0))
    pygame.draw.polygon(large, (*colour, 255), [(x * width / 1000, y * height / 1000) for x, y in corners])
    return pygame.transform.smoothscale(large, size)


@dataclass(frozen=True, slots=True)
class Trail(Part):
    """A smooth line that grows thicker towards its end, with a rim that keeps it apart from whatever lies under it.

    ``points``: x, y and half the thickness in px, from the top left of the box; None is a gap.
    """

    colour: Colour
    rim: Colour
    rim_px: int
    points: tuple[tuple[float, float, float] | None, ...]

    def draw(self, surface: Surface) -> None:
        surface.blit(_trail(self.box[2:], self.colour, self.rim, self.rim_px, self.points), self.box)


@lru_cache(maxsize=2)
def _trail(
    size: tuple[int, int],
    colour: Colour,
    rim: Colour,
    rim_px: int,
    points: tuple[tuple[float, float, float] | None, ...],
) -> Surface:
    times = _SMOOTHING
    large = Surface((size[0] * times, size[1] * times), pygame.SRCALPHA, 32)
    large.fill((*rim, 0))
    for ink, more in (((*rim, 255), rim_px), ((*colour, 255), 0)):
        for before, point in zip((None, *points), points, strict=False):
            if point is None:
                continue
            x, y, half = point[0] * times, point[1] * times, (point[2] + more) * times
            pygame.draw.circle(large, ink, (x, y), half)
            if before is not None:
                x0, y0 = before[0] * times, before[1] * times
                away = max(math.hypot(x - x0, y - y0), 1e-6)
                # Half the thickness, square to the line.
                dx, dy = (y0 - y) / away * half, (x - x0) / away * half
                pygame.draw.polygon(
                    large, ink, [(x0 + dx, y0 + dy), (x0 - dx, y0 - dy), (x - dx, y - dy), (x + dx, y + dy)]
                )
    return pygame.transform.smoothscale(large, size)


def trail(colour: Colour, rim: Colour, rim_px: int, points: Sequence[tuple[float, float, float] | None]) -> Trail:
    """A trail through points on the panel, with the box that holds it; one of them must be known."""
    known = [point for point in points if point is not None]
    left = math.floor(min(x - half for x, _, half in known)) - rim_px - 1
    top = math.floor(min(y - half for _, y, half in known)) - rim_px - 1
    right = math.ceil(max(x + half for x, _, half in known)) + rim_px + 1
    bottom = math.ceil(max(y + half for _, y, half in known)) + rim_px + 1
    inside = tuple(point and (point[0] - left, point[1] - top, point[2]) for point in points)
    return Trail((left, top, right - left, bottom - top), colour, rim, rim_px, inside)


def boxed(rect: Rect) -> Box:
    """A rectangle as a plain value."""
    return rect.left, rect.top, rect.width, rect.height
