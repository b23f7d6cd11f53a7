"""A ride as columns: what is collected is what was sampled and marked, row for row."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from firmware_app.core.events import Effect, Hush, Mark, Notice, Sample
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import Collector, RideFacts, record_of

FACTS = RideFacts(hr_max_bpm=188)

SAMPLES = st.lists(
    st.builds(
        Sample,
        st.floats(0, 1e5),
        st.builds(
            Measurement,
            st.none() | st.integers(0, 65535),
            st.lists(st.floats(0, 64000), max_size=5).map(tuple),
            st.sampled_from([None, True, False]),
        ),
        st.none() | st.floats(30, 240),
        st.floats(0, 1),
    ),
    max_size=20,
)


@given(SAMPLES)
def test_every_sample_is_a_row_and_every_interval_finds_its_row(samples: list[Sample]) -> None:
    record = record_of(FACTS, samples, [], 5.0)
    assert record.t_s.tolist() == [sample.t_s for sample in samples]
    for row, sample in enumerate(samples):
        sent = sample.measurement
        assert record.rr_ms[record.rr_row == row].tolist() == list(sent.rr_ms)
        assert np.isnan(record.hr_bpm[row]) if sent.hr_bpm is None else record.hr_bpm[row] == sent.hr_bpm
        trusted = sample.trusted_bpm
        assert np.isnan(record.trusted_bpm[row]) if trusted is None else record.trusted_bpm[row] == trusted
        assert record.contact[row] == {None: -1, True: 1, False: 0}[sent.contact]
        assert record.quality[row] == sample.quality
    assert len(record.rr_ms) == len(record.rr_row)


def test_an_empty_ride_has_empty_columns_of_the_right_kind() -> None:
    record = Collector(FACTS).record(0.0)
    assert record.t_s.shape == record.trusted_bpm.shape == record.rr_ms.shape == (0,)
    assert record.contact.dtype == np.int8
    assert record.rr_row.dtype == np.int64
    assert record.marks == ()


def test_a_collector_keeps_samples_and_marks_and_nothing_else() -> None:
    sample = Sample(1.0, Measurement(120, (500.0,)), 120.0, 1.0)
    mark = Mark(1.0, "pause", {"why": "key"})
    effects: tuple[Effect, ...] = (Hush(), sample, Notice("strap", "Lost."), mark)
    kept = Collector(FACTS)
    kept.take(effects)
    record = kept.record(2.0)
    assert (len(record.t_s), record.marks, record.duration_s, record.facts) == (1, (mark,), 2.0, FACTS)
