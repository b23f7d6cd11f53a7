"""``rumblestrip bands``: the rider's bands in bpm, what each is for, how it feels."""

from __future__ import annotations

import argparse
import json
from datetime import date
from typing import Any

from firmware_app import settings
from firmware_app.cli import options
from firmware_app.core import bands, maximum
from firmware_app.core.dates import year_of

HELP = """\
A limit belongs to the band above it: a band holds every whole beat from low_bpm up to, and without, high_bpm.
The first band begins at 0 and the last ends at the maximum. Your own schemes lie in the folder `bands` of your
config folder, one TOML file each; copy a shipped one and change it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = HELP
    scheme = "a band scheme (default: scheme in rider.toml)"
    parser.add_argument("--scheme", type=options.word, metavar="NAME", help=scheme)
    parser.add_argument("--hr-max-bpm", type=options.hr_max_bpm, metavar="N", help="the maximum, for this once")
    parser.add_argument("--hr-rest-bpm", type=options.bpm, metavar="N", help="the resting heart rate, for this once")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    rider = settings.load("rider", settings.Rider)
    with settings.of_the_rider(args.scheme is None):
        scheme = settings.load_scheme(args.scheme or rider.scheme)
    accepted = maximum.hr_max(rider, year_of(date.today()), args.hr_max_bpm)
    hr_rest_bpm = settings.resting_bpm(rider, args.hr_rest_bpm, accepted.value_bpm)
    with settings.of_the_rider(args.scheme is None):
        document = describe(scheme, accepted, hr_rest_bpm)
    if args.json:
        print(json.dumps(document, indent=2))
    else:
        print(page(document))
    return 0


def describe(scheme: bands.Scheme, accepted: maximum.AcceptedMaximum, hr_rest_bpm: int | None) -> dict[str, Any]:
    """The bands as plain data. ``low_range_bpm`` is where a low limit may really lie when the maximum is a formula.

    ``moves_bpm`` is what one beat of error in the maximum moves the low limit by. Raises BandError as ``table`` does.
    """
    table = bands.table(scheme, accepted.value_bpm, hr_rest_bpm)
    moving = scheme.basis != "bpm"
    rows = []
    for band in scheme.bands:
        low_bpm, high_bpm = table.low_bpm(band.number), table.high_bpm(band.number)
        row: dict[str, Any] = {
            "band": band.number,
            "name": band.name,
            "low_bpm": low_bpm,
            "high_bpm": high_bpm,
            "low_percent_of_maximum": round(100 * low_bpm / accepted.value_bpm, 1),
            "high_percent_of_maximum": round(100 * high_bpm / accepted.value_bpm, 1),
            "low": band.low,
            "moves_bpm": round(band.low / 100, 2) if moving else 0.0,
            "purpose": band.purpose,
            "talk": band.talk,
            "breath": band.breath,
            "legs": band.legs,
        }
        if accepted.origin == "formula" and moving:
            row["low_range_bpm"] = [
                bands.limit_bpm(scheme.basis, band.low, hr_max_bpm, hr_rest_bpm)
                for hr_max_bpm in (accepted.low_bpm, accepted.high_bpm)
            ]
        rows.append(row)
    return {
        "schema": "rumblestrip.bands/1",
        "scheme": scheme.name,
        "basis": scheme.basis,
        "source": scheme.source,
        "hr_max_bpm": accepted.value_bpm,
        "hr_max_origin": accepted.origin,
        "hr_max_range_bpm": [accepted.low_bpm, accepted.high_bpm],
        "hr_rest_bpm": hr_rest_bpm,
        "caution": accepted.caution,
        "bands": rows,
    }


def page(document: dict[str, Any]) -> str:
    """The bands for a terminal."""
    reserve = document["basis"] == "percent_of_reserve"
    lines = [f"Scheme {document['scheme']}, maximum {document['hr_max_bpm']} bpm ({document['hr_max_origin']})"]
    if document["hr_rest_bpm"] is not None and reserve:
        lines[0] += f", resting {document['hr_rest_bpm']} bpm"
    if document["caution"]:
        lines += [document["caution"]]
    last = document["bands"][-1]
    width = max(len(row["name"]) for row in document["bands"])
    for row in document["bands"]:
        top = row is last
        share = f"{row['low_percent_of_maximum']:.0f}-{row['high_percent_of_maximum']:.0f} % of maximum"
        bpm = f"from {row['low_bpm']} bpm" if top else f"{row['low_bpm']}-{row['high_bpm'] - 1} bpm"
        head = f"{row['band']}  {row['name']:<{width}}  {bpm:<13} {share}"
        if reserve:
            head += f", from {row['low']:g} % of reserve"
        if "low_range_bpm" in row and row["band"] > 1:
            head += "; may begin at {} to {} bpm".format(*row["low_range_bpm"])
        lines += ["", head, f"   {row['purpose']}"]
        lines += [f"   Talk: {row['talk']}  Breath: {row['breath']}  Legs: {row['legs']}"]
    moves = [row["moves_bpm"] for row in document["bands"][1:]]
    second = document["bands"][1]
    lane = f"band 2 is ridden as {second['low_bpm']}-{second['high_bpm']} bpm"
    lines += ["", f"A limit belongs to the band above it; a lane holds both of its limits, so that {lane}."]
    if any(moves):
        lines.append(
            f"One beat of error in the maximum moves the limits by {moves[0]:.2f} to {moves[-1]:.2f} bpm, "
            "the higher the more."
        )
    else:
        lines.append("These limits are in bpm: an error in the maximum does not move them.")
    if document["source"]:
        lines.append(f"Source: {document['source']}")
    return "\n".join(lines)
