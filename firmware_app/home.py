"""What a rider finds and sets between rides: what can be ridden, the strap that is worn, sounds and light.

The pages stand here, and what keeps them up to date: what the parts say of themselves, the settings on disk, and the
rider's own changes.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import partial

from firmware_app import choices, settings
from firmware_app.core import pages
from firmware_app.core.alarms import AlarmTable, quiet
from firmware_app.core.bands import BandError, whole_bpm
from firmware_app.core.beats import Gate
from firmware_app.core.events import Battery, Event, Fault, Link, Sound, Tick, Worn
from firmware_app.core.measurement import Measurement
from firmware_app.faults import Faults
from firmware_app.known_settings import KnownSettings
from firmware_app.preparation import Preparation
from firmware_app.settings import SettingsError
from firmware_app.wiring import Wiring
from firmware_app.worn_strap import WornStrap

log = logging.getLogger(__name__)


class Home:
    """One for as long as the unit is on.

    ready: what the next ride goes by. pages: the state of the panel, in a ride too. unit, anew: as ``KnownSettings``
    takes them. say: a sentence for the terminal and the journal.
    """

    def __init__(
        self,
        wiring: Wiring,
        ready: Preparation,
        unit: settings.Unit,
        anew: Callable[[], Preparation] | None,
        strap: WornStrap,
        faults: Faults,
        say: Callable[[str], None],
    ) -> None:
        self.ready = ready
        self._wiring = wiring
        self._known = KnownSettings(unit, anew)
        self._strap = strap
        self._faults = faults
        self._say = say
        self._gate = Gate()
        lanes = choices.lanes(ready)
        self.pages = pages.Pages(
            lanes=lanes,
            plans=(),
            chosen=choices.place(lanes, choices.own_lane(ready)),
            hr_max=f"{ready.accepted.value_bpm}",
            caution=ready.accepted.caution,
            strap_name=unit.strap.name or unit.strap.address,
            faults=faults.known,
            sounds=unit.sounder.sounds,
            theme=unit.panel.theme,
        )

    def open(self) -> None:
        """Set the light, and read the plans, which takes a slow card its time."""
        self._dim(self._known.unit.panel.brightness_percent)
        self._read_plans(self.ready.plan.name)

    def alarms(self) -> AlarmTable:
        """The rider's table, with the sounds as they are switched."""
        return self.ready.alarms if self.pages.sounds else quiet(self.ready.alarms)

    def call(self) -> tuple[Sound, ...]:
        """What a rider hears whose heart is not watched: the same as without a signal. Nothing where sounds are off."""
        row = self.alarms().no_signal
        return (Sound("no_signal", row.priority, row.sound),) if row.sound else ()

    # --- what the parts say -----------------------------------------------------------------------------------------

    def note(self, event: Event) -> None:
        """Keep what outlasts a ride: what each part said of itself last."""
        if isinstance(event, Link):
            self.pages.link = event
            if event.state == "connected":
                self.pages.connected()
        elif isinstance(event, Battery):
            if event.of == "strap":
                self.pages.strap_percent = event.percent
            else:
                self.pages.unit_percent = event.percent
        elif isinstance(event, Worn):
            self.pages.strap_worn = event.place
        elif isinstance(event, Fault):
            self._faults.keep(event)

    def hear(self, event: Measurement | Tick, now_s: float) -> None:
        """The heart while nobody rides: it is shown, and nothing more."""
        trusted = self._gate.at(now_s) if isinstance(event, Tick) else self._gate.feed(event, now_s)
        self.pages.hr_now_bpm = None if trusted.hr_bpm is None else whole_bpm(trusted.hr_bpm)

    # --- settings that were edited ----------------------------------------------------------------------------------

    def edited(self) -> bool:
        """Whether settings were edited since they were taken up. Asks the card, which may take long."""
        return self._known.edited()

    def take_up(self) -> None:
        """Take up what was edited, unless a list is open: that does not change under the rider's keys."""
        if self.pages.page not in ("finding", "home"):
            return
        try:
            self.renew()
        except (SettingsError, BandError, OSError) as error:
            if self._faults.known.get("settings") != settings.without_folder(str(error)):
                self.refuse(error, "edited settings")

    def renew(self) -> None:
        """Take up settings that were edited since: a unit may be on for days, and the rider's maximum changes.

        Raises SettingsError or BandError for some that cannot be used, and leaves everything as it was.
        """
        before, known = self.ready, self._known.unit
        if (ready := self._known.read()) is None:
            return
        self.ready = ready
        self._faults.clear("settings")
        # What was chosen here stays chosen, but for a target that was edited itself.
        chosen = self.pages.lanes[self.pages.chosen].text if ready.rider.target == before.rider.target else ""
        plan = "" if self.pages.plan is None else self.pages.plans[self.pages.plan].name
        self.pages.hr_max, self.pages.caution = f"{ready.accepted.value_bpm}", ready.accepted.caution
        self.pages.lanes = choices.lanes(ready)
        self.pages.chosen = choices.place(self.pages.lanes, chosen, choices.own_lane(ready))
        self._read_plans(plan)
        unit = self._known.unit
        if unit.strap != known.strap:
            self._wear(unit.strap)
        if unit.sounder.sounds != known.sounder.sounds:
            self.pages.sounds = unit.sounder.sounds
        if unit.panel.theme != known.panel.theme:
            self.pages.theme = unit.panel.theme
        if unit.panel.brightness_percent != known.panel.brightness_percent:
            self._dim(unit.panel.brightness_percent)

    def refuse(self, error: Exception, what: object) -> None:
        """Tell why something that was asked for, or edited, is not done."""
        if not isinstance(error, SettingsError | BandError | OSError):
            log.error("%s cannot be obeyed", what, exc_info=error)
        self._faults.keep(Fault("settings", settings.without_folder(str(error))))
        self._say(str(error))

    def _read_plans(self, chosen: str) -> None:
        self.pages.plans = self._faults.opened("plans", partial(choices.plan_choices, self.ready), tuple)
        names = [plan.name for plan in self.pages.plans]
        self.pages.plan = names.index(chosen) if chosen in names else None

    # --- what the rider changes -------------------------------------------------------------------------------------

    def change(self, key: str, value: str | int | bool) -> None:
        """Change a key of unit.toml, now and for later. Raises SettingsError where it holds for today only."""
        # First for now: on a card that cannot be written it holds for today at least.
        if key == "panel.brightness_percent" and not self._dim(int(value)):
            return
        self._known.remember({key: value})

    def take_strap(self, address: str, name: str) -> None:
        """Listen to this strap from now on, and later. Raises as ``change`` does."""
        # First for now, as with any change.
        self._wear(settings.StrapSettings(address, name, self._strap.settings.adapter))
        self._known.remember({"strap.address": address, "strap.name": name})

    async def look_for_straps(self) -> None:
        """List the straps in range on their page."""
        look = self._wiring.look
        try:
            self.pages.straps = await look(self._strap.settings.adapter) if look is not None else ()
        except Exception as error:
            self.pages.straps = ()
            self._faults.keep(Fault("straps", str(error)))

    def _dim(self, percent: int) -> bool:
        """Set the backlight. The page shows what it is set to, and not what somebody asked for in vain."""
        panel = self._wiring.panel
        done = panel is not None and panel.set_brightness(percent)
        self.pages.brightness_percent = percent if done else None
        return done

    def _wear(self, strap: settings.StrapSettings) -> None:
        self.pages.strap_name = strap.name or strap.address
        # What the strap before said is not this one's.
        self.pages.link = Link("off")
        self.pages.strap_percent = None
        self.pages.strap_worn = ""
        self._gate = Gate()
        self._strap.change(strap)
