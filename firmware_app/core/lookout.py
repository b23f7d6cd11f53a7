"""What a ride and a guided maximal test look at: the heart through its gate, the batteries, the link, what is broken.

The lookout keeps the ``Situation`` of the moment up to date for its engine, on the grid and with each event, and writes
down what came in. Companion and test each have one, so that near maximum is the same to both.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from math import ceil, floor

from firmware_app.core.alarms import AlarmTable, Engine, Situation
from firmware_app.core.bands import whole_bpm
from firmware_app.core.beats import DENIED, Gate
from firmware_app.core.events import (
    BadPacket,
    Battery,
    Effect,
    Event,
    Fault,
    Hush,
    Link,
    Mark,
    Notice,
    Sample,
    Sound,
    WallClock,
)
from firmware_app.core.measurement import Measurement
from firmware_app.core.track import HR_RANGE_BPM

TICK_S = 0.25
"""The grid on which every timer of a ride moves."""

CATCH_UP_S = 12 * 3600.0
"""After a longer sleep only so much is stepped through: the loop must not stand still over it."""

STALE_S = 2.0
"""What should have sounded longer ago than this, while the unit slept, is not made up for."""


class Lookout:
    """What can be seen of rider and unit now.

    now: what the engine looks at. seen_s: when there was last a trusted heart rate, 0 for never; unbroken_since_s:
    since when there has been one without a gap. near_max_bpm: where near maximum begins, in whole bpm.
    """

    def __init__(self, alarms: AlarmTable, hr_max_bpm: int) -> None:
        self.engine = Engine(alarms)
        self.now = Situation(hr_max_bpm=hr_max_bpm)
        self.near_max_bpm = whole_bpm(alarms.near_max.begins_bpm(hr_max_bpm))
        self.seen_s = 0.0
        self.unbroken_since_s = 0.0
        self._gate = Gate()
        self._ticks = 0
        self._arrived_s = float("-inf")
        self._bad_packets = 0
        self._link = Link("off")
        self._faults: dict[str, str] = {}

    def moments(self, t_s: float) -> Iterator[float]:
        """Each moment of the grid until ``t_s``, with ``now`` as it is then."""
        now = self.now
        if t_s - now.t_s > CATCH_UP_S:
            self._ticks = max(self._ticks, ceil((t_s - CATCH_UP_S) / TICK_S))
        while self._ticks * TICK_S <= t_s:
            now.t_s = self._ticks * TICK_S
            # Counted first: a moment that fails is not tried for ever.
            self._ticks += 1
            if now.trusted_bpm is not None:
                trusted = self._gate.at(now.t_s)
                now.trusted_bpm = trusted.hr_bpm
                now.unseen_s = trusted.unseen_s
                if trusted.hr_bpm is None:
                    now.untrusted_since_s = self.seen_s
            now.arriving = now.t_s - self._arrived_s < self._gate.fresh_s
            yield now.t_s
        now.t_s = t_s

    def leap(self, t_s: float) -> None:
        """On to ``t_s``, past moments that nobody saw."""
        self._ticks = max(self._ticks, floor(t_s / TICK_S) + 1)
        self.now.t_s = t_s

    def woke(self, since_s: float, t_s: float, out: list[Effect]) -> None:
        """``out`` is all that fell due since ``since_s``: where that is a sleep, say so, and leave out what is stale.

        Of the sounds only the last goes out, if it is recent or still true. The marks of the other alarms say that
        nobody heard them.
        """
        if t_s - since_s <= STALE_S:
            return
        said = False
        for place in reversed(range(len(out))):
            sound, told = out[place], out[place - 1] if place else None
            if not isinstance(sound, Sound):
                continue
            # A sound without a mark of its own is no alarm: a cue that was missed.
            if not said and isinstance(told, Mark) and self._is_due(sound, told, t_s):
                said = True
                continue
            del out[place]
            if isinstance(told, Mark) and told.kind == "alarm":
                out[place - 1] = unheard(told)
        out.append(Mark(t_s, "slept", {"from_s": since_s}))

    def _is_due(self, sound: Sound, told: Mark, t_s: float) -> bool:
        return t_s - told.t_s <= STALE_S or self.engine.is_active(sound.kind)

    def take(self, event: Event, t_s: float, out: list[Effect]) -> None:
        """Take one event, and add what is to be kept and told of it. A press is none of its business, nor is time."""
        match event:
            case Measurement():
                self._measurement(event, t_s, out)
            case Link() if event != self._link:
                self._link = event
                out.append(Mark(t_s, "link", {"state": event.state}))
                if event.text:
                    out.append(Notice("strap", event.text))
            case BadPacket():
                self._bad_packets += 1
            case Battery(of="strap"):
                self.now.strap_battery_percent = event.percent
            case Battery():
                self.now.unit_battery_percent = event.percent
            case Fault():
                self._fault(event, t_s, out)
            case WallClock():
                out.append(Mark(t_s, "clock", {"unix_s": event.unix_s}))

    def end(self, t_s: float, why: str, out: list[Effect]) -> None:
        """Add what the end of it all comes to. Nothing is looked at after this."""
        out.append(Hush())
        self._mark_gap(t_s, out)
        out.append(Mark(t_s, "end", {"why": why, "bad_packets": self._bad_packets}))

    def _measurement(self, measurement: Measurement, t_s: float, out: list[Effect]) -> None:
        now = self.now
        self._arrived_s = t_s
        now.arriving = True
        trusted = self._gate.feed(measurement, t_s)
        now.contact = measurement.contact
        now.quality = trusted.quality
        now.doubt_bpm = trusted.doubt_bpm
        now.unseen_s = trusted.unseen_s
        now.slope_bpm_s = trusted.slope_bpm_s
        if trusted.hr_bpm is not None:
            self._mark_gap(t_s, out)
            self.seen_s = t_s
            now.untrusted_since_s = None
        elif now.trusted_bpm is not None:
            now.untrusted_since_s = self.seen_s
        now.trusted_bpm = trusted.hr_bpm
        reported_bpm = measurement.hr_bpm or 0
        now.denied = DENIED * (trusted.hr_bpm or reported_bpm) < reported_bpm <= HR_RANGE_BPM[1]
        out.append(Sample(t_s, measurement, trusted.hr_bpm, round(trusted.quality, 2)))

    def _mark_gap(self, t_s: float, out: list[Effect]) -> None:
        if t_s - self.seen_s > self._gate.fresh_s:
            self.unbroken_since_s = t_s
            out.append(Mark(t_s, "gap", {"from_s": self.seen_s}))

    def _fault(self, fault: Fault, t_s: float, out: list[Effect]) -> None:
        if fault.active:
            self._faults[fault.part] = fault.text
        else:
            self._faults.pop(fault.part, None)
        self.now.storage_failing = "storage" in self._faults
        self.now.unit_power_low = "power" in self._faults
        out.append(Mark(t_s, "fault", {"part": fault.part, "text": fault.text, "active": fault.active}))
        out.append(Notice(fault.part, fault.text))

    def notice(self, advice: Iterable[str] = ()) -> str:
        """One line that says what is wrong; "" when nothing is.

        What the rider loses by now stands before what has been missing all along, such as a sounder.
        """
        urgent = [self._faults[part] for part in ("storage", "power") if part in self._faults]
        if self._link.state != "connected" and self._link.text:
            urgent.append(self._link.text)
        return next(iter([*urgent, *advice, *reversed(self._faults.values())]), "")


def unheard(alarm: Mark) -> Mark:
    """The mark of an alarm whose sound was not made."""
    return replace(alarm, detail={**alarm.detail, "heard": False})
