"""The strap: what a rider's chest sends, as events.

``BleStrap`` keeps a Bluetooth link to the one remembered strap, for ever; ``PlayedStrap`` plays events from a list.

    strap = BleStrap("C0:FF:EE:00:00:01", "Strap one")
    await strap.run(print)          # Link, Measurement, BadPacket, Battery and Worn events, until cancelled

Services and characteristics: Bluetooth SIG, Heart Rate Service 1.0 (0x180D) and Battery Service (0x180F). The rules of
the link stand in docs/radio.md. bleak is imported on first use: the panel must be alive before Bluetooth is.
"""

from __future__ import annotations

import asyncio
import logging
from abc import ABC, abstractmethod
from collections.abc import Callable, Coroutine, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import WeakKeyDictionary

from firmware_app.core.events import BadPacket, Battery, Event, Link, LinkState, Worn
from firmware_app.core.measurement import PacketError, decode

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

Deliver = Callable[[Event], None]
T = TypeVar("T")

log = logging.getLogger(__name__)

_SIG_BASE = "0000{:04x}-0000-1000-8000-00805f9b34fb"
HEART_RATE_SERVICE = _SIG_BASE.format(0x180D)
HEART_RATE_MEASUREMENT = _SIG_BASE.format(0x2A37)
BODY_SENSOR_LOCATION = _SIG_BASE.format(0x2A38)
BATTERY_LEVEL = _SIG_BASE.format(0x2A19)

SENSOR_LOCATIONS = ("other", "chest", "wrist", "finger", "hand", "ear lobe", "foot")
"""Body Sensor Location, by value (Heart Rate Service 1.0, 3.2)."""

_DOUBLE_S = 0.005
"""The same bytes again within this time are one notification handed over twice: the shortest connection interval of
Bluetooth LE is 7.5 ms (Core Specification 4.2, vol 6 part B 4.5.1)."""

_WRONG_FOR_GOOD = 3
"""Services can come up incomplete once or twice on a weak link: a device that shows the wrong ones so often in a row
is taken for what it is."""

_CANCELS, _CANCEL_S = 3, 0.25
"""A call that does not end is cancelled so often, and waited for so long each time: once for the call, then for the
clean-up that the cancelled call waits in (own choice)."""

_NO_RSSI_DBM = -127
"""What bleak says where BlueZ knows no signal strength: it forgets them when a scan ends."""


class StrapError(Exception):
    """Bluetooth cannot be used, or not now. The text says in the rider's words what is wrong and what to do."""

    def __init__(self, text: str, state: LinkState = "off") -> None:
        super().__init__(text)
        self.state = state


class WrongServicesError(StrapError):
    """The remembered device answers, but it is not a heart-rate strap."""


@dataclass(frozen=True, slots=True)
class Found:
    """A strap in range. rssi_dbm: received signal strength in dBm, nearer is higher."""

    address: str
    name: str
    rssi_dbm: int


@dataclass(frozen=True, slots=True)
class Pace:
    """How long the link waits for what, in seconds (from trials on an emulated radio, see docs/radio.md).

    scan_s: one scan; a scan does not notice that its adapter went away, so it is kept short and begun again.
    connect_s: connecting and finding the services. call_s: every other Bluetooth call.
    silent_s: a link that says nothing for this long is dead, whatever BlueZ says: straps notify about once a second.
    Both are short enough to be over one such failure before the alarm of a missing signal (10 s) has to sound.
    first_wait_s, most_wait_s: the back-off after a failure doubles from the first to the most.
    wrong_wait_s: between looks at a device that has shown the wrong services again and again.
    """

    scan_s: float = 6.0
    connect_s: float = 8.0
    call_s: float = 5.0
    silent_s: float = 6.0
    first_wait_s: float = 0.25
    most_wait_s: float = 5.0
    wrong_wait_s: float = 30.0


class Strap(ABC):
    """A source of heart-rate events."""

    @abstractmethod
    async def run(self, deliver: Deliver) -> None:
        """Deliver events until cancelled; trouble is told as a Link event, never raised."""


class PlayedStrap(Strap):
    """Plays (t_s, event) pairs at their times since ``run`` began; keeps time by the event loop's own clock.

    PlayedStrap([(0.0, Link("connected")), (1.0, Measurement(72))])
    """

    def __init__(self, events: Iterable[tuple[float, Event]]) -> None:
        self._events = events

    async def run(self, deliver: Deliver) -> None:
        loop = asyncio.get_running_loop()
        start_s = loop.time()
        for t_s, event in self._events:
            await asyncio.sleep(start_s + t_s - loop.time())
            deliver(event)
        await asyncio.Event().wait()


class BleStrap(Strap):
    """The remembered strap over Bluetooth LE, and no other: one that merely has the same name is never connected.

    address: as ``rumblestrip pair`` remembered it; "" connects to nothing and says so.
    name: only for the words. adapter: such as "hci1"; "" takes the first that is switched on.
    """

    def __init__(self, address: str, name: str = "", adapter: str = "", pace: Pace | None = None) -> None:
        self._address = address.upper()
        self._called = _printable(name) or address
        self._name = name
        self._adapter = adapter
        self._pace = pace or Pace()
        self._told: Link | None = None
        # AcquireNotify hands every notification over exactly once (bleak issue 2002), but some devices cannot do it: a
        # subscription that failed or brought nothing, on a link that held, is tried the other way next time.
        self._acquire = True

    async def run(self, deliver: Deliver) -> None:
        self._told = None
        if not self._address:
            self._tell(deliver, "off", "no strap chosen: run rumblestrip pair")
            await asyncio.Event().wait()
        wait_s = self._pace.first_wait_s
        wrong = 0
        while True:
            try:
                device, namesake = await self._search(deliver)
                if device is None:
                    self._tell(deliver, "searching", self._not_here(namesake))
                    continue
                if await self._hold(device, deliver):
                    wait_s, wrong = self._pace.first_wait_s, 0
                    self._tell(deliver, "lost", f"contact with your strap {self._called} was lost: looking for it")
                    continue
                self._tell(deliver, "searching", f"your strap {self._called} sends nothing: wet it, put it on tightly")
            except Exception as error:
                log.debug("link: %r", error)
                trouble = error if isinstance(error, StrapError) else in_words(error)
                self._tell(deliver, trouble.state, str(trouble))
                wrong = wrong + 1 if isinstance(error, WrongServicesError) else 0
            await asyncio.sleep(wait_s if wrong < _WRONG_FOR_GOOD else self._pace.wrong_wait_s)
            wait_s = min(2 * wait_s, self._pace.most_wait_s)

    def _tell(self, deliver: Deliver, state: LinkState, text: str = "") -> None:
        link = Link(state, text)
        if link != self._told:
            self._told = link
            deliver(link)

    def _not_here(self, namesake: str) -> str:
        if namesake:
            return (
                f"only another strap called {self._called} is in range ({namesake}): "
                "if it is yours, run rumblestrip pair"
            )
        return (
            f"your strap {self._called} is not in range: put it on, wet its pads, "
            "and make sure that no other device is using it"
        )

    async def _search(self, deliver: Deliver) -> tuple[BLEDevice | None, str]:
        """One scan. The remembered strap, or None with the address of another of the same name, "" for none."""
        from bleak import BleakScanner
        from bleak.exc import BleakDBusError

        found: asyncio.Future[BLEDevice] = asyncio.get_running_loop().create_future()
        namesake = ""

        def seen(device: BLEDevice, advertisement: AdvertisementData) -> None:
            nonlocal namesake
            if advertisement.rssi == _NO_RSSI_DBM:
                # Not heard in this scan: BlueZ changed something else that it knows, such as the link that has dropped.
                # A connection to a strap that is not there would cost its whole time-out.
                return
            if device.address.upper() == self._address:
                if not found.done():
                    found.set_result(device)
            elif self._name and advertisement.local_name == self._name:
                namesake = device.address

        async with _one_scan():
            scanner = BleakScanner(seen, [HEART_RATE_SERVICE], **_on(self._adapter))
            try:
                await _bounded(scanner.start(), self._pace.call_s)
            except BleakDBusError as error:
                if error.dbus_error == "org.bluez.Error.InProgress":
                    await _hang_up()
                raise
            if self._told is None or self._told.state == "off":
                # Only now is it true: while Bluetooth is missing, every try would say so again, and take it back.
                self._tell(deliver, "searching", f"looking for your strap {self._called}")
            try:
                await asyncio.wait({found}, timeout=self._pace.scan_s)
            finally:
                await _quietly(scanner.stop(), self._pace.call_s)
        return (found.result() if found.done() else None), namesake

    async def _hold(self, device: BLEDevice, deliver: Deliver) -> bool:
        """Connect, and listen until the link is gone or silent. True when the strap was heard at all.

        Raises whatever bleak raises while connecting and subscribing; WrongServicesError.
        """
        from bleak import BleakClient

        gone = asyncio.Event()
        client = BleakClient(device, lambda _: gone.set(), timeout=self._pace.connect_s, **_on(self._adapter))
        ear = _Ear(deliver)
        extras: asyncio.Task[None] | None = None
        self._tell(deliver, "connecting", f"connecting to your strap {self._called}")
        try:
            await self._connect(client)
            characteristics = [c for s in client.services if s.uuid == HEART_RATE_SERVICE for c in s.characteristics]
            source = next((c for c in characteristics if c.uuid == HEART_RATE_MEASUREMENT), None)
            if source is None:
                raise WrongServicesError(
                    f"{self._called} is not a heart-rate strap (it offers no heart rate): run rumblestrip pair",
                    "searching",
                )
            await self._subscribe(client, source, ear.notified)
            self._tell(deliver, "connected")
            extras = asyncio.create_task(self._ask_the_rest(client, deliver))
            await self._until_silent(gone, ear)
            dropped = gone.is_set()
        finally:
            # From here on nothing of this connection counts: BlueZ may still hand over notifications of it.
            ear.open = False
            if extras is not None:
                extras.cancel()
            await _quietly(client.disconnect(), self._pace.call_s)
            if extras is not None:
                await asyncio.wait({extras})
        if not ear.heard and not dropped:
            self._acquire = not self._acquire
        return ear.heard

    async def _connect(self, client: BleakClient) -> None:
        from bleak.exc import BleakError

        try:
            await _bounded(client.connect(), self._pace.connect_s)
        except (TimeoutError, BleakError) as error:
            # If it is Bluetooth itself that is in trouble, the next scan will say so.
            raise StrapError(
                f"your strap {self._called} does not let us connect: make sure that no other device is using it",
                "searching",
            ) from error

    async def _subscribe(
        self, client: BleakClient, source: BleakGATTCharacteristic, notified: Callable[[Any, bytearray], None]
    ) -> None:
        how: Any = {"use_start_notify": not self._acquire}
        try:
            await _bounded(client.start_notify(source, notified, bluez=how), self._pace.call_s)
        except Exception:
            if client.is_connected:
                self._acquire = not self._acquire
            raise

    async def _until_silent(self, gone: asyncio.Event, ear: _Ear) -> None:
        clock = asyncio.get_running_loop().time
        quiet_from_s = clock()
        while (left_s := max(quiet_from_s, ear.heard_s) + self._pace.silent_s - clock()) > 0:
            try:
                async with asyncio.timeout(left_s):
                    await gone.wait()
                return
            except TimeoutError:
                pass

    async def _ask_the_rest(self, client: BleakClient, deliver: Deliver) -> None:
        """Battery and sensor location: good to know, never a reason to lose the link."""

        def level(_: Any, value: bytearray) -> None:
            if len(value) == 1 and value[0] <= 100:
                deliver(Battery("strap", value[0]))

        for characteristic in list(client.services.characteristics.values()):
            if characteristic.uuid not in (BATTERY_LEVEL, BODY_SENSOR_LOCATION):
                continue
            value = await _quietly(client.read_gatt_char(characteristic), self._pace.call_s)
            if value is None:
                continue
            if characteristic.uuid == BODY_SENSOR_LOCATION:
                deliver(Worn(SENSOR_LOCATIONS[value[0]] if value and value[0] < len(SENSOR_LOCATIONS) else ""))
                continue
            level(None, value)
            if "notify" in characteristic.properties:
                how: Any = {"use_start_notify": False}
                await _quietly(client.start_notify(characteristic, level, bluez=how), self._pace.call_s)


class _Ear:
    """What one connection hears. ``heard_s`` is the loop time of the last notification, readable or not."""

    def __init__(self, deliver: Deliver) -> None:
        self.open = True
        self.heard = False
        self.heard_s = 0.0
        self._deliver = deliver
        self._clock = asyncio.get_running_loop().time
        self._last = b""

    def notified(self, _: Any, packet: bytearray) -> None:
        if not self.open:
            return
        now_s = self._clock()
        again = self.heard and packet == self._last and now_s - self.heard_s < _DOUBLE_S
        self.heard, self.heard_s, self._last = True, now_s, bytes(packet)
        if again:
            return
        try:
            event: Event = decode(packet)
        except PacketError as error:
            event = BadPacket(str(error))
        self._deliver(event)


async def in_range(seconds: float, adapter: str) -> list[Found]:
    """The straps heard within ``seconds``, nearest first. Waits for a search of the link's own to be over.

    Raises StrapError, with a text for the rider, when Bluetooth cannot be used.
    """
    from bleak import BleakScanner

    heard: dict[str, Found] = {}

    def seen(device: BLEDevice, advertisement: AdvertisementData) -> None:
        if advertisement.rssi != _NO_RSSI_DBM:
            name = _printable(advertisement.local_name or device.name or "")
            heard[device.address] = Found(device.address, name, advertisement.rssi)

    call_s = Pace().call_s
    async with _one_scan():
        try:
            scanner = BleakScanner(seen, [HEART_RATE_SERVICE], **_on(adapter))
            await _bounded(scanner.start(), call_s)
        except Exception as error:
            raise in_words(error) from error
        try:
            await asyncio.sleep(seconds)
        finally:
            await _quietly(scanner.stop(), call_s)
    return sorted(heard.values(), key=lambda f: (-f.rssi_dbm, f.address))


def in_words(error: Exception) -> StrapError:
    """What an error of bleak or of D-Bus means to a rider."""
    from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason, BleakDBusError, BleakError

    kind = error.dbus_error if isinstance(error, BleakDBusError) else ""
    reason = error.reason if isinstance(error, BleakBluetoothNotAvailableError) else None
    why = BleakBluetoothNotAvailableReason
    if reason is why.POWERED_OFF or kind == "org.bluez.Error.NotReady":
        return StrapError("Bluetooth is switched off: switch it on (bluetoothctl power on)")
    if reason is why.DENIED_BY_SYSTEM or kind.endswith(".AccessDenied") or isinstance(error, PermissionError):
        return StrapError("this user may not use Bluetooth: add it to the group bluetooth")
    if kind.endswith((".ServiceUnknown", ".NameHasNoOwner", ".NoReply", ".Disconnected")):
        return StrapError("the Bluetooth service is not running: start it (systemctl start bluetooth)")
    if reason is not None or (isinstance(error, BleakError) and str(error).startswith("adapter ")):
        return StrapError("no Bluetooth adapter: plug one in, or check strap.adapter in unit.toml")
    if isinstance(error, TimeoutError):
        return StrapError("Bluetooth does not answer: trying again")
    if isinstance(error, OSError | EOFError):
        return StrapError("no D-Bus, so no Bluetooth: start the system's D-Bus (systemctl start dbus)")
    return StrapError(f"Bluetooth trouble, trying again ({error or type(error).__name__})", "searching")


_scans: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Lock] = WeakKeyDictionary()


def _one_scan() -> asyncio.Lock:
    """Held while scanning: BlueZ refuses a program that already scans a second scan (org.bluez.Adapter)."""
    return _scans.setdefault(asyncio.get_running_loop(), asyncio.Lock())


async def _hang_up() -> None:
    """Leave D-Bus; bleak comes back by itself.

    A scan that BlueZ granted after we had given up on it runs on, and stands in the way of every later one. bleak does
    not know of it any more, so it cannot be stopped; it ends with the connection that it belongs to.
    """
    from bleak.backends.bluezdbus.manager import get_global_bluez_manager

    # No public way leads to it; without it, Bluetooth must be restarted by hand.
    bus = getattr(await get_global_bluez_manager(), "_bus", None)
    if bus is not None:
        bus.disconnect()


def _on(adapter: str) -> dict[str, Any]:
    return {"bluez": {"adapter": adapter}} if adapter else {}


def _printable(name: str) -> str:
    """A name as somebody's device sent it, safe for a terminal and a panel."""
    return "".join(letter if letter.isprintable() else "?" for letter in name)


async def _bounded(call: Coroutine[Any, Any, T], seconds: float) -> T:
    """The result of one Bluetooth call, or TimeoutError; never much later, even when its own clean-up hangs as well."""
    task = asyncio.ensure_future(call)
    try:
        await asyncio.wait({task}, timeout=seconds)
        if not task.done():
            raise TimeoutError(f"no answer in {seconds:g} s")
    finally:
        for _ in range(_CANCELS):
            if task.done():
                break
            task.cancel()
            await asyncio.wait({task}, timeout=_CANCEL_S)
    if task.cancelled():
        raise ConnectionError("the call was broken off")
    return task.result()


async def _quietly(call: Coroutine[Any, Any, T], seconds: float) -> T | None:
    """The same, or None: for calls whose failure changes nothing, on a link that may be dead."""
    try:
        return await _bounded(call, seconds)
    except Exception as error:
        log.debug("not answered: %r", error)
        return None
