"""Rides to put into a log, for the tests of this folder."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from firmware_app.core.events import Mark, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts, RideRecord, record_of

FACTS = RideFacts(
    hr_max_bpm=187, hr_rest_bpm=52, scheme="seven", plan="hills", target="3-4", started_unix_s=1_777_910_520.0
)


def sample(index: int, **changes: object) -> Sample:
    """Measurement number ``index`` of a plain ride: one a second, two RR intervals, good contact."""
    values: dict[str, object] = {"hr_bpm": 120 + index % 60, "rr_ms": (512 * 1000 / 1024, 498.046875), "contact": True}
    return Sample(float(index), Measurement(**(values | changes)), 120.25 + index % 60, 1.0)  # type: ignore[arg-type]


def ride(count: int, facts: RideFacts = FACTS) -> RideRecord:
    """A plain ride of so many seconds with an alarm every minute."""
    marks = [Mark(float(t_s), "alarm", {"kind": "above_target", "on": True}) for t_s in range(0, count, 60)]
    return record_of(facts, [sample(index) for index in range(count)], marks, float(count - 1))


def same_measurements(one: RideRecord, other: RideRecord) -> bool:
    """Whether both hold the same as a strap reported it: times, heart rates, RR intervals, contact."""
    return all(
        np.array_equal(getattr(one, column), getattr(other, column), equal_nan=True)
        for column in ("t_s", "hr_bpm", "contact", "rr_ms", "rr_row")
    )


rr_values = st.one_of(
    # A strap's 1/1024 s, a recording's whole ms.
    st.integers(0, 65_535).map(lambda ticks: ticks * 1000 / 1024),
    st.integers(0, 63_999).map(float),
)
measurements = st.builds(
    Measurement,
    hr_bpm=st.none() | st.integers(0, 65_535),
    rr_ms=st.lists(rr_values, max_size=9).map(tuple),
    contact=st.sampled_from((None, True, False)),
)


@st.composite
def records(draw: st.DrawFn, max_size: int = 120) -> RideRecord:
    """Any ride that a strap or a recording can make, as the core would log it."""
    times_ms = sorted(draw(st.lists(st.integers(0, 40_000_000), max_size=max_size)))
    samples = [
        Sample(
            t_ms / 1000,
            draw(measurements),
            draw(st.none() | st.floats(0, 500)),
            draw(st.floats(0, 1)),
        )
        for t_ms in times_ms
    ]
    marks = [Mark(t_ms / 1000, "target", {"low_bpm": 120, "high_bpm": None, "text": "é"}) for t_ms in times_ms[::3]]
    return record_of(FACTS, samples, marks, times_ms[-1] / 1000 if times_ms else 0.0)
