"""What can be seen: measures taken from rendered pixels, by published formulas."""

from __future__ import annotations

from math import atan, degrees

import numpy as np
import pygame.surfarray
from pygame import Rect, Surface

# Machado, Oliveira, Fernandes, IEEE Trans Vis Comput Graph 15:1291, 2009, severity 1.0, on linear RGB; from memory,
# with the check that white stays white.
VISION = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def linear(rgb: np.ndarray) -> np.ndarray:
    """sRGB 0 to 255 to linear 0 to 1. W3C WCAG 2.1, definition of relative luminance; from memory."""
    part = np.asarray(rgb, dtype=float) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def luminance(rgb: np.ndarray, vision: str = "normal") -> np.ndarray:
    """Relative luminance, as somebody with this colour vision sees it."""
    seen = np.clip(linear(rgb) @ VISION[vision].T, 0, 1)
    return seen @ np.array([0.2126, 0.7152, 0.0722])


def contrast(one: np.ndarray, other: np.ndarray, vision: str = "normal") -> float:
    """Contrast ratio, (L1 + 0.05) / (L2 + 0.05), W3C WCAG 2.1, 1.4.6; from memory."""
    high, low = sorted((float(luminance(one, vision)), float(luminance(other, vision))), reverse=True)
    return (high + 0.05) / (low + 0.05)


def arc_minutes(height_mm: float, distance_mm: float = 750) -> float:
    """The angle of a character of this height, as ISO 15008 counts it."""
    return degrees(2 * atan(height_mm / 2 / distance_mm)) * 60


def pixels(surface: Surface, box: tuple[int, int, int, int] | Rect | None = None) -> np.ndarray:
    """Height x width x 3."""
    whole = pygame.surfarray.array3d(surface).swapaxes(0, 1)
    if box is None:
        return whole
    left, top, width, height = box
    return whole[top : top + height, left : left + width]


def colours_of(area: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The colours in an area, and how often each is there."""
    packed = area.reshape(-1, 3).astype(np.uint32) @ np.array([1 << 16, 1 << 8, 1], dtype=np.uint32)
    found, counts = np.unique(packed, return_counts=True)
    return np.stack([found >> 16, found >> 8 & 0xFF, found & 0xFF], axis=1), counts


def ground_and_ink(area: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The commonest colour of an area, and the one that stands out most from it."""
    colours, counts = colours_of(area)
    light = luminance(colours) + 0.05
    ground = int(counts.argmax())
    ratio = np.maximum(light / light[ground], light[ground] / light)
    return colours[ground], colours[int(ratio.argmax())]


def ink_height(area: np.ndarray) -> int:
    """Rows in which something is written, counting a pixel that is nearer to the ink than to the ground."""
    # The corners of a tight box of digits are ground.
    ground = area[0, 0]
    light = luminance(area)
    levels = light.min(), light.max()
    ink = max(levels, key=lambda level: abs(level - float(luminance(ground))))
    written = np.abs(light - ink) < np.abs(light - float(luminance(ground)))
    return int(written.any(axis=1).sum())
