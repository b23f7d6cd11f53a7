"""`rumblestrip report`: one ride or the last weeks, as text, JSON or a page."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import stat
import sys
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from firmware_app import settings
from firmware_app.cli import main, report
from firmware_app.core.events import Mark
from firmware_app.core.record import RideFacts, RideRecord
from firmware_app.store import schema
from firmware_app.store.log import Log, MaximumEntry, open_log


def log() -> Log:
    return open_log(settings.data_dir() / "rides.sqlite3")


def ride(bpm: float = 130, days_ago: int = 1, scheme: str = "seven", seconds: int = 600) -> RideRecord:
    facts = RideFacts(184, 50, scheme, "", "3", "strap", (datetime.now() - timedelta(days=days_ago)).timestamp())
    heart = np.full(seconds, float(bpm))
    return RideRecord(
        np.arange(seconds, dtype=np.float64), heart, heart, np.ones(seconds),
        np.full(seconds, -1, dtype=np.int8), np.empty(0), np.empty(0, dtype=np.int64), facts,
        (Mark(0.0, "target", {"low_bpm": 120, "high_bpm": 138, "text": "3"}),), float(seconds - 1),
    )  # fmt: skip


@pytest.fixture
def two_rides() -> None:
    with log() as rides:
        rides.add(ride(130, days_ago=2))
        rides.add(ride(150, days_ago=1))


@pytest.mark.usefixtures("two_rides")
def test_json_of_the_last_ride_and_of_one_by_number(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--json"]) == 0
    last = json.loads(capsys.readouterr().out)
    assert (last["schema"], last["ride"], last["summary"]["mean_bpm"]) == ("rumblestrip.review/1", 2, 150)
    assert main(["report", "1", "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["summary"]
    assert (first["mean_bpm"], first["in_target_s"], first["band_s"]["3"], first["load"]) == (130, 599, 599, None)


@pytest.mark.usefixtures("two_rides")
def test_text_says_what_is_missing_for_a_load_and_counts_it_once_set(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "last"]) == 0
    assert "needs sex (the published weights differ) in rider.toml" in capsys.readouterr().out
    settings.remember("rider", {"sex": "female"})
    assert main(["report", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["summary"]["load"] > 0


def test_a_highest_over_the_maximum_names_both_and_the_command_that_tells_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with log() as rides:
        rides.add(ride(150))
        number = rides.add(ride(186))
    out = tmp_path / "ride.html"
    assert main(["report", str(number), "--out", str(out)]) == 0
    assert main(["report", str(number)]) == 0
    for said in (out.read_text(), capsys.readouterr().out):
        assert "186 bpm is over the maximum of 184 bpm" in said
        command = next(part for part in said.split("`") if part.startswith("rumblestrip maximum"))
        assert main(command.split()[1:]) == 0
    assert main(["report", "1"]) == 0
    assert "is over the maximum" not in capsys.readouterr().out


@pytest.mark.usefixtures("two_rides")
def test_a_page_is_written_whole_and_private(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with log() as rides:
        at = (datetime.now() - timedelta(days=9)).timestamp()
        rides.add_maximum(MaximumEntry(184, "ride", at, low_bpm=177.0, high_bpm=191.0))
        rides.add_maximum(MaximumEntry(190, "ride", 1000.0, low_bpm=186.0, high_bpm=194.0))  # a clock in the past
    out = tmp_path / "ride.html"
    assert main(["report", "1", "--out", str(out)]) == 0
    assert capsys.readouterr().out == ""
    page = out.read_text()
    assert page.startswith("<!DOCTYPE html>")
    assert "between 177 and 191" in page
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert main(["report", "--weeks", "2", "--out", str(out)]) == 0
    assert "The last 2 weeks" in out.read_text()


@pytest.mark.usefixtures("two_rides")
def test_weeks_count_the_rides_of_those_weeks_only(capsys: pytest.CaptureFixture[str]) -> None:
    with log() as rides:
        rides.add(ride(days_ago=100))
    assert main(["report", "--weeks", "3", "--json"]) == 0
    weeks = json.loads(capsys.readouterr().out)["weeks"]
    assert len(weeks) == 3
    assert sum(week["rides"] for week in weeks) == 2
    assert main(["report", "--weeks", "3"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines[:4]] == ["Week", *(week["monday"] for week in reversed(weeks))]
    # The table has a dash or a "+" where a load is missing.
    cure = "No load: it needs hr_rest_bpm and sex in rider.toml, and a heart rate to trust."
    assert lines[4:] == [cure, "Rides without a load, not counted here: 2."]
    settings.remember("rider", {"sex": "male"})
    assert main(["report", "--weeks", "3"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 4


def test_weeks_without_a_ride_ask_for_no_settings(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--weeks", "1"]) == 0
    assert capsys.readouterr().out.splitlines()[2:] == ["No load: nothing was ridden."]


def test_a_clock_that_was_ahead_once_hides_no_later_ride(capsys: pytest.CaptureFixture[str]) -> None:
    with log() as rides:
        rides.add(ride(150, days_ago=-700))
        rides.add(ride(130, days_ago=0))
    assert main(["report", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ride"] == 2
    assert main(["report", "--weeks", "1", "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["weeks"][0]["rides"] == 1
    assert "Ride 1 is dated after this week" in err
    assert "Ride 2" not in err


@pytest.mark.usefixtures("two_rides")
def test_a_clock_in_the_past_has_no_last_weeks(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Past(date):
        @classmethod
        def today(cls) -> Past:
            return cls(1970, 1, 1)

    monkeypatch.setattr(report, "date", Past)
    assert main(["report", "--weeks", "2"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "clock says 1970-01-01; connect to a network once, or set it" in err


@pytest.mark.usefixtures("two_rides")
def test_a_kept_review_is_worked_out_again_when_the_rider_s_facts_change(capsys: pytest.CaptureFixture[str]) -> None:
    def loads() -> list[float | None]:
        assert main(["report", "--weeks", "2", "--json"]) == 0
        return [week["load"] for week in json.loads(capsys.readouterr().out)["weeks"] if week["rides"]]

    assert set(loads()) == {None}
    settings.remember("rider", {"sex": "male"})
    men = loads()
    settings.remember("rider", {"sex": "female"})
    women = loads()
    assert None not in men
    assert men != women
    assert loads() == women


@pytest.mark.usefixtures("two_rides")
def test_a_kept_review_stands_until_it_is_worked_out_anew(capsys: pytest.CaptureFixture[str]) -> None:
    def ridden_s(*options: str) -> float:
        assert main(["report", "--weeks", "2", "--json", *options]) == 0
        return float(sum(week["ridden_s"] for week in json.loads(capsys.readouterr().out)["weeks"]))

    whole_s = ridden_s()
    with closing(sqlite3.connect(settings.data_dir() / "rides.sqlite3")) as database, database:
        database.execute("UPDATE review SET content = json_set(content, '$.ridden_s', 1)")
    assert ridden_s() == 2
    assert ridden_s("--recompute") == whole_s == ridden_s()


@pytest.mark.usefixtures("two_rides")
@pytest.mark.parametrize(
    ("days_later", "says"), [(1, "No estimate of it had been made"), (0, "estimate on that day was 184 bpm")]
)
def test_an_estimate_of_the_day_itself_is_the_estimate_on_that_day(days_later: int, says: str, tmp_path: Path) -> None:
    with log() as rides:
        began = datetime.fromtimestamp(rides.ride(2).facts.started_unix_s or 0.0)
        midnight = datetime.combine(began.date() + timedelta(days=days_later), datetime.min.time())
        rides.add_maximum(MaximumEntry(184, "ride", midnight.timestamp(), low_bpm=177.0, high_bpm=191.0))
    out = tmp_path / "ride.html"
    assert main(["report", "2", "--out", str(out)]) == 0
    assert says in out.read_text()


@pytest.mark.usefixtures("two_rides")
def test_a_ride_without_a_resting_heart_rate_is_reckoned_with_todays(capsys: pytest.CaptureFixture[str]) -> None:
    def load() -> float | None:
        assert main(["report", "--json"]) == 0
        found: float | None = json.loads(capsys.readouterr().out)["summary"]["load"]
        return found

    settings.remember("rider", {"sex": "male", "hr_rest_bpm": 50})
    with_its_own = load()
    record = ride(150)
    with log() as rides:
        rides.add(replace(record, facts=replace(record.facts, hr_rest_bpm=None)))
    assert load() == with_its_own is not None


def test_a_ride_that_may_still_grow_is_reviewed_but_not_kept(capsys: pytest.CaptureFixture[str]) -> None:
    with log() as rides:
        ride_id = rides.add(ride(), ended="cut")
    assert main(["report", "--weeks", "1", "--json"]) == 0
    whole = ride_id + 1
    with log() as rides:
        assert rides.add(ride(), ended="rider") == whole
    assert main(["report", "--weeks", "2"]) == 0
    with closing(sqlite3.connect(settings.data_dir() / "rides.sqlite3")) as database:
        assert database.execute("SELECT ride FROM review").fetchall() == [(whole,)]


def test_many_rides_are_worked_out_together_and_alike(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with log() as rides:
        for number in range(12):
            rides.add(ride(100 + 5 * number, days_ago=number, seconds=60))
    assert main(["report", "--weeks", "4", "--json"]) == 0
    alone = capsys.readouterr().out
    monkeypatch.setattr(report, "MANY", 8)
    assert main(["report", "--weeks", "4", "--recompute", "--json"]) == 0
    assert capsys.readouterr().out == alone


@pytest.mark.usefixtures("two_rides")
def test_a_damaged_ride_costs_the_weeks_only_itself(capsys: pytest.CaptureFixture[str]) -> None:
    with closing(sqlite3.connect(settings.data_dir() / "rides.sqlite3")) as database, database:
        database.execute("UPDATE block SET measurements = x'0102' WHERE ride = 1")
    assert main(["report", "--weeks", "2", "--json"]) == 0
    said = capsys.readouterr()
    assert "Ride 1 is left out" in said.err
    assert sum(week["rides"] for week in json.loads(said.out)["weeks"]) == 1
    assert main(["report", "1"]) == 1
    assert "damaged" in capsys.readouterr().err


@pytest.mark.usefixtures("two_rides")
def test_a_card_that_can_only_be_read_has_its_weeks(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def only_reads(path: Path) -> sqlite3.Connection:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(schema, "connect", only_reads)
    assert main(["report", "--weeks", "2", "--json"]) == 0
    said = capsys.readouterr()
    assert sum(week["rides"] for week in json.loads(said.out)["weeks"]) == 2


@pytest.mark.usefixtures("two_rides")
def test_what_was_mended_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    file = settings.data_dir() / "rides.sqlite3"
    content = bytearray(file.read_bytes())
    content[:16] = bytes(16)
    file.write_bytes(content)
    assert main(["report", "--weeks", "2", "--json"]) == 0
    said = capsys.readouterr()
    assert "The ride log was damaged. 2 rides could be read" in said.err
    assert sum(week["rides"] for week in json.loads(said.out)["weeks"]) == 2


def test_a_scheme_that_is_gone_is_replaced_and_it_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    with log() as rides:
        rides.add(ride(scheme="../mine"))
    assert main(["report", "--json"]) == 0
    said = capsys.readouterr()
    assert "'../mine' of that ride is gone" in said.err
    assert json.loads(said.out)["summary"]["band_s"]["3"] == 599


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        (["report", "1", "--weeks", "3"], "not both"),
        (["report", "--weeks", "0"], "from 1 to"),
        (["report", "--recompute"], "goes with --weeks"),
        (["report", "first"], "`last`"),
        (["report", "-3"], "`last`"),
        (["report", "9" * 30], "`last`"),
        (["report", "1", "--out", "rides.sqlite3"], "ends in .html"),
    ],
)
@pytest.mark.usefixtures("two_rides")
def test_a_wrong_request_is_told_what_to_do(words: list[str], cure: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    said = capsys.readouterr()
    assert cure in said.err
    assert said.out == ""


def test_no_ride_is_a_wrong_request_and_no_place_to_write_a_failure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report"]) == 2
    assert "no ride" in capsys.readouterr().err
    with log() as rides:
        rides.add(ride())
    assert main(["report", "7"]) == 2
    assert "rumblestrip rides" in capsys.readouterr().err
    assert main(["report", "--out", str(tmp_path / "nowhere" / "x.html")]) == 1
    assert "--out" in capsys.readouterr().err


def test_without_the_plotting_library_text_works_and_the_page_names_the_cure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with log() as rides:
        rides.add(replace(ride()))
    assert main(["report"]) == 0
    capsys.readouterr()
    out = tmp_path / "x.html"
    assert main(["report", "--out", str(out)]) == 1
    assert f"in your clone: {sys.prefix}/bin/pip install '.[report]'" in capsys.readouterr().err
    assert not out.exists()
