"""Runs at the start of a watched process (see the package): hooks three modules when they are imported, if they are."""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import os
import signal
import sys
import time
from collections.abc import Callable, Sequence
from types import ModuleType
from typing import Any


def _open() -> Callable[..., None]:
    handle = os.open(os.environ["RUMBLESTRIP_PROBE"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def write(what: str, *words: object) -> None:
        os.write(handle, " ".join(map(str, (f"{time.monotonic():.6f}", what, *words))).encode() + b"\n")

    return write


def _watch_pins(module: Any) -> None:
    pin_class = module.MockPWMPin
    change_state = pin_class._change_state
    end_hz, _, end_how = os.environ.get("RUMBLESTRIP_PROBE_END_AT", "").partition(" ")

    def changed(self: Any, value: float) -> bool:
        happened: bool = change_state(self, value)
        if happened and self._function == "output":
            hz = round(self._frequency or 0) if value else 0
            seen("pin", self.info.name.removeprefix("GPIO"), value, hz)
            if value and str(hz) == end_hz:
                if end_how == "crash":
                    raise SystemExit("a crash on purpose")
                os.kill(os.getpid(), signal.Signals[end_how])
        return happened

    pin_class._change_state = changed


def _watch_strap(module: Any) -> None:
    notified = module._Ear.notified

    def heard(self: Any, source: Any, packet: bytearray) -> None:
        seen("heard", bytes(packet).hex() or "-")
        notified(self, source, packet)
        seen("done")

    module._Ear.notified = heard


def _watch_panel(module: Any) -> None:
    present = module.OffscreenPanel.present

    def shown(self: Any, surface: Any, rows: Any = None) -> None:
        present(self, surface, rows)
        seen("shown")

    module.OffscreenPanel.present = shown


_HOOKS: dict[str, Callable[[Any], None]] = {
    "gpiozero.pins.mock": _watch_pins,
    "firmware_app.devices.strap": _watch_strap,
    "firmware_app.devices.panel": _watch_panel,
}


class _Finder(importlib.abc.MetaPathFinder):
    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        hook = _HOOKS.pop(name, None)
        spec = importlib.machinery.PathFinder.find_spec(name, path, target) if hook else None
        if hook is None or spec is None or spec.loader is None:
            return None
        run = spec.loader.exec_module

        def exec_module(module: ModuleType) -> None:
            run(module)
            hook(module)

        spec.loader.exec_module = exec_module  # type: ignore[method-assign]
        return spec


if "RUMBLESTRIP_PROBE" in os.environ:
    seen = _open()
    if os.isatty(0) and os.getsid(0) == os.getpid():
        # The first terminal that the leader of a session opens becomes its own: keys and Ctrl-C work as for a person.
        os.close(os.open(os.ttyname(0), os.O_RDWR))
    sys.meta_path.insert(0, _Finder())
