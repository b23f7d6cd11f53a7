"""The CSV of a ride: it round-trips exactly, and bad files are told apart clearly."""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from firmware_app.core.events import Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideRecord, record_of
from firmware_app.store.csvfile import CsvError, export_csv, read_csv
from tests.store.made_rides import FACTS, records, same_measurements


def write(tmp_path: Path, content: str | bytes) -> Path:
    path = tmp_path / "ride.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@given(record=records(max_size=40).filter(lambda record: len(record.t_s) > 0))
def test_what_is_exported_reads_back_the_same(tmp_path: Path, record: RideRecord) -> None:
    # A strap whose every RR interval is a few ticks could be read as seconds.
    assume(record.rr_ms.max(initial=1000.0) > 10)
    text = io.StringIO()
    export_csv(record, text)
    # A ride without one beat is refused: here a beat follows, and is left off again.
    *rows, _ = read_csv(write(tmp_path, text.getvalue() + "40000,120,,\n"))
    again = record_of(FACTS, [Sample(t_s, measurement, None, 0.0) for t_s, measurement in rows], [], 0.0)
    assert same_measurements(again, record)


def test_header_and_rows_are_those_of_the_design(tmp_path: Path) -> None:
    samples = [
        Sample(0.0, Measurement(143, (418 * 1000 / 1024, 420.0), True), None, 0.0),
        Sample(1.25, Measurement(None, (), False), None, 0.0),
        Sample(2.0, Measurement(0), None, 0.0),
    ]
    text = io.StringIO()
    export_csv(record_of(FACTS, samples, [], 2.0), text)
    assert text.getvalue() == ("t_s,hr_bpm,rr_ms,contact\n0.000,143,408.203125 420,1\n1.250,,,0\n2.000,0,,\n")


def test_a_recording_of_beats_with_another_column(graded_tests: list[Path]) -> None:
    for file in graded_tests:
        rows = read_csv(file)
        lines = file.read_text().splitlines()[1:]
        assert len(rows) == len(lines)
        first, last = lines[0].split(","), lines[-1].split(",")
        assert rows[0] == (float(first[0]), Measurement(None, (float(first[1]),)))
        assert rows[-1] == (float(last[0]), Measurement(None, (float(last[1]),)))
        assert np.all(np.diff([t_s for t_s, _ in rows]) >= 0)


@pytest.mark.parametrize(
    "content",
    [
        "hr_bpm,t_s\n120,1.0\n",
        "\ufefft_s,hr_bpm\r\n1.0,120\r\n",
        't_s , note, hr_bpm\n1,"a, b", 120\n\n',
        "t_s,hr_bpm\n1.0004,119.5\n",
        "t_s,rr_ms,contact,hr_bpm\n1,,,120\n",
        "t_s;note,x;hr_bpm\n1,0;a, b;119,6\n",
        "t_s\thr_bpm\r\n1\t120\r\n",
        "t_s,hr_bpm\n1,120,, \n",
        "\ufeffsep=;\r\nt_s;hr_bpm\r\n1,0;120\r\n",
        "T_S,HR_BPM\n1,120\n",
        "T_S,t_s,Hr_Bpm\n9,1,120\n",
    ],
)
def test_order_spaces_marks_and_line_ends_do_not_matter(tmp_path: Path, content: str) -> None:
    assert read_csv(write(tmp_path, content)) == [(1.0, Measurement(120))]


@pytest.mark.parametrize(
    "times",
    [
        ("0:00", "59:59.5", "1:00:00"),
        ("0:00:00", "0:59:59.500", "1:00:00"),
        ("18:02:11", "19:02:10.5", "19:02:11"),  # of the day
        ("23:10:00", "0:09:59.5", "0:10:00"),  # past midnight
        ("75:30", "135:29.5", "135:30"),
        ("1777910520", "1777914119.5", "1777914120"),
    ],
)
def test_times_with_colons_and_times_since_1970_count_from_the_first_row(tmp_path: Path, times: tuple[str]) -> None:
    rows = read_csv(write(tmp_path, "t_s,hr_bpm\n" + "".join(f"{time},120\n" for time in times)))
    assert [t_s for t_s, _ in rows] == [0.0, 3599.5, 3600.0]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", "line 1: is empty where the names of the columns belong; check that it is the right file"),
        ("\n0,120\n", "line 1: is empty where"),
        ("sep=;\nt_s;hr_bpm\n0;high\n", "line 3: hr_bpm: 'high' is not a number"),
        ("sep=;\ntime;hr_bpm\n0;120\n", "line 2: no column t_s; the header has time, hr_bpm: rename"),
        ("time,hr_bpm\n0,120\n", "or `rumblestrip rides import` the file with --time-column"),
        ("t_s,hr_bpm\n2026-05-04T18:02:11,120\n", "`rumblestrip rides import` reads it with --time-unit iso"),
        ("t_s,hr_bpm\n", "no row of data"),
        ("0,120\n1,121\n", "line 1: holds values where the names of the columns belong; write a line of them above"),
        ("2026-05-04T18:02:11Z;120,5;\n", "line 1: holds values where"),
        ("T_S,t_S,hr_bpm\n0,0,120\n", "twice"),
        ("t_s,hr_bpm\n0,2.3\n1,2.4\n", "no row has a heart rate from 30 to 240 bpm; write hr_bpm in beats a minute"),
        ("t_s,rr_ms\n0,0.81 0.79\n", "rr_ms in ms"),
        ("t_s,hr_bpm,rr_ms\n0,75,0.81 0.79\n1,76,0.8\n", "rr_ms: no RR interval is over 0.81 ms: they are in seconds"),
        ("t_s,rr_ms\n0,810|790\n", "'810|790' is not a number; write digits with a decimal point, such as 812.5, and"),
        ("t_s,hr_bpm,rr_ms,contact\n0,0,,1\n1,,0,1\n2,255,,\n", "no row has a heart rate"),
        ("t_s,power_w\n0,200\n", "no column hr_bpm or rr_ms"),
        ("t_s;power_w\n0;200\n", "the header has t_s, power_w: rename"),
        ("t_s;hr_bpm\n0,5.0;120\n", "line 2: t_s: '0.5.0' is not a number"),
        ("t_s,hr_bpm\n1:60,120\n", "line 2: t_s: '1:60' is not a time; write seconds, or"),
        ("t_s,hr_bpm\n1:75:00,120\n", "line 2: t_s: '1:75:00' is not a time"),
        ("t_s,hr_bpm\n" + "7,120\n" * 400_001, "line 400002: no ride has more than 400000 rows; give it a row for"),
        ("t_s,hr_bpm\n0:00,120\n99:00:00,120\n", "would last 4 days"),
        ("t_s,t_s,hr_bpm\n0,0,1\n", "twice"),
        ("t_s,hr_bpm\n0,120\nx,121\n", "line 3: t_s: 'x' is not a number"),
        ("t_s,hr_bpm\n,120\n", "line 2: t_s: is empty"),
        ("t_s,hr_bpm\n0,120\nnan,121\n", "line 3: t_s"),
        ("t_s,hr_bpm\ninf,120\n", "line 2: t_s"),
        ("t_s,hr_bpm\n1_0,120\n", "line 2: t_s"),
        ("t_s,hr_bpm\n-1,120\n", "line 2: t_s: -1 is not from 0"),
        ("t_s,hr_bpm\n5,120\n4,120\n", "line 3: t_s: 4 comes after 5; sort"),
        ("t_s,hr_bpm\n0:59,120\n0:58,120\n", "line 3: t_s: 0:58 comes after 0:59; sort"),
        ("t_s,hr_bpm\n59:59,120\n0:00,120\n", "line 3: t_s: 0:00 comes after 59:59; where times begin again"),
        ("t_s,hr_bpm\n12:59:59,120\n01:00:00,120\n", "write h:mm:ss on a 24-hour clock"),
        ("t_s,hr_bpm\n3600,120\n0,120\n", "line 3: t_s: 0 comes after 3600; give the recording that begins there"),
        ("t_s,hr_bpm\n0,-2\n", "line 2: hr_bpm"),
        ("t_s,hr_bpm\n0,high\n", "line 2: hr_bpm: 'high' is not a number"),
        ("t_s,rr_ms\n0,812;790\n", "line 2: rr_ms: '812;790' is not a number"),
        ("t_s,rr_ms\n0,812 -4\n", "line 2: rr_ms: -4"),
        ("t_s,rr_ms\n0,70000\n", "line 2: rr_ms: 70000 is not from 0 to 64000"),
        ("t_s,rr_ms\n0," + "800 " * 256 + "\n", "at most 255"),
        ("t_s,hr_bpm,contact\n0,120,yes\n", "line 2: contact: 'yes'"),
        ("t_s,hr_bpm\n0\n", "line 2: 1 fields where the header has 2"),
        ("t_s,hr_bpm\n0,120\n0,5,131\n", "line 3: 3 fields where the header has 2; where commas are decimal, put"),
        ("t_s;hr_bpm\n0;120;7\n", "line 2: 3 fields where the header has 2; mend or remove the row"),
        ('t_s,hr_bpm\n0,"120\n', "is not CSV"),
        (b"t_s,hr_bpm\n0,\xff\xfe\n", "UTF-8"),
        (b"\x00\x01\x02", "no column t_s"),
    ],
)
def test_a_bad_file_names_line_column_and_cure(tmp_path: Path, content: str | bytes, told: str) -> None:
    path = write(tmp_path, content)
    with pytest.raises(CsvError) as error:
        read_csv(path)
    assert told in str(error.value)
    assert str(path) in str(error.value)


def test_a_few_beats_are_enough(tmp_path: Path) -> None:
    assert len(read_csv(write(tmp_path, "t_s,hr_bpm,rr_ms\n0,0,\n1,2,0.8\n2,0,800\n"))) == 3
    assert len(read_csv(write(tmp_path, "t_s,hr_bpm\n0,240\n1,0\n"))) == 2


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(CsvError, match=r"none\.csv: cannot be read"):
        read_csv(tmp_path / "none.csv")


@given(
    content=st.binary(max_size=200)
    | st.text(st.sampled_from('t_shrbpmc,;\n\r" 0129.-eE+\0\ufeff'), max_size=120).map(
        lambda text: ("t_s,hr_bpm,rr_ms,contact\n" + text).encode()
    )
)
def test_any_content_is_read_or_refused(tmp_path: Path, content: bytes) -> None:
    try:
        rows = read_csv(write(tmp_path, content))
    except CsvError:
        return
    assert rows
    assert all(later[0] >= earlier[0] >= 0 for earlier, later in pairwise(rows))
