"""The strap's link on a made-up Bluetooth in virtual time: pace, time-outs, and what counts of a connection that ended.

The same link on a real D-Bus: tests/radio.
"""

from __future__ import annotations

import asyncio
import random
import selectors
from collections.abc import Callable, Iterator
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import pytest
from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason, BleakDBusError, BleakError

from firmware_app.core.events import BadPacket, Battery, Event, Link
from firmware_app.core.measurement import Measurement
from firmware_app.devices.strap import (
    BATTERY_LEVEL,
    HEART_RATE_MEASUREMENT,
    HEART_RATE_SERVICE,
    BleStrap,
    Pace,
    PlayedStrap,
)

OWN = "C0:00:00:00:00:01"
PACE = Pace()


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock jumps to the next timer instead of waiting for it."""

    def __init__(self) -> None:
        super().__init__(selectors.SelectSelector())
        self.now_s = 0.0
        really = self._selector.select  # type: ignore[attr-defined]

        def select(timeout: float | None = None) -> Any:
            self.now_s += timeout or 0.0
            return really(0)

        self._selector.select = select  # type: ignore[attr-defined]

    def time(self) -> float:
        return self.now_s


class Air:
    """A made-up Bluetooth: what each call of bleak does, and when it was made."""

    def __init__(self) -> None:
        self.present = True
        self.broken: dict[str, Exception | None] = {}  # None: hangs for ever
        self.services = [(HEART_RATE_SERVICE, HEART_RATE_MEASUREMENT), ("180f", BATTERY_LEVEL)]
        self.calls: list[tuple[float, str]] = []
        self.notify: list[Callable[[Any, bytearray], None]] = []
        self.drop: Callable[[], None] = lambda: None

    async def call(self, name: str) -> None:
        self.calls.append((asyncio.get_running_loop().time(), name))
        if name in self.broken:
            error = self.broken[name]
            if error is not None:
                raise error
            while True:
                # As bad as it gets: the first cancellation only leads into a clean-up that hangs too.
                try:
                    await asyncio.Event().wait()
                except asyncio.CancelledError:
                    await asyncio.Event().wait()

    def times(self, name: str) -> list[float]:
        return [t_s for t_s, called in self.calls if called == name]


@pytest.fixture
def air(monkeypatch: pytest.MonkeyPatch) -> Air:
    air = Air()

    class Scanner:
        def __init__(self, seen: Callable[..., None], service_uuids: list[str], **_: Any) -> None:
            assert service_uuids == [HEART_RATE_SERVICE]
            self.seen = seen

        async def start(self) -> None:
            await air.call("scan")
            if air.present:
                device = SimpleNamespace(address=OWN, name="Strap one")
                self.seen(device, SimpleNamespace(local_name="Strap one", rssi=-60))

        async def stop(self) -> None:
            await air.call("stop")

    class Client:
        def __init__(self, device: Any, gone: Callable[[Any], None], **_: Any) -> None:
            assert device.address == OWN
            air.drop = lambda: gone(self)
            self.services = self.Services(
                SimpleNamespace(uuid=s, characteristics=[SimpleNamespace(uuid=c, properties=["notify"])])
                for s, c in air.services
            )

        class Services(list[Any]):
            @property
            def characteristics(self) -> dict[int, Any]:
                return dict(enumerate(c for s in self for c in s.characteristics))

        is_connected = True

        async def connect(self) -> None:
            await air.call("connect")

        async def disconnect(self) -> None:
            await air.call("disconnect")

        async def read_gatt_char(self, characteristic: Any) -> bytearray:
            await air.call("read")
            return bytearray([55])

        async def start_notify(self, characteristic: Any, notified: Any, bluez: dict[str, bool]) -> None:
            await air.call("battery" if characteristic.uuid == BATTERY_LEVEL else "subscribe")
            if characteristic.uuid == HEART_RATE_MEASUREMENT:
                air.notify.append(notified)
            else:
                notified(None, bytearray([54]))
                notified(None, bytearray([101]))

    monkeypatch.setattr("bleak.BleakScanner", Scanner)
    monkeypatch.setattr("bleak.BleakClient", Client)
    return air


@pytest.fixture
def play() -> Iterator[Callable[..., list[Event]]]:
    """play(strap, (t_s, act), ...): run the strap, act at the given times, and return what it delivered by the last."""
    loop = VirtualLoop()

    def run(strap: Any, *acts: tuple[float, Callable[[], object]]) -> list[Event]:
        events: list[Event] = []

        async def all_of_it() -> None:
            task = asyncio.create_task(strap.run(events.append))
            start_s = loop.time()
            for t_s, act in acts:
                await asyncio.sleep(start_s + t_s - loop.time())
                act()
            assert not task.done()
            task.cancel()
            await asyncio.wait({task})
            assert task.cancelled()

        loop.run_until_complete(all_of_it())
        assert asyncio.all_tasks(loop) == set()
        return events

    yield run
    loop.close()


def nothing() -> None:
    pass


def beats(events: list[Event]) -> list[Measurement]:
    return [event for event in events if isinstance(event, Measurement)]


def says(events: list[Event], words: str) -> bool:
    return any(words in event.text for event in events if isinstance(event, Link))


def test_played_events_come_at_their_times(play: Any) -> None:
    script = [(0.0, Link("connected")), (1.0, Measurement(72)), (1.0, Measurement(73)), (3600.5, BadPacket("x"))]
    played = PlayedStrap(script)
    came: list[tuple[float, Event]] = []

    async def noted(deliver: Any) -> None:
        clock = asyncio.get_running_loop().time
        await played.run(lambda event: came.append((clock(), event)))

    play(SimpleNamespace(run=noted), (4000.0, nothing))
    assert [event for _, event in came] == [event for _, event in script]
    assert [t_s for t_s, _ in came] == pytest.approx([t_s for t_s, _ in script])


def test_a_notification_handed_over_twice_is_one_measurement(air: Air, play: Any) -> None:
    packet = bytearray(b"\x10\x48\x00\x03")

    def hand_over() -> None:
        air.notify[-1](None, packet)

    events = play(BleStrap(OWN), (1.0, hand_over), (1.001, hand_over), (2.0, hand_over), (3.0, nothing))
    assert beats(events) == [Measurement(72, (750.0,))] * 2


def test_what_an_ended_connection_still_hands_over_is_ignored(air: Air, play: Any) -> None:
    def late() -> None:
        air.notify[0](None, bytearray(b"\x00\x63"))

    events = play(
        BleStrap(OWN),
        (1.0, lambda: air.notify[0](None, bytearray(b"\x00\x48"))),
        (2.0, lambda: air.drop()),
        (3.0, late),
        (3.5, lambda: air.notify[1](None, bytearray(b"\x00\x49"))),
        (4.0, late),
    )
    assert beats(events) == [Measurement(72), Measurement(73)]


def test_garbage_by_the_ten_thousand_is_counted_packet_by_packet(air: Air, play: Any) -> None:
    chance = random.Random(1)
    packets = [bytearray(chance.randbytes(chance.randrange(24))) for _ in range(100_000)]

    def pour() -> None:
        for packet in packets:
            air.notify[-1](None, packet)

    beat = bytearray(b"\x00\x48")
    events = play(BleStrap(OWN), (1.0, pour), (2.0, lambda: air.notify[-1](None, beat)), (3.0, nothing))
    different = 1 + sum(a != b for a, b in pairwise(packets))
    came = [event for event in events if isinstance(event, Measurement | BadPacket)]
    assert len(came) == different + 1
    assert came[-1] == Measurement(72)


def test_battery_is_read_and_then_notified(air: Air, play: Any) -> None:
    events = play(BleStrap(OWN), (1.0, nothing))
    assert [event for event in events if isinstance(event, Battery)] == [Battery("strap", 55), Battery("strap", 54)]


def test_a_link_lost_after_beats_is_sought_again_at_once(air: Air, play: Any) -> None:
    events = play(
        BleStrap(OWN),
        (1.0, lambda: air.notify[0](None, bytearray(b"\x00\x48"))),
        (2.0, lambda: air.drop()),
        (2.1, nothing),
    )
    assert air.times("scan")[1:] == [2.0]
    assert Link("lost", f"contact with your strap {OWN} was lost: looking for it") in events


def test_a_strap_out_of_range_is_sought_without_a_pause(air: Air, play: Any) -> None:
    air.present = False
    events = play(BleStrap(OWN), (3600.0, nothing))
    assert len(air.times("scan")) == pytest.approx(3600 / PACE.scan_s, abs=2)
    assert air.times("connect") == []
    assert len(events) == 2
    assert says(events, "not in range")


@pytest.mark.parametrize("call", ["scan", "connect", "subscribe"])
@pytest.mark.parametrize("error", [OSError("broken"), None])
def test_failures_are_retried_fast_at_first_then_steadily_and_for_ever(
    air: Air, play: Any, call: str, error: Exception | None
) -> None:
    air.broken = {call: error}
    play(BleStrap(OWN), (3600.0, nothing))
    limit_s = 0.0 if error else {"scan": PACE.call_s, "connect": PACE.connect_s, "subscribe": PACE.call_s}[call] + 2.0
    gaps_s = [b - a for a, b in pairwise(air.times(call))]
    assert len(gaps_s) > 100
    assert gaps_s[0] <= limit_s + PACE.first_wait_s + 1e-6
    assert max(gaps_s) <= limit_s + PACE.most_wait_s + 1e-6
    assert min(gaps_s) >= PACE.first_wait_s - 1e-6


@pytest.mark.parametrize("call", ["stop", "disconnect", "read", "battery"])
@pytest.mark.parametrize("error", [OSError("broken"), None])
def test_calls_of_less_weight_may_fail_or_hang_without_losing_beats(
    air: Air, play: Any, call: str, error: Exception | None
) -> None:
    air.broken = {call: error}
    beat = bytearray(b"\x00\x48")
    late_s = PACE.silent_s - 0.1  # a scan that hangs while it is stopped costs its time-out
    hour = [(late_s + t_s, lambda: air.notify[-1](None, beat)) for t_s in range(3600)]
    events = play(BleStrap(OWN), *hour)
    assert len(beats(events)) == 3600
    assert len(air.times("connect")) == 1


def test_a_silent_link_is_given_up_and_the_other_way_to_subscribe_is_tried(air: Air, play: Any) -> None:
    ways: list[bool] = []
    strap = BleStrap(OWN)
    import bleak

    made: Any = bleak.BleakClient
    before = made.start_notify

    async def noted(self: Any, characteristic: Any, notified: Any, bluez: dict[str, bool]) -> None:
        if characteristic.uuid == HEART_RATE_MEASUREMENT:
            ways.append(bluez["use_start_notify"])
        await before(self, characteristic, notified, bluez)

    made.start_notify = noted
    events = play(strap, (3 * PACE.silent_s + 2.0, nothing))
    assert ways[:3] == [False, True, False]
    assert says(events, "sends nothing")
    assert len(air.times("disconnect")) >= 2


def test_a_device_of_another_kind_is_said_and_looked_at_again_now_and_then(air: Air, play: Any) -> None:
    air.services = [("180f", BATTERY_LEVEL)]
    events = play(BleStrap(OWN, "Strap one"), (600.0, nothing))
    assert says(events, "Strap one is not a heart-rate strap")
    assert 15 <= len(air.times("connect")) <= 25
    assert len(air.times("disconnect")) == len(air.times("connect"))


def test_a_name_cannot_command_a_terminal(air: Air, play: Any) -> None:
    events = play(BleStrap(OWN, "\x1b[2J\nStrap"), (1.0, nothing))
    assert all(letter.isprintable() for event in events if isinstance(event, Link) for letter in event.text)


def test_cancelling_lets_the_strap_go(air: Air, play: Any) -> None:
    play(BleStrap(OWN), (1.0, nothing))
    assert air.calls[-1][1] == "disconnect"


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (BleakDBusError("org.bluez.Error.NotReady", ["Resource Not Ready"]), "bluetoothctl power on"),
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", ["Rejected"]), "group bluetooth"),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", []), "systemctl start bluetooth"),
        (BleakBluetoothNotAvailableError("", BleakBluetoothNotAvailableReason.NO_BLUETOOTH), "plug one in"),
        (BleakBluetoothNotAvailableError("", BleakBluetoothNotAvailableReason.POWERED_OFF), "switch it on"),
        (BleakBluetoothNotAvailableError("", BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM), "group bluetooth"),
        (FileNotFoundError(2, "No such file or directory"), "systemctl start dbus"),
        (PermissionError(13, "Permission denied"), "group bluetooth"),
        (TimeoutError(), "does not answer"),
        (BleakError("something new"), "something new"),
    ],
)
def test_trouble_is_told_in_words_that_help(air: Air, play: Any, error: Exception, words: str) -> None:
    air.broken = {"scan": error}
    assert says(play(BleStrap(OWN), (1.0, nothing)), words)
