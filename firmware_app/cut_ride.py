"""A ride that was cut, by a crash or an empty battery, and what it takes to go on with it."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from firmware_app.core.alarms import AlarmTable
from firmware_app.core.companion import Companion
from firmware_app.core.events import Event
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts
from firmware_app.core.times import clock_text
from firmware_app.preparation import Preparation, prepare
from firmware_app.settings import SettingsError
from firmware_app.wiring import Keeper

REPLAYED_AT_ONCE = 200
"""So many events are replayed before anything else has its turn."""

WAITING_AT_MOST = 20_000
"""Beats that wait while a cut ride is taken up: hours of them, where that takes a minute."""

CALLS_EVERY_S = 60.0
"""A rider who rides on does not know that nobody watches: so often the offer is heard (own choice)."""


@dataclass(frozen=True)
class CutShort:
    """A ride that was cut and can be gone on with: what happened in it, and how to say so.

    t_s: where it was cut. away_s: how long ago that was when it was found, 0 where no clock knows. left_s: for how long
    from then on it can be gone on with. plan: the digest of its plan, "" when that is not known. take_up: tells the
    keeper that this ride goes on.
    """

    facts: RideFacts
    events: tuple[tuple[float, Event], ...]
    t_s: float
    away_s: float
    left_s: float
    plan: str
    take_up: Callable[[Keeper], None]

    def words(self, since_s: float = 0.0) -> str:
        """How to say so, so long after it was found."""
        # By the minute: a page to be read is not drawn, and said in a terminal, again every second.
        ago = f" {clock_text(self.away_s + since_s // 60 * 60)} ago" if self.away_s else ""
        return f"A ride of {clock_text(self.t_s)} was cut{ago}."


class Offer:
    """The offer to go on with one, until it is taken, another ride begins, or its time is over.

    found_s: what the unit's clock said when it was found. going_on: whether it is being taken up. left_be: whether the
    rider has read it and gone home. waiting: the beats that came while it is taken up, and when.
    """

    def __init__(self, short: CutShort, found_s: float) -> None:
        self.short = short
        self.going_on = False
        self.left_be = False
        self.waiting: deque[tuple[Measurement, float]] = deque(maxlen=WAITING_AT_MOST)
        self._found_s = found_s
        self._called_s = float("-inf")

    def words(self, at_s: float) -> str:
        """What to say of it when the clock says ``at_s``; "" once its time is over."""
        since_s = at_s - self._found_s
        return self.short.words(since_s) if since_s < self.short.left_s else ""

    def calls(self, at_s: float) -> bool:
        """Whether the rider, whose heart is heard, must be told now that nobody watches it."""
        if self.going_on or self.left_be or not self.words(at_s) or at_s - self._called_s < CALLS_EVERY_S:
            return False
        self._called_s = at_s
        return True

    def keep_waiting(self, beat: Measurement, at_s: float) -> None:
        """Keep a beat that came while the ride is taken up."""
        self.waiting.append((beat, at_s))

    def ride_s(self, at_s: float) -> float:
        """The ride's time when the clock said ``at_s``: it went on while the unit was off."""
        return round(self.short.t_s + self.short.away_s + at_s - self._found_s, 3)

    async def replayed(self, alarms: AlarmTable, hr_max_bpm: int) -> tuple[Preparation, Companion]:
        """The companion as it was when the ride was cut. Nothing sounds.

        hr_max_bpm: the maximum of today. Raises SettingsError for another plan, and for a lower maximum: by the one
        before near maximum would come too late, or never, and the lanes would lie too high.
        """
        facts = self.short.facts
        if hr_max_bpm < facts.hr_max_bpm:
            raise SettingsError(
                f"the ride that was cut goes by a maximum of {facts.hr_max_bpm} bpm, and yours is {hr_max_bpm} now: it "
                "is kept as it is; begin a new one"
            )
        ready = prepare(
            target=None if facts.plan else facts.target,
            plan=facts.plan or None,
            hr_max_bpm=facts.hr_max_bpm,
            hr_rest_bpm=facts.hr_rest_bpm,
            scheme=facts.scheme,
            alarms=alarms,
        )
        if self.short.plan not in ("", ready.digest()):
            raise SettingsError(
                f"{f'plan {facts.plan}' if facts.plan else 'the target'} or its bands were changed since the ride was "
                "cut, and a lane must not jump under a rider: the ride is kept as it is; begin a new one"
            )
        companion = ready.companion(facts)
        for number, (t_s, event) in enumerate(self.short.events):
            companion.feed(event, t_s)
            if number % REPLAYED_AT_ONCE == 0:
                await asyncio.sleep(0)  # a ride of hours takes a small board a minute, and the watchdog less
        return ready, companion
