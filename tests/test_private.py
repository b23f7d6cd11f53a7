"""Heart data are the rider's: no file that others can read, nothing listens or leaves, no log tells a heart rate."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import stat
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from firmware_app import cli

ROOT = Path(__file__).resolve().parent.parent

RIDE = ["ride", "--strap", "sim", "--panel", "offscreen", "--stop-after-s", "1.2", "--target", "3"]

SHORT = """
about = "A minute and a half, from easy to the very top."
duration_s = 90
[rider]
hr_max_bpm = 184
[target]
percent = [65, 75]
[[block]]
[[block.step]]
s = [90, 90]
fraction = 1.2
"""

WATCHED = r"""
import json, os, re, sys, threading

seen = []
NETWORK = ("socket.bind", "socket.getaddrinfo", "socket.sendto", "urllib.Request", "http.client.connect")

def hook(event, words):
    if event == "socket.__new__":
        seen.append([event, int(words[1])])
    elif event == "socket.connect":
        seen.append([event, 1 if isinstance(words[1], (str, bytes)) else 2])
    elif event in NETWORK:
        seen.append([event, 0])

sys.addaudithook(hook)

def open_now():
    # Also what a library in C has opened, which no audit tells: sockets of this process that are the network's.
    mine = set()
    for name in os.listdir("/proc/self/fd"):
        try:
            found = re.match(r"socket:\[(\d+)\]", os.readlink("/proc/self/fd/" + name))
        except OSError:
            continue
        if found:
            mine.add(found[1])
    for kind in ("tcp", "tcp6", "udp", "udp6"):
        try:
            with open("/proc/self/net/" + kind) as table:
                rows = [line.split() for line in table][1:]
        except OSError:
            continue
        seen.extend([kind, row[1]] for row in rows if row[9] in mine)

if sys.argv[1] == "listen":
    import socket
    status = 0
    server = socket.create_server(("127.0.0.1", 0))
    open_now()
else:
    from firmware_app.cli import main
    midway = threading.Timer(0.7, open_now)
    midway.daemon = True
    midway.start()
    status = main(sys.argv[1:])
    open_now()
print(json.dumps([status, seen]), file=sys.stderr)
"""


def watched(*words: str) -> tuple[int, list[tuple[str, object]]]:
    """Status of a command in a process of its own, and every network thing that it did."""
    done = subprocess.run(
        [sys.executable, "-c", WATCHED, *words], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    status, seen = json.loads(done.stderr.splitlines()[-1])
    unix = 1
    return status, [(event, what) for event, what in seen if what != unix]


def run(*words: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = cli.main(list(words))
    return status, out.getvalue(), err.getvalue()


@pytest.fixture
def short(tmp_path: Path) -> Path:
    path = tmp_path / "short.toml"
    path.write_text(SHORT)
    return path


def test_every_file_is_its_owners_only_even_where_the_system_would_share_it(tmp_path: Path, short: Path) -> None:
    pytest.importorskip("matplotlib")
    own, out = tmp_path / "home", tmp_path / "out"
    out.mkdir()
    before = os.umask(0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(own / "config"))
        patch.setenv("XDG_DATA_HOME", str(own / "data"))
        try:
            for words in (
                ["maximum", "set", "184"],
                ["pair", "--address", "C0:FF:EE:00:00:01"],
                ["simulate", f"{short}", "--headless", "--log", "--pictures", f"{out / 'pictures'}"],
                [*RIDE, "--picture", f"{out / 'end.png'}"],
                ["rides", "export", "1", "--out", f"{out / 'ride.csv'}"],
                ["rides", "export", "1", "--as", "rr", "--out", f"{out / 'ride.txt'}"],
                ["rides", "export", "1", "--as", "fhir", "--out", f"{out / 'ride.json'}"],
                ["report", "1", "--out", f"{out / 'ride.html'}"],
                ["report", "--weeks", "2", "--out", f"{out / 'weeks.html'}"],
            ):
                status, _, err = run(*words)
                assert status == 0, err
        finally:
            os.umask(before)
    files = [path for folder in (own, out) for path in folder.rglob("*") if path.is_file()]
    names = {path.name for path in files}
    assert {"rider.toml", "unit.toml", "rides.sqlite3", "ride.csv", "ride.html", "weeks.html", "end.png"} <= names
    assert len(names & {path.name for path in (out / "pictures").iterdir()}) >= 2
    assert {oct(stat.S_IMODE(path.stat().st_mode)) for path in files} == {oct(0o600)}
    folders = [path for path in own.rglob("rumblestrip") if path.is_dir()]
    assert len(folders) == 2
    assert {oct(stat.S_IMODE(path.stat().st_mode)) for path in folders} == {oct(0o700)}


@pytest.mark.skipif(not Path("/proc/self/net").exists(), reason="no /proc")
def test_nothing_listens_and_nothing_leaves_during_a_ride_and_after_it(tmp_path: Path) -> None:
    assert watched(*RIDE) == (0, [])
    assert watched("pair", "--address", "C0:FF:EE:00:00:01") == (0, [])
    assert watched(*RIDE, "--strap", "ble", "--hr-max-bpm", "184") == (0, [])
    assert watched("rides", "export", "last", "--as", "fhir") == (0, [])
    assert watched("report", "last") == (0, [])


@pytest.mark.skipif(not Path("/proc/self/net").exists(), reason="no /proc")
def test_the_watch_would_have_noticed() -> None:
    events = {event for event, _ in watched("listen")[1]}
    assert {"socket.__new__", "socket.bind", "tcp"} <= events


def test_the_service_has_no_network_and_shares_no_file() -> None:
    lines = set((ROOT / "config" / "rumblestrip.service").read_text().splitlines())
    assert {"PrivateNetwork=yes", "RestrictAddressFamilies=AF_UNIX", "UMask=0077", "StateDirectoryMode=0700"} <= lines


def test_what_a_ride_says_of_itself_tells_no_heart_rate(short: Path, caplog: pytest.LogCaptureFixture) -> None:
    status, out, err = run("simulate", str(short), "--headless", "--json")
    assert status == 0
    # It was a ride with something to tell.
    assert json.loads(out)["alarms"]
    told = err + caplog.text
    assert told
    assert not re.search(r"\d{2,3} ?(bpm|ms|%)|\b1\d\d\b", told), told


def test_the_terminals_line_with_the_heart_rate_is_not_written_to_a_journal() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "firmware_app", *RIDE], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stdout) == (0, "")
    told = [line for line in done.stderr.splitlines() if not line.startswith("Simulated rider: ")]
    assert "bpm" not in "".join(told)
    assert any("stored" in line for line in told)
    assert "ridden" not in done.stderr


def test_every_dependency_has_a_lower_and_an_upper_bound() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *(one for extra in project["optional-dependencies"].values() for one in extra)]
    assert wanted
    bounded = re.compile(r"[\w.-]+>=[\d.]+,<[\d.]+(;|$)")
    assert [one for one in wanted if not bounded.match(one.replace(" ", ""))] == []


def test_check_tells_of_settings_that_others_can_read(capsys: pytest.CaptureFixture[str]) -> None:
    from firmware_app import settings
    from firmware_app.cli import check

    path = settings.remember("rider", {"hr_max_bpm": 184})
    [answer] = check._settings()
    assert answer.state == "ok"
    path.chmod(0o644)
    assert check._settings()[0].state == "ok"  # the folder still keeps others out
    path.parent.chmod(0o755)
    valid, answer = check._settings()
    assert (valid.part, valid.state, answer.part, answer.state) == ("settings", "ok", "privacy", "ok")
    assert str(path) in answer.text
    assert answer.cure == f"chmod 600 {path}"
