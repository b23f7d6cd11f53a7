"""The command as a whole: its statuses, its errors, its imports, and whether it finds its defaults once installed."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware_app import settings
from firmware_app.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[2]


def run(*argv: str) -> tuple[int, str, str]:
    """Status, stdout and stderr of a command run here."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(list(argv))
    return status, out.getvalue(), err.getvalue()


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_is_there_and_explains_itself(command: str) -> None:
    status, out, err = run(command, "--help")
    assert (status, err) == (0, "")
    assert out.startswith(f"usage: rumblestrip {command}")


def test_the_command_lists_its_commands_and_tells_its_version() -> None:
    status, out, _ = run("--help")
    assert status == 0
    assert all(command in out for command in COMMANDS)
    assert run("--version")[1].startswith("rumblestrip ")


@pytest.mark.parametrize(
    "argv", [[], ["fly"], ["-x", "ride"], ["replay"], ["ride", "--strap", "rope"], ["bands", "--no"]]
)
def test_a_request_that_is_none_is_status_two_and_said_on_stderr(argv: list[str]) -> None:
    status, out, err = run(*argv)
    assert status == 2
    assert out == ""
    assert err.startswith(("usage: rumblestrip", "rumblestrip"))


def test_options_may_be_shortened_as_long_as_they_are_clear() -> None:
    assert run("bands", "--hr-max", "180")[0] == 0
    assert run("bands", "--hr", "180")[0] == 2


@pytest.mark.parametrize(
    "words", ["maximum set {}", "bands --hr-max {}", "sessions show long-easy --hr-max {}", "replay last --hr-rest {}"]
)
@pytest.mark.parametrize("bpm", ["184%", "184,5"])
def test_a_heart_rate_that_is_no_whole_number_is_told_how_to_be_written(words: str, bpm: str) -> None:
    status, out, err = run(*words.format(bpm).split())
    assert (status, out) == (2, "")
    assert f"'{bpm}' is not a whole number of beats a minute; write it as 184" in err


@pytest.mark.parametrize(
    ("words", "tells"),
    [
        ("--hr-rest-bpm 200", "--hr-rest-bpm 200: give 25 to 163, for a maximum of 184"),
        ("--hr-rest-bpm 24", "--hr-rest-bpm 24: give 25 to 163, for a maximum of 184"),
        ("--hr-max-bpm 231", "argument --hr-max-bpm: 231 is not from 120 to 230 bpm"),
        ("--scheme ", "argument --scheme: is empty"),
    ],
)
@pytest.mark.parametrize("command", ["bands", "simulate --headless", "replay ride.csv"])
def test_a_wrong_option_is_blamed_itself_and_not_the_settings(
    command: str, words: str, tells: str, private_home: Path
) -> None:
    settings.remember("rider", {"hr_max_bpm": 184, "hr_rest_bpm": 52})
    (private_home / "ride.csv").write_text("t_s,hr_bpm\n1,120\n2,121\n")
    option, value = words.split(" ")
    maximum = [] if "max" in words else ["--hr-max-bpm", "184"]
    with contextlib.chdir(private_home):
        status, out, err = run(*command.split(), *maximum, option, value)
        assert (status, out) == (2, "")
        assert tells in err
        assert "rider.toml" not in err
        assert run(*command.split(), *maximum, "--hr-rest-bpm", "99")[0] == 0


@pytest.mark.parametrize("option", ["--target", "--plan", "--scheme", "--set"])
@pytest.mark.parametrize("command", ["ride", "simulate --headless", "replay last"])
def test_an_empty_word_is_not_taken_for_the_option_left_out(command: str, option: str) -> None:
    status, out, err = run(*command.split(), option, "")
    assert (status, out) == (2, "")
    assert f"argument {option}: is empty; write something, or leave the option out" in err


@pytest.mark.parametrize(
    ("given", "tells"),
    [({"scheme": "none"}, "scheme 'none': choose one of"), ({"hr_rest_bpm": 115}, "hr_rest_bpm: 115 is not from 25")],
)
@pytest.mark.parametrize("words", ["bands", "sessions show long-easy", "rides import ride.csv --date 2026-05-04"])
def test_a_value_of_the_rider_s_that_cannot_be_used_is_named_with_its_file(
    words: str, given: dict[str, str | int], tells: str, private_home: Path
) -> None:
    settings.remember("rider", {"hr_max_bpm": 130, **given})
    (private_home / "ride.csv").write_text("t_s,hr_bpm\n1,120\n2,121\n")
    with contextlib.chdir(private_home):
        status, out, err = run(*words.split())
    assert (status, out) == (2, "")
    assert f"{settings.config_dir() / 'rider.toml'}: {tells}" in err


def test_trouble_with_the_settings_is_status_two_and_names_the_file() -> None:
    own = settings.config_dir() / "rider.toml"
    own.parent.mkdir(parents=True)
    own.write_text("hr_max_bpm = 999\n")
    status, out, err = run("bands")
    assert (status, out) == (2, "")
    assert str(own) in err
    assert "hr_max_bpm" in err


def test_a_rider_without_a_maximum_is_told_how_to_give_one() -> None:
    status, _, err = run("bands")
    assert status == 2
    assert "rumblestrip maximum set" in err


@pytest.mark.parametrize(
    ("number", "cure"), [(errno.ENOSPC, "; make room there\n"), (errno.EACCES, "; check that it is there, and yours\n")]
)
def test_trouble_that_no_command_foresaw_is_one_line_and_status_one(
    number: int, cure: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise OSError(number, os.strerror(number), "/card")

    monkeypatch.setattr("firmware_app.cli.bands.run", fails)
    status, out, err = run("bands", "--hr-max-bpm", "180")
    assert (status, out) == (1, "")
    assert err.count("\n") == 1
    assert "/card" in err
    assert err.endswith(cure)


@pytest.mark.parametrize(
    "command",
    [
        "ride --strap sim --panel offscreen --stop-after-s 0.2",
        "simulate --panel offscreen --stop-after-s 0.2",
        "simulate --headless --json",
        "replay ride.csv",
    ],
)
def test_a_lane_that_reaches_a_lower_limit_of_the_riders_is_a_caution_at_the_start(
    private_home: Path, command: str
) -> None:
    (private_home / "ride.csv").write_text("t_s,hr_bpm\n1,120\n2,121\n")
    lane = ["--hr-max-bpm", "184", "--target", "130-145bpm"]
    lower = ["--set", "near_max.release_percent=74", "--set", "near_max.limit_percent=76"]
    with contextlib.chdir(private_home):
        status, _, err = run(*command.split(), *lane, *lower)
        assert status == 0, err
        assert err.count("caution: for you near maximum begins at 140 bpm") == 1
        assert "the lane (up to 145 bpm)" in err
        assert "near maximum" not in run(*command.split(), *lane)[2]


@pytest.mark.parametrize("place", ["firmware_app.cli.import_module", "firmware_app.cli.bands.run"])
def test_an_interrupt_is_no_traceback_however_early(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(place, interrupted)
    assert run("bands", "--hr-max-bpm", "180") == (130, "", "")


def test_an_interrupt_before_the_commands_are_there_is_no_traceback() -> None:
    """As when Ctrl-C comes at once: the module of the commands is still being imported."""
    script = """
import runpy, sys
class Interrupted:
    def find_spec(self, name, path=None, target=None):
        if name == "firmware_app.cli":
            raise KeyboardInterrupt
sys.meta_path.insert(0, Interrupted())
sys.argv = ["firmware_app", "bands"]
runpy.run_module("firmware_app", run_name="__main__")
"""
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


ODD = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=8)
CALLS = st.sampled_from(
    [
        "replay ride.csv",
        "replay last",
        "replay",
        "bands",
        "sessions",
        "sessions show long-easy",
        "rides",
        "rides show last",
        "maximum show",
        "maximum history",
        "maximum evidence ride.csv",
        "report last",
    ]
)
THINGS = st.sampled_from([".", "/", "~nobody", "last", "0", "-1", "nan", "", "9" * 25, "9" * 5000, "x" * 300, "\xb2"])
OPTIONS = {
    "--target": st.sampled_from(["3", "3-4", "70-80%", "130-145bpm", "none", "9", "80-70%", "0bpm", "-", "%"]) | ODD,
    "--plan": st.sampled_from(["long-easy", "nope", "x" * 300, "/"]) | ODD,
    "--hr-max-bpm": st.sampled_from(["188", "0", "-5", "9" * 30, "188.5"]),
    "--hr-rest-bpm": st.sampled_from(["50", "200", "-1"]),
    "--scheme": st.sampled_from(["seven", "acsm-reserve", "../seven", ""]) | ODD,
    "--set": st.sampled_from(["near_max.dwell_s=10", "near_max.on=false", "x=1", "audio_pause_s=nan"]) | ODD,
    "--weeks": st.sampled_from(["1", "0", "-3", "9" * 400]),
    "--alarms": st.sampled_from(["/", "nope.toml", "ride.csv"]),
}


@examples(max_examples=200)
@given(
    call=CALLS,
    things=st.lists(THINGS | ODD, max_size=1),
    options=st.lists(st.sampled_from(sorted(OPTIONS)).flatmap(lambda o: st.tuples(st.just(o), OPTIONS[o])), max_size=2),
    as_json=st.booleans(),
)
def test_no_words_bring_a_traceback(
    private_home: Path, call: str, things: list[str], options: list[tuple[str, str]], as_json: bool
) -> None:
    words = [*call.split(), *things, *(word for option in options for word in option), *(["--json"] if as_json else [])]
    (private_home / "ride.csv").write_text("t_s,hr_bpm\n1,120\n2,121\n3,122\n")
    own = settings.config_dir() / "rider.toml"
    own.parent.mkdir(parents=True, exist_ok=True)
    own.write_text("hr_max_bpm = 188\n")
    with contextlib.chdir(private_home), mock.patch("sys.stdin", io.StringIO()):
        status, out, err = run(*words)
    assert status in (0, 1, 2)
    if status == 0 and as_json:
        json.loads(out)
    if status:
        assert err


def test_a_command_imports_no_more_than_it_needs() -> None:
    code = (
        "import sys; from firmware_app.cli import main; main(['bands', '--hr-max-bpm', '180', '--json']);"
        "print(*[m for m in ('pygame', 'bleak', 'gpiozero', 'matplotlib', 'sqlite3', 'sim') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.splitlines()[-1] == ""


def test_a_reader_that_has_seen_enough_is_no_trouble() -> None:
    code = "from firmware_app.cli import main; raise SystemExit(main(['bands', '--hr-max-bpm', '180']))"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    ) as done:
        assert done.stdout is not None
        assert done.stderr is not None
        done.stdout.close()
        assert "Traceback" not in done.stderr.read()


@pytest.mark.parametrize("closed", ["stdin", "stderr"])
def test_a_closed_stream_costs_neither_the_ride_nor_the_document(closed: str) -> None:
    code = (
        f"import sys; sys.{closed} = None; from firmware_app.cli import main;"
        "raise SystemExit(main(['simulate', '--headless', '--json']))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["schema"] == "rumblestrip.ride/1"


def test_a_document_is_json_whatever_the_terminal_can_write(tmp_path: Path) -> None:
    plan = tmp_path / "cote.toml"
    shipped = (settings.defaults_dir() / "sessions" / "long-easy.toml").read_text(encoding="utf-8")
    plan.write_text(shipped.replace('title = "', 'title = "Côte 😀 ', 1), encoding="utf-8")
    code = (
        f"from firmware_app.cli import main; main(['sessions', 'show', {str(plan)!r}, '--json', '--hr-max-bpm', '180'])"
    )
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, cwd=ROOT, env=environment)
    assert json.loads(done.stdout)["title"].startswith("Côte 😀"), done.stderr


# --- installed ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, unpacked as an installer unpacks it, away from the checkout."""
    builder = pytest.importorskip("hatchling.builders.wheel")
    folder = tmp_path_factory.mktemp("wheel")
    [wheel] = builder.WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    site = folder / "site"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(site)
    return site


def away(site: Path, *argv: str) -> subprocess.CompletedProcess[str]:
    code = "import sys; from firmware_app.cli import main; raise SystemExit(main(sys.argv[1:]))"
    environment = {**os.environ, "PYTHONPATH": str(site), "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(
        [sys.executable, "-P", "-c", code, *argv], capture_output=True, text=True, cwd=site.parent, env=environment
    )


def test_the_wheel_carries_every_default(installed: Path) -> None:
    inside = installed / "firmware_app" / "defaults"
    shipped = {path.relative_to(ROOT / "config") for path in (ROOT / "config").rglob("*") if path.is_file()}
    assert {path.relative_to(inside) for path in inside.rglob("*") if path.is_file()} == shipped
    scenarios = {path.name for path in (ROOT / "sim" / "scenarios").glob("*.toml")}
    assert {path.name for path in (installed / "sim" / "scenarios").glob("*.toml")} == scenarios


def test_an_installed_unit_finds_its_defaults_away_from_the_checkout(installed: Path) -> None:
    where = "from firmware_app.settings import defaults_dir; print(defaults_dir())"
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    found = subprocess.run(
        [sys.executable, "-P", "-c", where], capture_output=True, text=True, cwd=installed.parent, env=environment
    )
    if not found.stdout.startswith(str(installed)):
        pytest.skip("this Python finds the checkout first")
    for argv in (["bands", "--hr-max-bpm", "188"], ["sessions"], ["simulate", "--headless", "--json"]):
        done = away(installed, *argv)
        assert done.returncode == 0, done.stderr
        assert done.stdout
    assert json.loads(done.stdout)["schema"] == "rumblestrip.ride/1"
