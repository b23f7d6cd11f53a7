"""The unit: starts the devices, runs the loop, stops everything cleanly.

Everything that happens comes in through ``deliver``, in the loop's thread; what the companion answers goes out through
``_perform``: sound first, then the log, then the panel. The panel opens before anything else, and Bluetooth comes up
behind it. Nothing here keeps time but the clock that it was given, so a simulation runs it in virtual time.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
from collections.abc import Callable, Coroutine
from dataclasses import replace
from functools import partial
from typing import Any

from firmware_app import plans, settings
from firmware_app.core import pages
from firmware_app.core.companion import Companion
from firmware_app.core.dates import date_of
from firmware_app.core.events import (
    Battery,
    Effect,
    Event,
    Fault,
    Hush,
    Link,
    Mark,
    Notice,
    Off,
    Press,
    Sample,
    Sound,
    Tick,
    WallClock,
)
from firmware_app.core.lookout import TICK_S
from firmware_app.core.maximal_test import MaximalTest, Ramp, SafetyPages
from firmware_app.core.measurement import Measurement
from firmware_app.core.views import SummaryView, View
from firmware_app.cut_ride import CutShort, Offer
from firmware_app.devices.sounder import SilentSounder, Sounder
from firmware_app.devices.watchdog import ServiceManager, apart, watched
from firmware_app.drawing import Drawing
from firmware_app.faults import Faults
from firmware_app.home import Home
from firmware_app.preparation import Preparation
from firmware_app.wiring import Keeper, Wiring
from firmware_app.worn_strap import LET_GO_S, WornStrap

LOOK_S = 10.0
"""How often the unit looks whether somebody edited what it was told: at home its settings, on a ride the plan."""

CUT_WITHIN_S = 20.0
"""So long a ride waits for the log to say whether another was cut. A large log that has to be mended takes minutes."""

SUMMARY_WITHIN_S = 3.0
"""A summary that took longer does not come up by itself: by then a rider does something else."""

log = logging.getLogger(__name__)


class Unit:
    """One unit, from start to stop.

    ready: the rider's settings and today's choice. at_once: begin riding without the home page. cut: looks for a ride
    that was cut. go_on: go on with it without asking. test: begin the guided maximal test, with this ramp.
    stop_with_ride: the unit's work is done when the first ride is over. anew: what ``ready`` is once the settings were
    edited; without it they stay.
    """

    def __init__(
        self,
        wiring: Wiring,
        ready: Preparation,
        unit: settings.Unit,
        source: str = "strap",
        at_once: bool = True,
        stop_with_ride: bool = False,
        cut: Callable[[], CutShort | None] = lambda: None,
        go_on: bool = False,
        test: Ramp | None = None,
        anew: Callable[[], Preparation] | None = None,
    ) -> None:
        self._wiring = wiring
        self._source = source
        self._at_once = at_once
        self._stop_with_ride = stop_with_ride
        self._look_for_cut = cut
        self._offer: Offer | None = None
        self._pressed_s = 0.0
        self._go_on_at_once = go_on
        self._test_at_once = test is not None
        self._ramp = test or Ramp()
        self._companion: Companion | MaximalTest | None = None
        self._safety: SafetyPages | None = None  # while they are read
        self.rode = False
        """Whether a ride was begun, or gone on with."""
        self._ridden = ready  # what the ride under way goes by, or the one before: a cut ride keeps its own
        self._began_s = 0.0
        self._service = ServiceManager()
        self._sounder: Sounder = SilentSounder()
        self._keeper: Keeper
        self._told_doing = ""  # to the service manager
        self._done = asyncio.Event()
        self._stopped = False
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._plan_edited_s: float | None = None
        self._faults = Faults(wiring.clock, self._tell_soon)
        self._drawing = Drawing(wiring, self._faults)
        self._strap = WornStrap(unit.strap, wiring.strap, self.deliver, self.stop)
        self._home = Home(wiring, ready, unit, anew, self._strap, self._faults, self._say)
        self._pages = self._home.pages

    async def run(self) -> int:
        """Run until the rider, a signal or the end of the work stops it. Everything is silent and stored after.

        Returns how many measurements and marks could not be stored.
        """
        self._show()
        # The rider sees the unit start before it reads the plans and, after a cut ride, checks the log.
        self._home.open()
        self._stop_on_signals()
        await self._find_cut_ride()
        self._open_keeper()
        silent = self._open_sounder()
        if caution := self._home.ready.accepted.caution:
            self._say(caution)
        if not self._done.is_set():
            self._begin_as_asked()
        if silent is not None:
            self.deliver(silent)
        self._start_all()
        self._told_doing = self._doing()
        self._service.ready(self._told_doing)
        try:
            await self._done.wait()
        finally:
            self._service.stopping()
            lost = await self._stop()
        return lost

    def stop(self) -> None:
        """End the ride and the program, in order."""
        self._done.set()

    @property
    def ride_id(self) -> int | None:
        """The number of the latest ride in the log; None where nothing of it is there."""
        return self._keeper.ride_id

    async def summary(self) -> SummaryView | None:
        """After ``run``: what the latest ride was. None without a ride, or where it cannot be told, which is said.

        Not part of ``run``: it takes a small board seconds, and whoever stops a service does not wait for it.
        """
        if not self.rode or not await self._review():
            return None
        self._pages.page = "summary"
        view = self._pages.view(None, 0.0)
        return view if isinstance(view, SummaryView) else None

    # --- starting ---------------------------------------------------------------------------------------------------

    def _begin_as_asked(self) -> None:
        if self._offer and self._go_on_at_once:
            self._obey(pages.GoOn())
        elif self._test_at_once:
            self._read_before_test()
        elif self._at_once:
            self._begin()

    def _stop_on_signals(self) -> None:
        loop = asyncio.get_running_loop()
        # A virtual loop has no signals to handle; a loop in another thread may not.
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
                if number != signal.SIGHUP or signal.getsignal(number) != signal.SIG_IGN:  # nohup: ride on without it
                    loop.add_signal_handler(number, self._done.set)

    async def _find_cut_ride(self) -> None:
        # Apart: a log that has to be mended takes its time, and a card that hangs never answers.
        look = asyncio.create_task(apart(self._look_for_cut))
        stop = asyncio.create_task(self._done.wait())
        await asyncio.wait({look, stop}, timeout=CUT_WITHIN_S, return_when=asyncio.FIRST_COMPLETED)
        stop.cancel()
        if self._done.is_set():
            look.cancel()
        elif not look.done():
            look.cancel()
            self._say("The ride log is still being looked through. A ride that was cut is kept, and not offered now.")
        elif error := look.exception():
            self._faults.cannot_open("storage", error)
        elif short := look.result():
            self._offer = Offer(short, self._wiring.clock.t_s())
            self._pages.offered = short.words()

    def _open_keeper(self) -> None:
        on_fault = partial(self._from_thread, asyncio.get_running_loop())
        self._keeper = self._faults.opened("storage", partial(self._wiring.keeper, on_fault), _keeper_in_memory)

    def _from_thread(self, loop: asyncio.AbstractEventLoop, fault: Fault) -> None:
        with contextlib.suppress(RuntimeError):  # the loop may be closed while the writer still finishes
            loop.call_soon_threadsafe(self.deliver, fault)

    def _open_sounder(self) -> Fault | None:
        """Returns why it stays silent, if it does."""
        self._sounder, silent = self._faults.opened("sounder", self._wiring.sounder, lambda: (SilentSounder(), None))
        self._sounder.deliver = self.deliver
        return silent

    def _start_all(self) -> None:
        wiring = self._wiring
        self._start("clock", lambda: wiring.clock.run(self.deliver))
        self._start("ticks", self._tick)
        self._start("settings", self._watch_settings)
        self._start("service", self._service.run)
        if wiring.panel is not None:
            self._start("touch", self._watch_panel)  # what shows is another matter: part "panel"
        for name, source in self._faults.opened("keys", wiring.sources, lambda: ()):
            self._start(name, partial(source.run, self.deliver))
        self._strap.start()

    # --- events in --------------------------------------------------------------------------------------------------

    def deliver(self, event: Event) -> None:
        """Something happened. Called in the loop's thread."""
        if self._stopped:
            # A press on the way down must not begin another ride; a card that fails now is still worth a word.
            if isinstance(event, Fault):
                self._say(event.text)
            return
        if isinstance(event, Press):
            self._pressed_s = self._wiring.clock.t_s()
        self._home.note(event)
        companion = self._companion
        if companion is not None:
            self._perform(self._fed(companion, event))
            if companion.ended:
                self._over()
        elif isinstance(event, Press):
            if self._offer and self._offer.going_on:
                return  # in a moment there is a ride to press for
            if self._safety:
                self._read(self._safety, event)
            else:
                page = self._pages.page
                for order in self._pages.press(event):
                    self._obey(order)
                if self._offer and (page, self._pages.page) == ("offer", "home"):
                    self._offer.left_be = True
        elif isinstance(event, Measurement | Tick):
            now_s = self._wiring.clock.t_s()
            self._home.hear(event, now_s)
            if isinstance(event, Tick):
                self._keep_offer_up_to_date(now_s)
            elif self._offer and self._offer.going_on:
                self._offer.keep_waiting(event, now_s)
            elif self._offer and event.contact is not False and self._offer.calls(now_s):
                self._perform(self._home.call())
        elif isinstance(event, Link | Fault) and event.text:
            self._say(event.text)
        self._tell_doing()
        self._show()

    def _doing(self) -> str:
        """What the unit does, in a word for the service manager."""
        if self._companion is not None:
            return "riding"
        if self._safety:
            return "before a maximal test"
        return "taking up a ride that was cut" if self._offer and self._offer.going_on else "at home"

    def _tell_doing(self) -> None:
        if (doing := self._doing()) != self._told_doing:
            self._told_doing = doing
            self._service.status(doing)

    def _ride_s(self, at_s: float | None = None) -> float:
        """The ride's time now, or when the clock said ``at_s``."""
        clock_s = self._wiring.clock.t_s() if at_s is None else at_s
        # Whole milliseconds, as the log keeps them: a ride read back is the ride that was fed.
        return round(clock_s - self._began_s, 3)

    def _fed(self, companion: Companion | MaximalTest, event: Event, at_s: float | None = None) -> tuple[Effect, ...]:
        """What the ride makes of an event. A fault in that is told, and keeps no beat from the log."""
        t_s = self._ride_s(at_s)
        effects: list[Effect] = []
        went_well = self._faults.attempt(pages.ALARM, lambda: effects.extend(companion.feed(event, t_s)))
        if not went_well and isinstance(event, Measurement):
            return (Sample(t_s, event, None, 0.0),)
        if not went_well and isinstance(event, Fault):
            return (Notice(event.part, event.text),)
        return tuple(effects)

    # --- effects out ------------------------------------------------------------------------------------------------

    def _perform(self, effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            if isinstance(effect, Sound):
                self._faults.attempt("sounder", partial(self._sounder.play, effect))
            elif isinstance(effect, Hush):
                self._faults.attempt("sounder", self._sounder.hush)
            elif isinstance(effect, Notice):
                self._say(effect.text)
        if any(isinstance(effect, Sample | Mark) for effect in effects):
            self._faults.attempt("storage", partial(self._keeper.take, effects))

    def _say(self, text: str) -> None:
        # Whoever reads what is said may have gone away; that is no reason to stop.
        with contextlib.suppress(OSError):
            self._wiring.say(text)

    def _tell_soon(self, fault: Fault) -> None:
        # Not at once: whoever fails is in the middle of an event. And at the end there is no page left to show it.
        if self._done.is_set():
            self._say(fault.text)
        else:
            asyncio.get_running_loop().call_soon(self.deliver, fault)

    def _show(self) -> None:
        # At the end no page comes any more, home least of all.
        if not self._done.is_set():
            self._drawing.show(self._view, self._pages.theme)

    def _view(self) -> View:
        if self._safety:
            return self._safety.view()
        return self._pages.view(self._companion, self._ride_s() if self._companion else 0.0)

    # --- the ride ---------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        ready = self._home.ready
        facts = ready.facts(self._source, date_of(self._wiring.clock.unix_s()))
        self._set_off(replace(ready, alarms=self._home.alarms()).companion(facts))

    def _read_before_test(self) -> None:
        self._home.ready.check_test()
        self._safety = SafetyPages(self._wiring.clock.t_s())

    def _read(self, safety: SafetyPages, press: Press) -> None:
        """A press on the pages before a test. Until it begins nothing is a ride, and nothing is kept."""
        answer = safety.press(press, self._wiring.clock.t_s())
        if not answer:
            return
        self._safety = None
        if answer == "begin":
            self._obey(pages.BeginTest())
        elif self._stop_with_ride:
            self._done.set()

    def _begin_test(self) -> None:
        ready = self._home.ready
        ready.check_test()
        facts = ready.facts(self._source, date_of(self._wiring.clock.unix_s()))
        self._set_off(MaximalTest(facts, self._home.alarms(), self._ramp))

    def _set_off(self, companion: Companion | MaximalTest) -> None:
        if "summary" in self._tasks:
            self._tasks.pop("summary").cancel()  # of a ride before: it is not to be shown after this one
        self._pages.review = None
        self._ride(companion, self._home.ready, self._wiring.clock.t_s())
        self._faults.attempt("storage", partial(self._keeper.begin, companion.facts))
        digest = {"digest": self._ridden.digest()} if isinstance(companion, Companion) else {}
        plan = Mark(0.0, "plan", {**digest, "near_max_bpm": companion.near_max_bpm})
        self._faults.attempt("storage", partial(self._keeper.take, (plan,)))
        self._tell_what_is_known()

    def _ride(self, companion: Companion | MaximalTest, ready: Preparation, began_s: float) -> None:
        """This is the ride from now on. began_s: what the clock said, or would have said, at its beginning."""
        self._companion = companion
        self.rode = True
        self._ridden = ready
        self._plan_edited_s = plans.edited_s(ready.plan.name) if isinstance(companion, Companion) else None
        self._began_s = began_s
        self._pages.page = "ride"

    def _keep_offer_up_to_date(self, now_s: float) -> None:
        # A list that is open does not change under the rider's keys.
        if self._offer is None or self._offer.going_on or self._pages.page == "settings":
            return
        self._pages.offered = self._offer.words(now_s)
        if not self._pages.offered:
            self._drop_offer()

    def _drop_offer(self) -> None:
        self._offer = None
        self._pages.offered = ""
        if self._pages.page == "offer":
            self._pages.page = "home"

    async def _go_on(self, offer: Offer, back_s: float) -> None:
        """Take a ride up again: fed with all that happened, a new companion stands where the old one was cut off.

        back_s: when the rider asked for it. From then on the ride goes on, and the beats that came since are a part.
        """
        try:
            ready, companion = await offer.replayed(self._home.alarms(), self._home.ready.accepted.value_bpm)
            t_s = offer.ride_s(back_s)
            marks = companion.feed(Off(offer.short.t_s), t_s)
            offer.short.take_up(self._keeper)
        except Exception as error:
            self._home.refuse(error, "the ride that was cut")
            self._drop_offer()
            if self._at_once:
                self._begin()
            self._show()
            return
        self._drop_offer()
        self._ride(companion, ready, back_s - t_s)
        late = [effect for beat, at_s in offer.waiting for effect in self._fed(companion, beat, at_s)]
        late.extend(self._fed(companion, Tick()))
        companion.woke(t_s, self._ride_s(), late)
        self._perform((*marks, *late))
        self._tell_what_is_known()

    def _tell_what_is_known(self) -> None:
        self.deliver(WallClock(self._wiring.clock.unix_s()))
        self.deliver(self._pages.link)
        if self._pages.strap_percent is not None:
            self.deliver(Battery("strap", self._pages.strap_percent))
        if self._pages.unit_percent is not None:
            self.deliver(Battery("unit", self._pages.unit_percent))
        for part, text in tuple(self._faults.known.items()):  # a panel may fail, or come back, in the middle of this
            self.deliver(Fault(part, text))

    def _over(self) -> None:
        self._companion = None
        self._drop_offer()
        self._pages.page = "home"
        self._pages.hr_now_bpm = None  # home heard nothing while the ride did
        self._faults.attempt("storage", partial(self._keeper.end, "rider"))
        if self._stop_with_ride:
            self._done.set()
        else:
            self._start("summary", self._summarise)

    async def _summarise(self) -> None:
        over_s = self._wiring.clock.t_s()
        if not await self._review():
            return
        # No page turns under a finger; and what is not shown now lies in the settings.
        untouched = self._pressed_s <= over_s and self._wiring.clock.t_s() - over_s <= SUMMARY_WITHIN_S
        if untouched and self._pages.page == "home":
            self._pages.page = "summary"
        self._show()

    async def _review(self) -> bool:
        """Review the latest ride for its page, unless that is done; whether there is one."""
        if self._pages.review is not None:
            return True
        from firmware_app.core.review import over_maximum, review

        try:
            record = await apart(self._keeper.record)
            if record is None:
                self._say("No summary: the ride could not be read back yet; `rumblestrip report last` tries again.")
                return False
            bands = self._ridden.bands
            found = await apart(partial(review, record, bands, self._ridden.rider.sex))
            self._pages.review = found
            self._pages.band_names = tuple(band.name for band in bands.scheme.bands)
            stored = self.ride_id
            self._pages.over_maximum = "" if stored is None else over_maximum(found, bands.hr_max_bpm, stored)
        except Exception as error:
            # Trying again would fail in the same way; the ride itself is kept.
            log.exception("no summary")
            self._say(f"No summary ({error}); `rumblestrip report last` tries again.")
            return False
        return True

    # --- orders from the pages --------------------------------------------------------------------------------------

    def _obey(self, order: pages.Order) -> None:
        # What was refused before, or not found, is no fault of the ride that now begins.
        self._faults.clear("settings", "straps")
        try:
            match order:
                case pages.Ride(plan, target):
                    self._home.renew()
                    self._home.ready = self._home.ready.towards(target, plan)
                    self._begin()
                case pages.ReadBeforeTest():
                    self._home.renew()
                    self._read_before_test()
                case pages.BeginTest():
                    self._home.renew()
                    self._begin_test()
                case pages.GoOn() if self._offer and self._offer.words(self._wiring.clock.t_s()):
                    self._home.renew()
                    self._offer.going_on = True
                    self._pages.offered = "Taking it up again."
                    self._pages.page = "offer"
                    self._start("cut ride", partial(self._go_on, self._offer, self._wiring.clock.t_s()))
                # A search under way, begun before the page was left and entered again, brings what a second would.
                case pages.LookForStraps() if self._is_over("straps"):
                    self._start("straps", self._look_for_straps)
                case pages.TakeStrap(address, name):
                    self._home.take_strap(address, name)
                case pages.SettingChange(key, value):
                    self._home.change(key, value)
        except Exception as error:
            self._home.refuse(error, order)
            if isinstance(order, pages.ReadBeforeTest | pages.BeginTest | pages.GoOn):
                self._pages.page = "faults"  # the page before has no room for the reason

    async def _look_for_straps(self) -> None:
        await self._home.look_for_straps()
        self._show()

    # --- tasks ------------------------------------------------------------------------------------------------------

    def _start(self, name: str, make: Callable[[], Coroutine[Any, Any, None]]) -> None:
        self._tasks[name] = asyncio.create_task(watched(name, make, self.deliver), name=name)

    def _is_over(self, name: str) -> bool:
        return name not in self._tasks or self._tasks[name].done()

    async def _watch_panel(self) -> None:
        if self._wiring.panel is not None:
            await self._wiring.panel.run(self.deliver)
            self.stop()

    async def _tick(self) -> None:
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            # On a grid of its own; after a stall it goes on from now instead of hurrying after what was missed.
            due_s = max(due_s + TICK_S, loop.time())
            await asyncio.sleep(due_s - loop.time())
            self.deliver(Tick())

    async def _watch_settings(self) -> None:
        while True:
            await asyncio.sleep(LOOK_S)
            companion = self._companion
            if companion is None:
                if await apart(self._home.edited) and self._companion is None:
                    self._home.take_up()
                    self._show()
            elif self._plan_edited_s is not None:
                # Apart: a card that does not answer must not hold up the ride.
                edited_s = await apart(partial(plans.edited_s, self._ridden.plan.name))
                if self._companion is companion and edited_s != self._plan_edited_s:
                    self._plan_edited_s = edited_s
                    self._say(
                        f"Plan {self._ridden.plan.name} was edited. This ride keeps the steps that it began with: a "
                        "lane must not jump under a rider. The next ride has the new ones."
                    )

    async def _stop(self) -> int:
        # The ride first: letting go of the radio may take seconds, and they are no part of it.
        self._stopped = True
        if self._companion is not None:
            companion, self._companion = self._companion, None
            self._perform(self._fed(companion, Tick()))
            ends = partial(companion.end, self._ride_s(), "stopped")
            self._faults.attempt(pages.ALARM, lambda: self._perform(ends()))
            self._faults.attempt("storage", partial(self._keeper.end, "stopped"))
        self._faults.attempt("sounder", self._sounder.close)
        for task in self._tasks.values():
            task.cancel()
        # A link that cannot be let go must not keep the log from being closed.
        await asyncio.wait((*self._tasks.values(), *self._strap.let_go()), timeout=LET_GO_S)
        lost = 0
        try:
            lost = await apart(self._keeper.close)
        except Exception as error:
            self._tell_soon(Fault("storage", f"The storage cannot be closed ({error}). Check the card."))
        else:
            if lost:
                self._say(f"{lost} measurements and marks could not be stored. Check the card.")
        if self._wiring.panel is not None:
            self._faults.attempt("panel", self._wiring.panel.close)
        return lost


def _keeper_in_memory() -> Keeper:
    from firmware_app.store.keeper import MemoryKeeper

    return MemoryKeeper()
