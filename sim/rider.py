"""The rider: workload to a latent heart rate.

Workload is a fraction of the power that ends a graded test (1.0 is peak power), four values a second. The heart follows
after a dead time with a fast and a slow component, sinks more slowly than it rises, drifts upward over the hours, and
has a ceiling. Numbers and their sources: docs/simulator.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim.dice import Dice, Floats

STEP_S = 0.25
"""Workload and latent heart rate come four times a second."""

_TOP_FRACTION = 1.2
"""A sprint over this fraction of peak power drives the heart no harder."""
_KNEE_BPM = 6.0
"""This close to the maximum, the rise loses strength in proportion to what is left."""
_DRIFT_TIME_S = 2400.0
_WANDER_TIME_S = 25.0


@dataclass(frozen=True)
class Rider:
    """One heart, on one day.

    hr_max_bpm: the ceiling. hr_easy_bpm: heart rate of pedalling without load; between them it is linear in workload.
    hr_rest_bpm: at rest. peak_power_w: 1.0 of workload in watts.
    dead_time_s, fast_s, slow_s: of the answer to a step; fast_share: of the whole answer.
    recovery: how many times slower the heart sinks than it rises.
    drift_bpm: cardiovascular drift that a ride at 0.6 of peak power would end up with.
    wander_bpm: standard deviation of the slow irregular swings, at low intensity. day_bpm: today's offset.
    """

    hr_max_bpm: int = 186
    hr_rest_bpm: int = 56
    hr_easy_bpm: float = 88.0
    peak_power_w: float = 300.0
    dead_time_s: float = 6.5
    fast_s: float = 25.0
    slow_s: float = 55.0
    fast_share: float = 0.12
    recovery: float = 1.15
    drift_bpm: float = 9.0
    wander_bpm: float = 2.3
    day_bpm: float = 0.0

    @classmethod
    def drawn(cls, dice: Dice) -> Rider:
        """One of the population that docs/simulator.md describes."""
        # Shared by both components, so that the spread of the fitted time constants is that of this pace.
        pace = min(max(1 + 0.32 * dice.normal(), 0.35), 2.0)
        hr_max_bpm = round(min(max(184 + 10 * dice.normal(), 155), 208))
        return cls(
            hr_max_bpm=hr_max_bpm,
            hr_rest_bpm=round(dice.between(44, 66)),
            hr_easy_bpm=hr_max_bpm * dice.between(0.43, 0.52),
            peak_power_w=dice.between(180, 420),
            dead_time_s=dice.between(4, 9),
            fast_s=25 * pace * dice.between(0.8, 1.2),
            slow_s=55 * pace * dice.between(0.85, 1.15),
            fast_share=dice.between(0.05, 0.2),
            recovery=dice.between(1.05, 1.25),
            drift_bpm=dice.between(4, 14),
            wander_bpm=dice.between(1.8, 2.8),
        ).on_a_day(dice)

    def on_a_day(self, dice: Dice) -> Rider:
        """The same rider on a day of their own: sleep, heat and coffee move the heart rate at a given power."""
        return replace(self, day_bpm=2.5 * dice.normal())

    def fraction_of(self, watts: float) -> float:
        """Watts as a fraction of this rider's peak power."""
        return watts / self.peak_power_w

    def latent(self, workload: Floats, dice: Dice) -> Floats:
        """Latent heart rate in bpm for workload in fractions of peak power, both every STEP_S and of one length.

        The ride begins sitting on the bike, somewhat above resting heart rate.
        """
        ceiling = float(self.hr_max_bpm)
        gain_bpm = ceiling - self.hr_easy_bpm
        fast_gain, slow_gain = gain_bpm * self.fast_share, gain_bpm * (1 - self.fast_share)
        at_rest = (self.hr_rest_bpm + 14 - self.hr_easy_bpm) / gain_bpm
        fast, slow, drift, wander = fast_gain * at_rest, slow_gain * at_rest, 0.0, 0.0
        fast_up, slow_up = STEP_S / self.fast_s, STEP_S / self.slow_s
        fast_down, slow_down = fast_up / self.recovery, slow_up / self.recovery
        drift_step = STEP_S / _DRIFT_TIME_S
        wander_keep = 1 - STEP_S / _WANDER_TIME_S
        push = self.wander_bpm * float(np.sqrt(2 * STEP_S / _WANDER_TIME_S))
        pushes = (dice.normals(len(workload)) * push).tolist()
        late = min(round(self.dead_time_s / STEP_S), len(workload))
        asked = [at_rest] * late + np.clip(workload, 0.0, _TOP_FRACTION).tolist()
        base = self.hr_easy_bpm + self.day_bpm
        shown = []
        for load, pushed in zip(asked, pushes, strict=False):
            ahead = fast_gain * load - fast
            fast += ahead * (fast_up if ahead > 0 else fast_down)
            ahead = slow_gain * load - slow
            slow += ahead * (slow_up if ahead > 0 else slow_down)
            drift += (self.drift_bpm * load / 0.6 - drift) * drift_step
            wander = wander * wander_keep + pushed * (1.1 - 0.7 * min(max(load, 0.0), 1.0))
            hr_bpm = base + fast + slow + drift + wander
            left = ceiling - hr_bpm
            if left < _KNEE_BPM:
                # 6 left stays 6, 0 left becomes 1.5, -6 left becomes 0: smooth, and never over the ceiling.
                lift = max(_KNEE_BPM + left, 0.0)
                hr_bpm = ceiling - lift * lift / (4 * _KNEE_BPM) if left > -_KNEE_BPM else ceiling
            shown.append(hr_bpm)
        return np.array(shown)
