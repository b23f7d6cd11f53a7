"""``ride``: the live unit, for a second, on a computer without pins, panel or strap."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_app import settings
from firmware_app.cli import main
from firmware_app.store.log import log_path, open_log

SHORT = ["ride", "--strap", "sim", "--panel", "offscreen", "--stop-after-s"]


def test_a_second_of_riding_is_stored_and_pictured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "ride.png"
    assert main([*SHORT, "1", "--picture", str(picture)]) == 0
    out, err = capsys.readouterr()
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert out == ""
    assert str(picture) in err
    with open_log(log_path()) as log:
        [ride] = log.rides()
    assert ride.facts.source == "sim"
    assert ride.ended is not None


def test_what_the_computer_lacks_is_said_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*SHORT, "0.3"]) == 0
    said = capsys.readouterr().err.splitlines()
    assert len(said) == len(set(said))


def test_a_strap_that_was_never_chosen_is_told_and_the_unit_runs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ride", "--panel", "offscreen", "--hr-max", "188", "--stop-after-s", "0.3"]) == 0
    assert "pair" in capsys.readouterr().err


def test_a_picture_that_cannot_be_saved_costs_no_ride(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*SHORT, "0.3", "--picture", str(tmp_path / "none" / "x.png")]) == 1
    assert "x.png" in capsys.readouterr().err
    with open_log(log_path()) as log:
        assert len(log.rides()) == 1


def test_a_log_that_cannot_be_opened_costs_no_ride(capsys: pytest.CaptureFixture[str]) -> None:
    log_path().parent.mkdir(parents=True, exist_ok=True)
    log_path().write_bytes(b"this is no database" * 100)
    assert main([*SHORT, "0.5"]) == 0
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("argv", "wants"),
    [
        ([*SHORT, "nan"], "--stop-after-s"),
        ([*SHORT, "-1"], "--stop-after-s"),
        ([*SHORT, "1", "--target", "9"], "9"),
        ([*SHORT, "1", "--target", "150-140bpm"], "150-140"),
        ([*SHORT, "1", "--plan", "nowhere"], "long-easy"),
        ([*SHORT, "1", "--set", "near_max.on=false"], "near_max"),
        (["ride", "--target", "3"], "maximum set"),
        (["ride", "--hr-max", "400"], "400"),
    ],
)
def test_a_wrong_request_is_told_before_anything_begins(
    capsys: pytest.CaptureFixture[str], argv: list[str], wants: str
) -> None:
    assert main(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert wants in err
    assert not log_path().exists()


def test_a_target_and_a_plan_do_not_go_together(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*SHORT, "1", "--target", "3", "--plan", "long-easy"]) == 2
    assert "not allowed with" in capsys.readouterr().err


def test_settings_that_cannot_be_used_are_told_before_the_ride(capsys: pytest.CaptureFixture[str]) -> None:
    own = settings.config_dir() / "unit.toml"
    own.parent.mkdir(parents=True)
    own.write_text("[panel]\nwidth_px = 10\n")
    assert main([*SHORT, "1"]) == 2
    assert "panel.width_px" in capsys.readouterr().err
