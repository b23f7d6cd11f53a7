"""The walls between the rooms, read from the source: who may import whom, and what must come late."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

FIRMWARE = sorted((ROOT / "firmware_app").rglob("*.py"))
SIM = sorted((ROOT / "sim").rglob("*.py"))

ALLOWED: dict[str, set[str]] = {
    "core": {"firmware_app.core"},
    "devices": {"firmware_app.core", "firmware_app.devices", "firmware_app.settings", "firmware_app.sdl"},
    "screens": {"firmware_app.core", "firmware_app.screens", "firmware_app.sdl"},
    "store": {"firmware_app.core", "firmware_app.store", "firmware_app.settings"},
    "report": {"firmware_app.core", "firmware_app.report"},
    "sdl.py": set(),
    "settings.py": {"firmware_app.core"},
    "plans.py": {"firmware_app.core", "firmware_app.settings"},
    "preparation.py": {"firmware_app.core", "firmware_app.plans", "firmware_app.settings"},
    "choices.py": {"firmware_app.core", "firmware_app.plans", "firmware_app.preparation", "firmware_app.settings"},
    "wiring.py": {"firmware_app.core", "firmware_app.devices", "firmware_app.settings"},
    "cut_ride.py": {"firmware_app.core", "firmware_app.preparation", "firmware_app.settings", "firmware_app.wiring"},
    "known_settings.py": {"firmware_app.preparation", "firmware_app.settings"},
    "worn_strap.py": {"firmware_app.core", "firmware_app.devices", "firmware_app.settings"},
    "faults.py": {"firmware_app.core", "firmware_app.devices"},
    "drawing.py": {
        "firmware_app.core", "firmware_app.devices", "firmware_app.faults", "firmware_app.screens",
        "firmware_app.wiring",
    },
    "home.py": {
        "firmware_app.choices", "firmware_app.core", "firmware_app.faults", "firmware_app.known_settings",
        "firmware_app.preparation", "firmware_app.settings", "firmware_app.wiring", "firmware_app.worn_strap",
    },
}  # fmt: skip

ABOVE_ALL = {"__init__.py", "__main__.py", "unit.py", "cli"}
"""What knows the rooms; who may know these is told below."""

EXCEPTIONS = {
    # The header's pins are a fact about the board, and the unit's settings are checked against it.
    ("firmware_app/settings.py", "firmware_app.devices.header"),
}

CLOCK_AND_WORLD = {
    "asyncio", "threading", "multiprocessing", "concurrent", "socket", "subprocess", "time", "sqlite3", "os", "io",
    "pathlib", "shutil", "tempfile", "signal", "selectors", "logging", "sys",
}  # fmt: skip
"""What the core may not have even though it is in the standard library."""

HEAVY = {"numpy", "pygame", "bleak", "gpiozero", "matplotlib", "dbus_fast", "lgpio", "scipy"}


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path, *, late: bool = True) -> Iterator[str]:
    """Full names that a module imports; late: those inside functions too. What only type checkers see is left out."""
    package = ".".join(path.relative_to(ROOT).with_suffix("").parts)

    def walk(nodes: list[ast.stmt]) -> Iterator[str]:
        for node in nodes:
            if isinstance(node, ast.Import):
                yield from (alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                base = node.module or ""
                if node.level:
                    base = ".".join([*package.split(".")[: -node.level], *([base] if base else [])])
                yield from (f"{base}.{alias.name}" for alias in node.names)
            elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
                yield from walk(node.orelse)
            elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not late:
                continue
            else:
                for child in ast.iter_child_nodes(node):
                    if isinstance(child, ast.stmt):
                        yield from walk([child])
                    elif isinstance(child, ast.ExceptHandler | ast.match_case):
                        yield from walk(child.body)

    return walk(tree(path).body)


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def within(name: str, package: str) -> bool:
    return name == package or name.startswith(f"{package}.")


@pytest.mark.parametrize("room", list(ALLOWED))
def test_a_room_knows_only_whom_it_may(room: str) -> None:
    strays = [
        (name_of(path), name)
        for path in FIRMWARE
        if path.relative_to(ROOT / "firmware_app").parts[0] == room
        for name in imported(path)
        if within(name, "firmware_app") or within(name, "sim")
        if not any(within(name, package) for package in ALLOWED[room])
        if (name_of(path), name) not in EXCEPTIONS
    ]
    assert strays == []


def test_every_room_has_walls() -> None:
    rooms = {path.relative_to(ROOT / "firmware_app").parts[0] for path in FIRMWARE}
    assert rooms == ALLOWED.keys() | ABOVE_ALL


def test_the_core_has_the_standard_library_and_numpy_and_no_world() -> None:
    strays = []
    for path in (ROOT / "firmware_app" / "core").glob("*.py"):
        for name in imported(path):
            top = name.split(".")[0]
            if top in ("firmware_app", "numpy", "__future__"):
                continue
            if top not in sys.stdlib_module_names or top in CLOCK_AND_WORLD:
                strays.append((name_of(path), name))
    assert strays == []


def test_the_core_opens_no_file_and_prints_nothing() -> None:
    found = [
        (name_of(path), node.lineno)
        for path in (ROOT / "firmware_app" / "core").glob("*.py")
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("open", "print", "input")
    ]
    assert found == []


def test_the_firmware_meets_the_simulator_in_one_command_only() -> None:
    meeting = {name_of(path) for path in FIRMWARE for name in imported(path) if within(name, "sim")}
    assert meeting == {"firmware_app/cli/simulate.py"}


def test_only_the_commands_and_the_entry_know_the_commands() -> None:
    strays = [
        (name_of(path), name)
        for path in [*FIRMWARE, *SIM]
        if "cli" not in path.parts and path.name != "__main__.py"
        for name in imported(path)
        if within(name, "firmware_app.cli") or within(name, "firmware_app.unit")
    ]
    # A bench drives the unit as it is ridden, or prints what a command prints: it may know both.
    assert [stray for stray in strays if not stray[0].startswith("sim/bench/")] == []


def test_the_simulator_itself_knows_the_core_the_settings_and_the_devices_only() -> None:
    known = ("firmware_app.core", "firmware_app.devices", "firmware_app.settings", "sim")
    allowed = {"gallery.py": ("firmware_app.core", "firmware_app.screens")}
    strays = [
        (name_of(path), name)
        for path in SIM
        # The benches look at everything from outside.
        if path.parent.name not in ("bench", "probe")
        for name in imported(path)
        if (within(name, "firmware_app") or within(name, "sim"))
        if not any(within(name, package) for package in allowed.get(path.name, known))
    ]
    assert strays == []


def test_heavy_libraries_come_late_where_starting_does_not_need_them() -> None:
    """The board has little memory and a slow card: a command that needs no drawing must not load the drawing."""
    early = {
        (name_of(path), name.split(".")[0])
        for path in FIRMWARE
        if "core" not in path.parts
        for name in imported(path, late=False)
        if name.split(".")[0] in HEAVY
    }
    drawing = {pair for pair in early if pair[0].startswith(("firmware_app/screens/", "firmware_app/report/"))}
    # The log packs its columns with numpy, and so do the CSV reader and the exports; screens and report draw.
    packing = {pair for pair in early if pair[0].startswith("firmware_app/store/") and pair[1] == "numpy"}
    assert early - drawing - packing == set()


@pytest.mark.parametrize("path", FIRMWARE + SIM, ids=name_of)
def test_every_module_opens_by_saying_what_it_is_for(path: Path) -> None:
    assert ast.get_docstring(tree(path))
