"""``rumblestrip check``, through the command line: on mock pins, an emulated radio and an off-screen panel."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from firmware_app import settings
from firmware_app.cli import main
from firmware_app.cli.check import Answer, asked, page


@pytest.fixture
def pins(monkeypatch: pytest.MonkeyPatch) -> MockFactory:
    factory = MockFactory(pin_class=MockPWMPin)
    monkeypatch.setattr(Device, "pin_factory", factory)
    return factory


@pytest.fixture
def bench(pins: MockFactory, private_home: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A unit with everything but a radio."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={private_home / 'no-bus'}")
    settings.remember("rider", {"hr_max_bpm": 184})
    settings.remember("unit", {"panel.kind": "offscreen"})
    return private_home


def checked(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, dict[str, str]], dict[str, Any]]:
    """The exit status, each part's answer, and the whole document."""
    status = main(["check", "--json", *words])
    document = json.loads(capsys.readouterr().out)
    return status, {answer["part"]: answer for answer in document["parts"]}, document


def states(parts: dict[str, dict[str, str]]) -> dict[str, str]:
    return {part: answer["state"] for part, answer in parts.items()}


def test_a_lane_that_reaches_a_lower_limit_of_the_riders_is_said_and_is_no_fault(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "lane" not in checked(capsys)[1]
    settings.remember("rider", {"target": "4"})
    settings.remember("alarms", {"near_max.limit_percent": 76})
    settings.remember("alarms", {"near_max.release_percent": 74})
    _, parts, _ = checked(capsys)
    assert parts["lane"]["state"] == "ok"
    assert "begins at 140 bpm" in parts["lane"]["text"]
    assert parts["lane"]["cure"] == "choose a lower lane"


def test_every_part_answers_and_only_what_is_missing_is_missing(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, parts, document = checked(capsys)
    assert status == 1
    assert document["schema"] == "rumblestrip.check/1"
    assert document["ready"] is False
    assert states(parts) == {
        "settings": "ok", "storage": "ok", "clock": "ok", "adapter": "missing", "strap": "missing", "sounder": "ok",
        "keys": "ok", "panel": "ok",
    }  # fmt: skip
    assert "dbus" in parts["adapter"]["cure"]
    assert "rumblestrip pair" in parts["strap"]["cure"]
    assert document["files"]["rides"] == str(settings.data_dir())
    assert document["files"]["own"] == str(settings.config_dir())


def test_a_first_time_owner_reads_what_to_do_for_a_maximum(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 1
    assert "do: `rumblestrip maximum set N`, or birth_year" in capsys.readouterr().out


def test_a_person_reads_what_to_do_and_where_the_files_are(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 1
    said, errors = capsys.readouterr()
    assert "missing  strap" in said
    assert "do: put it on and run: rumblestrip pair" in said
    assert str(settings.config_dir()) in said
    assert said.rstrip().endswith("not ready: 2 of 8 need you")
    assert errors == ""


@pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is not installed")
def test_a_unit_with_its_strap_in_range_is_ready(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from sim.radio import STRAPS, Radio

    settings.remember("unit", {"strap.address": STRAPS[0]})
    settings.remember("unit", {"strap.adapter": "hci0"})
    with Radio() as radio, radio.strap("hci1", "--name", "Strap one") as strap:
        strap.wait_for("ready")
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", radio.address)
        status, parts, document = checked(capsys, "--radio-seconds", "1")
        assert states(parts) == dict.fromkeys(parts, "ok")
        assert (status, document["ready"]) == (0, True)
        assert STRAPS[0] in parts["strap"]["text"]

        status, parts, document = checked(capsys)
        assert (status, document["ready"], parts["strap"]["state"]) == (0, True, "unchecked")
        assert main(["check"]) == 0
        assert capsys.readouterr().out.endswith("ready to ride, except for what was not checked: strap\n")

        settings.remember("unit", {"strap.address": "C0:00:00:00:00:99"})
        status, parts, _ = checked(capsys, "--radio-seconds", "0.5")
        assert (status, parts["adapter"]["state"], parts["strap"]["state"]) == (1, "ok", "missing")


def test_the_sounder_plays_and_is_let_go(bench: Path, pins: MockFactory, capsys: pytest.CaptureFixture[str]) -> None:
    _, parts, _ = checked(capsys, "--sound")
    assert parts["sounder"]["state"] == "ok"
    assert "position 12" in parts["sounder"]["text"]
    pin = pins.pin(18)
    assert [state.state for state in pin.states].count(0.5) == 3
    assert (pin.state, pin.function) == (0, "input")


@pytest.mark.parametrize(
    ("number", "cure"), [(errno.ENOSPC, "free some space there"), (errno.EROFS, "make that folder writable")]
)
def test_a_card_that_takes_nothing_is_named_by_its_folder(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, number: int, cure: str
) -> None:
    def refused(*_: object, dir: Path) -> None:
        raise OSError(number, os.strerror(number), f"{dir}/tmpx7_1k")

    monkeypatch.setattr("tempfile.TemporaryFile", refused)
    _, parts, _ = checked(capsys)
    assert parts["storage"]["text"] == f"{settings.data_dir()}: {os.strerror(number)}"
    assert cure in parts["storage"]["cure"]


def test_without_asking_nothing_sounds(bench: Path, pins: MockFactory, capsys: pytest.CaptureFixture[str]) -> None:
    checked(capsys)
    assert {state.state for state in pins.pin(18).states} == {0}


def test_a_picture_is_drawn(bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    from firmware_app.cli import check
    from firmware_app.devices.panel import OffscreenPanel

    shown = []
    monkeypatch.setattr(check, "PICTURE_S", 0.0)
    monkeypatch.setattr(OffscreenPanel, "present", lambda self, surface, rows=None: shown.append(surface.get_size()))
    _, parts, _ = checked(capsys, "--picture")
    assert parts["panel"]["state"] == "ok"
    assert shown == [(480, 320)]


def test_a_wet_key_is_named(bench: Path, pins: MockFactory, capsys: pytest.CaptureFixture[str]) -> None:
    class Wet(MockPWMPin):
        def _set_pull(self, value: str) -> None:
            super()._set_pull(value)
            self.drive_low()

    pins.pin(13, pin_class=Wet)
    _, parts, _ = checked(capsys)
    assert parts["plus key"]["state"] == "wrong"
    assert "wet" in parts["plus key"]["text"]


def test_no_pins_names_a_cure(bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    _, parts, _ = checked(capsys)
    for part in ("sounder", "keys"):
        assert parts[part]["state"] == "missing"
        assert parts[part]["cure"]


def test_what_is_set_to_be_absent_is_not_missing(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("unit", {"sounder.kind": "silent"})
    for key in ("minus", "select", "plus"):
        settings.remember("unit", {f"keys.{key}_pin": ""})
    _, parts, _ = checked(capsys)
    assert (parts["sounder"]["state"], parts["keys"]["state"]) == ("ok", "ok")


@pytest.mark.parametrize(
    ("file", "key", "value"),
    [
        ("unit", "sounder.pin", 13),
        ("unit", "sounder.pin", 99),
        ("unit", "panel.colour", "blue"),
        ("unit", "strap.address", "foo"),
        ("rider", "hr_max_bpm", 12),
        ("rider", "scheme", "none-such"),
        ("rider", "target", "9"),
    ],
)
def test_settings_that_cannot_be_used_are_named_and_the_rest_is_still_asked(
    bench: Path, capsys: pytest.CaptureFixture[str], file: str, key: str, value: str | int
) -> None:
    settings.remember(file, {key: value})
    status, parts, _ = checked(capsys)
    assert status == 1
    assert parts["settings"]["state"] == "wrong"
    assert parts["settings"]["cure"]
    assert key.rpartition(".")[2] in parts["settings"]["text"] or str(value) in parts["settings"]["text"]
    assert {"storage", "clock", "adapter", "sounder", "keys", "panel"} <= set(parts)


def test_a_file_in_the_settings_that_nothing_reads_is_named(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "not read" not in checked(capsys)[1]["settings"]["text"]
    folder = settings.config_dir()
    # A doctor's limit under a slip of the pen guards nobody.
    (folder / "alarm.toml").write_text("[near_max]\nlimit_bpm = 140\n")
    (folder / "band").mkdir()
    (folder / "bands").mkdir()
    _, parts, _ = checked(capsys)
    assert parts["settings"]["state"] == "ok"
    assert parts["settings"]["text"].endswith("; not read: alarm.toml, band")
    assert "alarms.toml" in parts["settings"]["cure"]


def test_a_plan_of_the_riders_that_cannot_be_ridden_is_named(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "plan" not in checked(capsys)[1]
    own = settings.config_dir() / "sessions" / "mine.toml"
    own.parent.mkdir()
    step = '[[steps]]\nname = "Go"\ntarget = "9"\ntime = "5:00"\n'
    own.write_text(f'title = "Mine"\npurpose = "to try"\nfor_whom = "me"\n{step}')
    status, parts, _ = checked(capsys)
    assert status == 1
    assert (parts["settings"]["state"], parts["plan"]["state"]) == ("ok", "wrong")
    assert str(own) in parts["plan"]["text"]
    assert "bands run from 1 to 7" in parts["plan"]["cure"]


def test_a_band_file_with_a_slip_is_the_only_file_named(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"scheme": "mine"})
    status, parts, _ = checked(capsys)
    assert status == 1
    assert "rider.toml: scheme 'mine': choose one of" in parts["settings"]["text"] + ": " + parts["settings"]["cure"]
    own = settings.config_dir() / "bands" / "mine.toml"
    own.parent.mkdir()
    own.write_text((settings.defaults_dir() / "bands" / "seven.toml").read_text().replace("high = ", "hihg = ", 1))
    status, parts, _ = checked(capsys)
    assert status == 1
    assert parts["settings"]["text"].startswith(f"{own}: line ")


def test_a_card_that_is_nearly_full_is_told(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import shutil
    from types import SimpleNamespace

    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=99_999_999))
    status, parts, _ = checked(capsys)
    assert status == 1
    assert (parts["storage"]["state"], parts["storage"]["text"]) == ("wrong", "only 99 MB free")
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=100_000_000))
    assert checked(capsys)[1]["storage"]["state"] == "ok"


def test_rides_that_others_can_read_are_told(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = settings.data_dir() / "rides.sqlite3"
    file.write_bytes(b"")
    file.chmod(0o644)
    _, parts, _ = checked(capsys)
    assert parts["storage"]["state"] == "wrong"
    assert str(file) in parts["storage"]["text"]
    assert "chmod" in parts["storage"]["cure"]


def test_a_data_folder_that_cannot_be_made_is_told(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (bench / "file").write_text("")
    monkeypatch.setenv("XDG_DATA_HOME", str(bench / "file"))
    status, parts, document = checked(capsys)
    assert status == 1
    assert parts["storage"]["state"] == "wrong"
    assert str(bench / "file") in document["files"]["rides"]


def test_a_clock_from_before_this_program_is_wrong(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from firmware_app.devices.clock import SystemClock

    monkeypatch.setattr(SystemClock, "unix_s", lambda self: 0.0)
    _, parts, _ = checked(capsys)
    assert parts["clock"]["state"] == "wrong"


def test_a_part_that_hangs_or_breaks_does_not_hold_up_the_others() -> None:
    never = threading.Event()

    def hang() -> list[Answer]:
        never.wait(60)
        return []

    def fail() -> list[Answer]:
        raise RuntimeError("smoke")

    (hangs,) = asked("panel", 0.05, hang)
    never.set()
    (breaks,) = asked("keys", 5.0, fail)
    assert (hangs.part, hangs.state) == ("panel", "wrong")
    assert (breaks.part, breaks.state) == ("keys", "wrong")
    assert "smoke" in breaks.text


@pytest.mark.parametrize(
    ("words", "what", "cure"),
    [
        ([], "not looked for", "--radio-seconds 10"),
        (["--radio-seconds", "1"], "could not be looked for", "see to the adapter, above"),
    ],
)
def test_a_strap_that_nobody_looked_for_is_not_called_ok(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], what: str, cure: str
) -> None:
    settings.remember("unit", {"strap.address": "C0:00:00:00:00:99"})
    _, parts, document = checked(capsys, *words)
    assert (parts["adapter"]["state"], parts["strap"]["state"]) == ("missing", "unchecked")
    assert what in parts["strap"]["text"]
    assert cure in parts["strap"]["cure"]
    assert document["ready"] is False  # for the adapter


def test_a_unit_that_is_ready_says_so() -> None:
    assert page([Answer("clock", "ok", "fine", "finer")]).endswith("ready to ride")
    assert "better: finer" in page([Answer("clock", "ok", "fine", "finer")])


@pytest.mark.parametrize("words", [["--radio-seconds", "soon"], ["--radio-seconds", "-1"], ["--radio-seconds", "nan"]])
def test_a_request_that_makes_no_sense_is_refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", *words]) == 2
    assert "from 0 to 120" in capsys.readouterr().err


def test_json_is_all_that_stands_on_stdout(bench: Path) -> None:
    env = os.environ | {"GPIOZERO_PIN_FACTORY": "mock", "GPIOZERO_MOCK_PIN_CLASS": "mockpwmpin"}
    said = subprocess.run(
        [sys.executable, "-m", "firmware_app", "check", "--json"], env=env, capture_output=True, text=True, timeout=60
    )
    assert said.returncode == 1
    assert len(json.loads(said.stdout)["parts"]) == 8
    assert said.stderr == ""
