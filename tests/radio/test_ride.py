"""``rumblestrip ride``, unmodified, as a process: bleak on a real D-Bus, an emulated BlueZ, recorded hearts, mock pins.

All rides of this file are ridden at once, each once; every test looks at one or two of them. Where the recordings are
not at hand, made hearts stand in for them, so that nothing here is ever left out.
"""

from __future__ import annotations

import asyncio
import csv
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import pytest

from firmware_app import settings
from firmware_app.core.measurement import decode
from firmware_app.core.record import RideRecord
from firmware_app.store.log import RideSummary, open_log
from sim.peripheral import recorded, synthetic
from sim.probe import WatchedRide
from sim.radio import STRAPS, Radio, StrapProcess

pytestmark = pytest.mark.xdist_group("ride")

HARD_UNIT, HARD_STRAP = "C0:00:00:00:00:03", "C0:00:00:00:00:04"
GONE_UNIT, GONE_STRAP = "C0:00:00:00:00:05", "C0:00:00:00:00:06"
OTHER = STRAPS[1]
NOWHERE = {"DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/nowhere/at/all"}
SOUNDER_PIN = 18
AWAY_S = 14
"""A minute in short: the link is given up at once, and the alarm for no signal comes after 13 s (3 s that a value is
fresh, 10 s of dwell) and again after 60 s more."""


def log_of(ride: WatchedRide) -> Path:
    return ride.folder / "data" / "rumblestrip" / "rides.sqlite3"


def last_ride(ride: WatchedRide) -> RideSummary:
    with open_log(log_of(ride)) as log:
        return log.ride("last")


@dataclass
class Ridden:
    """A ride that is over. status: its exit status. words: what it said. sent: what its strap had sent by then."""

    ride: WatchedRide
    status: int
    words: str
    sent: list[bytes] = field(default_factory=list)
    seen: dict[str, Any] = field(default_factory=dict)

    @property
    def picture(self) -> Path:
        return self.ride.folder / "panel.png"

    def log(self) -> RideRecord:
        with open_log(log_of(self.ride)) as log:
            return log.record(log.ride("last").ride_id)

    def alarms(self) -> list[tuple[float, str, int]]:
        """(t_s, kind, reminder) of every alarm that began or reminded."""
        return [
            (mark.t_s, mark.detail["kind"], mark.detail["reminder"])  # type: ignore[misc]
            for mark in self.log().marks
            if mark.kind == "alarm" and mark.detail["on"]
        ]

    def notes(self) -> list[list[tuple[int, int]]]:
        """Every sound of the pin as (Hz, ms) of its notes and rests, split where it was silent for half a second."""
        changes = self.ride.pin(SOUNDER_PIN)
        sounds: list[list[tuple[int, int]]] = []
        silent_ms = 1000
        for now, then in pairwise(changes):
            ms = round((then.t_s - now.t_s) * 1000)
            if not now.duty:
                silent_ms = ms
                continue
            if silent_ms >= 500:
                sounds.append([])
            else:
                sounds[-1].append((0, silent_ms))
            sounds[-1].append((now.hz, ms))
        return sounds

    def command(self, *words: str) -> str:
        """What ``rumblestrip`` prints for the same rider."""
        done = subprocess.run(
            [sys.executable, "-m", "firmware_app", *words],
            env=self.ride.env, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout


def start(
    home: Path, name: str, env: dict[str, str], *words: str, strap: str = STRAPS[0], adapter: str = "", **how: Any
) -> WatchedRide:
    """A ride of a rider whose maximum is 188 bpm and who has paired with this strap."""
    folder = home / name
    config = folder / "config" / "rumblestrip"
    config.mkdir(parents=True)
    (config / "unit.toml").write_text(f'[strap]\naddress = "{strap}"\nname = "Strap one"\nadapter = "{adapter}"\n')
    (config / "rider.toml").write_text("hr_max_bpm = 188\n")
    return WatchedRide(folder, ["--picture", str(folder / "panel.png"), *words], env, **how)


def strap_on(radio: Radio, adapter: str, *words: str) -> StrapProcess:
    strap = radio.strap(adapter, *words)
    strap.wait_for("ready", 60)
    return strap


def hush(strap: StrapProcess, ride: WatchedRide) -> None:
    """Let a strap send no more, and all that it has sent arrive."""
    strap.tell("fault mute")
    time.sleep(0.3)
    ride.until(lambda: len(ride.heard()) >= len(strap.sent()))


Rides = Callable[[str], Ridden]


# --- the rides ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Hearts:
    """Beats as CSV. whole: some thousand. hard: a minute that leaves 177 bpm upward. even: two minutes of about 150."""

    whole: Path
    hard: Path
    even: Path


def recorded_hearts(folder: Path, recording: Path) -> Hearts:
    """From a graded test: all of it, and two parts."""

    def part(name: str, from_s: float, to_s: float) -> Path:
        return write(folder / name, ((t_s, rr_ms) for t_s, rr_ms in recorded(recording) if from_s <= t_s < to_s))

    return Hearts(recording, part("hard.csv", 554, 620), part("even.csv", 400, 520))


def made_hearts(folder: Path) -> Hearts:
    """What stands in for it."""
    chance = random.Random(1)

    def rising(from_bpm: float, to_bpm: float) -> Iterator[tuple[float, float]]:
        t_s = 0.0
        while t_s < 120:
            bpm = min(from_bpm + 0.3 * t_s, to_bpm)
            t_s += 60 / bpm
            yield t_s, 60_000 / bpm + chance.gauss(0, 2)

    return Hearts(
        write(folder / "whole.csv", islice(synthetic(1), 2000)),
        write(folder / "hard.csv", rising(176.6, 180)),
        write(folder / "even.csv", rising(150, 150)),
    )


def write(path: Path, beats: Iterable[tuple[float, float]]) -> Path:
    path.write_text("t_s,rr_ms\n" + "".join(f"{t_s:.3f},{rr_ms:.3f}\n" for t_s, rr_ms in beats))
    return path


def counted(home: Path, radio: Radio, hearts: Hearts) -> Ridden:
    """A whole recording, sped up, with another strap nearby that has the same name and is nearer."""
    with (
        strap_on(radio, "hci1", "--csv", str(hearts.whole), "--speed", "90", "--wait") as strap,
        strap_on(radio, "hci2") as other,
        start(home, "counted", radio.env, "--target", "160-170bpm", adapter="hci0") as ride,
    ):
        ride.until(lambda: strap.said("end"))
        ride.until(lambda: len(ride.heard()) >= len(strap.sent()))
        status = ride.end(signal.SIGTERM)
        seen = {"connected": asyncio.run(radio.ever_connected()), "other": other.said("subscribed")}
        return Ridden(ride, status, ride.said(), strap.sent(), seen)


def hard(home: Path, radio: Radio, hearts: Hearts) -> Ridden:
    """A heart leaves the lane upward and comes near its maximum, as fast as it was recorded."""
    lane = ("--target", "162-177bpm")
    with (
        strap_on(radio, "hci4", "--csv", str(hearts.hard), "--wait") as strap,
        start(home, "hard", radio.env, *lane, strap=HARD_STRAP, adapter="hci3", terminal=True) as ride,
    ):
        ride.until(lambda: sum(change.hz == 2900 for change in ride.pin(SOUNDER_PIN)) >= 5)
        time.sleep(0.8)
        hush(strap, ride)
        status = ride.end(signal.SIGTERM)
        return Ridden(ride, status, ride.said(), strap.sent(), {"status_lines": ride.status_lines()})


def gone(home: Path, radio: Radio, hearts: Hearts) -> Ridden:
    """The strap disappears and returns; the rider ends the ride with a key, and the program with Ctrl-C."""
    with (
        strap_on(radio, "hci6", "--csv", str(hearts.even), "--wait") as strap,
        start(home, "gone", radio.env, "--target", "none", strap=GONE_STRAP, adapter="hci5", terminal=True) as ride,
    ):
        ride.until(lambda: len(ride.heard()) >= 5)
        strap.tell(f"away {AWAY_S}")
        ride.until(lambda: len(strap.said("subscribed")) >= 2)
        before = len(ride.heard())
        ride.until(lambda: len(ride.heard()) >= before + 4)
        hush(strap, ride)
        ride.type("S")  # select, held: the ride is over, the unit goes home
        ride.until(lambda: last_ride(ride).ended == "rider")
        ride.type("\x03")  # Ctrl-C
        return Ridden(ride, ride.wait(), ride.said(), strap.sent())


def late_radio(home: Path, env: dict[str, str]) -> Ridden:
    """No D-Bus, then no BlueZ, then no adapter, then everything."""
    radio = Radio()
    try:
        with start(home, "late", radio.env, "--target", "none", adapter="hci0") as ride:
            ride.until(lambda: "no D-Bus" in ride.said())
            radio.start_bus()
            ride.until(lambda: "Bluetooth service is not running" in ride.said())
            radio.start_bluez()
            asyncio.run(radio.remove_adapter(0))
            ride.until(lambda: "no Bluetooth adapter" in ride.said())
            asyncio.run(radio.add_adapter(0))
            with strap_on(radio, "hci1") as strap:
                ride.until(lambda: len(ride.heard()) >= 2)
                status = ride.end(signal.SIGTERM)
                return Ridden(ride, status, ride.said(), strap.sent())
    finally:
        radio.stop_bluez()
        radio.stop_bus()


def cut_off(home: Path, env: dict[str, str], how: str) -> Ridden:
    """No Bluetooth at all; ended in the middle of the long low note that says so."""
    words = ("--target", "none")
    with start(home, how, env | NOWHERE, *words, end_at=f"700 {how}") as ride:
        return Ridden(ride, ride.wait(), ride.said())


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("rides")


@pytest.fixture(scope="module")
def hearts(request: pytest.FixtureRequest, home: Path) -> Hearts:
    try:
        recordings: list[Path] = request.getfixturevalue("graded_tests")
    except pytest.skip.Exception:
        return made_hearts(home)
    return recorded_hearts(home, recordings[0])


@pytest.fixture(scope="module")
def rides(dbus_daemon: None, home: Path, hearts: Hearts) -> Iterator[Rides]:
    """All rides, under way; ask for one by its name and wait until it is over."""
    straps = (*STRAPS, HARD_UNIT, HARD_STRAP, GONE_UNIT, GONE_STRAP)
    env = dict(os.environ)
    with Radio(straps, (-60, -40, -50, -50, -50, -50)) as radio, ThreadPoolExecutor(6) as pool:
        plans: dict[str, Callable[[], Ridden]] = {
            "gone": partial(gone, home, radio, hearts),
            "hard": partial(hard, home, radio, hearts),
            "late": partial(late_radio, home, env),
            "SIGTERM": partial(cut_off, home, env, "SIGTERM"),
            "crash": partial(cut_off, home, env, "crash"),
            "counted": partial(counted, home, radio, hearts),
        }
        under_way: dict[str, Future[Ridden]] = {name: pool.submit(ridden) for name, ridden in plans.items()}
        yield lambda name: under_way[name].result()


# --- what they show -------------------------------------------------------------------------------------------------


def test_every_beat_sent_is_in_the_log_once(rides: Rides, hearts: Hearts) -> None:
    ridden = rides("counted")
    assert ridden.status == 0, ridden.words
    logged_ms = ridden.log().rr_ms.tolist()
    sent_ms = [rr_ms for packet in ridden.sent for rr_ms in decode(packet).rr_ms]
    recorded_ms = [rr_ms for _, rr_ms in recorded(hearts.whole)]
    assert logged_ms == pytest.approx(sent_ms, abs=1e-9)
    # On the way an interval was rounded to 1/1024 s.
    assert logged_ms == pytest.approx(recorded_ms, abs=0.5)


def test_a_second_strap_nearby_is_never_connected(rides: Rides) -> None:
    seen = rides("counted").seen
    assert "hci1" in seen["connected"]
    assert "hci2" not in seen["connected"]
    assert seen["other"] == []


def test_alarms_sound_as_their_table_says(rides: Rides) -> None:
    table = settings.load_alarms()
    heard = [sound for sound in rides("hard").notes() if sound[0][0] != table.no_signal.sound[0].hz]
    kinds = [kind for _, kind, _ in rides("hard").alarms() if kind in ("above_target", "near_max")]
    assert kinds == ["above_target", "near_max"]
    assert len(heard) == 2
    for row, sound in zip((table.above_target, table.near_max), heard, strict=True):
        assert [hz for hz, _ in sound] == [note.hz for note in row.sound]
        for (_, ms), note in zip(sound, row.sound, strict=True):
            assert note.duration_ms - 40 <= ms <= note.duration_ms + 250


def test_a_rider_finds_the_ride_takes_it_along_and_replays_it(rides: Rides, tmp_path: Path) -> None:
    for name in ("hard", "counted"):
        ridden = rides(name)
        record = ridden.log()
        listed = ridden.command("rides")
        assert len(listed.splitlines()) == 2
        assert "target 16" in listed
        (row,) = json.loads(ridden.command("rides", "--json"))["rides"]
        assert (row["measurements"], row["ended"], row["hr_max_bpm"]) == (len(ridden.sent), "stopped", 188)

        exported = tmp_path / f"{name}.csv"
        ridden.command("rides", "export", "last", "--out", str(exported))
        with exported.open() as file:
            rows = list(csv.DictReader(file))
        assert [float(row["t_s"]) for row in rows] == record.t_s.tolist()
        taken_ms = [float(rr_ms) for row in rows for rr_ms in row["rr_ms"].split()]
        assert taken_ms == pytest.approx(record.rr_ms.tolist(), abs=1e-9)

        replayed = json.loads(ridden.command("replay", "last", "--json"))
        alarms = [(alarm["t_s"], alarm["kind"], alarm["reminder"]) for alarm in replayed["alarms"]]
        assert alarms == ridden.alarms()
        assert alarms or name == "counted"


def test_a_replay_tells_what_came_after_the_last_measurement_too(rides: Rides) -> None:
    """A ride without any: all it can tell is that there were none."""
    ridden = rides("SIGTERM")
    replayed = json.loads(ridden.command("replay", "last", "--json"))
    alarms = [(alarm["t_s"], alarm["kind"], alarm["reminder"]) for alarm in replayed["alarms"]]
    assert [kind for _, kind, _ in alarms] == ["no_signal"]
    assert alarms == ridden.alarms()


@pytest.mark.parametrize("name", ["counted", "hard", "gone", "late", "SIGTERM", "crash"])
def test_the_pin_is_low_in_the_end(rides: Rides, name: str) -> None:
    """However it ends: by a signal at rest, by one in the middle of a note, by an exception in the middle of one."""
    ridden = rides(name)
    changes = ridden.ride.pin(SOUNDER_PIN)
    assert not changes or changes[-1].duty == 0
    if name in ("SIGTERM", "crash"):
        assert [change.hz for change in changes if change.duty] == [700]
    if name == "crash":
        assert ridden.status == 1
        assert "a crash on purpose" in ridden.words
    else:
        assert ridden.status == 0
        assert "Traceback" not in ridden.words


def test_a_ride_that_ended_by_an_exception_is_stored_to_its_end(rides: Rides) -> None:
    record = rides("crash").log()
    assert record.marks[-1].kind == "end"
    assert record.duration_s >= 10


def test_the_panel_changes(rides: Rides) -> None:
    pygame = pytest.importorskip("pygame")
    lines = rides("hard").seen["status_lines"]
    assert any("no heart rate" in line for line in lines)
    assert any("lane 162-177" in line and " bpm  EASE  " in line for line in lines)
    assert any(" bpm  NEAR MAXIMUM, EASE  " in line for line in lines)
    # Near maximum the whole panel is inverted: its corner is dark where that of another ride is light.
    near, plain = (sum(pygame.image.load(rides(name).picture).get_at((0, 0))[:3]) for name in ("hard", "gone"))
    assert near < 200 < 565 < plain


def test_a_strap_that_disappears_and_returns(rides: Rides) -> None:
    ridden = rides("gone")
    record = ridden.log()
    lost_s = next(mark.t_s for mark in record.marks if mark.kind == "link" and mark.detail["state"] == "lost")
    last_s = max(t_s for t_s in record.t_s.tolist() if t_s <= lost_s)
    back_s = min(t_s for t_s in record.t_s.tolist() if t_s > lost_s)
    (gap,) = (mark for mark in record.marks if mark.kind == "gap" and mark.t_s > lost_s)
    assert gap.detail["from_s"] == pytest.approx(last_s, abs=0.001)
    assert back_s <= gap.t_s
    assert [(kind, reminder) for t_s, kind, reminder in ridden.alarms() if t_s > lost_s] == [("no_signal", 0)]
    sent = [decode(packet) for packet in ridden.sent]
    assert record.rr_ms.tolist() == pytest.approx([rr_ms for one in sent for rr_ms in one.rr_ms], abs=1e-9)
    assert len(record.t_s) == len(sent)


def test_without_bluetooth_it_rides_all_the_same_and_keeps_trying(rides: Rides) -> None:
    ridden = rides("late")
    said = [ridden.words.find(words) for words in ("no D-Bus", "service is not running", "no Bluetooth adapter")]
    assert -1 < said[0] < said[1] < said[2]
    assert len(ridden.log().t_s) >= 2


def test_without_bluetooth_the_panel_says_so(rides: Rides, private_home: Path) -> None:
    """Its picture is the very page that says it."""
    pygame = pytest.importorskip("pygame")
    from firmware_app.core.events import Link, Tick
    from firmware_app.devices.strap import in_words
    from firmware_app.preparation import prepare
    from firmware_app.screens.painter import Painter
    from firmware_app.screens.theme import DAY

    ridden = rides("SIGTERM")
    trouble = str(in_words(OSError()))
    assert trouble in ridden.words
    picture = pygame.image.tobytes(pygame.image.load(ridden.picture), "RGB")
    ready = prepare(target="none", hr_max_bpm=188)
    companion = ready.companion(ready.facts("strap", 0.0))
    companion.feed(Link("off", trouble), 0.0)
    view = companion.view()
    assert view.notice == trouble
    painter = Painter((480, 320), DAY)
    pages: set[bytes] = set()
    for t_s in range(8, 40):
        companion.feed(Tick(), float(t_s))
        pages.add(pygame.image.tobytes(painter.paint(companion.view()).surface, "RGB"))
    assert picture in pages
