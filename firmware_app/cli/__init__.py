"""The ``rumblestrip`` command: one module per command, imported only when it is the one asked for.

Exit status 0: done; 1: the work failed; 2: the request was wrong. What is said on stderr says what to do next.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import io
import os
import sys
from importlib import import_module

COMMANDS = {
    "ride": "ride with the unit, live",
    "simulate": "the same unit on a synthetic rider",
    "replay": "what would the unit have done on a recorded ride",
    "pair": "find straps, choose one, remember it",
    "bands": "your bands in bpm, what each is for, how it feels",
    "maximum": "your maximum heart rate, and what it rests on",
    "sessions": "list, show and check session plans",
    "rides": "list, show, delete and export rides",
    "report": "the page for one ride, or for the last weeks",
    "check": "is this unit ready",
}


class UsageError(Exception):
    """The request was wrong (status 2). The text says how to put it right."""


class Failed(Exception):
    """The work failed (status 1). The text says what to do next."""


def warn(caution: str) -> None:
    """Say on stderr what keeps nobody from going on; nothing for ""."""
    if caution:
        with contextlib.suppress(OSError):  # nobody is kept from going on by what cannot be said, either
            print(f"caution: {caution}", file=sys.stderr)


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns its exit status."""
    try:
        return _main(argv)
    except KeyboardInterrupt:
        # Also while the command is being imported: on a small board that takes seconds.
        return 130


def _main(argv: list[str] | None) -> int:
    words = sys.argv[1:] if argv is None else argv
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            # Closed by whoever started this; what it would say goes nowhere, and the ride goes on.
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115 - for as long as the program runs
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A file's name or a plan's title may hold what this terminal has no letter for.
            stream.reconfigure(errors="backslashreplace")
    parser = argparse.ArgumentParser(
        prog="rumblestrip",
        description="Keeps you in the heart-rate lane that you picked before setting off.",
        epilog="`rumblestrip COMMAND --help` tells what each command takes.",
    )
    from firmware_app import __version__

    parser.add_argument("--version", action="version", version=f"rumblestrip {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    chosen = next((word for word in words if not word.startswith("-")), None)
    for name, summary in COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if name == chosen:
            # Only the command that was asked for is imported: a rider waits for the panel, not for the others.
            module = import_module(f"firmware_app.cli.{name}")
            module.add_arguments(command)
            command.set_defaults(run=module.run)
    try:
        args = parser.parse_args(words)
    except SystemExit as stop:
        return int(stop.code or 0)
    return _carried_out(args)


def _carried_out(args: argparse.Namespace) -> int:
    """The exit status of the command that was asked for."""
    from firmware_app.core.bands import BandError
    from firmware_app.settings import SettingsError

    try:
        status = int(args.run(args))
        print(end="", flush=True)
        return status
    except (UsageError, SettingsError, BandError) as error:
        print(f"rumblestrip {args.command}: {error}", file=sys.stderr)
        return 2
    except Failed as error:
        print(f"rumblestrip {args.command}: {error}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # Whoever read our output has seen enough; nothing is left to be written to it.
        sys.stdout = None
        return 0
    except OSError as error:
        # What no command foresaw: a full card, a folder that belongs to somebody else.
        import logging

        logging.getLogger(__name__).debug("the work failed", exc_info=True)
        what = f"{error.filename}: {error.strerror}" if error.filename else error.strerror or error
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        cure = "make room there" if full else "check that it is there, and yours"
        print(f"rumblestrip {args.command}: {what}; {cure}", file=sys.stderr)
        _let_go_of_stdout()
        return 1


def _let_go_of_stdout() -> None:
    """Python would try to write what is left once more when it ends, and complain of it once more."""
    try:
        print(end="", flush=True)
    except OSError:
        sys.stdout = None
