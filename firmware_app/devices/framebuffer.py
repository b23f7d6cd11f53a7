"""A Linux framebuffer (``/dev/fbN``): pixels put where the kernel says they belong, with no desktop and no SDL driver.

The layout is that of ``struct fb_var_screeninfo`` and ``struct fb_fix_screeninfo`` in linux/fb.h. Lines are written
with pwrite and not through a memory map: a panel that is unplugged is then an error, not a signal that kills the ride.
"""

from __future__ import annotations

import errno
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_app.devices.panel import Deliver, Panel, PanelError, Rows, check_size
from firmware_app.devices.touch import Touch
from firmware_app.settings import KeySettings, PanelSettings

if TYPE_CHECKING:
    import numpy as np
    from pygame import Surface

FBIOGET_VSCREENINFO = 0x4600
FBIOGET_FSCREENINFO = 0x4602
VARIABLE = struct.Struct("@40I")
FIXED = struct.Struct("@16sLIIIIHHHILIIH2H")
PACKED_PIXELS = 0
TRUE_COLOUR, DIRECT_COLOUR = 2, 4
"""Requests, both structures, and what their type and visual may be, from linux/fb.h."""
COLOURS_AT = (8, 11, 14, 17)
"""Where red, green, blue and alpha stand in the variable one: offset, length, and whether the bits are reversed."""
BACKLIGHTS = Path("/sys/class/backlight")


@dataclass(frozen=True, slots=True)
class Channel:
    """The bits of one colour in a pixel: ``length`` of them, the lowest at ``offset``."""

    offset: int
    length: int


@dataclass(frozen=True, slots=True)
class Geometry:
    """What the kernel says of a framebuffer. start_bytes: where its first visible pixel lies in the device."""

    width_px: int
    height_px: int
    bits: int
    line_bytes: int
    start_bytes: int
    red: Channel
    green: Channel
    blue: Channel
    alpha: Channel

    @classmethod
    def parse(cls, variable: bytes, fixed: bytes) -> Geometry:
        """Read both structures. Raises PanelError for a kind of pixel that cannot be written."""
        var = VARIABLE.unpack_from(variable)
        fix = FIXED.unpack_from(fixed)
        width, height, _, _, x_offset, y_offset, bits, grey = var[:8]
        kind, visual, line_bytes = fix[3], fix[5], fix[9]
        if bits not in (16, 32) or grey or kind != PACKED_PIXELS or visual not in (TRUE_COLOUR, DIRECT_COLOUR):
            raise PanelError(
                f"framebuffer: {bits} bits a pixel, type {kind}, visual {visual}, greyscale {grey} cannot be written; "
                "set it to 16 or 32 bits of true colour (boot configuration or fbset)"
            )
        channels = [Channel(*var[at : at + 2]) for at in COLOURS_AT]
        reversed_bits = any(var[at + 2] for at in COLOURS_AT[:3])
        if reversed_bits or any(part.offset + part.length > bits or not part.length for part in channels[:3]):
            raise PanelError(f"framebuffer: colour bits {channels} do not make a pixel of {bits} bits")
        if not width or not height or line_bytes < width * bits // 8:
            raise PanelError(f"framebuffer: {width}x{height} px do not fit lines of {line_bytes} bytes")
        start = y_offset * line_bytes + x_offset * bits // 8
        return cls(width, height, bits, line_bytes, start, *channels)


def ask(handle: int) -> Geometry:
    """The geometry of an open framebuffer device. Raises OSError when it is none."""
    import fcntl

    variable, fixed = bytearray(VARIABLE.size), bytearray(FIXED.size + 8)
    fcntl.ioctl(handle, FBIOGET_VSCREENINFO, variable)
    fcntl.ioctl(handle, FBIOGET_FSCREENINFO, fixed)
    return Geometry.parse(bytes(variable), bytes(fixed))


def _opened(path: str) -> tuple[int, Geometry]:
    """The handle and the geometry of a device. Raises PanelError with the cure."""
    try:
        handle = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        denied = error.errno in (errno.EACCES, errno.EPERM)
        cure = "add your user to the group video" if denied else "check panel.framebuffer"
        raise PanelError(f"{path}: {error.strerror}; {cure}") from error
    try:
        return handle, ask(handle)
    except OSError as error:
        os.close(handle)
        raise PanelError(f"{path}: is not a framebuffer ({error.strerror}); check panel.framebuffer") from error
    except PanelError:
        os.close(handle)
        raise


class FramebufferPanel(Panel):
    """A framebuffer that is open as ``handle``; the picture is turned clockwise by ``rotation_deg`` on its way there.

    path: where it is opened again after it failed.

    panel = FramebufferPanel.open(PanelSettings(framebuffer="/dev/fb0"), KeySettings())
    """

    def __init__(
        self, handle: int, geometry: Geometry, rotation_deg: int = 0, touch: Touch | None = None, path: str = ""
    ) -> None:
        import numpy as np

        self._path = path
        self._handle = handle
        self._geometry = geometry
        self._turns = rotation_deg // 90
        self._touch = touch
        native = geometry.width_px, geometry.height_px
        self.size = native if self._turns % 2 == 0 else native[::-1]
        kind = np.uint16 if geometry.bits == 16 else np.uint32
        levels = np.arange(256, dtype=np.uint64)
        # For each colour, the bits that each of its 256 levels becomes: encoding is three look-ups.
        self._bits: list[np.ndarray] = []
        for channel in (geometry.red, geometry.green, geometry.blue):
            shift = 8 - channel.length
            value = levels >> shift if shift >= 0 else levels << -shift | levels >> (8 + shift)
            self._bits.append((value << channel.offset).astype(kind))
        opaque = ((1 << geometry.alpha.length) - 1) << geometry.alpha.offset
        self._bits[0] = self._bits[0] | kind(opaque)

    @classmethod
    def open(cls, settings: PanelSettings, keys: KeySettings) -> FramebufferPanel:
        """Open the device that the settings name, and its touch. Raises PanelError with the cure.

        A touch that does not open is a notice: the panel works without, and it may come up later.
        """
        handle, geometry = _opened(settings.framebuffer)
        touch, notice = None, ""
        if settings.touch:
            try:
                touch = Touch.open(settings.touch, settings.rotation_deg, keys)
            except OSError as error:
                notice = f"No touch: {settings.touch}: {error.strerror}; check panel.touch"
                touch = Touch.awaited(settings.touch, settings.rotation_deg, keys)
        panel = cls(handle, geometry, settings.rotation_deg, touch, settings.framebuffer)
        panel.notice = notice
        return panel

    def present(self, surface: Surface, rows: Rows | None = None) -> None:
        """Write the rows that changed. Raises OSError when the device fails, PanelError while it is gone."""
        check_size(self, surface)
        if self._handle < 0:
            self._open_again()
        try:
            self._draw(surface, rows)
        except OSError:
            # One that was unplugged leaves a dead handle: what comes back is another device at the same path.
            self._let_go()
            raise

    def _open_again(self) -> None:
        handle, geometry = _opened(self._path)
        if geometry != self._geometry:
            os.close(handle)
            raise PanelError(f"{self._path}: is another panel than before; start the unit again")
        self._handle = handle

    def _draw(self, surface: Surface, rows: Rows | None) -> None:
        import numpy as np
        import pygame.surfarray

        pixels = pygame.surfarray.pixels2d(surface).T
        for top, bottom in ((0, self.size[1]),) if rows is None else rows:
            turned = np.rot90(self._encoded(pixels[top:bottom], surface.get_shifts()), -self._turns)
            line, column = [
                (top, 0),
                (0, self.size[1] - bottom),
                (self.size[1] - bottom, 0),
                (0, top),
            ][self._turns]
            self._write(turned, line, column)

    def _encoded(self, pixels: np.ndarray, shifts: tuple[int, int, int, int]) -> np.ndarray:
        red, green, blue = (bits[(pixels >> shift) & 0xFF] for bits, shift in zip(self._bits, shifts, strict=False))
        encoded: np.ndarray = red | green | blue
        return encoded

    def _write(self, block: np.ndarray, line: int, column: int) -> None:
        import numpy as np

        geometry = self._geometry
        raw = np.ascontiguousarray(block)
        at = geometry.start_bytes + line * geometry.line_bytes + column * raw.itemsize
        if raw.shape[1] * raw.itemsize == geometry.line_bytes:
            raw = raw.reshape(1, -1)
        for i, row in enumerate(raw):
            self._put(memoryview(row).cast("B"), at + i * geometry.line_bytes)

    def _put(self, data: Any, at: int) -> None:
        while data:
            done = os.pwrite(self._handle, data, at)
            if not done:
                raise OSError(errno.ENOSPC, "the framebuffer is shorter than it says")
            data, at = data[done:], at + done

    async def run(self, deliver: Deliver) -> None:
        """Deliver presses of the touch, where there is one."""
        if self._touch is not None:
            await self._touch.run(deliver)
        await super().run(deliver)

    def set_brightness(self, percent: int) -> bool:
        """Set every backlight of the board; raises OSError when it is there but not ours to set."""
        found = False
        for light in sorted(BACKLIGHTS.glob("*")):
            most = int((light / "max_brightness").read_text())
            (light / "brightness").write_text(str(max(1, most * percent // 100)))
            found = True
        return found

    def close(self) -> None:
        """Close the device; the last picture stays on it."""
        if self._touch is not None:
            self._touch.close()
        self._let_go()

    def _let_go(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
