"""What a unit is wired to: its devices and what keeps its rides, each behind the least that the unit asks of it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from firmware_app.core.events import Effect, Event, Fault
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.core.views import View
from firmware_app.devices.clock import Clock
from firmware_app.devices.panel import Panel
from firmware_app.devices.sounder import Sounder
from firmware_app.devices.strap import Strap
from firmware_app.settings import StrapSettings

if TYPE_CHECKING:
    from firmware_app.store.log import CutRide


class Keeper(Protocol):
    """Where rides are kept: the log's writer, or memory."""

    @property
    def ride_id(self) -> int | None:
        """The number of the latest ride in the log; None before anything of it is there, and in memory."""

    def begin(self, facts: RideFacts) -> None:
        """A ride begins at t_s = 0."""

    def take(self, effects: tuple[Effect, ...]) -> None:
        """Keep the samples and marks among these."""

    def resume(self, cut: CutRide) -> None:
        """A ride that was cut goes on."""

    def end(self, how: str) -> None:
        """The ride is over."""

    def record(self) -> RideRecord | None:
        """The latest ride, as far as it can be read. May take long: called outside the loop."""

    def close(self) -> int:
        """Finish. Returns how many measurements and marks could not be kept. May take long."""


class Source(Protocol):
    """Something else that delivers events: keys, the terminal, the power watch."""

    async def run(self, deliver: Callable[[Event], None]) -> None:
        """Deliver events until cancelled."""


@dataclass(frozen=True)
class Wiring:
    """What the unit is wired to. The panel stands first; the rest is opened once it shows something.

    panel: None for none at all. clock: the time of everything. strap: makes the strap that is worn, anew when it is
    another, or on another adapter. sounder: opens it, or tells why it stays silent. keeper: opens it; it may report
    faults from any thread. sources: what else delivers events. say: a sentence for the terminal and the journal. watch:
    every view that is new. look: the straps in range of an adapter, "" for the only one, as (address, name,
    nearness).
    """

    panel: Panel | None
    clock: Clock
    strap: Callable[[StrapSettings], Strap]
    sounder: Callable[[], tuple[Sounder, Fault | None]]
    keeper: Callable[[Callable[[Fault], None]], Keeper]
    sources: Callable[[], tuple[tuple[str, Source], ...]] = tuple
    say: Callable[[str], None] = lambda text: None
    watch: Callable[[View], None] = lambda view: None
    look: Callable[[str], Awaitable[tuple[tuple[str, str, str], ...]]] | None = None
