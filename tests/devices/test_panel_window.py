"""A real SDL window on a real X server: what the server itself shows is the picture, pixel for pixel."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pygame.image
import pygame.surfarray
import pytest

from firmware_app.screens.painter import Painter
from firmware_app.screens.theme import DAY
from sim.gallery import EXAMPLES

WIDTH, HEIGHT = 480, 320

PROGRAM = """
import sys
from firmware_app.devices.panel import WindowPanel, open_panel
from firmware_app.screens.painter import Painter
from firmware_app.screens.theme import DAY
from firmware_app.settings import PanelSettings
from sim.gallery import EXAMPLES

panel = open_panel(PanelSettings(kind="auto", width_px=480, height_px=320))
assert isinstance(panel.panel, WindowPanel), panel.notice
painter = Painter(panel.size, DAY)
for name in ("ride", "ride, over"):
    picture = painter.paint(EXAMPLES[name])
    panel.present(picture.surface, picture.rows)
import pygame
print(pygame.display.get_driver(), panel.notice, flush=True)
while sys.stdin.readline().strip() == "again":
    pygame.event.pump()
    panel.present(picture.surface)
    print("shown", flush=True)
panel.close()
"""


@pytest.fixture
def server(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """An X server as large as the panel; gives its display and the file that holds what it shows."""
    if shutil.which("Xvfb") is None:
        if os.environ.get("CI"):
            pytest.fail("Xvfb is missing: the SDL window goes unproved; install the package xvfb")
        pytest.skip("Xvfb is missing: install the package xvfb")
    read, write = os.pipe()
    process = subprocess.Popen(
        [
            "Xvfb",
            "-displayfd",
            str(write),
            "-screen",
            "0",
            f"{WIDTH}x{HEIGHT}x24",
            "-fbdir",
            str(tmp_path),
            "-nolisten",
            "tcp",
        ],
        pass_fds=(write,),
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    with os.fdopen(read) as answer:
        display = answer.readline().strip()
    try:
        assert display, "Xvfb did not start"
        yield f":{display}", tmp_path / "Xvfb_screen0"
    finally:
        process.terminate()
        process.wait(10)


def screenshot(path: Path) -> np.ndarray:
    """Height x width x 3 out of an X window dump (X11/XWDFile.h, version 7; big endian header, from memory)."""
    raw = path.read_bytes()
    header = struct.unpack_from(">25I", raw)
    size, version, width, height, order, bits, line, colours = (header[i] for i in (0, 1, 4, 5, 7, 11, 12, 19))
    assert (version, width, height, bits) == (7, WIDTH, HEIGHT, 32)
    pixels = np.frombuffer(raw, ">u4" if order else "<u4", line // 4 * height, size + 12 * colours)
    pixels = pixels.reshape(height, line // 4)[:, :width]
    return np.stack([pixels >> shift & 0xFF for shift in (16, 8, 0)], axis=2).astype(np.uint8)


def test_the_picture_stands_on_the_display(server, tmp_path) -> None:
    display, dump = server
    environment = {key: value for key, value in os.environ.items() if key not in ("WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
    environment |= {"DISPLAY": display, "SDL_VIDEO_WINDOW_POS": "0,0"}
    wanted = pygame.surfarray.array3d(Painter((WIDTH, HEIGHT), DAY).paint(EXAMPLES["ride, over"]).surface)
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM],
        cwd=Path(__file__).parents[2],
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as program:
        assert program.stdin
        assert program.stdout
        assert program.stdout.readline().strip() == "x11", "SDL spoke to something else, or something was printed first"
        # The X server maps the window in its own time: show the picture until it is there.
        for _ in range(40):
            shown = screenshot(dump)
            if np.array_equal(shown, wanted.swapaxes(0, 1)):
                break
            time.sleep(0.1)
            program.stdin.write("again\n")
            program.stdin.flush()
            assert program.stdout.readline().strip() == "shown"
        program.stdin.close()
        assert program.wait(10) == 0
    folder = Path(os.environ.get("RUMBLESTRIP_SCREENSHOTS", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    pygame.image.save(pygame.surfarray.make_surface(shown.swapaxes(0, 1)), folder / "window.png")
    assert np.array_equal(shown, wanted.swapaxes(0, 1))
