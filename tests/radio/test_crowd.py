"""A bunch of riders: two hundred straps in range, and one of them is ours."""

from __future__ import annotations

from contextlib import AsyncExitStack

import pytest

from firmware_app.devices.strap import BleStrap, in_range
from sim.peripheral import Peripheral
from sim.radio import Radio

from .conftest import BRISK, listening, until

CROWD = 200


async def test_ours_is_found_among_two_hundred(dbus_daemon: None, monkeypatch: pytest.MonkeyPatch) -> None:
    addresses = [f"C0:00:00:00:01:{number:02X}" for number in range(CROWD)]
    with Radio(addresses, [-40 - number // 4 for number in range(CROWD)]) as radio:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", radio.address)
        async with AsyncExitStack() as straps:
            for number in range(CROWD):
                await straps.enter_async_context(Peripheral(f"hci{number + 1}", "Strap"))
            async with listening(BleStrap(addresses[130], "Strap", "hci0", BRISK)) as heard:
                await until(lambda: heard.state() == "connected")
            found = await in_range(1.0, "hci0")
        assert await radio.ever_connected() == ["hci131"]
    assert [strap.address for strap in found] == addresses
