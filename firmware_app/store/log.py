"""The ride log, for reading, and for the few things that are changed after a ride.

Its use:

    with open_log(log_path()) as log:
        for ride in log.rides(longer_s=3600):
            record = log.record(ride.ride_id)

The columns of the record are those of RideRecord.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from math import inf
from pathlib import Path
from typing import Any, Literal

from firmware_app import settings
from firmware_app.core.dates import on_a_calendar
from firmware_app.core.events import Mark
from firmware_app.core.maximum import ALL_OUT, TEST_PLAN
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.store import blocks, schema
from firmware_app.store.schema import LogError as LogError

RESUME_WITHIN_S = 15 * 60
"""A ride that was cut longer ago than this is over."""

FALSE_START_S = 2 * 60
"""A ride shorter than this was begun where another was meant to go on; it ends no ride that was cut before it."""


class UnknownRideError(LogError):
    """The ride asked for is not in the log."""


@dataclass(frozen=True, slots=True)
class RideSummary:
    """One line of the list of rides.

    ended: how it ended, "cut" when the program or the power failed, None while it is being ridden.
    duration_s: from its beginning to the last thing stored. trusted: measurements with a trusted heart rate.
    peak_bpm: highest trusted heart rate, or None.
    """

    ride_id: int
    facts: RideFacts
    ended: str | None
    duration_s: float
    measurements: int
    trusted: int
    peak_bpm: float | None


@dataclass(frozen=True, slots=True)
class CutRide:
    """A ride that can be gone on with.

    t_s: where its time goes on. away_s: how long it lay cut by the wall clock, 0 when that cannot be known.
    """

    ride_id: int
    facts: RideFacts
    t_s: float
    away_s: float


@dataclass(frozen=True, slots=True)
class MaximumEntry:
    """One entry in the history of the rider's maximum.

    low_bpm, high_bpm: its range, or None. origin: "ride", "test" or "rider". at_unix_s: when it came up.
    decided_by, decided_unix_s: who accepted or refused it, and when. why: what it rests on.
    """

    value_bpm: int
    origin: str
    at_unix_s: float
    state: Literal["proposed", "accepted", "refused"] = "proposed"
    low_bpm: float | None = None
    high_bpm: float | None = None
    decided_by: str = ""
    decided_unix_s: float | None = None
    why: str = ""
    entry_id: int | None = None


def log_path() -> Path:
    """Where the rider's log lies."""
    return settings.data_dir() / "rides.sqlite3"


def open_log(path: Path, *, thorough: bool = False) -> Log:
    """Open the log, mending what a crash left behind; ``Log.recovered`` tells what was done.

    A card that cannot be written still gives what is on it. thorough: check the whole file even when nothing crashed.
    Raises LogError with the cure.
    """
    try:
        connection, recovered = schema.open_database(path, thorough=thorough)
        return Log(path, connection, tuple(recovered))
    except schema.TROUBLE as error:
        why = schema.cause(error)
        if not (schema.is_read_only(error) or schema.is_full(error)):
            raise schema.trouble(path, error) from error
        try:
            connection, unseen = schema.connect_to_read(path, thorough=thorough)
        except (*schema.TROUBLE, blocks.BlockError) as worse:
            if schema.is_damage(worse):
                raise LogError(f"{path}: the ride log is damaged, and nothing of it can be saved: {why}") from worse
            raise schema.trouble(path, error) from error
        return Log(path, connection, (f"{path}: {why}.", *unseen), unwritable=error)


class Log:
    """The rides that are stored. Every method raises LogError when the file cannot be read or written.

    recovered: what had to be mended when it was opened, in the rider's words. unwritable: why it can only be read.
    """

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        recovered: tuple[str, ...],
        unwritable: Exception | None = None,
    ) -> None:
        self.path = path
        self.recovered = recovered
        self._connection = connection
        self._unwritable = unwritable

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Log:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def rides(
        self,
        *,
        since_unix_s: float | None = None,
        until_unix_s: float | None = None,
        plan: str | None = None,
        longer_s: float | None = None,
        shorter_s: float | None = None,
    ) -> list[RideSummary]:
        """Rides by date, oldest first; those without one by their number, before all others.

        since, until: begun at or after, and before; a ride without a date is neither. plan: part of the plan's name.
        longer, shorter: at least, under.
        """
        return [
            ride
            for ride in map(self._summed_up, self._rows(f"SELECT {schema.RIDE} FROM ride ORDER BY started_unix_s, id"))
            if _within(ride.facts.started_unix_s, since_unix_s, until_unix_s)
            and (plan is None or plan.lower() in ride.facts.plan.lower())
            and (longer_s is None or ride.duration_s >= longer_s)
            and (shorter_s is None or ride.duration_s < shorter_s)
        ]

    def ride(self, ride_id: int | Literal["last"]) -> RideSummary:
        """One ride by its number, or the one stored last. Raises UnknownRideError."""
        if ride_id == "last":
            # By number: a clock that was ahead once would leave its ride the latest by date for years.
            for row in self._rows(f"SELECT {schema.RIDE} FROM ride ORDER BY id DESC LIMIT 1"):
                return self._summed_up(row)
            raise UnknownRideError("there is no ride in the log yet")
        for row in self._rows(f"SELECT {schema.RIDE} FROM ride WHERE id = ?", ride_id):
            return self._summed_up(row)
        raise UnknownRideError(f"there is no ride {ride_id}; `rumblestrip rides` lists them")

    def record(self, ride_id: int) -> RideRecord:
        """A whole ride as columns."""
        facts = self.ride(ride_id).facts
        stored = self._rows("SELECT measurements, rr FROM block WHERE ride = ? ORDER BY number", ride_id)
        stored_marks = self._rows("SELECT t_ms, kind, detail FROM mark WHERE ride = ? ORDER BY t_ms, number", ride_id)
        try:
            columns = blocks.unpack(stored)
            marks = tuple(Mark(t_ms / 1000, kind, schema.mark_detail(detail)) for t_ms, kind, detail in stored_marks)
        except (sqlite3.Error, blocks.BlockError) as error:
            raise schema.trouble(self.path, error) from error
        last_s = float(columns.t_s[-1]) if len(columns.t_s) else 0.0
        return RideRecord(
            **vars(columns),
            facts=facts,
            marks=marks,
            duration_s=max(last_s, marks[-1].t_s if marks else 0.0),
        )

    def holding(self, record: RideRecord) -> int | None:
        """The ride that holds the very measurements of this one, whatever the date of either; None when none does."""
        mine = blocks.unpack(blocks.pack_record(record))  # on the grid of what is stored
        for ride in self.rides():
            if ride.measurements != len(mine.t_s):
                continue
            its = self.record(ride.ride_id)
            columns = ((mine.t_s, its.t_s), (mine.hr_bpm, its.hr_bpm), (mine.rr_ms, its.rr_ms))
            if all(one.tobytes() == other.tobytes() for one, other in columns):
                return ride.ride_id
        return None

    def add(self, record: RideRecord, ended: str = "rider") -> int:
        """Store a whole ride at once, all or nothing; returns its number."""
        with self._changing() as connection:
            ride_id = connection.execute(
                f"INSERT INTO ride ({schema.FACTS}) VALUES (?, ?, ?, ?, ?, ?, ?)", schema.facts_row(record.facts)
            ).lastrowid
            assert ride_id is not None
            connection.executemany(
                "INSERT INTO block (ride, number, measurements, rr) VALUES (?, ?, ?, ?)",
                [(ride_id, number, rows, rr) for number, (rows, rr) in enumerate(blocks.pack_record(record))],
            )
            connection.executemany(
                "INSERT INTO mark (ride, number, t_ms, kind, detail) VALUES (?, ?, ?, ?, ?)",
                [(ride_id, number, *schema.mark_row(mark)) for number, mark in enumerate(record.marks)],
            )
            schema.finish(connection, ride_id, ended)
        return ride_id

    def delete(self, ride_id: int) -> bool:
        """Remove a ride for good. Raises LogError while the ride is being ridden.

        Its bytes are overwritten in the file, as far as a program can: a memory card may keep old copies of its own.
        Returns whether they are already: while another program reads the log they stay until it is done.
        """
        self._refuse_ridden(self.ride(ride_id))
        with self._changing() as connection:
            connection.execute("DELETE FROM ride WHERE id = ?", (ride_id,))
        # The pages as they were may still stand in the write-ahead log: carry it over and cut it to nothing.
        [(busy, _, _)] = self._rows("PRAGMA wal_checkpoint(TRUNCATE)")
        return not busy

    def resumable(self, now_unix_s: float, source: str) -> CutRide | None:
        """The latest ride of this source that was cut, if less than fifteen minutes ago, and none was ridden since.

        A clock that woke in the past, before the ride was cut, says nothing: the ride is offered all the same. Nobody
        goes on with half of a maximal test.
        """
        for row in self._rows(f"SELECT {schema.RIDE} FROM ride WHERE source = ? ORDER BY id DESC", source):
            ride = _summary(row)
            if ride.ended == "cut" and ride.facts.plan != TEST_PLAN:
                started_unix_s = ride.facts.started_unix_s
                away_s = 0.0 if started_unix_s is None else max(now_unix_s - started_unix_s - ride.duration_s, 0.0)
                return CutRide(ride.ride_id, ride.facts, ride.duration_s, away_s) if away_s < RESUME_WITHIN_S else None
            if ride.ended is None or ride.duration_s >= FALSE_START_S:
                return None
        return None

    def all_out(self) -> set[int]:
        """The rides in which the rider says that they gave everything."""
        return {ride_id for (ride_id,) in self._rows("SELECT DISTINCT ride FROM mark WHERE kind = ?", ALL_OUT)}

    def say_all_out(self, rides: Iterable[RideSummary], said: bool) -> None:
        """Keep with rides that the rider gave everything in them, or no longer: with all of them or with none.

        Raises LogError while one is ridden.
        """
        with self._changing() as connection:
            for ride in rides:
                self._refuse_ridden(ride)
                connection.execute("DELETE FROM mark WHERE ride = ? AND kind = ?", (ride.ride_id, ALL_OUT))
                if said:
                    connection.execute(
                        "INSERT INTO mark (ride, number, t_ms, kind, detail)"
                        " SELECT ?1, coalesce(max(number) + 1, 0), ?2, ?3, ?4 FROM mark WHERE ride = ?1",
                        (ride.ride_id, *schema.mark_row(Mark(ride.duration_s, ALL_OUT))),
                    )

    @property
    def writable(self) -> bool:
        """Whether it can be written, as far as was known when it was opened."""
        return self._unwritable is None

    def unended(self) -> bool:
        """Whether a ride has no end: whoever opens a log alone, and can write it, ends the rides that were cut."""
        return bool(self._rows("SELECT id FROM ride WHERE ended IS NULL LIMIT 1"))

    # --- what is worked out from rides --------------------------------------------------------------------------------

    def review(self, ride_id: int, version: str) -> dict[str, Any] | None:
        """The stored review of a ride, or None when there is none of this version."""
        query = "SELECT content FROM review WHERE ride = ? AND version = ?"
        for row in self._rows(query, ride_id, version):
            # A damaged one is worked out again.
            with suppress(ValueError):
                return dict(json.loads(row[0]))
        return None

    def keep_reviews(self, reviews: Mapping[int, Mapping[str, Any]], version: str) -> None:
        """Store reviews by ride, in the place of older ones."""
        with self._changing() as connection:
            connection.executemany(
                "INSERT OR REPLACE INTO review (ride, version, content) SELECT id, ?, ? FROM ride WHERE id = ?",
                [(version, json.dumps(review), ride_id) for ride_id, review in reviews.items()],
            )

    # --- the maximum --------------------------------------------------------------------------------------------------

    def maxima(self) -> list[MaximumEntry]:
        """The history of the maximum, oldest first."""
        return [
            MaximumEntry(value_bpm, origin, on_a_calendar(at_unix_s) or 0.0, *rest)
            for value_bpm, origin, at_unix_s, *rest in self._rows(
                "SELECT value_bpm, origin, at_unix_s, state, low_bpm, high_bpm, decided_by, decided_unix_s, why, id"
                " FROM maximum ORDER BY id"
            )
        ]

    def add_maximum(self, entry: MaximumEntry) -> int:
        """Put an entry at the end of the history; returns its number."""
        with self._changing() as connection:
            entry_id = connection.execute(
                "INSERT INTO maximum (value_bpm, origin, at_unix_s, state, low_bpm, high_bpm, decided_by,"
                " decided_unix_s, why) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    entry.value_bpm,
                    entry.origin,
                    entry.at_unix_s,
                    entry.state,
                    entry.low_bpm,
                    entry.high_bpm,
                    entry.decided_by,
                    entry.decided_unix_s,
                    schema.text(entry.why),
                ),
            ).lastrowid
        assert entry_id is not None
        return entry_id

    def decide_maximum(
        self, entry_id: int, state: Literal["accepted", "refused"], *, by: str, at_unix_s: float
    ) -> None:
        """Accept or refuse a proposal. Raises LogError when it is not an open one."""
        with self._changing() as connection:
            changed = connection.execute(
                "UPDATE maximum SET state = ?, decided_by = ?, decided_unix_s = ? WHERE id = ? AND state = 'proposed'",
                (state, by, at_unix_s, entry_id),
            ).rowcount
            if not changed:
                raise LogError(f"there is no open proposal {entry_id} for the maximum")

    # --- inside -------------------------------------------------------------------------------------------------------

    def _refuse_ridden(self, ride: RideSummary) -> None:
        if ride.ended is None:
            raise LogError(f"ride {ride.ride_id} is being ridden just now; end it first")

    def _summed_up(self, row: tuple[Any, ...]) -> RideSummary:
        """A ride of the table. One that is being ridden has no summary yet: it is worked out from what is stored."""
        ride = _summary(row)
        if ride.ended is not None:
            return ride
        try:
            summary = schema.summarise(self._connection, ride.ride_id)
        except (sqlite3.Error, blocks.BlockError) as error:
            raise schema.trouble(self.path, error) from error
        return replace(
            ride,
            duration_s=summary.duration_ms / 1000,
            measurements=summary.measurements,
            trusted=summary.trusted,
            peak_bpm=summary.peak_bpm,
        )

    def _rows(self, query: str, *values: object) -> list[Any]:
        try:
            return self._connection.execute(query, values).fetchall()
        except sqlite3.Error as error:
            raise schema.trouble(self.path, error) from error

    @contextmanager
    def _changing(self) -> Iterator[sqlite3.Connection]:
        try:
            with schema.transaction(self._connection):
                yield self._connection
        except sqlite3.Error as error:
            raise schema.trouble(self.path, self._unwritable or error) from error


def _within(started_unix_s: float | None, since_unix_s: float | None, until_unix_s: float | None) -> bool:
    if started_unix_s is None:
        return since_unix_s is None and until_unix_s is None
    return (since_unix_s or 0.0) <= started_unix_s < (inf if until_unix_s is None else until_unix_s)


def _summary(row: tuple[Any, ...]) -> RideSummary:
    ride_id, started_unix_s, hr_max_bpm, hr_rest_bpm, scheme, plan, target, source = row[:8]
    ended, duration_ms, measurements, trusted, peak_bpm = row[8:]
    facts = RideFacts(hr_max_bpm, hr_rest_bpm, scheme, plan, target, source, on_a_calendar(started_unix_s))
    return RideSummary(ride_id, facts, ended, (duration_ms or 0) / 1000, measurements or 0, trusted or 0, peak_bpm)
