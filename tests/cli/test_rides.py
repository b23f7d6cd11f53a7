"""``rumblestrip rides`` as a rider types it."""

from __future__ import annotations

import io
import json
import os
import stat
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_app import cli
from firmware_app.cli.rides import _told
from firmware_app.core.companion import Companion, play
from firmware_app.core.events import Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, record_of
from firmware_app.core.session import free_plan
from firmware_app.settings import load_alarms, load_scheme, remember
from firmware_app.store.csvfile import read_csv
from firmware_app.store.log import log_path, open_log
from firmware_app.store.writer import LogWriter

STARTED = datetime(2026, 5, 4, 18, 2)


def store(seconds: int = 120, *, day: int = 4, plan: str = "hills", source: str = "strap") -> int:
    started_unix_s = STARTED.replace(day=day).timestamp()
    facts = RideFacts(hr_max_bpm=187, scheme="seven", plan=plan, source=source, started_unix_s=started_unix_s)
    samples = [
        Sample(float(t_s), Measurement(120 + t_s % 9, (492.1875, 501.0), True), 121.5, 1.0) for t_s in range(seconds)
    ]
    with open_log(log_path()) as log:
        return log.add(record_of(facts, samples, [Mark(5.0, "alarm", {"kind": "above_target", "on": True})], 0.0))


def told(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    """What the command printed: on stdout when it went well, else on stderr, with nothing on stdout."""
    assert cli.main(["rides", *words]) == status
    printed = capsys.readouterr()
    if status:
        assert printed.out == ""
        assert "Traceback" not in printed.err
    return printed.err if status else printed.out


def listed(capsys: pytest.CaptureFixture[str], *words: str) -> list[int]:
    return [ride["ride"] for ride in json.loads(told(capsys, "--json", *words))["rides"]]


def test_the_list_and_its_filters(capsys: pytest.CaptureFixture[str]) -> None:
    assert told(capsys) == "No ride found.\n"
    store(120)
    store(1800, day=6, plan="")
    store(3600, day=8)
    text = told(capsys)
    assert "2026-05-04 18:02      1:59   122  hills" in text
    # How much of a ride could be trusted is a share of its time, which its review tells; no second figure stands here.
    assert "trusted" not in text + told(capsys, "show", "1")
    assert len(text.splitlines()) == 4
    assert listed(capsys) == listed(capsys, "list") == [1, 2, 3]
    assert listed(capsys, "--since", "2026-05-06") == [2, 3]
    assert listed(capsys, "list", "--until", "2026-05-06") == [1, 2]
    assert listed(capsys, "--until", "2026-05-06T18:00") == [1]
    assert listed(capsys, "--plan", "HILL") == [1, 3]
    assert listed(capsys, "--longer-min", "20", "--shorter-min", "45") == [2]


def test_a_ride_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    store()
    document = json.loads(told(capsys, "show", "last", "--json"))
    assert document["schema"] == "rumblestrip.stored_ride/1"
    assert (document["ride"], document["hr_max_bpm"], document["measurements"]) == (1, 187, 120)
    assert document["started_unix_s"] == STARTED.timestamp()
    assert datetime.fromisoformat(document["started"]).timestamp() == STARTED.timestamp()
    assert document["marks"] == [{"t_s": 5.0, "kind": "alarm", "detail": {"kind": "above_target", "on": True}}]
    assert "0:05  above target\n" in told(capsys, "show", "1")


@pytest.mark.parametrize(
    ("kind", "detail", "words"),
    [
        ("alarm", {"kind": "near_max", "on": True, "reminder": 2, "heard": True}, "near max, again (2)"),
        ("alarm", {"kind": "near_max", "on": True, "reminder": 0, "heard": False}, "near max, not sounded"),
        ("alarm", {"kind": "near_max", "on": False, "reminder": 0, "heard": False}, "near max is over"),
        ("target", {"low_bpm": 120, "high_bpm": 138, "text": "3"}, "lane 120-138 bpm"),
        ("target", {"low_bpm": 0, "high_bpm": 110, "text": "1"}, "lane under 110 bpm"),
        ("target", {"low_bpm": None, "high_bpm": None, "text": ""}, "no lane"),
        ("step", {"index": 3, "name": "Climb", "round": "2 of 5", "why": "press"}, "step Climb 2 of 5"),
        ("fault", {"part": "keys", "text": "No keys.", "active": True}, "No keys."),
        ("gap", {"from_s": 65.0}, "no heart rate to trust since 1:05"),
        ("press", {"key": "select", "hold": "long"}, "select pressed, long"),
        ("step", {"index": 0, "name": "", "round": "", "why": "start"}, "a free ride, without steps"),
        ("step", {"index": 9, "name": "", "round": "", "why": "end"}, "the plan is over"),
        ("pause", {"why": "key"}, "paused"),
        ("resume", {"why": "key"}, "riding on"),
        ("pause", {"why": "cut"}, "the unit went off"),
        ("resume", {"why": "cut"}, "the unit is back, and the ride goes on"),
        ("end", {"why": "stopped", "bad_packets": 0}, "the ride is over: the unit was stopped"),
        ("end", {"why": "key", "bad_packets": 2}, "the ride is over: ended by key; 2 packets could not be read"),
        ("end", {"why": "not begun", "bad_packets": 0}, "the ride is over"),
        ("verdict", {"maximal": True, "peak_bpm": 187.6, "why": ""}, "the test was maximal, 188 bpm"),
        (
            "verdict",
            {"maximal": False, "peak_bpm": None, "why": "the ramp was too short"},
            "the test was not maximal: the ramp was too short",
        ),
        ("clock", {"unix_s": 1e300}, "clock: unix s 1e+300"),
        ("slept", {"from_s": 60.0}, "the unit slept, or stood still, since 1:00"),
        ("gap", {}, "gap"),
        ("a new kind", {"some_key": 1}, "a new kind: some key 1"),
    ],
)
def test_what_happened_is_told_in_a_riders_words(kind: str, detail: dict[str, object], words: str) -> None:
    assert _told(Mark(0.0, kind, detail)) == words


def test_what_happened_in_a_whole_ride_stands_there_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["simulate", "--headless", "--log"]) == 0
    capsys.readouterr()
    lines = [line.strip() for line in told(capsys, "show", "last").splitlines()[3:]]
    assert lines[:3] == ["0:00  the ride begins", "0:00  a free ride, without steps", "0:00  lane 120-144 bpm"]
    assert lines[-1] == "8:00  the ride is over: the unit was stopped"
    assert len(set(lines)) == len(lines)
    assert sum("the clock says" in line for line in lines) == 1
    with open_log(log_path()) as log:
        assert [mark.kind for mark in log.record(1).marks].count("clock") == 2


def test_deleting_asks_and_says_what_it_deleted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    store()
    store(day=5)
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    assert "--yes" in told(capsys, "delete", "1", status=2)
    assert "--yes" in told(capsys, "delete", "1", "--json", status=2)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))  # Ctrl-D
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    assert "Nothing was deleted" in told(capsys, "delete", "1")
    monkeypatch.setattr("builtins.input", lambda question: "no")
    assert "Nothing was deleted" in told(capsys, "delete", "1")
    monkeypatch.setattr("builtins.input", lambda question: "y")
    assert "ride 1, 2026-05-04 18:02, 1:59, 120 measurements" in told(capsys, "delete", "1")
    older = log_path().with_name("rides.sqlite3.version-0")
    older.touch()
    document = json.loads(told(capsys, "delete", "last", "--yes", "--json"))
    assert document["older_copies"] == [str(older)]
    assert [ride["ride"] for ride in document["deleted"]] == [2]
    assert listed(capsys) == []


def test_several_rides_are_deleted_at_once_or_none(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for day in (4, 5, 6, 7):
        store(day=day)
    assert "no ride 9" in told(capsys, "delete", "1", "9", "--yes", status=2)
    assert listed(capsys) == [1, 2, 3, 4]
    asked = []
    monkeypatch.setattr("sys.stdin", io.StringIO())
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda question: asked.append(question) or "y")
    said = told(capsys, "delete", "1", "2")
    assert [line.split(",")[0] for line in said.splitlines()] == ["Deleted ride 1", "Deleted ride 2"]
    assert "ride 1, 2026-05-04" in asked[0]
    assert "ride 2, 2026-05-05" in asked[0]
    assert len(asked) == 1
    document = json.loads(told(capsys, "delete", "4", "last", "--yes", "--json"))
    assert [ride["ride"] for ride in document["deleted"]] == [4]
    assert listed(capsys) == [3]


def test_a_ride_that_is_being_ridden_keeps_all_that_were_named(capsys: pytest.CaptureFixture[str]) -> None:
    store()
    writer = LogWriter(log_path(), commit_s=0.01)
    writer.begin(RideFacts(187))
    writer.take((Sample(1.0, Measurement(120), 120.0, 1.0),))
    until_s = time.monotonic() + 60
    while time.monotonic() < until_s and writer.ride_id is None:
        time.sleep(0.01)
    assert "ride 2 is being ridden" in told(capsys, "delete", "1", "2", "--yes", status=1)
    assert sorted(listed(capsys)) == [1, 2]
    writer.close()


@pytest.mark.parametrize("ride", ["9", "-1", "0", "x", "", "1.5", "²", "99999999999999999999", "first"])
@pytest.mark.parametrize("action", ["show", "export"])
def test_a_ride_that_is_not_there(capsys: pytest.CaptureFixture[str], action: str, ride: str) -> None:
    store()
    told(capsys, action, ride, status=2)


def test_exports(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    store(3)
    assert told(capsys, "export", "1") == (
        "t_s,hr_bpm,rr_ms,contact\n0.000,120,492.1875 501,1\n1.000,121,492.1875 501,1\n2.000,122,492.1875 501,1\n"
    )
    assert told(capsys, "export", "last", "--as", "rr") == "492.1875\n501\n" * 3
    assert json.loads(told(capsys, "export", "1", "--as", "fhir"))["resourceType"] == "Bundle"
    out = tmp_path / "ride.csv"
    assert str(out) in told(capsys, "export", "1", "--out", str(out))
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert len(read_csv(out)) == 3
    precious = tmp_path / "precious.txt"
    precious.write_text("of my own")
    assert "precious.txt: exists already; choose another name" in told(
        capsys, "export", "1", "--out", str(precious), status=2
    )
    assert precious.read_text() == "of my own"
    pipe, dangling = tmp_path / "pipe", tmp_path / "link"
    os.mkfifo(pipe)
    dangling.symlink_to(tmp_path / "nowhere")
    for node in (pipe, dangling):
        assert "exists already" in told(capsys, "export", "1", "--out", str(node), status=2)
    assert pipe.is_fifo()
    assert dangling.is_symlink()
    assert "Is a directory" in told(capsys, "export", "1", "--out", str(tmp_path), status=1)
    told(capsys, "export", "1", "--out", str(tmp_path / "none" / "ride.csv"), status=1)
    told(capsys, "export", "1", "--json", status=2)


def test_an_exported_ride_gives_the_same_alarms_again(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, graded_tests: list[Path]
) -> None:
    def played(rows: list[tuple[float, Measurement]]):
        from firmware_app.core.bands import table

        facts = RideFacts(hr_max_bpm=188, scheme="seven", started_unix_s=STARTED.timestamp())
        bands = table(load_scheme("seven"), 188)
        return play(Companion(facts, bands, load_alarms(), free_plan("3")), rows)

    first = played(read_csv(graded_tests[0]))
    assert {mark.detail["kind"] for mark in first.marks if mark.kind == "alarm"} >= {"above_target", "near_max"}
    with open_log(log_path()) as log:
        ride_id = log.add(first)
    out = tmp_path / "ride.csv"
    told(capsys, "export", str(ride_id), "--out", str(out))
    assert played(read_csv(out)).marks == first.marks


def test_importing_a_recording(capsys: pytest.CaptureFixture[str], graded_tests: list[Path]) -> None:
    words = ("import", str(graded_tests[1]), "--date", "2025-03-01T09:30", "--hr-max-bpm", "191")
    document = json.loads(told(capsys, *words, "--json"))
    rows = read_csv(graded_tests[1])
    assert document["schema"] == "rumblestrip.import/1"
    assert (document["measurements"], document["source"], document["hr_max_bpm"]) == (len(rows), "import", 191)
    assert document["started_unix_s"] == datetime(2025, 3, 1, 9, 30).timestamp()
    assert document["trusted"] > 0.9 * len(rows)
    with open_log(log_path()) as log:
        record = log.record(document["ride"])
    assert record.t_s.tolist() == [t_s for t_s, _ in rows]
    # Nobody heard an alarm on that ride.
    assert "alarm" not in {mark.kind for mark in record.marks}
    assert "already, as ride 1" in told(capsys, *words, status=2)
    again = ("import", str(graded_tests[1]), "--date", "2025-03-02T07:00", "--hr-max-bpm", "191")
    assert "already, as ride 1" in told(capsys, *again, status=2)


def test_what_is_exported_is_imported_whole_and_only_once(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "ride.csv"
    file.write_text("t_s,hr_bpm,rr_ms,contact\n0.000,79,,0\n1.000,80,749,1\n2.000,80,750.5 751,\n3.000,,,1\n")
    words = ("import", str(file), "--hr-max-bpm", "190", "--date")
    told(capsys, *words, "2026-05-04")
    assert told(capsys, "export", "1") == file.read_text()
    store(4)
    assert "already, as ride 1" in told(capsys, *words, "2026-06-04", status=2)
    assert listed(capsys) == [1, 2]
    # A ride of the unit's own is no other one for having been exported.
    own = tmp_path / "own.csv"
    own.write_text(told(capsys, "export", "2"))
    assert "already, as ride 2; to have it" in told(
        capsys, "import", str(own), "--hr-max-bpm", "190", "--date", "2026-06-04", status=2
    )
    # One beat makes another recording.
    file.write_text(file.read_text().replace("751", "752"))
    told(capsys, *words, "2026-05-04")
    told(capsys, "delete", "1", "--yes")
    file.write_text(file.read_text().replace("752", "751"))
    told(capsys, *words, "2026-05-04")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("when,pulse\n2026-05-04T18:02:00+02:00,120\n2026-05-04T18:02:01.500+02:00,121\n", ("--time-unit", "iso")),
        ("when,pulse\n1777910520,120\n1777910521.5,121\n", ()),
        ("when,pulse\n1777910520000,120\n1777910521500,121\n", ("--time-unit", "ms")),
        ("when,pulse\n0,120\n1.5,121\n", ("--date", "2026-05-04T16:02:00Z")),
        ("pulse,when\n120,0\n121,1500\n", ("--time-unit", "ms", "--date", "2026-05-04T16:02:00Z")),
        ("when;pulse\n0:00:00,0;120\n0:00:01,5;121\n", ("--date", "2026-05-04T16:02:00Z")),
        ("when;pulse\n18:02:00;120\n18:02:01,5;121\n", ("--date", "2026-05-04T16:02:00Z")),
    ],
)
def test_times_of_other_recorders(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, content: str, words: tuple[str, ...]
) -> None:
    file = tmp_path / "other.csv"
    file.write_text(content)
    told(capsys, "import", str(file), "--time-column", "when", "--hr-column", "pulse", "--hr-max-bpm", "190", *words)
    with open_log(log_path()) as log:
        record = log.record(1)
    assert record.facts.started_unix_s == 1_777_910_520.0
    assert (record.t_s.tolist(), record.hr_bpm.tolist()) == ([0.0, 1.5], [120.0, 121.0])


@pytest.mark.parametrize(
    ("content", "words", "tells"),
    [
        ("t_s,hr_bpm\n0,120\n", (), "--date"),
        ("t_s,hr_bpm\n0,120\n", ("--hr-column", "pulse"), "no column pulse; the header has t_s, hr_bpm: name"),
        ("t_s,hr_bpm\n0,120\n", ("--hr-column", "pulse"), "the column that holds it with --hr-column"),
        ("when,hr_bpm\n0,120\n", (), "name the column that holds it with --time-column"),
        ("t_s,hr_bpm\n0,120\n", ("--hr-column", "t_s"), "only one of"),
        ("t_s,hr_bpm\n0,120\n", ("--hr-column", "T_S"), "only one of"),
        ("t_s,hr_bpm\n0,2.3\n1,2.4\n", ("--date", "2026-05-04"), "no row has a heart rate from 30 to 240 bpm"),
        ("t_s,b\n0,0.8\n", ("--date", "2026-05-04", "--rr-column", "b"), "to 240 bpm; write b in ms"),
        ("when,hr_bpm\n2026-05-04T18:02:11,120\n", ("--time-column", "when"), "with --time-unit iso"),
        ("t_s,hr_bpm\n0,120\n", ("--time-unit", "iso"), "line 2: t_s: '0' is not a date"),
        ("t_s,hr_bpm\n5,120\n4,120\n", ("--date", "2026-05-04"), "line 3: t_s: 4 comes after 5"),
        ("t_s,hr_bpm\n0,120\n99999999,120\n", ("--date", "2026-05-04"), "--time-unit"),
        ("t_s,hr_bpm\n0,120\n3600000,120\n", ("--date", "2026-05-04"), "--time-unit"),  # an hour, in ms
        ("t_s,hr_bpm\n0,120\n", ("--date", "yesterday"), "not a date"),
        ("t_s,power_w\n0,120\n", ("--date", "2026-05-04"), "with --hr-column or --rr-column"),
    ],
)
def test_an_import_that_cannot_be_done_stores_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, content: str, words: tuple[str, ...], tells: str
) -> None:
    file = tmp_path / "other.csv"
    file.write_text(content)
    assert tells in told(capsys, "import", str(file), "--hr-max-bpm", "190", *words, status=2)
    assert listed(capsys) == []


def brought(tmp_path: Path, date: str) -> tuple[str, ...]:
    """The words that import a ride of ten seconds, another one each time."""
    count = len([*tmp_path.glob("*.csv")])
    file = tmp_path / f"{count}.csv"
    file.write_text("t_s,hr_bpm\n" + "".join(f"{t_s},{120 + count}\n" for t_s in range(11)))
    return ("import", str(file), "--hr-max-bpm", "190", "--date", date)


def test_a_ride_that_is_yet_to_come_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    now = datetime.now()
    later = brought(tmp_path, (now + timedelta(days=2)).isoformat())
    said = told(capsys, *later, status=2)
    assert f"{later[1]}: would begin at {now + timedelta(days=2):%Y-%m-%d}" in said
    assert "with --date" in said
    ahead = tmp_path / "ahead.csv"
    ahead.write_text(f"t_s,hr_bpm\n{(now + timedelta(days=2)).timestamp()},120\n")
    assert "yet to come" in told(capsys, "import", str(ahead), "--hr-max-bpm", "190", status=2)
    assert listed(capsys) == []
    # Where the day begins earlier it may be tomorrow already.
    told(capsys, *brought(tmp_path, (now + timedelta(hours=20)).isoformat()))
    told(capsys, *brought(tmp_path, now.date().isoformat()))


def test_an_old_ride_is_stored_with_the_maximum_of_the_age_at_the_time(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    remember("rider", {"birth_year": 1970})
    file = tmp_path / "old.csv"
    file.write_text("t_s,hr_bpm\n" + "".join(f"{t_s},120\n" for t_s in range(11)))
    ride = json.loads(told(capsys, "import", str(file), "--date", "2012-05-04", "--json"))
    assert ride["hr_max_bpm"] == 184  # 211 - 0.64 x 42
    said = told(capsys, "import", str(file), "--date", "1976-05-04", status=2)
    assert "1970 makes you 6 in 1976" in said
    assert "with --hr-max-bpm" in said


@pytest.mark.parametrize("date", ["1969-01-01", "9999-12-31"])
def test_a_date_that_the_log_cannot_keep_is_refused(
    date: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.time", lambda: 0.0)  # a clock that says nothing of what is yet to come
    assert "--date: no ride is dated before 1970" in told(capsys, *brought(tmp_path, date), status=2)
    assert listed(capsys) == []


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_a_day_on_which_the_clocks_change_ends_at_midnight(
    day: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        midnight = datetime.fromisoformat(day) + timedelta(days=1)
        for minutes in (-30, 30):
            began = (midnight + timedelta(minutes=minutes)).timestamp()
            facts = RideFacts(hr_max_bpm=187, started_unix_s=began)
            with open_log(log_path()) as log:
                log.add(record_of(facts, [Sample(0.0, Measurement(120, (), True), 120.0, 1.0)], [], 60.0))
        assert listed(capsys, "--until", day) == [1]
        file = tmp_path / "autumn.csv"
        file.write_text("t_s,hr_bpm\n2026-10-25T02:59:59,120\n2026-10-25T02:00:00,120\n")
        said = told(capsys, "import", str(file), "--time-unit", "iso", "--hr-max-bpm", "190", status=2)
        assert "where the clocks were put back, write the zone behind each time, such as +01:00" in said
        file.write_text("t_s,hr_bpm\n2026-10-25T02:59:59+02:00,120\n2026-10-25T02:00:00+01:00,120\n")
        told(capsys, "import", str(file), "--time-unit", "iso", "--hr-max-bpm", "190")
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_clock_in_the_past_refuses_no_ride(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.time", lambda: 0.0)
    told(capsys, *brought(tmp_path, "2026-05-04"))


def test_a_ride_at_the_time_of_another_is_stored_with_a_word_about_it(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    store(120)  # from 18:02 to 18:03:59
    for date, overlaps in [
        ("2026-05-04T18:01:30", False),
        ("2026-05-04T18:01:55", True),
        ("2026-05-04T18:03", True),
        ("2026-05-04T18:04", False),
    ]:
        assert cli.main(["rides", *brought(tmp_path, date)]) == 0
        said = capsys.readouterr().err
        assert ("caution: ride 1 (2026-05-04 18:02, 1:59) was ridden at the same time" in said) == overlaps, date
    assert len(listed(capsys)) == 5


def test_a_simulated_ride_is_at_no_time_in_the_way_of_another(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    store(120, source="sim")
    assert cli.main(["rides", *brought(tmp_path, "2026-05-04T18:03")]) == 0
    assert "at the same time" not in capsys.readouterr().err


@settings(max_examples=60)
@given(
    words=st.lists(
        st.sampled_from(
            (
                "show",
                "export",
                "delete",
                "import",
                "last",
                "1",
                "--as",
                "rr",
                "--since",
                "2026-02-30",
                "--plan",
                "--json",
            )
        )
        | st.text(max_size=8).filter(lambda word: "\0" not in word and word not in ("-h", "--h", "--help")),
        max_size=4,
    )
)
def test_any_command_line_is_answered(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    status = cli.main(["rides", *words])
    printed = capsys.readouterr()
    assert status in (0, 2)
    assert bool(printed.err) == (status == 2)


def test_checking_the_log_saves_what_can_be_read(capsys: pytest.CaptureFixture[str]) -> None:
    store()
    assert "sound: 1 rides" in told(capsys, "check")
    log_path().write_bytes(log_path().read_bytes()[:4096])
    assert cli.main(["rides", "check", "--json"]) == 0
    printed = capsys.readouterr()
    (mended,) = json.loads(printed.out)["mended"]
    assert mended.startswith("The ride log was damaged.")
    assert mended in printed.err
    assert "sound" in told(capsys, "check")


def test_a_log_that_cannot_be_opened(capsys: pytest.CaptureFixture[str]) -> None:
    log_path().mkdir()
    assert "is not a file" in told(capsys, status=1)
