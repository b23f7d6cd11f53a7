"""``ride``: the live unit, for a second, on a computer without pins, panel or strap."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pytest

from firmware_app import settings
from firmware_app.cli import live, main
from firmware_app.core.events import Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts
from firmware_app.core.views import HomeView, ListView, PausedView
from firmware_app.devices.clock import SystemClock
from firmware_app.store.keeper import LogKeeper
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
        ([*SHORT, "1", "--ramp", "80+20"], "--maximal-test"),
        ([*SHORT, "1", "--maximal-test", "--target", "3"], "--target"),
        ([*SHORT, "1", "--maximal-test", "--plan", "long-easy"], "--plan"),
        ([*SHORT, "1", "--maximal-test", "--resume"], "--resume"),
        (["ride", "--target", "3"], "maximum set"),
        (["ride", "--target", "3"], "maximum evidence"),
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


def test_medicines_that_slow_the_heart_keep_a_rider_out_of_the_maximal_test(capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"hr_max_bpm": 150})
    settings.remember("rider", {"rate_medicines": True})
    assert main([*SHORT, "0.3", "--maximal-test"]) == 2
    told = capsys.readouterr().err
    for words in (str(settings.config_dir() / "rider.toml"), "rate_medicines", "doctor", "false"):
        assert words in told
    assert not log_path().exists()
    assert main([*SHORT, "0.3"]) == 0


def test_in_a_terminal_every_page_is_a_line_with_its_keys() -> None:
    paused = live.page_line(PausedView("12:00", "0:07", "", "120-140", ("", "ride on", "")))
    assert "Paused" in paused
    assert "[space] ride on" in paused
    assert "no heart rate" in paused
    actions = ("lower", "ride", "higher")
    home = live.page_line(HomeView("connected", "", "", "62 bpm", "184", "", "3 Steady", "120-138", "", "", actions))
    assert "[-] lower  [space] ride  [+] higher" in home
    assert "lane 120-138" in home
    assert "cut 2:00 ago" in live.page_line(ListView("Ride", (("cut 2:00 ago", ""),), 0, "", ("new", "go on", "new")))


def test_a_terminal_is_told_its_keys_and_where_the_rides_are() -> None:
    leader, follower = pty.openpty()
    command = [sys.executable, "-m", "firmware_app", *SHORT, "1"]
    seen = b""
    with subprocess.Popen(command, stdin=follower, stdout=follower, stderr=follower) as unit:
        os.close(follower)
        # Reading a terminal that nobody writes to any more is an error, and the end.
        with contextlib.suppress(OSError):
            while more := os.read(leader, 4096):
                seen += more
    os.close(leader)
    assert unit.returncode == 0
    assert b"Ctrl-C ends and stores" in seen
    assert b"bpm" in seen
    assert b"rumblestrip rides" in seen.splitlines()[-1]


@pytest.mark.parametrize(("source", "other"), [("sim", "strap"), ("strap", "sim")])
def test_only_a_ride_of_its_own_kind_is_gone_on_with(
    source: str, other: str, capsys: pytest.CaptureFixture[str]
) -> None:
    keeper = LogKeeper(log_path(), print)
    keeper.begin(RideFacts(184, started_unix_s=time.time(), source=source, target="3"))
    keeper.take((Sample(1.0, Measurement(120), 120.0, 1.0),))
    keeper.close()
    assert live._cut_ride(other, True, False) is None
    assert "no ride to go on with" in capsys.readouterr().err
    cut = live._cut_ride(source, True, False)
    assert cut is not None
    assert cut.facts.source == source


def test_a_ride_that_was_cut_is_gone_on_with_although_another_was_begun_by_mistake(
    capsys: pytest.CaptureFixture[str],
) -> None:
    keeper = LogKeeper(log_path(), print)
    keeper.begin(RideFacts(188, scheme="seven", started_unix_s=time.time() - 300, source="sim", target="3"))
    keeper.take((Sample(240.0, Measurement(120), 120.0, 1.0),))
    keeper.close()
    assert main([*SHORT, "1", "--target", "3"]) == 0
    said = capsys.readouterr().err
    assert "A ride of 4:00 was cut 1:" in said
    assert "`rumblestrip ride --strap sim --resume`" in said
    assert main([*SHORT, "1", "--resume"]) == 0
    assert "no ride to go on with" not in capsys.readouterr().err
    with open_log(log_path()) as log:
        assert [(ride.ended, ride.duration_s > 200) for ride in log.rides()] == [("stopped", True), ("stopped", False)]
    assert main([*SHORT, "1", "--resume"]) == 0
    said = capsys.readouterr().err
    assert "There is no ride to go on with" in said
    assert "A new one begins." in said


def test_a_clock_that_is_plainly_wrong_dates_no_ride(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(SystemClock, "unix_s", lambda self: 604_800.0 + self.t_s())  # 1970-01-08
    assert main([*SHORT, "1"]) == 0
    capsys.readouterr()
    assert main(["rides", "--json"]) == 0
    [ride] = json.loads(capsys.readouterr().out)["rides"]
    assert ride["started"] is None
    keeper = LogKeeper(log_path(), print)
    keeper.begin(RideFacts(188, scheme="seven", source="sim", target="3"))
    keeper.take((Sample(240.0, Measurement(120), 120.0, 1.0),))
    keeper.close()
    cut = live._cut_ride("sim", True, False)
    assert cut is not None
    assert cut.words == "A ride of 4:00 was cut."
