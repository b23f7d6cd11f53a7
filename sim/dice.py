"""Chance that falls the same on every machine.

Simulated rides are compared byte by byte, so nothing here or in the rest of the simulator's generating code may depend
on a mathematics library or on a processor: only ``+ - * /`` and ``sqrt`` on doubles, which IEEE 754 rounds exactly, one
operation at a time (numpy's compound functions such as ``interp``, ``sum`` and ``dot`` may fuse or reorder). The raw
stream of PCG64 and the way SeedSequence seeds it are fixed by numpy's NEP 19; its distributions are not, and use
logarithms in their tails, so they stay out.
"""

from __future__ import annotations

from zlib import crc32

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Dice:
    """A stream of chance named by integers and words: ``Dice(7, "static")`` is independent of ``Dice(7, "stuck")``."""

    def __init__(self, *name: int | str) -> None:
        words = [part if isinstance(part, int) else crc32(part.encode()) for part in name]
        self._bits = np.random.PCG64(np.random.SeedSequence(words))

    def uniforms(self, count: int) -> Floats:
        """``count`` numbers from 0 up to but not including 1, 53 bits each."""
        drawn: Floats = (self._bits.random_raw(count) >> np.uint64(11)).astype(np.float64) * 2.0**-53
        return drawn

    def normals(self, count: int) -> Floats:
        """``count`` numbers of mean 0 and standard deviation 1: twelve uniforms summed, so never beyond 6."""
        total = np.full(count, -6.0)
        for _ in range(12):
            total += self.uniforms(count)
        return total

    def between(self, low: float, high: float, lean: int = 1) -> float:
        """One number from low to high. ``lean`` 1 is even; 3 or more makes low values common and high ones rare."""
        share = 1.0
        roll = float(self.uniforms(1)[0])
        for _ in range(lean):
            share *= roll
        return low + (high - low) * share

    def normal(self) -> float:
        """One number of mean 0 and standard deviation 1."""
        return float(self.normals(1)[0])

    def chance(self, probability: float) -> bool:
        """True with this probability."""
        return float(self.uniforms(1)[0]) < probability


def wave(turns: Floats) -> Floats:
    """A smooth wave of period 1 and height 1, a sine to within 0.1 %: ``16x(1-x)/(5-4x(1-x))`` per half turn.

    Source of the formula: Bhaskara I, Mahabhaskariya, 7th century.
    """
    turn = turns - np.floor(turns)
    half = 2.0 * turn
    half = half - np.floor(half)
    bow = half * (1.0 - half)
    height = 16.0 * bow / (5.0 - 4.0 * bow)
    return np.where(turn < 0.5, height, -height)


def between_points(at: Floats, xs: Floats, ys: Floats) -> Floats:
    """Linear interpolation of ys over rising xs, flat outside; ``numpy.interp`` without fused operations."""
    right = np.clip(np.searchsorted(xs, at, side="right"), 1, len(xs) - 1)
    x0, x1, y0, y1 = xs[right - 1], xs[right], ys[right - 1], ys[right]
    share = np.clip((at - x0) / (x1 - x0), 0.0, 1.0)
    return y0 + (y1 - y0) * share
