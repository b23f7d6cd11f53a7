"""What the engine looks at, kept up to date between what comes in and as it comes in."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

import pytest

from firmware_app import settings
from firmware_app.core.events import BadPacket, Battery, Effect, Event, Fault, Link, Mark, Notice, WallClock
from firmware_app.core.lookout import TICK_S, Lookout
from firmware_app.core.measurement import Measurement

NOTHING = Measurement(None, contact=False)


@pytest.fixture
def lookout() -> Lookout:
    return Lookout(settings.load_alarms(), 200)


def take(one: Lookout, rows: Iterable[tuple[float, Event]]) -> list[Effect]:
    out: list[Effect] = []
    for t_s, event in rows:
        list(one.moments(t_s))
        one.take(event, t_s, out)
    return out


def heart(bpms: Iterable[int], from_s: float = 1.0) -> list[tuple[float, Event]]:
    return [(from_s + n, Measurement(bpm)) for n, bpm in enumerate(bpms)]


WALKS = [120 + n % 3 for n in range(20)]


def test_a_heart_that_is_no_longer_told_is_lost_since_it_was_seen_last(lookout: Lookout) -> None:
    take(lookout, heart(WALKS))
    now = lookout.now
    assert (now.trusted_bpm is not None, now.arriving, now.untrusted_since_s) == (True, True, None)
    seen = [(at_s, now.trusted_bpm is not None, now.arriving) for at_s in lookout.moments(40.0)]
    assert seen[0] == (20.25, True, True)
    # Each to the end of what a value is good for, and from there on not.
    lost_s = next(at_s for at_s, trusted, _ in seen if not trusted)
    assert 23 <= lost_s <= 30
    assert [trusted for _, trusted, _ in seen] == [at_s < lost_s for at_s, _, _ in seen]
    silent_s = next(at_s for at_s, _, arriving in seen if not arriving)
    assert 23 <= silent_s <= 30
    assert [arriving for _, _, arriving in seen] == [at_s < silent_s for at_s, _, _ in seen]
    assert (lookout.seen_s, now.untrusted_since_s) == (20.0, 20.0)


def test_a_heart_lost_between_two_moments_is_lost_since_it_was_seen_last_too(lookout: Lookout) -> None:
    take(lookout, heart(WALKS))
    trusted_s = max(at_s for at_s in lookout.moments(40.0) if lookout.now.trusted_bpm is not None)
    again = Lookout(settings.load_alarms(), 200)
    take(again, heart(WALKS))
    list(again.moments(trusted_s))
    assert again.now.trusted_bpm is not None
    again.take(NOTHING, trusted_s + TICK_S - 0.01, [])
    assert again.now.trusted_bpm is None
    assert again.now.untrusted_since_s == 20.0


def test_packets_without_a_heart_rate_arrive_all_the_same(lookout: Lookout) -> None:
    take(lookout, [*heart(WALKS), *((21.0 + n, NOTHING) for n in range(20))])
    assert (lookout.now.trusted_bpm, lookout.now.arriving, lookout.now.contact) == (None, True, False)


def test_how_long_a_heart_was_unseen_counts_once(lookout: Lookout) -> None:
    """At the measurement that finds it a leap away, and not again at each moment after."""
    stood_still = [150 + second // 6 for second in range(60)] + [160] * 32 + [191, 192, 193, 192] * 4
    found: list[tuple[float, float]] = []
    for t_s, event in heart(stood_still):
        list(lookout.moments(t_s))
        lookout.take(event, t_s, [])
        at_once_s = lookout.now.unseen_s
        next(lookout.moments(t_s + TICK_S))
        if at_once_s:
            found.append((at_once_s, lookout.now.unseen_s))
    assert [(at_once_s > 5, after_s) for at_once_s, after_s in found] == [(True, 0.0)]


def test_a_gap_is_marked_when_it_is_over_or_when_all_is(lookout: Lookout) -> None:
    out = take(lookout, [*heart(WALKS), *heart(WALKS, from_s=60.0)])
    gap = [effect for effect in out if isinstance(effect, Mark)][-1]
    assert (gap.kind, gap.detail) == ("gap", {"from_s": 20.0})
    assert gap.t_s == lookout.unbroken_since_s >= 60.0
    list(lookout.moments(200.0))
    out.clear()
    lookout.end(200.0, "key", out)
    assert [(mark.kind, mark.t_s) for mark in out if isinstance(mark, Mark)] == [("gap", 200.0), ("end", 200.0)]


def test_what_else_comes_in_is_kept(lookout: Lookout) -> None:
    told = partial(Notice, "strap")
    link = Link("searching", "Put the strap on.")
    out = take(
        lookout,
        [
            (1.0, link), (2.0, link), (3.0, BadPacket("short")), (4.0, Battery("strap", 40)),
            (5.0, Battery("unit", 60)), (6.0, WallClock(1.8e9)), (7.0, Fault("power", "Low.")),
            (8.0, Fault("storage", "Full.")),
        ],
    )  # fmt: skip
    assert out == [
        Mark(1.0, "link", {"state": "searching"}), told("Put the strap on."), Mark(6.0, "clock", {"unix_s": 1.8e9}),
        Mark(7.0, "fault", {"part": "power", "text": "Low.", "active": True}), Notice("power", "Low."),
        Mark(8.0, "fault", {"part": "storage", "text": "Full.", "active": True}), Notice("storage", "Full."),
    ]  # fmt: skip
    now = lookout.now
    assert (now.strap_battery_percent, now.unit_battery_percent) == (40, 60)
    assert (now.storage_failing, now.unit_power_low) == (True, True)
    take(lookout, [(9.0, Fault("power", "", active=False)), (9.0, Fault("storage", "", active=False))])
    assert (now.storage_failing, now.unit_power_low) == (False, False)
    out.clear()
    lookout.end(10.0, "key", out)
    assert Mark(10.0, "end", {"why": "key", "bad_packets": 1}) in out


def test_a_leap_passes_moments_that_nobody_saw(lookout: Lookout) -> None:
    list(lookout.moments(10.0))
    lookout.leap(100.1)
    assert list(lookout.moments(101.0)) == [100.25, 100.5, 100.75, 101.0]


def test_what_is_lost_now_is_said_before_what_was_missing_all_along(lookout: Lookout) -> None:
    assert lookout.notice() == ""
    take(lookout, [(1.0, Fault("sounder", "No sounder.")), (2.0, Fault("keys", "No keys."))])
    assert lookout.notice() == "No keys."
    assert lookout.notice(["Wet the strap."]) == "Wet the strap."
    take(lookout, [(3.0, Fault("power", "Low."))])
    assert lookout.notice(["Wet the strap."]) == "Low."
