"""What is put into the log, by whichever door, comes out of it; what is deleted does not."""

from __future__ import annotations

import random
import shutil
import sqlite3
import stat
from contextlib import closing
from dataclasses import replace
from datetime import datetime, tzinfo
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings

from firmware_app.core.events import Mark, Notice
from firmware_app.core.maximum import TEST_PLAN
from firmware_app.core.record import RideFacts, RideRecord, record_of
from firmware_app.store import schema
from firmware_app.store.log import RESUME_WITHIN_S, LogError, MaximumEntry, UnknownRideError, open_log
from firmware_app.store.writer import LogWriter
from tests.store.made_rides import FACTS, records, ride, same_measurements, sample

STARTED_S = FACTS.started_unix_s or 0.0


def ridden(path: Path, seconds: int, *, end: str | None = "rider", facts: RideFacts = FACTS) -> RideRecord:
    """A plain ride through the writer; without an end it is as good as cut."""
    made = replace(ride(seconds), facts=facts)
    writer = LogWriter(path)
    writer.begin(made.facts)
    for index in range(seconds):
        marks = [mark for mark in made.marks if mark.t_s == index]
        writer.take((sample(index), *marks, Notice("x", "not for the log")))
    if end is not None:
        writer.end(end)
    assert writer.close() == 0
    return made


def test_a_ride_written_live_reads_back_whole(path: Path) -> None:
    made = ridden(path, 500)
    with open_log(path) as log:
        assert log.recovered == ()
        (summary,) = log.rides()
        stored = log.record(summary.ride_id)
    assert same_measurements(stored, made)
    assert (stored.facts, stored.marks, stored.duration_s) == (made.facts, made.marks, made.duration_s)
    assert np.array_equal(stored.trusted_bpm, made.trusted_bpm)
    assert (summary.ended, summary.duration_s, summary.measurements, summary.trusted) == ("rider", 499.0, 500, 500)
    assert summary.peak_bpm == made.trusted_bpm.max()


@settings(max_examples=25)
@given(record=records(max_size=60))
def test_a_ride_added_at_once_reads_back_whole(path: Path, record: RideRecord) -> None:
    with open_log(path) as log:
        ride_id = log.add(record)
        stored = log.record(ride_id)
        summary = log.ride(ride_id)
    assert same_measurements(stored, record)
    assert (stored.facts, stored.marks, stored.duration_s) == (record.facts, record.marks, record.duration_s)
    assert (summary.measurements, summary.duration_s) == (len(record.t_s), record.duration_s)


def test_files_are_their_owners_only(path: Path) -> None:
    path.parent.mkdir(mode=0o700)
    path.touch(mode=0o644)
    writer = LogWriter(path, commit_s=0.01)
    writer.begin(FACTS)
    writer.take((sample(0),))
    while not writer.written:
        pass
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()}
    writer.close()
    assert len(modes) == 3
    assert set(modes.values()) == {0o600}


def test_finding_rides(path: Path) -> None:
    with open_log(path) as log:
        for day, (plan, seconds) in enumerate([("hills", 600), ("", 1200), ("Long Hills", 1800)]):
            log.add(ride(seconds, replace(FACTS, plan=plan, started_unix_s=STARTED_S + day * 86_400)))
        log.add(ride(60, replace(FACTS, plan="", started_unix_s=None)))

        def found(**filters: object) -> list[int]:
            return [each.ride_id for each in log.rides(**filters)]  # type: ignore[arg-type]

        assert found() == [4, 1, 2, 3]
        assert found(plan="hills") == [1, 3]
        assert found(since_unix_s=STARTED_S + 86_400) == [2, 3]
        assert found(since_unix_s=STARTED_S, until_unix_s=STARTED_S + 86_400) == [1]
        assert found(longer_s=599.0, shorter_s=1799.0) == [1, 2]
        assert log.ride("last").ride_id == 4
        with pytest.raises(UnknownRideError, match="no ride 9"):
            log.ride(9)
        with pytest.raises(UnknownRideError):
            log.record(9)


def test_an_empty_log_has_no_last_ride(path: Path) -> None:
    with open_log(path) as log:
        assert log.rides() == []
        assert log.resumable(STARTED_S, "strap") is None
        with pytest.raises(UnknownRideError):
            log.ride("last")


def test_that_everything_was_given_stands_at_the_end_of_a_ride_and_changes_nothing_else(path: Path) -> None:
    with open_log(path) as log:
        one, other = log.add(ride(60)), log.add(ride(60))
        before = log.record(one)
        log.say_all_out([log.ride(one), log.ride(one)], True)
        log.say_all_out([log.ride(one)], True)
        assert log.all_out() == {one}
        after = log.record(one)
        assert after.marks == (*before.marks, Mark(before.duration_s, "all_out"))
        assert same_measurements(after, before)
        assert log.ride(one) == replace(log.ride(other), ride_id=one)
        log.say_all_out([log.ride(one)], False)
        assert log.all_out() == set()
        assert log.record(one).marks == before.marks


def test_deleting_while_another_program_reads_says_that_the_bytes_are_still_there(path: Path) -> None:
    with open_log(path) as log:
        doomed = log.add(ride(60))
        with closing(sqlite3.connect(path)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM ride").fetchone()
            assert not log.delete(doomed)
        assert log.rides() == []


@pytest.mark.parametrize("unix_s", [1e18, -5.0, float("inf")])
def test_a_date_that_no_calendar_has_is_none(path: Path, unix_s: float) -> None:
    with open_log(path) as log:
        first = log.add(replace(ride(60), facts=replace(FACTS, started_unix_s=1.8e9)))
        spoilt = log.add(replace(ride(60), facts=replace(FACTS, started_unix_s=unix_s)))
        assert log.ride(spoilt).facts.started_unix_s is None
        assert len(log.rides()) == 2
        # What has no date is in no span of time.
        assert [one.ride_id for one in log.rides(until_unix_s=2e9)] == [first]
        assert [one.ride_id for one in log.rides(since_unix_s=0.0)] == [first]


def test_deleting_leaves_nothing_of_the_ride(path: Path) -> None:
    made = ride(300)
    traces = (made.rr_ms[:50] * 128).astype("<u4").tobytes()[8:16], b"above_target", b"hills"
    with open_log(path) as log:
        kept = log.add(record_of(replace(FACTS, plan="flat"), [sample(1, rr_ms=(777.0,))], [], 1.0))
        doomed = log.add(made)
        log.keep_reviews({doomed: {"sentence": "above_target"}}, "1")

        def there() -> list[bool]:
            content = b"".join(file.read_bytes() for file in path.parent.iterdir())
            return [trace in content for trace in traces]

        assert there() == [True, True, True]
        assert log.delete(doomed)
        assert there() == [False, False, False]
        assert [each.ride_id for each in log.rides()] == [kept]
        with pytest.raises(UnknownRideError):
            log.delete(doomed)
        # A number is never given twice.
        assert log.add(made) > doomed


def test_a_ride_in_progress_is_shown_and_cannot_be_deleted(path: Path) -> None:
    writer = LogWriter(path, commit_s=0.01)
    writer.begin(FACTS)
    for index in range(10):
        writer.take((sample(index),))
    while writer.written < 10:
        pass
    with pytest.raises(LogError, match="when the ride is over"):
        open_log(path, thorough=True)
    with open_log(path) as log:
        assert log.recovered == ()
        summary = log.ride("last")
        assert (summary.ended, summary.measurements, summary.duration_s) == (None, 10, 9.0)
        with pytest.raises(LogError, match="being ridden"):
            log.delete(summary.ride_id)
        with pytest.raises(LogError, match="being ridden"):
            log.say_all_out([log.ride(log.add(ride(60))), summary], True)
        assert log.all_out() == set()
    writer.end("rider")
    writer.close()


def test_the_date_is_mended_when_the_clock_is_corrected(path: Path) -> None:
    writer = LogWriter(path)
    writer.begin(replace(FACTS, started_unix_s=None))
    for t_s, unix_s in ((0.0, 1000.0), (60.0, 2e9), (120.0, 2e9 - 3600), (130.0, 0.0)):
        writer.take((sample(int(t_s)), Mark(t_s, "clock", {"unix_s": unix_s})))
    writer.end("rider")
    writer.close()
    with open_log(path) as log:
        assert log.ride("last").facts.started_unix_s == 2e9 - 3600 - 120
        assert log.record(1).duration_s == 130.0
        assert [mark.detail["unix_s"] for mark in log.record(1).marks] == [1000.0, 2e9, 2e9 - 3600, 0.0]


# --- after a crash --------------------------------------------------------------------------------------------------


def test_a_cut_ride_is_ended_told_and_offered(path: Path) -> None:
    ridden(path, 125, end=None)
    with open_log(path) as log:
        assert log.recovered == ("Ride 1 was cut and is saved up to 2:04, 125 measurements.",)
        assert log.ride(1).ended == "cut"
        cut_s = STARTED_S + 124
        offered = log.resumable(cut_s + 60, "strap")
        assert offered is not None
        assert (offered.ride_id, offered.t_s, offered.away_s, offered.facts) == (1, 124.0, 60.0, FACTS)
        assert log.resumable(cut_s + RESUME_WITHIN_S, "strap") is None
        # A board without a battery for its clock wakes in the past.
        asleep = log.resumable(1000.0, "strap")
        assert asleep is not None
        assert asleep.away_s == 0.0
    with open_log(path) as log:
        assert log.recovered == ()


def test_a_ride_that_nobody_ended_before_the_next_began_was_cut(path: Path) -> None:
    writer = LogWriter(path)
    for how_long in (3, 2):
        writer.begin(FACTS)
        for index in range(how_long):
            writer.take((sample(index),))
    writer.end("rider")
    assert writer.close() == 0
    with open_log(path) as log:
        assert [(one.ended, one.measurements) for one in log.rides()] == [("cut", 3), ("rider", 2)]


def test_a_ride_that_was_cut_is_offered_until_another_is_ridden(path: Path) -> None:
    def offered() -> int | None:
        with open_log(path) as log:
            cut = log.resumable(STARTED_S + 10, "strap")
        return None if cut is None else cut.ride_id

    ridden(path, 10, end=None)
    ridden(path, 10, end="rider")
    ridden(path, 500, end="import", facts=replace(FACTS, source="import"))
    assert offered() == 1
    ridden(path, 500, end="cut", facts=replace(FACTS, plan=TEST_PLAN))
    assert offered() is None
    ridden(path, 10, end=None)
    assert offered() == 5
    ridden(path, 130, end="rider")
    assert offered() is None


def test_a_resumed_ride_is_one_ride(path: Path) -> None:
    ridden(path, 100, end=None)
    with open_log(path) as log:
        cut = log.resumable(STARTED_S + 100, "strap")
    assert cut is not None
    writer = LogWriter(path)
    writer.resume(cut)
    later = [sample(index) for index in range(200, 260)]
    for each in later:
        writer.take((each,))
    writer.take((Mark(259.5, "end", {"why": "key"}),))
    writer.end("rider")
    assert writer.close() == 0
    with open_log(path) as log:
        (summary,) = log.rides()
        stored = log.record(1)
    assert (summary.ended, summary.measurements, summary.duration_s) == ("rider", 160, 259.5)
    expected = record_of(FACTS, [*(sample(index) for index in range(100)), *later], [], 259.5)
    assert same_measurements(stored, expected)
    assert [mark.kind for mark in stored.marks] == ["alarm", "alarm", "end"]


def test_a_file_that_is_no_database_is_set_aside_and_kept(path: Path) -> None:
    path.parent.mkdir()
    path.write_bytes(b"not a database at all" * 100)
    with open_log(path) as log:
        assert "damaged" in log.recovered[0]
        assert log.rides() == []
        assert log.add(ride(10)) == 1
    (kept,) = path.parent.glob("*.damaged-*")
    assert kept.read_bytes() == b"not a database at all" * 100
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_write_ahead_log_of_another_log_is_damage_that_comes_to_an_end(path: Path, tmp_path: Path) -> None:
    # A copy was put back, and what a power cut left of the log before it was not taken away.
    with open_log(path) as log:
        for seconds in (400, 300, 600, 500):
            log.add(ride(seconds))
    with open_log(tmp_path / "before" / path.name) as before:
        for _ in range(3):
            before.add(ride(900))
    with open_log(before.path) as before:
        before.add(ride(100))
        shutil.copy(schema.wal_path(before.path), schema.wal_path(path))
    with open_log(path, thorough=True) as log:
        assert "damaged" in log.recovered[0]
        assert log.add(ride(10))


@pytest.mark.parametrize("seed", range(12))
def test_what_can_be_read_of_a_damaged_file_is_saved(path: Path, seed: int) -> None:
    dice = random.Random(seed)
    made = ride(400)
    with open_log(path) as log:
        log.add_maximum(MaximumEntry(187, "test", STARTED_S, state="accepted"))
        for _ in range(8):
            log.add(made)
    with closing(sqlite3.connect(path)) as connection:
        roots = {root for (root,) in connection.execute("SELECT rootpage FROM sqlite_master")}
    content = bytearray(path.read_bytes())
    # A table whose root is lost has nothing that leads to its rows.
    pages = [page for page in range(1, len(content) // schema.PAGE_BYTES + 1) if page not in roots | {1}]
    for page in dice.sample(pages, k=3):
        at = (page - 1) * schema.PAGE_BYTES
        content[at : at + schema.PAGE_BYTES] = dice.randbytes(schema.PAGE_BYTES)
    path.write_bytes(content)
    with open_log(path, thorough=True) as log:
        assert any("damaged" in text for text in log.recovered)
        rides = log.rides()
        saved = sum(each.measurements for each in rides)
        for each in rides:
            record = log.record(each.ride_id)
            assert each.facts.hr_max_bpm == 187
            # No measurement is made up: what is there was ridden.
            where = np.rint(record.t_s).astype(int)
            assert np.array_equal(record.hr_bpm, made.hr_bpm[where])
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    # Three pages of some ninety were lost, each with the measurements of a block at most.
    assert saved >= 8 * 400 - 3 * 50
    assert len(list(path.parent.glob("*.damaged-*"))) == 1


def without(content: bytes, first: int, last: int) -> bytes:
    return content[:first] + bytes(last - first) + content[last:]


@pytest.mark.parametrize("waiting", [False, True], ids=["carried over", "in the write-ahead log"])
def test_a_lost_header_schema_or_end_costs_no_ride(path: Path, tmp_path: Path, waiting: bool) -> None:
    made = ride(400)
    with open_log(tmp_path / "whole" / path.name) as log:
        log.add(made)
        log.add(made)
        if not waiting:
            log.delete(log.add(made))
        files = {file.name: file.read_bytes() for file in (tmp_path / "whole").iterdir() if not file.match("*-shm")}
    assert bool(files.get(path.name + "-wal")) is waiting
    with closing(sqlite3.connect(tmp_path / "whole" / path.name)) as connection:
        roots = {root for (root,) in connection.execute("SELECT rootpage FROM sqlite_master")}
    content = files[path.name]
    page = schema.PAGE_BYTES
    spoiled = [without(content, (number - 1) * page, number * page) for number in set(range(1, 12)) - roots]
    if not waiting:
        # Its last pages are free since a ride was deleted.
        spoiled += [content[:-page], content[: -page // 2]]
    # The page size, the sizes of the file, of what is kept free in a page and of the cache, the schema's number.
    spoiled += [without(content, at, at + 1) for at in (0, 16, 17, 21, 22, 23, 31, 47, 59)]
    spoiled += [content[:at] + b"\xff" + content[at + 1 :] for at in (0, 16, 17, 18, 19, 20, 21, 28, 44, 60)]
    for number, one in enumerate(spoiled):
        where = tmp_path / f"{number}" / path.name
        where.parent.mkdir()
        for name, whole in files.items():
            (where.parent / name).write_bytes(one if name == path.name else whole)
        with open_log(where, thorough=True) as log:
            assert [each.measurements for each in log.rides()] == [400, 400], number
            assert same_measurements(log.record(2), made)
        assert [file.name for file in where.parent.glob("*.copy*")] == []


class StoppedClock(datetime):
    @classmethod
    def now(cls, tz: tzinfo | None = None) -> StoppedClock:
        return cls(2026, 1, 1, tzinfo=tz)


def test_a_damaged_block_costs_its_measurements_only(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = ride(400)
    with open_log(path) as log:
        log.add(made)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE block SET rr = zeroblob(3) WHERE number = 2")
    with open_log(path) as log, pytest.raises(LogError, match="`rumblestrip rides check`"):
        log.record(1)
    # The clock of a board without a battery may say the same at every start.
    monkeypatch.setattr(schema, "datetime", StoppedClock)
    earlier = path.with_name("rides.sqlite3.damaged-20260101-000000")
    earlier.write_text("an earlier one")
    with open_log(path, thorough=True) as log:
        assert "damaged-20260101-000000-2." in log.recovered[0]
        assert earlier.read_text() == "an earlier one"
        assert 340 < log.ride(1).measurements < 400
        assert len(log.record(1).t_s) == log.ride(1).measurements


@pytest.mark.parametrize("detail", ["'{\"kind\": '", "'7'", "CAST(x'7b22ff' AS TEXT)"])
def test_a_damaged_mark_costs_its_detail_only(path: Path, detail: str) -> None:
    made = ride(400)
    with open_log(path) as log:
        log.add(made)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"UPDATE mark SET detail = {detail} WHERE number = 2")
    with open_log(path) as log, pytest.raises(LogError, match="`rumblestrip rides check`"):
        log.record(1)
    with open_log(path, thorough=True) as log:
        assert "damaged" in log.recovered[0]
        record = log.record(1)
    assert same_measurements(record, made)
    assert record.marks == (*made.marks[:2], replace(made.marks[2], detail={}), *made.marks[3:])


def test_a_wrong_byte_in_a_name_costs_that_byte(path: Path) -> None:
    with open_log(path) as log:
        log.add(ride(60))
        log.keep_reviews({1: {"ridden_s": 59.0}}, "1")
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE ride SET plan = CAST(x'68ff6c6c73' AS TEXT)")
        connection.execute("UPDATE review SET content = CAST(x'7b22ff' AS TEXT)")
    with open_log(path, thorough=True) as log:
        assert log.recovered == ()
        assert log.record(1).facts == replace(FACTS, plan="h\ufffdlls")
        # It is worked out again.
        assert log.review(1, "1") is None


# --- versions -------------------------------------------------------------------------------------------------------


def test_an_older_log_is_moved_forward_and_a_copy_kept(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = ridden(path, 20)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, "ALTER TABLE ride ADD COLUMN bicycle TEXT"))
    with open_log(path) as log:
        assert log.recovered == (
            "The ride log was moved from version 1 to 2; a copy is kept as rides.sqlite3.version-1.",
        )
        assert same_measurements(log.record(1), made)
    with open_log(path) as log:
        assert log.recovered == ()
    copy = path.with_name("rides.sqlite3.version-1")
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    monkeypatch.undo()
    with open_log(copy) as log:
        assert same_measurements(log.record(1), made)
    with pytest.raises(LogError, match="newer release"):
        open_log(path)


def test_a_failed_move_leaves_the_old_version(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = ridden(path, 20)
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, "CREATE TABLE extra (id INTEGER); NONSENSE"))
    with pytest.raises(LogError, match="cannot be moved from version 1 to 2"):
        open_log(path)
    assert [file.name for file in path.parent.iterdir()] == [path.name]
    monkeypatch.undo()
    with open_log(path) as log:
        assert same_measurements(log.record(1), made)


# --- beside the rides -----------------------------------------------------------------------------------------------


def test_reviews_are_kept_by_version(path: Path) -> None:
    with open_log(path) as log:
        ride_id = log.add(ride(10))
        log.keep_reviews({ride_id: {"ridden_s": 9.0}, 99: {}}, "1")
        assert log.review(ride_id, "1") == {"ridden_s": 9.0}
        assert log.review(ride_id, "2") is None
        log.keep_reviews({ride_id: {"ridden_s": 8.0}}, "2")
        assert (log.review(ride_id, "1"), log.review(ride_id, "2")) == (None, {"ridden_s": 8.0})
        assert log.review(99, "1") is None


def test_a_proposal_for_the_maximum_is_decided_once(path: Path) -> None:
    entry = MaximumEntry(191, "ride", STARTED_S, low_bpm=188.5, high_bpm=194.0, why="peak of the hill")
    with open_log(path) as log:
        entry_id = log.add_maximum(entry)
        log.decide_maximum(entry_id, "refused", by="rider", at_unix_s=STARTED_S + 5)
        with pytest.raises(LogError, match="no open proposal"):
            log.decide_maximum(entry_id, "accepted", by="rider", at_unix_s=STARTED_S + 6)
    with open_log(path) as log:
        assert log.maxima() == [
            replace(
                entry,
                entry_id=entry_id,
                state="refused",
                decided_by="rider",
                decided_unix_s=STARTED_S + 5,
            )
        ]
