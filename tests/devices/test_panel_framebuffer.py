"""The framebuffer, pixel for pixel in a file that stands in for the device, against a slow encoder of our own."""

from __future__ import annotations

import asyncio
import errno
import fcntl
import os
import struct
from dataclasses import replace
from pathlib import Path

import pytest
from pygame import Surface

from firmware_app.core.events import Event, Press
from firmware_app.devices import framebuffer
from firmware_app.devices.framebuffer import Channel, FramebufferPanel, Geometry
from firmware_app.devices.panel import PanelError, SteadyPanel
from firmware_app.devices.touch import BTN_TOUCH, EV_KEY, EV_SYN, EVENT
from firmware_app.settings import KeySettings, PanelSettings

NONE = Channel(0, 0)
FORMATS = {
    "rgb565": (16, Channel(11, 5), Channel(5, 6), Channel(0, 5), NONE),
    "bgr565": (16, Channel(0, 5), Channel(5, 6), Channel(11, 5), NONE),
    "argb1555": (16, Channel(10, 5), Channel(5, 5), Channel(0, 5), Channel(15, 1)),
    "rgba4444": (16, Channel(12, 4), Channel(8, 4), Channel(4, 4), Channel(0, 4)),
    "xrgb8888": (32, Channel(16, 8), Channel(8, 8), Channel(0, 8), NONE),
    "argb8888": (32, Channel(16, 8), Channel(8, 8), Channel(0, 8), Channel(24, 8)),
    "rgba8888": (32, Channel(24, 8), Channel(16, 8), Channel(8, 8), Channel(0, 8)),
    "bgrx8888": (32, Channel(8, 8), Channel(16, 8), Channel(24, 8), NONE),
    "xbgr2101010": (32, Channel(0, 10), Channel(10, 10), Channel(20, 10), NONE),
}
WIDTH, HEIGHT = 13, 7
UNTOUCHED = 0xA5


def geometry(form: str, padding: int = 0, start: int = 0) -> Geometry:
    bits, red, green, blue, alpha = FORMATS[form]
    return Geometry(WIDTH, HEIGHT, bits, WIDTH * bits // 8 + padding, start, red, green, blue, alpha)


def picture(size: tuple[int, int], seed: int = 1) -> Surface:
    """Every pixel another colour, with black, white and the pure ones among them."""
    surface = Surface(size, 0, 32)
    plain = [(0, 0, 0), (255, 255, 255), (255, 0, 0), (0, 255, 0), (0, 0, 255)]
    for i in range(size[0] * size[1]):
        colour = plain[i] if i < len(plain) else ((i * 37 * seed) % 256, (i * 91 + seed) % 256, (i * 53) % 256)
        surface.set_at((i % size[0], i // size[0]), colour)
    return surface


def encoded(geometry: Geometry, colour: tuple[int, ...]) -> int:
    """One pixel by the definition of fb_bitfield: the highest bits of each level, put at its offset; opaque."""
    value = ((1 << geometry.alpha.length) - 1) << geometry.alpha.offset
    for level, channel in zip(colour[:3], (geometry.red, geometry.green, geometry.blue), strict=True):
        bits = f"{level:08b}" * 2
        value |= int(bits[: channel.length], 2) << channel.offset
    return value


def expected(geometry: Geometry, surface: Surface, rotation_deg: int) -> bytes:
    """The device's bytes, and nothing else touched: the corner that is up goes where the turned panel has it."""
    content = bytearray([UNTOUCHED]) * (geometry.start_bytes + geometry.line_bytes * geometry.height_px)
    width, height = surface.get_size()
    pixel = "=H" if geometry.bits == 16 else "=I"
    for y in range(height):
        for x in range(width):
            column, line = {
                0: (x, y),
                90: (height - 1 - y, x),
                180: (width - 1 - x, height - 1 - y),
                270: (y, width - 1 - x),
            }[rotation_deg]
            at = geometry.start_bytes + line * geometry.line_bytes + column * geometry.bits // 8
            struct.pack_into(pixel, content, at, encoded(geometry, tuple(surface.get_at((x, y)))))
    return bytes(content)


def device(path: Path, geometry: Geometry) -> int:
    path.write_bytes(bytes([UNTOUCHED]) * (geometry.start_bytes + geometry.line_bytes * geometry.height_px))
    return os.open(path, os.O_RDWR)


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize(("padding", "start"), [(0, 0), (12, 0), (12, 200)])
def test_every_pixel_is_where_it_belongs(tmp_path, form, rotation_deg, padding, start) -> None:
    layout = geometry(form, padding, start)
    panel = FramebufferPanel(device(tmp_path / "fb", layout), layout, rotation_deg)
    assert panel.size == ((WIDTH, HEIGHT) if rotation_deg % 180 == 0 else (HEIGHT, WIDTH))
    first = picture(panel.size)
    panel.present(first)
    assert (tmp_path / "fb").read_bytes() == expected(layout, first, rotation_deg)

    # Only the rows that changed are written: the picture keeps the first one's pixels everywhere else.
    second = picture(panel.size, seed=3)
    panel.present(second, ((1, 3), (5, 6)))
    mixed = first.copy()
    for top, bottom in ((1, 3), (5, 6)):
        area = (0, top, panel.size[0], bottom - top)
        mixed.blit(second, area, area)
    assert (tmp_path / "fb").read_bytes() == expected(layout, mixed, rotation_deg)

    panel.present(first, ())
    assert (tmp_path / "fb").read_bytes() == expected(layout, mixed, rotation_deg)
    panel.close()
    panel.close()


def variable(form: str = "rgb565", **changes: int) -> bytes:
    bits, *channels = FORMATS[form]
    values = [0] * 40
    values[:8] = [WIDTH, HEIGHT, WIDTH, 2 * HEIGHT, 0, 0, bits, 0]
    for at, channel in zip((8, 11, 14, 17), channels, strict=True):
        values[at : at + 2] = [channel.offset, channel.length]
    names = {"x_offset": 4, "y_offset": 5, "bits": 6, "grey": 7, "red_turned": 10, "green_length": 12, "width": 0}
    for name, value in changes.items():
        values[names[name]] = value
    return struct.pack("@40I", *values)


def fixed(line_bytes: int = 32, visual: int = 2, kind: int = 0) -> bytes:
    return struct.pack("@16sLIIIIHHHILIIH2H", b"fake", 0, 4096, kind, 0, visual, 1, 1, 0, line_bytes, 0, 0, 0, 0, 0, 0)


def test_the_kernels_structures_are_read() -> None:
    layout = Geometry.parse(variable(x_offset=2, y_offset=3), fixed())
    assert layout == replace(geometry("rgb565", padding=6), start_bytes=3 * 32 + 4)


@pytest.mark.parametrize(
    ("var", "fix"),
    [
        (variable(bits=24), fixed(64)),
        (variable(bits=8), fixed()),
        (variable(grey=1), fixed()),
        (variable(red_turned=1), fixed()),
        (variable(green_length=0), fixed()),
        (variable(green_length=12), fixed()),
        (variable(width=0), fixed()),
        (variable(), fixed(line_bytes=25)),
        (variable(), fixed(visual=0)),
        (variable(), fixed(visual=3)),
        (variable(), fixed(kind=1)),
    ],
)
def test_pixels_that_cannot_be_written_are_refused(var, fix) -> None:
    with pytest.raises(PanelError, match="framebuffer"):
        Geometry.parse(var, fix)


def test_a_device_that_takes_nothing_is_an_error(tmp_path) -> None:
    layout = geometry("rgb565")
    (tmp_path / "fb").write_bytes(b"")
    handle = os.open(tmp_path / "fb", os.O_RDONLY)
    panel = FramebufferPanel(handle, layout)
    with pytest.raises(OSError, match="descriptor"):
        panel.present(picture(panel.size))
    panel.close()


def test_a_device_that_went_and_came_back_is_drawn_on_again(tmp_path, monkeypatch) -> None:
    path, layout = tmp_path / "fb", geometry("rgb565")
    os.close(device(path, layout))
    found = [layout]
    monkeypatch.setattr(framebuffer, "ask", lambda handle: found[0])
    write = os.pwrite

    def of_the_kernel(handle: int, data: bytes, at: int) -> int:
        if os.fstat(handle).st_nlink == 0:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return write(handle, data, at)

    monkeypatch.setattr(os, "pwrite", of_the_kernel)
    steady = SteadyPanel(FramebufferPanel.open(PanelSettings(framebuffer=str(path)), KeySettings()))
    shown = picture(steady.size)
    before = len(os.listdir("/dev/fd"))
    path.unlink()
    for _ in range(3):
        steady.present(shown)
        assert os.strerror(errno.ENODEV) in steady.notice
    os.close(device(path, layout))
    found[0] = replace(layout, width_px=HEIGHT)
    steady.present(shown)
    assert steady.notice
    found[0] = layout
    steady.present(shown, ())  # the whole picture: nothing of it is on this one
    assert steady.notice == ""
    assert path.read_bytes() == expected(layout, shown, 0)
    assert len(os.listdir("/dev/fd")) == before
    steady.close()


def test_a_picture_of_another_size_is_refused(tmp_path) -> None:
    layout = geometry("rgb565")
    panel = FramebufferPanel(device(tmp_path / "fb", layout), layout)
    with pytest.raises(PanelError, match="does not fit"):
        panel.present(picture((5, 5)))
    panel.close()


@pytest.mark.parametrize(("name", "cure"), [("missing", "check panel.framebuffer"), ("plain", "is not a framebuffer")])
def test_opening_what_is_no_framebuffer_tells_the_cure(tmp_path, name, cure) -> None:
    (tmp_path / "plain").write_bytes(bytes(64))
    with pytest.raises(PanelError, match=cure) as caught:
        FramebufferPanel.open(PanelSettings(framebuffer=str(tmp_path / name)), KeySettings())
    assert name in str(caught.value)


def test_a_touch_that_does_not_open_leaves_the_picture(tmp_path, monkeypatch) -> None:
    layout = geometry("rgb565")
    os.close(device(tmp_path / "fb", layout))
    monkeypatch.setattr(framebuffer, "ask", lambda handle: layout)
    settings = PanelSettings(framebuffer=str(tmp_path / "fb"), touch=str(tmp_path / "gone"))
    panel = FramebufferPanel.open(settings, KeySettings())
    assert "panel.touch" in panel.notice
    shown = picture(panel.size)
    panel.present(shown)
    assert (tmp_path / "fb").read_bytes() == expected(layout, shown, 0)
    panel.close()


async def test_a_touch_that_comes_up_after_the_unit_is_opened_then(tmp_path, monkeypatch) -> None:
    """A board starts the unit before it has found all that hangs on it."""
    layout = geometry("rgb565")
    os.close(device(tmp_path / "fb", layout))
    monkeypatch.setattr(framebuffer, "ask", lambda handle: layout)
    settings = PanelSettings(framebuffer=str(tmp_path / "fb"), touch=str(tmp_path / "touch"))
    panel = FramebufferPanel.open(settings, KeySettings())
    with pytest.raises(OSError, match="touch"):
        await asyncio.wait_for(panel.run(print), 5)
    os.mkfifo(tmp_path / "touch")
    writer = os.open(tmp_path / "touch", os.O_RDWR)
    monkeypatch.setattr(fcntl, "ioctl", lambda handle, request, answer: 0)
    got: asyncio.Queue[Event] = asyncio.Queue()
    running = asyncio.create_task(panel.run(got.put_nowait))
    for kind, code, value in ((EV_KEY, BTN_TOUCH, 1), (EV_SYN, 0, 0), (EV_KEY, BTN_TOUCH, 0), (EV_SYN, 0, 0)):
        os.write(writer, EVENT.pack(1, 0, kind, code, value))
    assert await asyncio.wait_for(got.get(), 5) == Press("minus")
    running.cancel()
    panel.close()
    os.close(writer)


def test_the_backlight_is_set_but_never_put_out(tmp_path, monkeypatch) -> None:
    layout = geometry("rgb565")
    panel = FramebufferPanel(device(tmp_path / "fb", layout), layout)
    monkeypatch.setattr(framebuffer, "BACKLIGHTS", tmp_path / "lights")
    assert not panel.set_brightness(50)
    light = tmp_path / "lights" / "lcd"
    light.mkdir(parents=True)
    for most, percent, set_to in ((255, 50, "127"), (3, 10, "1"), (31, 100, "31")):
        (light / "max_brightness").write_text(f"{most}\n")
        assert panel.set_brightness(percent)
        assert (light / "brightness").read_text() == set_to
    panel.close()
