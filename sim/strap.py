"""The strap: a latent heart rate to the notifications that a strap would send, and what goes wrong on a bike.

Beats first, then what the electrodes make of them, then what the strap makes of those, then what the radio loses. Every
fault has its own rate and its own stream of chance: raising one leaves the others where they were.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
import numpy as np
from msgspec import Meta

from firmware_app.core.bands import whole_bpm
from firmware_app.core.measurement import RR_TICKS_PER_S, Measurement
from sim.dice import Dice, Floats, between_points, wave
from sim.rider import STEP_S

Row = tuple[float, Measurement]
"""When a notification arrived, in seconds since the ride began, and what it held."""

Signal = Literal["both", "bpm", "rr"]

_REFRACTORY_S = 0.25
"""A strap takes nothing for a beat so soon after the last one (common practice, no source)."""
_LONGEST_RR_S = 3.0
_REPORT_BPM = (30, 250)


class Fault(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How often a fault comes at ordinary dirt (per hour) and how long it lasts (seconds, short ones commoner)."""

    per_h: Annotated[float, Meta(ge=0, le=3600)] = 0.0
    s: tuple[Annotated[float, Meta(ge=0)], Annotated[float, Meta(ge=0, le=3600)]] = (0.0, 0.0)
    lean: Annotated[int, Meta(ge=1, le=8)] = 2


class Faults(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Every fault at ordinary dirt: a few bursts, a drop-out or two and a stuck reading an hour. docs/simulator.md."""

    dry: Fault = Fault(0.3, (20, 120))
    static: Fault = Fault(2.5, (2, 9))
    missed: Fault = Fault(36.0)
    doubled: Fault = Fault(36.0)
    stuck: Fault = Fault(1.0, (8, 40))
    cadence: Fault = Fault(1.0, (20, 120))
    lifted: Fault = Fault(0.7, (3, 25))
    dropout: Fault = Fault(1.5, (1, 150), 4)
    late: Fault = Fault(2.0, (2, 6))
    restart: Fault = Fault(0.15, (4, 12))


class Strap(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One strap. What is left None is drawn anew for every seed.

    signal: whether its notifications carry RR intervals and a heart rate, or one of them ("rr": as recordings do).
    averaging_s: how many seconds of beats its reported heart rate averages.
    contact: whether it can tell that it touches skin. optical: an arm band, which can lock to the cadence; no RR.
    """

    signal: Signal | None = None
    averaging_s: Annotated[float, Meta(ge=1, le=20)] | None = None
    contact: bool | None = None
    optical: bool | None = None

    def drawn(self, dice: Dice) -> Strap:
        """The same strap with every open choice made."""
        roll, averaging_s = dice.between(0, 1), dice.between(1.5, 4)
        touch, arm = dice.chance(0.6), dice.chance(0.5)
        signal: Signal = self.signal or ("both" if roll < 0.65 else "bpm" if roll < 0.85 else "rr")
        if self.optical and self.signal is None:
            signal = "bpm"
        return Strap(
            signal,
            self.averaging_s or averaging_s,
            touch if self.contact is None else self.contact,
            arm and signal == "bpm" if self.optical is None else self.optical,
        )


@dataclass(frozen=True, slots=True)
class Episode:
    """One fault that happened: its name, from when to when (seconds), and a roll from 0 to 1 for its flavour."""

    fault: str
    start_s: float
    end_s: float
    roll: float


def beats(latent_bpm: Floats, hr_max_bpm: int, dice: Dice) -> Floats:
    """Beat times in seconds of a latent heart rate sampled every STEP_S, with breathing and small irregularities.

    Breathing variability shrinks as intensity grows: some 10 ms high at 60 % of maximum, 5 at 70 %, 2 near the top.
    """
    turns = np.cumsum(np.concatenate(([0.0], latent_bpm))) * (STEP_S / 60)
    grid_s = np.arange(len(turns), dtype=np.float64) * STEP_S
    exact_s = between_points(np.arange(1, int(turns[-1])).astype(np.float64), turns, grid_s)
    rr_s = np.diff(exact_s)
    load = np.clip((between_points(exact_s[1:], grid_s[:-1], latent_bpm) / hr_max_bpm - 0.4) / 0.6, 0.0, 1.0)
    spare = 1.0 - load
    lively = dice.between(0.7, 1.8)
    breath_ms = lively * (2.0 + 45.0 * spare * spare * spare * spare)
    breaths = np.cumsum(rr_s * (0.22 + 0.4 * load)) + dice.between(0, 1)
    uneven_ms = lively * (1.8 + 3.0 * spare * spare) * dice.normals(len(rr_s))
    rr_s = rr_s + (breath_ms * wave(breaths) + uneven_ms) * 0.001
    return np.cumsum(np.concatenate((exact_s[:1], rr_s)))


def episodes(faults: Faults, duration_s: float, dirt: float, seed: int) -> list[Episode]:
    """What goes wrong in one ride at this dirt (1 is ordinary), in order of time. Missed and doubled are one beat."""
    found = []
    for name in faults.__struct_fields__:
        fault: Fault = getattr(faults, name)
        dice = Dice(seed, "fault", name)
        rolls = dice.uniforms(max(int(duration_s), 1))
        rate = fault.per_h * dirt
        if name == "dry":
            starts = [0.0] if rolls[0] < rate else []
        else:
            starts = [float(i) for i in np.flatnonzero(rolls * 3600 < rate)]
        for start_s in starts:
            begin_s = start_s + (0.0 if name == "dry" else dice.between(0, 1))
            found.append(Episode(name, begin_s, begin_s + dice.between(*fault.s, fault.lean), dice.between(0, 1)))
    return sorted(found, key=lambda episode: (episode.start_s, episode.fault))


def notifications(beat_s: Floats, duration_s: float, strap: Strap, faults: list[Episode], seed: int) -> list[Row]:
    """What arrives: about one notification a second, in order of arrival. ``strap`` must be drawn."""
    sensed_s = _sensed(beat_s, faults, seed)
    sent = _sent(sensed_s, duration_s, strap, faults, seed)
    return _arrived(sent, faults)


def _sensed(beat_s: Floats, faults: list[Episode], seed: int) -> list[float]:
    """The beats that the electrodes make out, and those that they make up."""
    kept = beat_s.tolist()
    for fault in faults:
        dice = Dice(seed, "sensed", fault.fault, int(fault.start_s * 1000))
        at = bisect_right(kept, fault.start_s)
        if fault.fault == "missed" and at < len(kept):
            del kept[at]
        elif fault.fault == "doubled" and 0 < at < len(kept):
            kept.insert(at, kept[at - 1] + (kept[at] - kept[at - 1]) * dice.between(0.3, 0.7))
        elif fault.fault in ("static", "dry"):
            end = bisect_right(kept, fault.end_s)
            kept[at:end] = _static(kept[at:end], fault, dice)
    plain: list[float] = []
    for t_s in kept:
        if not plain or t_s - plain[-1] >= _REFRACTORY_S:
            plain.append(t_s)
    return plain


def _static(true_s: list[float], fault: Episode, dice: Dice) -> list[float]:
    """Beats under static. By flavour: mostly made up, mostly missed, or a steady rhythm of the jersey's own."""
    seconds = fault.end_s - fault.start_s
    if fault.fault == "static" and fault.roll > 0.75:
        pace_s, made, t_s = dice.between(0.27, 0.36), [], fault.start_s
        while (t_s := t_s + pace_s * dice.between(0.93, 1.07)) < fault.end_s:
            made.append(t_s)
        return made
    lost, extra_per_s = (0.35, 0.35) if fault.fault == "dry" else (0.2, 1.6) if fault.roll < 0.5 else (0.6, 0.1)
    kept = [t for t, roll in zip(true_s, dice.uniforms(len(true_s)).tolist(), strict=True) if roll >= lost]
    count = int(seconds * extra_per_s + dice.between(0, 1))
    return sorted(kept + (fault.start_s + seconds * dice.uniforms(count)).tolist())


def _sent(sensed_s: list[float], duration_s: float, strap: Strap, faults: list[Episode], seed: int) -> list[Row]:
    """What the strap sends: its average of the last seconds, the RR intervals since its last word, its contact flag."""
    dice = Dice(seed, "sent")
    jitter = dice.uniforms(int(duration_s * 1.1) + 2)
    pace_s = dice.between(0.985, 1.015)
    cadence_rpm = dice.between(78, 98)
    averaging_s = strap.averaging_s or 4.0
    touching = True if strap.contact else None
    holding = [f for f in faults if f.fault in ("stuck", "lifted", "cadence", "restart")]
    if not strap.optical:
        holding = [f for f in holding if f.fault != "cadence"]
    rows: list[Row] = []
    last = Measurement(0, (), touching)
    done, since_s = 0, 0.0
    for i in range(int(duration_s / pace_s)):
        t_s = (i + 1) * pace_s + 0.04 * float(jitter[i])
        here = bisect_right(sensed_s, t_s)
        fault = next((f for f in holding if f.start_s <= t_s < f.end_s), None)
        fresh, done = range(max(done, 1), here), here
        if fault is not None and fault.fault == "restart":
            since_s = t_s
            continue
        first = max(bisect_right(sensed_s, max(t_s - averaging_s, since_s)), 1)
        hr_bpm = 0
        if here - first >= 1:
            hr_bpm = whole_bpm(60 * (here - first) / (sensed_s[here - 1] - sensed_s[first - 1]))
            hr_bpm = min(max(hr_bpm, _REPORT_BPM[0]), _REPORT_BPM[1])
        elif not since_s and last.hr_bpm is not None:
            hr_bpm = last.hr_bpm
        rr_ms = tuple(_rr_ms(sensed_s[k] - sensed_s[k - 1]) for k in fresh if sensed_s[k - 1] >= since_s)
        now = Measurement(hr_bpm, tuple(rr for rr in rr_ms if rr <= _LONGEST_RR_S * 1000), touching)
        if fault is not None and fault.fault == "stuck":
            now = Measurement(last.hr_bpm, last.rr_ms if fault.roll < 0.5 else (), touching)
        elif fault is not None and fault.fault == "lifted":
            off_s = t_s - fault.start_s
            held = last.hr_bpm if off_s < 20 * fault.roll else 0
            now = Measurement(held, (), False if strap.contact and fault.roll < 0.8 else touching)
            since_s = t_s
        elif fault is not None:
            locked = min((t_s - fault.start_s) / 5, (fault.end_s - t_s) / 5, 1.0)
            rpm = cadence_rpm * (2.0 if fault.roll > 0.75 else 1.0) + 3 * float(jitter[i])
            # One that has no heart rate yet begins with the cadence.
            from_bpm = hr_bpm or rpm
            now = Measurement(whole_bpm(from_bpm + (rpm - from_bpm) * locked), (), touching)
        last = now
        rows.append((t_s, _carried(now, strap.signal)))
    return rows


def _carried(measurement: Measurement, signal: Signal | None) -> Measurement:
    if signal == "rr":
        return Measurement(None, measurement.rr_ms, measurement.contact)
    return Measurement(measurement.hr_bpm, () if signal == "bpm" else measurement.rr_ms, measurement.contact)


def _arrived(sent: list[Row], faults: list[Episode]) -> list[Row]:
    """What the radio delivers: nothing in a drop-out, all at once after a delay; times in whole milliseconds."""
    gone = [(f.start_s, f.end_s) for f in faults if f.fault == "dropout"]
    held = [(f.start_s, f.end_s) for f in faults if f.fault == "late"]
    rows: list[Row] = []
    for t_s, measurement in sent:
        if any(start <= t_s < end for start, end in gone):
            continue
        t_s = max([t_s, *(end for start, end in held if start <= t_s < end)])
        if rows and t_s <= rows[-1][0]:
            t_s = rows[-1][0] + 0.015
        rows.append((round(t_s, 3), measurement))
    return rows


def _rr_ms(rr_s: float) -> float:
    return int(rr_s * RR_TICKS_PER_S + 0.5) * 1000 / RR_TICKS_PER_S
