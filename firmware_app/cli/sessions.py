"""``rumblestrip sessions``: the session plans, one of them in this rider's bpm, and a check of one just written."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from datetime import date
from typing import Any

from firmware_app import plans, settings
from firmware_app.cli import options, warn
from firmware_app.core import bands, maximum, session
from firmware_app.core.dates import year_of
from firmware_app.core.times import clock_text

HELP = """\
Your own plans lie in the folder `sessions` of your config folder, one TOML file each, and come before a shipped one of
the same name. Times are the longest: a step that a key or the heart ends may be shorter."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = HELP
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    for name, summary in (
        ("list", "every plan, what it is for, how long it takes"),
        ("show", "one plan step by step, in your bpm"),
        ("check", "is this plan right, and can a heart do what it asks"),
    ):
        action = options.add_action(actions, name, summary)
        if name != "list":
            action.add_argument("plan", metavar="NAME|FILE", help="a plan's name, or a file")
            hr_max = "the maximum, for this once"
            action.add_argument("--hr-max-bpm", type=options.hr_max_bpm, metavar="N", help=hr_max)


def run(args: argparse.Namespace) -> int:
    if args.action in (None, "list"):
        return _list(args.json)
    table = _rider_bands(args.hr_max_bpm)
    plan = plans.load_plan(args.plan, table)
    document = describe(plan, table)
    warn(session.near_max_caution(plan, table, settings.load_alarms().near_max.begins_bpm(table.hr_max_bpm)))
    if args.json:
        print(json.dumps(document, indent=2))
    elif args.action == "show":
        print(page(document))
    else:
        for warning in document["warnings"]:
            print(f"warning: {warning}")
        print(f"{plans.plan_path(args.plan)}: {len(plan.steps)} steps, {document['time']} at most; it can be ridden")
    return 0


def _list(as_json: bool) -> int:
    rows: list[dict[str, Any]] = []
    table = None
    # Without bands, or with settings that other commands refuse, there is still a list.
    with contextlib.suppress(settings.SettingsError, bands.BandError):
        table = _rider_bands(None)
    for name in plans.plan_names():
        try:
            plan = plans.load_plan(name, table)
        except settings.SettingsError as error:
            # One broken file of the rider's must not hide the others.
            print(f"rumblestrip sessions: {error}", file=sys.stderr)
            rows.append({"name": name, "problem": str(error)})
            continue
        rows.append({"name": name, **_about(plan)})
    if as_json:
        print(json.dumps({"schema": "rumblestrip.sessions/1", "sessions": rows}, indent=2))
        return 0
    good = [row for row in rows if "problem" not in row]
    width = max((len(row["name"]) for row in good), default=0)
    for row in good:
        print(f"{row['name']:<{width}} {row['time']:>8}  {row['title']}\n    {row['purpose']}")
    return 0


def _about(plan: session.Plan) -> dict[str, Any]:
    longest_s = plan.longest_s or 0.0
    return {
        "title": plan.title,
        "purpose": plan.purpose,
        "for_whom": plan.for_whom,
        "longest_s": longest_s,
        "time": clock_text(longest_s),
    }


def _rider_bands(hr_max_bpm: int | None) -> bands.BandTable:
    rider = settings.load("rider", settings.Rider)
    accepted = maximum.hr_max(rider, year_of(date.today()), hr_max_bpm)
    with settings.of_the_rider():
        return bands.table(settings.load_scheme(rider.scheme), accepted.value_bpm, rider.hr_rest_bpm)


def describe(plan: session.Plan, table: bands.BandTable) -> dict[str, Any]:
    """The plan as plain data, lanes in whole bpm."""
    steps = []
    for step, lane in zip(plan.steps, session.targets(plan, table), strict=True):
        arrival = step.ends.arrival
        steps.append(
            {
                "name": step.name,
                "round": step.round,
                "target": step.target_text,
                "low_bpm": lane.low_bpm if lane else None,
                "high_bpm": lane.high_bpm if lane else None,
                "time_s": step.ends.time_s,
                "press": step.ends.press,
                "until": f"{arrival.side} {arrival.bpm(table)} bpm" if arrival else None,
                "note": step.note,
            }
        )
    about = {"name": plan.name, **_about(plan), "hr_max_bpm": table.hr_max_bpm}
    return {"schema": "rumblestrip.session/1", **about, "steps": steps, "warnings": list(session.warnings(plan, table))}


def page(document: dict[str, Any]) -> str:
    """The plan for a terminal."""
    lines = [
        f"{document['title']}: {document['time']} at most, for a maximum of {document['hr_max_bpm']} bpm",
        document["purpose"],
        f"For: {document['for_whom']}",
        "",
    ]
    for step in document["steps"]:
        lane = "no lane"
        if step["high_bpm"] is not None:
            lane = session.lane_text(bands.Target(step["low_bpm"], step["high_bpm"], "")) + " bpm"
        ends = [clock_text(step["time_s"])]
        ends += ["or press"] if step["press"] else []
        ends += [f"or {step['until']}"] if step["until"] else []
        lines.append(f"{step['name']:<20} {step['round']:<16} {lane:<16} {' '.join(ends)}".rstrip())
        if step["note"]:
            lines.append(f"    {step['note']}")
    lines += [f"warning: {warning}" for warning in document["warnings"]]
    return "\n".join(lines)
