"""``ride``: the live unit, for a second, on a computer without pins, panel or strap."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import json
import os
import pty
import re
import signal
import sqlite3
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from pygame import Surface

from firmware_app import settings
from firmware_app.cli import live, main
from firmware_app.cli.aside import Aside
from firmware_app.core import views
from firmware_app.core.events import Effect, Fault, Press, Sample
from firmware_app.core.maximal_test import MaximalTest
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts
from firmware_app.core.views import (
    FaultView,
    HomeView,
    ListView,
    PausedView,
    RideView,
    StepView,
    SummaryView,
    View,
)
from firmware_app.devices.clock import SystemClock
from firmware_app.devices.panel import OffscreenPanel, Panel, SteadyPanel
from firmware_app.devices.strap import Strap
from firmware_app.preparation import Preparation
from firmware_app.store import schema
from firmware_app.store.keeper import LogKeeper
from firmware_app.store.log import log_path, open_log
from firmware_app.unit import Unit
from sim.runner import run_virtual

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


@pytest.mark.parametrize(
    ("picture", "cure"),
    [
        ("none/x.png", "there is no folder"),
        ("ride.jpg", "ends in .png"),
        ("folder.png", "name a file in it"),
        ("locked/x.png", "cannot be written"),
    ],
)
def test_a_picture_with_no_place_is_refused_before_the_ride(
    picture: str, cure: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for folder in ("folder.png", "locked"):
        (tmp_path / folder).mkdir()
    # Whoever may do everything is kept out of no folder.
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path).name != "locked")
    assert main([*SHORT, "0.3", "--picture", str(tmp_path / picture)]) == 2
    assert cure in capsys.readouterr().err
    assert not log_path().exists()


def test_a_picture_that_cannot_be_saved_costs_no_ride(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(panel: OffscreenPanel, path: Path) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(OffscreenPanel, "save", full)
    assert main([*SHORT, "0.3", "--picture", str(tmp_path / "x.png")]) == 1
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
        ([*SHORT, "1", "--maximal-test"], "run it in a terminal"),
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


class BarPanel(Panel):
    """A panel on the bars: no terminal beside it."""

    size = (320, 240)
    shown: Surface | None = None

    def present(self, surface: Surface, rows: object = None) -> None:
        self.shown = surface


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("rider.toml", "hr_max_bpm = 1900"),
        ("unit.toml", "[panel]\nwidth_px = 1"),
        ("rider.toml", 'hr_max_bpm = 190\nscheme = "none"'),
    ],
)
def test_a_unit_whose_settings_cannot_be_used_says_so_on_its_panel(
    monkeypatch: pytest.MonkeyPatch, file: str, text: str
) -> None:
    """The service begins it again each second, and nobody at the roadside reads a journal."""
    panel = BarPanel()
    monkeypatch.setattr("firmware_app.devices.panel.open_panel", lambda *_: SteadyPanel(panel))
    settings.config_dir().mkdir(parents=True)
    (settings.config_dir() / file).write_text(text)
    assert main(["ride"]) == 2
    assert panel.shown is not None
    assert len({panel.shown.get_at((x, y))[:3] for x in range(0, 320, 2) for y in range(60, 240, 2)}) > 1


def test_medicines_that_slow_the_heart_keep_a_rider_out_of_the_maximal_test(capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"hr_max_bpm": 150})
    settings.remember("rider", {"rate_medicines": True})
    assert main([*SHORT, "0.3", "--maximal-test"]) == 2
    told = capsys.readouterr().err
    for words in (str(settings.config_dir() / "rider.toml"), "rate_medicines", "doctor", "false"):
        assert words in told
    assert not log_path().exists()
    assert main([*SHORT, "0.3"]) == 0


def test_a_limit_that_a_doctor_gave_keeps_a_rider_out_of_the_maximal_test(capsys: pytest.CaptureFixture[str]) -> None:
    """The test leads far over it, and there near maximum sounds but once."""
    settings.remember("alarms", {"near_max.limit_bpm": 140})
    assert main([*SHORT, "0.3", "--maximal-test"]) == 2
    told = capsys.readouterr().err
    for words in (str(settings.config_dir() / "alarms.toml"), "140 bpm", "doctor"):
        assert words in told
    assert not log_path().exists()
    assert main([*SHORT, "0.3"]) == 0


# --- the page in a terminal -----------------------------------------------------------------------------------------

RIDING = RideView(
    percent=99,
    hr_bpm=183,
    band=7,
    band_name="All-out",
    low_bpm=120,
    high_bpm=144,
    hr_max_bpm=184,
    tail_bpm=(),
    side=0,
    near_max=False,
    word="",
    step="Climb 2",
    left="1:30",
    after="",
    elapsed="12:40",
    muted="",
    notice="",
    signal="good",
)
HOME = HomeView(
    strap="connected",
    strap_battery="",
    unit_battery="",
    hr_now="62 bpm",
    hr_max="184, formula",
    plan="",
    target="4 Brisk",
    lane="138-151",
    caution="The maximum is a formula.",
    notice="Ride not being stored. Check the card.",
    actions=("lower", "ride", "higher"),
    limit="This lane reaches your limit, 138 bpm.",
)
COOL_DOWN = views.TestView(
    stage="Cool-down",
    big="171",
    lines=("Pedal gently, do not stop all at once.", "Ended: you stopped. Had you nothing left?"),
    left="2:40",
    near_max=True,
    notice="Ride not being stored. Check the card.",
    actions=("no", "", "yes"),
)
OVER = SummaryView(
    title="Ride over",
    elapsed="12:00",
    in_target="8:20",
    unknown="0:40",
    peak="171 bpm",
    bands=(),
    alarms=("3 x above target", "1 x no signal"),
    sentence="3:00 over the lane: ease at the first buzz.",
    more=("Start climbs and headwinds more gently.", "The most time was in band 3, Steady."),
    actions=("", "home", ""),
)

Shown = Callable[..., tuple[str, str]]


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Shown:
    """Shows views on a terminal so many columns wide; returns what was said above the line, and the line at the end."""

    def show(columns: int, *seen: View) -> tuple[str, str]:
        monkeypatch.setenv("COLUMNS", str(columns))
        page = live.TerminalPage()
        for view in seen:
            page.show(view)
        out, err = capsys.readouterr()
        return " ".join(err.split()), out.rpartition("\x1b[K")[2]

    return show


@pytest.mark.parametrize(
    ("view", "word"),
    [
        (replace(RIDING, near_max=True, word="ease", muted="1:40"), "NEAR MAXIMUM, EASE"),
        (replace(RIDING, word="ease"), "EASE"),
        (replace(RIDING, percent=60, word="lift"), "LIFT"),
    ],
)
def test_a_narrow_terminal_cuts_off_nothing_that_must_not_be_missed(shown: Shown, view: RideView, word: str) -> None:
    _, line = shown(40, view)
    assert len(line) < 40
    assert f"{view.percent} %  183 bpm  {word}" in line
    _, line = shown(120, view)
    for text in ("7 All-out", "12:40", "lane 120-144", "Climb 2 1:30"):
        assert text in line


def test_a_narrow_terminal_shows_whole_words_only(shown: Shown) -> None:
    whole = live.page_line(HOME).split()
    for columns in range(8, len(live.page_line(HOME)) + 2):
        _, line = shown(columns, HOME)
        words = line.split()
        assert len(line) < columns
        assert words == whole[: len(words)]
        # And as many as there is room for.
        assert words == whole or len(line) + len(whole[len(words)]) + 1 >= columns - 1
    # A terminal that has no room for one shows its beginning.
    assert shown(4, HOME)[1] == "Hom"


def test_the_columns_stay_where_they_are_when_a_word_comes_and_goes() -> None:
    lines = [live.page_line(replace(RIDING, word=word)) for word in ("", "ease", "lift")]
    assert len({(line.index("183 bpm"), line.index("7 All-out"), line.index("lane")) for line in lines}) == 1


def test_a_ride_in_a_terminal_tells_a_weak_signal_sound_off_and_what_is_wrong(shown: Shown) -> None:
    assert "sound off 1:40" in shown(40, replace(RIDING, muted="1:40"))[1]
    assert "weak signal" in shown(40, replace(RIDING, signal="poor"))[1]
    assert "sound off" not in shown(200, replace(RIDING, muted="1:40", near_max=True))[1]
    wrong = replace(RIDING, notice="Poor contact. Wet the strap, pull it tight.")
    assert shown(200, wrong)[1].endswith(wrong.notice)
    assert shown(200, wrong)[0] == ""
    # Where the line has no room for it, it is said whole, once for as long as it stands.
    assert shown(40, wrong, replace(wrong, hr_bpm=182))[0] == wrong.notice
    assert shown(40, wrong, RIDING, wrong)[0] == f"{wrong.notice} {wrong.notice}"


def test_home_in_a_terminal_tells_the_limit_that_a_doctor_gave_and_what_the_maximum_is_worth(shown: Shown) -> None:
    for columns in (40, 80, 100):
        said, line = shown(columns, HOME)
        assert all(text in said or text in line for text in (HOME.limit, HOME.notice))
        assert "4 Brisk  lane 138-151" in line
    line = live.page_line(HOME)
    assert "[-] lower  [space] ride  [+] higher  This lane reaches your limit, 138 bpm." in line
    assert "184, formula" in line
    assert HOME.caution in line


def test_what_the_unit_has_said_is_not_said_again_by_the_page(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    page = live.TerminalPage()
    page.say(HOME.notice)
    page.show(HOME)
    page.show(ListView("Plans", (("Hill repeats", "2:25:00"),), 0, "", ("up", "choose", "down")))
    page.show(HOME)
    assert capsys.readouterr().err.count(HOME.notice) == 1


def test_a_simulated_rider_lasts_through_the_maximal_test(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[tuple[Preparation, Callable[[settings.StrapSettings], Strap]]] = []
    monkeypatch.setattr(
        "firmware_app.cli.ride.live", lambda _, ready, strap, *__, **___: made.append((ready, strap)) or 0
    )
    assert main([*SHORT, "1", "--maximal-test"]) == 0
    [(ready, strap)] = made
    test = MaximalTest(ready.facts("sim"), ready.alarms)

    fed: list[Effect] = []

    async def ridden() -> None:
        loop = asyncio.get_running_loop()
        loop.call_at(28.5 * 60, lambda: test.feed(Press("plus"), loop.time()))
        await strap(settings.StrapSettings()).run(lambda event: fed.extend(test.feed(event, loop.time())))

    run_virtual(ridden())
    assert test.verdict is not None
    assert test.verdict.maximal, test.verdict.why


def test_a_question_of_the_maximal_test_is_read_whole_before_it_is_answered(shown: Shown) -> None:
    said, line = shown(40, COOL_DOWN, replace(COOL_DOWN, left="2:39"))
    assert said == " ".join((*COOL_DOWN.lines, COOL_DOWN.notice))
    assert line.startswith("Cool-down  NEAR MAXIMUM  171")
    assert "[-] no  [+] yes" in live.page_line(COOL_DOWN)
    assert COOL_DOWN.notice in live.page_line(COOL_DOWN)
    safety = views.TestView("Safety", "", ("Only on a trainer.",), "3 of 4", False, "", ("back", "", "next"))
    assert shown(100, safety, replace(safety, lines=("Stop at once for pain.",), left="4 of 4")) == (
        "Only on a trainer. Stop at once for pain.",
        "Safety  [-] back  [+] next  4 of 4",
    )


def test_a_pause_in_a_terminal_tells_the_ridden_time_and_the_step(shown: Shown) -> None:
    assert "ridden 1:12:00" in shown(40, PausedView("1:12:00", "0:07", "", "120-144", ("", "ride on", "")))[1]
    paused = live.page_line(PausedView("12:00", "0:07", "", "120-144", ("", "ride on", "")))
    for text in ("[space] ride on", "no heart rate", "lane 120-144"):
        assert text in paused
    steps = (("Warm-up", "", "10:00", "done"), ("Climb 2", "150-160", "", "now"), ("Home", "", "", "next"))
    keys = ("back", "ride on", "skip")
    assert "2 of 3  Climb 2  press" in shown(40, StepView("Hill repeats", steps, "press", "Seated.", keys))[1]
    whole = live.page_line(StepView("Hill repeats", steps, "press", "Seated.", keys))
    for text in ("lane 150-160", "[-] back  [space] ride on  [+] skip", "Hill repeats", "Seated."):
        assert text in whole


def test_a_list_and_what_is_wrong_are_read_whole_in_a_narrow_terminal(shown: Shown) -> None:
    offer = ListView("Ride cut short", (("A ride of 12:00 was cut 2:00 ago.", ""),), 0, "", ("new", "go on", "new"))
    assert "A ride of 12:00 was cut 2:00 ago." in shown(40, offer)[0]
    assert "[space] go on" in live.page_line(offer)
    rows = (("Sounds", "on"), ("Light", "day"))
    assert "Light day" in shown(40, ListView("Settings", rows, 1, "", ("up", "change", "down")))[1]
    fault = FaultView("What is wrong", ("No pins here.", "The card is full; free some space on it."), "keys storage")
    said, line = shown(50, fault)
    assert "No pins here." in line
    assert said == "The card is full; free some space on it."


def test_the_summary_is_said_whole_in_a_terminal(shown: Shown) -> None:
    said, _ = shown(40, OVER)
    facts = "12:00 ridden, 8:20 in target, 0:40 without a heart rate to trust, peak 171 bpm"
    alarms = "Alarms: 3 x above target, 1 x no signal."
    assert said == " ".join((f"Ride over: {facts}.", OVER.sentence, *OVER.more, alarms))
    assert "12:00 ridden, 0:00 in target, peak" in shown(40, replace(OVER, in_target="0:00", unknown="0:00"))[0]
    assert "12:00 ridden, 0:40 without" in shown(40, replace(OVER, in_target=""))[0]


# --- in a real one --------------------------------------------------------------------------------------------------


# Keys are read in the foreground of a terminal only. Done by the new process itself: code of ours between its fork and
# its exec could hang, for the process that forks has threads.
OWN_TERMINAL = (
    "import fcntl, runpy, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
    "runpy.run_module('firmware_app', run_name='__main__', alter_sys=True)"
)


def in_a_terminal(
    words: list[str],
    columns: int = 80,
    act: Callable[[subprocess.Popen[bytes], int], object] | None = None,
    once: bytes = b"  0:01",
) -> tuple[int, list[str]]:
    """Status and lines of a command in a terminal; act: called once this is seen, as when a second was ridden."""
    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    command = [sys.executable, "-c", OWN_TERMINAL, *words]
    # What a shell told of another terminal's width would go before this one's.
    env = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    seen = b""
    with subprocess.Popen(
        command, stdin=follower, stdout=follower, stderr=follower, env=env, start_new_session=True
    ) as unit:
        os.close(follower)
        # Reading a terminal that nobody writes to any more is an error, and the end.
        with contextlib.suppress(OSError):
            while more := os.read(leader, 4096):
                seen += more
                if act is not None and once in seen:
                    act(unit, leader)
                    act = None
    os.close(leader)
    text = seen.decode().replace("\r\n", "\n")
    return unit.returncode, [line.rpartition("\x1b[K")[2] for line in text.splitlines()]


def test_a_terminal_is_told_its_keys_what_was_ridden_and_where_it_is() -> None:
    status, lines = in_a_terminal([*SHORT, "1", "--target", "none"])
    assert status == 0
    assert any("Ctrl-C ends and stores" in line for line in lines)
    end = lines[next(place for place, line in enumerate(lines) if line.startswith("Ride over: 0:0")) :]
    assert "Read nothing into the rest before that is better." in end
    assert "in target" not in " ".join(end)
    assert "`rumblestrip report 1` shows it" in end[-1]


@pytest.mark.parametrize(
    "act",
    [
        lambda unit, leader: unit.send_signal(signal.SIGTERM),
        lambda unit, leader: os.write(leader, b"S"),
        lambda unit, leader: os.write(leader, b"\x03"),
    ],
    ids=["SIGTERM", "S", "Ctrl-C"],
)
def test_a_ride_is_summed_up_however_it_ends(act: Callable[[subprocess.Popen[bytes], int], object]) -> None:
    status, lines = in_a_terminal([*SHORT, "20"], act=act)
    assert status == 0
    assert not any("Home" in line for line in lines)
    assert len([line for line in lines if line.startswith("Ride over: 0:0")]) == 1
    assert "The ride is stored" in lines[-1]


def test_a_terminal_that_takes_no_more_words_holds_up_neither_the_ride_nor_its_end() -> None:
    """Held with Ctrl-S; one at the end of a dead link is the same, once what lies between is full."""

    def ridden_s() -> float:
        with open_log(log_path()) as log:
            return log.ride("last").duration_s

    def hold(unit: subprocess.Popen[bytes], leader: int) -> None:
        os.write(leader, b"\x13")
        for _ in range(150):
            if ridden_s() > 4:
                break
            time.sleep(0.1)
        unit.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            unit.wait(20)
        unit.kill()

    status, _ = in_a_terminal([*SHORT, "60"], act=hold)
    with open_log(log_path()) as log:
        ride = log.ride("last")
    assert (status, ride.ended, ride.duration_s > 4) == (0, "stopped", True)


def test_what_was_said_before_a_unit_breaks_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[str] = []
    waited_for = threading.Event()
    done = Aside.done

    def say(text: str) -> None:
        if threading.current_thread().name == "words":
            waited_for.wait()  # a slow reader
        heard.append(text)

    def wait_for(words: Aside, within_s: float) -> bool:
        waited_for.set()
        return done(words, within_s)

    def breaks(unit: Unit) -> None:
        unit.deliver(Fault("storage", "The card is on fire."))
        raise RuntimeError("it broke")

    monkeypatch.setattr(live, "say", say)
    monkeypatch.setattr(Aside, "done", wait_for)
    monkeypatch.setattr(Unit, "_start_all", breaks)
    with pytest.raises(RuntimeError, match="it broke"):
        main([*SHORT, "1"])
    assert "The card is on fire." in heard


def test_a_file_of_words_that_is_full_keeps_nobody_from_riding_or_from_going_on() -> None:
    keeper = LogKeeper(log_path(), print)
    keeper.begin(RideFacts(184, scheme="seven", target="3", source="sim", started_unix_s=time.time()))
    keeper.take((Sample(1.0, Measurement(120), 120.0, 1.0),))
    keeper.close()
    with Path("/dev/full").open("w") as full:
        command = [sys.executable, "-m", "firmware_app", *SHORT, "2", "--resume", "--target", "7"]
        subprocess.run(command, stdin=subprocess.DEVNULL, stdout=full, stderr=full, check=False, timeout=60)
    with open_log(log_path()) as log:
        [ride] = log.rides()
    assert (ride.ended, ride.duration_s > 2) == ("stopped", True)


def test_a_maximum_that_is_set_while_the_unit_is_at_home_is_the_next_rides() -> None:
    def set_and_ride(unit: subprocess.Popen[bytes], leader: int) -> None:
        assert main(["maximum", "set", "150"]) == 0
        os.write(leader, b"  ")

    settings.remember("rider", {"hr_max_bpm": 188})
    status, _ = in_a_terminal(["ride", "--panel", "offscreen", "--stop-after-s", "3"], act=set_and_ride, once=b"go on")
    assert status == 0
    with open_log(log_path()) as log:
        [ride] = log.rides()
    assert ride.facts.hr_max_bpm == 150


def test_without_a_ride_none_is_said_to_be_stored() -> None:
    status, lines = in_a_terminal(["ride", "--panel", "offscreen", "--hr-max-bpm", "188", "--stop-after-s", "0.5"])
    assert status == 0
    assert not any("stored:" in line or "Ride over" in line for line in lines)


def test_a_narrow_terminal_breaks_lines_at_spaces() -> None:
    _, lines = in_a_terminal([*SHORT, "1"], columns=40)
    assert max(map(len, lines)) < 40
    said = " ".join(" ".join(lines).split())
    assert "capital M S P hold them; Ctrl-C ends and stores the ride." in said
    assert "tighten the strap. Read nothing into the rest before that is better." in said


def test_where_no_terminal_is_it_is_said_once_that_the_ride_is_stored(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*SHORT, "0.5"]) == 0
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("The ride is stored: `rumblestrip report 1` shows it.") == 1
    assert "\x1b" not in err


@pytest.mark.parametrize(
    ("words", "by"),
    [
        ([], r"maximum 184 bpm, lane \d+-\d+ bpm\."),
        (["--hr-max-bpm", "200", "--target", "100-120bpm"], r"maximum 200 bpm, lane 100-120 bpm\."),
        (["--plan", "hill-repeats"], r"maximum 184 bpm, plan Hill repeats\."),
        (["--target", "none"], r"maximum 184 bpm, no lane\."),
    ],
)
def test_what_a_simulated_ride_goes_by_is_said(capsys: pytest.CaptureFixture[str], words: list[str], by: str) -> None:
    settings.remember("rider", {"hr_max_bpm": 176})
    assert main([*SHORT, "0.2", *words]) == 0
    assert re.search(rf"^Simulated rider: {by}$", capsys.readouterr().err, re.MULTILINE)


def test_help_says_that_a_simulated_strap_begins_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ride", "--help"]) == 0
    assert "a simulated strap the ride begins at once" in " ".join(capsys.readouterr().out.split())


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


@pytest.mark.parametrize("source", ["sim", "strap"])
def test_a_log_that_another_unit_is_riding_on_says_so_and_gives_no_other_reason(
    source: str, capsys: pytest.CaptureFixture[str]
) -> None:
    keeper = LogKeeper(log_path(), print)
    keeper.begin(RideFacts(184, started_unix_s=time.time(), source=source, target="3"))
    keeper.take((Sample(1.0, Measurement(120), 120.0, 1.0),))
    until_s = time.monotonic() + 60
    while time.monotonic() < until_s and keeper.ride_id is None:
        time.sleep(0.05)
    assert live._cut_ride("strap", True, False) is None
    said = capsys.readouterr().err
    assert "another unit is riding on this log just now" in said
    assert "fifteen minutes" not in said
    keeper.end("rider")
    keeper.close()
    assert live._cut_ride("strap", True, False) is None
    said = capsys.readouterr().err
    assert "another unit" not in said
    assert "fifteen minutes" in said


@pytest.mark.parametrize("trouble", [sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR])
def test_a_cut_ride_in_a_log_that_cannot_be_written_is_not_denied(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, trouble: int
) -> None:
    keeper = LogKeeper(log_path(), print)
    keeper.begin(RideFacts(184, started_unix_s=time.time(), source="sim", target="3"))
    keeper.take((Sample(1.0, Measurement(120), 120.0, 1.0),))
    keeper.close()

    def fails(*_: object, **__: object) -> None:
        error = sqlite3.OperationalError("no")
        error.sqlite_errorcode = trouble
        raise error

    with monkeypatch.context() as card:
        card.setattr(schema, "open_database", fails)
        assert live._cut_ride("sim", True, False) is None
    said = capsys.readouterr().err
    assert "There is no ride to go on with: what was cut stays as it is" in said
    assert "fifteen minutes" not in said
    assert live._cut_ride("sim", True, False) is not None


def test_a_ride_that_was_cut_is_gone_on_with_although_another_was_begun_by_mistake(
    capsys: pytest.CaptureFixture[str],
) -> None:
    keeper = LogKeeper(log_path(), print)
    keeper.begin(RideFacts(184, scheme="seven", started_unix_s=time.time() - 300, source="sim", target="3"))
    keeper.take((Sample(240.0, Measurement(120), 120.0, 1.0),))
    keeper.close()
    assert main([*SHORT, "1", "--target", "3"]) == 0
    said = capsys.readouterr().err
    assert "A ride of 4:00 was cut 1:" in said
    assert "within 2:00 `rumblestrip ride --strap sim --resume` goes on with the one before" in said
    assert main([*SHORT, "1", "--resume"]) == 0
    said = capsys.readouterr().err
    assert "no ride to go on with" not in said
    assert "`rumblestrip report 1` shows it" in said
    with open_log(log_path()) as log:
        assert [(ride.ended, ride.duration_s > 200) for ride in log.rides()] == [("stopped", True), ("stopped", False)]
    assert main([*SHORT, "1", "--resume"]) == 0
    said = capsys.readouterr().err
    assert "There is no ride to go on with" in said
    assert "A new one begins." in said


def test_a_ride_that_was_cut_long_ago_is_promised_no_longer_than_it_waits(capsys: pytest.CaptureFixture[str]) -> None:
    keeper = LogKeeper(log_path(), print)
    # 4:00 long, and 14:20 of the fifteen minutes are gone.
    keeper.begin(RideFacts(188, scheme="seven", started_unix_s=time.time() - 240 - 860, source="sim", target="3"))
    keeper.take((Sample(240.0, Measurement(120), 120.0, 1.0),))
    keeper.close()
    assert main([*SHORT, "0.3"]) == 0
    assert re.search(r"cut 14:\d\d ago\..* within 0:\d\d `rumblestrip ride", capsys.readouterr().err)


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
    assert cut.words() == "A ride of 4:00 was cut."
    assert cut.left_s == 900
