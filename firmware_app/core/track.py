"""The track of the gate: level and slope of a heart rate, and how sure they are.

A Kalman filter with a random walk on the slope (white acceleration; Bar-Shalom, Li and Kirubarajan, Estimation with
Applications to Tracking and Navigation, 2001, 6.2.2; from memory), written out for its two states.
"""

from __future__ import annotations

from math import exp

HR_RANGE_BPM = (30.0, 240.0)
"""A heart rate outside this is no heart rate of a rider (common practice, no source)."""

_SLOPE_NOISE_BPM2_S3 = 0.04  # what hill starts and sprints ask for (own choice)
_SLOPE_LIMIT_BPM_S = 4.0
_SLOPE_FADES_S = 3.0  # a trend that is not confirmed by beats fades as fast as this


class Track:
    """Level and slope of a heart rate with their covariance; one update a beat."""

    __slots__ = ("level_bpm", "p00", "p01", "p11", "slope_bpm_s", "t_s")

    def __init__(self, level_bpm: float, t_s: float) -> None:
        self.level_bpm = level_bpm
        self.slope_bpm_s = 0.0
        self.t_s = t_s
        self.p00 = 4.0
        self.p01 = 0.0
        self.p11 = 1.0  # it may be in a sprint

    def at(self, t_s: float) -> float:
        """The level expected at a time; the slope fades where no beat confirms it."""
        faded_s = _SLOPE_FADES_S * (1 - exp((self.t_s - t_s) / _SLOPE_FADES_S))
        return min(max(self.level_bpm + self.slope_bpm_s * faded_s, HR_RANGE_BPM[0]), HR_RANGE_BPM[1])

    def update(self, hr_bpm: float, t_s: float, noise_bpm2: float, haste: float) -> None:
        dt_s = max(t_s - self.t_s, 0.0)
        q = haste * _SLOPE_NOISE_BPM2_S3
        p01 = self.p01 + dt_s * self.p11 + q * dt_s * dt_s / 2
        p00 = self.p00 + dt_s * (self.p01 + p01) + q * dt_s * dt_s * dt_s / 3
        p11 = self.p11 + q * dt_s
        predicted = self.level_bpm + self.slope_bpm_s * dt_s
        innovation = hr_bpm - predicted
        gain0 = p00 / (p00 + noise_bpm2)
        gain1 = p01 / (p00 + noise_bpm2)
        self.level_bpm = predicted + gain0 * innovation
        slope = self.slope_bpm_s + gain1 * innovation
        self.slope_bpm_s = min(max(slope, -_SLOPE_LIMIT_BPM_S), _SLOPE_LIMIT_BPM_S)
        self.p00 = (1 - gain0) * p00
        self.p01 = (1 - gain0) * p01
        self.p11 = p11 - gain1 * p01
        self.t_s = t_s
