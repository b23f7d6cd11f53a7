"""`rumblestrip bands`, and the scheme files that it reads."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from firmware_app import settings
from firmware_app.cli import main


def own_scheme(text: str) -> Path:
    path = settings.config_dir() / "bands" / "own.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def test_json_has_the_worked_limits(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bands", "--hr-max-bpm", "184", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "rumblestrip.bands/1"
    assert (document["scheme"], document["hr_max_bpm"]) == ("seven", 184)
    assert [row["low_bpm"] for row in document["bands"]] == [0, 110, 120, 138, 151, 164, 173]
    assert [row["high_bpm"] for row in document["bands"]] == [110, 120, 138, 151, 164, 173, 184]
    assert [row["moves_bpm"] for row in document["bands"]] == [0, 0.60, 0.65, 0.75, 0.82, 0.89, 0.94]
    assert all(row["purpose"] and row["talk"] and row["breath"] and row["legs"] for row in document["bands"])
    assert document["caution"] == ""


def test_a_formula_says_so_and_carries_its_range(capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"birth_year": 1976})
    assert main(["bands", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    low, high = document["hr_max_range_bpm"]
    # Nes et al. 2013 give 10.8 bpm around the line: 90 % of people lie within 17.8 bpm of it.
    assert low < document["hr_max_bpm"] - 16 < document["hr_max_bpm"] + 16 < high
    assert "formula" in document["caution"]
    for row in document["bands"][1:]:
        assert row["low_range_bpm"][0] < row["low_bpm"] < row["low_range_bpm"][1]
    assert main(["bands"]) == 0
    assert document["caution"] in capsys.readouterr().out


def test_no_maximum_and_no_birth_year_names_the_cure(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bands"]) == 2
    assert "maximum set" in capsys.readouterr().err


def test_medicines_forbid_a_formula(capsys: pytest.CaptureFixture[str]) -> None:
    settings.remember("rider", {"birth_year": 1976})
    settings.remember("rider", {"rate_medicines": True})
    assert main(["bands"]) == 2
    assert "ask your doctor" in capsys.readouterr().err


def test_the_page_stays_in_line_with_long_names_and_says_what_a_lane_holds(capsys: pytest.CaptureFixture[str]) -> None:
    own_scheme(GOOD.replace("Middle", "Middle of the road"))
    assert main(["bands", "--scheme", "own", "--hr-max-bpm", "180"]) == 0
    lines = capsys.readouterr().out.splitlines()
    heads = [line for line in lines if "of maximum" in line]
    assert len({line.index("% of maximum") - len(line.split("%")[0].split()[-1]) for line in heads}) == 1
    assert "120-149 bpm" in heads[1]
    assert any("band 2 is ridden as 120-150 bpm" in line for line in lines)


GOOD = """\
basis = "bpm"

[[band]]
name = "Low"
high = 120

[[band]]
name = "Middle"
low = 120
high = 150

[[band]]
name = "Top"
low = 150
"""


def test_own_scheme_in_bpm(capsys: pytest.CaptureFixture[str]) -> None:
    own_scheme(GOOD)
    assert main(["bands", "--scheme", "own", "--hr-max-bpm", "180", "--json"]) == 0
    assert [row["low_bpm"] for row in json.loads(capsys.readouterr().out)["bands"]] == [0, 120, 150]


@pytest.mark.parametrize(
    ("old", "new", "line", "word"),
    [
        ("low = 120", "low = 125", 9, "hole"),
        ("low = 120", "low = 110", 9, "overlap"),
        ("high = 150", "high = 115", 10, "order"),
        ("high = 150", "high = 'x'", 10, "high: expected a number, got text in quotes; mend"),
        ('name = "Middle"', "name = 3", 8, "name: expected text in quotes, got a whole number"),
        ('name = "Middle"', "", 7, "name: it is missing; add it"),
        ("high = 150", "hihg = 150", 10, "hihg"),
        ("high = 150", "", 7, "no high"),
        ('name = "Middle"', 'name = "Low"', 8, "name"),
        ('basis = "bpm"', 'basis = "watt"', 1, '"watt" is none of "percent_of_maximum", "percent_of_reserve", "bpm"'),
        ('basis = "bpm"', 'bassis = "bpm"', 1, "bassis: there is no such key; use basis, band, source"),
        ("low = 150", "low = 150\nhigh = 200", 15, "hole"),
        ("low = 120", "low = = 120", 9, "not TOML"),
    ],
)
def test_a_bad_scheme_names_file_and_line(
    old: str, new: str, line: int, word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = own_scheme(GOOD.replace(old, new, 1))
    assert main(["bands", "--scheme", "own", "--hr-max-bpm", "180"]) == 2
    message = capsys.readouterr().err
    assert str(path) in message
    assert f"line {line}" in message
    assert word in message


def test_an_unknown_scheme_lists_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bands", "--scheme", "../rider"]) == 2
    assert f"choose one of {', '.join(settings.scheme_names())}" in capsys.readouterr().err
