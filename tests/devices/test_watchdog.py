"""Tasks that die are started again; the service manager hears from the loop that really turns."""

from __future__ import annotations

import asyncio
import os
import socket
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from firmware_app.core.events import Event, Fault
from firmware_app.devices.watchdog import HEALTHY_S, LONGEST_WAIT_S, ServiceManager, watched

Run = Callable[[Any], Any]


class Patient:
    """A task that dies as told: each of ``lives`` is (seconds to live, how it ends)."""

    def __init__(self, *lives: tuple[float, BaseException | None]) -> None:
        self.lives = list(lives)
        self.born_s: list[float] = []
        self.told: list[tuple[float, Event]] = []

    async def live(self) -> None:
        self.born_s.append(asyncio.get_running_loop().time())
        lasts_s, end = self.lives.pop(0) if self.lives else (1e9, None)
        await asyncio.sleep(lasts_s)
        if end is not None:
            raise end

    def deliver(self, event: Event) -> None:
        self.told.append((asyncio.get_running_loop().time(), event))

    async def watch(self, for_s: float) -> None:
        task = asyncio.create_task(watched("strap", self.live, self.deliver))
        await asyncio.sleep(for_s)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def test_a_dead_task_is_started_again_and_both_are_told(virtually: Run) -> None:
    patient = Patient((10.0, RuntimeError("the adapter went away")))
    virtually(patient.watch(300))
    assert patient.born_s == [0.0, 11.0]
    (died_s, died), (well_s, well) = patient.told
    assert isinstance(died, Fault)
    assert died.part == "strap"
    assert died.active
    assert "the adapter went away" in died.text
    assert died_s == 10.0
    assert isinstance(well, Fault)
    assert (well.part, well.active, well_s) == ("strap", False, 11.0 + HEALTHY_S)


def test_the_wait_grows_and_is_bounded_and_the_same_fault_is_told_once(virtually: Run) -> None:
    patient = Patient(*[(0.0, RuntimeError("no"))] * 1000)
    virtually(patient.watch(3600))
    waits_s = [after - before for before, after in pairwise(patient.born_s)]
    assert waits_s == sorted(waits_s)
    assert waits_s[0] == 1.0
    assert max(waits_s) == LONGEST_WAIT_S
    assert len(patient.born_s) > 100
    assert len(patient.told) == 1


def test_after_a_recovery_it_starts_anew(virtually: Run) -> None:
    patient = Patient((0.0, RuntimeError("a")), (0.0, RuntimeError("a")), (60.0, RuntimeError("a")))
    virtually(patient.watch(600))
    assert [fault.active for _, fault in patient.told] == [True, False, True, False]
    assert patient.born_s[3] - patient.born_s[2] == 61.0


def test_a_task_that_is_cancelled_from_within_has_died(virtually: Run) -> None:
    patient = Patient((1.0, asyncio.CancelledError()))
    virtually(patient.watch(10))
    assert len(patient.born_s) == 2
    assert len(patient.told) == 1


def test_cancelling_passes_through_and_is_no_death(virtually: Run) -> None:
    patient = Patient()

    async def watch() -> bool:
        task = asyncio.create_task(watched("strap", patient.live, patient.deliver))
        await asyncio.sleep(1)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return task.cancelled()

    assert virtually(watch())
    assert patient.told == []
    assert len(patient.born_s) == 1


def test_a_task_that_has_done_its_work_is_left_alone(virtually: Run) -> None:
    patient = Patient((1.0, None))
    virtually(asyncio.wait_for(watched("keys", patient.live, patient.deliver), 60))
    assert patient.told == []


def test_the_programs_own_end_is_not_held_up(virtually: Run) -> None:
    patient = Patient((1.0, SystemExit(3)))
    with pytest.raises(SystemExit):
        virtually(watched("strap", patient.live, patient.deliver))


# --- the service manager --------------------------------------------------------------------------------------------


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """A service manager's socket, of either kind (sd_notify(3))."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
        name = str(tmp_path / "notify") if request.param == "path" else f"@rumblestrip-{os.getpid()}"
        wire.bind("\0" + name[1:] if name.startswith("@") else name)
        wire.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        monkeypatch.delenv("WATCHDOG_PID", raising=False)
        monkeypatch.delenv("WATCHDOG_USEC", raising=False)
        yield wire


def received(wire: socket.socket) -> list[str]:
    words = []
    while True:
        try:
            words.append(wire.recv(4096).decode())
        except BlockingIOError:
            return words


def test_ready_status_and_stopping(manager: socket.socket) -> None:
    service = ServiceManager()
    service.ready("looking for the strap")
    service.status("riding\nREADY=0")
    service.stopping()
    assert received(manager) == [
        "READY=1\nSTATUS=looking for the strap", "STATUS=riding READY=0", "STOPPING=1",
    ]  # fmt: skip


def test_the_watchdog_hears_the_loop_well_within_its_time(
    manager: socket.socket, monkeypatch: pytest.MonkeyPatch, virtually: Run
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    service = ServiceManager()
    assert service.watchdog_s == 30.0

    async def turn() -> list[str]:
        beating = asyncio.create_task(service.run())
        beats = []
        for _ in range(10):
            await asyncio.sleep(30)
            beats += received(manager)  # a datagram socket holds only a few
        beating.cancel()
        return beats

    beats = virtually(turn())
    assert set(beats) == {"WATCHDOG=1"}
    assert len(beats) >= 2 * 300 / 30


def test_a_stalled_loop_leaves_the_watchdog_hungry(manager: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "30000")

    async def stall() -> tuple[list[str], list[str]]:
        beating = asyncio.create_task(ServiceManager().run())
        await asyncio.sleep(0.05)
        before = received(manager)
        time.sleep(0.2)  # noqa: ASYNC251 - the loop is stalled on purpose
        while_stalled = received(manager)
        beating.cancel()
        return before, while_stalled

    before, while_stalled = asyncio.run(stall())
    assert set(before) == {"WATCHDOG=1"}
    assert while_stalled == []


@pytest.mark.parametrize("env", [{}, {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, {"WATCHDOG_USEC": "soon"}])
def test_a_watchdog_that_is_not_ours_is_left_alone(
    manager: socket.socket, monkeypatch: pytest.MonkeyPatch, env: dict[str, str], virtually: Run
) -> None:
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    virtually(asyncio.wait_for(ServiceManager().run(), 60))
    assert received(manager) == []


def test_a_manager_that_is_gone_or_missing_is_no_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    ServiceManager().ready()
    monkeypatch.delenv("NOTIFY_SOCKET")
    ServiceManager().ready()
