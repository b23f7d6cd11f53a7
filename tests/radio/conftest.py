"""A private radio for tests: a real D-Bus, an emulated BlueZ, straps as processes; bleak is used unmodified.

For a test that runs ``rumblestrip`` itself on this radio:

    def test_ride(radio, private_home):
        settings.remember("unit", {"strap.address": STRAPS[0]})
        settings.remember("unit", {"strap.adapter": "hci0"})           # hci1 and hci2 belong to the straps
        with radio.strap("hci1", "--csv", str(path), "--speed", "20", "--wait") as strap:
            strap.wait_for("ready")
            ride = subprocess.Popen([sys.executable, "-m", "firmware_app", "ride", ...], env=radio.env)
            strap.tell("away 60")                                    # and so on: see sim/peripheral.py
            strap.sent()                                             # every packet that went out

``radio.env`` is the environment of the test (its XDG folders too) with the address of the private bus.
"""

from __future__ import annotations

import asyncio
import os
import shutil
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from firmware_app.core.events import BadPacket, Battery, Event, Link, Worn
from firmware_app.core.measurement import Measurement
from firmware_app.devices.strap import Pace, Strap
from sim.radio import Radio

BRISK = Pace(scan_s=1.0, connect_s=1.0, call_s=1.0, silent_s=2.0, first_wait_s=0.05, most_wait_s=0.2, wrong_wait_s=0.2)
"""The real pace, hurried, so that a test does not wait."""


@pytest.fixture(scope="session")
def dbus_daemon() -> None:
    """What a radio needs. In CI it is never skipped."""
    if shutil.which("dbus-daemon") is None:
        if os.environ.get("CI"):
            pytest.fail("dbus-daemon is not installed: the radio tests must run here")
        pytest.skip("dbus-daemon is not installed")


@pytest.fixture
def radio(dbus_daemon: None, private_home: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Radio]:
    """A radio of its own for one test; bleak in this process is on it as well."""
    with Radio() as radio:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", radio.address)
        yield radio


class Heard:
    """What a strap delivered."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    @property
    def measurements(self) -> list[Measurement]:
        return [event for event in self.events if isinstance(event, Measurement)]

    @property
    def links(self) -> list[Link]:
        return [event for event in self.events if isinstance(event, Link)]

    @property
    def bad(self) -> list[BadPacket]:
        return [event for event in self.events if isinstance(event, BadPacket)]

    @property
    def packets(self) -> list[Event]:
        return [event for event in self.events if isinstance(event, Measurement | BadPacket)]

    @property
    def places(self) -> list[str]:
        return [event.place for event in self.events if isinstance(event, Worn)]

    @property
    def batteries(self) -> list[Battery]:
        return [event for event in self.events if isinstance(event, Battery)]

    def state(self) -> str:
        return self.links[-1].state if self.links else ""

    def says(self, words: str) -> bool:
        return bool(self.links) and words in self.links[-1].text

    def connections(self) -> int:
        return sum(link.state == "connected" for link in self.links)


@asynccontextmanager
async def listening(strap: Strap) -> AsyncIterator[Heard]:
    """Run a strap, and gather what it delivers."""
    heard = Heard()
    task = asyncio.create_task(strap.run(heard.events.append))
    try:
        yield heard
        assert not task.done()
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def until(condition: Callable[[], bool], seconds: float = 20.0) -> None:
    """Wait until it is so; fail when it never is."""
    async with asyncio.timeout(seconds):
        while not condition():  # noqa: ASYNC110 - what is waited for happens in another process
            await asyncio.sleep(0.02)
