"""Which page the unit shows, and what a press does there.

Three keys are enough everywhere: minus and plus move, select acts; select held and let go goes back or ends. While
riding, presses belong to the companion: pause, end (a long hold) and audio paused are all that can be reached. What a
press asks of the world comes back as an order; the unit carries it out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from firmware_app.core.bands import whole_bpm
from firmware_app.core.companion import Companion
from firmware_app.core.events import Link, Press
from firmware_app.core.maximal_test import MaximalTest
from firmware_app.core.session import lane_text
from firmware_app.core.times import clock_text, rounded_time
from firmware_app.core.views import (
    FaultView,
    FindingView,
    HomeView,
    ListView,
    PausedView,
    StepView,
    SummaryView,
    View,
)

if TYPE_CHECKING:
    from firmware_app.core.review import Review

ALARM = "alarm"
"""The part that is at fault when the ride itself fails: what its page shows is then not to be trusted."""

BRIGHTER_PERCENT, DIMMEST_PERCENT = 30, 10
"""A press makes the panel so much brighter, from the brightest the dimmest again (own choice)."""

Page = Literal["finding", "home", "plans", "settings", "straps", "faults", "offer", "ride", "summary"]


@dataclass(frozen=True, slots=True)
class Ride:
    """Begin a ride: by a plan's name, or towards a target as ``parse_target`` reads it."""

    plan: str | None
    target: str | None


@dataclass(frozen=True, slots=True)
class GoOn:
    """Go on with the ride that was cut."""


@dataclass(frozen=True, slots=True)
class ReadBeforeTest:
    """Show the pages that must be read before the guided maximal test."""


@dataclass(frozen=True, slots=True)
class BeginTest:
    """Begin it: its pages were read."""


@dataclass(frozen=True, slots=True)
class LookForStraps:
    """List the straps in range, for ``Pages.straps``."""


@dataclass(frozen=True, slots=True)
class TakeStrap:
    """Remember this strap from now on."""

    address: str
    name: str


@dataclass(frozen=True, slots=True)
class SettingChange:
    """Change a key of unit.toml, now and for later."""

    key: str
    value: str | int | bool


Order = Ride | GoOn | ReadBeforeTest | BeginTest | LookForStraps | TakeStrap | SettingChange


@dataclass(frozen=True, slots=True)
class Lane:
    """A target to choose on the home page: as it is written, in words, and in bpm.

    caution: what to know before it is ridden, or "".
    """

    text: str
    name: str
    bpm: str
    caution: str = ""


@dataclass(frozen=True, slots=True)
class PlanChoice:
    """A session plan to choose: its file name, its title, how long it takes; caution as a lane's."""

    name: str
    title: str
    length: str
    caution: str = ""


@dataclass
class Pages:
    """The state of the panel. The unit keeps the plain fields up to date; ``press`` and ``view`` do the rest.

    chosen: index into lanes. plan: index into plans, None for a free ride towards the lane.
    offered: words about a ride that was cut, "" for none.
    """

    lanes: tuple[Lane, ...]
    plans: tuple[PlanChoice, ...]
    hr_max: str
    caution: str = ""
    chosen: int = 0
    plan: int | None = None
    page: Page = "finding"
    offered: str = ""
    link: Link = field(default_factory=lambda: Link("off"))
    strap_name: str = ""
    strap_percent: int | None = None
    strap_worn: str = ""
    unit_percent: int | None = None
    hr_now_bpm: int | None = None
    faults: Mapping[str, str] = field(default_factory=dict)
    sounds: bool = True
    theme: str = "day"
    brightness_percent: int | None = None
    straps: tuple[tuple[str, str, str], ...] | None = None
    review: Review | None = None
    band_names: tuple[str, ...] = ()
    over_maximum: str = ""
    _row: int = 0
    _held: str = ""  # the key that opened this list, while it is still down

    # --- presses ----------------------------------------------------------------------------------------------------

    def press(self, press: Press) -> tuple[Order, ...]:
        """A press on any page but the ride's."""
        back = press == Press("select", "long")
        if press.hold != "repeat":
            self._held = ""
        elif press.key == self._held:
            return ()
        match self.page:
            case "finding" if press.hold == "short":
                self.page = "offer" if self.offered else "home"
            case "home":
                return self._press_home(press)
            case "offer" if press.key == "select" and press.hold == "short":
                return (GoOn(),)
            case "offer" if press.hold == "short":
                self.page = "home"
            case "plans" | "settings" | "straps" if press.key != "select":
                self._move(1 if press.key == "plus" else -1)
            case "plans" | "settings" | "straps" | "faults" | "summary" if back:
                self._open("settings" if self.page in ("straps", "faults") else "home")
            case "plans" if press.hold == "short":
                self.plan = self._row
                self._open("home")
            case "settings" if press.hold == "short":
                return self._change()
            case "straps" if press.hold == "short":
                return self._take_strap()
            case "faults" | "summary" if press.hold == "short":
                self._open("settings" if self.page == "faults" else "home")
        return ()

    def connected(self) -> None:
        """The strap is there: nothing more to find."""
        if self.page == "finding":
            self.page = "offer" if self.offered else "home"

    def _press_home(self, press: Press) -> tuple[Order, ...]:
        match (press.key, press.hold):
            case ("select", "short") if self.plan is not None:
                return (Ride(self.plans[self.plan].name, None),)
            case ("select", "short"):
                return (Ride(None, self.lanes[self.chosen].text),)
            case ("plus" | "minus", "short") if self.plan is not None:
                self.plan = None
            case ("plus", "short"):
                self.chosen = min(self.chosen + 1, len(self.lanes) - 1)
            case ("minus", "short"):
                self.chosen = max(self.chosen - 1, 0)
            case ("plus", "long") if self.plans:
                self._open("plans", press.key)
            case ("minus", "long"):
                self._open("settings", press.key)
        return ()

    def _open(self, page: Page, held: str = "") -> None:
        self._held = held
        self.page = page
        self._row = 0

    def _move(self, by: int) -> None:
        self._row = max(min(self._row + by, len(self._rows()) - 1), 0)

    def _rows(self) -> tuple[tuple[str, str], ...]:
        if self.page == "plans":
            return tuple((plan.title, plan.length) for plan in self.plans)
        if self.page == "straps":
            return tuple((name or address, nearness) for address, name, nearness in self.straps or ())
        return (
            ("Sounds", "on" if self.sounds else "off"),
            ("Light", self.theme),
            ("Brightness", "not here" if self.brightness_percent is None else f"{self.brightness_percent} %"),
            ("Strap", self.strap_name or "none chosen"),
            ("Maximal test", "read first"),
            ("What is wrong", str(len(self.faults)) if self.faults else "nothing"),
            ("Last ride", "none yet" if self.review is None else "summary"),
            *((("Ride cut short", "go on"),) if self.offered else ()),
        )

    def _change(self) -> tuple[Order, ...]:
        setting, _ = self._rows()[self._row]
        match setting:
            case "Sounds":
                self.sounds = not self.sounds
                return (SettingChange("sounder.sounds", self.sounds),)
            case "Light":
                self.theme = "night" if self.theme == "day" else "day"
                return (SettingChange("panel.theme", self.theme),)
            case "Brightness":
                if self.brightness_percent is None:
                    return ()
                more = self.brightness_percent + BRIGHTER_PERCENT
                self.brightness_percent = more if more <= 100 else DIMMEST_PERCENT
                return (SettingChange("panel.brightness_percent", self.brightness_percent),)
            case "Strap":
                self.straps = None
                self._open("straps")
                return (LookForStraps(),)
            case "Maximal test":
                return (ReadBeforeTest(),)
            case "What is wrong":
                self._open("faults")
            case "Last ride" if self.review is not None:
                self._open("summary")
            case "Ride cut short":
                self._open("offer")
        return ()

    def _take_strap(self) -> tuple[Order, ...]:
        if self.straps is None:
            return ()  # one search at a time
        if not self.straps:
            self.straps = None
            return (LookForStraps(),)
        address, name, _ = self.straps[self._row]
        self._open("home")
        return (TakeStrap(address, name),)

    # --- views ------------------------------------------------------------------------------------------------------

    def view(self, companion: Companion | MaximalTest | None, t_s: float) -> View:
        """The page as it stands; ``companion`` is the ride or the test under way, ``t_s`` its time."""
        if companion is not None and ALARM in self.faults:
            return FaultView("Stop and look", tuple(self.faults.values()), ALARM)
        if isinstance(companion, MaximalTest):
            return companion.view()
        match self.page:
            case "ride" if companion is not None:
                riding = companion.view()
                # Near maximum shows through a pause: the panel inverts, whatever page stood there.
                return self._paused(companion, t_s) if companion.paused and not riding.near_max else riding
            case "summary" if self.review is not None:
                return self._summary(self.review)
            case "finding":
                return self._finding()
            case "offer":
                return ListView("Ride cut short", ((self.offered, ""),), 0, "", ("home", "go on", "home"))
            case "plans":
                return ListView("Plans", self._rows(), self._row, "", ("up", "choose", "down"))
            case "settings":
                hint = "Hold select, then let go: back"
                return ListView("Settings", self._rows(), self._row, hint, ("up", "change", "down"))
            case "straps":
                return self._straps()
            case "faults":
                return self._faults()
        return self._home()

    def _finding(self) -> FindingView:
        rows = [("strap", self.strap_name or "none chosen"), *((part, "failing") for part in self.faults)]
        doing = {"off": "Starting", "searching": "Looking for the strap", "connecting": "Connecting"}
        wrong, _, cure = self.link.text.partition(": ")
        return FindingView(
            doing=doing.get(self.link.state, "Looking for the strap"),
            wrong=wrong,
            cure=cure,
            rows=tuple(rows),
            actions=("", "go on", ""),
        )

    def _home(self) -> HomeView:
        plan = None if self.plan is None else self.plans[self.plan]
        lane = self.lanes[self.chosen] if plan is None else None
        limit = (plan or self.lanes[self.chosen]).caution
        # The smallest panel has room for one of them: what the maximum is worth, or a hint.
        hint = "" if self.caution or limit else "Hold - for settings, hold + for plans."
        return HomeView(
            strap=self._strap_line(),
            strap_battery="" if self.strap_percent is None else f"{self.strap_percent} %",
            unit_battery="" if self.unit_percent is None else f"{self.unit_percent} %",
            hr_now="" if self.hr_now_bpm is None else f"{self.hr_now_bpm} bpm",
            hr_max=f"{self.hr_max}, formula" if self.caution else self.hr_max,
            plan=plan.title if plan else "",
            target=lane.name if lane else plan.length if plan else "",
            lane=lane.bpm if lane and lane.name.replace(" ", "") != f"{lane.bpm}bpm" else "",
            caution=self.caution,
            notice=next(iter(self.faults.values()), hint),
            actions=("lower", "ride", "higher") if lane else ("free ride", "ride", "free ride"),
            limit=limit,
        )

    def _strap_line(self) -> str:
        if self.link.state == "off" and self.link.text and not self.strap_name:
            # What the strap says is for a terminal; here the keys lead there.
            return "no strap: hold - for settings"
        if self.link.state != "connected":
            return self.link.text or "looking for the strap"
        return f"connected, {self.strap_worn}" if self.strap_worn else "connected"

    def _straps(self) -> View:
        actions = ("up", "choose", "down")
        if self.straps is None:
            return ListView("Straps in range", (("Looking", ""),), 0, "", ("", "", ""))
        if why := self.faults.get("straps"):
            return FaultView("Straps in range", (why,), "straps", ("", "again", ""))
        if not self.straps:
            return ListView("Straps in range", (("None found", "wet it, put it on"),), 0, "", ("", "again", ""))
        return ListView("Straps in range", self._rows(), self._row, "The nearest stands first", actions)

    def _faults(self) -> FaultView:
        lines = tuple(self.faults.values()) or ("Every part answers.",)
        return FaultView("What is wrong", lines, " ".join(sorted(self.faults)), ("", "back", ""))

    def _paused(self, companion: Companion, t_s: float) -> View:
        run = companion.run
        hr_bpm = companion.trusted_bpm
        if run.plan.free or run.finished:
            lane = run.now.target
            return PausedView(
                elapsed=clock_text(int(companion.ridden_s(t_s))),
                paused=clock_text(int(companion.paused_s(t_s))),
                hr_now="" if hr_bpm is None else f"{whole_bpm(hr_bpm)} bpm",
                target="" if lane is None else lane_text(lane),
                actions=("", "ride on", ""),
            )
        steps = tuple(
            (
                f"{step.name} {step.round}".strip(),
                "" if lane is None else lane_text(lane),
                "" if step.ends.time_s is None else clock_text(step.ends.time_s),
                "done" if index < run.now.index else "now" if index == run.now.index else "next",
            )
            for index, (step, lane) in enumerate(zip(run.plan.steps, run.targets, strict=True))
        )
        return StepView(run.plan.title, steps, run.now.left, run.now.note, ("back", "ride on", "skip"))

    def _summary(self, review: Review) -> SummaryView:
        # Late: with it comes numpy, which nobody who looks at the first page waits for.
        from firmware_app.core.review import ALARM_NAMES, by_kind

        known_s = sum(review.band_s.values()) or 1.0
        counts = {kind: len(same) for kind, same in by_kind(review.alarms).items()}
        return SummaryView(
            title="Ride over",
            elapsed=rounded_time(review.ridden_s),
            in_target=rounded_time(review.in_target_s) if review.had_target else "",
            unknown=rounded_time(review.unknown_s),
            peak="" if review.peak_bpm is None else f"{whole_bpm(review.peak_bpm)} bpm",
            bands=tuple(
                (number, self.band_names[number - 1], rounded_time(s), round(s / known_s, 3))
                for number, s in review.band_s.items()
            ),
            alarms=tuple(f"{counts[kind]} x {name}" for kind, name in ALARM_NAMES.items() if kind in counts),
            sentence=review.change[0],
            more=tuple(filter(None, (*review.change[1:2], self.over_maximum, *review.trained[:1]))),
            actions=("", "home", ""),
        )
