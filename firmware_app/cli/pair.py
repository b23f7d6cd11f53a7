"""``rumblestrip pair``: find straps, choose one, remember it."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from firmware_app import cli, settings

if TYPE_CHECKING:
    from firmware_app.devices.strap import Found

HELP = """\
The unit connects to the remembered strap and to no other: in a bunch it never takes a neighbour's. Wear the strap, wet
its pads, and hold it near; the nearest is listed first.
Where nothing can be asked: --json lists, and --address takes one of that list."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = HELP
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--address", metavar="ADDRESS", help="remember this address without looking for it")
    which.add_argument("--forget", action="store_true", help="forget the remembered strap")
    parser.add_argument("--seconds", type=float, default=8.0, metavar="S", help="how long to look (8)")
    parser.add_argument("--json", action="store_true", help="print one JSON document; asks nothing")


def run(args: argparse.Namespace) -> int:
    strap = settings.load("unit", settings.Unit).strap
    if not 0 < args.seconds <= 600:
        raise cli.UsageError(f"--seconds {args.seconds:g}: look for more than 0 and at most 600 seconds")
    if args.forget:
        return _finish(args, [], "", "")
    if args.address is not None:
        address = args.address.upper()
        if problem := settings.problem_with_address(address):
            raise cli.UsageError(f"--address: {problem}")
        return _finish(args, [], address, strap.name if address == strap.address.upper() else "")
    found = _look(args.seconds, strap.adapter)
    if args.json:
        _print_json(found, strap.address, strap.name)
        return 0
    print(_list(found, strap.address))
    chosen = _ask(found)
    return _finish(args, found, chosen.address, chosen.name)


def _look(seconds: float, adapter: str) -> list[Found]:
    """The straps in range, at least one. Raises Failed when there is none, or no Bluetooth."""
    import asyncio

    from firmware_app.devices.strap import StrapError, in_range

    print(f"Looking for straps for {seconds:g} s ...", file=sys.stderr)
    try:
        found = asyncio.run(in_range(seconds, adapter))
    except StrapError as error:
        raise cli.Failed(str(error)) from error
    if not found:
        raise cli.Failed(
            "no strap in range: put it on, wet its pads, come near, and make sure that no other device is using it"
        )
    return found


def _list(found: list[Found], remembered: str) -> str:
    width = max(len(strap.name) for strap in found)
    return "\n".join(
        f"{number:3}  {strap.name:{width}}  {strap.address}  {strap.rssi_dbm} dBm"
        + ("  remembered" if strap.address.upper() == remembered.upper() else "")
        for number, strap in enumerate(found, 1)
    )


def _ask(found: list[Found]) -> Found:
    while True:
        try:
            answer = input(f"Which is yours? 1 to {len(found)}, or Enter for none: ").strip()
        except EOFError:
            answer = ""
        if not answer:
            raise cli.Failed("no strap chosen, nothing changed: answer with a number, or use --address ADDRESS")
        if answer.isdecimal() and 1 <= int(answer) <= len(found):
            return found[int(answer) - 1]
        print(f"{answer}: not a number of the list", file=sys.stderr)


def _finish(args: argparse.Namespace, found: list[Found], address: str, name: str) -> int:
    path = settings.remember("unit", {"strap.address": address, "strap.name": name})
    if args.json:
        _print_json(found, address, name)
    elif address:
        print(f"Remembered {name or 'the strap'} ({address}) in {path}. The unit connects to no other strap.")
    else:
        print(f"Forgotten, in {path}. The unit connects to no strap until you choose one: rumblestrip pair")
    return 0


def _print_json(found: list[Found], address: str, name: str) -> None:
    straps = [
        {"number": number, "address": strap.address, "name": strap.name, "rssi_dbm": strap.rssi_dbm}
        for number, strap in enumerate(found, 1)
    ]
    remembered = {"address": address, "name": name} if address else None
    document = {"schema": "rumblestrip.pair/1", "straps": straps, "remembered": remembered}
    print(json.dumps(document, indent=2))
