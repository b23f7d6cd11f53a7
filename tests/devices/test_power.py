"""The unit's power, from files as the kernel writes them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from firmware_app.core.events import Battery, Event, Fault
from firmware_app.devices.power import POLL_S, Power
from sim.runner import run_virtual


def supply(root: Path, name: str, text: str) -> Path:
    folder = root / "power_supply" / name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "capacity").write_text(text)
    return folder / "capacity"


def alarm(root: Path, text: str) -> Path:
    folder = root / "hwmon" / "hwmon1"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "in0_lcrit_alarm").write_text(text)
    return folder / "in0_lcrit_alarm"


def watch(root: Path, *then: Callable[[], object]) -> list[Event]:
    """What is told over the first looks; between two of them, one of ``then`` happens."""

    async def run() -> list[Event]:
        told: list[Event] = []
        power = Power(root / "power_supply", str(root / "hwmon" / "hwmon*" / "in0_lcrit_alarm"))
        task = asyncio.create_task(power.run(told.append))
        await asyncio.sleep(POLL_S / 2)
        for happening in then:
            happening()
            await asyncio.sleep(POLL_S)
        task.cancel()
        return told

    return run_virtual(run())


def test_the_battery_of_a_keyboard_is_not_the_units(tmp_path: Path) -> None:
    supply(tmp_path, "hid-keyboard-battery", "3").with_name("scope").write_text("Device\n")
    assert watch(tmp_path) == []
    supply(tmp_path, "pack", "80").with_name("scope").write_text("System\n")
    assert watch(tmp_path) == [Battery("unit", 80)]


def test_a_board_without_battery_and_watch_says_nothing(tmp_path: Path) -> None:
    assert watch(tmp_path, lambda: None) == []


def test_a_battery_is_told_when_it_changes(tmp_path: Path) -> None:
    supply(tmp_path, "BAT0", "80\n")
    told = watch(tmp_path, lambda: None, lambda: supply(tmp_path, "BAT0", "79\n"), lambda: None)
    assert told == [Battery("unit", 80), Battery("unit", 79)]


@pytest.mark.parametrize(("text", "percent"), [("150\n", 100), ("-3", 0), ("0\n", 0), (" 42 \n", 42)])
def test_a_level_is_never_outside_its_range(tmp_path: Path, text: str, percent: int) -> None:
    supply(tmp_path, "BAT0", text)
    assert watch(tmp_path) == [Battery("unit", percent)]


def test_a_supply_that_says_nonsense_is_passed_over(tmp_path: Path) -> None:
    supply(tmp_path, "AC", "unknown\n")
    (tmp_path / "power_supply" / "ACX" / "capacity").mkdir(parents=True)
    supply(tmp_path, "BAT0", "55\n")
    assert watch(tmp_path) == [Battery("unit", 55)]


def test_low_voltage_is_told_once_and_told_when_it_is_over(tmp_path: Path) -> None:
    path = alarm(tmp_path, "0\n")
    told = watch(tmp_path, lambda: path.write_text("1\n"), lambda: None, lambda: path.write_text("0\n"), lambda: None)
    assert all(isinstance(event, Fault) and event.part == "power" for event in told)
    assert [event.active for event in told if isinstance(event, Fault)] == [True, False]


def test_a_watch_that_vanishes_is_no_fault(tmp_path: Path) -> None:
    path = alarm(tmp_path, "1\n")
    told = watch(tmp_path, path.unlink)
    assert [event.active for event in told if isinstance(event, Fault)] == [True, False]


def test_the_real_machine_can_be_asked() -> None:
    async def run() -> list[Event]:
        told: list[Event] = []
        task = asyncio.create_task(Power().run(told.append))
        await asyncio.sleep(1)
        task.cancel()
        return told

    assert all(isinstance(event, Battery | Fault) for event in run_virtual(run()))
