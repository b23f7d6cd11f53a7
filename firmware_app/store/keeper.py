"""Where the unit keeps its rides: in the log, or in memory when nobody wants them stored."""

from __future__ import annotations

import time

from firmware_app.core.events import Effect, Mark, Sample
from firmware_app.core.record import Collector, RideFacts, RideRecord
from firmware_app.store.log import CutRide, LogError, open_log
from firmware_app.store.writer import LogWriter

_WRITTEN_WITHIN_S = 10.0
_LOOK_S = 0.1
"""A ride that just ended is looked for so often, and so long at most: a slow card takes seconds (own choice)."""


class LogKeeper(LogWriter):
    """Keeps rides in the log, and reads the latest back."""

    def record(self) -> RideRecord | None:
        """The latest ride as the log has it; None when it cannot be read. Waits for what is still to be written."""
        until_s = time.monotonic() + _WRITTEN_WITHIN_S
        while time.monotonic() < until_s:
            ride_id = self.ride_id
            try:
                if ride_id is not None:
                    with open_log(self.path) as log:
                        if log.ride(ride_id).ended is not None:
                            return log.record(ride_id)
            except LogError:
                return None
            time.sleep(_LOOK_S)
        return None


class MemoryKeeper:
    """Keeps the latest ride in memory."""

    ride_id = None

    def __init__(self) -> None:
        self._ride: Collector | None = None
        self._end_s = 0.0

    def begin(self, facts: RideFacts) -> None:
        """A ride begins at t_s = 0."""
        self._ride = Collector(facts)
        self._end_s = 0.0

    def resume(self, cut: CutRide) -> None:
        """Memory has no rides that were cut."""
        raise LogError("only a stored ride can be gone on with")

    def take(self, effects: tuple[Effect, ...]) -> None:
        """Keep the samples and marks among these."""
        if self._ride is not None:
            self._ride.take(effects)
            self._end_s = max([self._end_s, *(e.t_s for e in effects if isinstance(e, Sample | Mark))])

    def end(self, how: str) -> None:
        """The ride is over; it stays until the next begins."""

    def record(self) -> RideRecord | None:
        """The latest ride; None before the first."""
        return None if self._ride is None else self._ride.record(self._end_s)

    def close(self) -> int:
        """Nothing to finish, nothing lost."""
        return 0
