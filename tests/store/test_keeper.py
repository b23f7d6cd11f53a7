"""Where the unit keeps its rides: the same doors, in the log and in memory."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from firmware_app.core.events import Fault, Hush, Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.store import schema
from firmware_app.store.keeper import LogKeeper, MemoryKeeper
from firmware_app.store.log import CutRide, LogError, open_log

FACTS = RideFacts(hr_max_bpm=188, source="sim", started_unix_s=1.8e9)


def ride(keeper: LogKeeper | MemoryKeeper, seconds: int = 20, hr_bpm: int = 120) -> None:
    keeper.begin(FACTS)
    keeper.take((Mark(0.0, "step", {"index": 0}), Hush()))
    for t_s in range(seconds):
        keeper.take((Sample(float(t_s), Measurement(hr_bpm, (500.0, 501.0), True), 120.0, 1.0),))
    keeper.take((Mark(float(seconds), "end", {"why": "key"}),))
    keeper.end("rider")


@pytest.fixture(params=["log", "memory"])
def keeper(request: pytest.FixtureRequest, tmp_path: Path) -> LogKeeper | MemoryKeeper:
    told: list[Fault] = []
    return LogKeeper(tmp_path / "rides.sqlite3", told.append) if request.param == "log" else MemoryKeeper()


def same(one: RideRecord) -> None:
    assert one.facts == FACTS
    assert len(one.t_s) == 20
    assert one.rr_ms.tolist() == [500.0, 501.0] * 20
    assert [mark.kind for mark in one.marks] == ["step", "end"]
    assert one.duration_s == 20


def test_what_was_kept_comes_back(keeper: LogKeeper | MemoryKeeper) -> None:
    ride(keeper)
    record = keeper.record()
    assert record is not None
    same(record)
    assert keeper.close() == 0
    after = keeper.record()
    assert after is not None
    same(after)


def test_before_a_ride_there_is_none_in_memory() -> None:
    keeper = MemoryKeeper()
    keeper.take((Mark(0.0, "step", {}),))
    assert keeper.record() is None


def test_the_latest_of_two_rides_comes_back(keeper: LogKeeper | MemoryKeeper) -> None:
    ride(keeper, seconds=50, hr_bpm=90)
    ride(keeper)
    record = keeper.record()
    assert record is not None
    same(record)
    keeper.close()


def test_a_ride_that_cannot_be_written_is_not_taken_for_the_one_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("firmware_app.store.keeper._WRITTEN_WITHIN_S", 0.3)
    path = tmp_path / "rides.sqlite3"
    keeper = LogKeeper(path, lambda fault: None)
    ride(keeper)
    assert keeper.record() is not None
    with closing(schema.connect(path)) as other:
        other.execute("BEGIN IMMEDIATE")
        ride(keeper, seconds=50)
        assert keeper.record() is None
        other.execute("ROLLBACK")
    assert keeper.close() == 0
    record = keeper.record()
    assert record is not None
    assert len(record.t_s) == 50


def test_memory_can_go_on_with_no_ride() -> None:
    with pytest.raises(LogError):
        MemoryKeeper().resume(CutRide(1, FACTS, 10.0, 0.0))


def test_a_ride_goes_on_in_the_log_as_one(tmp_path: Path) -> None:
    path = tmp_path / "rides.sqlite3"
    first = LogKeeper(path, print)
    first.begin(FACTS)
    for t_s in range(10):
        first.take((Sample(float(t_s), Measurement(120), 120.0, 1.0),))
    first.close()
    with open_log(path) as log:
        [one] = log.rides()
    second = LogKeeper(path, print)
    second.resume(CutRide(one.ride_id, one.facts, one.duration_s, 0.0))
    for t_s in range(10, 20):
        second.take((Sample(float(t_s), Measurement(121), 121.0, 1.0),))
    second.end("rider")
    assert second.close() == 0
    with open_log(path) as log:
        [whole] = log.rides()
        assert log.record(whole.ride_id).t_s.tolist() == [float(t) for t in range(20)]


def test_a_place_that_takes_no_log_is_a_fault_and_not_an_error(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    told: list[Fault] = []
    on_fault: Callable[[Fault], None] = told.append
    keeper = LogKeeper(blocked / "rides.sqlite3", on_fault)
    ride(keeper)
    lost = keeper.close()
    assert lost > 0
    assert told
    assert {fault.part for fault in told} == {"storage"}


def test_a_ride_kept_beside_a_log_that_cannot_be_opened_comes_back_too(tmp_path: Path) -> None:
    path = tmp_path / "rides.sqlite3"
    path.mkdir()
    keeper = LogKeeper(path, lambda fault: None)
    ride(keeper)
    record = keeper.record()
    assert record is not None
    same(record)
    assert keeper.close() == 0
