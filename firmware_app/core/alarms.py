"""The alarm conditions, and the engine that runs them.

One table (``config/alarms.toml``, the classes below) and one loop (``Engine.step``). Everything that decides whether
the unit sounds stands in this module; nothing else does. How a sound is made belongs to the sounder, what it means to
the rider to the screens.

The words are those of IEC 60601-1-8 (condition, priority, audio paused), borrowed as vocabulary: this is not a medical
device. A lane is watched by a cumulative sum (Page, Biometrika 41:100, 1954): what lies outside the limit by more than
an allowance is added up beat for beat, what lies inside is taken off, and the alarm sounds when the sum is large
enough. Of all rules with the same rate of false alarms this one has the least delay to a lasting change: a deep exit
sounds at once, a shallow one when it has lasted, a beat across the limit never.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

from firmware_app.core.events import Effect, Mark, Note, Priority, Sound
from firmware_app.core.lag import FALL_BPM, FALL_BPM_S

RANK: dict[Priority, int] = {"high": 4, "medium": 3, "low": 2, "info": 1, "technical": 0}


# --- the table: one class per shape of row, one field per condition --------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Condition:
    """A row that every condition has.

    on: whether it is watched at all. dwell_s: how long it must hold before it sounds. release_s: how long it must be
    gone before it ends. apart_s: one that begins again within this of its last sound begins silently.
    remind_s: waits between reminders; the last one repeats; none for one sound only. sound: notes as [Hz, ms]; 0 Hz is
    silence.
    """

    priority: Priority
    on: bool = True
    dwell_s: float = 0.0
    release_s: float = 0.0
    apart_s: float = 0.0
    remind_s: tuple[float, ...] = ()
    sound: tuple[Note, ...] = ()


@dataclass(frozen=True, kw_only=True)
class NearMax(Condition):
    """At or above ``limit_percent`` of maximum, or ``limit_bpm`` where that is lower; ends as far under the one as
    ``release_percent`` is under the other.

    early_bpm: it counts from this far under the limit on; dip_bpm: down to this far under it the dwell holds; from
    there down to the release it runs back, and under that three times as fast. The estimate of a heart that is held
    at the limit swings about it. bridge_s: a gap of the signal of up to so long counts as near maximum when the
    heart is over the limit after it, less the time that it took to get over ``release_percent`` at ``rise_bpm_s``;
    of a longer one so much. blind_s: a heart that was surely over the limit when it was lost counts as over it for so
    much longer. Where nothing was seen the rider gets the alarm rather than the benefit of the doubt.
    """

    limit_percent: float
    limit_bpm: float
    release_percent: float
    early_bpm: float
    dip_bpm: float
    bridge_s: float
    rise_bpm_s: float
    blind_s: float

    def begins_bpm(self, hr_max_bpm: int) -> float:
        """Where near maximum begins for a rider with this maximum, in bpm."""
        return min(self.limit_percent * hr_max_bpm / 100, self.limit_bpm)

    def ends_bpm(self, hr_max_bpm: int) -> float:
        """Where it ends, in bpm."""
        return self.begins_bpm(hr_max_bpm) - (self.limit_percent - self.release_percent) * hr_max_bpm / 100


@dataclass(frozen=True, kw_only=True)
class Lane(Condition):
    """Outside one limit of the target.

    allowance_bpm, decision_bpm_s: the cumulative sum: what may be outside without counting (less than nothing: so far
    inside it counts already), and the sum that sounds. sure_bpm, doubt_weight: the gate's doubt above the first, times
    the second, is allowed on top: a restless heart has to be further out. release_bpm: so far inside the limit it ends.
    apart_s: two sounds of one side are not closer than this, but for a heart that counts as at_once_bpm outside.

    A heart on its way into the lane is not scolded (core/lag); one found outside after a gap counts as outside for half
    of it, and is told again after a long one.
    """

    allowance_bpm: float
    decision_bpm_s: float
    sure_bpm: float
    doubt_weight: float
    release_bpm: float
    apart_s: float
    at_once_bpm: float


@dataclass(frozen=True, kw_only=True)
class Drift(Condition):
    """Inside the lane by less than ``room_bpm``, and on course to leave it within ``look_ahead_s``.

    least_bpm_s: a slope under this is none. Close to the limit a warning is hard to get wrong; further inside, a heart
    turns round more often than it leaves.
    """

    look_ahead_s: float
    room_bpm: float
    least_bpm_s: float


@dataclass(frozen=True, kw_only=True)
class Contact(Condition):
    """No skin contact, a signal quality under ``quality_below`` (0 to 1), or a strap that denies its own intervals."""

    quality_below: float


@dataclass(frozen=True, kw_only=True)
class Level(Condition):
    """A battery under ``percent_below``."""

    percent_below: int


@dataclass(frozen=True, kw_only=True)
class AlarmTable:
    """config/alarms.toml. The order of the fields is the order of the loop, in which a moment is told."""

    near_max: NearMax
    poor_contact: Contact
    no_signal: Condition
    above_target: Lane
    below_target: Lane
    drifting_up: Drift
    drifting_down: Drift
    back_in_target: Condition
    step_change: Condition
    strap_battery_low: Level
    unit_power_low: Level
    storage_failing: Condition
    audio_pause_s: float


AUDIO_PAUSE_LIMIT_S = 120.0
"""Audio is never paused for longer; near_max is never paused at all."""


HEARD_HZ, HEARD_MS = (300, 6000), 80
"""What an ear on a road, and a small piezo, can be trusted to make something of (own choice)."""


BOUNDS: dict[type[Condition], dict[str, tuple[float, float]]] = {
    Condition: {"dwell_s": (0, 120), "release_s": (0, 60), "apart_s": (0, 300)},
    NearMax: {
        "limit_percent": (50, 97),
        "limit_bpm": (60, 240),
        "release_percent": (40, 97),
        "dwell_s": (0, 30),
        "early_bpm": (0, 5),
        "dip_bpm": (0, 5),
        "bridge_s": (0, 30),
        "rise_bpm_s": (0.5, 5),
        "blind_s": (0, 30),
        "apart_s": (0, 0),
    },
    Contact: {"quality_below": (0, 0.9)},
    Level: {"percent_below": (0, 90)},
    Drift: {"look_ahead_s": (1, 300), "room_bpm": (0.1, 20), "least_bpm_s": (0.001, 2)},
    Lane: {
        "allowance_bpm": (-2, 10),
        "decision_bpm_s": (0, 60),
        "sure_bpm": (0, 10),
        "doubt_weight": (0, 2),
        "release_bpm": (0, 10),
        "apart_s": (5, 300),
        "at_once_bpm": (2, 100),
    },
}
"""Lowest and highest of the keys of each shape of row; those of a shape outrank those of every row."""


def problem_with(table: AlarmTable) -> str:
    """What is wrong with a table beyond its types: key, value and cure; "" when it can be used.

    What protects the rider is not open to settings: near_max stays on, high and prompt, and no lower alarm outranks it.
    """
    near = table.near_max
    heard = any(HEARD_HZ[0] <= note.hz <= HEARD_HZ[1] and note.duration_ms >= HEARD_MS for note in near.sound)
    if not near.on or near.priority != "high" or not heard:
        return (
            "near_max: it guards you; leave it on, of high priority, and with a note of "
            f"{HEARD_HZ[0]} to {HEARD_HZ[1]} Hz and {HEARD_MS} ms or more"
        )
    for kind, row in rows_of(table):
        for key, (low, high) in {**BOUNDS[Condition], **BOUNDS.get(type(row), {})}.items():
            value = getattr(row, key)
            if not low <= value <= high:
                # A whole number may be too large to be written as a float.
                shown = value if isinstance(value, int) else f"{value:g}"
                return f"{kind}.{key}: {shown} is not between {low:g} and {high:g}; set one that is"
    if not near.release_percent < near.limit_percent:
        return (
            f"near_max.release_percent: {near.release_percent:g} is not under limit_percent, {near.limit_percent:g}; "
            f"set {near.limit_percent - 2:g} beside it"
        )
    if not near.early_bpm <= near.dip_bpm:
        return f"near_max.early_bpm: {near.early_bpm:g} is over dip_bpm; set 1"
    if not near.remind_s or not all(5 <= wait <= 30 for wait in near.remind_s):
        return "near_max.remind_s: give waits between 5 and 30 seconds; set [10]"
    if not 0 < table.audio_pause_s <= AUDIO_PAUSE_LIMIT_S:
        return f"audio_pause_s: {table.audio_pause_s:g} is not over 0 and up to {AUDIO_PAUSE_LIMIT_S:g}; set 120"
    for kind, row in rows_of(table):
        if kind != "near_max" and row.priority == "high":
            return f"{kind}.priority: only near_max may be high; set medium or low"
        if not all(5 <= wait <= 3600 for wait in row.remind_s):
            return f"{kind}.remind_s: give waits between 5 seconds, under which it is noise, and 3600"
        for note in row.sound:
            if not 0 <= note.hz <= 20000 or not 10 <= note.duration_ms <= 2000:
                return f"{kind}.sound: [{note.hz}, {note.duration_ms}] is not within 0 to 20000 Hz and 10 to 2000 ms"
        if sum(note.duration_ms for note in row.sound) > 5000:
            return f"{kind}.sound: it lasts longer than 5 seconds; shorten it"
        if isinstance(row, Lane) and row.dwell_s:
            return f"{kind}.dwell_s: a lane has none, it adds up; take it out, and set decision_bpm_s"
    return ""


def quiet(table: AlarmTable) -> AlarmTable:
    """The table of a rider who wants no sounds: everything is watched, shown and logged, and near_max still sounds."""
    silent: dict[str, Any] = {kind: replace(row, sound=()) for kind, row in rows_of(table) if kind != "near_max"}
    return replace(table, **silent)


def rows_of(table: AlarmTable) -> list[tuple[str, Condition]]:
    """The conditions with their names, highest first."""
    pairs = [(field.name, getattr(table, field.name)) for field in fields(table)]
    return [(name, row) for name, row in pairs if isinstance(row, Condition)]


# --- what the engine looks at ---------------------------------------------------------------------------------------


@dataclass(slots=True)
class Situation:
    """The moment as the lookout sees it; one object, kept up to date and read by every condition.

    trusted_bpm: None when there is no heart rate to trust; since when: untrusted_since_s. trend_bpm, trend_bpm_s: the
    trusted heart rate without its quick swings, and its slope. doubt_bpm, unseen_s: the gate's own. on_its_way:
    whether a heart outside the lane is getting there as fast as its lag lets it, or has just got there that way;
    arrived: whether it has been in the lane since the lane last moved. denied: whether the strap itself reports far
    more than is trusted. arriving: whether notifications come in at all.
    """

    t_s: float = 0.0
    riding: bool = True
    hr_max_bpm: int = 180
    trusted_bpm: float | None = None
    slope_bpm_s: float = 0.0
    trend_bpm: float = 0.0
    trend_bpm_s: float = 0.0
    quality: float = 0.0
    doubt_bpm: float = 0.0
    unseen_s: float = 0.0
    denied: bool = False
    contact: bool | None = None
    arriving: bool = False
    untrusted_since_s: float | None = 0.0
    low_bpm: int | None = None
    high_bpm: int | None = None
    on_its_way: bool = False
    arrived: bool = False
    strap_battery_percent: int | None = None
    unit_battery_percent: int | None = None
    storage_failing: bool = False
    unit_power_low: bool = False


class AlarmChange(NamedTuple):
    """A condition began (``on``), reminded (``reminder`` > 0) or ended. ``sound`` is None when it must be silent."""

    kind: str
    priority: Priority
    on: bool
    reminder: int
    sound: Sound | None

    def effects(self, t_s: float) -> tuple[Effect, ...]:
        """What it comes to at ``t_s``: a mark in the log, and the sound."""
        detail = {
            "kind": self.kind,
            "priority": self.priority,
            "reminder": self.reminder,
            "on": self.on,
            "heard": self.sound is not None,
        }
        mark = Mark(t_s, "alarm", detail)
        return (mark,) if self.sound is None else (mark, self.sound)


class Rate(NamedTuple):
    """How fast a condition gathers what it needs to sound (a second a second for a timer; bpm for a sum).

    RESET forgets all. ``clear`` says that the condition is over as far as this moment can tell. ``over_bpm`` is how far
    the heart is outside its lane. ``away_s`` is how much of a gap that begins here the heart needs to come near
    maximum. ``sure`` says that a heart lost here was there. ``unseen`` says that there is nothing to judge by now,
    ``unseen_s`` for how long there was nothing, although there seemed to be.
    """

    per_s: float
    clear: bool
    away_s: float = float("inf")
    over_bpm: float = 0.0
    sure: bool = False
    unseen: bool = False
    unseen_s: float = 0.0


_RESET = float("-inf")
_TRUE = Rate(1.0, False)
_FALSE = Rate(_RESET, True)
_UNKNOWN = Rate(0.0, False, unseen=True)
_LOST = Rate(0.0, True, unseen=True)
_EXCUSED = Rate(_RESET, False)


def _flag(true: bool) -> Rate:
    return _TRUE if true else _FALSE


# --- the conditions -------------------------------------------------------------------------------------------------


_LOST_S = 30.0
"""Near maximum sounds on for so long without a heart rate (own choice)."""


_SEEN_S = 2.0
"""After a long gap that began below the release the heart must be seen over the limit for this long (own choice)."""


_SURE_QUALITY = 0.5
"""Of a heart that is lost at a lower signal quality nobody can say that it was there (own choice)."""


_FORGETS = 3.0
"""Below the release the dwell runs back this many times as fast as it built up (own choice)."""


def _near_max(s: Situation, row: NearMax, engine: Engine) -> Rate:
    if s.trusted_bpm is None:
        # Not seen is not gone; but what nobody has seen for so long does not sound on.
        long_gone = s.untrusted_since_s is None or s.t_s - s.untrusted_since_s > _LOST_S
        return _LOST if long_gone else _UNKNOWN
    over_bpm = s.trusted_bpm - row.begins_bpm(s.hr_max_bpm)
    under_bpm = row.ends_bpm(s.hr_max_bpm) - s.trusted_bpm
    away_s = max(under_bpm, 0.0) / row.rise_bpm_s
    if over_bpm >= -row.early_bpm:
        return Rate(1.0, under_bpm > 0, away_s, sure=s.quality >= _SURE_QUALITY, unseen_s=s.unseen_s)
    if under_bpm > 0:
        # One estimate under it may be the static's: the dwell is forgotten within seconds, and not at once.
        return Rate(-_FORGETS, True, away_s)
    # A heart that swings about the limit is not let off at every dip: the dwell runs back, as fast as it ran.
    return Rate(0.0 if over_bpm >= -row.dip_bpm else -1.0, False, away_s)


def _no_signal(s: Situation, row: Condition, engine: Engine) -> Rate:
    if s.trusted_bpm is None and engine.is_active("poor_contact"):
        return _UNKNOWN  # one loose strap is one sound
    return _flag(s.trusted_bpm is None)


def _poor_contact(s: Situation, row: Contact, engine: Engine) -> Rate:
    if engine.is_active("no_signal"):
        return _UNKNOWN
    if not s.arriving:
        return _FALSE  # nothing comes in at all: that is no_signal's to say
    off_the_skin = s.contact is False and s.trusted_bpm is None
    return _flag(off_the_skin or s.denied or s.quality < row.quality_below)


_NEWS_BPM = 1.2
"""A heart that stays nearer to a limit than this is on it: told as seldom as a reminder (own choice)."""

_SHOWN_BPM = 0.5
"""From here on the whole beat that the page shows is outside: a heart on its limit is not reminded that it left."""

_FORGOTTEN_S = 10.0
"""What was said of a lane no longer holds when the heart was not seen for longer than this (own choice)."""

_APART_LEAST_S = 5.0
"""No two sounds of one side are closer together, however far outside the heart is (own choice)."""


def _outside(s: Situation, row: Lane, over_bpm: float) -> Rate:
    """What a heart so far outside one limit of its lane gathers; less than nothing inside it."""
    if over_bpm > 0 and s.on_its_way:
        return _EXCUSED
    allowed_bpm = row.allowance_bpm + row.doubt_weight * max(s.doubt_bpm - row.sure_bpm, 0.0)
    # One that has just come in over the limit counts as little as one that comes.
    gathers = _RESET if s.on_its_way else over_bpm - allowed_bpm
    return Rate(gathers, over_bpm < -row.release_bpm, over_bpm=over_bpm)


def _above_target(s: Situation, row: Lane, engine: Engine) -> Rate:
    if not s.riding or s.high_bpm is None:
        return _FALSE
    if s.trusted_bpm is None:
        return _UNKNOWN
    return _outside(s, row, s.trusted_bpm - s.high_bpm)


def _below_target(s: Situation, row: Lane, engine: Engine) -> Rate:
    if not s.riding or s.low_bpm is None:
        return _FALSE
    if s.trusted_bpm is None:
        return _UNKNOWN
    under_bpm = s.low_bpm - s.trusted_bpm
    if not engine.may_urge(s):
        return _FALSE if under_bpm < -row.release_bpm else _EXCUSED
    return _outside(s, row, under_bpm)


def _drifting(s: Situation, row: Drift, room_bpm: float, way: int) -> Rate:
    # Both the trend and this moment must lead outward: a heart that has turned round is on its way back in.
    slope_bpm_s = s.trend_bpm_s * way
    if not s.riding or s.trusted_bpm is None or room_bpm <= 0 or not s.arrived:
        return _FALSE
    outward = slope_bpm_s >= row.least_bpm_s and s.slope_bpm_s * way > 0
    if outward and room_bpm < min(slope_bpm_s * row.look_ahead_s, row.room_bpm):
        return _TRUE
    return Rate(_RESET, room_bpm > 2 * row.room_bpm)


def _drifting_up(s: Situation, row: Drift, engine: Engine) -> Rate:
    if s.high_bpm is None or s.trusted_bpm is None:
        return _FALSE
    return _drifting(s, row, s.high_bpm - s.trend_bpm, 1)


def _drifting_down(s: Situation, row: Drift, engine: Engine) -> Rate:
    if s.low_bpm is None or s.trusted_bpm is None or not engine.may_urge(s):
        return _FALSE
    return _drifting(s, row, s.trend_bpm - s.low_bpm, -1)


def _by_impulse(s: Situation, row: Condition, engine: Engine) -> Rate:
    return _FALSE  # told by Engine.tell, never by the situation


def _strap_battery_low(s: Situation, row: Level, engine: Engine) -> Rate:
    return _flag(s.strap_battery_percent is not None and s.strap_battery_percent < row.percent_below)


def _unit_power_low(s: Situation, row: Level, engine: Engine) -> Rate:
    level = s.unit_battery_percent
    return _flag(s.unit_power_low or (level is not None and level < row.percent_below))


def _storage_failing(s: Situation, row: Condition, engine: Engine) -> Rate:
    return _flag(s.storage_failing)


CONDITIONS: dict[str, Callable[[Situation, Any, Engine], Rate]] = {
    "near_max": _near_max,
    "poor_contact": _poor_contact,
    "no_signal": _no_signal,
    "above_target": _above_target,
    "below_target": _below_target,
    "drifting_up": _drifting_up,
    "drifting_down": _drifting_down,
    "back_in_target": _by_impulse,
    "step_change": _by_impulse,
    "strap_battery_low": _strap_battery_low,
    "unit_power_low": _unit_power_low,
    "storage_failing": _storage_failing,
}
"""What each row of the table looks at. A new condition is a field of AlarmTable, a row here and one in alarms.toml."""


# --- the loop -------------------------------------------------------------------------------------------------------


class _Row:
    """The state of one condition."""

    __slots__ = (
        "active",
        "back_s",
        "clear_since_s",
        "gathered",
        "hovers",
        "kind",
        "measure",
        "needed",
        "reminder",
        "row",
        "seen",
        "sounded_s",
        "unsaid",
        "unseen_s",
    )

    def __init__(self, kind: str, row: Condition) -> None:
        self.kind = kind
        self.row = row
        self.measure = CONDITIONS[kind]
        self.needed = row.decision_bpm_s if isinstance(row, Lane) else row.dwell_s
        self.seen = _FALSE  # the rate when the heart was last seen
        self.gathered = 0.0
        self.unseen_s = 0.0
        self.active = False
        self.unsaid = False  # it began while something else had the ear of the rider
        self.clear_since_s: float | None = None
        self.reminder = 0
        self.hovers = -1  # how often it began since the heart was last far from the limit, less one
        self.sounded_s = float("-inf")
        self.back_s = float("-inf")  # when the page last showed the heart inside its lane

    def gather(self, rate: Rate, dt_s: float) -> None:
        """Add what ``dt_s`` seconds at this rate bring."""
        if rate.unseen:
            self.unseen_s += dt_s
            return
        self.unseen_s = max(self.unseen_s, rate.unseen_s)
        if rate.per_s == 0 and self.unseen_s:
            return  # neither there nor away: what comes next says what the gap was
        bridged_s = self._bridged_s() if rate.per_s > 0 else 0.0
        self.seen = rate
        self.unseen_s = 0.0
        if rate.per_s == _RESET:
            self.gathered = 0.0
        else:
            self.gathered = max(self.gathered + rate.per_s * (dt_s + bridged_s), 0.0)

    def due(self, rate: Rate) -> bool:
        """Whether it has gathered what it needs, at this rate."""
        if not rate.unseen:
            return rate.per_s > 0 and self.gathered >= self.needed
        if not isinstance(self.row, NearMax) or self.seen.per_s <= 0 or not self.seen.sure:
            return False
        return self.gathered + min(self.unseen_s, self.row.blind_s) >= self.needed

    def _bridged_s(self) -> float:
        """How much of the gap that ends now counts for a heart that is found over its limit."""
        if isinstance(self.row, Lane):
            return self.unseen_s / 2  # it left at some time in the gap
        if not isinstance(self.row, NearMax):
            return 0.0
        away_s = self.seen.away_s
        bridged_s = min(max(self.unseen_s - away_s, 0.0), self.row.bridge_s)
        if self.unseen_s > self.row.bridge_s and away_s:
            # So long ago it was low: one packet is too little to say that it is near maximum now.
            return max(min(bridged_s, self.needed - self.gathered - _SEEN_S), 0.0)
        return bridged_s


class Engine:
    """Runs the table. ``step`` after every event; it answers with what began, reminded and ended."""

    def __init__(self, table: AlarmTable) -> None:
        self._table = table
        self._rows = {kind: _Row(kind, row) for kind, row in rows_of(table) if row.on}
        self._loop = tuple(row for row in self._rows.values() if row.measure is not _by_impulse)
        self._last_s = 0.0
        self._high_s = float("-inf")  # when the heart was last near maximum
        self._paused_until_s = float("-inf")

    def is_active(self, kind: str) -> bool:
        """Whether a condition has sounded and not ended."""
        row = self._rows.get(kind)
        return row is not None and row.active

    def may_urge(self, s: Situation) -> bool:
        """Whether anything may ask for more: not near maximum, nor up into it, nor after a fall that no heart makes.

        Nor while the strap itself reports far more than is trusted.
        """
        release_bpm = self._release_bpm(s)
        if self.is_active("near_max") or s.trusted_bpm is None or s.trusted_bpm >= release_bpm or s.denied:
            return False
        if s.low_bpm is not None and s.low_bpm >= release_bpm:
            return False
        # A heart near maximum that is far lower in the next moment is rather one of which half the beats are missed.
        return s.trusted_bpm >= release_bpm - FALL_BPM - FALL_BPM_S * (s.t_s - self._high_s)

    def _release_bpm(self, s: Situation) -> float:
        """Where near maximum ends, in bpm."""
        return self._table.near_max.ends_bpm(s.hr_max_bpm)

    def pause_audio(self, t_s: float) -> None:
        """Silence everything but near_max for a while; again to end it."""
        self._paused_until_s = t_s if self.audio_pause_left_s(t_s) > 0 else t_s + self._table.audio_pause_s

    def audio_pause_left_s(self, t_s: float) -> float:
        """Seconds that audio stays paused; 0 when it is not."""
        return max(self._paused_until_s - t_s, 0.0)

    def step(self, s: Situation) -> list[AlarmChange]:
        """Move every condition to ``s.t_s``."""
        dt_s = min(max(s.t_s - self._last_s, 0.0), 2.0)
        self._last_s = s.t_s
        if s.trusted_bpm is not None and s.trusted_bpm >= self._release_bpm(s):
            self._high_s = s.t_s
        changes: list[AlarmChange] = []
        for row in self._loop:
            rate = row.measure(s, row.row, self)
            row.gather(rate, dt_s)
            if abs(rate.over_bpm) > _NEWS_BPM:
                row.hovers = -1
            if rate.over_bpm < _SHOWN_BPM and not rate.unseen and rate is not _EXCUSED:
                row.back_s = s.t_s
            if row.active and isinstance(row.row, Lane) and row.unseen_s > _FORGOTTEN_S:
                # Where the heart is by now nobody knows: found outside again, it is told again.
                changes.append(self._off(row))
            if not row.active:
                if row.due(rate) and self._apart(row, rate, s.t_s):
                    self._begin(row, s.t_s, changes)
            elif not self._ended(row, rate.clear, s, changes):
                self._remind(row, rate, s.t_s, changes)
        return changes

    def new_lane(self, t_s: float) -> list[AlarmChange]:
        """The lane has moved: what was said about the old one is over, without a sound."""
        changes: list[AlarmChange] = []
        for row in self._loop:
            if isinstance(row.row, Lane | Drift):
                if row.active:
                    changes.append(self._off(row))
                row.gathered = 0.0
                row.hovers = -1
        return changes

    def tell(self, kind: str, t_s: float) -> list[AlarmChange]:
        """Something that has no duration: back_in_target, step_change."""
        row = self._rows.get(kind)
        return [] if row is None else [AlarmChange(kind, row.row.priority, True, 0, self._sound(row, t_s))]

    def _begin(self, row: _Row, t_s: float, changes: list[AlarmChange]) -> None:
        row.active = True
        row.unsaid = False
        row.clear_since_s = None
        row.reminder = 0
        row.hovers += 1
        sound = None
        # A condition of a lane does not begin at all before it may sound.
        if isinstance(row.row, Lane) or t_s - row.sounded_s >= row.row.apart_s:
            row.sounded_s = t_s
            sound = self._sound(row, t_s)
            row.unsaid = sound is None
        changes.append(AlarmChange(row.kind, row.row.priority, True, 0, sound))

    def _ended(self, row: _Row, clear: bool, s: Situation, changes: list[AlarmChange]) -> bool:
        if not clear:
            row.clear_since_s = None
            return False
        if row.clear_since_s is None:
            row.clear_since_s = s.t_s
        if s.t_s - row.clear_since_s < row.row.release_s:
            return False
        changes.append(self._off(row))
        if isinstance(row.row, Lane) and s.trusted_bpm is not None and s.riding:
            changes.extend(self.tell("back_in_target", s.t_s))
        return True

    def _off(self, row: _Row) -> AlarmChange:
        """It is over, without a sound."""
        row.active = False
        row.gathered = 0.0
        return AlarmChange(row.kind, row.row.priority, False, row.reminder, None)

    def _remind(self, row: _Row, rate: Rate, t_s: float, changes: list[AlarmChange]) -> None:
        # What began in silence is told as soon as it may be.
        waits = (0.0,) if row.unsaid else row.row.remind_s
        # Nobody has seen that a heart near maximum is over it: until it is taken for gone, it is told on.
        unseen = rate.unseen and not isinstance(row.row, NearMax)
        if not waits or rate.clear or unseen or rate is _EXCUSED:
            return
        wait_s = waits[min(row.reminder, len(waits) - 1)]
        if isinstance(row.row, Lane):
            if rate.over_bpm < _SHOWN_BPM:
                return
            if rate.per_s >= row.row.at_once_bpm and row.back_s - row.sounded_s >= _APART_LEAST_S:
                wait_s = 0.0  # what was told was a heart on its limit; this one leaves
        sound = self._sound(row, t_s)
        if t_s - row.sounded_s >= wait_s and sound is not None:
            row.reminder += 1
            row.sounded_s = t_s
            row.unsaid = False
            changes.append(AlarmChange(row.kind, row.row.priority, True, row.reminder, sound))

    def _apart(self, row: _Row, rate: Rate, t_s: float) -> bool:
        if not isinstance(row.row, Lane):
            return True
        was_back = row.back_s > row.sounded_s and t_s - row.sounded_s >= _APART_LEAST_S
        if was_back and rate.per_s >= row.row.at_once_bpm:
            return True
        waits = row.row.remind_s if row.hovers >= 0 else ()
        wait_s = waits[min(row.hovers, len(waits) - 1)] if waits else 0.0
        return t_s - row.sounded_s >= max(row.row.apart_s, wait_s)

    def _sound(self, row: _Row, t_s: float) -> Sound | None:
        """The sound of a row, or None while audio is paused or something of higher priority is going on."""
        if not row.row.sound:
            return None
        if row.kind != "near_max" and self.audio_pause_left_s(t_s) > 0:
            return None
        rank = RANK[row.row.priority]
        if any(other.active and RANK[other.row.priority] > rank for other in self._loop):
            return None
        return Sound(row.kind, row.row.priority, row.row.sound)
