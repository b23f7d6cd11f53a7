"""The beats that the gate refused, as long as they run on smoothly from each other."""

from __future__ import annotations

from typing import NamedTuple

RUN_LEAST = 4
"""So many refused beats are a rhythm, where nothing is known that they could contradict (own choice)."""

_GOES_ON_S = 12.0  # a rhythm that was not heard for so long is another one

# Reports that run back to where the heart was left, in steps of so much, are an average that settles: not there yet.
_SETTLING_BPM = 2.0
_SETTLES_S = 15.0


class Left(NamedTuple):
    """Where the heart was when a rhythm began that is not its own, and when it was last surely seen."""

    bpm: float
    believed_s: float


class _Broken(NamedTuple):
    """A run that was broken off: since when its rhythm was there, where the heart was then, its last beat."""

    since_s: float
    left_bpm: float
    last_s: float
    last_bpm: float


class Refused:
    """A run of refused beats, or of refused reports.

    since_s: when its rhythm was there before anything else was. left_bpm: where the track was then.
    """

    __slots__ = ("_beats", "_broken_off", "_strayed", "left_bpm", "since_s")

    def __init__(self) -> None:
        self._beats: list[tuple[float, float]] = []  # (t_s, bpm)
        self._broken_off: _Broken | None = None
        self._strayed = False
        self.since_s = 0.0
        self.left_bpm = 0.0

    def __len__(self) -> int:
        return len(self._beats)

    @property
    def began_s(self) -> float:
        """When the run began; of one with a beat in it."""
        return self._beats[0][0]

    @property
    def began_bpm(self) -> float:
        """Where it began: the middle one of its earliest three."""
        return _median3(*(bpm for _, bpm in self._beats[:3]))

    @property
    def here_bpm(self) -> float:
        """Where it is: the middle one of its last three."""
        return _median3(*(bpm for _, bpm in self._beats[-3:]))

    def clear(self) -> None:
        """Something was believed, or was no beat at all: the run is over."""
        self._beats.clear()

    def take(self, bpm: float, t_s: float, step_bpm: float, left: Left | None) -> None:
        """Lengthen the run, or begin another where this one is more than a step away from it."""
        beats = self._beats
        if beats and t_s - beats[-1][0] > _GOES_ON_S:
            beats.clear()
        if beats and abs(bpm - beats[-1][1]) > step_bpm:
            # One beat out of line does not end a run, and does not belong to it; the second in a row does.
            if self._strayed:
                if len(beats) >= RUN_LEAST:
                    self._broken_off = _Broken(self.since_s, self.left_bpm, *beats[-1])
                beats.clear()
            self._strayed = not self._strayed
            if beats:
                return
        self._strayed = False
        if not beats and left is not None:
            self.since_s, self.left_bpm = t_s, left.bpm
            off = self._broken_off
            lately = off is not None and off.since_s >= left.believed_s and t_s - off.last_s <= _GOES_ON_S
            if off and lately and abs(bpm - off.last_bpm) <= 2 * step_bpm:
                # The same rhythm goes on: that beats were lost in it does not give the heart time to get there.
                self.since_s, self.left_bpm = off.since_s, off.left_bpm
        beats.append((t_s, bpm))

    def is_settling(self, t_s: float) -> bool:
        """Whether reports run back to where the heart was left: the strap's average has not settled yet."""
        beats = self._beats
        if len(beats) < 2 or t_s - beats[0][0] >= _SETTLES_S:
            return False
        step_bpm, last_bpm = beats[-1][1] - beats[-2][1], beats[-1][1]
        return abs(step_bpm) >= _SETTLING_BPM and step_bpm * (self.left_bpm - last_bpm) > 0


def _median3(a: float, b: float, c: float) -> float:
    return max(min(a, b), min(max(a, b), c))
