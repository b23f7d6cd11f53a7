"""Evidence of the maximum in one recording: the highest heart rate that was held and that no artefact explains.

Works on the whole recording at once, after the ride; the live gate is another matter and lives in ``beats``. The steps:

1. *beats*: RR intervals where the recording has them, else the reported bpm; what a stuck strap repeats, jumps to
   and holds, or sends while it says that it has no contact with the skin, is none;
2. *clean* beats agree with the median of their neighbours; where too few of them do, none is trusted;
3. *pieces*: trusted beats with no gap and no step that a heart cannot make;
4. *the chain*: the heaviest set of pieces that one heart could have gone through in turn. A burst of false beats, a
   rate counted twice or locked to the pedals is reached and left by a step, so it falls out, however long it lasts;
5. what is left, but rises or falls too fast for too long, stands alone between noise or silence, comes to a point, or
   is contradicted by a piece outside the chain, keeps a reason to doubt.

A peak is the highest level of about five seconds of beats without a doubt. The raw peak is reported and never used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from firmware_app.core.bands import HR_MAX_RANGE_BPM
from firmware_app.core.beats import DENIED
from firmware_app.core.lag import FALL_BPM, FALL_BPM_S
from firmware_app.core.record import RideRecord
from firmware_app.core.repeats import STUCK_PACKETS

Floats = NDArray[np.float64]

HELD_S = (5.0, 15.0)
"""A peak must be held this long; the second is the stronger statement."""

_POSSIBLE_BPM = (30.0, 240.0)
"""What is outside this is not looked at (own choice)."""
_LEAST_BEATS = 5
"""Fewer are nothing that could be level (own choice)."""
_NEIGHBOURS = 15
_AGREES = 0.10
"""A clean beat is this near to the median of so many around it, as a fraction (own choice)."""
_SPLINTER = 2.5 * _AGREES
"""No beat is so short beside another, and one that lost more than this is not clean."""
_REGULAR = 0.03
"""Half of the neighbours are this near; in the recorded tests, over 130 bpm, never less near than 0.027."""
_QUALITY_REACH_S = 5.0
"""The quality of a beat is the part that clean beats cover of so many seconds before it and after it (own choice)."""
_QUALITY_FLOOR, _QUALITY_FLOOR_AT_REST = 0.5, 0.7
"""Under the floor no beat is trusted (own choice)."""
_FAR_INTO_REST_BPM = 50.0
"""Near rest noise is hard to tell from breathing: over so many bpm the floor rises."""
_GAP_S = 3.0
"""A longer silence ends a piece (own choice)."""
_SELDOM_S = 2.5
"""Reports further apart than this show no five seconds in which anything could vouch for anything."""
_OFF_SHARE = 0.9
"""Without skin contact for this part of a recording, the rest is not the ride (own choice)."""

# What a heart can do between two five-second levels: a step for their noise, then bpm per second. Near rest breathing
# moves it more. Common practice, no source; in the recorded tests the steepest are 7 bpm up and 16 down in 2.6 s.
_RISE_BPM = 8.0
_RISE_BPM_S = 1.5
_NEAR_REST_BPM = 130.0
_NEAR_REST_SHARE = 0.3
_NEAR_REST_IRREGULAR = 0.0025
"""Near rest, and how much more for each bpm under it: of a change in bpm, and of a beat beside its neighbours."""
_SIDE_BEATS = 7
"""A step is seen between the medians of so many beats on either side (own choice)."""
_CLIMBS = ((10.0, 31.0), (20.0, 46.0), (30.0, 57.0))
"""In so many seconds a heart rises by so much at most (own choice): of 300 simulated riders who go all out from easy
riding, a workload of 0.3, some 94 % stay under all three; of those who do from 0.45, some 98 %."""
_DROPS = ((10.0, 34.0), (20.0, 54.0), (30.0, 66.0), (60.0, 84.0))
"""And falls by so much at most (own choice): of 150 simulated riders who stop after going all out, some 98 % stay under
each of the four; in the recorded tests the most is 20, 24, 28 and 45."""
_ISLAND_S = 45.0
_ISLAND_BPM = 4.0
_ISLAND_BPM_S = 0.6
_ISLAND_QUALITY = 0.9
"""A piece shorter than ``_ISLAND_S`` is doubted where it is of less quality, or higher than the long ones beside it can
explain: by ``_ISLAND_BPM``, and ``_ISLAND_BPM_S`` for each second between (own choice)."""
_WITNESS_S = 8.0
_WRONG_S = 60.0
"""A piece outside the chain contradicts the others from this length on, and for so long (own choice)."""
_MULTIPLE = 0.08
"""Beats missed or counted twice are this near to a whole multiple, as a fraction (own choice)."""
_SURE_WITNESS_S = 120.0
"""What is so long and clean was the heart: what takes its place from one beat to the next is not."""
_SEEN_S = 10.0
"""What a heart did in a longer silence was not seen (own choice)."""
_UNSEEN_BPM = 16.0
"""More than this of the way up or down must not lie in the silence (own choice)."""

_DENIED_WITHIN_S = (0.0, 5.0, 10.0, 15.0, 20.0)
"""RR intervals that are faster than ``DENIED`` times all that the strap reports meanwhile, and while it may still
average, are not what it takes for the heart (own choice)."""

_NEAR_TOP = 0.92
_BRIDGED_S = 10.0
"""A stretch stands from this fraction of the top on, and shorter dips under it do not end it (own choice)."""
_HELD_SLACK_S = 0.5
"""Beats do not end on the second: so much less is five seconds too."""
_HELD_WITHIN_BPM = 2.0
"""The peak is held while the heart is so near to it (own choice)."""
_LEAST_HELD_S, _LEAST_HELD_REPORTED_S = 4.0, 6.5
"""A level over five seconds that was held for less is the edge of something else (own choice). What a strap averages is
blunter: of 524 true peaks of simulated rides without RR intervals 12 were held for less than the second, of 35 that
static had driven up 24 (another generator, by hand)."""
_MOST_STRETCHES = 12
"""So many of the sound, and of the doubted, are told at most (own choice)."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of high heart rate that is trusted, or that would be but for ``doubt``.

    peak_bpm: highest level over 5 s; held_15s_bpm: the same over 15 s, None when shorter. held_s: how long around the
    peak the heart stayed within 2 bpm of it. quality: 0 to 1, the part of the time that clean beats cover.
    """

    start_s: float
    length_s: float
    peak_bpm: float
    held_15s_bpm: float | None
    held_s: float
    quality: float
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one recording says about the maximum. Without trustworthy beats peak_bpm is None and ``reason`` says why."""

    peak_bpm: float | None
    held_15s_bpm: float | None
    held_s: float
    quality: float
    raw_peak_bpm: float | None
    from_rr: bool
    stretches: tuple[Stretch, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Beats:
    """Beats or reports: when each ended, its rate, and how much time it stands for."""

    t_s: Floats
    bpm: Floats
    span_s: Floats

    def only(self, chosen: NDArray[np.bool_]) -> _Beats:
        return _Beats(self.t_s[chosen], self.bpm[chosen], self.span_s[chosen])


@dataclass(frozen=True, slots=True)
class _Piece:
    """Trusted beats without a gap or a step. level_bpm: the 5 s level at each beat; quality: the least of it."""

    beats: _Beats
    level_bpm: Floats
    quality: Floats

    @property
    def start_s(self) -> float:
        return float(self.beats.t_s[0] - self.beats.span_s[0])

    @property
    def end_s(self) -> float:
        return float(self.beats.t_s[-1])

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


def find(record: RideRecord) -> Evidence:
    """The evidence in a recording. Never raises for bad data: a recording without a beat says so in ``reason``."""
    beats, from_rr = _beats_of(record)
    raw = beats.bpm[np.isfinite(beats.bpm)]
    reported = record.hr_bpm[np.isfinite(record.hr_bpm)]
    raw_peak = float(max(raw.max(initial=0.0), reported.max(initial=0.0))) or None

    def nothing(reason: str) -> Evidence:
        return Evidence(None, None, 0.0, 0.0, raw_peak, from_rr, (), reason)

    off_share = float(_off_the_skin(record).mean()) if record.t_s.size else 0.0
    if off_share >= _OFF_SHARE:
        return nothing(f"the strap's contact flag says that it was off the skin for {off_share:.0%} of the recording")
    if not raw.size:
        return nothing("the recording holds no heart rate and no RR interval")
    apart_s = float(np.median(np.diff(beats.t_s))) if not from_rr and beats.t_s.size > 1 else 0.0
    if apart_s > _SELDOM_S:
        return nothing(f"a heart rate only every {apart_s:.0f} s: too seldom to tell a peak from an artefact")
    pieces, noisy_t_s = _pieces(beats)
    if not pieces:
        return nothing("no five seconds of beats that agree with each other")
    chain = _chain(pieces)
    doubts = _doubts(pieces, chain, noisy_t_s)
    if from_rr:
        for piece, doubt in zip(pieces, doubts, strict=True):
            doubt[(doubt == "") & _denied(piece, record)] = "the strap itself reported far less"
    _doubt_the_sharp(pieces, doubts, _LEAST_HELD_S if from_rr else _LEAST_HELD_REPORTED_S)
    stretches = _stretches(pieces, doubts)
    sound = [stretch for stretch in stretches if not stretch.doubt]
    doubted = [stretch for stretch in stretches if stretch.doubt]
    stretches = tuple(
        sorted(sound[:_MOST_STRETCHES] + doubted[:_MOST_STRETCHES], key=lambda stretch: -stretch.peak_bpm)
    )
    if not sound:
        reason = max(doubted, key=lambda stretch: stretch.length_s).doubt
        return Evidence(None, None, 0.0, 0.0, raw_peak, from_rr, stretches, f"nothing without a doubt: {reason}")
    best = sound[0]
    held_15s = [stretch.held_15s_bpm for stretch in sound if stretch.held_15s_bpm is not None]
    return Evidence(best.peak_bpm, max(held_15s, default=None), best.held_s, best.quality, raw_peak, from_rr, stretches)


# --- beats ----------------------------------------------------------------------------------------------------------


def _beats_of(record: RideRecord) -> tuple[_Beats, bool]:
    """RR intervals where they cover at least half of the time that measurements came, else what the strap reported."""
    rr_s = record.rr_ms / 1000
    row_t_s = record.t_s
    off = _off_the_skin(record)
    known = np.isfinite(record.hr_bpm) & ~off
    heard_s = float(np.minimum(np.diff(row_t_s[~off]), _GAP_S).sum())
    usable = np.isfinite(rr_s) & (rr_s > 0) & ~(_repeated(record) | off)[record.rr_row]
    if usable.any() and (not known.any() or rr_s[usable & (rr_s < 2)].sum() >= 0.5 * heard_s):
        rr_s, row = rr_s[usable], record.rr_row[usable]
        # Beats of one row end at its time, the earlier ones before it by the intervals that follow.
        total = np.cumsum(rr_s)
        last_of_row = np.searchsorted(row, row, side="right") - 1
        t_s = row_t_s[row] - (total[last_of_row] - total)
        return _Beats(np.maximum.accumulate(t_s), 60 / rr_s, rr_s), True
    known[known] = ~_frozen(row_t_s[known], record.hr_bpm[known])
    t_s, bpm = row_t_s[known], record.hr_bpm[known]
    span_s = np.diff(t_s, prepend=t_s[:1] - 1.0)
    return _Beats(t_s, bpm, np.minimum(span_s, 2.0)), False


def _denied(piece: _Piece, record: RideRecord) -> NDArray[np.bool_]:
    """The beats of a piece that are much faster than what the strap reported; without a report there are none."""
    known = np.isfinite(record.hr_bpm) & (record.hr_bpm > 0)
    most_bpm = np.zeros(piece.level_bpm.size)
    for later_s in _DENIED_WITHIN_S:
        at_s = piece.beats.t_s + later_s
        place = np.searchsorted(record.t_s[known], at_s, side="right") - 1
        told = (place >= 0) & (at_s - np.append(record.t_s[known], -np.inf)[place] <= _GAP_S)
        most_bpm = np.maximum(most_bpm, np.where(told, np.append(record.hr_bpm[known], 0.0)[place], 0.0))
    return np.asarray((most_bpm > 0) & (piece.level_bpm > DENIED * most_bpm))


def _off_the_skin(record: RideRecord) -> NDArray[np.bool_]:
    """The measurements that a strap sent without skin contact, by its own flag, shape (n,).

    A flag that is never set says nothing: some straps clear it wrongly, and always.
    """
    return np.asarray((record.contact == 0) & (record.contact == 1).any())


def _repeated(record: RideRecord) -> NDArray[np.bool_]:
    """The measurements in which a stuck strap sends again what it sent just before, or up to four before, shape (n,).

    A living heart does not repeat itself for so long; a recording of one coarse interval a row might, and is let be.
    """
    again = np.zeros(record.t_s.size, dtype=np.bool_)
    for rows in range(1, 5):
        again |= _as_before(record, rows)
    edges = np.flatnonzero(np.diff(again, prepend=False, append=False))
    for first, past in zip(edges[::2], edges[1::2], strict=True):
        again[first:past] = past - first >= STUCK_PACKETS
    return again


def _frozen(t_s: Floats, bpm: Floats) -> NDArray[np.bool_]:
    """The reports without RR intervals that stand still after a jump up to them.

    A strap that averages for long may say one number for most of a minute, but it gets there step by step.
    """
    frozen = np.zeros(bpm.size, dtype=np.bool_)
    starts = np.flatnonzero(np.diff(bpm)) + 1
    for first, past in pairwise((*starts.tolist(), bpm.size)):
        jump_bpm = bpm[first] - bpm[max(first - STUCK_PACKETS, 0) : first].max()
        jumped = jump_bpm > _ISLAND_BPM + _RISE_BPM_S * (t_s[first] - t_s[first - 1])
        frozen[first:past] = jumped and past - first >= STUCK_PACKETS
    return frozen


def _as_before(record: RideRecord, rows: int) -> NDArray[np.bool_]:
    """The measurements that are the same, RR intervals and all, as the one so many rows before, shape (n,)."""
    row, hr_bpm = record.rr_row, record.hr_bpm
    beats = np.bincount(row, minlength=record.t_s.size)
    start = np.cumsum(beats) - beats  # where a row's intervals begin
    same = np.zeros(record.t_s.size, dtype=np.bool_)
    if record.t_s.size <= rows:
        return same
    now, before = hr_bpm[rows:], hr_bpm[:-rows]
    same_report = (now == before) | (np.isnan(now) & np.isnan(before) & (beats[rows:] > 1))
    same[rows:] = (beats[rows:] > 0) & (beats[rows:] == beats[:-rows]) & same_report
    ours = np.flatnonzero(same[row])
    theirs = ours - start[row[ours]] + start[row[ours] - rows]
    same[row[ours[record.rr_ms[ours] != record.rr_ms[theirs]]]] = False
    return same


def _medians(bpm: Floats, count: int) -> Floats:
    """The centred running median of ``count`` values, the first and last full window standing for the ends."""
    count = min(count, bpm.size - (bpm.size + 1) % 2)
    inner = np.median(np.lib.stride_tricks.sliding_window_view(bpm, count), axis=1)
    return _to_the_ends(inner, count, bpm.size)


def _to_the_ends(inner: Floats, count: int, size: int) -> Floats:
    """``size`` values from those of the full windows: the first and the last stand for the ends."""
    ends = np.clip(np.arange(size) - count // 2, 0, inner.size - 1)
    return np.asarray(inner[ends], dtype=np.float64)


def _levels(bpm: Floats, count: int) -> Floats:
    """The centred mean of the middle half of ``count`` values.

    Deaf to outliers up to a quarter of them on either side, and without the steps of a median, which at 190 bpm and a
    strap that counts in 8 ms are 2.5 bpm high.
    """
    count = min(count, bpm.size - (bpm.size + 1) % 2)
    ordered = np.sort(np.lib.stride_tricks.sliding_window_view(bpm, count), axis=1)
    inner = ordered[:, count // 4 : count - count // 4].mean(axis=1)
    return _to_the_ends(inner, count, bpm.size)


def _least(quality: Floats, count: int) -> Floats:
    """The lowest quality among the values that each level is made of."""
    count = min(count, quality.size - (quality.size + 1) % 2)
    inner = np.lib.stride_tricks.sliding_window_view(quality, count).min(axis=1)
    return _to_the_ends(inner, count, quality.size)


def _covering(beats: _Beats, length_s: float) -> int:
    """How many of the faster beats fill a time; odd, so that a median has a middle."""
    return max(3, int(length_s / float(np.quantile(beats.span_s, 0.1)))) // 2 * 2 + 1


def _pieces(beats: _Beats) -> tuple[list[_Piece], Floats]:
    """Runs of trusted beats: clean, among enough clean ones, without a gap or an impossible step.

    And when a beat came that was not clean, in order.
    """
    none = np.empty(0)
    is_possible = (beats.bpm >= _POSSIBLE_BPM[0]) & (beats.bpm <= _POSSIBLE_BPM[1]) & (beats.span_s > 0)
    possible = beats.only(is_possible)
    if possible.t_s.size < _LEAST_BEATS:
        return [], none
    middle = _medians(possible.bpm, _NEIGHBOURS)
    off = np.abs(possible.bpm / middle - 1)
    # Breathing moves the beat near rest far more than at effort: there a heart is regular, and noise is not.
    breathing = _NEAR_REST_IRREGULAR * np.maximum(_NEAR_REST_BPM - middle, 0.0)
    regular = _medians(off, _NEIGHBOURS) <= _REGULAR + breathing
    is_clean = regular & (off <= np.minimum(_AGREES + breathing, _SPLINTER)) & ~_torn(beats)[is_possible]
    clean = possible.only(is_clean)
    if clean.t_s.size < _LEAST_BEATS:
        return [], none
    noisy_t_s = np.sort(np.concatenate((beats.t_s[~is_possible], possible.t_s[~is_clean])))
    quality = _covered(clean, beats)
    near_rest = np.clip((_NEAR_REST_BPM - clean.bpm) / _FAR_INTO_REST_BPM, 0.0, 1.0)
    trusted = quality >= _QUALITY_FLOOR + (_QUALITY_FLOOR_AT_REST - _QUALITY_FLOOR) * near_rest
    good, quality = clean.only(trusted), quality[trusted]
    if not good.t_s.size:
        return [], none
    starts = np.flatnonzero(np.diff(good.t_s, prepend=-np.inf) > good.span_s + _GAP_S)
    count = _covering(good, HELD_S[0])
    pieces = []
    for first, last in zip(starts, [*starts[1:], good.t_s.size], strict=True):
        for low, high in _without_steps(good.t_s[first:last], good.bpm[first:last]):
            part = slice(first + low, first + high)
            run = _Beats(good.t_s[part], good.bpm[part], good.span_s[part])
            length_s = run.t_s[-1] - run.t_s[0] + run.span_s[0]
            if run.t_s.size >= _LEAST_BEATS and length_s >= HELD_S[0] - _HELD_SLACK_S:
                pieces.append(_Piece(run, _levels(run.bpm, count), _least(quality[part], count)))
    return pieces, noisy_t_s


def _torn(beats: _Beats) -> NDArray[np.bool_]:
    """The beats beside a splinter that may have been torn off them, so that they seem faster than they were.

    What was torn of a larger piece does not agree with its neighbours any more.
    """
    torn = np.zeros(beats.bpm.size, dtype=np.bool_)
    torn[1:] |= _SPLINTER * beats.bpm[:-1] > beats.bpm[1:]
    torn[:-1] |= _SPLINTER * beats.bpm[1:] > beats.bpm[:-1]
    return torn


def _covered(clean: _Beats, beats: _Beats) -> Floats:
    """At each clean beat, the part of the ten seconds around it that clean beats cover."""
    total = np.concatenate(([0.0], np.cumsum(clean.span_s)))
    begin = np.maximum(clean.t_s - _QUALITY_REACH_S, beats.t_s[0] - beats.span_s[0])
    end = np.minimum(clean.t_s + _QUALITY_REACH_S, beats.t_s[-1])
    inside = np.subtract(*(total[np.searchsorted(clean.t_s, side_s, side="right")] for side_s in (end, begin)))
    return np.asarray(np.clip(inside / np.maximum(end - begin, 1e-9), 0.0, 1.0), dtype=np.float64)


def _without_steps(t_s: Floats, bpm: Floats) -> list[tuple[int, int]]:
    """The runs between steps: the medians of the beats on either side are further apart than a heart goes."""
    side = _SIDE_BEATS
    if bpm.size < 2 * side:
        return [(0, bpm.size)]
    medians = np.median(np.lib.stride_tricks.sliding_window_view(bpm, side), axis=1)
    middles = t_s[side // 2 : t_s.size - side // 2]
    rise, over_s = medians[side:] - medians[:-side], middles[side:] - middles[:-side]
    stepped = ~_possible(medians[:-side], rise, over_s)
    height = np.where(stepped, np.abs(rise), 0.0)
    changes = np.flatnonzero(np.diff(stepped, prepend=False, append=False))
    # A step is seen from several beats; it lies where it looks highest.
    edges = [first + int(np.argmax(height[first:last])) + side for first, last in changes.reshape(-1, 2)]
    return list(pairwise((0, *edges, bpm.size)))


# --- which pieces are the heart -------------------------------------------------------------------------------------


def _possible(from_bpm: Floats, change_bpm: Floats, over_s: Floats) -> NDArray[np.bool_]:
    """Whether a heart can change so much in that time."""
    breathing = _breathing(from_bpm)
    rise = _RISE_BPM + breathing + _RISE_BPM_S * over_s
    fall = FALL_BPM + breathing + FALL_BPM_S * over_s
    return np.asarray((change_bpm <= rise) & (-change_bpm <= fall))


def _breathing(from_bpm: Floats) -> Floats:
    """What breathing adds to a change that begins near rest."""
    return np.asarray(_NEAR_REST_SHARE * np.maximum(_NEAR_REST_BPM - from_bpm, 0.0))


def _too_steep(
    pieces: list[_Piece], most: tuple[tuple[float, float], ...], step: Literal[1, -1]
) -> list[NDArray[np.bool_]]:
    """At each beat of pieces that follow each other: risen too fast over many seconds, and not yet back by half of it.

    A step that a heart may make once is none that it makes again and again. step: -1 for time that runs backward, in
    which what fell too fast rises.
    """
    t_s = step * np.concatenate([piece.beats.t_s for piece in pieces])[::step]
    level = np.concatenate([piece.level_bpm for piece in pieces])[::step]
    wrong = np.zeros(t_s.size, dtype=np.bool_)
    for over_s, most_bpm in most:
        since = np.searchsorted(t_s, t_s - over_s)
        for at in np.flatnonzero(level - level[since] > most_bpm + _breathing(level[since])):
            if not wrong[at]:
                half = (np.maximum.accumulate(level[at:]) + level[since[at]]) / 2
                back = np.flatnonzero(level[at:] <= half)
                wrong[since[at] : at + back.min(initial=t_s.size)] = True
    return np.split(wrong[::step], np.cumsum([piece.level_bpm.size for piece in pieces])[:-1])


def _chain(pieces: list[_Piece]) -> list[int]:
    """The heaviest chain of pieces that one heart could have gone through, each reachable from the one before."""
    start_s = np.array([piece.start_s for piece in pieces])
    end_s = np.array([piece.end_s for piece in pieces])
    first = np.array([piece.level_bpm[0] for piece in pieces])
    last = np.array([piece.level_bpm[-1] for piece in pieces])
    best = np.array([piece.length_s * float(piece.quality.mean()) for piece in pieces])
    came = np.full(len(pieces), -1)
    for at in range(1, len(pieces)):
        reachable = _possible(last[:at], first[at] - last[:at], np.maximum(start_s[at] - end_s[:at], 0.0))
        if reachable.any():
            came[at] = int(np.argmax(np.where(reachable, best[:at], -1.0)))
            best[at] += best[came[at]]
    chain, at = [], int(np.argmax(best))
    while at >= 0:
        chain.append(at)
        at = int(came[at])
    return chain[::-1]


def _doubts(pieces: list[_Piece], chain: list[int], noisy_t_s: Floats) -> list[NDArray[np.object_]]:
    """At each beat of each piece the reason to doubt its level, "" for none."""
    kept = set(chain)
    witnesses = [
        piece
        for place, piece in enumerate(pieces)
        if place not in kept and piece.length_s >= _WITNESS_S and not _excursion(place, pieces, chain)
    ]
    heart = [pieces[at] for at in chain]
    climbed = dict(zip(chain, _too_steep(heart, _CLIMBS, 1), strict=True))
    dropped = dict(zip(chain, _too_steep(heart, _DROPS, -1), strict=True))
    steep = {at: climbed[at] | dropped[at] for at in chain}
    # Nothing tells where it left the heart, and a silence through which it goes on brings no heart back.
    too_fast = {
        at
        for run in _runs(chain, lambda before, at: _goes_on(pieces[before], pieces[at], _WRONG_S))
        if any((pieces[one].level_bpm[~steep[one]] > HR_MAX_RANGE_BPM[1]).any() for one in run)
        for at in run
    }
    unseen, islands = _unseen(pieces, chain), _islands(pieces, chain, noisy_t_s)
    found = []
    for place, piece in enumerate(pieces):
        doubts = np.full(piece.level_bpm.size, "", dtype=object)
        if place not in kept:
            doubts[:] = "reached by a step that a heart cannot make"
        else:
            if place in islands:
                doubts[:] = islands[place]
            if place in unseen:
                doubts[:] = "stands between silences: neither the way up nor the way down was seen"
            doubts[dropped[place]] = "fell faster than a heart does"
            doubts[climbed[place]] = "rose faster than a heart does"
            for witness in witnesses:
                wrong = _with_foot(piece.level_bpm, _contradicted(piece, witness))
                doubts[wrong] = "contradicted by steady beats close by"
            if place in too_fast:
                doubts[:] = "faster than a rider's heart goes"
        found.append(doubts)
    return found


def _contradicted(piece: _Piece, witness: _Piece) -> NDArray[np.bool_]:
    """The beats of a piece that cannot stand so high if the witness, a lower steady piece, is true."""
    level, t_s = piece.level_bpm, piece.beats.t_s
    follows = witness.end_s <= piece.start_s
    away_s = np.maximum(t_s - witness.end_s if follows else witness.start_s - t_s, 0.0)
    low_bpm = witness.level_bpm[-1 if follows else 0]
    possible = _possible(low_bpm, level - low_bpm, away_s) if follows else _possible(level, low_bpm - level, away_s)
    if not possible.all():
        # Since when has this piece been wrong? At the latest since it last agreed with the witness.
        jumped = not possible[0 if follows else -1]
        agrees = np.flatnonzero((level <= low_bpm + _RISE_BPM) | (away_s > _wrong_s(piece, witness, jumped)))
        wrong = slice(None, agrees.min(initial=level.size)) if follows else slice(int(agrees.max(initial=-1)) + 1, None)
        possible[wrong] = False
    return np.asarray((level > low_bpm) & ~possible)


def _with_foot(level: Floats, wrong: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The wrong beats, and those in which the rate went up to them, or down from them, without a stop.

    Nothing tells where a rate that drifts off leaves the heart: all of its way is in doubt.
    """
    found = wrong.copy()
    edges = np.flatnonzero(np.diff(wrong, prepend=False, append=False))
    for first, past in zip(edges[::2], edges[1::2], strict=True):
        for way, marks in ((level[:first][::-1], found[:first][::-1]), (level[past:], found[past:])):
            lowest = np.minimum.accumulate(way)
            stops = np.flatnonzero(way > lowest + _HELD_WITHIN_BPM)
            length = int(stops.min(initial=way.size))
            if length:
                marks[: int(np.argmax(way[:length] <= lowest[length - 1] + _HELD_WITHIN_BPM))] = True
    return found


def _doubt_the_sharp(pieces: list[_Piece], doubts: list[NDArray[np.object_]], least_s: float) -> None:
    """Doubt what stands highest, until that is held for so long."""
    trusted = [np.where(doubt == "", piece.level_bpm, 0.0) for piece, doubt in zip(pieces, doubts, strict=True)]
    tops = [float(level.max()) for level in trusted]
    while any(tops):
        place = int(np.argmax(tops))
        level, beats = trusted[place], pieces[place].beats
        first, last = _held(level)
        if _length_s(beats, first, last) >= least_s:
            return
        sharp = np.zeros(level.size, dtype=bool)
        sharp[first : last + 1] = True
        sharp = _with_foot(pieces[place].level_bpm, sharp) & (level > 0)
        doubts[place][sharp] = "came to a point and went, as no heart does"
        level[sharp] = 0.0
        tops[place] = float(level.max())


def _held(level: Floats) -> tuple[int, int]:
    """The first and the last beat of the top, over which the level is held."""
    peak = int(np.argmax(level))
    low = np.flatnonzero(level < level[peak] - _HELD_WITHIN_BPM)
    return int(low[low < peak].max(initial=-1)) + 1, int(low[low > peak].min(initial=level.size)) - 1


def _length_s(beats: _Beats, first: int, last: int) -> float:
    """How long a row of beats lasts."""
    return float(beats.t_s[last] - beats.t_s[first] + beats.span_s[first])


def _wrong_s(piece: _Piece, witness: _Piece, jumped: bool) -> float:
    """How long a piece stays contradicted: for good where it takes the place of a long clean one.

    jumped: no heart gets from one to the other in the silence between them.
    """
    between_s = max(piece.start_s - witness.end_s, witness.start_s - piece.end_s)
    sure = witness.length_s >= _SURE_WITNESS_S and float(witness.quality.mean()) >= _ISLAND_QUALITY
    return float("inf") if sure and (jumped or between_s <= 2 * _GAP_S) else _WRONG_S


def _runs(chain: list[int], joined: Callable[[int, int], bool]) -> list[list[int]]:
    """The chain in runs whose neighbours are joined."""
    runs = [chain[:1]]
    for before, at in pairwise(chain):
        if joined(before, at):
            runs[-1].append(at)
        else:
            runs.append([at])
    return runs


def _silence_s(before: _Piece, after: _Piece) -> float:
    return after.start_s - before.end_s


def _goes_on(before: _Piece, after: _Piece, within_s: float) -> bool:
    """Whether a rate goes on, after a silence of so long at most, near where it was."""
    silence_s = _silence_s(before, after)
    change_bpm = abs(float(after.level_bpm[0] - before.level_bpm[-1]))
    return silence_s <= within_s and change_bpm <= _ISLAND_BPM + _ISLAND_BPM_S * silence_s


def _islands(pieces: list[_Piece], chain: list[int], noisy_t_s: Floats) -> dict[int, str]:
    """Why to doubt a short piece that lies higher than the long ones beside it can explain, or is noisy itself.

    A short silence parts nothing where a heart can have gone on through it.
    """

    def is_noisy(before: int, at: int) -> bool:
        between_s = pieces[before].end_s, float(pieces[at].beats.t_s[0])
        return at != before + 1 or bool(np.diff(np.searchsorted(noisy_t_s, between_s, side="right"))[0])

    def joined(before: int, at: int) -> bool:
        return _goes_on(pieces[before], pieces[at], _SEEN_S) and not is_noisy(before, at)

    runs = _runs(chain, joined)
    long = [pieces[run[-1]].end_s - pieces[run[0]].start_s >= _ISLAND_S for run in runs]
    found = {}
    for place, run in enumerate(runs):
        start_s, end_s = pieces[run[0]].start_s, pieces[run[-1]].end_s
        shores = [(pieces[runs[at][-1]], -1) for at in range(place) if long[at]][-1:]
        shores += [(pieces[runs[at][0]], 0) for at in range(place + 1, len(runs)) if long[at]][:1]
        if long[place] or not shores:
            continue
        limit_bpm = min(
            float(shore.level_bpm[edge])
            + _ISLAND_BPM
            + _ISLAND_BPM_S * (start_s - shore.end_s if edge else shore.start_s - end_s)
            for shore, edge in shores
        )
        top_bpm = max(float(pieces[at].level_bpm.max()) for at in run)
        quality = float(np.concatenate([pieces[at].quality for at in run]).mean())
        if top_bpm > limit_bpm or quality < _ISLAND_QUALITY:
            around = pairwise(chain[max(chain.index(run[0]) - 1, 0) : chain.index(run[-1]) + 2])
            noisy = any(is_noisy(before, at) for before, at in around)
            found.update(dict.fromkeys(run, f"stands alone between {'noisy beats' if noisy else 'gaps'}"))
    return found


def _unseen(pieces: list[_Piece], chain: list[int]) -> set[int]:
    """The pieces to which no heart was seen to rise, and from which none was seen to fall.

    A rate locked to something else can begin and end in silence, where any heart has the time to get there.
    """
    runs = _runs(chain, lambda before, at: _silence_s(pieces[before], pieces[at]) <= _SEEN_S)
    lengths_s = [pieces[run[-1]].end_s - pieces[run[0]].start_s for run in runs]
    sure_s = min(_SURE_WITNESS_S, max(lengths_s))
    levels = [np.concatenate([pieces[at].level_bpm for at in run]) for run in runs]
    seen = [length_s >= sure_s for length_s in lengths_s]
    # Forward for the rise, then in reversed time for the fall; each run that was seen is the shore of the next.
    for step in (1, -1):
        shore_bpm = -np.inf
        for place in range(len(runs))[::step]:
            level = levels[place][::step]
            if lengths_s[place] >= sure_s or level[: level.argmax() + 1].min() <= shore_bpm + _UNSEEN_BPM:
                seen[place], shore_bpm = True, float(level[-1])
    return {at for run, was_seen in zip(runs, seen, strict=True) if not was_seen for at in run}


def _excursion(place: int, pieces: list[_Piece], chain: list[int]) -> bool:
    """Whether a piece outside the chain is a short spell from which the chain goes on as if nothing had been.

    Beats missed or counted twice, at a whole fraction or multiple of the rate around them, or a few seconds of
    something else: no witness against the others.
    """
    piece = pieces[place]
    before = max((other for other in chain if other < place), default=None)
    after = min((other for other in chain if other > place), default=None)
    if before is None or after is None or piece.length_s > _WRONG_S:
        return False
    left, right = float(pieces[before].level_bpm[-1]), float(pieces[after].level_bpm[0])
    ratios = (left / float(piece.level_bpm[0]), right / float(piece.level_bpm[-1]))
    missed = any(all(abs(ratio / times - 1) < _MULTIPLE for ratio in ratios) for times in (2, 3))
    return missed or abs(left - right) <= _RISE_BPM


def _stretches(pieces: list[_Piece], doubts: list[NDArray[np.object_]]) -> tuple[Stretch, ...]:
    """The stretches near the top, highest first; near the top is from _NEAR_TOP of the highest that is not doubted."""
    sound = [level for piece, doubt in zip(pieces, doubts, strict=True) for level in piece.level_bpm[doubt == ""]]
    top = max(sound) if sound else max(float(piece.level_bpm.max()) for piece in pieces)
    found = []
    for piece, doubt in zip(pieces, doubts, strict=True):
        kind = doubt.copy()
        kind[~_bridged(piece.beats.t_s, piece.level_bpm >= _NEAR_TOP * top)] = None
        changes = np.flatnonzero(kind[1:] != kind[:-1]) + 1
        for first, last in pairwise((0, *changes.tolist(), kind.size)):
            if kind[first] is None:
                continue
            # A level stands for five seconds around it: the top itself counts, however soon doubts or a fall cut it.
            long = piece.beats.t_s[last - 1] - piece.beats.t_s[first] >= HELD_S[0] - _HELD_SLACK_S
            if long or piece.level_bpm[first:last].max() >= top:
                found.append(_stretch(piece, slice(first, last), str(kind[first])))
    return tuple(sorted(found, key=lambda stretch: -stretch.peak_bpm))


def _bridged(t_s: Floats, near: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The same, with dips of a few seconds taken in: a level that wavers about a limit is one stretch."""
    at = np.flatnonzero(near)
    bridged = near.copy()
    for left, right in pairwise(at):
        if t_s[right] - t_s[left] < _BRIDGED_S:
            bridged[left:right] = True
    return bridged


def _stretch(piece: _Piece, part: slice, doubt: str) -> Stretch:
    t_s, span_s, level = piece.beats.t_s[part], piece.beats.span_s[part], piece.level_bpm[part]
    beats = _Beats(t_s, piece.beats.bpm[part], span_s)
    length_s, held_s = _length_s(beats, 0, -1), _length_s(beats, *_held(level))
    held_15s = None
    if length_s >= HELD_S[1]:
        held_15s = float(_levels(beats.bpm, _covering(piece.beats, HELD_S[1])).max())
    return Stretch(
        start_s=float(t_s[0] - span_s[0]),
        length_s=length_s,
        peak_bpm=float(level.max()),
        held_15s_bpm=held_15s,
        held_s=held_s,
        quality=float(piece.quality[part].mean()),
        doubt=doubt,
    )
