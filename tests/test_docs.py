"""The docs tell of what is there: tests that exist, files that exist, commands and options that are understood."""

from __future__ import annotations

import argparse
import ast
import re
from importlib import import_module
from itertools import pairwise
from pathlib import Path

import pytest

from firmware_app.cli import COMMANDS

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])
PLACES = ("config", "docs", "firmware_app", "sim", "tests")


def _tests_of(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    return {node.name for node in ast.walk(tree) if isinstance(node, functions) and node.name.startswith("test_")}


TESTS = {str(path.relative_to(ROOT)): _tests_of(path) for path in (ROOT / "tests").rglob("test_*.py")}


def anchors(path: Path) -> set[str]:
    """What a link may point to in a page, as the usual renderers make it of a heading."""
    heads = re.findall(r"^#+ (.+)$", path.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.fixture(params=PAGES, ids=[str(page.relative_to(ROOT)) for page in PAGES])
def page(request: pytest.FixtureRequest) -> Path:
    return Path(request.param)


def test_every_link_leads_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    lost = []
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        there = page if not name else page.parent / name
        if not there.exists() or (anchor and anchor not in anchors(there)):
            lost.append(target)
    assert lost == []


def test_every_test_that_is_named_exists(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    lost = [
        f"{file}::{name}"
        for file, name in re.findall(r"(tests/[\w/]+\.py)::(\w+)", text)
        if name not in TESTS.get(file, ())
    ]
    # A name alone; where it ends in "…" its beginning will do.
    every = {name for names in TESTS.values() for name in names}
    for name, cut in re.findall(r"`(test_\w+?)(…?)`", text):
        if not (any(one.startswith(name) for one in every) if cut else name in every):
            lost.append(name)
    assert lost == []


def test_every_file_of_ours_that_is_named_exists(page: Path) -> None:
    named = re.findall(rf"`((?:{'|'.join(PLACES)})/[\w./*-]*(?:\.\w+|/))`", page.read_text(encoding="utf-8"))
    assert [name for name in named if not [*ROOT.glob(name.rstrip("/"))]] == []


def options_of(parser: argparse.ArgumentParser) -> tuple[set[str], set[str]]:
    """Every option and every action that a command knows, with those of its actions."""
    options: set[str] = set()
    actions: set[str] = set()
    for one in parser._actions:
        options |= set(one.option_strings)
        if isinstance(one, argparse._SubParsersAction):
            for name, below in one.choices.items():
                actions.add(name)
                more, _ = options_of(below)
                options |= more
    return options, actions


def test_every_command_that_is_shown_is_understood(page: Path) -> None:
    text = re.sub(r"\\\n\s*", " ", page.read_text(encoding="utf-8"))
    wrong = []
    for line in re.findall(r"(?<![\w/.])rumblestrip ((?:[a-z]+|--[a-z]+)[^\n`|;&]*)", "\n".join(code(text))):
        # A comment, or a second column, tells what it does.
        words = re.sub(r"\s#.*|  .*", "", line).split()
        if words[0].startswith("--"):
            continue
        if words[0] not in COMMANDS:
            wrong.append(line)
            continue
        parser = argparse.ArgumentParser()
        import_module(f"firmware_app.cli.{words[0]}").add_arguments(parser)
        known, actions = options_of(parser)
        for word in words[1:]:
            option = word.rstrip(".,:)").partition("=")[0]
            if re.fullmatch(r"--[a-z][\w-]*", option) and not any(one.startswith(option) for one in known):
                wrong.append(f"{words[0]} {option}")
        if actions and len(words) > 1 and re.fullmatch(r"[a-z]+", words[1]) and words[1] not in actions:
            wrong.append(f"{words[0]} {words[1]}")
    assert wrong == []


def code(text: str) -> list[str]:
    """What stands in code: blocks with fences, indented blocks, and spans."""
    fenced = re.findall(r"```\w*\n(.*?)```", text, re.DOTALL)
    rest = re.sub(r"```\w*\n.*?```", "", text, flags=re.DOTALL)
    indented = re.findall(r"^ {4,}(.*)$", rest, re.MULTILINE)
    spans = re.findall(r"`([^`]+)`", rest)
    return [*fenced, *indented, *spans]


def rows_of(name: str) -> list[str]:
    lines = (ROOT / name).read_text(encoding="utf-8").splitlines()
    return [row for head, row in pairwise(lines) if row.startswith("| ") and head.startswith("|")]


def test_the_pages_about_safety_and_faults_name_a_test_in_every_row() -> None:
    for name in ("docs/safety.md", "docs/faults.md"):
        rows = [row for row in rows_of(name) if "---" not in row]
        assert rows
        assert [row for row in rows if "::test_" not in row] == []
    # What a rider reads has no tests in it; each of its rows has them by its name.
    told, shown = ([row.split(" | ")[0] for row in rows_of(name)] for name in ("SAFETY.md", "docs/safety.md"))
    assert told == shown
