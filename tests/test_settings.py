"""Settings: the defaults can be used, the rider's own are laid over them, and an error names file, key and cure."""

from __future__ import annotations

import dataclasses
import os
import re
import stat
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware_app import settings
from firmware_app.core.alarms import rows_of
from firmware_app.settings import SettingsError


@pytest.fixture
def own(private_home: Path) -> Path:
    folder = settings.config_dir()
    folder.mkdir(parents=True)
    return folder


def test_the_defaults_can_be_used() -> None:
    assert settings.load("rider", settings.Rider).scheme in settings.scheme_names()
    assert settings.load_unit().panel.kind == "auto"
    assert settings.load_alarms().near_max.limit_percent == 94
    assert all(settings.load_scheme(name).bands for name in settings.scheme_names())


def test_the_riders_own_file_is_laid_over_the_defaults_key_by_key(own: Path) -> None:
    (own / "unit.toml").write_text("[keys]\nlong_s = 2.0\n")
    mixed = settings.load_unit()
    assert mixed.keys.long_s == 2.0
    assert mixed.keys.repeat_s == 0.25
    (own / "alarms.toml").write_text("[above_target]\nremind_s = [90]\n")
    assert settings.load_alarms().above_target.remind_s == (90.0,)
    assert settings.load_alarms().above_target.apart_s == 20


def test_every_key_of_every_condition_can_be_set(own: Path) -> None:
    for kind, row in rows_of(settings.load_alarms()):
        for key, value in dataclasses.asdict(row).items():
            (own / "alarms.toml").write_text(tomlkit.dumps({kind: {key: value}}))
            assert getattr(getattr(settings.load_alarms(), kind), key) == value


def test_changes_for_this_once_come_last(own: Path, tmp_path: Path) -> None:
    (own / "alarms.toml").write_text("[near_max]\ndwell_s = 10\n")
    file = tmp_path / "loud.toml"
    file.write_text("[near_max]\ndwell_s = 12\nrelease_percent = 90\n")
    table = settings.load_alarms(file, ["near_max.dwell_s=14", "audio_pause_s=60"])
    assert (table.near_max.dwell_s, table.near_max.release_percent, table.audio_pause_s) == (14, 90, 60)


@pytest.mark.parametrize(
    ("name", "text", "wants"),
    [
        ("rider", "hr_max_bpm = 500", ["rider.toml", "hr_max_bpm", "change or remove"]),
        ("rider", 'birth_year = "1980"', ["rider.toml", "birth_year", "expected a whole number, got text in quotes"]),
        ("rider", "birth_year = 80", ["rider.toml", "birth_year", "a whole number >= 1900"]),
        ("rider", "hr_max = 180", ["rider.toml: hr_max:", "no such key", "config/rider.toml"]),
        ("rider", 'sex = "m"', ["rider.toml", "sex", '"m" is none of "female", "male"']),
        ("unit", '[strap]\nadress = "A"', ["unit.toml: strap.adress:", "no such key", "config/unit.toml"]),
        ("unit", '[panel]\nkind = "windw"', ["panel.kind", '"windw" is none of "auto", "window", "framebuffer"']),
        ("unit", "[panel]\nrotation_deg = 45", ["panel.rotation_deg", "none of 0, 90, 180, 270"]),
        ("rider", "sex = \n", ["rider.toml", "line 1", "mend"]),
        ("rider", 'sex = "Male"', ['sex: "Male" is none of "female", "male"; write sex = "male"']),
        ("rider", 'sex = "x"', ["change or remove"]),
        ("rider", "target = 3", ['target: expected text in quotes, got a whole number; write target = "3"']),
        ("rider", "hr_max_bpm = 184 bpm", ["line 1", "a number has no unit and no comma (12.5), a word"]),
        ("rider", "target = four", ["line 1", "a word stands in quotes"]),
        ("unit", "[keys]\nlong_s = 1,5", ["line 2", "no comma (12.5)"]),
        ("rider", "hr_max_bpm = 184.5", ["hr_max_bpm: expected a whole number, got a number with a point; change"]),
        ("rider", 'hr_max_bpm = "184"', ["got text in quotes; write hr_max_bpm = 184"]),
        ("rider", 'hr_max_bpm = "184 bpm"', ["got text in quotes; change or remove that key"]),
        ("unit", '[keys]\nminus_pin = "12"', ['"12" is none of "", a whole number; write minus_pin = 12']),
        ("alarms", '[near_max]\nlimit_bpm = "140.5"', ["got text in quotes; write limit_bpm = 140.5"]),
        ("rider", "hr_max_bpm = 184\nhr_max_bpm = 185\n", ["a key stands there twice (at line 2", "keep one of them"]),
        ("unit", "[keys]\nlong_s = 1\n[keys]\nlong_s = 2\n", ["a key stands there twice (at line 3"]),
        ("unit", '[strap]\naddress = "foo"', ["unit.toml: strap.address: 'foo' is not an address, which reads"]),
        ("unit", "[strap]\nname = 5", ['strap.name: expected text in quotes, got a whole number; write name = "5"']),
        ("alarms", "[no_signal]\nremind_s = 90", ["no_signal.remind_s", "write remind_s = [90]"]),
        ("unit", "[keys]\nlong_s = 99", ["unit.toml", "keys.long_s"]),
        ("unit", "[keys]\nminus_pin = 6\nselect_pin = 6", ["unit.toml", "6"]),
        ("unit", "keys = 3", ["unit.toml", "keys"]),
        ("alarms", "[near_max]\nlimt_percent = 90", ["alarms.toml", "near_max.limt_percent", "no such key"]),
        (
            "alarms",
            "limit_bpm = 140",
            ["alarms.toml: limit_bpm: there is no such key; it belongs under [near_max]; see"],
        ),
        ("alarms", "[no_signal]\nlimit_bpm = 140", ["no_signal.limit_bpm", "it belongs under [near_max]; see"]),
        ("alarms", "release_bpm = 3", ["it belongs under [above_target] or [below_target]; see"]),
        ("alarms", "dwell_s = 3", ["it belongs under a table, such as [near_max]; see"]),
        ("unit", "pin = 12", ["unit.toml: pin: there is no such key; it belongs under [sounder]; see"]),
        ("unit", 'kind = "silent"', ["it belongs under [panel] or [sounder]; see"]),
        ("alarms", "[near_maxx]\non = true", ["alarms.toml", "near_maxx", "no such key"]),
        ("alarms", "near_max = 3", ["alarms.toml", "near_max"]),
        ("alarms", '[near_max]\nlimit_percent = "high"', ["alarms.toml", "near_max.limit_percent"]),
        ("alarms", "[near_max]\non = false", ["alarms.toml", "near_max", "leave it on"]),
        ("alarms", "audio_pause_s = 600", ["alarms.toml", "audio_pause_s", "set 120"]),
    ],
)
def test_an_error_names_file_key_and_cure(own: Path, name: str, text: str, wants: list[str]) -> None:
    (own / f"{name}.toml").write_text(text)
    with pytest.raises(SettingsError) as error:
        load(name)
    for want in wants:
        assert want in str(error.value)


def load(name: str) -> object:
    if name == "alarms":
        return settings.load_alarms()
    return settings.load_unit() if name == "unit" else settings.load("rider", settings.Rider)


@pytest.mark.parametrize("change", ["near_max.dwell_s", "=3", "near_max.dwell_s=", "near_max.dwell_s=ten", "[x"])
def test_a_change_that_is_none_says_how_to_write_one(change: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(f"--set {change}")):
        settings.load_alarms(changes=[change])


def test_a_file_that_is_not_text_or_not_there_is_told(own: Path) -> None:
    (own / "rider.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="UTF-8"):
        load("rider")
    with pytest.raises(SettingsError, match=r"nowhere\.toml.*cannot be read"):
        settings.load_alarms(own / "nowhere.toml")
    (own / "rider.toml").unlink()
    (own / "rider.toml").mkdir()
    with pytest.raises(SettingsError, match="cannot be read"):
        load("rider")


KEYS = st.sampled_from(
    ["near_max", "dwell_s", "sound", "priority", "on", "remind_s", "keys", "panel", "hr_max_bpm", "strap", "kind", "x"]
)


def trouble(name: str) -> str:
    """What the error says; the file's own name when it can be used. Anything but a SettingsError comes through."""
    try:
        load(name)
    except SettingsError as error:
        return str(error)
    return f"{name}.toml"


TOML = st.recursive(
    st.none()
    | st.integers(-1000, 1000)
    | st.floats(allow_nan=True)
    | st.booleans()
    | st.text(st.characters(codec="utf-8", exclude_categories=("C",)), max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=8,
)


def without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: without_none(one) for key, one in value.items() if one is not None}
    return [without_none(one) for one in value if one is not None] if isinstance(value, list) else value


@examples(max_examples=120)
@given(data=st.dictionaries(KEYS, TOML, max_size=4), name=st.sampled_from(["rider", "unit", "alarms"]))
def test_no_file_of_the_riders_is_more_than_an_error(private_home: Path, data: dict[str, Any], name: str) -> None:
    folder = settings.config_dir()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.toml").write_text(tomlkit.dumps(without_none(data)), encoding="utf-8")
    assert f"{name}.toml" in trouble(name)


@examples(max_examples=80)
@given(text=st.text(st.characters(codec="utf-8"), max_size=60), name=st.sampled_from(["rider", "unit", "alarms"]))
def test_no_text_is_more_than_an_error(private_home: Path, text: str, name: str) -> None:
    folder = settings.config_dir()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8", newline="")
    assert f"{name}.toml" in trouble(name)


# --- remembering ----------------------------------------------------------------------------------------------------


def test_remembering_keeps_the_rest_of_the_file_and_its_comments(own: Path) -> None:
    before = '# mine\n[strap]\nname = "old"  # the red one\n\n[keys]\nlong_s = 2.0\n'
    (own / "unit.toml").write_text(before)
    path = settings.remember("unit", {"strap.name": "new"})
    assert path.read_text() == before.replace('"old"', '"new"')
    settings.remember("unit", {"panel.theme": "night"})
    assert settings.load_unit().panel.theme == "night"
    assert settings.load_unit().keys.long_s == 2.0
    assert "# the red one" in path.read_text()


def test_remembering_follows_a_link(own: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept" / "unit.toml"
    kept.parent.mkdir()
    kept.write_text("# mine\n")
    (own / "unit.toml").symlink_to(kept)
    settings.remember("unit", {"panel.theme": "night"})
    assert (own / "unit.toml").is_symlink()
    assert kept.read_text().startswith("# mine\n")
    assert settings.load("unit", settings.Unit).panel.theme == "night"


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ("rider.toml", lambda: settings.load("rider", settings.Rider)),
        ("unit.toml", settings.load_unit),
        ("alarms.toml", settings.load_alarms),  # with a limit that a doctor gave
        ("bands/seven.toml", lambda: settings.load_scheme("seven")),
    ],
)
def test_a_link_that_leads_nowhere_is_told_and_not_taken_for_a_file_left_out(
    name: str, read: Callable[[], object], own: Path
) -> None:
    (own / name).parent.mkdir(exist_ok=True)
    (own / name).symlink_to("nowhere.toml")
    with pytest.raises(SettingsError, match=f"{name}: cannot be read .*check that it exists"):
        read()


def test_remembering_makes_a_private_file() -> None:
    path = settings.remember("unit", {"strap.address": "C0:FF:EE:00:00:01"})
    assert settings.load_unit().strap.address == "C0:FF:EE:00:00:01"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [file.name for file in path.parent.iterdir()] == ["unit.toml"]


def test_a_broken_file_is_not_overwritten_but_told(own: Path) -> None:
    (own / "unit.toml").write_text("[strap\n")
    with pytest.raises(SettingsError, match=r"unit\.toml"):
        settings.remember("unit", {"strap.name": "new"})
    assert (own / "unit.toml").read_text() == "[strap\n"


def test_a_key_where_a_value_stands_is_told(own: Path) -> None:
    (own / "unit.toml").write_text("strap = 3\n")
    with pytest.raises(SettingsError, match=r"unit\.toml"):
        settings.remember("unit", {"strap.name": "new"})


def test_of_two_keys_both_are_remembered_or_none(own: Path) -> None:
    (own / "unit.toml").write_text("panel = 3\n")
    with pytest.raises(SettingsError, match=r"unit\.toml: panel"):
        settings.remember("unit", {"strap.name": "new", "panel.theme": "night"})
    assert (own / "unit.toml").read_text() == "panel = 3\n"


def test_a_write_that_fails_leaves_the_old_file(own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = settings.remember("unit", {"strap.name": "old"})

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        settings.remember("unit", {"strap.name": "new"})
    assert tomllib.loads(path.read_text()) == {"strap": {"name": "old"}}
    assert [file.name for file in path.parent.iterdir()] == ["unit.toml"]


def test_laying_over_leaves_both_as_they_were() -> None:
    under, over = {"a": {"b": 1, "c": 2}, "d": 3}, {"a": {"b": 9}, "e": 4}
    assert settings.overlaid(under, over) == {"a": {"b": 9, "c": 2}, "d": 3, "e": 4}
    assert under == {"a": {"b": 1, "c": 2}, "d": 3}
    assert over == {"a": {"b": 9}, "e": 4}


def test_what_a_killed_program_left_half_written_keeps_nothing_from_being_remembered(own: Path) -> None:
    (own / "rider.toml.part").write_text("hr_max")
    settings.remember("rider", {"hr_max_bpm": 184})
    assert [path.name for path in own.iterdir()] == ["rider.toml"]
