"""Measurements and RR intervals to a trusted heart rate: artefact gate, slope and signal quality.

Causal and beat by beat where a strap sends RR intervals, on the reported bpm where it does not. Three ideas:

* a *track* predicts the next beat from level and slope (a Kalman filter with a random walk on the slope). A heart
  cannot change by a tenth from one beat to the next while it works, a loose electrode can;
* an interval that the track did not expect is first read as a missed beat (two or three in one) or as a beat counted
  twice (fragments that add up to one); what fits neither way is an artefact and only lowers the quality;
* the beats that were refused are remembered: when they agree with each other and the heart could have got there since
  it was last seen, the track moves to them at once; when it could not, they must keep agreeing for much longer. So one
  bad beat is never a peak, and a heart that has really moved is never held to its old value.

On the reported bpm one bad beat is a jump that lasts as long as the strap averages. While a jump explains what is
reported, the track stays where it is.

The track is as smooth as the rider's own variability asks for, until beats err on one side of it: then the heart has
turned, and the track is let follow. Without that a sprint looks like a restless heart, and is followed ever later.

Its parts: ``core/track`` predicts, ``core/refused`` remembers what was refused, ``core/jump`` and ``core/repeats`` know
what straps do to a number.

Delay: on RR intervals the trusted value runs level with the heart on a steady ramp, and needs about two seconds after a
sudden change of slope; on the reported bpm the strap's own averaging comes on top, less the second that is made good.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from itertools import pairwise
from math import exp

from firmware_app.core.jump import JUMP_BPM, REACH_UP_BPM_S, REPORT_TOLERANCE_BPM, REPORT_TOLERANCE_BPM_S, Jump
from firmware_app.core.measurement import Measurement
from firmware_app.core.refused import RUN_LEAST, Left, Refused
from firmware_app.core.repeats import Repeats
from firmware_app.core.track import HR_RANGE_BPM, Track

FRESH_S = 3.0
"""A trusted value is good for this long after the last beat that was believed."""

# Some recordings hold a row every few seconds, or one where the number changed. There a value is good for so many of
# the usual intervals between notifications: the middle one of the last, so that no drop-out makes a number last longer.
_USUAL_OF = 9
_FRESH_INTERVALS = 2.5
_FRESH_LIMIT_S = 12.0
_SPAN_INTERVALS = 1.5


@dataclass(frozen=True, slots=True)
class Trusted:
    """What the gate believes after a measurement.

    hr_bpm: trusted heart rate, or None when there is none to trust. slope_bpm_s: its slope.
    quality: signal quality, 0 (nothing believed lately) to 1 (every beat as expected). doubt_bpm: standard deviation
    that the track gives itself: under 1 for most hearts at effort, 2 for a restless one or after a burst of static.
    unseen_s: where the heart has just been found a leap away, how long ago it was last surely seen.
    """

    t_s: float
    hr_bpm: float | None
    slope_bpm_s: float
    quality: float
    doubt_bpm: float = 0.0
    unseen_s: float = 0.0


# How far one beat is off: the floor is breathing at hard effort.
_BEAT_NOISE_FLOOR_BPM2 = 1.2
_BREATHING = 2.0  # neighbouring beats err the same way with the breath: each says half as much as it seems
_REPORT_NOISE_BPM2 = 0.8

# How far an interval may lie from the expected one, as a fraction of it. The limit follows the rider's own beat-to-beat
# variability between a floor and a ceiling, and both are wider for a slow heart: breathing and the vagus nerve swing a
# heart at rest by a fifth within two beats, and leave one at hard effort almost alone.
_TOLERANCE_FLOOR = 0.06
_TOLERANCE_CEILING = 0.12
_TOLERANCE_SIGMAS = 4.0
_SLOW_HEART_BPM = (70.0, 130.0)
_SLOW_HEART_EXTRA = 0.14
_MENDED_TOLERANCE = 0.08
_MENDED_NOISE = 4.0
_MENDABLE = {1: (2, 3), 2: (1, 2), 3: (1,)}  # intervals together: beats that they may be
_EDGE_DOUBT = 2.0  # a beat at the edge of the tolerance weighs a third of one in its middle
_SPREAD_MEMORY_BEATS = 30.0

# Beats that err on one side for a few beats, by as much as they usually vary, say that the heart has turned. The
# variance of the slope then grows as many times as fast as that says, and what they err by is not variability.
_ONE_SIDED_MEMORY_BEATS = 4.0
_ONE_SIDED_HASTE = 30.0
_ONE_SIDED_QUALITY = 0.7  # under this it may as well be the noise that errs

# A step back to where the heart was left is believed at once, unless the numbers had jumped about before it.
_STEP_BACK_S = 15.0
_STEP_BACK_BPM = 10.0
_STEP_BACK_STEPS = 3

# A heart's reach since it was last seen: a step for the filter's own error, then beats per minute and second.
_REACH_STEP_BPM = 9.0
_REACH_DOWN_BPM_S = 2.0

# Back where the heart was left: no step at all, so a few beats are enough.
_BACK_BPM = 4.0
_BACK_BPM_S = 0.3

DENIED = 1.15
"""A heart rate and RR intervals that differ by more than this factor deny each other: no average is late by so much,
and which of the two is right nobody knows (own choice)."""

# So near to each other, RR intervals and the reported heart rate vouch for each other.
_VOUCHED_BPM = 5.0
# What both say is believed downward as soon as it is a rhythm; upward, static makes both of them say the same.
_VOUCHED_S = 2.0

# Out of reach, a rhythm must last this long, (down, up) in seconds. An optical sensor can follow the pedals for
# half a minute; upward is believed sooner, because near maximum must not be missed. One that is hardly out of reach
# must last for less when it goes on the way that it stepped: a heart in the middle of a sprint or a recovery does,
# neither an average with a beat too few in it nor the pedals do.
_OUT_OF_REACH_S = (12.0, 12.0)
_OUT_OF_REACH_REPORTED_S = (35.0, 15.0)
_LEADS_ON_S, _LEADS_ON_BPM = 6.0, 4.0
_HARDLY_OUT_BPM = 12.0

# A strap may count every second beat for minutes, and an arm band the pedals. A fall under this share of where the
# heart was must last for so much of the time that the heart was followed before it, up to a limit: the first witness is
# the better one, and half a heart rate urges a rider too far.
_HALF = 0.7
_HALF_WAITS = 0.25
_HALF_WAITS_S = 120.0

# Where the heart was before such a rhythm was waited for, is not forgotten: what steps back there was the heart.
_BEFORE_S = 180.0
_BEFORE_BPM = 12.0

# Beats that come long and short by turns, as some hearts' do: the track can settle on every second one. Two that follow
# each other then always last the same, and that says where the heart is.
_BY_TURNS_BEATS = 16
_BY_TURNS_REFUSED = (5, 11)
_BY_TURNS_EVEN = 0.06
_BY_TURNS_OFF = 0.04

_RUN_BEATS = 6
_RUN_REPORTS = 8  # a strap's averaging smears one bad beat over as many seconds
_RUN_STEP = 0.08  # refused beats run on from each other when they lie within this fraction, wider for a slow heart
_RUN_STEP_REPORTED_BPM = 6.0  # a sprint may begin at five a second

_QUALITY_MEMORY_S = 8.0
_QUALITY_FOUND = 0.5
_SURE_QUALITY = 0.5  # under this a beat that fits may be one of the static's own
_REPORTED_LAG_S = 1.0  # made good of what the strap averages; more is sooner, and more often wrong (own choice)


def _slow_heart(hr_bpm: float) -> float:
    low_bpm, high_bpm = _SLOW_HEART_BPM
    return _SLOW_HEART_EXTRA * min(max((high_bpm - hr_bpm) / (high_bpm - low_bpm), 0.0), 1.0)


class Gate:
    """Turns a strap's measurements into a trusted heart rate.

    >>> Gate().feed(Measurement(120, (500.0, 500.0)), 1.0).hr_bpm is None   # two beats are not yet a heart rate
    True
    """

    def __init__(self) -> None:
        self._track: Track | None = None
        self._spread2 = 0.03**2  # variance of the relative innovation: the rider's own variability
        self._one_sided = 0.0  # the mean relative innovation of the last beats
        self._haste = 1.0
        self._believed_s = float("-inf")  # when a beat was last believed as it stood
        self._stood_s = float("-inf")  # the same, or a number that may be stuck
        self._accepted_s = float("-inf")  # when a beat was last believed, mended ones included
        self._fragments_ms: list[float] = []  # intervals too short for a beat, that may add up to one
        self._refused = Refused()
        self._before: tuple[float, float] | None = None  # (t_s, bpm) of the heart before a rhythm it could not reach
        self._recent: deque[tuple[float, bool]] = deque(maxlen=_BY_TURNS_BEATS)  # (RR in ms, believed as it stood)
        self._quality = 0.0
        self._quality_s: float | None = None
        self._lag_s = 0.0  # how far what the strap said last lies behind the heart
        self._sends_rr = 0.0  # how usual RR intervals are for this strap, 0 to 1
        self._report_bpm: float | None = None  # the last one
        self._reported_bpm: float | None = None  # beside RR intervals
        self._jump = Jump()
        self._repeats = Repeats()
        self._report_steps = 0  # how often the reported heart rate jumped since the track was last sure of it
        self._arrived_s = self._woke_s = float("-inf")  # of the last notification, and the last one after a silence
        self._intervals_s: deque[float] = deque(maxlen=_USUAL_OF)
        self._fresh_s = FRESH_S
        self._span_s = _SPAN_INTERVALS  # what one notification vouches for
        self._unseen_s = 0.0  # before this measurement found the heart a leap away
        self._followed_since_s = 0.0  # since when the track has followed one heart

    @property
    def fresh_s(self) -> float:
        """How long a trusted value is good for, in seconds, at the pace of this strap."""
        return self._fresh_s

    def feed(self, measurement: Measurement, t_s: float) -> Trusted:
        """Take one measurement at its time of arrival; times must not go back."""
        silent_s = self._arrive(t_s)
        self._unseen_s = 0.0
        # Beside a heart's own intervals one of no time, or of over three beats of the slowest, fills the packet up.
        hearts = tuple(rr_ms for rr_ms in measurement.rr_ms if 0 < rr_ms <= 3 * 60000 / HR_RANGE_BPM[0])
        rrs = hearts or measurement.rr_ms
        stuck = self._repeats.stuck(measurement, t_s, self._sends_rr > 0.5)
        self._reported_bpm = measurement.hr_bpm if rrs else None
        if rrs:
            self._sends_rr += 0.1 * (1.0 - self._sends_rr)
            if silent_s > self._fresh_s and not stuck:
                self._find_at_once(measurement, t_s, silent_s)
            end_s = t_s - sum(rrs) / 1000
            for rr_ms in rrs:
                end_s += rr_ms / 1000
                # An impossible interval must not date the beats before it back to where nothing was believed yet.
                self._beat(rr_ms, max(end_s, self._accepted_s), stuck, silent_s)
        elif measurement.hr_bpm is not None:
            self._sends_rr -= 0.02 * self._sends_rr
            self._report(float(measurement.hr_bpm), t_s, stuck or measurement.contact is False, silent_s)
        self._lag_s = 0.0 if rrs else _REPORTED_LAG_S
        found = self.at(t_s)
        return replace(found, unseen_s=self._unseen_s) if self._unseen_s else found

    def at(self, t_s: float) -> Trusted:
        """What is believed at a time, without a new measurement."""
        track = self._track
        age_s = t_s - self._accepted_s
        if track is None or age_s > self._fresh_s:
            return Trusted(t_s, None, 0.0, self._decayed(t_s))
        hr_bpm = track.at(min(t_s, track.t_s + 1.0) + self._lag_s)
        return Trusted(t_s, hr_bpm, track.slope_bpm_s, self._decayed(t_s), track.p00**0.5)

    def _arrive(self, t_s: float) -> float:
        """Seconds since the last notification; learns how far apart they usually come."""
        silent_s = t_s - self._arrived_s
        self._arrived_s = t_s
        self._intervals_s.append(silent_s)
        usual_s = min(max(sorted(self._intervals_s)[(len(self._intervals_s) - 1) // 2], 1.0), _FRESH_LIMIT_S)
        self._fresh_s = min(max(FRESH_S, _FRESH_INTERVALS * usual_s), _FRESH_LIMIT_S)
        self._span_s = min(_SPAN_INTERVALS * usual_s, self._fresh_s)
        if silent_s > self._fresh_s:
            self._woke_s = t_s
        return silent_s

    # --- one beat, one report ---------------------------------------------------------------------------------------

    def _beat(self, rr_ms: float, t_s: float, stuck: bool, silent_s: float) -> None:
        track = self._track
        span_s = min(rr_ms / 1000, self._fresh_s)
        unseen = track is None or silent_s > self._fresh_s or t_s - self._accepted_s > 2 * self._fresh_s
        needed = RUN_LEAST if unseen else _RUN_BEATS
        possible = not stuck and 60000 / HR_RANGE_BPM[1] <= rr_ms <= 60000 / HR_RANGE_BPM[0]
        if track is not None and t_s - self._accepted_s <= self._fresh_s and not stuck:
            expected_bpm = track.at(t_s)
            expected_ms = 60000 / expected_bpm
            own = min(max(_TOLERANCE_SIGMAS * self._spread2**0.5, _TOLERANCE_FLOOR), _TOLERANCE_CEILING)
            tolerance = own + _slow_heart(expected_bpm)
            off = rr_ms / expected_ms - 1
            if possible and abs(off) <= tolerance:
                self._recent.append((rr_ms, True))
                self._learn(off, expected_bpm)
                self._fragments_ms.clear()
                self._refused.clear()
                doubt = 1 + _EDGE_DOUBT * (off / tolerance) ** 2
                sure = not self._repeats.alike
                self._accept(60000 / rr_ms, t_s, span_s, doubt * self._beat_noise(), worth=1.0, sure=sure)
                return
            beats = self._mended_beats(rr_ms, expected_ms)
            if beats:
                whole_ms = (sum(self._fragments_ms) + rr_ms) / beats
                self._fragments_ms.clear()
                self._refuse(rr_ms, t_s, possible)
                noise_bpm2 = _MENDED_NOISE * self._beat_noise()
                self._accept(60000 / whole_ms, t_s, span_s, noise_bpm2, worth=0.5, sure=False)
                self._follow_the_refused(t_s, needed, _OUT_OF_REACH_S)
                return
            self._fragments_ms.append(rr_ms)
            if sum(self._fragments_ms) > expected_ms * (2 - _MENDED_TOLERANCE):
                self._fragments_ms.clear()
        self._score(t_s, span_s, 0.0)
        self._refuse(rr_ms, t_s, possible)
        self._recent.append((rr_ms, False))
        if self._come_by_turns():
            one_ms, other_ms = self._recent[-1][0], self._recent[-2][0]
            self._begin_at(2 * 60000 / (one_ms + other_ms), t_s)
            # This is how its beats vary from now on, and both kinds are believed.
            self._spread2 = max(self._spread2, ((one_ms - other_ms) / (one_ms + other_ms)) ** 2)
            return
        self._follow_the_refused(t_s, needed, _OUT_OF_REACH_S)

    def _come_by_turns(self) -> bool:
        """Whether the last beats are long and short by turns, about a rate that the track is not on."""
        if self._track is None or len(self._recent) < _BY_TURNS_BEATS:
            return False
        least, most = _BY_TURNS_REFUSED
        if not least <= sum(not believed for _, believed in self._recent) <= most:
            return False
        rr_ms = [rr for rr, _ in self._recent]
        if min(rr_ms) < 60000 / HR_RANGE_BPM[1]:
            return False  # no beat, but a piece of one
        pairs_ms = [one + other for one, other in pairwise(rr_ms)]
        even = max(pairs_ms) - min(pairs_ms) <= _BY_TURNS_EVEN * min(pairs_ms)
        return even and abs(2 * 60000 / pairs_ms[-1] / self._track.level_bpm - 1) > _BY_TURNS_OFF

    def _learn(self, off: float, expected_bpm: float) -> None:
        """Take the relative innovation of a believed beat: as variability, or as a sign that the heart has turned."""
        self._one_sided += (off - self._one_sided) / _ONE_SIDED_MEMORY_BEATS
        # A heart like a clock would make a turn of the smallest error: its spread is taken for the noise floor.
        usual2 = max(self._spread2, _BEAT_NOISE_FLOOR_BPM2 / (expected_bpm * expected_bpm))
        turned = max(self._one_sided * self._one_sided / usual2 - 1.0, 0.0)
        steady = 1.0 - _slow_heart(expected_bpm) / _SLOW_HEART_EXTRA if self._quality > _ONE_SIDED_QUALITY else 0.0
        self._haste = 1.0 + _ONE_SIDED_HASTE * turned * steady
        swing = off - self._one_sided if self._haste > 1.0 else off
        self._spread2 += (swing * swing - self._spread2) / _SPREAD_MEMORY_BEATS

    def _mended_beats(self, rr_ms: float, expected_ms: float) -> int:
        """How many expected beats this interval, with the fragments before it, makes up; 0 for none.

        One alone may be two or three with the beats between them missed; two may be one counted twice, or an early beat
        with the pause after it; three may be one. More is no beat with a flaw but another rhythm.
        """
        together_ms = sum(self._fragments_ms) + rr_ms
        beats = round(together_ms / expected_ms)
        possible = _MENDABLE.get(len(self._fragments_ms) + 1, ())
        return beats if beats in possible and abs(together_ms / (beats * expected_ms) - 1) <= _MENDED_TOLERANCE else 0

    def _report(self, hr_bpm: float, t_s: float, doubtful: bool, silent_s: float) -> None:
        track = self._track
        span_s = min(silent_s, self._span_s)
        if doubtful or not HR_RANGE_BPM[0] <= hr_bpm <= HR_RANGE_BPM[1]:
            self._score(t_s, span_s, 0.0)
            return
        last_bpm, self._report_bpm = self._report_bpm, hr_bpm
        stepped = last_bpm is not None and abs(hr_bpm - last_bpm) > _RUN_STEP_REPORTED_BPM
        self._report_steps += stepped
        age_s = t_s - self._accepted_s
        sure = self._quality >= _SURE_QUALITY and max(age_s, silent_s) <= self._fresh_s
        if track is not None and last_bpm is not None and sure:
            if self._jump.heard(hr_bpm, hr_bpm - last_bpm, track, silent_s, t_s):
                self._begin_at(hr_bpm, t_s)
                self._score(t_s, span_s, 0.5)
                return
            if self._jump.explains(hr_bpm, track.at(t_s)):
                self._run_on(hr_bpm, t_s, _RUN_STEP_REPORTED_BPM * max(span_s, 1.0))
                self._accepted_s = t_s
                self._score(t_s, span_s, 0.5)
                return
        if track is not None and age_s <= _STEP_BACK_S and self._report_steps <= _STEP_BACK_STEPS:
            off_bpm = abs(hr_bpm - track.at(t_s))
            allowed_bpm = REPORT_TOLERANCE_BPM + REPORT_TOLERANCE_BPM_S * age_s
            if age_s <= self._fresh_s and off_bpm <= allowed_bpm:
                self._refused.clear()
                self._report_steps = 0
                # A number that stays the same may be stuck: it keeps the track, but does not say where the heart is.
                self._accept(hr_bpm, t_s, span_s, _REPORT_NOISE_BPM2, worth=1.0, sure=hr_bpm != last_bpm)
                return
            if stepped and off_bpm <= min(allowed_bpm, _STEP_BACK_BPM):
                self._refused.clear()
                self._accept(hr_bpm, t_s, span_s, _MENDED_NOISE * _REPORT_NOISE_BPM2, worth=0.5, sure=False)
                return
        unseen = track is None or silent_s > self._fresh_s
        if track is not None and unseen and abs(hr_bpm - track.level_bpm) <= self._back_bpm(t_s):
            # The silence was the radio's, or nothing had changed: the first number back where the heart was left is it.
            self._begin_at(hr_bpm, t_s)
            self._score(t_s, span_s, 1.0)
            return
        self._score(t_s, span_s, 0.0)
        self._run_on(hr_bpm, t_s, _RUN_STEP_REPORTED_BPM * max(span_s, 1.0))
        # Reports that go on since a silence contradict nothing either, and come of an average that was never off.
        unseen = unseen or self._refused.began_s == self._woke_s
        if not unseen and self._refused.is_settling(t_s):
            return
        needed = RUN_LEAST if unseen else _RUN_REPORTS
        self._follow_the_refused(t_s, needed, _OUT_OF_REACH_REPORTED_S)

    def _accept(self, hr_bpm: float, t_s: float, span_s: float, noise_bpm2: float, *, worth: float, sure: bool) -> None:
        """Move the track. sure: whether this shows where the heart is. worth: what it adds to the quality."""
        assert self._track is not None
        self._track.update(hr_bpm, t_s, noise_bpm2, self._haste)
        self._accepted_s = t_s
        if worth == 1.0 and self._quality >= _SURE_QUALITY:
            self._stood_s = t_s
            if sure:
                self._believed_s = t_s
        self._score(t_s, span_s, worth)

    def _beat_noise(self) -> float:
        level = self._track.level_bpm if self._track else 100.0
        trust = max(self._quality, 0.3)
        return max(_BREATHING * self._spread2 * level * level, _BEAT_NOISE_FLOOR_BPM2) / trust

    # --- finding the heart again ------------------------------------------------------------------------------------

    def _find_at_once(self, measurement: Measurement, t_s: float, silent_s: float) -> None:
        """Move the track after a silence when RR intervals and the strap's own average say the same, within reach.

        The strap went on counting while nobody heard it: two that agree need no third beat to vouch for them.
        """
        if self._track is None or measurement.hr_bpm is None or measurement.contact is False:
            return
        bpm = len(measurement.rr_ms) * 60000 / max(sum(measurement.rr_ms), 1.0)
        agree = all(abs(60000 / max(rr_ms, 1.0) - measurement.hr_bpm) <= _VOUCHED_BPM for rr_ms in measurement.rr_ms)
        reach_bpm = _REACH_STEP_BPM + silent_s * _REACH_DOWN_BPM_S
        if agree and abs(bpm - self._track.level_bpm) <= reach_bpm and HR_RANGE_BPM[0] <= bpm <= HR_RANGE_BPM[1]:
            self._begin_at(bpm, t_s)

    def _refuse(self, rr_ms: float, t_s: float, possible: bool) -> None:
        if possible:
            bpm = 60000 / rr_ms
            self._run_on(bpm, t_s, (_RUN_STEP + _slow_heart(bpm)) * bpm)
        else:
            self._refused.clear()  # an impossible beat breaks any run

    def _run_on(self, bpm: float, t_s: float, step_bpm: float) -> None:
        left = None if self._track is None else Left(self._track.at(t_s), self._believed_s)
        self._refused.take(bpm, t_s, step_bpm, left)

    def _vouches(self, bpm: float) -> bool:
        """Whether a strap that sends RR intervals reports the same itself."""
        return self._reported_bpm is not None and abs(bpm - self._reported_bpm) <= _VOUCHED_BPM

    def _was_before(self, bpm: float, t_s: float) -> bool:
        """Whether the heart was here before the track was moved to a rhythm that it could not have reached."""
        if self._before is None:
            return False
        since_s, before_bpm = self._before
        return t_s - since_s <= _BEFORE_S and abs(bpm - before_bpm) <= _BEFORE_BPM

    def _follow_the_refused(self, t_s: float, needed: int, out_of_reach_s: tuple[float, float]) -> None:
        """Move the track to the refused beats when enough of them run on smoothly and the heart could have got there.

        What counts is where the heart was when it was last seen, and where and when the run began: a rhythm that starts
        from one beat to the next far from the heart is none, and has to last much longer before it is believed.
        """
        run = self._refused
        if len(run) < RUN_LEAST:
            return
        here_bpm = run.here_bpm
        if self._track is not None and abs(here_bpm - self._track.level_bpm) > self._back_bpm(t_s):
            step_bpm = run.began_bpm - run.left_bpm
            # That a number stood still gives no heart the time to halve itself.
            seen_s = self._stood_s if here_bpm < _HALF * run.left_bpm else self._believed_s
            away_s = max(run.since_s - seen_s, 0.0)
            reach_bpm = _REACH_STEP_BPM + away_s * (REACH_UP_BPM_S if step_bpm > 0 else _REACH_DOWN_BPM_S)
            leaps = abs(step_bpm) > reach_bpm
            if leaps and not self._was_before(here_bpm, t_s):
                out_bpm = abs(step_bpm) - reach_bpm
                wait_s = out_of_reach_s[step_bpm > 0]
                ran_bpm = here_bpm - run.began_bpm if step_bpm > 0 else run.began_bpm - here_bpm
                if out_bpm <= _HARDLY_OUT_BPM and ran_bpm >= _LEADS_ON_BPM:
                    wait_s = _LEADS_ON_S
                if step_bpm < 0 and self._vouches(here_bpm):
                    wait_s = _VOUCHED_S
                if here_bpm < _HALF * run.left_bpm:
                    wait_s = max(wait_s, min(_HALF_WAITS * (run.began_s - self._followed_since_s), _HALF_WAITS_S))
                if t_s - run.began_s < wait_s:
                    return
                self._before = t_s, run.left_bpm
            elif not leaps and len(run) < needed and abs(step_bpm) > self._back_bpm(run.began_s):
                return
        if self._track is None:
            # What it took to find the heart at all says nothing against the strap.
            self._quality = max(self._quality, _QUALITY_FOUND)
        self._begin_at(here_bpm, t_s)

    def _begin_at(self, hr_bpm: float, t_s: float) -> None:
        if self._track is None or abs(hr_bpm - self._track.level_bpm) > self._back_bpm(t_s):
            self._followed_since_s = t_s
        if self._track is not None and abs(hr_bpm - self._track.at(t_s)) > JUMP_BPM:
            self._unseen_s = t_s - self._believed_s
        self._track = Track(hr_bpm, t_s)
        self._haste = 1.0
        self._report_steps = 0
        self._fragments_ms.clear()
        self._accepted_s = self._stood_s = self._believed_s = t_s
        self._refused.clear()

    def _back_bpm(self, t_s: float) -> float:
        return _BACK_BPM + _BACK_BPM_S * max(t_s - self._believed_s, 0.0)

    # --- quality ----------------------------------------------------------------------------------------------------

    def _score(self, t_s: float, span_s: float, worth: float) -> None:
        quality = self._decayed(t_s - span_s)
        keep = exp(-span_s / _QUALITY_MEMORY_S)
        self._quality = quality * keep + worth * (1 - keep)
        self._quality_s = t_s

    def _decayed(self, t_s: float) -> float:
        if self._quality_s is None:
            return 0.0
        silent_s = t_s - self._quality_s - self._span_s
        return self._quality * exp(-silent_s / _QUALITY_MEMORY_S) if silent_s > 0 else self._quality
