"""``replay``: every shape of recording, the document it prints, stored rides compared, and clear errors."""

from __future__ import annotations

import json
import random
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware_app.cli import main
from firmware_app.core.companion import play
from firmware_app.core.events import Event, Mark, Off, Press
from firmware_app.core.maximum import TEST_PLAN
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import events_of
from firmware_app.preparation import prepare
from firmware_app.store.log import log_path, open_log

HR_MAX_BPM = 188


def heart(t_s: float) -> float:
    """Two minutes in lane 3 (122 to 140 bpm), a climb over it, and back."""
    return 130 if t_s < 120 else min(130 + (t_s - 120) * 0.5, 155) if t_s < 240 else max(155 - (t_s - 240) * 0.5, 130)


def beats(until_s: float = 400.0) -> list[tuple[float, float]]:
    rnd = random.Random(2)
    found, t_s = [], 0.0
    while t_s < until_s:
        rr_s = 60 / heart(t_s) * (1 + rnd.gauss(0, 0.008))
        t_s += rr_s
        found.append((t_s, rr_s * 1000))
    return found


def rows_every(period_s: float) -> list[tuple[float, float, list[float]]]:
    rows, due_s, held = [], period_s, []
    for t_s, rr_ms in beats():
        held.append(rr_ms)
        if t_s >= due_s:
            rows.append((t_s, heart(t_s), held))
            held, due_s = [], t_s + period_s
    return rows


def text(rows: list[tuple[float, float, list[float]]], columns: str) -> str:
    lines = [columns]
    for t_s, _, rrs in rows:
        fields = {
            "t_s": f"{t_s:.3f}",
            "hr_bpm": f"{60000 * len(rrs) / sum(rrs):.0f}",
            "rr_ms": " ".join(f"{rr:.0f}" for rr in rrs),
            "contact": "1",
            "power_w": "212",
            "": "x",
        }
        lines.append(",".join(fields[column] for column in columns.split(",")))
    return "\n".join(lines) + "\n"


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Callable[..., dict[str, Any]]:
    """Run ``replay --json`` and give back its one document."""

    def run(*argv: object) -> dict[str, Any]:
        status = main(["replay", *map(str, argv), "--json"])
        out, err = capsys.readouterr()
        assert (status, err) == (0, "")
        document = json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
        assert isinstance(document, dict)
        return document

    return run


LANE = ("--hr-max", str(HR_MAX_BPM), "--target", "122-140bpm")


@pytest.mark.parametrize(
    ("columns", "period_s"),
    [
        ("t_s,rr_ms", 0.0),
        ("t_s,hr_bpm", 1.0),
        ("t_s,hr_bpm,rr_ms", 1.0),
        ("t_s,hr_bpm,rr_ms,contact", 1.0),
        ("t_s,rr_ms", 2.5),
        ("t_s,hr_bpm", 2.0),
        ("power_w,contact,rr_ms,t_s,", 1.0),
    ],
)
def test_every_shape_of_recording_tells_the_same_ride(
    tmp_path: Path, told: Callable[..., dict[str, Any]], columns: str, period_s: float
) -> None:
    file = tmp_path / "ride.csv"
    file.write_text(text(rows_every(period_s), columns))
    document = told(file, *LANE)
    assert document["schema"] == "rumblestrip.ride/1"
    assert document["hr_max_bpm"] == HR_MAX_BPM
    assert document["target_bpm"] == [122, 140]
    assert document["duration_s"] == pytest.approx(400, abs=3)
    # The quality of a strap that says little grows slowly at first; from then on there are the lane's alarms only.
    begun = [alarm for alarm in document["alarms"] if not alarm["reminder"] and alarm["t_s"] > 20]
    [above] = [alarm["t_s"] for alarm in begun if alarm["kind"] == "above_target"]
    assert 139 <= above <= 152
    assert {alarm["kind"] for alarm in begun} == {"above_target", "back_in_target"}
    summary = document["summary"]
    assert summary["trusted_fraction"] > 0.95
    assert summary["peak_bpm"] == pytest.approx(155, abs=3)
    assert 130 < summary["mean_bpm"] < 150
    assert sum(summary["band_s"].values()) == pytest.approx(400, abs=15)
    assert 0 < summary["in_target_s"] < 400


def test_every_alarm_says_when_what_how_urgent_and_whether_it_was_heard(
    tmp_path: Path, told: Callable[..., dict[str, Any]]
) -> None:
    file = tmp_path / "ride.csv"
    file.write_text(text(rows_every(1.0), "t_s,hr_bpm,rr_ms"))
    alarms = told(file, *LANE)["alarms"]
    assert [alarm["t_s"] for alarm in alarms] == sorted(alarm["t_s"] for alarm in alarms)
    for alarm in alarms:
        assert set(alarm) == {"t_s", "kind", "priority", "reminder", "heard"}
    assert told(file, *LANE, "--set", "above_target.on=false")["alarms"] == []


def test_a_page_of_text_is_printed_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "ride.csv"
    file.write_text(text(rows_every(1.0), "t_s,hr_bpm"))
    assert main(["replay", str(file), *LANE]) == 0
    out = capsys.readouterr().out
    assert "above target" in out
    assert "6:40 ridden" in out or "6:39 ridden" in out
    assert main(["replay", str(file), "--hr-max", "188", "--target", "none"]) == 0
    assert "No alarms." in capsys.readouterr().out


def test_a_ride_near_the_maximum_sounds_again_and_again(tmp_path: Path, told: Callable[..., dict[str, Any]]) -> None:
    file = tmp_path / "ride.csv"
    rows = [(float(t), 178 + t % 3, [60000 / (178 + t % 3)] * 3) for t in range(1, 121)]
    file.write_text(text(rows, "t_s,hr_bpm,rr_ms"))
    near = [alarm for alarm in told(file, *LANE)["alarms"] if alarm["kind"] == "near_max"]
    assert len(near) >= 9
    assert all(alarm["priority"] == "high" and alarm["heard"] for alarm in near)


@pytest.mark.parametrize(
    ("content", "wants"),
    [
        ("", ["line 1", "is empty"]),
        ("t_s,hr_bpm\n", ["no row"]),
        ("time,hr\n1,2\n", ["no column t_s"]),
        ("t_s\n1\n", ["no column hr_bpm or rr_ms"]),
        ("t_s,hr_bpm\n2,120\n1,120\n", ["line 3", "t_s", "sort"]),
        ("t_s,hr_bpm\n1,fast\n", ["line 2", "hr_bpm", "digits"]),
        ("t_s,hr_bpm\n1,-5\n", ["line 2", "hr_bpm"]),
        ("t_s,hr_bpm\nnan,120\n", ["line 2", "t_s"]),
        ("t_s,hr_bpm\n1e99,120\n", ["line 2", "t_s"]),
        ("t_s,rr_ms\n1,500 abc\n", ["line 2", "rr_ms"]),
        ("t_s,hr_bpm,contact\n1,120,yes\n", ["line 2", "contact"]),
        ("t_s;hr\n1;120\n", ["no column hr_bpm or rr_ms", "rename"]),
        ("t_s,hr_bpm\n0,120\n3600000,120\n", ["42 days", "not ms"]),
        ("t_s,hr_bpm\n1\n", ["line 2", "cut off"]),
    ],
)
def test_a_recording_that_cannot_be_used_names_file_line_and_cure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str, wants: list[str]
) -> None:
    file = tmp_path / "ride.csv"
    file.write_text(content)
    assert main(["replay", str(file), *LANE]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert str(file) in err
    for want in wants:
        assert want in err


@examples(max_examples=100)
@given(
    header=st.sampled_from(["t_s,hr_bpm,rr_ms,contact", "t_s,rr_ms", "t_s,hr_bpm", "hr_bpm,t_s", "\ufefft_s,hr_bpm"]),
    body=st.lists(
        st.lists(
            st.sampled_from(["", "0", "1", "2", "120", "500 510", "1e3", "-1", "nan", "inf", '"', "65535", "1_0"])
            | st.integers(0, 60).map(str),
            min_size=1,
            max_size=5,
        ).map(",".join),
        max_size=8,
    ),
)
def test_no_recording_brings_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], header: str, body: list[str]
) -> None:
    file = tmp_path / "ride.csv"
    file.write_text("\n".join([header, *body]), encoding="utf-8")
    status = main(["replay", str(file), *LANE, "--json"])
    out, err = capsys.readouterr()
    assert status in (0, 2)
    if status:
        assert str(file) in err
    else:
        json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


@pytest.mark.parametrize("name", ["nowhere.csv", "."])
def test_what_is_no_file_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    assert main(["replay", str(tmp_path / name), *LANE]) == 2
    assert "cannot be read" in capsys.readouterr().err
    # Before what is missing for a ride in it: there is none.
    assert main(["replay", str(tmp_path / name)]) == 2
    assert "cannot be read" in capsys.readouterr().err


@pytest.mark.parametrize("argv", [["replay"], ["replay", "1", "--weeks", "2"], ["replay", "--weeks", "0"]])
def test_one_ride_or_some_weeks_and_not_both(capsys: pytest.CaptureFixture[str], argv: list[str]) -> None:
    assert main(argv) == 2
    assert capsys.readouterr().err


# --- stored rides ---------------------------------------------------------------------------------------------------


@pytest.fixture
def stored() -> int:
    """A ride in the log with a pause in it, ridden to another lane than today's."""
    ready = prepare(target="122-140bpm", hr_max_bpm=HR_MAX_BPM)
    rows: list[tuple[float, Event]] = [
        (t_s, Measurement(round(bpm), tuple(round(rr) for rr in rrs))) for t_s, bpm, rrs in rows_every(1.0)
    ]
    rows += [(60.0, Press("select")), (80.0, Press("select")), (155.5, Press("minus"))]
    rows.sort(key=lambda row: row[0])
    import time

    record = play(ready.companion(ready.facts("strap", time.time() - 3600)), rows)
    with open_log(log_path()) as log:
        return log.add(record)


def test_a_ride_that_was_cut_and_gone_on_with_is_replayed_with_its_gap() -> None:
    ready = prepare(plan="hard-eights", hr_max_bpm=HR_MAX_BPM)
    times = [*range(1, 300), *range(701, 1500)]
    rows: list[tuple[float, Event]] = [(float(t_s), Measurement(130 + t_s % 3, (460.0 + t_s % 3,))) for t_s in times]
    rows.insert(299, (700.0, Off(299.0)))
    ridden = play(ready.companion(ready.facts("strap")), rows)
    again = play(ready.companion(ready.facts("strap")), events_of(ridden))
    assert [mark.kind for mark in ridden.marks if mark.kind in ("pause", "resume")] == ["pause", "resume"]
    assert again.marks == ridden.marks
    assert any(mark.kind == "step" and mark.t_s > 700 for mark in ridden.marks)


def test_marks_of_which_only_the_kind_could_be_saved_cost_no_replay(
    stored: int, told: Callable[..., dict[str, Any]]
) -> None:
    with open_log(log_path()) as log:
        whole = log.record(stored)
        bare = [Mark(mark.t_s, mark.kind, {}) for mark in whole.marks]
        assert {"press", "pause", "alarm", "target"} <= {mark.kind for mark in bare}
        log.add(replace(whole, marks=tuple(bare)))
    assert told("last")["target_bpm"] == [122, 140]
    assert main(["rides", "show", "last"]) == 0
    assert main(["report", "last"]) == 0


def test_a_ride_to_a_plan_from_anywhere_is_replayed_and_named(
    tmp_path: Path,
    told: Callable[..., dict[str, Any]],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    head = 'title = "Hill"\npurpose = "to try"\nfor_whom = "me"\n'
    (tmp_path / "hill.toml").write_text(head + '[[steps]]\nname = "Up"\ntarget = "3"\ntime = "5:00"\n')
    monkeypatch.chdir(tmp_path)
    ready = prepare(plan="hill.toml", hr_max_bpm=HR_MAX_BPM)
    rows = [(t_s, Measurement(round(bpm))) for t_s, bpm, _ in rows_every(1.0)]
    with open_log(log_path()) as log:
        log.add(play(ready.companion(ready.facts("strap", 1.8e9)), rows))
    monkeypatch.chdir("/")
    assert told("last")["target_bpm"] == [122, 141]
    assert main(["rides"]) == 0
    listed = capsys.readouterr().out
    assert "hill" in listed
    assert str(tmp_path) not in listed


@pytest.mark.parametrize("name", ["last", "1"])
def test_a_stored_ride_replayed_as_it_was_changes_nothing(
    stored: int, told: Callable[..., dict[str, Any]], name: str
) -> None:
    document = told(name)
    assert document["target_bpm"] == [122, 140]
    assert document["compared"]
    assert all(kind["before"] == kind["after"] for kind in document["compared"].values())
    assert any(kind["before"] > 0 for kind in document["compared"].values())


def test_a_stored_ride_lists_its_alarms_as_a_recording_does(stored: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", "last"]) == 0
    out = capsys.readouterr().out
    assert re.search(r"^ +2:\d\d  above target$", out, re.MULTILINE)
    assert "6:20 ridden" in out or "6:19 ridden" in out
    assert "1 ride, 0.1 hours; heard alarms, and sounds with their reminders\n" in out
    assert re.search(r"^ +then +now +then +now +moved$", out, re.MULTILINE)
    assert "alarms/h" not in out
    assert main(["replay", "--weeks", "2"]) == 0
    weeks = capsys.readouterr().out
    assert weeks.startswith("1 ride, 0.1 hours")
    assert out.endswith(weeks)


def test_where_the_unit_was_not_there_is_no_then(
    stored: int, tmp_path: Path, told: Callable[..., dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "ride.csv"
    file.write_text(text(rows_every(1.0), "t_s,hr_bpm,rr_ms"))
    yesterday = datetime.now() - timedelta(days=1)
    words = ["rides", "import", str(file), "--date", yesterday.isoformat(), "--hr-max", "188"]
    assert main(words) == 0
    capsys.readouterr()
    assert main(["replay", "2", "--target", "122-140bpm"]) == 0
    out = capsys.readouterr().out
    assert re.search(r"^ +2:\d\d  above target$", out, re.MULTILINE)
    assert "the unit was not there to sound any then" in out
    assert "moved" not in out
    alone = told("2", "--target", "122-140bpm")["compared"]["above_target"]
    assert (alone["before"], alone["before_sounds"], alone["moved"], alone["after"]) == (None, None, None, 1)
    # Among others it is counted by itself: it would make them look more silent than they were.
    weeks = told("--weeks", 2, "--target", "122-140bpm")
    assert (weeks["rides"], weeks["imported"]["rides"]) == (1, 1)
    assert weeks["compared"]["above_target"]["before"] == weeks["compared"]["above_target"]["after"] == 1
    assert weeks["imported"]["compared"]["above_target"] == alone
    assert main(["replay", "--weeks", "2"]) == 0
    ridden, imported = capsys.readouterr().out.split("\n\n")
    assert "then" in ridden
    assert "not there" in imported


def test_another_lane_shows_what_it_would_have_been_worth(stored: int, told: Callable[..., dict[str, Any]]) -> None:
    compared = told("last", "--target", "100-170bpm")["compared"]
    assert compared["above_target"]["before"] > 0
    assert compared["above_target"]["after"] == 0


def test_an_alarm_that_sounds_later_is_seen(
    stored: int, told: Callable[..., dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    later = told("last", "--set", "above_target.decision_bpm_s=60")["compared"]["above_target"]
    assert (later["before"], later["after"], later["moved"]) == (1, 1, 1)
    assert main(["replay", "last", "--set", "above_target.decision_bpm_s=60"]) == 0
    assert re.search(r"^above target: then at 2:\d\d; now at [23]:\d\d$", capsys.readouterr().out, re.MULTILINE)


def test_alarms_an_hour_are_told_from_half_an_hour_on(stored: int, capsys: pytest.CaptureFixture[str]) -> None:
    with open_log(log_path()) as log:
        for _ in range(4):
            log.add(log.record(stored))
    assert main(["replay", "--weeks", "2"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("5 rides, 0.6 hours")
    assert "alarms/h" in out
    assert re.search(r"^above target( +\d+){4} +\d\.\d +\d\.\d +0$", out, re.MULTILINE)


def test_what_a_ride_was_played_with_is_said_before_the_figures(
    stored: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "ride.csv"
    file.write_text(text(rows_every(1.0), "t_s,hr_bpm"))
    for words, said in [
        ([str(file), "--hr-max", "180"], "Played with a maximum of 180 bpm, lane 117-135 bpm."),
        ([str(file), "--hr-max", "180", "--target", "none"], "Played with a maximum of 180 bpm, no lane."),
        (
            [str(file), "--hr-max", "180", "--plan", "hill-repeats"],
            "Played with a maximum of 180 bpm, plan Hill repeats.",
        ),
        (["last"], "Played with a maximum of 188 bpm, lane 122-140 bpm."),
    ]:
        assert main(["replay", *words]) == 0
        assert capsys.readouterr().out.splitlines()[0] == said


def test_weeks_of_rides_are_compared_in_one_document(stored: int, told: Callable[..., dict[str, Any]]) -> None:
    document = told("--weeks", 2)
    assert document["schema"] == "rumblestrip.compared/1"
    assert document["rides"] == 1


@pytest.mark.parametrize(
    ("option", "told"),
    [
        ("--set above_target.decisionbpm_s=30", "decisionbpm_s: there is no such key"),
        ("--hr-max-bpm 400", "400 is not from 120 to 230 bpm; give your measured maximum"),
        ("--target nonsense", "write a band"),
        ("--plan nope", "choose one of"),
        ("--alarms nope.toml", "nope.toml: cannot be read"),
        ("--scheme nine", "choose one of"),
    ],
)
def test_an_option_that_no_ride_can_be_played_with_is_said_once(
    stored: int, capsys: pytest.CaptureFixture[str], option: str, told: str
) -> None:
    assert main(["replay", "--weeks", "2", *option.split(), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err
    assert "left out" not in err


def test_a_lane_that_one_ride_has_no_room_for_leaves_out_that_ride(
    stored: int, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_log(log_path()) as log:
        ridden = log.record(stored)
        higher = log.add(replace(ridden, facts=replace(ridden.facts, hr_max_bpm=200)))
    assert main(["replay", "--weeks", "2", "--target", "170-195bpm"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("1 ride,")
    assert f"ride {stored} is left out" in err
    assert f"ride {higher}" not in err
    assert main(["replay", "--weeks", "2", "--target", "170-205bpm"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("is left out") == 2
    assert "see above" in err


def test_a_maximal_test_is_not_replayed_as_if_it_were_a_ride(
    stored: int, told: Callable[..., dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    with open_log(log_path()) as log:
        ridden = log.record(stored)
        test = log.add(replace(ridden, facts=replace(ridden.facts, plan=TEST_PLAN, target="")))
    for words in ([], ["--target", "3"]):
        assert main(["replay", str(test), *words]) == 2
        err = capsys.readouterr().err
        assert "maximal test cannot be replayed" in err
        assert "sessions" not in err
    assert main(["report", str(test)]) == 0
    capsys.readouterr()
    assert main(["replay", "--weeks", "2"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("1 ride,")
    assert f"ride {test} is left out" in err


def test_a_damaged_ride_costs_the_others_no_replay(stored: int, capsys: pytest.CaptureFixture[str]) -> None:
    with open_log(log_path()) as log:
        damaged = log.add(log.record(stored))
    with closing(sqlite3.connect(log_path())) as database, database:
        database.execute("UPDATE block SET measurements = x'0102' WHERE ride = ?", (damaged,))
    assert main(["replay", "--weeks", "2"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("1 ride,")
    assert f"ride {damaged} is left out" in err


def test_a_ride_that_is_not_there_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", "7"]) == 2
    assert "rumblestrip rides" in capsys.readouterr().err
    assert main(["replay", "--weeks", "3"]) == 1
    assert capsys.readouterr().err
