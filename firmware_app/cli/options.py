"""Options that several commands share, and how their words are read."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_app import settings
from firmware_app.core.bands import HR_MAX_RANGE_BPM

if TYPE_CHECKING:
    from firmware_app.preparation import Preparation


def bpm(text: str) -> int:
    """A heart rate on the command line, in bpm. Raises ArgumentTypeError, to which argparse adds the option."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text[:40]!r} is not a whole number of beats a minute; write it as 184, without a unit"
        ) from None


def hr_max_bpm(text: str) -> int:
    """A maximum heart rate on the command line, as ``bpm``."""
    low, high = HR_MAX_RANGE_BPM
    if not low <= (value := bpm(text)) <= high:
        raise argparse.ArgumentTypeError(f"{value} is not from {low} to {high} bpm; give your measured maximum")
    return value


def word(text: str) -> str:
    """A word on the command line that says something: an empty one is not taken for the option left out."""
    if not text:
        raise argparse.ArgumentTypeError("is empty; write something, or leave the option out")
    return text


def add_action(actions: Any, name: str, summary: str) -> argparse.ArgumentParser:
    """One action of a command that has several, with its own ``--json``. actions: from ``add_subparsers``."""
    added: argparse.ArgumentParser = actions.add_parser(
        name, help=summary, description=summary[0].upper() + summary[1:] + "."
    )
    # Suppressed, so that `rides --json list` means the same as `rides list --json`.
    added.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON document")
    return added


def add_ride_arguments(parser: argparse.ArgumentParser) -> None:
    """What ``ride``, ``simulate`` and ``replay`` ride by; ``prepared`` takes it up."""
    lane = parser.add_mutually_exclusive_group()
    lane.add_argument(
        "--target",
        type=word,
        metavar="LANE",
        help="a band (3), bands (3-4), percent (70-80%%), bpm (130-145bpm) or none",
    )
    lane.add_argument("--plan", type=word, metavar="NAME", help="a session plan: its name, or a TOML file")
    parser.add_argument("--hr-max-bpm", type=hr_max_bpm, metavar="N", help="your maximum heart rate, for this once")
    parser.add_argument("--hr-rest-bpm", type=bpm, metavar="N", help="your resting heart rate, for this once")
    parser.add_argument("--scheme", type=word, metavar="NAME", help="a band scheme, for this once")
    parser.add_argument("--alarms", type=Path, metavar="FILE", help="alarm settings laid over yours, for this once")
    parser.add_argument(
        "--set",
        type=word,
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="one key of alarms.toml, for this once: above_target.apart_s=30",
    )


def prepared(args: argparse.Namespace, **known: Any) -> Preparation:
    """The preparation that the options ask for. known: what stands in where an option was not given.

    Raises SettingsError or BandError, which say what to mend.
    """
    from firmware_app.preparation import prepare  # late: with it come the companion and numpy

    asked = {
        name: getattr(args, name)
        for name in ("target", "plan", "hr_max_bpm", "hr_rest_bpm", "scheme")
        if getattr(args, name) is not None
    }
    if "plan" in asked or "target" in asked:
        known = {name: value for name, value in known.items() if name not in ("plan", "target")}
    return prepare(**{**known, **asked}, alarms=settings.load_alarms(args.alarms, args.set))
