"""The sounder on mock pins: patterns, priorities, and silence however it ends."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from functools import partial
from itertools import pairwise, product
from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin
from hypothesis import given
from hypothesis import strategies as st

from firmware_app import settings
from firmware_app.core.alarms import RANK
from firmware_app.core.events import Event, Fault, Note, Priority, Sound
from firmware_app.devices import sounder as sounders
from firmware_app.devices.sounder import SilentSounder, on_off, open_sounder
from firmware_app.settings import SounderSettings

Run = Callable[[Any], Any]
BEEPS = (Note(2900, 110), Note(0, 70), Note(2900, 110))


def sound(priority: Priority = "high", notes: tuple[Note, ...] = BEEPS) -> Sound:
    return Sound("test", priority, notes)


async def heard(play: Callable[[], None], pin: Any, step_s: float = 0.01, for_s: float = 2.0) -> list[tuple[int, int]]:
    """What the pin does from play() on: (Hz, or 1 where there is no PWM, 0 for silence; ms), the end cut."""
    loop = asyncio.get_running_loop()
    play()
    runs: list[list[Any]] = []
    end_s = loop.time() + for_s
    # Half a step aside, so that no look falls on the edge of a note.
    await asyncio.sleep(step_s / 2)
    while loop.time() < end_s:
        hz = int(pin.state > 0) * (pin.frequency or 1)
        if runs and runs[-1][0] == hz:
            runs[-1][1] += round(step_s * 1000)
        else:
            runs.append([hz, round(step_s * 1000)])
        await asyncio.sleep(step_s)
    return [(hz, ms) for hz, ms in runs[:-1]]


def test_tones_sound_at_their_pitch_and_length_at_half_duty(pins: MockFactory, virtually: Run) -> None:
    sounder, fault = open_sounder(SounderSettings(pin=18))
    assert fault is None
    pin = pins.pin(18)
    notes = (Note(2200, 140), Note(1500, 180), Note(0, 60), Note(700, 700))

    assert virtually(heard(lambda: sounder.play(sound(notes=notes)), pin)) == [
        (2200, 140), (1500, 180), (0, 60), (700, 700),
    ]  # fmt: skip
    assert {state.state for state in pin.states} == {0.0, 0.5}
    sounder.close()


def test_the_pin_sounds_before_play_returns(pins: MockFactory, virtually: Run) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))

    async def play() -> float:
        sounder.play(sound())
        return float(pins.pin(18).state)

    assert virtually(play()) == 0.5
    sounder.close()


@pytest.mark.parametrize("active_high", [True, False])
def test_a_buzzer_is_on_or_off(pins: MockFactory, virtually: Run, active_high: bool) -> None:
    sounder, _ = open_sounder(SounderSettings(kind="buzzer", pin=17, active_high=active_high))
    pin = pins.pin(17)
    silent = pin.state
    assert silent == (not active_high)

    async def play() -> tuple[float, float]:
        sounder.play(sound())
        on = pin.state
        await asyncio.sleep(1)
        return on, pin.state

    assert virtually(play()) == (active_high, silent)
    sounder.close()


def test_falling_and_rising_differ_where_there_is_no_pitch() -> None:
    falling = on_off((Note(2200, 150), Note(0, 40), Note(1500, 150)))
    rising = on_off((Note(1500, 150), Note(0, 40), Note(2200, 150)))
    assert [note.duration_ms for note in falling] == [150, 40, 50]
    assert [note.duration_ms for note in rising] == [50, 40, 150]


def test_a_motor_gets_the_time_it_needs_to_turn() -> None:
    assert on_off((Note(1800, 60), Note(0, 40), Note(1800, 90)), least_ms=120) == (
        Note(1800, 120), Note(0, 120), Note(1800, 180),
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["buzzer", "motor"])
def test_ease_and_lift_are_not_mistaken_for_each_other(pins: MockFactory, virtually: Run, kind: Any) -> None:
    """With the shipped sounds: a rider who is told to ease must not feel what means lift."""
    table = settings.load_alarms()
    felt = {}
    for alarm in ("above_target", "below_target"):
        sounder, _ = open_sounder(SounderSettings(kind=kind))
        notes = getattr(table, alarm).sound
        play = partial(sounder.play, sound(notes=notes))
        felt[alarm] = [ms for on, ms in virtually(heard(play, pins.pin(18))) if on]
        sounder.close()
    first, second = felt["above_target"]
    assert first >= 2 * second
    first, second = felt["below_target"]
    assert second >= 2 * first


@given(st.lists(st.builds(Note, st.sampled_from([0, 700, 1500, 2200]), st.integers(1, 700)), max_size=8).map(tuple))
def test_without_pitch_as_many_notes_are_heard_as_with_it(notes: tuple[Note, ...]) -> None:
    played = on_off(notes)
    assert sum(note.hz > 0 for note in played) == sum(note.hz > 0 for note in notes)
    assert not any(a.hz and b.hz for a, b in pairwise(played))


@pytest.mark.parametrize(("first", "second"), list(product(RANK, RANK)))
def test_the_higher_priority_is_the_one_that_plays(pins: MockFactory, first: Priority, second: Priority) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))

    async def play() -> int:
        sounder.play(sound(first, (Note(1000, 300),)))
        await asyncio.sleep(0)
        sounder.play(sound(second, (Note(2000, 300),)))
        return int(pins.pin(18).frequency)

    order = ["technical", "info", "low", "medium", "high"]  # the order of the priorities, lowest first
    assert asyncio.run(play()) == (2000 if order.index(second) >= order.index(first) else 1000)
    sounder.close()


def test_a_lower_sound_plays_when_the_higher_one_is_over(pins: MockFactory, virtually: Run) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))

    async def play() -> list[float]:
        states = []
        sounder.play(sound("high", (Note(1000, 300),)))
        await asyncio.sleep(0.2)
        sounder.play(sound("low", (Note(2000, 300),)))
        states.append(pins.pin(18).frequency)
        await asyncio.sleep(0.2)
        states.append(pins.pin(18).state)
        sounder.play(sound("low", (Note(2000, 300),)))
        states.append(pins.pin(18).frequency)
        return states

    assert virtually(play()) == [1000, 0, 2000]
    sounder.close()


def test_hush_silences_and_frees_the_way(pins: MockFactory, virtually: Run) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))

    async def play() -> list[float]:
        sounder.play(sound("high", (Note(1000, 5000),)))
        sounder.hush()
        states = [pins.pin(18).state]
        await asyncio.sleep(10)
        states.append(pins.pin(18).state)
        sounder.play(sound("technical"))
        return [*states, pins.pin(18).state]

    assert virtually(play()) == [0, 0, 0.5]
    sounder.close()


def test_closing_in_the_middle_of_a_note_lets_the_pin_go(pins: MockFactory, virtually: Run) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))
    pin = pins.pin(18)

    async def play() -> None:
        sounder.play(sound())
        sounder.close()
        sounder.close()
        await asyncio.sleep(1)

    virtually(play())
    assert (pin.state, pin.function) == (0, "input")


def test_silence_that_was_asked_for_is_no_fault() -> None:
    sounder, fault = open_sounder(SounderSettings(kind="silent"))
    assert isinstance(sounder, SilentSounder)
    assert fault is None


def test_with_the_sounds_off_the_pin_is_there_all_the_same_for_near_maximum(pins: MockFactory) -> None:
    sounder, fault = open_sounder(SounderSettings(sounds=False))
    assert not isinstance(sounder, SilentSounder)
    assert fault is None
    sounder.close()


def test_no_pins_is_a_fault_with_a_cure_and_the_ride_goes_on(monkeypatch: pytest.MonkeyPatch, virtually: Run) -> None:
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    sounder, fault = open_sounder(SounderSettings())
    assert fault is not None
    assert (fault.part, fault.active) == ("sounder", True)
    assert "pins" in fault.text or "permission" in fault.text or "install" in fault.text

    async def play() -> None:
        sounder.play(sound())
        await asyncio.sleep(1)
        sounder.close()

    virtually(play())


def test_tones_on_pins_that_cannot_make_them_name_the_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", MockFactory())
    sounder, fault = open_sounder(SounderSettings())
    assert isinstance(sounder, SilentSounder)
    assert fault is not None
    assert "buzzer" in fault.text


def test_a_pin_in_use_is_a_fault(pins: MockFactory) -> None:
    first, _ = open_sounder(SounderSettings(pin=18))
    _, fault = open_sounder(SounderSettings(pin=18))
    assert fault is not None
    assert "twice" in fault.text
    first.close()


def test_a_pin_that_fails_is_told_once_and_tried_again(
    pins: MockFactory, virtually: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))
    told: list[Event] = []
    sounder.deliver = told.append

    def fail(pin: MockPWMPin, value: float) -> None:
        raise OSError("bad wire")

    async def play() -> None:
        with monkeypatch.context() as broken:
            broken.setattr(MockPWMPin, "_set_state", fail)
            for _ in range(3):
                sounder.play(sound())
                await asyncio.sleep(1)
        sounder.play(sound())
        await asyncio.sleep(1)

    virtually(play())
    assert [isinstance(event, Fault) and event.active for event in told] == [True, False]
    assert isinstance(told[0], Fault)
    assert "bad wire" in told[0].text
    sounder.close()


def test_a_stalled_loop_does_not_leave_it_sounding(pins: MockFactory) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))
    pin = pins.pin(18)

    async def stall() -> tuple[float, float]:
        sounder.play(sound(notes=(Note(1000, 50), Note(0, 50), Note(1000, 50))))
        before = pin.state
        deadline_s = time.monotonic() + 30
        while pin.state and time.monotonic() < deadline_s:
            time.sleep(0.01)  # noqa: ASYNC251 - the loop is stalled on purpose
        silenced = pin.state
        pin.clear_states()
        await asyncio.sleep(0.3)
        return before, silenced

    assert asyncio.run(stall()) == (0.5, 0)
    assert [state.state for state in pin.states] == [0]  # what was left of the pattern does not come late
    sounder.close()


@pytest.mark.parametrize("sounds_all_the_same", [False, True])
def test_a_tone_that_cannot_be_switched_off_at_once_is_switched_off_later(
    pins: MockFactory, monkeypatch: pytest.MonkeyPatch, sounds_all_the_same: bool
) -> None:
    """Neither the loop nor the guard gets through; or the pin complains of the tone, and makes it."""
    monkeypatch.setattr(sounders, "AGAIN_S", 0.01)
    sounder, _ = open_sounder(SounderSettings(kind="buzzer", pin=17))
    pin = pins.pin(17)
    really_set, refused = type(pin)._set_state, []

    def refuse(pin: Any, value: float) -> None:
        if value:
            really_set(pin, value)
        if len(refused) < 4 and (sounds_all_the_same or not value):
            refused.append(value)
            raise OSError("busy")
        really_set(pin, value)

    monkeypatch.setattr(type(pin), "_set_state", refuse)

    async def play() -> None:
        sounder.play(sound(notes=(Note(1000, 10),)))
        for _ in range(3000):
            await asyncio.sleep(0.01)
            if len(refused) == 4 and not pin.state:
                return

    asyncio.run(play())
    assert len(refused) == 4
    assert not pin.state
    sounder.close()


def test_the_guard_leaves_a_loop_that_keeps_its_time_alone(pins: MockFactory, virtually: Run) -> None:
    sounder, _ = open_sounder(SounderSettings(pin=18))
    pattern = (Note(1000, 100), Note(0, 100)) * 50
    assert virtually(heard(lambda: sounder.play(sound(notes=pattern)), pins.pin(18), for_s=11)) == [
        run for _ in range(50) for run in ((1000, 100), (0, 100))
    ][:-1]  # fmt: skip
    sounder.close()


# --- a whole process ------------------------------------------------------------------------------------------------

PROGRAM = """
import asyncio, os, signal, sys, time
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # whatever began the tests may ignore it
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

class ToldPin(MockPWMPin):
    def _change_state(self, value):
        changed = super()._change_state(value)
        if changed:
            os.write(1, b"on\\n" if value else b"off\\n")
        return changed

Device.pin_factory = MockFactory(pin_class=ToldPin)
from firmware_app.core.events import Note, Sound
from firmware_app.devices.sounder import open_sounder
from firmware_app.settings import SounderSettings

async def ride():
    sounder, fault = open_sounder(SounderSettings(pin=18))
    assert fault is None
    sounder.play(Sound("near_max", "high", (Note(2900, 60_000),)))
    {then}

asyncio.run(ride())
"""


def program(then: str) -> subprocess.Popen[str]:
    code = PROGRAM.replace("{then}", textwrap.indent(then, "    ").strip())
    return subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=dict(os.environ)
    )


@pytest.mark.parametrize(
    ("number", "then"),
    [
        (signal.SIGTERM, "await asyncio.sleep(60)"),
        (signal.SIGHUP, "await asyncio.sleep(60)"),
        (signal.SIGINT, "await asyncio.sleep(60)"),
        (signal.SIGTERM, "time.sleep(60)"),  # the loop is stalled
    ],
)
def test_a_signal_leaves_the_pin_silent(number: signal.Signals, then: str) -> None:
    with program(then) as ride:
        assert ride.stdout is not None
        assert ride.stdout.readline() == "on\n"
        ride.send_signal(number)
        assert ride.stdout.read().splitlines()[-1:] == ["off"]
        assert ride.wait(30) != 0


@pytest.mark.parametrize("then", ["return", "raise RuntimeError('boom')", "sys.exit(3)"])
def test_an_end_of_any_kind_leaves_the_pin_silent(then: str) -> None:
    with program(then) as ride:
        said, _ = ride.communicate(timeout=30)
    assert said.splitlines() == ["on", "off"]


def test_the_silencer_drives_the_pin_of_the_unit_off(pins: MockFactory) -> None:
    pins.pin(18).function = "output"
    pins.pin(18).state = 1
    assert sounders.main() == 0
    assert (pins.pin(18).state, pins.pin(18).function) == (0, "input")


def test_the_silencer_drives_the_shipped_pin_off_where_the_settings_cannot_be_read(
    pins: MockFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.config_dir().mkdir(parents=True)
    (settings.config_dir() / "unit.toml").write_text("[sounder\n")
    pins.pin(18).function = "output"
    pins.pin(18).state = 1
    assert sounders.main() == 1
    assert (pins.pin(18).state, pins.pin(18).function) == (0, "input")
    said = capsys.readouterr().err
    assert "unit.toml" in said
    assert "Pin 18" in said
