"""A heart-rate strap as a real GATT peripheral on BlueZ: on a spare adapter of a real machine, or on a test bus.

    python -m sim.peripheral --adapter hci1 --name "Strap one" --csv recorded.csv --speed 20

streams a recording as a strap would, about one notification a second with the RR intervals since the last one. Lines on
stdin command it while it runs: ``away 60`` (out of range for 60 s), ``fault KIND`` and ``fault none``; lines on stdout,
JSON, say what happened: ``ready``, ``subscribed``, ``unsubscribed``, ``sent`` (with the packet in hex), ``end``.

Interfaces: org.bluez.GattManager1, GattCharacteristic1 and LEAdvertisingManager1 of BlueZ's D-Bus API.
"""

# No postponed annotations here: dbus-fast reads the D-Bus signatures from them when a class is made.

import argparse
import asyncio
import csv
import json
import math
import random
import select
import socket
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any, Self

from dbus_fast import BusType, Message, MessageType, PropertyAccess
from dbus_fast.aio import MessageBus
from dbus_fast.annotations import (
    DBusBool,
    DBusBytes,
    DBusDict,
    DBusObjectPath,
    DBusSignature,
    DBusStr,
)
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

from firmware_app.core.measurement import Measurement, encode

HEART_RATE = 0x180D
BATTERY = 0x180F
DEVICE_INFORMATION = 0x180A
"""What a strap with the wrong services offers instead."""

MOST_RR = 9
"""RR intervals that fit the smallest notification: 20 bytes at the default ATT_MTU of 23 (Core Specification 4.2,
vol 3 part G 5.2.1), less flags and an 8-bit heart rate, 2 bytes each."""

FAULTS = ("none", "garbage", "truncated", "empty", "stuck-255", "stuck-0", "doubled", "mute")

_BLUEZ = "org.bluez"
_ROOT = "/org/rumblestrip"
_ADVERTISEMENT = f"{_ROOT}/advertisement"
_MTU = 247
_BATTERY_PERCENT = 80

_Strings = Annotated[list[str], DBusSignature("as")]
_FdAndMtu = Annotated[tuple[int, int], DBusSignature("hq")]


class _Advertisement(ServiceInterface):
    def __init__(self, name: str, services: list[str]) -> None:
        super().__init__("org.bluez.LEAdvertisement1")
        self._name = name
        self._services = services

    @dbus_property(PropertyAccess.READ, name="Type")
    def type_(self) -> DBusStr:
        return "peripheral"

    @dbus_property(PropertyAccess.READ, name="ServiceUUIDs")
    def service_uuids(self) -> _Strings:
        return self._services

    @dbus_property(PropertyAccess.READ, name="LocalName")
    def local_name(self) -> DBusStr:
        return self._name

    @dbus_property(PropertyAccess.READ, name="Discoverable")
    def discoverable(self) -> DBusBool:
        return True

    @dbus_method(name="Release")
    def release(self) -> None:
        pass


class _Service(ServiceInterface):
    def __init__(self, uuid: str) -> None:
        super().__init__("org.bluez.GattService1")
        self._uuid = uuid

    @dbus_property(PropertyAccess.READ, name="UUID")
    def uuid(self) -> DBusStr:
        return self._uuid

    @dbus_property(PropertyAccess.READ, name="Primary")
    def primary(self) -> DBusBool:
        return True


class _Fixed(ServiceInterface):
    """A characteristic that can only be read."""

    def __init__(self, uuid: str, service: str, value: bytes) -> None:
        super().__init__("org.bluez.GattCharacteristic1")
        self._uuid = uuid
        self._service = service
        self._value = value

    @dbus_property(PropertyAccess.READ, name="UUID")
    def uuid(self) -> DBusStr:
        return self._uuid

    @dbus_property(PropertyAccess.READ, name="Service")
    def service(self) -> DBusObjectPath:
        return self._service

    @dbus_property(PropertyAccess.READ, name="Flags")
    def flags(self) -> _Strings:
        return ["read"]

    @dbus_method(name="ReadValue")
    def read_value(self, options: DBusDict) -> DBusBytes:
        return self._value


class _Notifying(ServiceInterface):
    """A characteristic that notifies through a socket of its own (AcquireNotify): in order, and nothing merged."""

    def __init__(self, uuid: str, service: str, changed: Callable[[bool], None]) -> None:
        super().__init__("org.bluez.GattCharacteristic1")
        self._uuid = uuid
        self._service = service
        self._changed = changed
        self._ours: socket.socket | None = None

    @property
    def subscribed(self) -> bool:
        return self._ours is not None

    @dbus_property(PropertyAccess.READ, name="UUID")
    def uuid(self) -> DBusStr:
        return self._uuid

    @dbus_property(PropertyAccess.READ, name="Service")
    def service(self) -> DBusObjectPath:
        return self._service

    @dbus_property(PropertyAccess.READ, name="Flags")
    def flags(self) -> _Strings:
        return ["notify"]

    @dbus_property(PropertyAccess.READ, name="NotifyAcquired")
    def notify_acquired(self) -> DBusBool:
        return self.subscribed

    @dbus_method(name="AcquireNotify")
    async def acquire_notify(self, options: DBusDict) -> _FdAndMtu:
        self.close()
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        self._ours = ours
        loop = asyncio.get_running_loop()
        loop.add_reader(ours, self._hung_up)
        # The reply duplicates the descriptor while it is sent; ours may only go after that.
        loop.call_later(2.0, theirs.close)
        self._acquired()
        return theirs.fileno(), _MTU

    def _acquired(self) -> None:
        self.emit_properties_changed({"NotifyAcquired": self.subscribed})
        self._changed(self.subscribed)

    def _hung_up(self) -> None:
        assert self._ours is not None
        poll = select.poll()
        poll.register(self._ours, select.POLLHUP)
        if poll.poll(0):
            self.close()
        else:
            self._ours.recv(_MTU)

    def send(self, packet: bytes) -> bool:
        if self._ours is None:
            return False
        try:
            self._ours.send(packet)
        except OSError:
            self.close()
            return False
        return True

    def close(self) -> None:
        if self._ours is not None:
            asyncio.get_running_loop().remove_reader(self._ours)
            self._ours.close()
            self._ours = None
            self._acquired()


class Peripheral:
    """A strap on one adapter, as an asynchronous context manager: advertising and connectable while inside it.

        async with Peripheral("hci1", "Strap one") as strap:
            strap.notify(b"\\x00\\x48")

    changed: called with True when a central subscribes and False when it no longer is.
    """

    def __init__(
        self,
        adapter: str,
        name: str,
        *,
        wrong_services: bool = False,
        changed: Callable[[bool], None] = lambda subscribed: None,
    ) -> None:
        self._adapter = f"/org/bluez/{adapter}"
        self._name = name
        self._wrong_services = wrong_services
        self._bus: Any = None
        self._measurement = _Notifying("2a37", f"{_ROOT}/service1", changed)

    async def __aenter__(self) -> Self:
        self._bus = await MessageBus(bus_type=BusType.SYSTEM, negotiate_unix_fd=True).connect()
        try:
            await self._register()
            await self.advertise()
        except BaseException:
            self._bus.disconnect()
            raise
        return self

    async def __aexit__(self, *exc: object) -> None:
        self._measurement.close()
        if self._bus is not None:
            self._bus.disconnect()
            await self._bus.wait_for_disconnect()

    @property
    def subscribed(self) -> bool:
        """Whether a central listens."""
        return self._measurement.subscribed

    def notify(self, packet: bytes) -> bool:
        """Send one notification. False when nobody is subscribed: then it is lost, as on a real strap."""
        return self._measurement.send(packet)

    async def _register(self) -> None:
        offered = DEVICE_INFORMATION if self._wrong_services else HEART_RATE
        self._bus.export(f"{_ROOT}/service1", _Service(f"{offered:04x}"))
        if not self._wrong_services:
            self._bus.export(f"{_ROOT}/service1/char1", self._measurement)
            self._bus.export(f"{_ROOT}/service1/char2", _Fixed("2a38", f"{_ROOT}/service1", b"\x01"))
        self._bus.export(f"{_ROOT}/service2", _Service(f"{BATTERY:04x}"))
        level = bytes([_BATTERY_PERCENT])
        self._bus.export(f"{_ROOT}/service2/char1", _Fixed("2a19", f"{_ROOT}/service2", level))
        self._bus.export(_ADVERTISEMENT, _Advertisement(self._name, [f"{HEART_RATE:04x}", f"{BATTERY:04x}"]))
        await self._call(self._adapter, "org.bluez.GattManager1", "RegisterApplication", "oa{sv}", [_ROOT, {}])

    async def advertise(self) -> None:
        """Come (back) into range."""
        await self._call(
            self._adapter, "org.bluez.LEAdvertisingManager1", "RegisterAdvertisement", "oa{sv}", [_ADVERTISEMENT, {}]
        )

    async def leave(self) -> None:
        """Go out of range: no advertisement, and every link is dropped."""
        self._measurement.close()
        with suppress(OSError):
            await self._call(
                self._adapter, "org.bluez.LEAdvertisingManager1", "UnregisterAdvertisement", "o", [_ADVERTISEMENT]
            )
        for path in await self._centrals():
            with suppress(OSError):
                await self._call(path, "org.bluez.Device1", "Disconnect", "", [])

    async def _centrals(self) -> list[str]:
        """Paths of the devices that are connected to this adapter."""
        objects = await self._call("/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects", "", [])
        return [
            path
            for path, interfaces in objects.items()
            if path.startswith(f"{self._adapter}/")
            and "org.bluez.Device1" in interfaces
            and interfaces["org.bluez.Device1"]["Connected"].value
        ]

    async def _call(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> Any:
        reply = await self._bus.call(Message(_BLUEZ, path, interface, member, signature=signature, body=body))
        if reply is None or reply.message_type == MessageType.ERROR:
            raise OSError(f"{path}: {member}: {reply.error_name if reply else 'no reply'}")
        return reply.body[0] if reply.body else None


# --- what it sends ---------------------------------------------------------------------------------------------------


def recorded(path: Path) -> Iterator[tuple[float, float]]:
    """(t_s, rr_ms) of every beat of a CSV with the columns t_s and rr_ms; several intervals in a row are split."""
    with path.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            for rr_ms in row["rr_ms"].split():
                if float(rr_ms) > 0:
                    yield float(row["t_s"]), float(rr_ms)


def synthetic(seed: int) -> Iterator[tuple[float, float]]:
    """(t_s, rr_ms) of a heart that never ends: between 100 and 160 bpm in ten minutes, with some breath in it."""
    chance = random.Random(seed)
    t_s = 0.0
    while True:
        hr_bpm = 130 - 30 * math.cos(2 * math.pi * t_s / 600) + 2 * math.sin(2 * math.pi * t_s / 4)
        rr_ms = 60_000 / hr_bpm + chance.gauss(0, 4)
        t_s += rr_ms / 1000
        yield t_s, rr_ms


def packets(beats: Iterable[tuple[float, float]], speed: float = 1.0) -> Iterator[tuple[float, Measurement]]:
    """(t_s, notification) as a strap sends them: once a second, or as soon as MOST_RR intervals wait.

    t_s is real time since it began; sped up, a notification carries more beats. The heart rate is the mean of the
    last eight intervals: straps average (common practice, no source).
    """
    recent: deque[float] = deque(maxlen=8)
    waiting: list[float] = []
    first_s: float | None = None
    at_s, due_s = 0.0, 1.0
    for beat_s, rr_ms in beats:
        first_s = beat_s if first_s is None else first_s
        at_s = (beat_s - first_s) / speed
        recent.append(rr_ms)
        waiting.append(rr_ms)
        if at_s >= due_s or len(waiting) == MOST_RR:
            yield at_s, Measurement(round(60_000 * len(recent) / sum(recent)), tuple(waiting), True)
            waiting = []
            due_s = at_s + 1.0
    if waiting:
        yield at_s, Measurement(round(60_000 * len(recent) / sum(recent)), tuple(waiting), True)


def spoilt(packet: bytes, fault: str, chance: random.Random) -> Iterator[bytes]:
    """What is sent instead of one packet under a fault of FAULTS."""
    if fault == "garbage":
        yield chance.randbytes(chance.randrange(1, 21))
    elif fault == "truncated":
        yield packet[: chance.choice((1, len(packet) - 1))]
    elif fault == "empty":
        yield b""
    elif fault.startswith("stuck-"):
        yield bytes([0, int(fault.removeprefix("stuck-"))])
    elif fault == "doubled":
        yield packet
        yield packet
    elif fault != "mute":
        yield packet


# --- the command -----------------------------------------------------------------------------------------------------


def _say(event: str, **more: object) -> None:
    print(json.dumps({"event": event, **more}), flush=True)


async def _stream(args: argparse.Namespace) -> None:
    loop = asyncio.get_running_loop()
    fault: str = args.fault
    chance = random.Random(args.seed)
    away: asyncio.Task[None] | None = None
    if args.csv:
        beats: Iterator[tuple[float, float]] = recorded(args.csv)
    else:
        beats = synthetic(args.seed)

    async def go_away(seconds: float) -> None:
        await strap.leave()
        _say("away")
        await asyncio.sleep(seconds)
        await strap.advertise()
        _say("back")

    def commanded() -> None:
        nonlocal fault, away
        line = sys.stdin.readline()
        if not line:
            loop.remove_reader(sys.stdin)
        match line.split():
            case ["away", seconds]:
                away = asyncio.ensure_future(go_away(float(seconds)))
            case ["fault", kind] if kind in FAULTS:
                fault = kind

    changed = asyncio.Event()

    def subscribed(on: bool) -> None:
        _say("subscribed" if on else "unsubscribed")
        changed.set()

    async with Peripheral(args.adapter, args.name, wrong_services=args.wrong_services, changed=subscribed) as strap:
        _say("ready")
        with suppress(PermissionError):  # stdin is a file: nobody will command us
            loop.add_reader(sys.stdin, commanded)
        if args.wait:
            await changed.wait()
        start_s = loop.time()
        for t_s, measurement in packets(beats, args.speed):
            await asyncio.sleep(start_s + t_s - loop.time())
            for packet in spoilt(encode(measurement), fault, chance):
                if strap.notify(packet) and not args.quiet:
                    _say("sent", packet=packet.hex())
        _say("end")
        await asyncio.Event().wait()
    del away


def main(argv: list[str] | None = None) -> int:
    """Run one peripheral until interrupted."""
    parser = argparse.ArgumentParser(prog="python -m sim.peripheral", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--adapter", default="hci1", help="the adapter to be a strap on (hci1)")
    parser.add_argument("--name", default="Strap one", help="the name that it advertises")
    parser.add_argument("--csv", type=Path, help="beats to send: columns t_s and rr_ms; without it a synthetic heart")
    parser.add_argument("--speed", type=float, default=1.0, help="how many times faster than life (1)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quiet", action="store_true", help="do not say every packet that was sent")
    parser.add_argument("--wait", action="store_true", help="start the heart when the first central subscribes")
    parser.add_argument("--fault", choices=FAULTS, default="none", help="what is wrong with every notification")
    parser.add_argument("--wrong-services", action="store_true", help="advertise a strap, but offer no heart rate")
    args = parser.parse_args(argv)
    with suppress(KeyboardInterrupt):
        asyncio.run(_stream(args))
    return 0


if __name__ == "__main__":
    sys.exit(main())
