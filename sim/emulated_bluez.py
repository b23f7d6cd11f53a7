"""BlueZ emulated in user space, for a test bus: bluezoo, brought closer to BlueZ where a strap's link needs it.

    python -m sim.emulated_bluez C0:00:00:00:00:00 C0:00:00:00:00:01,-50

serves org.bluez on the bus of DBUS_SYSTEM_BUS_ADDRESS with one powered adapter per address: hci0, hci1 and so on. The
number after an address is the signal strength in dBm at which the others hear it. It prints ``ready`` once it serves.

Closer to BlueZ than bluezoo alone: every advertisement heard reports its signal strength, forgotten when the scan ends;
a strap that is connected is not heard by others; one that is switched off, or whose advertisement or application is
gone, cannot be connected, and its link drops; a dropped link takes its services and notification sockets along; an
adapter that is switched off does not scan, and none scans twice for one client. Beyond it: faults to order, of the
kinds in KINDS, at /org/rumblestrip.
"""

# mypy: disable-error-code="misc, no-any-return"
# (bluezoo has no types)

from __future__ import annotations

import asyncio
import os
import select
import socket
import sys
from collections import Counter
from contextlib import suppress
from typing import Any

import bluezoo.bluezoo
import bluezoo.device
import sdbus
from bluezoo.adapter import Adapter
from bluezoo.device import Device
from bluezoo.exceptions import (
    DBusBluezFailedError,
    DBusBluezInProgressError,
    DBusBluezNotPermittedError,
    DBusBluezNotReadyError,
    DBusBluezNotSupportedError,
)
from bluezoo.gatt import (
    GattCharacteristicClient,
    GattCharacteristicClientLink,
    GattServiceClient,
    GattServiceClientLink,
)
from bluezoo.utils import BluetoothUUID, create_background_task

KINDS = ("refuse", "hang", "half", "no_acquire", "no_read", "no_scan", "late_scan")
"""Refuse or hang a connection, drop it while its services are found, refuse AcquireNotify, reads, or a scan; grant a
scan, but say so LATE_S later."""

LATE_S = 3.0

SCAN_INTERVAL_S = 0.2

ordered: Counter[str] = Counter()
rssi_dbm: dict[str, int] = {}


def due(kind: str) -> bool:
    """Whether a fault of this kind was ordered and not yet delivered."""
    if not ordered[kind]:
        return False
    ordered[kind] -= 1
    return True


class Faults(sdbus.DbusInterfaceCommonAsync, interface_name="org.rumblestrip.Faults1"):
    @sdbus.dbus_method_async(input_signature="su", flags=sdbus.DbusUnprivilegedFlag)
    async def Order(self, kind: str, times: int) -> None:  # noqa: N802
        ordered[kind] = times

    @sdbus.dbus_method_async(input_signature="s", result_signature="u", flags=sdbus.DbusUnprivilegedFlag)
    async def Left(self, kind: str) -> int:  # noqa: N802
        return ordered[kind]


class RelayedCharacteristic(GattCharacteristicClientLink):
    """Notifications go from the peripheral's socket to the client's socket, or to its PropertiesChanged."""

    source: socket.socket | None = None
    sink: socket.socket | None = None

    @sdbus.dbus_method_async_override()
    async def ReadValue(self, options: dict[str, tuple[str, Any]]) -> bytes:  # noqa: N802
        if due("no_read"):
            raise DBusBluezFailedError("Operation failed with ATT error: 0x0e")
        return await self.client.ReadValue(self.options())

    @sdbus.dbus_method_async_override()
    async def AcquireNotify(self, options: dict[str, tuple[str, Any]]) -> tuple[int, int]:  # noqa: N802
        if due("no_acquire"):
            raise DBusBluezNotSupportedError("Operation is not supported")
        if self.sink is not None:
            raise DBusBluezNotPermittedError("Notify acquired")
        await self.listen()
        self.sink, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.sink.setblocking(False)
        # The reply duplicates the descriptor while it is sent; ours may only go after that.
        asyncio.get_running_loop().call_later(2.0, theirs.close)
        return theirs.fileno(), self.mtu

    @sdbus.dbus_method_async_override()
    async def StartNotify(self) -> None:  # noqa: N802
        await self.listen()

    @sdbus.dbus_method_async_override()
    async def StopNotify(self) -> None:  # noqa: N802
        self.hang_up()

    def options(self) -> dict[str, tuple[str, Any]]:
        peer = self.service.device.peer.get_object_path()
        return {"device": ("o", peer), "mtu": ("q", self.mtu), "link": ("s", self.link)}

    async def listen(self) -> None:
        self.hang_up()
        fd, self.mtu = await self.client.AcquireNotify(self.options())
        self.source = socket.socket(fileno=os.dup(fd))
        self.source.setblocking(False)
        asyncio.get_running_loop().add_reader(self.source, self.relay)

    def relay(self) -> None:
        assert self.source is not None
        packet = self.source.recv(512)
        if not packet:
            poll = select.poll()
            poll.register(self.source, select.POLLHUP)
            if poll.poll(0):
                self.hang_up()
                return
        if self.sink is None:
            self.properties_changed.emit(("org.bluez.GattCharacteristic1", {"Value": ("ay", packet)}, []))
            return
        with suppress(BlockingIOError):
            try:
                self.sink.send(packet)
            except (BrokenPipeError, ConnectionResetError):
                self.hang_up()

    def hang_up(self) -> None:
        if self.source is not None:
            asyncio.get_running_loop().remove_reader(self.source)
            self.source.close()
            self.source = None
        if self.sink is not None:
            self.sink.close()
            self.sink = None


class LinkedDevice(Device):
    """A peer whose two ends, one on each adapter, know each other and go up and down together."""

    async def connect(self, uuid: str | None = None) -> None:
        if due("refuse"):
            raise DBusBluezFailedError("Software caused connection abort")
        if due("hang"):
            await asyncio.sleep(3600)
        there = self.peer_adapter
        if not (there.powered and there.advertisements and there.gatt_apps):
            await asyncio.sleep(2.0)
            raise DBusBluezFailedError("Host is down")
        await there.add_device(LinkedDevice(self.adapter))
        other = there.devices[f"{there.get_object_path()}/dev_{self.adapter.address.replace(':', '_')}"]
        self.peer, other.peer = other, self
        await other.Connected.set_async(True)
        await self.Connected.set_async(True)
        if due("half"):
            await self.disconnect()
            return
        for app in there.gatt_apps.values():
            links: dict[str, Any] = {}
            for path, client in sorted(app.objects.items()):
                if isinstance(client, GattServiceClient):
                    links[path] = GattServiceClientLink(client, self)
                elif isinstance(client, GattCharacteristicClient):
                    links[path] = RelayedCharacteristic(client, links[client.Service.get()])
                else:
                    continue
                self.services[links[path].get_object_path()] = links[path]
                there.mock.export_object(links[path].get_object_path(), links[path])
        await self.ServicesResolved.set_async(True)

    async def disconnect(self, uuid: str | None = None) -> None:
        if not self.connected:
            return
        for end in (self, self.peer):
            await end.Connected.set_async(False)
            await end.ServicesResolved.set_async(False)
            for service in reversed(list(end.services.values())):
                if isinstance(service, RelayedCharacteristic):
                    service.hang_up()
                self.adapter.mock.remove_object(service)
            end.services.clear()


class NearerAdapter(Adapter):
    """An adapter whose links drop when it is switched off or its peripheral goes."""

    _powered = False

    @property
    def powered(self) -> bool:
        return self._powered

    @powered.setter
    def powered(self, on: bool) -> None:
        was, self._powered = self._powered, on
        if was and not on:
            create_background_task(self.drop())

    async def drop(self) -> None:
        for device in list(self.devices.values()):
            await device.disconnect()

    async def update_uuids(self) -> None:
        await super().update_uuids()
        if not self.gatt_apps:
            await self.drop()

    async def add_device(self, device: Device) -> None:
        path = f"{self.get_object_path()}/dev_{device.address.replace(':', '_')}"
        known = self.devices.get(path)
        if known is None:
            await super().add_device(device)
            return
        known.peer_adapter = device.peer_adapter
        await known.properties_sync(device)
        known.rssi = device.rssi
        known.properties_changed.emit(("org.bluez.Device1", {"RSSI": ("n", known.rssi)}, []))

    @sdbus.dbus_method_async_override()
    async def StartDiscovery(self) -> None:  # noqa: N802
        if not self.powered:
            raise DBusBluezNotReadyError("Resource Not Ready")
        if due("no_scan"):
            raise DBusBluezFailedError("Input/output error")
        if sdbus.get_current_message().sender in self.scan_subscribers:
            # "Each client can start a single discovery session per adapter" (BlueZ, org.bluez.Adapter).
            raise DBusBluezInProgressError("Operation already in progress")
        self.discovering_task.cancel()
        await super().StartDiscovery()
        if due("late_scan"):
            await asyncio.sleep(LATE_S)

    @sdbus.dbus_method_async_override()
    async def StopDiscovery(self) -> None:  # noqa: N802
        await super().StopDiscovery()
        for device in self.devices.values():
            device.properties_changed.emit(("org.bluez.Device1", {}, ["RSSI"]))


def scan(self: Any, id: int) -> asyncio.Task[None]:
    """Hear everybody who advertises, again and again."""

    async def hear() -> None:
        while True:
            for there in list(self.adapters.values()):
                taken = any(device.connected for device in there.devices.values())
                if there.id == id or not there.powered or not there.advertisements or taken:
                    continue
                advertisement = next(iter(there.advertisements.values()))
                device = LinkedDevice(there, is_le=True, rssi=rssi_dbm.get(there.address, -60))
                device.name_ = advertisement.LocalName.get(there.name)
                device.uuids = [BluetoothUUID(uuid) for uuid in advertisement.ServiceUUIDs.get([])]
                await self.adapters[id].add_device(device)
            await asyncio.sleep(self.scan_interval)

    return asyncio.create_task(hear())


async def serve(addresses: list[str]) -> None:
    """Serve until cancelled."""
    bluezoo.bluezoo.Adapter = NearerAdapter
    bluezoo.device.Device = LinkedDevice
    bluezoo.bluezoo.BluezMockService.create_discovering_task = scan
    for number, address in enumerate(addresses):
        addresses[number], _, strength = address.partition(",")
        rssi_dbm[addresses[number]] = int(strength or -60)
    await bluezoo.bluezoo.startup("system", addresses, True, SCAN_INTERVAL_S)
    faults = Faults()
    faults.export_to_dbus("/org/rumblestrip")
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        asyncio.run(serve(sys.argv[1:]))
