"""Presses: the state machine, buttons on mock pins, a real pseudo-terminal."""

from __future__ import annotations

import asyncio
import os
import pty
import signal
import subprocess
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.events import Event, Fault, Hold, Key, Press
from firmware_app.devices.keys import STUCK_S, Buttons, Holding, TerminalKeys
from firmware_app.settings import KeySettings

Run = Callable[[Any], Any]


# --- the state machine ----------------------------------------------------------------------------------------------


def test_short_long_and_repeat() -> None:
    holding = Holding(long_s=1.0, repeat_s=0.25)
    assert holding.down("plus", 0.0) == []
    assert holding.up("plus", 0.99) == [Press("plus", "short")]

    holding.down("plus", 10.0)
    assert [holding.tick(t_s) for t_s in (10.9, 11.0, 11.2, 11.25, 11.5)] == [
        [], [Press("plus", "long")], [], [Press("plus", "repeat")], [Press("plus", "repeat")],
    ]  # fmt: skip
    assert holding.up("plus", 11.6) == []
    assert holding.tick(20.0) == []


@pytest.mark.parametrize(("released_s", "presses"), [(1.0, [Press("select", "long")]), (STUCK_S, [])])
def test_select_is_long_when_it_is_let_go_and_not_while_it_is_down(released_s: float, presses: list[Press]) -> None:
    """A wet select key must not end the ride."""
    holding = Holding(long_s=1.0, repeat_s=0.25)
    holding.down("select", 0.0)
    assert [holding.tick(tick / 10) for tick in range(200)] == [[]] * 200
    assert holding.up("select", released_s) == presses


def test_a_long_press_that_no_tick_saw_is_not_taken_for_a_short_one() -> None:
    holding = Holding(long_s=1.0, repeat_s=0.25)
    holding.down("select", 0.0)
    assert holding.up("select", 2.0) == [Press("select", "long")]


def test_after_a_stall_nothing_rushes() -> None:
    holding = Holding(long_s=1.0, repeat_s=0.25)
    holding.down("plus", 0.0)
    assert [holding.tick(t_s) for t_s in (6.0, 6.1, 6.2, 6.25)] == [
        [Press("plus", "long")], [], [], [Press("plus", "repeat")],
    ]  # fmt: skip


def test_a_stuck_key_falls_silent_and_is_told() -> None:
    holding = Holding(long_s=1.0, repeat_s=0.25)
    holding.down("plus", 0.0)
    for tick in range(int(STUCK_S * 10)):
        holding.tick(tick / 10)
    assert holding.stuck(STUCK_S) == ("plus",)
    assert [holding.tick(STUCK_S + n) for n in range(100)] == [[]] * 100
    assert holding.up("plus", 1000.0) == []


@pytest.mark.parametrize(("long_s", "repeat_s"), [(0, 1), (1, 0), (STUCK_S, 1)])
def test_times_that_make_no_sense_are_refused(long_s: float, repeat_s: float) -> None:
    with pytest.raises(ValueError, match="long_s"):
        Holding(long_s, repeat_s)


@given(
    st.lists(
        st.tuples(st.sampled_from(["down", "up", "tick"]), st.sampled_from(["minus", "plus"]), st.floats(0, 3)),
        max_size=60,
    )
)
def test_laws_of_holding(acts: list[tuple[str, Any, float]]) -> None:
    """Whatever the order: one hold gives one short, or one long and then repeats no closer than repeat_s."""
    holding = Holding(long_s=1.0, repeat_s=0.5)
    t_s = 0.0
    since: dict[str, float] = {}
    given_: dict[str, list[tuple[float, str]]] = {}
    for act, key, wait_s in acts:
        t_s += wait_s
        presses = holding.tick(t_s) if act == "tick" else getattr(holding, act)(key, t_s)
        if act == "down" and key not in since:
            since[key], given_[key] = t_s, []
        for press in presses:
            before = given_[press.key]
            held_s = t_s - since[press.key]
            assert held_s < STUCK_S
            if press.hold == "short":
                assert act == "up"
                assert held_s < 1.0
                assert not before
            elif press.hold == "long":
                assert held_s >= 1.0
                assert not before
            else:
                assert before[0][1] == "long"
                assert len(before) == 1 or t_s - before[-1][0] >= 0.5 - 1e-9 or t_s >= since[press.key] + 1.5
            before.append((t_s, press.hold))
        if act == "up" and key in since:
            if t_s - since[key] < STUCK_S:
                assert given_[key]
            del since[key]
    assert set(holding.held()) == set(since)


# --- buttons --------------------------------------------------------------------------------------------------------


def pressing(pins: MockFactory, settings: KeySettings, act: Callable[[], Any]) -> Callable[[], Any]:
    """A coroutine function: run the buttons, act on their pins, and give what was delivered."""

    async def run() -> list[Event]:
        events: list[Event] = []
        listening = asyncio.create_task(Buttons(settings).run(events.append))
        await asyncio.sleep(0)
        await act()
        await asyncio.sleep(0.01)
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        return events

    return run


def test_buttons_deliver_short_long_and_repeat(pins: MockFactory, virtually: Run) -> None:
    async def act() -> None:
        plus, select = pins.pin(13), pins.pin(6)
        plus.drive_low()
        await asyncio.sleep(0.2)
        plus.drive_high()
        await asyncio.sleep(0.2)
        select.drive_low()
        await asyncio.sleep(1.6)
        select.drive_high()

    assert virtually(pressing(pins, KeySettings(), act)()) == [
        Press("plus", "short"), Press("select", "long"),
    ]  # fmt: skip


def test_buttons_are_wired_to_ground_with_pull_ups_and_debounced(pins: MockFactory, virtually: Run) -> None:
    async def act() -> None:
        for pin in (5, 6, 13):
            assert (pins.pin(pin).function, pins.pin(pin).pull, pins.pin(pin).bounce) == ("input", "up", 0.05)

    assert virtually(pressing(pins, KeySettings(debounce_s=0.05), act)()) == []


def test_a_press_from_another_thread_arrives_in_the_loop(pins: MockFactory) -> None:
    here: list[bool] = []

    async def run() -> None:
        arrived = asyncio.Event()

        def deliver(event: Event) -> None:
            here.append(threading.current_thread() is threading.main_thread() and event == Press("minus"))
            arrived.set()

        def tap() -> None:
            pins.pin(5).drive_low()
            pins.pin(5).drive_high()

        listening = asyncio.create_task(Buttons(KeySettings()).run(deliver))
        await asyncio.sleep(0)
        await asyncio.to_thread(tap)
        await asyncio.wait_for(arrived.wait(), 30)
        listening.cancel()

    asyncio.run(run())
    assert here == [True]


def test_a_missing_button_is_left_out(pins: MockFactory, virtually: Run) -> None:
    async def act() -> None:
        pins.pin(13).drive_low()
        pins.pin(13).drive_high()

    settings = KeySettings(minus_pin="", select_pin="")
    assert virtually(pressing(pins, settings, act)()) == [Press("plus")]
    assert set(pins.pins) == {pins.pin(13).info}


def test_a_pin_that_cannot_be_had_is_a_fault_and_the_others_work(pins: MockFactory, virtually: Run) -> None:
    from gpiozero import LED

    taken = LED(6)

    async def act() -> None:
        pins.pin(13).drive_low()
        pins.pin(13).drive_high()

    events = virtually(pressing(pins, KeySettings(), act)())
    assert isinstance(events[0], Fault)
    assert events[0].part == "select key"
    assert events[1:] == [Press("plus")]
    taken.close()


def test_no_pins_at_all_is_one_fault_and_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    events: list[Event] = []
    asyncio.run(asyncio.wait_for(Buttons(KeySettings()).run(events.append), 30))
    assert [event.part for event in events if isinstance(event, Fault)] == ["keys"]
    assert len(events) == 1


def test_a_key_shorted_by_rain_stops_pressing_and_is_told(pins: MockFactory, virtually: Run) -> None:
    async def act() -> None:
        pins.pin(13).drive_low()
        await asyncio.sleep(3600)
        pins.pin(13).drive_high()
        await asyncio.sleep(1)
        pins.pin(13).drive_low()
        pins.pin(13).drive_high()

    events = virtually(pressing(pins, KeySettings(), act)())
    faults = [event for event in events if isinstance(event, Fault)]
    assert [(fault.part, fault.active) for fault in faults] == [("plus key", True), ("plus key", False)]
    assert len(events) < 45  # ten seconds of repeats, not an hour of them
    assert events[-1] == Press("plus", "short")


def test_a_key_that_is_down_at_the_start_presses_nothing(pins: MockFactory, virtually: Run) -> None:
    class Wet(type(pins.pin(6))):  # type: ignore[misc]
        def _set_pull(self, value: str) -> None:
            super()._set_pull(value)
            self.drive_low()

    pins.reset()
    pins.pin(6, pin_class=Wet)

    async def act() -> None:
        await asyncio.sleep(60)
        pins.pin(6).drive_high()

    events = virtually(pressing(pins, KeySettings(), act)())
    assert [(event.part, event.active) for event in events] == [("select key", True), ("select key", False)]


@pytest.mark.parametrize(
    ("key", "down_s", "holds"),
    [
        ("plus", 0.3, [["short"]]),
        ("plus", 1.3, [["long", "repeat"], ["long", "repeat", "repeat"]]),
        ("select", 0.92, [["short"]]),  # sure of it only when a second has passed, and that would end the ride
        ("select", 1.3, [["long"]]),
    ],
)
def test_a_release_that_no_edge_told_still_ends_the_press(
    pins: MockFactory, virtually: Run, key: Key, down_s: float, holds: list[list[Hold]]
) -> None:
    pin = pins.pin({"plus": 13, "select": 6}[key])

    async def act() -> None:
        pin.drive_low()
        await asyncio.sleep(down_s)
        pin._state = True  # the level is up and no edge says so
        await asyncio.sleep(60)

    events = virtually(pressing(pins, KeySettings(), act)())
    assert {event.key for event in events} == {key}
    assert [event.hold for event in events] in holds


@pytest.mark.parametrize(("key", "pin"), [("minus", 5), ("select", 6), ("plus", 13)])
def test_a_loop_that_stalls_does_not_turn_a_short_press_into_a_long_one(
    pins: MockFactory, virtually: Run, key: Key, pin: int
) -> None:
    async def act() -> None:
        loop: Any = asyncio.get_running_loop()
        pins.pin(pin).drive_low()
        await asyncio.sleep(0.06)
        loop.now_s += 0.2
        pins.pin(pin).drive_high()
        loop.now_s += 2.0
        await asyncio.sleep(1)

    assert virtually(pressing(pins, KeySettings(), act)()) == [Press(key)]


# --- the terminal ---------------------------------------------------------------------------------------------------

PROGRAM = """
import asyncio
from firmware_app.devices.keys import TerminalKeys
def deliver(press):
    print(press.key, press.hold, flush=True)
async def run():
    keys = asyncio.create_task(TerminalKeys().run(deliver))
    await asyncio.sleep(0.1)
    print("ready", flush=True)
    await keys
asyncio.run(run())
"""


@pytest.fixture
def terminal() -> Iterator[tuple[int, int, subprocess.Popen[bytes]]]:
    """A program that reads keys in a terminal of its own: (our end, its end, the program), once it is ready."""
    ours, its = pty.openpty()
    setup = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n"
    with subprocess.Popen(
        [sys.executable, "-c", setup + PROGRAM], stdin=its, stdout=subprocess.PIPE, start_new_session=True
    ) as program:
        assert program.stdout is not None
        assert program.stdout.readline() == b"ready\n"
        yield ours, its, program
        if program.poll() is None:
            program.kill()
    os.close(ours)
    os.close(its)


def canonical(handle: int) -> bool:
    return bool(termios.tcgetattr(handle)[3] & termios.ICANON)


def test_a_terminal_steers_and_is_given_back(terminal: tuple[int, int, subprocess.Popen[bytes]]) -> None:
    ours, its, program = terminal
    assert not canonical(its)
    os.write(ours, b"-")
    assert program.stdout is not None
    assert program.stdout.readline() == b"minus short\n"
    os.write(ours, b"x +S")
    said = [program.stdout.readline() for _ in range(3)]
    assert said == [b"select short\n", b"plus short\n", b"select long\n"]
    program.send_signal(signal.SIGTERM)
    assert program.wait(30) != 0
    assert canonical(its)


def test_an_arrow_key_is_not_a_press(terminal: tuple[int, int, subprocess.Popen[bytes]]) -> None:
    ours, its, program = terminal
    os.write(ours, b"\x1bOM")  # enter of a keypad: holds the letter that would hold minus
    termios.tcdrain(ours)
    os.write(ours, b"\x03")  # control-C
    assert program.stdout is not None
    assert program.stdout.read() == b""
    assert program.wait(30) != 0
    assert canonical(its)


def test_without_a_terminal_nothing_is_read() -> None:
    read, write = os.pipe()
    with os.fdopen(read) as pipe:
        os.write(write, b"+++")
        events: list[Event] = []
        asyncio.run(asyncio.wait_for(TerminalKeys(pipe).run(events.append), 30))
        assert events == []
        assert pipe.read(3) == "+++"
    os.close(write)
