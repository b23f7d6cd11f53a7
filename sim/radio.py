"""A private radio for tests and benches: a D-Bus of its own, an emulated BlueZ on it, and straps.

    with Radio() as radio:                       # hci0 is the unit's, hci1 and hci2 are straps'
        os.environ |= radio.env                  # for bleak in this process; or give radio.env to another one
        with radio.strap("hci1", "--name", "Strap one", "--wait") as strap:
            strap.wait_for("ready")

Needs dbus-daemon on the path and the ``test`` extra.
"""

from __future__ import annotations

import json
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Self

UNIT = "C0:00:00:00:00:00"
STRAPS = ("C0:00:00:00:00:01", "C0:00:00:00:00:02")
STRENGTHS_DBM = (-50, -70)

_ROOT = Path(__file__).resolve().parents[1]


class Process:
    """A child process whose stdout lines are gathered."""

    def __init__(self, words: Iterable[str], env: dict[str, str]) -> None:
        self.lines: list[str] = []
        self._fresh: queue.Queue[str | None] = queue.Queue()
        self._child = subprocess.Popen(
            list(words), env=env, cwd=_ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        threading.Thread(target=self._gather, daemon=True).start()

    @property
    def pid(self) -> int:
        return self._child.pid

    def _gather(self) -> None:
        assert self._child.stdout is not None
        for line in self._child.stdout:
            self.lines.append(line.rstrip("\n"))
            self._fresh.put(self.lines[-1])
        self._fresh.put(None)

    def next_line(self, seconds: float = 15.0) -> str:
        """The next line that nobody took yet. Raises TimeoutError, or EOFError when the process ended."""
        try:
            line = self._fresh.get(timeout=seconds)
        except queue.Empty:
            raise TimeoutError(f"{self._child.args!r} said nothing for {seconds:g} s") from None
        if line is None:
            raise EOFError(f"{self._child.args!r} ended with status {self._child.wait()}")
        return line

    def forget(self) -> None:
        """Drop the lines so far: for a run that goes on and on."""
        self.lines.clear()
        while not self._fresh.empty():
            self._fresh.get_nowait()

    def tell(self, line: str) -> None:
        """One line to its stdin."""
        assert self._child.stdin is not None
        self._child.stdin.write(line + "\n")
        self._child.stdin.flush()

    def kill(self) -> None:
        """End it at once, as a crash would."""
        self._child.kill()
        self._child.wait()
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None:
                pipe.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.kill()


class StrapProcess(Process):
    """A running ``sim.peripheral``. Commands: ``tell("away 60")``, ``tell("fault garbage")``."""

    def said(self, event: str) -> list[dict[str, Any]]:
        """Everything of one kind that it said so far, such as "sent" or "subscribed"."""
        return [said for said in map(json.loads, list(self.lines)) if said["event"] == event]

    def sent(self) -> list[bytes]:
        """Every packet that went out to a central."""
        return [bytes.fromhex(said["packet"]) for said in self.said("sent")]

    def wait_for(self, event: str, seconds: float = 15.0) -> None:
        """Block until it says ``event``."""
        while json.loads(self.next_line(seconds))["event"] != event:
            pass


class Radio:
    """The bus and the emulated BlueZ, as a context manager.

    env: what a process needs to be on this radio (the environment of this process and the bus address).
    """

    def __init__(self, straps: Iterable[str] = STRAPS, strengths_dbm: Iterable[int] = STRENGTHS_DBM) -> None:
        self._words = [UNIT, *(f"{a},{s}" for a, s in zip(straps, strengths_dbm, strict=True))]
        self._folder = Path(tempfile.mkdtemp(prefix="radio-"))
        self.address = f"unix:path={self._folder / 'bus'}"
        self.env = os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": self.address}
        self._bus: Process | None = None
        self._bluez: Process | None = None

    def __enter__(self) -> Self:
        try:
            self.start_bus()
            self.start_bluez()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop_bluez()
        self.stop_bus()
        shutil.rmtree(self._folder, ignore_errors=True)

    def start_bus(self) -> None:
        words = ("dbus-daemon", "--session", "--nofork", "--print-address", f"--address={self.address}")
        self._bus = Process(words, self.env)
        self._bus.next_line()

    def stop_bus(self) -> None:
        if self._bus is not None:
            self._bus.kill()
            self._bus = None

    def start_bluez(self) -> None:
        self._bluez = Process((sys.executable, "-m", "sim.emulated_bluez", *self._words), self.env)
        self._bluez.next_line()

    def stop_bluez(self) -> None:
        """Kill it: every adapter, link and device is gone without a word, as when bluetoothd crashes."""
        if self._bluez is not None:
            self._bluez.kill()
            self._bluez = None

    def strap(self, adapter: str, *words: str) -> StrapProcess:
        """Start a strap on "hci1" or "hci2" with further words for ``sim.peripheral``."""
        return StrapProcess((sys.executable, "-m", "sim.peripheral", "--adapter", adapter, *words), self.env)

    async def order(self, kind: str, times: int = 1) -> None:
        """A fault of ``sim.emulated_bluez.KINDS``, for the next ``times`` chances; 0 takes it back."""
        await self._call("/org/rumblestrip", "org.rumblestrip.Faults1", "Order", "su", [kind, times])

    async def left(self, kind: str) -> int:
        """How many of the ordered faults of this kind are still to come."""
        return int(await self._call("/org/rumblestrip", "org.rumblestrip.Faults1", "Left", "s", [kind]))

    async def remove_adapter(self, number: int) -> None:
        """Pull adapter hci``number`` out."""
        await self._call("/org/bluezoo", "org.bluezoo.Manager1", "RemoveAdapter", "y", [number])

    async def add_adapter(self, number: int) -> None:
        """Plug adapter hci``number`` in again."""
        address = self._words[number].partition(",")[0]
        await self._call("/org/bluezoo", "org.bluezoo.Manager1", "AddAdapter", "ys", [number, address])

    async def power(self, number: int, on: bool) -> None:
        """Switch adapter hci``number`` on or off."""
        from dbus_fast import Variant

        body = ["org.bluez.Adapter1", "Powered", Variant("b", on)]
        await self._call(f"/org/bluez/hci{number}", "org.freedesktop.DBus.Properties", "Set", "ssv", body)

    async def ever_connected(self) -> list[str]:
        """The adapters of the straps that anybody ever connected to, such as ["hci1"]."""
        objects = await self._call("/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects", "", [])
        peers = [parts[3] for parts in (path.split("/") for path in objects) if len(parts) == 5]
        return sorted(set(peers) - {"hci0"})

    async def _call(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> Any:
        from dbus_fast import Message, MessageType
        from dbus_fast.aio import MessageBus

        bus: Any = await MessageBus(bus_address=self.address).connect()
        try:
            reply = await bus.call(Message("org.bluez", path, interface, member, signature=signature, body=body))
        finally:
            bus.disconnect()
            await bus.wait_for_disconnect()
        if reply is None or reply.message_type == MessageType.ERROR:
            raise OSError(f"{member}: {reply.body if reply else 'no reply'}")
        return reply.body[0] if reply.body else None
