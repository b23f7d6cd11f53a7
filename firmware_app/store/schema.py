"""The database of the ride log: its tables, how it is opened, mended after a crash, and moved to a newer version.

What a connection promises: the write-ahead log (WAL) is on, so that a reader never waits for the writer; what was
deleted is overwritten; files are readable by their owner only. How often it is written and made durable is decided in
``writer``.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from firmware_app.core.events import Mark
from firmware_app.core.record import RideFacts
from firmware_app.core.times import clock_text
from firmware_app.store import blocks

PAGE_BYTES = 1024
"""Small pages: a commit writes whole pages, and at one measurement a second most of a page would be written in vain."""

QUICKLY_CHECKED_BYTES = 32_000_000
"""Up to here, some 350 hours of riding, the whole file is checked after a crash. A rider at the roadside cannot wait
for more: the cut ride itself is always read, and `rumblestrip rides check` reads everything."""

_APPLICATION_ID = 0x52554D42
"""RUMB, in ASCII."""
_PAGES_AT = 28
"""Where a file says how many pages it has: https://www.sqlite.org/fileformat.html#the_database_header"""
_HELD_S = 5.0
"""How long a statement waits for another program that holds the database (own choice)."""
_LAST_ROWID = 1 << 40
"""Far beyond any row of ours: what a damaged file seems to have there is not looked for."""

STEPS = (
    """
    CREATE TABLE ride (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        started_unix_s REAL,
        hr_max_bpm INTEGER NOT NULL,
        hr_rest_bpm INTEGER,
        scheme TEXT NOT NULL,
        plan TEXT NOT NULL,
        target TEXT NOT NULL,
        source TEXT NOT NULL,
        ended TEXT,
        duration_ms INTEGER,
        measurements INTEGER,
        trusted INTEGER,
        peak_bpm REAL
    ) STRICT;
    CREATE TABLE block (
        ride INTEGER NOT NULL REFERENCES ride ON DELETE CASCADE,
        number INTEGER NOT NULL,
        measurements BLOB NOT NULL,
        rr BLOB NOT NULL,
        UNIQUE (ride, number)
    ) STRICT;
    CREATE TABLE mark (
        ride INTEGER NOT NULL REFERENCES ride ON DELETE CASCADE,
        number INTEGER NOT NULL,
        t_ms INTEGER NOT NULL,
        kind TEXT NOT NULL,
        detail TEXT NOT NULL,
        UNIQUE (ride, number)
    ) STRICT;
    CREATE TABLE maximum (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        at_unix_s REAL NOT NULL,
        value_bpm INTEGER NOT NULL,
        low_bpm REAL,
        high_bpm REAL,
        origin TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('proposed', 'accepted', 'refused')),
        decided_by TEXT NOT NULL,
        decided_unix_s REAL,
        why TEXT NOT NULL,
        ride INTEGER REFERENCES ride ON DELETE SET NULL
    ) STRICT;
    CREATE TABLE review (
        ride INTEGER PRIMARY KEY REFERENCES ride ON DELETE CASCADE,
        version TEXT NOT NULL,
        content TEXT NOT NULL
    ) STRICT;
    """,
)
"""STEPS[n] leads from version n to version n + 1. A released step is never changed: a new one is added behind it. The
column ``ride`` of ``maximum`` stands there unused."""

FACTS = "started_unix_s, hr_max_bpm, hr_rest_bpm, scheme, plan, target, source"
RIDE = f"id, {FACTS}, ended, duration_ms, measurements, trusted, peak_bpm"
"""Columns of a ride, in the order that ``facts_row`` and readers count on."""

_TABLES = {
    "ride": RIDE,
    "block": "ride, number, measurements, rr",
    "mark": "ride, number, t_ms, kind, detail",
    "maximum": "id, at_unix_s, value_bpm, low_bpm, high_bpm, origin, state, decided_by, decided_unix_s, why",
}
"""What is worth saving from a damaged file. Reviews are not: they are worked out again."""


class LogError(Exception):
    """The ride log cannot be used. The text names the file, what is wrong and the cure."""


def kept_copies(path: Path) -> list[Path]:
    """Damaged files that were set aside, and copies of older versions. They may hold rides that were deleted since."""
    path = path.resolve()
    return sorted((*path.parent.glob(f"{path.name}*.damaged-*"), *path.parent.glob(f"{path.name}*.version-*")))


def beside_path(path: Path) -> Path:
    """Where rides are kept while something else, or a newer release's log, is in the log's place."""
    return path.with_name(path.name + ".beside")


def wal_path(path: Path) -> Path:
    """The write-ahead log that lies beside the database while it is open, or after a crash."""
    path = path.resolve()  # where the log is a link, SQLite keeps it beside what that leads to
    return path.with_name(path.name + "-wal")


def connect(path: Path) -> sqlite3.Connection:
    """A connection that writes, made private before SQLite fills it. Raises sqlite3.Error or OSError."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    # O_CREAT without O_EXCL: a file that is there keeps its content, and loses what rights others had.
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        if os.fstat(handle).st_mode & 0o077:
            with suppress(PermissionError):  # another's file that all may write: `check` tells, and it costs no ride
                os.fchmod(handle, 0o600)
    finally:
        os.close(handle)
    # psow=0: SQLite must not trust the card to leave alone what lies beside a write that the power cut short. It then
    # fills up the write-ahead log at every barrier, so that no durable byte is ever sent to the card again.
    uri = f"{path.absolute().as_uri()}?psow=0"
    connection = sqlite3.connect(uri, uri=True, timeout=_HELD_S, isolation_level=None, check_same_thread=False)
    connection.text_factory = _text
    try:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA secure_delete = ON")
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def _opened_folder(folder: Path) -> Iterator[int]:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield handle
    finally:
        os.close(handle)


def _sync_folder(folder: Path) -> None:
    """Make new and renamed files findable after a power cut."""
    with _opened_folder(folder) as handle:
        os.fsync(handle)


def connect_to_read(path: Path, *, thorough: bool) -> tuple[sqlite3.Connection, list[str]]:
    """A connection to a file on a card that cannot be written just now, and what it does not show in the rider's words.

    Raises LogError when it is of another version, sqlite3.Error when there is none, and what ``is_damage`` knows.
    """
    try:
        return _connect_to_read(path, "mode=ro", thorough), []
    except sqlite3.OperationalError:
        # With a write-ahead log SQLite wants its shared index, and here is none and no room for one.
        connection = _connect_to_read(path, "immutable=1", thorough)
    wal = wal_path(path)
    if not wal.exists() or not wal.stat().st_size:
        return connection, []
    return connection, [f"What was ridden last lies in {wal.name} and is shown when the card can be written again."]


def _connect_to_read(path: Path, how: str, thorough: bool) -> sqlite3.Connection:
    uri = f"{path.resolve().as_uri()}?{how}"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    connection.text_factory = _text
    try:
        version = check_version(connection, path)
        if not version:
            raise sqlite3.OperationalError("nothing was ever written to it")
        if version < len(STEPS):
            what = "is of an older version, and can only be read: it is moved forward once it can be written"
            raise LogError(f"{path}: {what}")
        if thorough:
            _check(connection, thorough)
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # After a full card SQLite may have rolled back by itself.
        if connection.in_transaction:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
        raise


class _DamagedError(sqlite3.DatabaseError):
    """The file can be opened, but what is in it does not hold together."""


TROUBLE = (sqlite3.Error, OSError, UnicodeDecodeError)
"""What comes of a bad card or file. SQLite's own error may quote what is damaged, and then its words are no text."""


def open_database(path: Path, *, mend: bool = True, thorough: bool = False) -> tuple[sqlite3.Connection, list[str]]:
    """The database, ready for use, and what had to be done to it in the rider's words.

    An older version is moved forward, with a copy kept. A file that SQLite cannot read is set aside, and what can be
    read of it saved into a new one. mend: rides that were cut are ended and, if there is one, SQLite's own check reads
    the file unless it is large; thorough: it does so in any case, and every block is read too. All this only while
    nobody writes. Raises LogError for a newer version, for what is not a file, or when it cannot be thorough now, and
    `TROUBLE` when the card fails.
    """
    if os.path.lexists(path) and not path.is_file():
        raise LogError(f"{path}: is not a file but a folder, a device or a link that leads nowhere; move it away")
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    with _nobody_writes(path.parent) as alone:
        if thorough and not alone:
            raise LogError(f"{path}: is being written just now; check it when the ride is over")
        return _sound(path, mend and alone, thorough, alone)


def _sound(path: Path, mend: bool, thorough: bool, alone: bool) -> tuple[sqlite3.Connection, list[str]]:
    try:
        return _opened(path, mend, thorough)
    except (*TROUBLE, blocks.BlockError) as error:
        if not alone or not is_damage(error):
            raise
    done = _set_aside(path)
    connection, more = _opened(path, mend, False)
    return connection, done + more


def _opened(path: Path, mend: bool, thorough: bool) -> tuple[sqlite3.Connection, list[str]]:
    if _is_emptied(path):
        raise _DamagedError
    connection = connect(path)
    try:
        done = migrate(connection, path)
        for table, columns in _TABLES.items():
            connection.execute(f"SELECT {columns} FROM {table} LIMIT 0")
        if mend:
            done += _bring_in(connection, path)
        cut = [row[0] for row in connection.execute("SELECT id FROM ride WHERE ended IS NULL ORDER BY id")]
        if thorough or (mend and cut and path.stat().st_size <= QUICKLY_CHECKED_BYTES):
            _check(connection, thorough)
        if mend and cut:
            done += _end_cut_rides(connection, cut)
    except BaseException:
        connection.close()
        raise
    return connection, done


def _bring_in(connection: sqlite3.Connection, path: Path) -> list[str]:
    """Take in the rides that were kept beside the log. What fails waits for the next time: it must not cost the log."""
    beside = beside_path(path)
    if not beside.exists():
        return []
    taken = 0
    try:
        other, done = _sound(beside, mend=False, thorough=True, alone=True)
        with closing(other):
            with transaction(connection):
                for number, *ride in other.execute(f"SELECT {RIDE} FROM ride ORDER BY id").fetchall():
                    taken += 1
                    if _is_there(connection, other, number):
                        continue
                    query = f"INSERT INTO ride ({RIDE}) VALUES (NULL{', ?' * len(ride)})"
                    ride_id = connection.execute(query, ride).lastrowid
                    for table in ("block", "mark"):
                        columns = _TABLES[table].removeprefix("ride, ")
                        rows = other.execute(f"SELECT {columns} FROM {table} WHERE ride = ?", (number,))
                        query = f"INSERT INTO {table} (ride, {columns}) VALUES (?{', ?' * len(columns.split(','))})"
                        connection.executemany(query, ((ride_id, *row) for row in rows))
            # What is deleted from the log later should not be found in what is left of this file. On a full card it may
            # be: to bring the same rides in again and again would be worse.
            with suppress(sqlite3.Error):
                other.execute("DELETE FROM ride")
                other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        beside.unlink()
        wal_path(beside).unlink(missing_ok=True)
        _sync_folder(path.parent)
    except (*TROUBLE, LogError) as error:
        return [f"The rides in {beside} cannot be brought into the log yet: {cause(error)}."]
    return [*done, f"Rides that were kept in {beside.name}, {taken} of them, are in the log now."]


def _is_there(connection: sqlite3.Connection, other: sqlite3.Connection, number: int) -> bool:
    """Whether this ride of the other database, all of it, came into the log before the power failed."""
    facts = other.execute(f"SELECT {FACTS} FROM ride WHERE id = ?", (number,)).fetchone()
    alike = " AND ".join(f"{name} IS ?" for name in FACTS.split(", "))
    rides = connection.execute(f"SELECT id FROM ride WHERE {alike}", facts).fetchall()
    return any(_content(connection, ride) == _content(other, number) for (ride,) in rides)


def _content(connection: sqlite3.Connection, ride: int) -> list[tuple[Any, ...]]:
    """Blocks and marks of a ride, in order."""
    found: list[tuple[Any, ...]] = []
    for table in ("block", "mark"):
        columns = _TABLES[table].removeprefix("ride, ")
        found += connection.execute(f"SELECT {columns} FROM {table} WHERE ride = ? ORDER BY number", (ride,))
    return found


def _is_emptied(path: Path) -> bool:
    """Whether the file lost all it had and its write-ahead log did not: SQLite would throw that away."""
    with suppress(FileNotFoundError):
        return not path.stat().st_size and wal_path(path).stat().st_size > 0
    return False


def _check(connection: sqlite3.Connection, thorough: bool) -> None:
    """Reads the whole file; thorough: every block and mark too. Raises what ``is_damage`` knows."""
    if connection.execute("PRAGMA quick_check(1)").fetchall() != [("ok",)]:
        raise _DamagedError
    if thorough:
        for block in connection.execute("SELECT measurements, rr FROM block"):
            blocks.unpack([block])
        for (detail,) in connection.execute("SELECT detail FROM mark"):
            mark_detail(detail)


@contextmanager
def _nobody_writes(folder: Path) -> Iterator[bool]:
    """Whether no writer is at work; while True none can begin. The lock is the folder's: no file of its own to lose."""
    with _opened_folder(folder) as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            alone = True
        except OSError:
            alone = False
        yield alone


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Tells others, while it lasts, that a ride is being written. Raises OSError."""
    with _opened_folder(folder) as handle:
        fcntl.flock(handle, fcntl.LOCK_SH)
        yield


def code_of(error: Exception) -> int | None:
    """SQLite's primary result code of an error, or None."""
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else int(code) & 0xFF


def is_damage(error: Exception) -> bool:
    """Whether the file's content is broken, or another's (rather than that SQLite cannot get at it)."""
    if isinstance(error, _DamagedError | blocks.BlockError | UnicodeDecodeError):
        return True
    # SQLITE_ERROR: what this program asks for, its tables do not have.
    return code_of(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)


def is_held(error: Exception) -> bool:
    """Whether another program is writing just now."""
    return code_of(error) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def is_read_only(error: Exception) -> bool:
    """Whether the card, or the rights, allow reading only."""
    number = error.errno if isinstance(error, OSError) else None
    return code_of(error) == sqlite3.SQLITE_READONLY or number in (errno.EROFS, errno.EACCES, errno.EPERM)


def is_full(error: Exception) -> bool:
    """Whether the card has no room left."""
    number = error.errno if isinstance(error, OSError) else None
    # A log cannot even be opened without room for SQLite's shared index.
    no_index = getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_IOERR_SHMSIZE
    return code_of(error) == sqlite3.SQLITE_FULL or no_index or number in (errno.ENOSPC, errno.EDQUOT)


def cause(error: Exception) -> str:
    """What went wrong with the file and what to do about it, in the middle of a sentence."""
    if isinstance(error, LogError):
        return str(error)
    code = code_of(error)
    number = error.errno if isinstance(error, OSError) else None
    if is_full(error):
        return "the card is full; free some space on it"
    if is_read_only(error):
        return "the card can only be read; check its lock and its rights, or replace it"
    if code == sqlite3.SQLITE_CANTOPEN or number in (
        errno.ENOENT,
        errno.ENOTDIR,
        errno.EISDIR,
        errno.EEXIST,
        errno.ENODEV,
    ):
        return "the ride log cannot be reached; check that its folder is there and is yours"
    if is_damage(error):
        return "the ride log is damaged; `rumblestrip rides check` sets it aside and saves what can be read"
    if is_held(error):
        return "another program holds the ride log; let it finish"
    return f"the card gives errors ({error}); replace it when you can"


def trouble(path: Path, error: Exception) -> LogError:
    """The error for whoever asked."""
    return LogError(f"{path}: {cause(error)}")


def migrate(connection: sqlite3.Connection, path: Path) -> list[str]:
    """Move the database forward to the version of this program. Raises LogError when it is newer than that."""
    version = check_version(connection, path)
    if version == len(STEPS):
        return []
    done = []
    copy = None
    if version:
        real = path.resolve()
        copy = _unused(real.with_name(f"{real.name}.version-{version}"))
        _copy(connection, copy)
        done.append(f"The ride log was moved from version {version} to {len(STEPS)}; a copy is kept as {copy.name}.")
    try:
        with transaction(connection):
            # Asked again, now that nobody else can be doing the same.
            version = _version(connection)
            if not version and connection.execute("SELECT 1 FROM sqlite_schema").fetchone():
                raise _DamagedError
            for number in range(version, len(STEPS)):
                for statement in STEPS[number].split(";"):
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {number + 1}")
            connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
    except sqlite3.Error as error:
        if copy is not None:
            # It is tried again and again during a ride: the copies would fill the card.
            copy.unlink()
            if code_of(error) == sqlite3.SQLITE_ERROR:
                raise LogError(
                    f"{path}: cannot be moved from version {version} to {len(STEPS)} ({error}) and is as it was; "
                    "go back to the release that wrote it"
                ) from error
        raise
    _sync_folder(path.parent)
    return done


def check_version(connection: sqlite3.Connection, path: Path) -> int:
    """The version of the database. Raises LogError when it is newer than this program, _DamagedError below nought."""
    version = _version(connection)
    if version < 0:
        raise _DamagedError
    if version > len(STEPS):
        raise LogError(
            f"{path}: was written by a newer release (version {version} after {len(STEPS)}); update this one"
        )
    return version


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _copy(connection: sqlite3.Connection, copy: Path) -> None:
    part = copy.with_name(copy.name + ".part")
    part.unlink(missing_ok=True)
    os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(sqlite3.connect(part)) as target:
        connection.backup(target)
    part.replace(copy)


def _set_aside(path: Path) -> list[str]:
    """Put a new database in the damaged one's place, with every row that can still be read. Keeps the damaged one."""
    path = path.resolve()  # beside a link there may be another card
    fresh = path.with_name(path.name + ".part")
    fresh.unlink(missing_ok=True)
    wal_path(fresh).unlink(missing_ok=True)
    with closing(connect(fresh)) as target:
        migrate(target, fresh)
        target.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        saved = _salvage(path, target, fresh.read_bytes())
    kept = _unused(path.with_name(f"{path.name}.damaged-{datetime.now():%Y%m%d-%H%M%S}"))
    # The write-ahead log first: should the power fail between the two, a database without it is only set aside again.
    if wal_path(path).exists():
        wal_path(path).replace(wal_path(kept))
        if not wal_path(kept).stat().st_size:
            wal_path(kept).unlink()
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    # A link: should the power fail between the two, there is a log still, and it is only set aside again.
    try:
        os.link(path, kept)
    except OSError:
        path.replace(kept)  # a card whose file system has no links
    fresh.replace(path)
    _sync_folder(path.parent)
    return [f"The ride log was damaged. {saved} The damaged file is kept as {kept.name}."]


def _unused(path: Path) -> Path:
    """This name, or one after it: nothing that was kept is ever overwritten, whatever the clock says."""
    name, number = path.name, 1
    while path.exists():
        number += 1
        path = path.with_name(f"{name}-{number}")
    return path


def _salvage(path: Path, target: sqlite3.Connection, blank: bytes) -> str:
    """Copy what can be read, row by row. blank: the file of a log without rides.

    A ride whose facts are lost takes the maximum of the ride before it, or else the one accepted last; with neither it
    stays in the damaged file, since what it was cannot be told.
    """
    with transaction(target):
        target.execute("PRAGMA defer_foreign_keys = ON")
        whole = False
        if not _is_emptied(path):
            with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as source:
                whole = _save_rows(source, target)
        if not whole:
            with _under_our_schema(path, blank, target) as source:
                _save_rows(source, target)
        target.execute(
            """
            INSERT INTO ride (id, hr_max_bpm, hr_rest_bpm, scheme, plan, target, source)
            SELECT lost.ride, near.hr_max_bpm, near.hr_rest_bpm, near.scheme, '', '', near.source
            FROM (SELECT DISTINCT ride FROM block WHERE ride NOT IN (SELECT id FROM ride)) AS lost
            JOIN ride AS near ON near.id = coalesce(
                (SELECT max(id) FROM ride WHERE id < lost.ride), (SELECT min(id) FROM ride))
            """
        )
        target.execute(
            """
            INSERT INTO ride (id, hr_max_bpm, scheme, plan, target, source)
            SELECT DISTINCT block.ride, accepted.value_bpm, '', '', '', 'strap'
            FROM block, (SELECT value_bpm FROM maximum WHERE state = 'accepted' ORDER BY id DESC LIMIT 1) AS accepted
            WHERE block.ride NOT IN (SELECT id FROM ride)
            """
        )
        for table in ("block", "mark"):
            target.execute(f"DELETE FROM {table} WHERE ride NOT IN (SELECT id FROM ride)")
        rides = target.execute("SELECT id, ended FROM ride").fetchall()
        for ride, ended in rides:
            if ended is not None:
                finish(target, ride, ended)
    return f"{len(rides)} rides could be read, whole or in part, and are in the new one."


def _save_rows(source: sqlite3.Connection, target: sqlite3.Connection) -> bool:
    """Every row that can be read and is not there yet; whether all of them could be."""
    # With it SQLite goes by as much of the schema as it can read, and by the size that the file really has.
    source.execute("PRAGMA writable_schema = ON")
    source.text_factory = _text
    whole = True
    for table, columns in _TABLES.items():
        marks = ", ".join("?" * len(columns.split(",")))
        for row in _readable_rows(source, table, columns):
            if row is None:
                whole = False
                continue
            # A row that breaks a rule of its table is part of the damage.
            with suppress(sqlite3.IntegrityError):
                if table == "block":
                    try:
                        blocks.unpack([row[2:]])
                    except (blocks.BlockError, TypeError):
                        continue
                elif table == "mark":
                    try:
                        mark_detail(row[-1])
                    except (_DamagedError, TypeError):
                        # That something happened, and when, is worth keeping.
                        row = (*row[:-1], "{}")
                target.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", row)
    return whole


@contextmanager
def _under_our_schema(path: Path, blank: bytes, target: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """A damaged file, for when its header or schema cannot be read: a copy of it with those of a log without rides."""
    copy = path.with_name(path.name + ".copy")
    files = (copy, wal_path(copy), copy.with_name(copy.name + "-shm"))
    roots = {root for (root,) in target.execute("SELECT rootpage FROM sqlite_schema")}
    try:
        for one, its_copy in ((path, copy), (wal_path(path), wal_path(copy))):
            its_copy.unlink(missing_ok=True)
            if one.exists():
                its_copy.touch(mode=0o600)
                shutil.copyfile(one, its_copy)
        with copy.open("r+b") as file:
            for at in range(0, len(blank), PAGE_BYTES):
                if at // PAGE_BYTES + 1 not in roots:
                    file.seek(at)
                    file.write(blank[at : at + PAGE_BYTES])
            pages = -(-file.seek(0, os.SEEK_END) // PAGE_BYTES)
            file.truncate(pages * PAGE_BYTES)
            file.seek(_PAGES_AT)
            file.write(pages.to_bytes(4, "big"))
        with closing(sqlite3.connect(copy)) as source:
            yield source
    finally:
        for each in files:
            each.unlink(missing_ok=True)


def _readable_rows(source: sqlite3.Connection, table: str, columns: str) -> Iterator[tuple[Any, ...] | None]:
    """Every row of a table that can be reached by its rowid; unreadable stretches are stepped over, with a None."""
    start, step, failures = 0, 1, 0
    # One at a time: a cursor that runs into a bad page takes the good row before it along.
    query = f"SELECT rowid, {columns} FROM {table} WHERE rowid >= ? ORDER BY rowid LIMIT 1"
    while start < _LAST_ROWID:
        try:
            found = source.execute(query, (start,)).fetchall()
            if found and found[0][0] < start:
                raise _DamagedError  # the tree leads back to where we were, and would for ever
        except TROUBLE:
            if not failures:
                yield None
            failures += 1
            # One bad page may lead to a thousand rows; past them nothing more is likely to come.
            step = 1 if failures < 1000 else step * 2
            start += step
            continue
        if not found:
            return
        start, step, failures = found[0][0] + 1, 1, 0
        yield found[0][1:]


@dataclass(frozen=True, slots=True)
class Summary:
    """What a list of rides shows of one: its length, its measurements, how many of them trusted, the highest."""

    duration_ms: int
    measurements: int
    trusted: int
    peak_bpm: float | None


def summarise(connection: sqlite3.Connection, ride: int) -> Summary:
    """The summary of a ride as it is stored now. Raises blocks.BlockError when a block is damaged."""
    columns = blocks.unpack(
        connection.execute("SELECT measurements, rr FROM block WHERE ride = ? ORDER BY number", (ride,))
    )
    last_mark_ms = connection.execute("SELECT max(t_ms) FROM mark WHERE ride = ?", (ride,)).fetchone()[0] or 0
    last_ms = round(float(columns.t_s[-1]) * 1000) if len(columns.t_s) else 0
    trusted_bpm = columns.trusted_bpm[columns.trusted_bpm == columns.trusted_bpm]
    peak_bpm = float(trusted_bpm.max()) if len(trusted_bpm) else None
    return Summary(max(last_ms, last_mark_ms), len(columns.t_s), len(trusted_bpm), peak_bpm)


def finish(connection: sqlite3.Connection, ride: int, ended: str) -> Summary:
    """End a ride and keep its summary. Within a transaction of the caller's."""
    summary = summarise(connection, ride)
    connection.execute(
        "UPDATE ride SET ended = ?, duration_ms = ?, measurements = ?, trusted = ?, peak_bpm = ? WHERE id = ?",
        (ended, summary.duration_ms, summary.measurements, summary.trusted, summary.peak_bpm, ride),
    )
    return summary


def facts_row(facts: RideFacts) -> tuple[object, ...]:
    """The facts of a ride as they are stored, in the order of FACTS."""
    return (
        facts.started_unix_s,
        facts.hr_max_bpm,
        facts.hr_rest_bpm,
        text(facts.scheme),
        text(facts.plan),
        text(facts.target),
        text(facts.source),
    )


def text(words: str) -> str:
    """Words as they can be stored: a file's name may hold bytes that are no UTF-8, and no ride is lost for that."""
    return words.encode(errors="backslashreplace").decode()


def mark_row(mark: Mark) -> tuple[int, str, str]:
    """A mark as it is stored: t_ms, kind, detail as JSON."""
    detail = json.dumps(dict(mark.detail), ensure_ascii=False, default=str)
    return max(round(mark.t_s * 1000), 0), mark.kind, text(detail)


def mark_detail(stored: str) -> dict[str, Any]:
    """The detail of a mark as it was before ``mark_row``. Raises sqlite3.DatabaseError when it is damaged."""
    try:
        detail = json.loads(stored)
    except ValueError as error:
        raise _DamagedError from error
    if not isinstance(detail, dict):
        raise _DamagedError
    return detail


def _text(stored: bytes) -> str:
    """Text as it is read: one wrong byte in a name or a word costs that byte."""
    return stored.decode(errors="replace")


def _end_cut_rides(connection: sqlite3.Connection, cut: list[int]) -> list[str]:
    done = []
    with transaction(connection):
        for ride in cut:
            summary = finish(connection, ride, "cut")
            until = clock_text(summary.duration_ms // 1000)
            done.append(f"Ride {ride} was cut and is saved up to {until}, {summary.measurements} measurements.")
    return done
