"""The simulated strap in the real unit: what a labelled ride holds arrives at its times, by way of the wire format."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import pytest

from firmware_app import settings
from firmware_app.core.companion import play
from firmware_app.core.events import BadPacket, Event, Link
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideRecord
from firmware_app.devices.clock import LoopClock
from firmware_app.devices.sounder import SilentSounder
from firmware_app.preparation import Preparation, prepare
from firmware_app.store.keeper import MemoryKeeper
from firmware_app.unit import Unit
from firmware_app.wiring import Wiring
from sim.live import SimulatedStrap
from sim.runner import run_virtual
from sim.scenario import LabelledRide, labelled_ride


@cache
def ride(kind: str = "demo", dirt: float = 1.0, seed: int = 1) -> LabelledRide:
    return labelled_ride(kind, dirt, seed)


def delivered(one: LabelledRide) -> list[tuple[float, Event]]:
    async def run() -> list[tuple[float, Event]]:
        loop = asyncio.get_running_loop()
        told: list[tuple[float, Event]] = []
        await SimulatedStrap(one).run(lambda event: told.append((round(loop.time(), 6), event)))
        told.append((round(loop.time(), 6), Link("off")))
        return told

    return run_virtual(run())


def test_every_notification_arrives_at_its_time_as_the_wire_can_carry_it() -> None:
    one = ride()
    told = delivered(one)
    measured = [(t_s, event) for t_s, event in told if isinstance(event, Measurement)]
    assert len(measured) == len(one.rows)
    for (sent_s, sent), (t_s, got) in zip(one.rows, measured, strict=True):
        assert isinstance(got, Measurement)
        assert t_s == pytest.approx(sent_s, abs=1e-5)
        assert got == sent
    assert not any(isinstance(event, BadPacket) for _, event in told)
    assert told[-1][0] == pytest.approx(float(one.t_s[-1]))


def test_a_long_silence_is_a_lost_link_and_its_end_a_link() -> None:
    one = ride()
    rows = [row for row in one.rows if not 100 < row[0] < 140]
    links = [(t_s, event.state) for t_s, event in delivered(replace(one, rows=rows)) if isinstance(event, Link)][:-1]
    assert [state for _, state in links[:2]] == ["searching", "connected"]
    lost = next(t_s for t_s, state in links if state == "lost" and t_s > 100)
    back = next(t_s for t_s, state in links if state == "connected" and t_s > 100)
    assert 104 < lost < 106
    assert 139 < back < 142


def test_a_strap_of_intervals_alone_is_played_as_it_is() -> None:
    one = ride()
    rows = [(t_s, Measurement(None, m.rr_ms)) for t_s, m in one.rows[:20]]
    told = [event for _, event in delivered(replace(one, rows=rows)) if isinstance(event, Measurement)]
    assert told == [m for _, m in rows]


def live(one: LabelledRide, ready: Preparation) -> RideRecord:
    """The ride through the whole unit in virtual time."""
    kept = MemoryKeeper()

    async def run() -> None:
        def no_sound() -> tuple[SilentSounder, None]:
            return SilentSounder(), None

        keeper: Callable[[object], MemoryKeeper] = lambda on_fault: kept  # noqa: E731
        strap: Callable[[settings.StrapSettings], SimulatedStrap] = lambda worn: SimulatedStrap(one)  # noqa: E731
        wiring = Wiring(None, LoopClock(1.8e9), strap, no_sound, keeper)
        await Unit(wiring, ready, settings.Unit(), "sim", stop_with_ride=True).run()

    run_virtual(run())
    record = kept.record()
    assert record is not None
    return record


@pytest.mark.parametrize(("kind", "seed"), [("demo", 1), ("demo", 2), ("hell", 3)])
def test_a_ride_through_the_unit_sounds_the_same_as_its_recording_played(kind: str, seed: int) -> None:
    one = ride(kind, 1.0, seed)
    low_bpm, high_bpm = one.target_bpm
    ready = prepare(target=f"{low_bpm}-{high_bpm}bpm", hr_max_bpm=one.hr_max_bpm)
    record = live(one, ready)
    again = play(ready.companion(ready.facts("replay")), one.rows)

    def alarms(of: RideRecord) -> list[tuple[float, object]]:
        known = [mark for mark in of.marks if mark.kind == "alarm" and mark.t_s <= one.rows[-1][0]]
        return [(mark.t_s, sorted(mark.detail.items())) for mark in known]

    assert alarms(record) == alarms(again)
    assert len(alarms(record)) > 3
    assert (record.t_s == again.t_s).all()
    assert record.trusted_bpm.tolist() == pytest.approx(again.trusted_bpm.tolist(), nan_ok=True)


def test_the_same_seed_gives_the_same_ride_to_the_last_bit() -> None:
    one = ride()
    low_bpm, high_bpm = one.target_bpm
    ready = prepare(target=f"{low_bpm}-{high_bpm}bpm", hr_max_bpm=one.hr_max_bpm)
    first, second = live(one, ready), live(one, ready)
    assert first.marks == second.marks
    assert first.trusted_bpm.tobytes() == second.trusted_bpm.tobytes()
