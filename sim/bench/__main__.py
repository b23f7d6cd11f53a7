"""``python -m sim.bench NAME ...``: each bench is a module of this package with HELP, add_arguments and run."""

from __future__ import annotations

import argparse
import pkgutil
import sys
from importlib import import_module

import sim.bench
from firmware_app.settings import SettingsError


def names() -> list[str]:
    """The benches there are. A module that starts with ``_`` is none."""
    return sorted(m.name for m in pkgutil.iter_modules(sim.bench.__path__) if not m.name.startswith("_"))


def main(argv: list[str] | None = None) -> int:
    """Run one bench. Exit status 0 done, 1 the work failed, 2 the request was wrong."""
    given = sys.argv[1:] if argv is None else argv
    parser = argparse.ArgumentParser(prog="python -m sim.bench", description=sim.bench.__doc__)
    parser.add_argument("name", choices=names(), help="which bench; NAME --help says more")
    name = parser.parse_args(given[:1]).name
    bench = import_module(f"sim.bench.{name}")
    parser = argparse.ArgumentParser(prog=f"python -m sim.bench {name}", description=bench.HELP)
    bench.add_arguments(parser)
    try:
        return int(bench.run(parser.parse_args(given[1:])))
    except SettingsError as error:
        print(error, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
