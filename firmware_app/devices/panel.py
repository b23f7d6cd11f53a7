"""The panel: an SDL window, a Linux framebuffer, or a surface that nobody sees. All three show the same pixels.

panel = open_panel(PanelSettings())
panel.present(picture.surface, picture.rows)
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import logging
import os
import sys
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from firmware_app import sdl
from firmware_app.core.events import Event, Fault, Key
from firmware_app.devices.keys import Holding
from firmware_app.settings import KeySettings, PanelSettings, write_whole

if TYPE_CHECKING:
    from pygame import Surface

COLUMNS: tuple[Key, Key, Key] = ("minus", "select", "plus")
"""A finger or the mouse presses the key of its third of the panel, from left to right."""
POLL_S = 0.03
"""How often a window is asked what happened: SDL does not wake an asyncio loop (own choice)."""

Rows = Sequence[tuple[int, int]]
Deliver = Callable[[Event], None]

log = logging.getLogger(__name__)


class PanelError(RuntimeError):
    """This panel cannot be used; the text says why and what to do."""


class Panel(ABC):
    """Shows pictures, and tells what is pressed on it.

    size: width and height in px as the rider sees them. notice: what is wrong with this panel, in the rider's words.
    """

    size: tuple[int, int]
    notice: str = ""

    @abstractmethod
    def present(self, surface: Surface, rows: Rows | None = None) -> None:
        """Show a picture of the panel's own size, 32 bits a pixel.

        rows: what changed since the picture before, as (first, one past the last); None for everything.
        """

    async def run(self, deliver: Deliver) -> None:
        """Deliver presses until cancelled. Returns only when the rider has closed the panel: end the program then."""
        await asyncio.Event().wait()

    def set_brightness(self, percent: int) -> bool:
        """Set the backlight, 10 to 100 percent. False where there is none to be set."""
        return False

    def close(self) -> None:  # noqa: B027 - most have nothing to give back
        """Give the panel back. It may be called twice."""


class OffscreenPanel(Panel):
    """A panel that nobody sees: it keeps the picture.

    panel = OffscreenPanel((480, 320)); panel.present(surface); panel.save(Path("ride.png"))
    """

    def __init__(self, size: tuple[int, int]) -> None:
        self.size = size
        self.surface: Surface | None = None

    def present(self, surface: Surface, rows: Rows | None = None) -> None:
        """Keep a copy of the rows that changed."""
        check_size(self, surface)
        if self.surface is None:
            self.surface = surface.copy()
            return
        for area in _areas(self.size, rows):
            self.surface.blit(surface, area, area)

    def save(self, path: Path) -> None:
        """Write the picture as PNG, for its owner only. Raises PanelError when there was none yet, and OSError."""
        if self.surface is None:
            raise PanelError("nothing was shown yet: present a picture first")
        picture = io.BytesIO()
        sdl.load().image.save(self.surface, picture, "picture.png")
        write_whole(path, picture.getvalue())


class WindowPanel(Panel):
    """An SDL window: on a desktop, under a Wayland kiosk, under X. Arrow keys, minus, plus, return and space press.

    A touch is pressed through the mouse events that SDL makes of it: listening to both would press twice.
    """

    def __init__(self, size: tuple[int, int], keys: KeySettings) -> None:
        pygame = sdl.load()
        self.size = size
        self._keys = keys
        try:
            # Only the display: pygame.init() would open the sound card and the joysticks as well.
            pygame.display.init()
            self._window = pygame.display.set_mode(size)
        except pygame.error as error:
            raise PanelError(f"no window: {error}; check DISPLAY or WAYLAND_DISPLAY") from error
        pygame.display.set_caption("Rumblestrip")
        self._key_of: dict[int, Key] = {
            pygame.K_LEFT: "minus",
            pygame.K_MINUS: "minus",
            pygame.K_KP_MINUS: "minus",
            pygame.K_RETURN: "select",
            pygame.K_KP_ENTER: "select",
            pygame.K_SPACE: "select",
            pygame.K_RIGHT: "plus",
            pygame.K_PLUS: "plus",
            pygame.K_EQUALS: "plus",
            pygame.K_KP_PLUS: "plus",
        }

    def present(self, surface: Surface, rows: Rows | None = None) -> None:
        """Copy the rows that changed to the window."""
        check_size(self, surface)
        areas = _areas(self.size, rows)
        for area in areas:
            self._window.blit(surface, area, area)
        if areas:
            sdl.load().display.update(areas)

    async def run(self, deliver: Deliver) -> None:
        """Deliver presses of keyboard, mouse and touch; returns when the window is closed."""
        pygame = sdl.load()
        clock = asyncio.get_running_loop().time
        holding = Holding(self._keys.long_s, self._keys.repeat_s)
        pointed: Key | None = None
        now_s = clock()
        while True:
            # No event tells when a key was let go, only that it was down at the look before: a loop that stalls must
            # not turn short into long.
            looked_s, now_s = now_s, clock()
            for event in pygame.event.get():
                presses = []
                if event.type == pygame.QUIT:
                    return
                if event.type in (pygame.KEYDOWN, pygame.KEYUP) and event.key in self._key_of:
                    key = self._key_of[event.key]
                    pressed = event.type == pygame.KEYDOWN
                    presses = holding.down(key, now_s) if pressed else holding.up(key, looked_s)
                elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
                    pointed = column(event.pos[0] / self.size[0])
                    presses = holding.down(pointed, now_s)
                elif event.type == pygame.MOUSEBUTTONUP and event.button == 1 and pointed:
                    presses = holding.up(pointed, looked_s)
                    pointed = None
                elif event.type == pygame.WINDOWFOCUSLOST:
                    # The release of a key will go elsewhere: what is held now was never pressed.
                    holding, pointed = Holding(self._keys.long_s, self._keys.repeat_s), None
                elif event.type == pygame.WINDOWEXPOSED:
                    pygame.display.flip()
                for press in presses:
                    deliver(press)
            for press in holding.tick(now_s):
                deliver(press)
            await asyncio.sleep(POLL_S)

    def close(self) -> None:
        """Close the window."""
        sdl.load().display.quit()


class SteadyPanel(Panel):
    """Any panel, kept from ending a ride: what fails becomes a fault of part ``panel``, and is tried again.

    Until a picture gets through, each one is sent whole.
    """

    def __init__(self, panel: Panel) -> None:
        self.panel = panel
        self.size = panel.size
        self.notice = panel.notice
        self._failed = False
        self._deliver: Deliver | None = None

    def present(self, surface: Surface, rows: Rows | None = None) -> None:
        """Show a picture, or tell once that it cannot be shown."""
        try:
            self.panel.present(surface, None if self._failed else rows)
        except Exception as error:
            self._tell(True, f"The panel shows nothing new: {error}")
        else:
            self._tell(False, "The panel is back.")

    def _tell(self, failed: bool, text: str) -> None:
        if failed == self._failed:
            return
        self._failed = failed
        log.warning(text)
        self.notice = text if failed else self.panel.notice
        if self._deliver:
            # Not at once: whoever presents is in the middle of drawing, and what is told is drawn too.
            asyncio.get_running_loop().call_soon(self._deliver, Fault("panel", text, active=failed))

    async def run(self, deliver: Deliver) -> None:
        """Deliver presses. What the panel's keys raise is raised: whoever runs this begins it again."""
        self._deliver = deliver
        if self._failed:
            deliver(Fault("panel", self.notice))
        await self.panel.run(deliver)

    def set_brightness(self, percent: int) -> bool:
        """Set the backlight where there is one that lets itself be set."""
        try:
            return self.panel.set_brightness(percent)
        except (OSError, ValueError) as error:
            log.warning("the backlight cannot be set: %s", error)
            return False

    def close(self) -> None:
        """Give the panel back."""
        with contextlib.suppress(Exception):
            self.panel.close()


def open_panel(settings: PanelSettings, keys: KeySettings | None = None) -> SteadyPanel:
    """The panel that the settings ask for, or an off-screen one whose ``notice`` says what is wrong: never an error.

    "auto" is a window where there is a display, else the framebuffer where it opens. The size of a window is that of
    the settings, and its rotation the desktop's business; a framebuffer tells its own size. ``keys`` gives the times
    of long and repeated presses.
    """
    keys = keys or KeySettings()
    kinds = [settings.kind]
    if settings.kind == "auto":
        kinds = ["window", "framebuffer"] if has_display() else ["framebuffer"]
    wrong = []
    for kind in kinds:
        try:
            panel = _open(kind, settings, keys)
        except Exception as error:
            wrong.append(str(error))
        else:
            for text in wrong:
                log.warning("no window, so another panel is used: %s", text)
            return panel
    panel = SteadyPanel(OffscreenPanel((settings.width_px, settings.height_px)))
    panel.notice = f"No panel: {'; '.join(wrong)}. Sounds and the log work without it."
    return panel


def has_display() -> bool:
    """Whether a window can be hoped for; asked of the environment, because starting SDL in vain takes long."""
    return sys.platform in ("darwin", "win32") or any(map(os.environ.get, ("WAYLAND_DISPLAY", "DISPLAY")))


def column(part: float) -> Key:
    """The key under a point: ``part`` is its distance from the left side as a part of the width."""
    return COLUMNS[min(max(int(part * 3), 0), 2)]


def _open(kind: str, settings: PanelSettings, keys: KeySettings) -> SteadyPanel:
    size = settings.width_px, settings.height_px
    if kind == "window":
        return SteadyPanel(WindowPanel(size, keys))
    if kind == "framebuffer":
        from firmware_app.devices.framebuffer import FramebufferPanel

        return SteadyPanel(FramebufferPanel.open(settings, keys))
    if kind == "offscreen":
        return SteadyPanel(OffscreenPanel(size))
    raise PanelError(f"no panel of the kind {kind} is known here")


def check_size(panel: Panel, surface: Surface) -> None:
    """Raises PanelError for a picture of another size than the panel's."""
    if surface.get_size() != panel.size:
        raise PanelError(f"a picture of {surface.get_size()} px does not fit a panel of {panel.size} px")


def _areas(size: tuple[int, int], rows: Rows | None) -> list[tuple[int, int, int, int]]:
    return [(0, top, size[0], bottom - top) for top, bottom in (((0, size[1]),) if rows is None else rows)]
