"""`rumblestrip maximum` as a rider types it."""

from __future__ import annotations

import json
import shlex
import time
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from firmware_app import preparation, settings
from firmware_app.cli import main
from firmware_app.core.events import Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, RideRecord, record_of
from firmware_app.store.log import Log, LogError, log_path, open_log


def ride(top_bpm: float, *, source: str = "strap", plan: str = "", marks: tuple[Mark, ...] = ()) -> RideRecord:
    """Ten minutes up to a top that is held half a minute, and down again, today."""
    rng = np.random.default_rng(5)
    samples, t_s = [], 0.0
    while t_s < 700:
        bpm = np.interp(t_s, [0, 540, 580, 700], [100, top_bpm, top_bpm, 130]) * (1 + 0.008 * rng.standard_normal())
        t_s += 60 / bpm
        samples.append(Sample(t_s, Measurement(round(bpm), (60000 / bpm,)), bpm, 1.0))
    facts = RideFacts(180, source=source, plan=plan, started_unix_s=time.time() - 3600)
    return record_of(facts, samples, list(marks), t_s)


def store(record: RideRecord) -> int:
    with open_log(log_path()) as log:
        return log.add(record)


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Any:
    def asked(*words: str, status: int = 0) -> Any:
        capsys.readouterr()
        assert main(["maximum", *words, "--json"]) == status
        out = capsys.readouterr().out
        document = json.loads(out) if out else None
        assert document is None or document["schema"] == f"rumblestrip.maximum_{words[0].replace('-', '_')}/1"
        return document

    return asked


def accepted() -> int | None:
    return settings.load("rider", settings.Rider).hr_max_bpm


def test_show_puts_the_formulas_side_by_side_with_their_spread(ask: Any) -> None:
    settings.remember("rider", {"birth_year": 1976})
    shown = ask("show")
    assert shown["origin"] == "formula"
    assert {row["name"] for row in shown["formulas"]} == {"nes", "tanaka", "gellish", "fox"}
    for row in shown["formulas"]:
        assert row["range_bpm"][0] < row["value_bpm"] - 15 < row["value_bpm"] + 15 < row["range_bpm"][1]
        assert row["source"]


def test_rides_without_a_date_are_said_to_be_left_out_and_how_one_counts(
    ask: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    settings.remember("rider", {"hr_max_bpm": 180})
    undated = ride(186)
    number = store(replace(undated, facts=replace(undated.facts, started_unix_s=None)))
    assert main(["maximum", "review"]) == 0
    out, err = capsys.readouterr()
    assert "Nothing is proposed" in out
    assert f"never known are left out, ride {number} the last" in err
    file = str(tmp_path / "ride.csv")
    assert main(["rides", "export", str(number), "--out", file]) == 0
    assert main(["rides", "delete", str(number), "--yes"]) == 0
    assert main(["rides", "import", file, "--date", date.today().isoformat()]) == 0
    assert ask("review")["proposal"]["hr_max_bpm"] == pytest.approx(186, abs=3)
    assert "left out" not in capsys.readouterr().err


def test_show_with_medicines_still_shows_and_sends_to_a_doctor(capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"birth_year": 1976})
    settings.remember("rider", {"rate_medicines": True})
    assert main(["maximum"]) == 0
    assert "ask your doctor" in capsys.readouterr().out


def test_evidence_of_a_file_and_of_a_stored_ride(ask: Any, tmp_path: Path) -> None:
    record = ride(188)
    lines = ["t_s,rr_ms,power_w", *(f"{s:.3f},{rr:.1f},200" for s, rr in zip(record.t_s, record.rr_ms, strict=True))]
    path = tmp_path / "ride.csv"
    path.write_text("\n".join(lines))
    of_file = ask("evidence", str(path))
    assert of_file["peak_bpm"] == pytest.approx(188, abs=1.5)
    assert of_file["held_s"] > 15
    assert of_file["raw_peak_bpm"] > of_file["peak_bpm"]
    assert set(of_file["stretches"][0]) >= {"start_s", "length_s", "peak_bpm", "held_s", "quality", "doubt"}
    store(record)
    assert ask("evidence", "last")["peak_bpm"] == pytest.approx(of_file["peak_bpm"], abs=0.3)


def test_evidence_without_a_trustworthy_beat_says_so(ask: Any, tmp_path: Path) -> None:
    path = tmp_path / "noise.csv"
    noise = np.random.default_rng(1).uniform(250, 900, 800)
    rows = [f"{s:.3f},{rr:.0f}" for s, rr in zip(np.cumsum(noise) / 1000, noise, strict=True)]
    path.write_text("\n".join(["t_s,rr_ms", *rows]))
    found = ask("evidence", str(path))
    assert found["peak_bpm"] is None
    assert found["reason"]


def test_evidence_of_a_file_without_a_beat_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "zeros.csv").write_text("t_s,hr_bpm\n0,0\n1,0\n")
    assert main(["maximum", "evidence", str(tmp_path / "zeros.csv")]) == 2
    assert "no row has a heart rate" in capsys.readouterr().err


@pytest.mark.parametrize("file", ["missing.csv", "7", "last"])
def test_evidence_of_nothing_is_a_wrong_request(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["maximum", "evidence", file]) == 2
    assert capsys.readouterr().err


def test_nothing_changes_until_the_rider_accepts(ask: Any) -> None:
    ask("set", "180", "--why", "a test in spring")
    store(ride(189))
    proposal = ask("review")["proposal"]
    assert 188 <= proposal["hr_max_bpm"] <= 191
    assert ask("estimate")["range_bpm"][0] > 184
    assert accepted() == 180
    assert ask("review", "--accept", str(proposal["hr_max_bpm"]))["hr_max_bpm"] == proposal["hr_max_bpm"]
    assert accepted() == proposal["hr_max_bpm"]
    assert ask("review")["proposal"] is None
    history = ask("history")["history"]
    assert [(row["state"], row["origin"], row["decided_by"]) for row in history] == [
        ("accepted", "rider", "rider"),
        ("accepted", "ride", "rider"),
    ]


@pytest.mark.parametrize("asked", [["set"], ["review", "--accept"]])
def test_a_log_that_takes_no_word_leaves_the_maximum_alone(
    asked: list[str],
    ask: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    ask("set", "180")
    store(ride(189))
    proposed = str(ask("review")["proposal"]["hr_max_bpm"])

    def full(*args: object, **named: object) -> None:
        raise LogError("rides.sqlite3: the card is full; make room")

    own, kept = settings.config_dir() / "rider.toml", tmp_path / "kept.toml"
    kept.write_text("# mine\nhr_max_bpm = 180\n")
    own.unlink()
    own.symlink_to(kept)
    monkeypatch.setattr(Log, "add_maximum", full)
    monkeypatch.setattr(Log, "decide_maximum", full)
    assert main(["maximum", *asked, proposed]) == 1
    assert "make room" in capsys.readouterr().err
    assert own.is_symlink()
    assert kept.read_text() == "# mine\nhr_max_bpm = 180\n"


@pytest.mark.parametrize("asked", [["set"], ["review", "--accept"]])
def test_a_maximum_that_cannot_be_written_is_in_no_history_as_accepted(
    asked: list[str], ask: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    ask("set", "180")
    store(ride(189))
    proposed = str(ask("review")["proposal"]["hr_max_bpm"])
    in_the_way = settings.config_dir() / "rider.toml.part"
    in_the_way.mkdir()  # as on a card that cannot be written
    assert main(["maximum", *asked, proposed]) == 1
    assert "rider.toml cannot be written" in capsys.readouterr().err
    assert accepted() == 180
    known = [(row["value_bpm"], row["state"]) for row in ask("history")["history"]]
    assert [value_bpm for value_bpm, state in known if state == "accepted"] == [180]
    in_the_way.rmdir()
    ask(*asked, proposed)
    assert [row["value_bpm"] for row in ask("history")["history"] if row["state"] == "accepted"] == [180, accepted()]


def test_the_history_says_once_who_set_a_value_and_why_where_it_was_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["maximum", "set", "180"]) == 0
    assert main(["maximum", "set", "184", "--why", "a test in spring"]) == 0
    capsys.readouterr()
    assert main(["maximum", "history"]) == 0
    head, *lines = capsys.readouterr().out.splitlines()
    assert head.split() == ["when", "maximum", "what", "came", "of", "it", "why"]
    ends = [line.partition(" bpm ")[2] for line in lines]
    assert [end.split() for end in ends] == [["set", "by", "you"], ["set", "by", "you", "a", "test", "in", "spring"]]
    store(ride(189))
    for words, told in [([], "from rides, proposed "), (["--refuse", "190"], "from rides, refused by you ")]:
        assert main(["maximum", "review", *words]) == 0
        capsys.readouterr()
        assert main(["maximum", "history"]) == 0
        last = capsys.readouterr().out.splitlines()[-1]
        assert told in last


def test_the_estimate_asks_for_the_ride_in_which_everything_was_given(capsys: pytest.CaptureFixture[str]) -> None:
    number = store(ride(180.0))
    for said in (False, True):
        if said:
            assert main(["maximum", "all-out", str(number)]) == 0
            capsys.readouterr()
        assert main(["maximum", "estimate"]) == 0
        assert ("`rumblestrip maximum all-out RIDE`" in capsys.readouterr().out) is not said


def test_that_everything_was_given_is_said_once_and_can_be_taken_back(
    ask: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = store(ride(178.0)), store(ride(180.0))
    before = ask("estimate")
    assert ask("all-out")["rides"] == []
    assert ask("all-out", "last")["rides"] == [second]
    told = ask("estimate")
    assert told["range_bpm"][1] < before["range_bpm"][1]
    assert ask("all-out", str(second), str(first))["rides"] == [first, second]
    assert main(["rides", "show", str(second)]) == 0
    assert capsys.readouterr().out.splitlines()[-1].endswith("  you gave everything in this ride, as you said")
    assert main(["maximum", "all-out"]) == 0
    assert f"All-out by your word: {first}, {second}." in capsys.readouterr().out
    assert ask("all-out", "--no", str(first))["rides"] == [second]
    assert ask("estimate") == told
    assert ask("all-out", "last", "--no")["rides"] == []
    assert ask("estimate") == before


def test_all_out_is_said_of_rides_of_ones_own_and_of_all_that_are_named_or_none(
    ask: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    number = store(ride(180.0))
    store(ride(185.0, source="sim"))
    for name, wants in [("last", "is simulated"), ("99", "there is no ride 99"), ("best", "`last`")]:
        assert main(["maximum", "all-out", str(number), name]) == 2
        assert wants in capsys.readouterr().err
    assert ask("all-out")["rides"] == []


def test_a_leap_over_a_formula_is_cautioned_and_accepted_with_the_way_back(capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"birth_year": date.today().year - 47})  # 181 by the formula
    store(ride(198))
    assert main(["maximum", "review"]) == 0
    said = capsys.readouterr().out
    value_bpm = int(said.split()[1])
    assert f"Proposed: {value_bpm} bpm instead of 181 bpm (formula)." in said
    assert f"rise by {value_bpm - 181} bpm on one day's riding alone" in said
    assert main(["maximum", "review", "--accept", str(value_bpm)]) == 0
    said = capsys.readouterr().out
    assert "on one day's riding alone" in said
    assert f"Accepted: {value_bpm} bpm is your maximum" in said
    assert "To go back: `rumblestrip maximum set N`, or take hr_max_bpm out of" in said
    assert main(["maximum", "set", "196"]) == 0
    store(ride(199))
    capsys.readouterr()
    assert main(["maximum", "review"]) == 0
    assert main(["maximum", "review", "--accept", capsys.readouterr().out.split()[1]]) == 0
    assert "go back" not in capsys.readouterr().out


def test_only_the_real_reason_is_named_why_a_ride_proposes_nothing(ask: Any) -> None:
    top = ride(190)
    number = store(replace(top, rr_ms=top.rr_ms[:0], rr_row=top.rr_row[:0]))
    said = f"(ride {number}) proposes nothing: reported bpm without RR intervals, so that an artefact"
    assert said in ask("estimate")["why"]


def test_a_refused_value_does_not_come_back(ask: Any, capsys: pytest.CaptureFixture[str]) -> None:
    ask("set", "180")
    store(ride(189))
    shown = str(ask("review")["proposal"]["hr_max_bpm"])
    assert ask("review", "--refuse", shown)["proposal"]["state"] == "refused"
    assert accepted() == 180
    assert ask("review")["proposal"] is None
    # It says so, and how to have it all the same.
    day = ask("history")["history"][-1]["decided_at"][:10]
    told = f"you refused {shown} bpm on {day}; if you changed your mind: `rumblestrip maximum set {shown}`"
    assert main(["maximum", "review"]) == 0
    assert f"Nothing is proposed: {told}." in capsys.readouterr().out
    assert main(["maximum", "review", "--accept", shown]) == 2
    assert f"nothing is proposed: {told}\n" in capsys.readouterr().err
    ask("set", shown)
    assert main(["maximum", "review"]) == 0
    assert "refused" not in capsys.readouterr().out


@pytest.mark.parametrize("answer", ["--accept", "--refuse"])
def test_an_answer_to_what_was_shown_is_none_to_what_a_ride_since_then_proposes(
    answer: str, ask: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    ask("set", "187")
    store(ride(190))
    shown = ask("review")["proposal"]["hr_max_bpm"]
    store(ride(196))
    assert main(["maximum", "review", answer, str(shown)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert f"{shown} bpm is not what is proposed now. Proposed: " in err
    assert "on one day's riding alone" in err
    assert accepted() == 187
    command = err.split("`")[1].split()
    assert command[:4] == ["rumblestrip", "maximum", "review", "--accept"]
    assert main(command[1:]) == 0
    assert accepted() == int(command[4]) > shown


def test_the_command_that_review_prints_accepts_what_it_showed(ask: Any, capsys: pytest.CaptureFixture[str]) -> None:
    ask("set", "180")
    first, second = store(ride(189)), store(ride(190))
    by_riding_alone = ask("review")["proposal"]["hr_max_bpm"]
    ask("all-out", str(first), str(second))
    shown = ask("review")["proposal"]["hr_max_bpm"]
    assert by_riding_alone != shown
    assert main(["maximum", "review"]) == 0
    command = capsys.readouterr().out.split("`")[1].split()
    assert command == f"rumblestrip maximum review --accept {shown}".split()
    assert main(command[1:]) == 0
    assert accepted() == shown
    assert main(["maximum"]) == 0
    assert "accepted by you" in capsys.readouterr().out


def test_simulated_rides_say_nothing_about_the_rider(ask: Any) -> None:
    ask("set", "170")
    store(ride(192, source="sim"))
    assert ask("review")["proposal"] is None
    assert ask("estimate")["rides"] == 0
    assert ask("evidence", "last")["next"].startswith("That ride is simulated")


def test_a_maximal_test_measures_and_an_aborted_one_does_not(ask: Any) -> None:
    settings.remember("rider", {"birth_year": 1990})
    marks = (Mark(600.0, "verdict", {"maximal": True, "peak_bpm": 176.0, "why": ""}),)
    store(ride(176, plan="maximal-test"))
    loose = ask("estimate")["range_bpm"]
    store(ride(176, plan="maximal-test", marks=marks))
    tight = ask("estimate")["range_bpm"]
    assert loose[1] - loose[0] > 12 > tight[1] - tight[0]
    assert tight[0] <= 177 <= tight[1]


def test_setting_the_same_maximum_again_is_no_second_line_of_the_history(ask: Any) -> None:
    for words in (["184"], ["184"], ["184", "--why", "a test"], ["184"], ["180"], ["184"]):
        ask("set", *words)
    assert [(row["value_bpm"], row["why"]) for row in ask("history")["history"]] == [
        (184, ""),
        (184, "a test"),
        (180, ""),
        (184, ""),
    ]
    # What a kill between the two files left out is mended by setting it again.
    settings.remember("rider", {"hr_max_bpm": 190})
    ask("set", "190")
    assert ask("history")["history"][-1]["value_bpm"] == 190


@pytest.mark.parametrize("bpm", ["80", "300"])
def test_set_refuses_a_slip_of_the_pen(bpm: str, ask: Any) -> None:
    ask("set", bpm, status=2)
    assert accepted() is None


def test_set_takes_an_unlikely_value_and_says_so_with_the_way_back(
    ask: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.remember("rider", {"birth_year": 1976})
    assert main(["maximum", "set", "230"]) == 0
    first = capsys.readouterr().out
    assert "none was set" in first
    assert "take hr_max_bpm out of" in first
    assert main(["maximum", "set", "180"]) == 0
    assert "slip" not in (said := capsys.readouterr().out)
    assert "it was 230 bpm" in said
    assert main(["maximum", "set", "230"]) == 0
    said = capsys.readouterr().out
    assert "nine people in ten" in said
    assert "`rumblestrip maximum set 180`" in said
    assert accepted() == 230
    set_ = ask("set", "180")
    assert (set_["hr_max_bpm"], set_["before_bpm"], set_["doubts"]) == (180, 230, [])


def test_a_limit_in_percent_that_moves_with_the_maximum_is_spoken_of(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["maximum", "set", "184"]) == 0
    assert "Near maximum" not in capsys.readouterr().out
    settings.remember("alarms", {"near_max.limit_percent": 76, "near_max.release_percent": 74})
    assert main(["maximum", "set", "200"]) == 0
    assert "begins at 152 bpm for you, 76 % of it" in capsys.readouterr().out
    settings.remember("alarms", {"near_max.limit_bpm": 140})
    assert main(["maximum", "set", "184"]) == 0
    assert "Near maximum" not in capsys.readouterr().out


def test_a_maximum_under_the_own_lane_says_that_no_ride_begins(ask: Any, capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"target": "150-170bpm"})
    assert ask("set", "180")["ride_refused"] is None
    assert main(["maximum", "set", "168"]) == 0
    path = settings.config_dir() / "rider.toml"
    refused = f"{path}: target '150-170bpm': 170 bpm is over the maximum of 168 bpm; write less"
    assert f"`rumblestrip ride` begins no ride until this is mended: {refused}." in capsys.readouterr().out
    assert accepted() == 168
    settings.remember("rider", {"target": "150-200bpm"})
    store(ride(189))
    shown = ask("review")["proposal"]["hr_max_bpm"]
    assert "200 bpm is over the maximum" in ask("review", "--accept", str(shown))["ride_refused"]
    assert accepted() == shown


def test_set_says_when_a_stored_ride_held_more(capsys: pytest.CaptureFixture[str]) -> None:
    number = store(ride(200))
    store(ride(210, source="sim"))
    assert main(["maximum", "set", "203"]) == 0
    assert "slip" not in capsys.readouterr().out
    assert main(["maximum", "set", "160"]) == 0
    said = capsys.readouterr().out
    assert f" bpm that you held (ride {number})" in said
    assert "`rumblestrip maximum set 203`" in said
    assert accepted() == 160


def test_set_does_not_compare_with_a_formula_that_does_not_hold(ask: Any) -> None:
    settings.remember("rider", {"birth_year": 1976})
    settings.remember("rider", {"rate_medicines": True})
    assert ask("set", "140")["doubts"] == []
    assert accepted() == 140


@pytest.mark.parametrize("birth_year", [None, 2100])
@pytest.mark.parametrize("bpm", ["148", "230"])
def test_set_compares_with_the_wide_range_of_the_estimate_where_no_age_is_known(
    bpm: str, birth_year: int | None, ask: Any
) -> None:
    low, high = (round(bpm) for bpm in ask("estimate")["range_bpm"])
    if birth_year:
        settings.remember("rider", {"birth_year": birth_year})
    [doubt] = ask("set", bpm)["doubts"]
    assert f"of any age: {low} to {high} (" in doubt
    assert ask("set", "184")["doubts"] == []


def test_evidence_names_the_next_step_and_it_can_be_taken(
    ask: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = ride(188)
    path = tmp_path / "a hard ride.csv"
    rows = [f"{s:.3f},{rr:.1f},200" for s, rr in zip(record.t_s, record.rr_ms, strict=True)]
    path.write_text("\n".join(["t_s,rr_ms,power_w", *rows]))
    weak = tmp_path / "weak.csv"
    bpms = np.interp(range(700), [0, 540, 700], [100, 188, 188])
    weak.write_text("\n".join(["t_s,hr_bpm", *(f"{second},{bpm:.0f}" for second, bpm in enumerate(bpms))]))
    assert "birth_year" in ask("evidence", str(weak))["next"]
    first = ask("evidence", str(path))["next"]
    assert "at least" in first
    assert "birth_year" not in first
    assert main(first.split("`")[1].split()[1:]) == 0
    assert accepted() == pytest.approx(188, abs=2)
    capsys.readouterr()
    assert main(["maximum", "evidence", str(path)]) == 0
    then = capsys.readouterr().out
    assert main(shlex.split(then.split("`")[1].replace("DATE", "2026-05-04T18:02"))[1:]) == 0
    assert "rides import" not in ask("evidence", "last")["next"]
    settings.remember("rider", {"rate_medicines": True})
    assert "ask your doctor" in ask("evidence", str(path))["next"]


def test_evidence_is_weighed_against_a_formula_and_an_easy_ride_says_nothing_against_it(ask: Any) -> None:
    settings.remember("rider", {"birth_year": date.today().year - 47})  # 181 by the formula
    store(ride(139))
    easy = ask("evidence", "last")["next"]
    assert "bpm for 5 s, under the 181 bpm (formula) that you ride by" in easy
    assert "set" not in easy
    store(ride(198))
    assert "`rumblestrip maximum review` weighs it against your 181 bpm (formula)" in ask("evidence", "last")["next"]


@pytest.mark.parametrize(
    ("top_bpm", "rr", "said", "proposes"),
    [
        (190, True, "191 bpm for 5 s, over the 184 bpm that you ride by, on sound evidence", True),
        (190, False, "191 bpm for 5 s, over the 184 bpm that you ride by, and yet raises nothing: reported bpm", False),
        (182, True, "183 bpm for 5 s, under the 184 bpm that you ride by, and says nothing against it", False),
        (184, True, "185 bpm for 5 s, within a beat of the 184 bpm that you ride by", False),
    ],
)
def test_evidence_tells_whether_the_maximum_is_too_low_and_review_agrees(
    top_bpm: int, rr: bool, said: str, proposes: bool, ask: Any
) -> None:
    settings.remember("rider", {"hr_max_bpm": 184})
    record = ride(top_bpm)
    store(record if rr else replace(record, rr_ms=record.rr_ms[:0], rr_row=record.rr_row[:0]))
    assert said in ask("evidence", "last")["next"]
    assert (ask("review")["proposal"] is not None) is proposes


def test_evidence_of_a_ride_that_review_leaves_out_does_not_send_there(ask: Any) -> None:
    top = ride(195)
    for years, told in ((7, "more than 3 years old, and no longer counts"), (None, "import it with --date")):
        started_unix_s = None if years is None else time.time() - years * 365.25 * 86400
        store(replace(top, facts=replace(top.facts, started_unix_s=started_unix_s)))
        step = ask("evidence", "last")["next"]
        assert told in step
        assert "maximum set" not in step
        settings.remember("rider", {"hr_max_bpm": 180})
        assert ask("evidence", "last")["next"] == step
    assert ask("review")["proposal"] is None


@pytest.mark.parametrize("action", ["show", "estimate", "evidence", "set", "review", "history"])
def test_help_shows_no_escapes(action: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["maximum", action, "--help"]) == 0
    assert "%%" not in capsys.readouterr().out


def test_a_clock_that_woke_in_the_past_makes_no_old_peak_one_of_today(
    ask: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask("set", "180")
    for top_bpm, years in ((192, 7), (191, 8), (170, 0)):
        one = ride(top_bpm)
        store(replace(one, facts=replace(one.facts, started_unix_s=time.time() - years * 365.25 * 86400)))
    assert ask("review")["proposal"] is None
    told = ask("estimate")
    monkeypatch.setattr("time.time", lambda: 1000.0)
    assert ask("review")["proposal"] is None
    assert ask("estimate") == told


@pytest.mark.parametrize("words", [["maximum", "show"], ["bands"], ["sessions", "show", "hill-repeats"]])
def test_a_clock_that_woke_in_the_past_raises_no_maximum(
    words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Past(date):
        @classmethod
        def today(cls) -> Past:
            return cls(1970, 1, 1)

    settings.remember("rider", {"birth_year": 1950})
    monkeypatch.setattr(f"firmware_app.cli.{words[0]}.date", Past)
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["hr_max_bpm"] == 162  # 211 - 0.64 x 76, not of 20 years
    monkeypatch.setattr(preparation, "date", Past)
    assert preparation.prepare().accepted.value_bpm == 162
