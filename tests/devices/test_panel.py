"""Panels that need no display: off-screen, SDL with its dummy driver, the one that never fails, and which is opened."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from typing import Any

import pygame
import pytest
from pygame import Surface

from firmware_app.core.events import Event, Press
from firmware_app.devices.panel import OffscreenPanel, Panel, PanelError, SteadyPanel, WindowPanel, open_panel
from firmware_app.settings import KeySettings, PanelSettings

SIZE = (300, 240)
KEYS = KeySettings(long_s=0.3, repeat_s=0.1)


def plain(colour: tuple[int, int, int], size: tuple[int, int] = SIZE) -> Surface:
    surface = Surface(size, 0, 32)
    surface.fill(colour)
    return surface


@pytest.fixture
def window(monkeypatch: pytest.MonkeyPatch) -> Iterator[WindowPanel]:
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    panel = WindowPanel(SIZE, KEYS)
    pygame.event.clear()
    yield panel
    panel.close()
    panel.close()


@asynccontextmanager
async def listening(panel: Panel) -> AsyncIterator[asyncio.Queue[Event]]:
    got: asyncio.Queue[Event] = asyncio.Queue()
    task = asyncio.create_task(panel.run(got.put_nowait))
    yield got
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def next_of(got: asyncio.Queue[Event]) -> Event:
    return await asyncio.wait_for(got.get(), 5)


def post(kind: int, **fields: object) -> None:
    pygame.event.post(pygame.event.Event(kind, **fields))


# --- off-screen -----------------------------------------------------------------------------------------------------


def test_an_offscreen_panel_keeps_what_changed(tmp_path) -> None:
    panel = OffscreenPanel(SIZE)
    with pytest.raises(PanelError, match="present a picture"):
        panel.save(tmp_path / "nothing.png")
    panel.present(plain((1, 2, 3)))
    panel.present(plain((4, 5, 6)), ((10, 20),))
    panel.save(tmp_path / "picture.png")
    image = pygame.image.load(tmp_path / "picture.png")
    assert [image.get_at((7, y))[:3] for y in (9, 10, 19, 20)] == [(1, 2, 3), (4, 5, 6), (4, 5, 6), (1, 2, 3)]
    with pytest.raises(PanelError, match="does not fit"):
        panel.present(plain((1, 2, 3), (10, 10)))


# --- the window -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "key"),
    [
        (pygame.K_LEFT, "minus"),
        (pygame.K_MINUS, "minus"),
        (pygame.K_RETURN, "select"),
        (pygame.K_SPACE, "select"),
        (pygame.K_RIGHT, "plus"),
        (pygame.K_PLUS, "plus"),
    ],
)
async def test_the_keyboard_presses(window, code, key) -> None:
    async with listening(window) as got:
        post(pygame.KEYDOWN, key=pygame.K_x)
        post(pygame.KEYDOWN, key=code)
        post(pygame.KEYUP, key=code)
        assert await next_of(got) == Press(key, "short")
        post(pygame.KEYDOWN, key=code)
        if key == "select":
            await asyncio.sleep(KEYS.long_s + 2 * KEYS.repeat_s)
            assert got.empty()
            post(pygame.KEYUP, key=code)
            assert await next_of(got) == Press(key, "long")
            return
        assert [await next_of(got) for _ in range(3)] == [
            Press(key, "long"),
            Press(key, "repeat"),
            Press(key, "repeat"),
        ]
        post(pygame.KEYUP, key=code)


@pytest.mark.parametrize(("x", "key"), [(0, "minus"), (99, "minus"), (100, "select"), (200, "plus"), (299, "plus")])
async def test_the_mouse_presses_the_third_it_goes_down_on(window, x, key) -> None:
    async with listening(window) as got:
        post(pygame.MOUSEBUTTONDOWN, button=3, pos=(x, 5))
        post(pygame.MOUSEBUTTONDOWN, button=1, pos=(x, 5))
        post(pygame.MOUSEBUTTONUP, button=1, pos=(150, 5))
        assert await next_of(got) == Press(key, "short")
        assert got.empty()


@pytest.mark.parametrize(
    ("down", "up", "fields"),
    [
        (pygame.KEYDOWN, pygame.KEYUP, {"key": pygame.K_SPACE}),
        (pygame.MOUSEBUTTONDOWN, pygame.MOUSEBUTTONUP, {"button": 1, "pos": (150, 5)}),
    ],
)
def test_a_loop_that_stalls_does_not_turn_a_short_press_into_a_long_one(window, virtually, down, up, fields) -> None:
    """A long select would end the ride."""

    async def stall() -> list[Event]:
        loop: Any = asyncio.get_running_loop()
        got: list[Event] = []
        running = asyncio.create_task(window.run(got.append))
        post(down, **fields)
        await asyncio.sleep(0.1)
        post(up, **fields)
        loop.now_s += 2.0
        await asyncio.sleep(0.1)
        running.cancel()
        return got

    assert virtually(stall()) == [Press("select", "short")]


async def test_a_key_held_while_the_window_loses_the_keyboard_is_not_pressed(window) -> None:
    async with listening(window) as got:
        post(pygame.KEYDOWN, key=pygame.K_LEFT)
        post(pygame.WINDOWFOCUSLOST)
        post(pygame.KEYUP, key=pygame.K_LEFT)
        post(pygame.KEYDOWN, key=pygame.K_RIGHT)
        post(pygame.KEYUP, key=pygame.K_RIGHT)
        assert await next_of(got) == Press("plus", "short")


async def test_closing_the_window_ends_the_run(window) -> None:
    task = asyncio.create_task(SteadyPanel(window).run(lambda event: None))
    await asyncio.sleep(0)
    assert not task.done()
    post(pygame.QUIT)
    await asyncio.wait_for(task, 5)


def test_the_window_shows_the_rows_that_changed(window) -> None:
    window.present(plain((1, 2, 3)))
    window.present(plain((4, 5, 6)), ((0, 2), (200, 240)))
    shown = pygame.display.get_surface()
    assert [shown.get_at((5, y))[:3] for y in (1, 2, 199, 200)] == [(4, 5, 6), (1, 2, 3), (1, 2, 3), (4, 5, 6)]


def test_the_window_opens_no_sound_card(window) -> None:
    assert pygame.display.get_init()
    assert pygame.mixer.get_init() is None
    assert not pygame.joystick.get_init()


# --- never the end of a ride ----------------------------------------------------------------------------------------


class BreakingPanel(OffscreenPanel):
    """Fails while it is told to, and remembers which rows it was asked for."""

    def __init__(self) -> None:
        super().__init__(SIZE)
        self.error: Exception | None = None
        self.asked: list[object] = []

    def present(self, surface: Surface, rows: object = None) -> None:
        self.asked.append(rows)
        if self.error:
            raise self.error
        super().present(surface, rows)  # type: ignore[arg-type]

    async def run(self, deliver: Callable[[Event], None]) -> None:
        if self.error:
            raise self.error
        await super().run(deliver)


@pytest.mark.parametrize("error", [OSError(19, "No such device"), pygame.error("lost"), ValueError("odd")])
async def test_a_panel_that_fails_is_told_once_tried_again_and_told_when_back(error) -> None:
    inner = BreakingPanel()
    panel = SteadyPanel(inner)
    async with listening(panel) as got:
        await asyncio.sleep(0)
        inner.error = error
        for _ in range(3):
            panel.present(plain((1, 2, 3)), ((0, 1),))
        assert got.empty()  # not told in the middle of a drawing
        fault = await next_of(got)
        assert (fault.part, fault.active) == ("panel", True)
        assert str(error) in fault.text == panel.notice
        inner.error = None
        panel.present(plain((4, 5, 6)), ((0, 1),))
        back = await next_of(got)
        assert (back.part, back.active, panel.notice) == ("panel", False, "")
        assert got.empty()
    # Whole pictures until one has got through: nobody knows which rows the failed ones left behind.
    assert inner.asked == [((0, 1),), None, None, None]


async def test_a_failure_before_the_run_is_told_when_it_starts() -> None:
    inner = BreakingPanel()
    inner.error = OSError(5, "Input/output error")
    panel = SteadyPanel(inner)
    panel.present(plain((1, 2, 3)))
    inner.error = None
    async with listening(panel) as got:
        assert (await next_of(got)).part == "panel"


async def test_keys_that_fail_are_left_to_whoever_runs_them() -> None:
    inner = BreakingPanel()
    inner.error = OSError(19, "No such device")
    with pytest.raises(OSError, match="No such device"):
        await SteadyPanel(inner).run(print)


# --- which panel ----------------------------------------------------------------------------------------------------


@pytest.fixture
def no_display(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)


@pytest.mark.usefixtures("no_display")
@pytest.mark.parametrize("kind", ["auto", "framebuffer"])
def test_without_display_and_framebuffer_the_ride_goes_on_unseen(tmp_path, kind) -> None:
    settings = PanelSettings(kind=kind, width_px=320, height_px=240, framebuffer=str(tmp_path / "fb7"))
    panel = open_panel(settings)
    assert panel.size == (320, 240)
    assert "fb7" in panel.notice
    assert "check panel.framebuffer" in panel.notice
    panel.present(plain((1, 2, 3), (320, 240)))
    panel.close()


def test_a_window_that_does_not_open_is_a_notice(monkeypatch) -> None:
    monkeypatch.setenv("SDL_VIDEODRIVER", "no such driver")
    panel = open_panel(PanelSettings(kind="window"))
    assert "no window" in panel.notice
    assert isinstance(panel.panel, OffscreenPanel)


def test_auto_is_a_window_where_there_is_a_display(monkeypatch) -> None:
    monkeypatch.setenv("DISPLAY", ":77")
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    panel = open_panel(PanelSettings(width_px=320, height_px=480))
    assert isinstance(panel.panel, WindowPanel)
    assert (panel.size, panel.notice) == ((320, 480), "")
    panel.close()


def test_offscreen_is_no_fault() -> None:
    panel = open_panel(PanelSettings(kind="offscreen"))
    assert (panel.size, panel.notice) == ((480, 320), "")
    assert not panel.set_brightness(50)
