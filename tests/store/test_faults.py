"""Cards that are full, read-only, failing, slow or gone: the ride goes on, and is written when it can be."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from firmware_app.core.events import Fault, Mark
from firmware_app.store import schema, writer
from firmware_app.store.log import LogError, open_log
from firmware_app.store.writer import LogWriter
from tests.store.made_rides import FACTS, ride, same_measurements, sample

SECONDS = 300


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "_RETRY_S", (0.01,))


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Path]:
    """A real, small file system. Only the superuser may mount one; the other tests here need none."""
    place = tmp_path / "card"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("mounting a small file system is not permitted here")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)


def until(true: Callable[[], object]) -> None:
    """Wait for another thread; a minute means never."""
    for _ in range(12_000):
        if true():
            return
        time.sleep(0.005)
    raise AssertionError("it never came about")


class Unit:
    """Rides on, second by second, while the card is ill-treated."""

    def __init__(self, path: Path) -> None:
        self.faults: list[Fault] = []
        self.t_s = 0
        self.writer = LogWriter(path, self.faults.append, commit_s=0.01)
        self.writer.begin(FACTS)

    def ride(self, seconds: int) -> None:
        for _ in range(seconds):
            self.writer.take((sample(self.t_s),))
            self.t_s += 1

    def failing(self) -> bool:
        return bool(self.faults) and self.faults[-1].active

    def well(self) -> bool:
        return bool(self.faults) and not self.faults[-1].active

    def arrive(self) -> int:
        self.writer.end("rider")
        return self.writer.close()


def rides_through(path: Path, break_it: Callable[[], None], mend_it: Callable[[], None]) -> list[Fault]:
    """A ride during which the card breaks and is mended; all of it has to be there."""
    unit = Unit(path)
    unit.ride(50)
    until(lambda: unit.writer.written == 50)
    break_it()
    unit.ride(100)
    until(unit.failing)
    mend_it()
    until(unit.well)
    unit.ride(SECONDS - 150)
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(SECONDS))
        assert log.ride(1).ended == "rider"
    assert [fault.part for fault in unit.faults] == ["storage"] * len(unit.faults)
    # Told once, however often it was tried.
    assert [fault.active for fault in unit.faults] == [True, False]
    assert unit.faults[-1].text == "The ride is being saved again."
    return unit.faults


def fill(filler: Path) -> None:
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 4096)


def remount(card: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(card)], check=True)


def cut_ride(path: Path, seconds: int) -> None:
    """Files as the power leaves them in the middle of the second ride."""
    ridden = path.with_name("elsewhere") / path.name
    with open_log(ridden) as log:
        log.add(ride(20))
    unit = Unit(ridden)
    unit.ride(seconds)
    until(lambda: unit.writer.written == seconds)
    for file in ridden.parent.iterdir():
        shutil.copy(file, path.parent)
    assert unit.arrive() == 0
    shutil.rmtree(ridden.parent)


def test_a_full_card(card: Path) -> None:
    filler = card / "filler"
    told = rides_through(card / "data" / "rides.sqlite3", lambda: fill(filler), filler.unlink)
    assert "full" in told[0].text


def test_a_full_card_can_be_read(card: Path) -> None:
    path = card / "rides.sqlite3"
    with open_log(path) as log:
        log.add(ride(50))
    fill(card / "filler")
    with open_log(path, thorough=True) as log:
        assert "full" in log.recovered[0]
        assert same_measurements(log.record(1), ride(50))
        with pytest.raises(LogError, match="full"):
            log.delete(1)
    unit = Unit(path)
    unit.ride(10)
    until(unit.failing)
    assert "full" in unit.faults[0].text
    unit.writer.close()


def test_a_log_that_may_be_written_but_is_anothers_is_written(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Made by the superuser once, and opened to all since."""
    open_log(path).close()
    path.chmod(0o666)

    def not_the_owner(handle: int, mode: int) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "fchmod", not_the_owner)
    unit = Unit(path)
    unit.ride(20)
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(20))


def test_a_card_that_was_full_from_the_start_is_said_to_be_full(card: Path) -> None:
    path = card / "rides.sqlite3"
    path.touch()
    fill(card / "filler")
    with pytest.raises(LogError, match="full; free some space"):
        open_log(path)


def test_a_cut_ride_is_read_from_a_card_that_can_only_be_read(card: Path) -> None:
    path = card / "rides.sqlite3"
    cut_ride(path, 50)
    remount(card, "ro")
    with open_log(path, thorough=True) as log:
        assert len(log.recovered) == 1
        assert same_measurements(log.record(2), ride(50))
    remount(card, "rw")
    path.with_name("rides.sqlite3-shm").unlink()
    remount(card, "ro")
    with open_log(path, thorough=True) as log:
        assert "rides.sqlite3-wal" in log.recovered[1]
        assert [each.ride_id for each in log.rides()] == [1]
    remount(card, "rw")
    with open_log(path) as log:
        assert same_measurements(log.record(2), ride(50))


def test_a_check_reads_a_card_that_can_only_be_read(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_log(path) as log:
        log.add(ride(50))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE block SET rr = zeroblob(3)")

    def only_reads(path: Path) -> sqlite3.Connection:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(schema, "connect", only_reads)
    with pytest.raises(LogError, match=r"damaged.* only be read"):
        open_log(path, thorough=True)


def test_a_full_database(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    connect = schema.connect
    most = [40]

    def connect_to_small(path: Path) -> sqlite3.Connection:
        connection = connect(path)
        connection.execute(f"PRAGMA max_page_count = {most[0]}")
        return connection

    monkeypatch.setattr(schema, "connect", connect_to_small)
    unit = Unit(path)
    unit.ride(2000)
    until(unit.failing)
    assert "full" in unit.faults[0].text
    most[0] = 100_000
    until(unit.well)
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(2000))


def test_a_card_that_turns_read_only(card: Path) -> None:
    path = card / "data" / "rides.sqlite3"
    unit = Unit(path)
    unit.ride(50)
    until(lambda: unit.writer.written == 50)
    # Files that are open for writing keep a file system from turning: a dying card does not ask, a test must.
    assert unit.arrive() == 0
    remount(card, "ro")
    unit = Unit(path)
    unit.ride(50)
    until(unit.failing)
    assert "only be read" in unit.faults[0].text
    with open_log(path) as log:
        assert "can only be read" in log.recovered[0]
        assert same_measurements(log.record(1), ride(50))
        with pytest.raises(LogError, match="only be read"):
            log.delete(1)
    remount(card, "rw")
    until(unit.well)
    unit.ride(50)
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(2), ride(100))


def sqlite_error() -> Exception:
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC  # type: ignore[misc]
    return error


@pytest.mark.parametrize("error", [sqlite_error(), OSError(errno.EIO, os.strerror(errno.EIO))])
def test_a_card_that_errors(path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    really_write = writer._write

    def fails(*_: object) -> int:
        raise error

    told = rides_through(
        path,
        lambda: monkeypatch.setattr(writer, "_write", fails),
        lambda: monkeypatch.setattr(writer, "_write", really_write),
    )
    assert "errors" in told[0].text


def test_a_card_that_is_pulled_out(path: Path) -> None:
    unit = Unit(path)
    unit.ride(50)
    until(lambda: unit.writer.written == 50)
    away = path.parent.rename(path.parent.with_name("away"))
    path.parent.touch()
    unit.ride(50)
    until(unit.failing)
    assert "cannot be reached" in unit.faults[0].text
    path.parent.unlink()
    until(unit.well)
    assert f"in a new and empty log: {path} was gone, and your other rides with it" in unit.faults[-1].text
    assert unit.arrive() == 0
    # The rest of the ride is on what took the card's place; the beginning is on the card.
    with open_log(path) as log:
        record = log.record(1)
        assert log.ride(1).ended == "rider"
        assert record.t_s[-1] == 99
        assert log.record(1).facts == FACTS
    with open_log(away / path.name) as log:
        beginning = log.record(1)
    assert {*beginning.t_s.tolist(), *record.t_s.tolist()} == set(map(float, range(100)))


def test_a_log_that_comes_in_under_a_ride_keeps_its_own(path: Path, tmp_path: Path) -> None:
    another = replace(FACTS, plan="of another day", started_unix_s=1.7e9)
    with open_log(tmp_path / "backup" / path.name) as log:
        theirs = log.record(log.add(ride(120, another)))
    unit = Unit(path)
    unit.ride(50)
    until(lambda: unit.writer.written == 50)
    away = path.parent.rename(path.parent.with_name("away"))
    (tmp_path / "backup").rename(path.parent)
    unit.ride(50)
    until(unit.failing)
    until(unit.well)
    unit.ride(100)
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(1), theirs)
        assert (log.ride(1).facts, log.ride(1).ended) == (another, "rider")
        rest = log.record(2)
        assert (log.ride(2).facts, log.ride(2).ended) == (FACTS, "rider")
    with open_log(away / path.name) as log:
        beginning = log.record(1)
    assert {*beginning.t_s.tolist(), *rest.t_s.tolist()} == set(map(float, range(200)))


def test_a_log_that_a_check_sets_aside_while_a_ride_begins_does_not_take_the_ride_along(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    open_log(path).close()
    writing = schema.writing

    def waiting(folder: Path) -> AbstractContextManager[None]:
        """The check was at work, and the writer had opened the file already."""
        monkeypatch.setattr(schema, "writing", writing)
        path.rename(path.with_name("set aside"))
        open_log(path).close()
        return writing(folder)

    monkeypatch.setattr(schema, "writing", waiting)
    unit = Unit(path)
    unit.ride(20)
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(20))


def test_a_card_that_fails_once_as_the_unit_stops_loses_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one_ride = LogWriter(path, commit_s=60.0)
    one_ride.begin(FACTS)
    until(lambda: one_ride.ride_id)
    one_ride.take(tuple(sample(t_s) for t_s in range(20)))
    transaction = schema.transaction

    def failing(connection: sqlite3.Connection) -> AbstractContextManager[None]:
        monkeypatch.setattr(schema, "transaction", transaction)
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(schema, "transaction", failing)
    assert one_ride.close() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(20))


@pytest.fixture
def linked(path: Path, tmp_path: Path) -> Path:
    """What the log, a link, leads to."""
    path.parent.mkdir()
    real = tmp_path / "another card" / "kept.sqlite3"
    real.parent.mkdir()
    real.touch()
    path.symlink_to(real)
    return real


def test_a_log_that_is_a_link_is_ridden_on_like_any_other(path: Path, linked: Path) -> None:
    unit = Unit(path)
    for seconds in range(10, 210, 10):
        unit.ride(10)
        until(lambda seconds=seconds: unit.writer.written == seconds)
    assert unit.arrive() == 0
    assert unit.faults == []
    with open_log(linked) as log:
        assert same_measurements(log.record(1), ride(200))


def test_a_damaged_log_that_is_a_link_is_kept_where_it_lies(path: Path, linked: Path) -> None:
    linked.write_bytes(b"not a database at all" * 100)
    with open_log(path) as log:
        assert "damaged" in log.recovered[0]
        log.add(ride(10))
    assert path.is_symlink()
    (kept,) = schema.kept_copies(path)
    assert kept.parent == linked.parent
    assert kept.read_bytes() == b"not a database at all" * 100
    with open_log(linked) as log:
        assert same_measurements(log.record(1), ride(10))


def test_a_damaged_log_at_the_start_of_a_ride(path: Path) -> None:
    path.parent.mkdir()
    path.write_bytes(os.urandom(5000))
    unit = Unit(path)
    unit.ride(20)
    assert unit.arrive() == 0
    assert [(fault.active, "damaged" in fault.text) for fault in unit.faults] == [(True, True), (False, False)]
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(20))
    assert list(path.parent.glob("*.damaged-*"))


@pytest.mark.parametrize(
    "made",
    [
        "PRAGMA user_version = -1",
        "PRAGMA user_version = 1",
        "CREATE TABLE ride (day TEXT)",
        "CREATE TABLE shopping (what TEXT)",
    ],
)
def test_what_is_no_log_is_set_aside_and_kept(path: Path, made: str) -> None:
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(made)
    content = path.read_bytes()
    unit = Unit(path)
    unit.ride(20)
    assert unit.arrive() == 0
    assert "damaged" in unit.faults[0].text
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(20))
    (kept,) = path.parent.glob("*.damaged-*")
    # Of the file only its mode was changed, by opening it.
    assert kept.read_bytes()[100:] == content[100:]


def newer(path: Path) -> None:
    with open_log(path) as log:
        log.add(ride(60))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")


def older(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 1")


@pytest.mark.parametrize(
    ("put", "take_away", "words"),
    [
        (newer, older, "newer release"),
        (Path.mkdir, Path.rmdir, "is not a file"),
        (lambda path: path.symlink_to("nowhere/at-all"), Path.unlink, "is not a file"),
        (os.mkfifo, Path.unlink, "is not a file"),
    ],
)
def test_a_ride_is_kept_beside_what_cannot_be_opened(
    path: Path, put: Callable[[Path], None], take_away: Callable[[Path], None], words: str
) -> None:
    path.parent.mkdir()
    put(path)
    beside = path.with_name("rides.sqlite3.beside")
    for seconds in (90, 70):
        unit = Unit(path)
        unit.ride(seconds)
        unit.writer.take((Mark(5.0, "alarm", {"kind": "above_target", "on": True}),))
        assert unit.arrive() == 0
        assert [(fault.active, words in fault.text, beside.name in fault.text) for fault in unit.faults] == [
            (False, True, True)
        ]
        with pytest.raises(LogError, match=words):
            open_log(path)
    # Cut by the power, while somebody looks on.
    unit = Unit(path)
    unit.ride(30)
    assert unit.writer.close() == 0
    take_away(path)
    with open_log(path) as log:
        first = len(log.rides()) - 2
        assert any("3 of them, are in the log now" in text for text in log.recovered)
        assert any(f"Ride {first + 2} was cut" in text for text in log.recovered)
        assert [each.ended for each in log.rides()][-3:] == ["rider", "rider", "cut"]
        for place, seconds in enumerate((90, 70, 30)):
            record = log.record(first + place)
            assert same_measurements(record, ride(seconds))
            assert len(record.marks) == (place < 2)
    assert [file.name for file in path.parent.iterdir()] == [path.name]
    with open_log(path) as log:
        assert log.recovered == ()


def test_rides_that_cannot_be_brought_in_wait_for_another_day(path: Path) -> None:
    beside = path.with_name("rides.sqlite3.beside")
    newer(beside)
    with open_log(path) as log:
        assert "newer release" in log.recovered[0]
        assert log.rides() == []
    older(beside)
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(60))


def test_two_units_that_go_on_with_one_ride_lose_no_beat_of_each_other(path: Path) -> None:
    begun = LogWriter(path)
    begun.begin(FACTS)
    begun.close()
    with open_log(path) as log:
        cut = log.resumable(FACTS.started_unix_s or 0.0, "strap")
    assert cut is not None
    units = LogWriter(path, commit_s=0.01), LogWriter(path, commit_s=0.01)
    for unit in units:
        unit.resume(cut)
    for beats in (60, 120):
        for place, unit in enumerate(units):
            for index in range(beats - 60, beats):
                unit.take((sample(index, hr_bpm=100 + place),))
            until(lambda unit=unit, beats=beats: unit.written == beats)
    assert [unit.close() for unit in units] == [0, 0]
    with open_log(path) as log:
        stored = [log.record(one.ride_id).hr_bpm.tolist() for one in log.rides()]
    assert sorted(stored) == [[100.0] * 120, [101.0] * 120]


def test_rides_are_brought_in_once_even_where_they_cannot_be_overwritten(path: Path) -> None:
    beside = path.with_name("rides.sqlite3.beside")
    with open_log(beside) as log:
        log.add(ride(60))
    with closing(sqlite3.connect(beside)) as connection:
        # Overwriting takes room, and the card may have none.
        connection.execute("CREATE TRIGGER full BEFORE DELETE ON ride BEGIN SELECT raise(ABORT, 'full'); END")
    for _ in range(2):
        with open_log(path) as log:
            assert [each.measurements for each in log.rides()] == [60]
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_rides_are_brought_in_once_when_the_power_fails_before_the_other_file_is_gone(path: Path) -> None:
    beside = path.with_name("rides.sqlite3.beside")
    with open_log(beside) as log:
        for seconds in (60, 90):
            log.add(ride(seconds))
    with closing(sqlite3.connect(beside)) as connection:
        connection.execute("UPDATE ride SET ended = NULL WHERE id = 2")  # as the power cut it
        connection.commit()
    kept = beside.read_bytes()
    with open_log(path) as log:
        brought = [each.measurements for each in log.rides()]
    beside.write_bytes(kept)
    with open_log(path) as log:
        assert [each.measurements for each in log.rides()] == brought
        # One that was there before, and went on, is another.
        longer = ride(120)
    with open_log(beside) as log:
        log.add(longer)
    with open_log(path) as log:
        assert sorted(each.measurements or 0 for each in log.rides()) == [60, 90, 120]
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_a_file_cut_to_nothing_beside_what_was_written_last_loses_none_of_it(path: Path) -> None:
    unit = Unit(path)
    unit.ride(90)
    until(lambda: unit.writer.written == 90)
    killed = {file.name: file.read_bytes() for file in path.parent.iterdir()}  # as a kill leaves them
    assert unit.writer.close() == 0
    for name, content in killed.items():
        (path.parent / name).write_bytes(content)
    path.write_bytes(b"")
    with open_log(path) as log:
        assert "damaged" in log.recovered[0]
        assert [each.measurements for each in log.rides()] == [90]


@pytest.mark.parametrize("links", [True, False])
def test_there_is_a_log_whenever_the_power_fails_while_a_damaged_one_is_set_aside(
    path: Path, links: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_log(path) as log:
        for _ in range(3):
            log.add(ride(60))
    whole = path.read_bytes()
    path.write_bytes(whole[:100] + bytes(100) + whole[200:])

    class PowerCutError(BaseException):
        pass

    def replace(source: Path, to: Path) -> Path:
        if to == path:
            raise PowerCutError
        return really(source, to)

    def link(source: Path, to: Path) -> None:
        raise OSError(errno.EPERM, "no links here")

    really = Path.replace
    if links:
        with monkeypatch.context() as cut:
            cut.setattr(Path, "replace", replace)
            with pytest.raises(PowerCutError):
                open_log(path)
        assert path.exists()
    else:
        monkeypatch.setattr(os, "link", link)
    with open_log(path) as log:
        assert [each.measurements for each in log.rides()] == [60, 60, 60]


def test_a_damage_that_sqlite_has_no_words_for(path: Path) -> None:
    with open_log(path) as log:
        log.add(ride(60))
    path.write_bytes(path.read_bytes().replace(b"started_unix_s REAL", b"started_unix_s\xff\xff\xff\xff\xff"))
    unit = Unit(path)
    unit.ride(20)
    assert unit.arrive() == 0
    assert "damaged" in unit.faults[0].text
    with open_log(path) as log:
        assert same_measurements(log.record(log.ride("last").ride_id), ride(20))


def test_another_program_that_writes(path: Path) -> None:
    open_log(path).close()
    unit = Unit(path)
    unit.ride(10)
    until(lambda: unit.writer.written == 10)
    with closing(schema.connect(path)) as other:
        other.execute("BEGIN IMMEDIATE")
        unit.ride(10)
        time.sleep(0.05)
        other.execute("ROLLBACK")
    assert unit.arrive() == 0
    assert unit.faults == []
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(20))


def test_another_program_that_writes_when_the_unit_stops(path: Path) -> None:
    open_log(path).close()
    unit = Unit(path)
    unit.ride(10)
    until(lambda: unit.writer.written == 10)
    with closing(schema.connect(path)) as other:
        other.execute("BEGIN IMMEDIATE")
        unit.ride(10)
        # Longer than SQLite itself waits, and by far not as long as closing may take.
        letting_go = threading.Timer(1.5, other.execute, ["ROLLBACK"])
        letting_go.start()
        assert unit.arrive() == 0
        letting_go.join()
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(20))
        assert log.ride(1).ended == "rider"


def test_a_card_that_does_not_answer(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = threading.Event()
    really_write = writer._write

    def waits(connection: sqlite3.Connection, ride: writer._Ride) -> int:
        answers.wait(60)
        return really_write(connection, ride)

    monkeypatch.setattr(writer, "_write", waits)
    monkeypatch.setattr(writer, "_HANG_S", 0.05)
    unit = Unit(path)

    def told() -> bool:
        unit.ride(1)
        return unit.failing()

    until(told)
    assert "does not answer" in unit.faults[0].text
    answers.set()
    until(unit.well)
    seconds = unit.t_s
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert same_measurements(log.record(1), ride(seconds))


def test_memory_has_a_bound_and_keeps_the_beginning(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "MAX_WAITING", 60)
    path.parent.touch()
    unit = Unit(path)
    until(unit.failing)
    unit.ride(100)
    until(lambda: "Memory is full" in unit.faults[-1].text)
    path.parent.unlink()
    until(unit.well)
    # What it says of the next trouble is about that one, once memory was emptied.
    until(lambda: not unit.writer._waiting)
    away = path.parent.rename(path.parent.with_name("away"))
    path.parent.touch()
    unit.ride(1)
    until(unit.failing)
    assert "kept in memory" in unit.faults[-1].text
    path.parent.unlink()
    away.rename(path.parent)
    until(unit.well)
    assert unit.arrive() == 40
    with open_log(path) as log:
        assert log.record(1).t_s.tolist() == [*map(float, range(60)), 100.0]


def test_what_could_not_be_written_is_told_at_the_end(path: Path) -> None:
    path.parent.touch()
    unit = Unit(path)
    unit.ride(30)
    assert unit.arrive() == 30


def test_two_rides_wait_for_a_card(path: Path) -> None:
    path.parent.touch()
    unit = Unit(path)
    unit.ride(30)
    until(unit.failing)
    unit.writer.end("rider")
    unit.writer.begin(FACTS)
    unit.t_s = 0
    unit.ride(40)
    path.parent.unlink()
    assert unit.arrive() == 0
    with open_log(path) as log:
        assert [each.measurements for each in log.rides()] == [30, 40]


def test_a_listener_that_fails_does_not_cost_the_ride(path: Path) -> None:
    def fails(fault: Fault) -> None:
        raise RuntimeError("Event loop is closed")

    path.parent.touch()
    log_writer = LogWriter(path, fails, commit_s=0.01)
    log_writer.begin(FACTS)
    log_writer.take((sample(0),))
    time.sleep(0.05)
    path.parent.unlink()
    log_writer.end("rider")
    assert log_writer.close() == 0
    with open_log(path) as log:
        assert log.ride(1).measurements == 1


def checked(path: Path) -> bool:
    """Whether the log can be read through just now, as `rides check` does."""
    try:
        open_log(path, thorough=True).close()
    except LogError:
        return False
    return True


def test_between_two_rides_the_log_can_be_checked(path: Path) -> None:
    unit = Unit(path)
    for seconds in (30, 40):
        unit.ride(seconds)
        until(lambda: unit.writer.written == unit.t_s)
        assert not checked(path)
        unit.writer.end("rider")
        until(lambda: checked(path))
        unit.writer.begin(FACTS)
    assert unit.arrive() == 0
    assert unit.faults == []
    with open_log(path) as log:
        assert [(each.measurements, each.ended) for each in log.rides()] == [(30, "rider"), (40, "rider"), (0, "rider")]


def test_a_log_that_goes_between_two_rides_is_told(path: Path) -> None:
    unit = Unit(path)
    unit.ride(10)
    until(lambda: unit.writer.written == 10)
    unit.writer.end("rider")
    until(lambda: checked(path))
    shutil.rmtree(path.parent)
    unit.writer.begin(FACTS)
    unit.ride(20)
    assert unit.arrive() == 0
    assert [fault.active for fault in unit.faults] == [False]
    assert f"in a new and empty log: {path} was gone, and your other rides with it" in unit.faults[0].text
    with open_log(path) as log:
        assert [each.measurements for each in log.rides()] == [20]


def test_outside_a_ride_nothing_is_kept(path: Path) -> None:
    log_writer = LogWriter(path)
    log_writer.take((sample(0),))
    log_writer.end("rider")
    log_writer.begin(FACTS)
    log_writer.take((sample(0),))
    log_writer.end("rider")
    log_writer.take((sample(1),))
    assert log_writer.close() == 0
    with open_log(path) as log:
        assert [each.measurements for each in log.rides()] == [1]
