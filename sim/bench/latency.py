"""How long a beat takes to be heard and seen: a real ``rumblestrip ride`` on an emulated radio, watched from within.

A strap notifies ten times a second; its heart rate swings by 2 bpm about the limit of near_max once a second. near_max
has no dwell and a short note, so that it sounds anew with every swing. Everything else is the unit as it is: bleak, the
gate, the alarms, the log on disk, a 480x320 panel off-screen, the pin a mock of gpiozero's. Each notification carries a
number of its own, by which its times in the two processes are matched. In ms, p50 and p99:

sent_to_notify    from the strap's write into its socket until bleak hands the bytes over: the emulated BlueZ (a Python
                  process of its own, where a real board has a faster one), two sockets, and the waiting for the unit's
                  loop to be free. The floor: nothing in the unit's own code but the last part can change it.
notify_to_buzzer  from there until the pin is high: decoding, gate, alarms, sound. Only where the notification itself
                  set the alarm off; one that a tick sets off is another matter.
notify_to_frame   from there until the new picture is on the panel, where the notification changed it: the same, the
                  entry into the queue of the log, layout and drawing. A real panel adds its own time for the transfer.
sent_to_buzzer    the whole way: an upper bound for the time from the arrival on D-Bus, which lies in between.
sent_to_frame     likewise.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from firmware_app.core.measurement import Measurement, encode
from sim.peripheral import Peripheral
from sim.probe import Line, WatchedRide
from sim.radio import STRAPS, Radio

HELP = "ms from a strap's notification to the buzzer's pin and to the picture, on an emulated radio"

HR_MAX_BPM = 200
LIMIT_BPM = 180
SWING_BPM = 2
EVERY_S = 0.1
SWING_S = 1.0
SETTLE_S = 3.0
"""The first seconds do not count: imports, the first frame, the log's first write."""

ALARMS = {
    "release_percent": 100 * LIMIT_BPM / HR_MAX_BPM - 0.1,
    "limit_percent": 100 * LIMIT_BPM / HR_MAX_BPM,
    "dwell_s": 0,
    "early_bpm": 0,
    "dip_bpm": 0,
    "sound": [[2900, 80]],
}
SOUNDER_PIN = "18"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of this bench."""
    parser.add_argument("--seconds", type=float, default=120.0, help="how long, with one alarm a second (default 120)")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Measure and print."""
    found = measure(args.seconds)
    if args.json:
        print(json.dumps({"schema": "rumblestrip.bench.latency/1", **found}))
        return 0
    for name, value in found.items():
        print(f"{name:28} {value:g}")
    return 0


def measure(seconds: float = 120.0) -> dict[str, float]:
    """The figures of this bench, and how many of each kind they rest on.

    Raises RuntimeError when the ride did not sound, such as where dbus-daemon or bluezoo is missing.
    """
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    with Radio() as radio, tempfile.TemporaryDirectory() as folder:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = radio.address
        try:
            sent_s, trace = asyncio.run(_ridden(Path(folder), radio, seconds))
        finally:
            if before is None:
                del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
            else:
                os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
    return _figures(sent_s, trace)


async def _ridden(folder: Path, radio: Radio, seconds: float) -> tuple[dict[str, float], list[Line]]:
    """When each packet was sent, by its bytes in hex, and what the probe in the unit saw."""
    config = folder / "config" / "rumblestrip"
    config.mkdir(parents=True)
    (config / "unit.toml").write_text(f'[strap]\naddress = "{STRAPS[0]}"\nadapter = "hci0"\n')
    words = ["--target", "none", "--hr-max-bpm", str(HR_MAX_BPM)]
    for key, value in ALARMS.items():
        words += ["--set", f"near_max.{key}={value}"]
    sent_s: dict[str, float] = {}
    loop = asyncio.get_running_loop()
    async with Peripheral("hci1", "Strap") as strap:
        with WatchedRide(folder, words, radio.env) as ride:
            await asyncio.to_thread(ride.until, lambda: strap.subscribed)
            begun_s = loop.time()
            for number in range(round((SETTLE_S + seconds) / EVERY_S)):
                t_s = number * EVERY_S
                await asyncio.sleep(begun_s + t_s - loop.time())
                swing_bpm = SWING_BPM if t_s % SWING_S < SWING_S / 2 else -SWING_BPM
                packet = encode(Measurement(LIMIT_BPM + swing_bpm, contact=True, energy_kj=number))
                if t_s >= SETTLE_S:
                    sent_s[packet.hex()] = time.monotonic()
                strap.notify(packet)
            await asyncio.sleep(0.5)
            await asyncio.to_thread(ride.end)
            return sent_s, ride.trace()


def _figures(sent_s: dict[str, float], trace: list[Line]) -> dict[str, float]:
    to_notify, to_pin, to_frame, to_pin_whole, to_frame_whole = (list[float]() for _ in range(5))
    heard_s = was_s = 0.0  # of the notification that the unit is at work on; 0 for none
    for t_s, what, words in trace:
        if what == "heard" and words[0] in sent_s:
            heard_s, was_s = t_s, sent_s[words[0]]
            to_notify.append(heard_s - was_s)
        elif what == "done":
            heard_s = 0.0
        elif heard_s and what == "pin" and words[0] == SOUNDER_PIN and float(words[1]):
            to_pin.append(t_s - heard_s)
            to_pin_whole.append(t_s - was_s)
        elif heard_s and what == "shown":
            to_frame.append(t_s - heard_s)
            to_frame_whole.append(t_s - was_s)
    if not to_pin or not to_frame:
        raise RuntimeError("no alarm was heard: is `rumblestrip ride` in order?")
    figures: dict[str, float] = {
        "notifications": len(to_notify),
        "sounds": len(to_pin),
        "frames": len(to_frame),
    }
    for name, values in {
        "sent_to_notify": to_notify,
        "notify_to_buzzer": to_pin,
        "notify_to_frame": to_frame,
        "sent_to_buzzer": to_pin_whole,
        "sent_to_frame": to_frame_whole,
    }.items():
        for percent in (50, 99):
            figures[f"{name}_p{percent}_ms"] = round(1000 * float(np.percentile(values, percent)), 3)
    return figures
