"""``rumblestrip pair`` as a process on a real D-Bus, and without one."""

from __future__ import annotations

import json
import subprocess
import sys

from firmware_app import settings
from sim.radio import STRAPS, Radio


def pair(env: dict[str, str], *words: str, answer: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "firmware_app", "pair", "--seconds", "1", *words],
        env=env, input=answer, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def test_the_chosen_strap_is_remembered(radio: Radio) -> None:
    settings.remember("unit", {"strap.adapter": "hci0"})
    with radio.strap("hci1", "--name", "Strap one") as one, radio.strap("hci2", "--name", "Strap two") as two:
        one.wait_for("ready")
        two.wait_for("ready")
        listed = pair(radio.env, "--json")
        done = pair(radio.env, answer="2\n")
    assert [strap["address"] for strap in json.loads(listed.stdout)["straps"]] == list(STRAPS)
    assert done.returncode == 0, done.stderr
    assert done.stdout.index(STRAPS[0]) < done.stdout.index(STRAPS[1])
    strap = settings.load("unit", settings.Unit).strap
    assert (strap.address, strap.name) == (STRAPS[1], "Strap two")


def test_without_d_bus_it_says_so(radio: Radio) -> None:
    done = pair(radio.env | {"DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/nowhere/at/all"}, "--json")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "no D-Bus" in done.stderr
