"""What a picture costs: ms a frame, and as a multiple of filling and copying one surface of that size in the same run.

The multiples can be compared between machines, the milliseconds cannot.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import cycle, islice

from firmware_app.core.views import RideView, View
from sim.gallery import EXAMPLES, RIDE

HELP = "ms a frame of the ride page and of all pages, whole and changed rows only"
SIZES = ((480, 320), (800, 480))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of this bench."""
    parser.add_argument("--frames", type=int, default=120, help="frames of each kind (default 120)")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Measure and print."""
    results = {f"{width}x{height}": _measure((width, height), max(args.frames, 2)) for width, height in SIZES}
    if args.json:
        print(json.dumps({"schema": "rumblestrip.bench.screens/1", "sizes": results}))
        return 0
    for size, result in results.items():
        print(f"{size}: a plain fill and copy takes {result['plain_ms']:.2f} ms")
        print(f"  a live hour, one measurement a second: {result['live_hour_cpu_s']:.1f} s of CPU to draw and write")
        for name, value in result.items():
            if name.endswith("_ratio"):
                kind = name.removesuffix("_ratio")
                print(f"  {kind:<20} {result[kind + '_ms']:8.2f} ms  {value:7.1f} times")
    return 0


def _ride(frames: int) -> list[RideView]:
    """A ride across the whole lane and back: beat, time and tail change with every measurement, once a second."""
    views = []
    tail = [RIDE.low_bpm or 0] * 30
    for i, step in enumerate(islice(cycle((1,) * 12 + (-1,) * 12), frames)):
        tail = [*tail[1:], tail[-1] + step]
        views.append(
            replace(
                RIDE,
                hr_bpm=tail[-1],
                tail_bpm=tuple(tail),
                elapsed=f"1:{i // 60:02}:{i % 60:02}",
                left=f"0:{i % 60:02}",
            )
        )
    return views


def _measure(size: tuple[int, int], frames: int) -> dict[str, float]:
    from pygame import Surface

    from firmware_app.devices.framebuffer import Channel, FramebufferPanel, Geometry
    from firmware_app.screens.painter import Painter
    from firmware_app.screens.theme import DAY

    one, other = Surface(size, 0, 32), Surface(size, 0, 32)

    def plain() -> None:
        one.fill((15, 18, 22))
        other.blit(one, (0, 0))

    plain_ms = _mean_ms(plain, frames)
    result = {"plain_ms": plain_ms}

    def note(name: str, ms: float) -> None:
        result[f"{name}_ms"] = ms
        result[f"{name}_ratio"] = ms / plain_ms

    started = time.perf_counter()
    Painter(size, DAY).paint(RIDE)
    note("first_frame", (time.perf_counter() - started) * 1000)

    ride = _ride(frames)
    painter = Painter(size, DAY)
    feed = iter(ride)
    note("ride_changed", _mean_ms(lambda: painter.paint(next(feed)), frames))
    feed = iter(ride)
    note("ride_whole", _mean_ms(lambda: Painter(size, DAY).paint(next(feed)), frames))
    same = replace(RIDE)
    painter.paint(RIDE)
    note("ride_same", _mean_ms(lambda: painter.paint(same), frames))
    pages: list[View] = list(islice(cycle(EXAMPLES.values()), frames))
    turn = iter(pages)
    note("pages_whole", _mean_ms(lambda: painter.paint(next(turn)), frames))

    handle = os.memfd_create("panel")
    os.ftruncate(handle, size[0] * size[1] * 2)
    rgb565 = (Channel(11, 5), Channel(5, 6), Channel(0, 5), Channel(0, 0))
    panel = FramebufferPanel(handle, Geometry(*size, 16, size[0] * 2, 0, *rgb565))
    surface = painter.paint(RIDE).surface
    note("framebuffer_whole", _mean_ms(lambda: panel.present(surface), frames))
    feed = iter(ride)

    def changed() -> None:
        picture = painter.paint(next(feed))
        panel.present(picture.surface, picture.rows)

    note("framebuffer_changed", _mean_ms(changed, frames))
    result["live_hour_cpu_s"] = result["framebuffer_changed_ms"] * 3.6
    panel.close()
    return result


def _mean_ms(work: Callable[[], object], times: int) -> float:
    """Mean CPU time in ms: other programs on the machine do not count."""
    started = time.process_time()
    for _ in range(times):
        work()
    return (time.process_time() - started) * 1000 / times
