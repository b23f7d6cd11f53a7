"""What one beat too many or too few does to the average that a strap reports.

It moves the number away for as long as the strap averages, and back in one step. A number that jumps as no heart does
keeps the track where it is for so long, as far as the jump explains the number. One that goes on jumping or running the
same way is no such beat, and one that changes after it stood for long (where only changes are recorded, it may) is no
jump.
"""

from __future__ import annotations

from firmware_app.core.track import Track

REPORT_TOLERANCE_BPM, REPORT_TOLERANCE_BPM_S = 4.0, 2.0
"""A reported heart rate may differ from the track by this, and by so much more a second (own choice)."""

JUMP_BPM = 4.5
"""No heart moves so far from one report to the next, beside its slope (own choice)."""

REACH_UP_BPM_S = 2.5
"""A heart rises no faster than this for long (common practice, no source)."""

_AVERAGED_S = 10.5  # no strap seen here averages over more
_JUMPS_ON_S = 1.6
_STOOD_S = 30.0
_RUNS_ON_BPM = 2.0
_EXPLAINED_BPM = 8.0
_JUMPED_BACK_BPM = 15.0


class Jump:
    """By how much a reported heart rate may be off, since it jumped as no heart does."""

    __slots__ = ("_bpm", "_last_s", "_moved_s", "_since_s", "_to_bpm")

    def __init__(self) -> None:
        self._bpm = 0.0  # nothing says that it is off
        self._to_bpm = 0.0  # where the last jump led
        self._since_s = self._last_s = float("-inf")
        self._moved_s = 0.0  # when the number was last another one

    def heard(self, hr_bpm: float, step_bpm: float, track: Track, silent_s: float, t_s: float) -> bool:
        """Take one report, a step from the last one silent_s ago; whether it jumped back to the heart."""
        stood_s = t_s - self._moved_s
        if step_bpm:
            self._moved_s = t_s
        off_bpm = abs(hr_bpm - track.at(t_s))
        off_s = t_s - self._since_s
        if off_s > _AVERAGED_S:
            self._bpm = 0.0
        if off_bpm <= REPORT_TOLERANCE_BPM:
            self._bpm = 0.0
            return False
        jump_bpm = step_bpm - track.slope_bpm_s * silent_s
        # Reports that come seldom step further: by what a heart can do meanwhile.
        least_bpm = JUMP_BPM + REACH_UP_BPM_S * max(silent_s - _JUMPS_ON_S, 0.0)
        jumped = abs(jump_bpm) >= least_bpm and abs(step_bpm) >= REPORT_TOLERANCE_BPM and stood_s <= _STOOD_S
        ran_bpm = hr_bpm - self._to_bpm - (step_bpm if jumped else 0.0)
        if ran_bpm * self._bpm > _RUNS_ON_BPM * abs(self._bpm):
            self._bpm = 0.0
            return False
        if not jumped:
            return False
        goes_on = self._bpm * jump_bpm > 0 and t_s - self._last_s <= _JUMPS_ON_S
        back = self._bpm * jump_bpm < 0 and abs(self._bpm + jump_bpm) < JUMP_BPM
        self._last_s = t_s
        if goes_on or back:
            self._bpm = 0.0
            return back and off_bpm <= min(REPORT_TOLERANCE_BPM + REPORT_TOLERANCE_BPM_S * off_s, _JUMPED_BACK_BPM)
        if self._bpm * (self._bpm + jump_bpm) <= 0:
            self._since_s = t_s
        self._bpm += jump_bpm
        self._to_bpm = hr_bpm
        return False

    def explains(self, hr_bpm: float, expected_bpm: float) -> bool:
        """Whether the heart may be where it is expected although this is reported."""
        if not self._bpm:
            return False
        low_bpm, high_bpm = sorted((hr_bpm, hr_bpm - self._bpm))
        return low_bpm - _EXPLAINED_BPM <= expected_bpm <= high_bpm + _EXPLAINED_BPM
