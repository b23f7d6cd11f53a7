"""``rumblestrip sessions``, through the front door."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from firmware_app import settings
from firmware_app.cli import main

PLAN = """\
title = "Mine"
purpose = "to try"
for_whom = "me"
[[steps]]
name = "Warm up"
target = "65-75%"
time = "10:00"
[[steps]]
name = "Burst"
target = "90-93%"
time = "1:00"
note = "Quick."
[[steps]]
name = "Rest"
press = true
until = "below 60%"
time = "5:00"
"""


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(PLAN)
    return path


def test_list_names_every_plan_its_length_and_its_purpose(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sessions"]) == 0
    out = capsys.readouterr().out
    assert "hard-eights" in out
    assert "1:19:00" in out
    for command in (["sessions", "--json"], ["sessions", "list", "--json"]):
        assert main(command) == 0
        document = json.loads(capsys.readouterr().out)
        assert document["schema"] == "rumblestrip.sessions/1"
        rows = document["sessions"]
        assert len(rows) == 8
        assert all(row["purpose"] and row["for_whom"] and row["longest_s"] > 0 for row in rows)


def test_a_broken_plan_of_the_riders_does_not_hide_the_others(capsys: pytest.CaptureFixture[str]) -> None:
    folder = settings.config_dir() / "sessions"
    folder.mkdir(parents=True)
    (folder / "broken.toml").write_text("title = 3")
    assert main(["sessions", "list", "--json"]) == 0
    captured = capsys.readouterr()
    rows = {row["name"]: row for row in json.loads(captured.out)["sessions"]}
    assert len(rows) == 9
    assert "title" in rows["broken"]["problem"]
    assert "broken.toml" in captured.err


def test_a_plan_that_does_not_suit_the_riders_bands_is_left_out_and_named(
    mine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = settings.config_dir() / "sessions" / "mine.toml"
    own.parent.mkdir(parents=True)
    own.write_text(PLAN.replace("90-93%", "9"))
    # Without a maximum there are no bands to compare with.
    assert main(["sessions"]) == 0
    assert "mine" in capsys.readouterr().out
    settings.remember("rider", {"hr_max_bpm": 184})
    assert main(["sessions"]) == 0
    shown = capsys.readouterr()
    assert "mine" not in shown.out
    assert "hard-eights" in shown.out
    assert f"{own}: plan mine, step 'Burst': target '9': bands run from 1 to 7" in shown.err
    assert main(["sessions", "--json"]) == 0
    rows = {row["name"]: row for row in json.loads(capsys.readouterr().out)["sessions"]}
    assert "bands run from 1 to 7" in rows["mine"]["problem"]


def test_names_of_any_length_leave_the_list_in_line(capsys: pytest.CaptureFixture[str]) -> None:
    own = settings.config_dir() / "sessions" / "a-long-name-for-a-short-ride.toml"
    own.parent.mkdir(parents=True)
    own.write_text(PLAN)
    assert main(["sessions"]) == 0
    heads = [line for line in capsys.readouterr().out.splitlines() if not line.startswith(" ")]
    ends = {line.index(line.split()[1]) + len(line.split()[1]) for line in heads}
    assert len(ends) == 1


def test_show_is_in_this_riders_bpm(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sessions", "show", str(mine), "--hr-max-bpm", "200"]) == 0
    out = capsys.readouterr().out
    assert "130-150 bpm" in out
    assert "5:00 or press or below 120 bpm" in out
    assert "Quick." in out
    assert main(["sessions", "show", str(mine), "--hr-max-bpm", "180", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "rumblestrip.session/1"
    assert document["longest_s"] == 960
    assert [(s["low_bpm"], s["high_bpm"], s["until"]) for s in document["steps"]] == [
        (117, 135, None),
        (162, 167, None),
        (None, None, "below 108 bpm"),
    ]


def test_check_passes_a_plan_with_its_warnings(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sessions", "check", str(mine), "--hr-max-bpm", "184"]) == 0
    out = capsys.readouterr().out
    assert "warning: Burst: the heart needs" in out
    assert "can be ridden" in out


def test_steps_that_reach_a_lower_limit_of_the_riders_are_said_on_stderr(
    mine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.remember("alarms", {"near_max.limit_percent": 76})
    settings.remember("alarms", {"near_max.release_percent": 74})
    for words in (["check", str(mine)], ["show", str(mine), "--json"]):
        assert main(["sessions", *words, "--hr-max-bpm", "184"]) == 0
        err = capsys.readouterr().err
        assert err.startswith("caution: for you near maximum begins at 140 bpm")
        assert "Burst (up to 171 bpm); choose a lower lane" in err
    assert main(["sessions", "check", "recovery-spin", "--hr-max-bpm", "184"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ('time = "1 minute"', "step 2 (Burst): time: '1 minute' is not minutes:seconds"),
        ('time = "1:00"\nspeed = 3', "step 2 (Burst): speed: there is no such key"),
    ],
)
def test_check_refuses_a_wrong_plan_with_status_2_file_step_and_cure(
    mine: Path, wrong: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    mine.write_text(PLAN.replace('time = "1:00"', wrong))
    assert main(["sessions", "check", str(mine), "--hr-max-bpm", "184"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert str(mine) in captured.err
    assert says in captured.err


def test_a_target_that_does_not_fit_the_rider_names_file_and_step(
    mine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine.write_text(PLAN.replace("90-93%", "180-190bpm"))
    assert main(["sessions", "check", str(mine), "--hr-max-bpm", "184"]) == 2
    err = capsys.readouterr().err
    assert str(mine) in err
    assert "'Burst'" in err


def test_an_unknown_plan_is_a_wrong_request(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sessions", "show", "nothing-like-it", "--hr-max-bpm", "184"]) == 2
    assert "hill-repeats" in capsys.readouterr().err
