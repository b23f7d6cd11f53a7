"""What the home page offers to ride: every band, the rider's own lane where it is none of them, and the plans."""

from __future__ import annotations

import contextlib
import logging
from dataclasses import replace

from firmware_app import plans
from firmware_app.core.bands import BandError, parse_target, whole_bpm
from firmware_app.core.pages import Lane, PlanChoice
from firmware_app.core.session import lane_text, own_near_max_bpm
from firmware_app.core.times import clock_text
from firmware_app.preparation import Preparation
from firmware_app.settings import SettingsError

log = logging.getLogger(__name__)


def lanes(ready: Preparation) -> tuple[Lane, ...]:
    """Every band, and before them the lane that the rider chose in words of their own."""
    names = {str(band.number): f"{band.number} {band.name}" for band in ready.bands.scheme.bands}
    own = own_lane(ready)
    if own and own not in names:
        names = {own: own, **names}
    return tuple(
        Lane(
            text=text,
            name=name,
            bpm="" if text == "none" else lane_text(parse_target(text, ready.bands)),
            caution=_caution(ready.towards(text, None)),
        )
        for text, name in names.items()
    )


def place(offered: tuple[Lane, ...], *wanted: str) -> int:
    """Where the first of the wanted lanes stands that is offered. Where none is, the first lane is chosen."""
    texts = [lane.text for lane in offered]
    return next((texts.index(text) for text in wanted if text in texts), 0)


def own_lane(ready: Preparation) -> str:
    """Today's target; where a plan is ridden today, the one of other days, if these bands have it."""
    if ready.target:
        return ready.target
    try:
        return ready.towards(None, None).target
    except (BandError, SettingsError):
        return ""


def plan_choices(ready: Preparation) -> tuple[PlanChoice, ...]:
    """Every plan that can be read."""
    found = []
    for name in plans.plan_names():
        try:
            plan = plans.load_plan(name)
        except SettingsError as error:
            log.warning("plan %s is left out: %s", name, error)
            continue
        caution = ""
        with contextlib.suppress(BandError):  # one that does not fit the bands is refused, with its cure, when chosen
            caution = _caution(replace(ready, plan=plan))
        found.append(PlanChoice(name, plan.title, clock_text(plan.longest_s or 0.0), caution))
    titles = [one.title for one in found]
    doubled = {title for title in titles if titles.count(title) > 1}
    # In front: what is too long for a small panel loses its end.
    return tuple(replace(one, title=f"{one.name}: {one.title}") if one.title in doubled else one for one in found)


def _caution(ready: Preparation) -> str:
    """A word for the home page where what would be ridden lies near maximum, or leads to a limit that a doctor gave."""
    if not ready.near_max_caution():
        return ""
    own_bpm = own_near_max_bpm(ready.bands.hr_max_bpm, ready.near_max_bpm)
    what = "lane" if ready.plan.free else "plan"
    if own_bpm is not None:
        return f"This {what} reaches your limit, {own_bpm} bpm."
    return f"This {what} goes near maximum, {whole_bpm(ready.near_max_bpm)} bpm."
