"""``rumblestrip pair``: list, choose, remember, forget; on a real D-Bus in tests/radio/test_pair.py."""

from __future__ import annotations

import json

import pytest

from firmware_app import settings
from firmware_app.cli import main
from firmware_app.devices.strap import Found, StrapError

FOUND = [Found("C0:00:00:00:00:02", "Near", -48), Found("C0:00:00:00:00:01", "", -77)]


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> list[Found]:
    found = list(FOUND)

    async def in_range(seconds: float, adapter: str = "") -> list[Found]:
        return found

    monkeypatch.setattr("firmware_app.devices.strap.in_range", in_range)
    return found


def remembered() -> tuple[str, str]:
    strap = settings.load("unit", settings.Unit).strap
    return strap.address, strap.name


def answers(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    given = iter(lines)

    def answer(prompt: str) -> str:
        try:
            return next(given)
        except StopIteration:
            raise EOFError from None

    monkeypatch.setattr("builtins.input", answer)


def test_the_nearest_is_listed_first_and_the_answer_is_remembered(
    found: list[Found], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers(monkeypatch, "first", "3", "1")
    assert main(["pair"]) == 0
    shown = capsys.readouterr()
    assert shown.out.index("C0:00:00:00:00:02") < shown.out.index("C0:00:00:00:00:01")
    assert shown.err.count("not a number of the list") == 2
    assert "for 8 s ..." in shown.err
    assert remembered() == ("C0:00:00:00:00:02", "Near")


@pytest.mark.parametrize("lines", [(), ("",)])
def test_no_answer_changes_nothing(
    found: list[Found], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], lines: tuple[str, ...]
) -> None:
    answers(monkeypatch, *lines)
    assert main(["pair"]) == 1
    assert "--address" in capsys.readouterr().err
    assert remembered() == ("", "")


def test_no_number_is_taken_of_a_list_that_nobody_has_seen(found: list[Found]) -> None:
    assert main(["pair", "--choose", "1"]) == 2
    assert remembered() == ("", "")


def test_json_alone_lists_and_remembers_nothing(found: list[Found], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["pair", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "schema": "rumblestrip.pair/1",
        "straps": [
            {"number": 1, "address": "C0:00:00:00:00:02", "name": "Near", "rssi_dbm": -48},
            {"number": 2, "address": "C0:00:00:00:00:01", "name": "", "rssi_dbm": -77},
        ],
        "remembered": None,
    }
    assert remembered() == ("", "")


def test_an_address_is_remembered_without_looking(capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("unit", {"strap.name": "Somebody's"})
    assert main(["pair", "--address", "c0:00:00:00:00:0a", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["remembered"] == {"address": "C0:00:00:00:00:0A", "name": ""}
    assert remembered() == ("C0:00:00:00:00:0A", "")


def test_a_wrong_address_in_the_settings_is_mended_by_choosing_a_strap(
    found: list[Found], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers(monkeypatch, "1")
    settings.remember("unit", {"strap.address": "foo"})
    with pytest.raises(settings.SettingsError, match=r"strap\.address"):
        settings.load_unit()
    assert main(["pair"]) == 0
    assert settings.load_unit().strap.address == "C0:00:00:00:00:02"


def test_the_rest_of_the_file_stays() -> None:
    settings.remember("unit", {"strap.adapter": "hci1"})
    settings.remember("unit", {"sounder.kind": "motor"})
    assert main(["pair", "--address", "C0:00:00:00:00:02"]) == 0
    unit = settings.load("unit", settings.Unit)
    assert (unit.strap.adapter, unit.sounder.kind) == ("hci1", "motor")


def test_forget() -> None:
    main(["pair", "--address", "C0:00:00:00:00:02"])
    assert main(["pair", "--forget"]) == 0
    assert remembered() == ("", "")


@pytest.mark.parametrize(
    "words",
    [
        ["--address", "C0:00:00:00:00"],
        ["--address", "near"],
        ["--seconds", "0"],
        ["--seconds", "nan"],
        ["--address", "C0:00:00:00:00:02", "--forget"],
    ],
)
def test_a_wrong_request_changes_nothing(found: list[Found], words: list[str]) -> None:
    assert main(["pair", *words]) == 2
    assert remembered() == ("", "")


def test_nothing_in_range_says_what_to_do(found: list[Found], capsys: pytest.CaptureFixture[str]) -> None:
    found.clear()
    assert main(["pair"]) == 1
    assert "wet its pads" in capsys.readouterr().err


def test_no_bluetooth_says_what_to_do(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    async def in_range(seconds: float, adapter: str = "") -> list[Found]:
        raise StrapError("Bluetooth is switched off: switch it on (bluetoothctl power on)")

    monkeypatch.setattr("firmware_app.devices.strap.in_range", in_range)
    assert main(["pair", "--json"]) == 1
    shown = capsys.readouterr()
    assert "switch it on" in shown.err
    assert shown.out == ""
