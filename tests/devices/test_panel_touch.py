"""The touch decoder, fed with bytes as the kernel would send them, and the device behind it as a pipe."""

from __future__ import annotations

import asyncio
import os
import struct
import time
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.events import Press
from firmware_app.devices.touch import ABS_X, ABS_Y, BTN_TOUCH, EV_ABS, EV_KEY, EV_SYN, Decoder, Touch
from firmware_app.settings import KeySettings

SYN_DROPPED = 3
TRACKING_ID = 0x39


def event(kind: int, code: int, value: int, t_s: float = 0.0) -> bytes:
    return struct.pack("@llHHi", int(t_s), round(t_s % 1 * 1e6), kind, code, value)


def at(t_s: float, events: bytes) -> bytes:
    """The same events, at this time."""
    return b"".join(event(*each[2:], t_s) for each in struct.iter_unpack("@llHHi", events))


def changes(one: Decoder, data: bytes) -> list[str]:
    return [change for change, _ in one.feed(data)]


SYN = event(EV_SYN, 0, 0)


def down(x: int, y: int) -> bytes:
    return event(EV_ABS, ABS_X, x) + event(EV_ABS, ABS_Y, y) + event(EV_KEY, BTN_TOUCH, 1) + SYN


def move(x: int) -> bytes:
    return event(EV_ABS, ABS_X, x) + SYN


UP = event(EV_KEY, BTN_TOUCH, 0) + SYN


def decoder(rotation_deg: int = 0, start: tuple[int, int] = (0, 0)) -> Decoder:
    return Decoder((100, 1100), (0, 4095), rotation_deg, start)


@pytest.mark.parametrize(
    ("rotation_deg", "x", "y", "key"),
    [
        (0, 100, 0, "minus"),
        (0, 432, 0, "minus"),
        (0, 600, 0, "select"),
        (0, 1100, 0, "plus"),
        (180, 100, 0, "plus"),
        (180, 600, 9, "select"),
        # Turned a quarter clockwise, the left side of the picture lies along the top of the panel.
        (90, 600, 0, "minus"),
        (90, 600, 4095, "plus"),
        (270, 600, 0, "plus"),
        (270, 600, 4095, "minus"),
        (0, -50, 0, "minus"),
        (0, 5000, 0, "plus"),
    ],
)
def test_a_third_of_the_panel_is_a_key(rotation_deg, x, y, key) -> None:
    assert changes(decoder(rotation_deg), down(x, y) + UP) == [key, "up"]


def test_a_finger_that_slides_keeps_its_key() -> None:
    assert changes(decoder(), down(100, 0) + move(600) + move(1100) + UP) == ["minus", "up"]


def test_an_axis_that_did_not_change_is_not_sent_again() -> None:
    touched = event(EV_KEY, BTN_TOUCH, 1) + SYN
    assert changes(decoder(start=(1000, 5)), touched + UP + touched + UP) == ["plus", "up", "plus", "up"]


def test_lost_events_press_nothing() -> None:
    fed = down(100, 0) + event(EV_SYN, SYN_DROPPED, 0) + event(EV_ABS, ABS_X, 1) + SYN + UP + down(600, 0)
    assert changes(decoder(), fed) == ["minus", "lost", "select"]


def test_other_events_change_nothing() -> None:
    noise = event(EV_ABS, TRACKING_ID, 7) + event(EV_ABS, 0x35, 3) + event(EV_KEY, 0x145, 1) + event(4, 4, 99) + SYN
    assert changes(decoder(), noise + down(600, 0) + noise + UP + noise) == ["select", "up"]


@given(st.lists(st.integers(0, 500)))
def test_bytes_may_come_in_any_pieces(cuts) -> None:
    stream = down(100, 0) + move(300) + UP + down(1100, 9) + UP
    whole = list(decoder().feed(stream))
    pieces = decoder()
    found = []
    for start, end in zip([0, *sorted(cuts)], [*sorted(cuts), len(stream)], strict=True):
        found += pieces.feed(stream[start:end])
    assert found == whole


@given(st.binary(max_size=300))
def test_noise_never_breaks_it_and_every_up_follows_a_key(noise) -> None:
    held = False
    for change in changes(decoder(), noise):
        assert change in ("minus", "select", "plus", "up", "lost")
        assert change != "up" or held
        held = change not in ("up", "lost")


async def test_presses_come_from_the_device() -> None:
    reader, writer = os.pipe()
    os.set_blocking(reader, False)
    touch = Touch(reader, decoder(), KeySettings(long_s=0.3, repeat_s=0.1))
    got: asyncio.Queue[Press] = asyncio.Queue()
    running = asyncio.create_task(touch.run(got.put_nowait))
    os.write(writer, at(time.monotonic(), down(1100, 0) + UP))
    assert await asyncio.wait_for(got.get(), 5) == Press("plus", "short")
    os.write(writer, at(time.monotonic(), down(100, 0)))
    assert await asyncio.wait_for(got.get(), 5) == Press("minus", "long")
    assert await asyncio.wait_for(got.get(), 5) == Press("minus", "repeat")
    os.write(writer, at(time.monotonic(), UP))
    os.close(writer)
    with pytest.raises(OSError, match="gone"):
        await asyncio.wait_for(running, 5)
    touch.close()
    touch.close()


@pytest.mark.parametrize(("x", "press"), [(600, Press("select")), (1100, Press("plus"))])
def test_a_loop_that_stalls_does_not_turn_a_short_press_into_a_long_one(
    virtually: Callable[[Any], Any], x: int, press: Press
) -> None:
    """A long select would end the ride."""

    async def stall() -> list[Press]:
        loop: Any = asyncio.get_running_loop()
        reader, writer = os.pipe()
        os.set_blocking(reader, False)
        touch = Touch(reader, decoder(), KeySettings())
        got: list[Press] = []
        running = asyncio.create_task(touch.run(got.append))
        await asyncio.sleep(1.0)
        os.write(writer, at(loop.time(), down(x, 0)))
        await asyncio.sleep(0.02)
        os.write(writer, b"".join(at(loop.time() + 0.001 * n, move(x - n % 2)) for n in range(200)))
        os.write(writer, at(loop.time() + 0.3, UP))
        loop.now_s += 2.0
        await asyncio.sleep(1.0)
        running.cancel()
        touch.close()
        os.close(writer)
        return got

    assert virtually(stall()) == [press]


async def test_a_device_that_went_and_came_back_is_opened_again() -> None:
    keys = KeySettings()
    first, first_writer = os.pipe()
    second, second_writer = os.pipe()
    for reader in (first, second):
        os.set_blocking(reader, False)
    touch = Touch(first, decoder(), keys, lambda: Touch(second, decoder(), keys))
    os.close(first_writer)
    with pytest.raises(OSError, match="gone"):
        await asyncio.wait_for(touch.run(print), 5)
    got: asyncio.Queue[Press] = asyncio.Queue()
    running = asyncio.create_task(touch.run(got.put_nowait))
    os.write(second_writer, down(1100, 0) + UP)
    assert await asyncio.wait_for(got.get(), 5) == Press("plus", "short")
    running.cancel()
    touch.close()
    os.close(second_writer)


def test_a_device_without_a_position_is_refused(tmp_path) -> None:
    (tmp_path / "event0").write_bytes(b"")
    with pytest.raises(OSError, match="ioctl"):
        Touch.open(str(tmp_path / "event0"), 0, KeySettings())
