"""Bad input everywhere: any settings, any recording, any request gets an answer, and a file is whole whatever fails."""

from __future__ import annotations

import contextlib
import copy
import errno
import io
import os
import subprocess
import sys
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware_app import cli, plans, settings
from firmware_app.core.events import Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, record_of
from firmware_app.settings import SettingsError
from firmware_app.store.log import log_path, open_log
from sim import scenario

ROOT = Path(__file__).resolve().parent.parent


def run(*words: str) -> tuple[int, str, str]:
    """Status, stdout and stderr of a command. An exception that it lets through fails the test."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = cli.main(list(words))
    return status, out.getvalue(), err.getvalue()


def answered(status: int, err: str, file: Path) -> None:
    """Done, or refused in words that name the file and say what to do."""
    assert status in (0, 2), err
    if status == 2:
        assert str(file) in err
        # An error is "what; cure", or names what would be right.
        assert any(mark in err for mark in (";", ",", "must be", "give ", "between")), err


@pytest.mark.parametrize(
    ("text", "key", "cure"),
    [
        ("birth_year = 2030", "birth_year", "mend"),
        ('hr_max_bpm = 184\nscheme = "sevn"', "scheme 'sevn'", "choose one of"),
        ('hr_max_bpm = 184\nscheme = "acsm-reserve"', "scheme 'acsm-reserve'", "set hr_rest_bpm"),
        ('hr_max_bpm = 184\ntarget = "lots"', "target 'lots'", "write a band"),
        ('hr_max_bpm = 184\ntarget = "3-1"', "target '3-1'", "write 1-3"),
        ('hr_max_bpm = 184\ntarget = "80-70%"', "target '80-70%'", "put the lower one first"),
    ],
)
def test_a_rider_that_cannot_ride_is_told_the_file_the_key_and_the_cure(text: str, key: str, cure: str) -> None:
    own = settings.config_dir() / "rider.toml"
    own.parent.mkdir(parents=True, exist_ok=True)
    own.write_text(text)
    for words in (("ride", "--panel", "offscreen", "--stop-after-s", "1"), ("check",)):
        status, out, err = run(*words)
        assert status != 0
        assert all(part in out + err for part in (str(own), key, cure)), out + err


# --- settings: what stands in them ----------------------------------------------------------------------------------

RIDER = {
    "birth_year": 1980,
    "sex": "female",
    "hr_max_bpm": 184,
    "hr_rest_bpm": 52,
    "scheme": "seven",
    "target": "3",
    "rate_medicines": False,
}
SHIPPED = [
    *(ROOT / "config").glob("*.toml"),
    *(ROOT / "config").glob("*/*.toml"),
    *(ROOT / "sim" / "scenarios").glob("*.toml"),
]
DOCUMENTS = {
    f"{path.parent.name}/{path.name}": tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(SHIPPED)
}
DOCUMENTS["config/rider.toml"] = RIDER

WILD = st.one_of(
    st.sampled_from(
        [
            0, -1, 1, 10**18, 2**63 - 1, 10**400, 0.0, -0.0, 1e-9, 1e308, float("inf"), float("-inf"), float("nan"),
            "", "3", "70-80%", "130-145bpm", "99:99", "0:00", "above 5", "none", "..", "\0", "x" * 400,
            "\N{SUPERSCRIPT TWO}", True, False, [], {}, [[]], [{}], [0], [1e9], [[0, 0]], [[-1, 10**6]],
            [float("nan")], [float("inf")], date(2026, 5, 4),
        ]
    ),
    st.integers(-300, 300),
    st.floats(-300, 300),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=12),
)  # fmt: skip


def places(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key or index) of a document."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [place for key, below in list(pairs) for place in ((value, key), *places(below))]


@st.composite
def spoiled(draw: st.DrawFn, name: str) -> dict[str, Any]:
    """A document of ours in which one to three things are not what they were."""
    document = copy.deepcopy(DOCUMENTS[name])
    for _ in range(draw(st.integers(1, 3))):
        at = places(document)
        if not at:
            break
        holder, key = draw(st.sampled_from(at))
        match draw(st.sampled_from(["change", "change", "change", "remove", "rename", "double"])):
            case "change":
                holder[key] = copy.deepcopy(draw(WILD))
            case "remove":
                del holder[key]
            case "rename" if isinstance(holder, dict):
                holder[draw(st.text("abc_.", max_size=4))] = holder.pop(key)
            case "double" if isinstance(holder, list):
                holder.insert(key, copy.deepcopy(holder[key]))
    return document


def write(path: Path, document: dict[str, Any]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    # One writer for the test, another library for the program.
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("csv") / "ride.csv"
    rows = [f"{t_s},{100 + t_s},{60000 / (100 + t_s):.1f},1" for t_s in range(75)]
    path.write_text("\n".join(["t_s,hr_bpm,rr_ms,contact", *rows]))
    return path


def use(name: str, path: Path, recording: Path) -> None:
    """Give a file of ours to the command that reads it."""
    folder, _, file = name.partition("/")
    if folder == "config":
        own = settings.config_dir() / file
        own.parent.mkdir(parents=True, exist_ok=True)
        path.replace(own)
        words = {
            "rider.toml": ("bands",),
            "alarms.toml": ("replay", str(recording), "--hr-max-bpm", "184", "--json"),
            "unit.toml": ("pair", "--address", "C0:FF:EE:00:00:01"),
        }[file]
        before = own.read_bytes()
        status, _, err = run(*words)
        if status == 2 and file == "rider.toml" and str(own) not in err:
            # Values that are right one by one and make no sense together are named by their key.
            assert any(key in err for key in (*RIDER, "target", "maximum")), err
        else:
            answered(status, err, own)
        if status:
            assert own.read_bytes() == before
        elif file == "unit.toml":
            assert settings.load("unit", settings.Unit).strap.address == "C0:FF:EE:00:00:01"
    elif folder == "bands":
        own = settings.config_dir() / "bands" / "mine.toml"
        own.parent.mkdir(parents=True, exist_ok=True)
        path.replace(own)
        status, _, err = run("bands", "--scheme", "mine", "--hr-max-bpm", "184", "--hr-rest-bpm", "52")
        if status == 2 and str(own) not in err:
            assert "scheme 'mine'" in err or "bpm" in err, err
        else:
            answered(status, err, own)
    elif folder == "sessions":
        for action in ("check", "show"):
            status, _, err = run("sessions", action, str(path), "--hr-max-bpm", "184")
            answered(status, err, path)
    else:
        try:
            loaded = scenario.load(str(path))
        except SettingsError as error:
            answered(2, str(error), path)
            return
        if loaded.duration_s <= 900 and sum(block.repeat for block in loaded.block) <= 20:
            scenario.labelled_ride(loaded, 1.0, 1)


@pytest.mark.parametrize("kind", ["config/rider", "config/unit", "config/alarms", "bands", "sessions", "scenarios"])
def test_a_spoiled_file_of_ours_is_used_or_refused_by_name(kind: str, tmp_path: Path, recording: Path) -> None:
    names = [name for name in DOCUMENTS if name.startswith(kind)]
    assert names

    @examples(max_examples=60)
    @given(data=st.data())
    def holds(data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(names))
        use(name, write(tmp_path / "spoiled.toml", data.draw(spoiled(name))), recording)

    holds()


@pytest.mark.parametrize("kind", ["config/rider", "config/unit", "config/alarms", "bands", "sessions", "scenarios"])
def test_a_file_with_wrong_bytes_is_used_or_refused_by_name(kind: str, tmp_path: Path, recording: Path) -> None:
    names = [name for name in DOCUMENTS if name.startswith(kind)]

    @examples(max_examples=25)
    @given(data=st.data())
    def holds(data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(names))
        path = write(tmp_path / "bytes.toml", DOCUMENTS[name])
        path.write_bytes(cut_up(data, path.read_bytes()))
        use(name, path, recording)

    holds()


def cut_up(data: st.DataObject, content: bytes) -> bytes:
    """Bytes with a piece taken out and another put in."""
    start = data.draw(st.integers(0, len(content)))
    length = data.draw(st.sampled_from([0, 1, 2, 10, len(content)]))
    pieces = st.sampled_from([b"\xef\xbb\xbf", b"\0", b"\r", b'"', b"[", b"nan", b"-", b","])
    put = data.draw(st.binary(max_size=4) | pieces)
    return content[:start] + put + content[start + length :]


@pytest.mark.parametrize("text", ["x = " + "[" * 20_000, "x = 1" + "0" * 5_000, "x = " + "{a=" * 5_000])
def test_what_breaks_the_parser_itself_is_refused_by_name(text: str) -> None:
    own = settings.config_dir() / "rider.toml"
    own.parent.mkdir(parents=True)
    own.write_text(text)
    status, _, err = run("bands", "--hr-max-bpm", "184")
    assert status == 2
    assert str(own) in err
    with pytest.raises(SettingsError, match="--set"):
        settings.load_alarms(changes=[text])


def test_a_byte_order_mark_is_no_trouble() -> None:
    own = settings.config_dir() / "rider.toml"
    own.parent.mkdir(parents=True)
    own.write_bytes(b"\xef\xbb\xbfhr_rest_bpm = 52\n")
    settings.remember("rider", {"hr_max_bpm": 184})
    rider = settings.load("rider", settings.Rider)
    assert (rider.hr_rest_bpm, rider.hr_max_bpm) == (52, 184)


@pytest.mark.parametrize("name", ["x" * 400, "x" * 400 + ".toml", "~nobody-of-that-name/x.toml", "a\udcff.toml"])
def test_a_name_that_is_no_file_is_a_wrong_request(name: str) -> None:
    for words in (["sessions", "show", name], ["simulate", "--headless", name], ["ride", "--plan", name]):
        status, _, err = run(*words, "--hr-max-bpm", "184")
        assert status == 2
        assert err
    with pytest.raises(SettingsError):
        plans.load_plan(name)


# --- recordings -----------------------------------------------------------------------------------------------------


@examples(max_examples=60)
@given(data=st.data())
def test_any_recording_is_read_or_refused_by_file_and_cure_and_leaves_the_log_alone(
    data: st.DataObject, recording: Path, tmp_path: Path
) -> None:
    path = tmp_path / "cut.csv"
    path.write_bytes(cut_up(data, recording.read_bytes()))
    for words in (
        ["replay", str(path), "--hr-max-bpm", "184"],
        ["maximum", "evidence", str(path)],
        ["rides", "import", str(path), "--date", "2026-05-04T18:02", "--hr-max-bpm", "184"],
    ):
        before = stored()
        status, _, err = run(*words)
        if status == 2 and "is in the log already" in err:
            continue
        answered(status, err, path)
        assert stored() == before + (1 if status == 0 and words[0] == "rides" else 0)


def stored() -> int:
    with open_log(log_path()) as log:
        return len(log.rides())


# --- requests of the commands that drive devices --------------------------------------------------------------------

WORDS = [
    "--json", "--headless", "--target", "3", "4-3", "0-100%", "999bpm", "none", "--plan", "long-easy", "--hr-max-bpm",
    "184", "0", "-5", "--hr-rest-bpm", "300", "--scheme", "acsm-reserve", "--set", "near_max.on=false",
    "audio_pause_s=nan", "near_max.dwell_s=1e999", "a.b=1", "=", "--alarms", "/", "--seed", "-1",
    "99999999999999999999", "--dirt", "nan", "inf", "--stop-after-s", "-1", "nan", "inf", "--panel", "offscreen",
    "--picture", "--pictures", "/dev/null", "--strap", "sim", "ble", "--resume", "--log", "demo", "hell", "../x.toml",
    "--seconds", "1e400", "601", "--address", "C0:FF:EE:00:00:01", "C0", "--forget", "--sound",
    "--radio-seconds", "--maximal-test", "--ramp", "80+20", "9+9",
]  # fmt: skip


@examples(max_examples=120)
@given(
    command=st.sampled_from(["ride", "simulate", "pair", "check"]),
    words=st.lists(st.sampled_from([*WORDS, ""]) | st.text("-=.3x%", max_size=5), max_size=5),
)
def test_any_request_to_a_command_that_drives_devices_is_answered(
    private_home: Path, command: str, words: list[str]
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        # What begins after the request was understood is not this test's to run.
        patch.setattr("firmware_app.cli.live._live", begun)
        patch.setattr("sim.runner.run_virtual", refuse)
        patch.setattr("firmware_app.cli.pair._look", refuse)
        patch.setattr("firmware_app.cli.check.ask", lambda **_: [])
        patch.chdir(private_home)
        status, _, err = run(command, *words)
    assert status in (0, 1, 2)
    assert status == 0 or err


async def begun(*_: object) -> int:
    return 0


def refuse(work: Any, *_: object) -> None:
    if hasattr(work, "close"):
        work.close()
    raise cli.Failed("not in this test")


# --- a file is whole, whatever fails --------------------------------------------------------------------------------

STEPS = ["os.open", "os.fdopen", "os.fsync", "pathlib.Path.replace"]


def remembering() -> Path:
    return settings.remember("rider", {"hr_max_bpm": 190})


def exporting() -> Path:
    path = settings.config_dir() / "ride.csv"
    status, _, err = run("rides", "export", "last", "--out", str(path))
    if status:
        assert status == 1
        raise OSError(err)
    return path


@pytest.fixture
def old() -> Path:
    with open_log(log_path()) as log:
        samples = [(float(t_s), Measurement(120, (500.0,), True)) for t_s in range(30)]
        log.add(record_of(RideFacts(184), [_sample(*row) for row in samples], [], 30.0))
    path = settings.remember("rider", {"hr_max_bpm": 180})
    assert path.read_text() == "hr_max_bpm = 180\n"
    return path


def _sample(t_s: float, measurement: Measurement) -> Sample:
    return Sample(t_s, measurement, 120.0, 1.0)


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("work", [remembering, exporting])
def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(
    old: Path, work: Callable[[], Path], step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = getattr(os, step[3:], None)

    def fails(*words: Any, **more: Any) -> Any:
        if step == "os.open" and not str(words[0]).endswith(".part") and real is not None:
            return real(*words, **more)
        if step == "os.fdopen":
            os.close(words[0])
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(step, fails)
        with pytest.raises(OSError, match=os.strerror(errno.EIO)):
            work()
    assert old.read_text() == "hr_max_bpm = 180\n"
    assert [path.name for path in old.parent.iterdir()] == [old.name]


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("work", [remembering, exporting])
def test_a_kill_in_the_middle_of_a_write_leaves_the_old_file_and_the_next_write_works(
    old: Path, work: Callable[[], Path], step: str
) -> None:
    child = os.fork()
    if child == 0:
        holder: Any = Path if "Path" in step else os
        name = step.rpartition(".")[2]
        real = getattr(holder, name)

        def dies(*words: Any, **more: Any) -> Any:
            if step != "os.open" or str(words[0]).endswith(".part"):
                os._exit(9)
            return real(*words, **more)

        setattr(holder, name, dies)
        with contextlib.suppress(BaseException):
            work()
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    assert old.read_text() == "hr_max_bpm = 180\n"
    assert settings.load("rider", settings.Rider).hr_max_bpm == 180
    written = work()
    assert written.read_text() != "hr_max_bpm = 180\n"
    assert {path.name for path in old.parent.iterdir()} == {old.name, written.name}


def test_what_is_remembered_is_the_one_key_and_nothing_else(tmp_path: Path) -> None:
    keys = st.sampled_from(["strap", "name", "panel", "a"])
    table = st.dictionaries(keys, st.recursive(st.integers(), lambda below: st.dictionaries(keys, below, max_size=3)))

    @examples(max_examples=60)
    @given(before=table, dotted=st.booleans())
    def holds(before: dict[str, Any], dotted: bool) -> None:
        own = settings.config_dir() / "unit.toml"
        own.parent.mkdir(parents=True, exist_ok=True)
        own.write_text("".join(_dotted(before)) if dotted else tomlkit.dumps(before))
        content = own.read_bytes()
        before = tomllib.loads(content.decode())
        try:
            settings.remember("unit", {"strap.name": "Ahead"})
        except SettingsError:
            assert own.read_bytes() == content
            return
        assert tomllib.loads(own.read_text()) == settings.overlaid(before, {"strap": {"name": "Ahead"}})

    holds()


def _dotted(table: dict[str, Any], above: str = "") -> list[str]:
    return [
        line
        for key, value in table.items()
        for line in (_dotted(value, f"{above}{key}.") if isinstance(value, dict) else [f"{above}{key} = {value}\n"])
    ]


def test_a_place_that_is_no_file_is_told_and_left_alone(old: Path, tmp_path: Path) -> None:
    for out in ("", ".", "..", "/", str(tmp_path), str(old / "below.csv"), "x" * 400):
        status, _, err = run("rides", "export", "last", "--out", out)
        assert status == 1
        assert "cannot be written" in err
    assert old.read_text() == "hr_max_bpm = 180\n"


# --- where it runs --------------------------------------------------------------------------------------------------


def command(*words: str, **world: str | None) -> subprocess.CompletedProcess[str]:
    """A command of its own, without a terminal, in this world of variables (None: not set)."""
    environment = {name: value for name, value in {**os.environ, **world}.items() if value is not None}
    return subprocess.run(
        [sys.executable, "-m", "firmware_app", *words],
        env=environment,
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )


HOMELESS = """
import pwd, sys
def nobody(*_):
    raise KeyError
pwd.getpwuid = nobody
from firmware_app.cli import main
raise SystemExit(main(sys.argv[1:]))
"""


def test_without_a_home_nothing_is_written_where_it_happens_to_run(tmp_path: Path) -> None:
    gone = {"HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME"}
    world = {name: value for name, value in os.environ.items() if name not in gone}
    for words in (["bands", "--hr-max-bpm", "184"], ["rides"]):
        done = subprocess.run(
            [sys.executable, "-c", HOMELESS, *words],
            env={**world, "PYTHONPATH": str(ROOT)},
            cwd=tmp_path,
            capture_output=True,
            text=True,
        )
        assert (done.returncode, done.stdout) == (2, ""), done.stderr
        assert "set HOME" in done.stderr
    assert not [*tmp_path.iterdir()]


def test_a_plain_world_without_home_language_or_terminal() -> None:
    done = command("sessions", LANG="C", LC_ALL="C", HOME=None, PYTHONIOENCODING="ascii")
    assert done.returncode == 0, done.stderr
    assert "long-easy" in done.stdout
    asked = command("rides", "delete", "1", LANG="C", HOME=None)
    assert asked.returncode == 2
    assert "Traceback" not in asked.stderr


def test_folders_that_cannot_be_used_keep_nobody_from_riding(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    world = {"XDG_CONFIG_HOME": str(tmp_path / "file"), "XDG_DATA_HOME": str(tmp_path / "file")}
    words = "ride --target 3 --hr-max-bpm 184 --panel offscreen --stop-after-s 1"
    ridden = command(*words.split(), **world)
    assert ridden.returncode == 1, ridden.stderr
    assert "could not be stored" in ridden.stderr
    assert "Traceback" not in ridden.stderr
    for words in (["rides"], ["maximum", "set", "180"], ["pair", "--address", "C0:FF:EE:00:00:01"], ["check"]):
        done = command(*words, **world)
        assert done.returncode == 1, done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_card_under_stdout_is_one_line_and_status_one() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "firmware_app", "bands", "--hr-max-bpm", "184"],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1


def test_no_name_of_a_file_costs_a_ride(tmp_path: Path) -> None:
    plan = tmp_path / "\udcff.toml"
    try:
        plan.write_bytes((ROOT / "config" / "sessions" / "hard-eights.toml").read_bytes())
    except OSError:
        pytest.skip("this file system takes UTF-8 names only")
    own = settings.config_dir() / "bands" / "\udcff.toml"
    own.parent.mkdir(parents=True)
    own.write_bytes((ROOT / "config" / "bands" / "seven.toml").read_bytes())
    words = ["--plan", str(plan), "--scheme", "\udcff", "--hr-max-bpm", "184"]
    ride = ["ride", "--strap", "sim", "--panel", "offscreen", "--stop-after-s", "0.5"]
    assert run(*ride, *words)[0] == 0
    assert run("maximum", "set", "180", "--why", "\udcff")[0] == 0
    with open_log(log_path()) as log:
        assert log.ride("last").facts.plan == str(tmp_path / "\\udcff.toml")
        assert [one.why for one in log.maxima()] == ["\\udcff"]
        # What goes wrong with such a file is told in the ride's own marks.
        told = Mark(1.0, "fault", {"text": "a\udcff.toml: cannot be read"})
        assert log.record(log.add(record_of(RideFacts(184), [], [told], 2.0))).marks == (told,)
    out = tmp_path / "\udcff.csv"
    assert run("rides", "export", "last", "--out", str(out))[0] == 0
    assert out.exists()
