"""Writes a ride to the log while it is ridden, on a thread of its own.

The caller's part (``begin``, ``take``, ``end``) only puts things in a queue: it never waits and never raises. The
thread commits what has come in every 1.25 s, which a killed program cannot lose any more, and makes it durable 2.5 s
later, which a power cut cannot take any more. Between the two lies the promise of the log: two seconds at most are
lost when the program is killed, five when the power fails, with the rest of the time left to a slow card.

Nothing leaves the memory before it is durable. While the card is full, read-only or failing, measurements wait in
memory, packed as they will be stored; the database is opened again and again, further and further apart, until it takes
them.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from firmware_app.core.dates import date_of
from firmware_app.core.events import Effect, Fault, Mark, Sample
from firmware_app.core.record import RideFacts
from firmware_app.store import schema
from firmware_app.store.blocks import Block, pack
from firmware_app.store.log import CutRide

COMMIT_S = 1.25
"""What has come in is committed so often, for a killed program to lose two seconds at most (docs/log.md)."""

SYNC_S = 2.5
"""From the first commit that is not yet durable until it is made so: every third is."""

MAX_WAITING = 100_000
"""Measurements and marks kept in memory while nothing can be written: over a day at one a second, some 3 MB. Past it
the ones that come are left out: the beginning of the ride is kept, and the fault says so."""

_HANG_S = 20.0
"""A card that has not answered for so long is reported, though its call has not failed yet."""

_RETRY_S = (1.0, 2.0, 4.0, 8.0, 16.0, 30.0)
"""How long a failing card is left alone, one failure after the other; the last goes on (own choice)."""

_CHECKPOINT_BYTES = 1 << 20
"""From this size on the write-ahead log is carried over into the database, about every ten minutes."""

_BUSY_RETRIES = 3
"""A database that another program holds is not told as a fault before so many failures (own choice)."""


@dataclass(slots=True)
class _Begin:
    """written_as: the ride's number once its first batch is written; the thread tells it to the caller here."""

    facts: RideFacts
    ride_id: int | None
    written_as: int | None = None


@dataclass(frozen=True, slots=True)
class _End:
    how: str


@dataclass(slots=True)
class _Ride:
    """One ride and what of it is not durable yet. Block and mark numbers count from ``first_block``, ``first_mark``.

    stored: its facts as they were last committed. present: its row is known to be in the database that is open now.
    """

    begin: _Begin
    facts: RideFacts
    stored: RideFacts
    id: int | None
    present: bool = False
    first_block: int | None = None
    first_mark: int = 0
    blocks: list[Block] = field(default_factory=list)
    marks: list[tuple[int, int, str, str]] = field(default_factory=list)
    marks_seen: int = 0
    marks_committed: int = 0
    clock_moved: bool = False
    ended: str | None = None
    end_committed: bool = False

    @property
    def dirty(self) -> bool:
        return (
            not self.present
            or self.marks_committed < len(self.marks)
            or any(block.dirty for block in self.blocks)
            or (self.ended is not None and not self.end_committed)
        )

    def forget_commits(self) -> None:
        """The database is gone or in doubt: all that is kept has to be written again."""
        self.present = False
        self.marks_committed = 0
        self.end_committed = False
        for block in self.blocks:
            block.dirty = True


class LogWriter:
    """The ride log, for writing. One ride at a time; outside a ride nothing is kept.

        writer = LogWriter(log_path(), on_fault)
        writer.begin(facts)
        writer.take(effects)
        writer.end("rider")
        lost = writer.close()

    on_fault: called with a Fault of the part ``storage`` when writing fails, and with an inactive one when it works
    again; mostly from the writer's thread, so an event loop hands it on with ``call_soon_threadsafe``.
    """

    def __init__(
        self, path: Path, on_fault: Callable[[Fault], None] = lambda fault: None, *, commit_s: float = COMMIT_S
    ) -> None:
        self._path = path
        self._on_fault = on_fault
        self._commit_s = commit_s
        self._sync_s = SYNC_S * commit_s / COMMIT_S
        self._queue: deque[_Begin | _End | Sample | Mark] = deque()
        self._latest: _Begin | None = None
        self._left_out = 0
        self._wake = threading.Event()
        self._stopping = False
        self._stop_by_s = 0.0
        self._busy_since_s: float | None = None
        self._hanging = False

        # Below: the thread's own.
        self._connection: sqlite3.Connection | None = None
        self._open = ExitStack()
        self._file = path
        self._inode = 0
        self._made_anew = False
        self._rides: list[_Ride] = []
        self._sorted = 0
        self._waiting = 0
        self._unsynced_since_s: float | None = None
        self._failures = 0
        self._reported = False
        self._overflow_reported = False
        self._written = 0

        self._thread = threading.Thread(target=self._run, name="ride log", daemon=True)
        self._thread.start()

    @property
    def ride_id(self) -> int | None:
        """The number of the latest ride, once its first batch is written."""
        return None if self._latest is None else self._latest.written_as

    @property
    def path(self) -> Path:
        """The file that rides are written to: the log, or one beside it while the log itself takes none."""
        return self._file

    @property
    def written(self) -> int:
        """Measurements committed so far; a killed program does not lose them."""
        return self._written

    def begin(self, facts: RideFacts) -> None:
        """A ride begins, at t_s = 0."""
        self._begin(_Begin(facts, None))

    def resume(self, cut: CutRide) -> None:
        """Go on with a ride that was cut. Times go on from ``cut.t_s``; the caller adds it to the ones it sends."""
        self._begin(_Begin(cut.facts, cut.ride_id))

    def _begin(self, begin: _Begin) -> None:
        self._latest = begin
        self._queue.append(begin)
        self._wake.set()

    def take(self, effects: tuple[Effect, ...]) -> None:
        """Keep the measurements and marks among the effects."""
        for effect in effects:
            if isinstance(effect, Sample | Mark):
                if len(self._queue) < MAX_WAITING:
                    self._queue.append(effect)
                else:
                    self._left_out += 1
        busy_since_s = self._busy_since_s
        if busy_since_s is not None and not self._hanging and time.monotonic() - busy_since_s > _HANG_S:
            self._hanging = True
            self._report("the card does not answer")

    def end(self, how: str) -> None:
        """The ride ends. how: "rider", or in one word what else ended it."""
        self._queue.append(_End(how))
        self._wake.set()

    def close(self, timeout_s: float = 10.0) -> int:
        """Write what is left and stop. Returns how many measurements and marks could not be made durable.

        A ride that was not ended is ended as "cut" by whoever opens the log next.
        """
        self._stop_by_s = time.monotonic() + timeout_s
        self._stopping = True
        self._wake.set()
        self._thread.join(timeout_s)
        return self._left_out + self._waiting + len(self._queue)

    # --- the thread ---------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        stopping = last_try = False
        while True:
            retry_s = _RETRY_S[min(self._failures, len(_RETRY_S)) - 1] if self._failures else 0.0
            self._wake.wait(_RETRY_S[0] if stopping else max(self._commit_s, retry_s))
            self._wake.clear()
            stopping = self._stopping
            self._busy_since_s = time.monotonic()
            held = False
            try:
                self._sort_in()
                self._commit(self._busy_since_s, at_once=stopping)
                if stopping:
                    self._shut()
            # Everything: whatever goes wrong here is a fault to report and to try again, never the end of a ride.
            except Exception as error:
                self._fail(error)
                held = schema.is_held(error)
            else:
                self._failures = 0
                if self._reported or self._hanging:
                    self._reported = self._overflow_reported = self._hanging = False
                    self._tell(Fault("storage", self._again(), active=False))
            self._busy_since_s = None
            # Another program lets go in a moment; the end of a ride is worth waiting for. Anything else is tried once
            # more: a file that was exchanged under the ride is found out only after it was written.
            if stopping and (not self._failures or (last_try and not held) or time.monotonic() >= self._stop_by_s):
                return
            last_try = stopping and (last_try or not held)

    def _sort_in(self) -> None:
        """From the queue into the rides."""
        while self._queue:
            item = self._queue.popleft()
            ride = self._rides[-1] if self._rides and self._rides[-1].ended is None else None
            if isinstance(item, _Begin):
                if ride is not None:
                    ride.ended = "cut"
                self._rides.append(_Ride(item, item.facts, item.facts, item.ride_id))
            elif ride is None:
                continue
            elif isinstance(item, _End):
                ride.ended = item.how
            elif self._waiting >= MAX_WAITING:
                self._left_out += 1
            elif isinstance(item, Sample):
                self._waiting += 1
                self._sorted += 1
                row, rr = pack(item)
                if not ride.blocks or not ride.blocks[-1].has_room(row, rr):
                    number = ride.blocks[-1].number + 1 if ride.blocks else 0
                    ride.blocks.append(Block(number))
                ride.blocks[-1].add(row, rr)
            else:
                self._waiting += 1
                ride.marks.append((ride.marks_seen, *schema.mark_row(item)))
                ride.marks_seen += 1
                unix_s = item.detail.get("unix_s") if item.kind == "clock" else None
                date_s = date_of(unix_s) if isinstance(unix_s, int | float) else None
                if date_s is not None:
                    ride.facts = replace(ride.facts, started_unix_s=date_s - item.t_s)
                    ride.clock_moved = True

    def _commit(self, now_s: float, at_once: bool) -> None:
        """Write what is new; when it is time, or ``at_once``, make it and all before it durable."""
        at_once = at_once or any(ride.ended is not None for ride in self._rides)
        waited_s = 0.0 if self._unsynced_since_s is None else now_s - self._unsynced_since_s
        # A hair early rather than a whole beat late.
        durably = at_once or waited_s > self._sync_s - 0.1 * self._commit_s
        if durably and self._unsynced_since_s is not None and not any(ride.dirty for ride in self._rides):
            # The barrier comes with a commit, and with nothing new the last one is made again.
            for ride in self._rides:
                ride.forget_commits()
        dirty = [ride for ride in self._rides if ride.dirty]
        if not dirty:
            return
        connection = self._connection or self._connect()
        connection.execute(f"PRAGMA synchronous = {'FULL' if durably else 'NORMAL'}")
        with schema.transaction(connection):
            places = [_write(connection, ride) for ride in dirty]
        for ride, (ride_id, first_block, first_mark) in zip(dirty, places, strict=True):
            ride.id = ride.begin.written_as = ride_id
            ride.first_block, ride.first_mark = first_block, first_mark
            ride.stored = ride.facts
            ride.present = True
            ride.clock_moved = False
            ride.marks_committed = len(ride.marks)
            ride.end_committed = ride.ended is not None
            for block in ride.blocks:
                block.dirty = False
        self._written = self._sorted
        if durably:
            self._settle(connection)
        elif self._unsynced_since_s is None:
            self._unsynced_since_s = now_s

    def _settle(self, connection: sqlite3.Connection) -> None:
        """Everything is durable: let go of it, and now and then carry the write-ahead log over."""
        # A card that was pulled out, or a file that was deleted, takes writes without a word.
        if os.stat(self._file).st_ino != self._inode:
            raise FileNotFoundError(errno.ENOENT, "the file is no longer there", str(self._file))
        self._unsynced_since_s = None
        self._waiting = 0
        for ride in self._rides:
            ride.marks.clear()
            ride.marks_committed = 0
            # The last block may still grow, and is written as a whole.
            del ride.blocks[:-1]
        self._rides = [ride for ride in self._rides if not ride.end_committed]
        if not self._rides:
            # A unit is at home for days: until the next ride the log is there to be checked and mended.
            self._shut()
        elif os.stat(schema.wal_path(self._file)).st_size > _CHECKPOINT_BYTES:
            connection.execute("PRAGMA wal_checkpoint(PASSIVE)")

    def _connect(self) -> sqlite3.Connection:
        file, text = self._path, ""
        # Under a disc that was pulled out lies the folder that it was mounted on, and a log can be made there as well.
        self._made_anew = self._inode != 0 and not file.exists()
        try:
            connection, mended = schema.open_database(file, mend=False)
        except schema.LogError as error:
            # That is put right at home, and the ride cannot wait for it.
            file = schema.beside_path(self._path)
            connection, mended = schema.open_database(file, mend=False)
            text = f"{error}. Rides are kept in {file.name} meanwhile, and join the log when it can be opened."
        self._open.callback(connection.close)
        # Before the wait: a check that is at work meanwhile may set this very file aside and put another in its place.
        self._inode = os.stat(file).st_ino
        self._open.enter_context(schema.writing(self._path.parent))
        connection.execute("PRAGMA busy_timeout = 1000")
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        # Once carried over the write-ahead log is cut to nothing: its size then tells what is new in it.
        connection.execute("PRAGMA journal_size_limit = 0")
        self._connection = connection
        told_before, self._file = file == self._file, file
        if text and not told_before:
            self._tell(Fault("storage", text, active=False))
        if self._made_anew and not self._reported:  # gone between two rides, and nothing has failed
            self._tell(Fault("storage", self._again(), active=False))
        for text in mended:
            self._reported = True
            self._tell(Fault("storage", text))
        return connection

    def _again(self) -> str:
        if not self._made_anew:
            return "The ride is being saved again."
        gone = f"{self._path} was gone, and your other rides with it"
        return f"The ride is being saved in a new and empty log: {gone}. Is the card or disc in its place?"

    def _shut(self) -> None:
        self._connection = None
        self._unsynced_since_s = None
        opened, self._open = self._open, ExitStack()
        opened.close()

    def _fail(self, error: Exception) -> None:
        self._failures += 1
        if schema.is_held(error) and self._failures < _BUSY_RETRIES:
            return
        with suppress(Exception):
            self._shut()
        for ride in self._rides:
            ride.forget_commits()
        if not self._reported or (self._memory_full and not self._overflow_reported):
            self._reported = True
            self._overflow_reported = self._memory_full
            self._report(schema.cause(error))

    @property
    def _memory_full(self) -> bool:
        return max(self._waiting, len(self._queue)) >= MAX_WAITING

    def _report(self, what: str) -> None:
        kept = "Memory is full too: what comes now is lost" if self._memory_full else "It is kept in memory meanwhile"
        self._tell(Fault("storage", f"The ride is not being saved: {what}. {kept}."))

    def _tell(self, fault: Fault) -> None:
        # Whoever listens may be gone already, such as a loop that was closed: that must not cost the ride.
        with suppress(Exception):
            self._on_fault(fault)


def _write(connection: sqlite3.Connection, ride: _Ride) -> tuple[int, int, int]:
    """Everything of a ride that the database does not have yet; returns its number and its first block and mark."""
    # A card or a file may be changed under a ride: what then has its number is another's, and ours gets a new one.
    number = ride.id if ride.present or not _is_anothers(connection, ride) else None
    if number is None or not ride.present:
        # A ride that goes on, or whose database was opened again, is there already.
        ride_id = int(
            connection.execute(
                f"""
                INSERT INTO ride (id, {schema.FACTS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
                ON CONFLICT (id) DO UPDATE SET ended = NULL, started_unix_s = excluded.started_unix_s
                RETURNING id
                """,
                (number, *schema.facts_row(ride.facts)),
            ).fetchall()[0][0]
        )
    else:
        ride_id = number
        if ride.clock_moved:
            connection.execute("UPDATE ride SET started_unix_s = ? WHERE id = ?", (ride.facts.started_unix_s, ride_id))
    first_block, first_mark = 0, 0
    if number is not None:
        if ride.first_block is None:
            ride.first_block, ride.first_mark = connection.execute(
                """
                SELECT (SELECT coalesce(max(number) + 1, 0) FROM block WHERE ride = :ride),
                       (SELECT coalesce(max(number) + 1, 0) FROM mark WHERE ride = :ride)
                """,
                {"ride": ride_id},
            ).fetchone()
        first_block, first_mark = ride.first_block or 0, ride.first_mark
    connection.executemany(
        """
        INSERT INTO block (ride, number, measurements, rr) VALUES (?, ?, ?, ?)
        ON CONFLICT (ride, number) DO UPDATE SET measurements = excluded.measurements, rr = excluded.rr
        """,
        [(ride_id, first_block + b.number, bytes(b.rows), bytes(b.rr)) for b in ride.blocks if b.dirty],
    )
    connection.executemany(
        "INSERT OR REPLACE INTO mark (ride, number, t_ms, kind, detail) VALUES (?, ?, ?, ?, ?)",
        [(ride_id, first_mark + n, *rest) for n, *rest in ride.marks[ride.marks_committed :]],
    )
    if ride.ended is not None:
        schema.finish(connection, ride_id, ride.ended)
    return ride_id, first_block, first_mark


def _is_anothers(connection: sqlite3.Connection, ride: _Ride) -> bool:
    """Whether the database has another ride under this one's number, or another program goes on with this one."""
    row = connection.execute(f"SELECT ended, {schema.FACTS} FROM ride WHERE id = ?", (ride.id,)).fetchone()
    if row is None:
        return False
    ended, *facts = row
    if ended is None and ride.first_block is None:
        return True  # we have not begun yet: two that went on with one ride would overwrite each other's beats
    # A commit that failed may have gone through all the same.
    return tuple(facts) not in (schema.facts_row(ride.stored), schema.facts_row(ride.facts))
