"""What can happen to a unit, and what it may answer: the vocabulary between the core and the world.

Events go in with their time, effects come out; both are immutable and know nothing of where they came from. A live
unit, a simulation, a replay and a test all speak these words and no others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from firmware_app.core.measurement import Measurement

Key = Literal["minus", "select", "plus"]
Hold = Literal["short", "long", "repeat"]
LinkState = Literal["off", "searching", "connecting", "connected", "lost"]
Priority = Literal["high", "medium", "low", "info", "technical"]


# --- events ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Link:
    """The radio link to the strap changed. ``text`` says in the rider's words what is wrong and what to do."""

    state: LinkState
    text: str = ""


@dataclass(frozen=True, slots=True)
class BadPacket:
    """A notification that could not be read; it is counted and dropped."""

    reason: str


@dataclass(frozen=True, slots=True)
class Battery:
    """A battery level in percent, 0 to 100, of the strap or of the unit itself."""

    of: Literal["strap", "unit"]
    percent: int


@dataclass(frozen=True, slots=True)
class Worn:
    """Where the strap says that it is worn, in a word such as "chest"; "" when it does not say."""

    place: str


@dataclass(frozen=True, slots=True)
class Press:
    """A key was pressed. ``repeat`` comes again and again while a key stays down after ``long``."""

    key: Key
    hold: Hold = "short"


@dataclass(frozen=True, slots=True)
class Tick:
    """Time passes. Four a second; moves every timer of the core."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A part of the unit failed (``active``) or came back. ``part`` is a short stable name such as ``storage``."""

    part: str
    text: str
    active: bool = True


@dataclass(frozen=True, slots=True)
class WallClock:
    """The wall clock as it reads now, in seconds since 1970 UTC; sent at start and again when it was corrected."""

    unix_s: float


@dataclass(frozen=True, slots=True)
class Off:
    """The unit was off in the middle of a ride, from ``since_s`` of the ride's time until now."""

    since_s: float


@dataclass(frozen=True, slots=True)
class Slept:
    """The unit slept or stood still, from ``since_s`` of the ride's time until now. Only a ride played back tells it:
    on the road the companion finds that nothing came, not even a tick."""

    since_s: float


Event = Measurement | Link | BadPacket | Battery | Worn | Press | Tick | Fault | WallClock | Off | Slept


# --- effects --------------------------------------------------------------------------------------------------------


class Note(NamedTuple):
    """One note of a sound: a tone of ``hz`` (0 is silence) that lasts ``duration_ms``."""

    hz: int
    duration_ms: int


@dataclass(frozen=True, slots=True)
class Sound:
    """Play these notes now. A sound of lower priority never cuts one of higher priority short."""

    kind: str
    priority: Priority
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Hush:
    """Stop the sound that is playing. Near maximum is only stopped so by the end of the ride."""


@dataclass(frozen=True, slots=True)
class Sample:
    """For the log: one measurement as reported, and what the gate made of it.

    trusted_bpm: trusted heart rate in bpm, or None when there was none to trust.
    quality: signal quality, 0 to 1.
    """

    t_s: float
    measurement: Measurement
    trusted_bpm: float | None
    quality: float


@dataclass(frozen=True, slots=True)
class Mark:
    """For the log: something that happened at one moment of the ride.

    kind and the keys of detail:
      alarm    kind, priority, reminder (0 is the first), on (False when its condition ended), heard (it sounded)
      target   low_bpm, high_bpm (both None for none), text
      step     index, name, round, why: of a step of the plan, or of a stage of a guided maximal test, with its place,
               "" or such as "2 of 5", and what ended the one before
      plan     as the ride began: digest of its steps and its lanes in bpm; near_max_bpm, where near maximum begins
      pause / resume / end   why; "cut" from when the unit went off until the ride went on; end: bad_packets too
      off      from_s: the unit was off from then until this mark, in a ride that was paused
      slept    from_s: the unit slept, stood still, or took up a cut ride from then until this mark, and of its sounds
               only the last was made
      gap      from_s: no trusted heart rate from then until this mark
      link     state
      clock    unix_s: what the wall clock said at this t_s
      fault    part, text, active
      press    key, hold
      verdict  maximal, peak_bpm, why, fall_1_bpm, fall_2_bpm (of a guided maximal test)
      all_out  no detail: the rider said afterwards that everything was given in this ride
    """

    t_s: float
    kind: str
    detail: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Notice:
    """For the status line, the terminal and the journal: a sentence that a rider understands."""

    code: str
    text: str


Effect = Sound | Hush | Sample | Mark | Notice
