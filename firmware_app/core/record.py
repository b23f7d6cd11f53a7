"""One ride as columns: what the log gives back, a replay collects, and review, evidence and report read.

Effects become a record, and a record becomes the events again that it was made of.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from heapq import merge
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firmware_app.core.events import Effect, Event, Mark, Off, Press, Sample, Slept, Tick
from firmware_app.core.measurement import Measurement


@dataclass(frozen=True)
class RideFacts:
    """What was true of the whole ride when it began.

    started_unix_s: wall time at t_s = 0, mended when the clock was corrected; None when it was never known.
    scheme: the band scheme's name; plan: the session plan's name, or the path of its file where it lies with no others,
    "" for a free ride; target: as the rider wrote it.
    source: "strap", "sim", "replay" or "import".
    """

    hr_max_bpm: int
    hr_rest_bpm: int | None = None
    scheme: str = ""
    plan: str = ""
    target: str = ""
    source: str = "strap"
    started_unix_s: float | None = None

    @property
    def what(self) -> str:
        """What was to be ridden, in a few words."""
        if self.plan:
            return self.plan.rpartition("/")[2].removesuffix(".toml")
        return "free ride" if self.target in ("", "none") else f"target {self.target}"


@dataclass(frozen=True)
class Columns:
    """n measurements of one ride, as columns.

    t_s: shape (n,), seconds since the ride began, not decreasing.
    hr_bpm: shape (n,), as reported, NaN where there was none. trusted_bpm: shape (n,), NaN where none.
    quality: shape (n,), 0 to 1. contact: shape (n,) int8, 1, 0 or -1 for not known.
    rr_ms: shape (m,), every RR interval in order; rr_row: shape (m,), the measurement each came with.
    """

    t_s: NDArray[np.float64]
    hr_bpm: NDArray[np.float64]
    trusted_bpm: NDArray[np.float64]
    quality: NDArray[np.float64]
    contact: NDArray[np.int8]
    rr_ms: NDArray[np.float64]
    rr_row: NDArray[np.int64]


@dataclass(frozen=True)
class RideRecord(Columns):
    """A ride. marks: in order of time. duration_s: from the first event to the last."""

    facts: RideFacts
    marks: tuple[Mark, ...]
    duration_s: float


@dataclass
class Collector:
    """Gathers effects into a RideRecord; what a replay or a simulation without a log uses."""

    facts: RideFacts
    samples: list[Sample] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def take(self, effects: tuple[Effect, ...]) -> None:
        """Keep the samples and marks among the effects."""
        for effect in effects:
            if isinstance(effect, Sample):
                self.samples.append(effect)
            elif isinstance(effect, Mark):
                self.marks.append(effect)

    def record(self, duration_s: float) -> RideRecord:
        """The ride so far, as columns."""
        return record_of(self.facts, self.samples, self.marks, duration_s)


def record_of(facts: RideFacts, samples: list[Sample], marks: list[Mark], duration_s: float) -> RideRecord:
    """Columns from rows. Marks and samples must be in order of time."""
    nan = float("nan")
    return RideRecord(
        t_s=np.array([s.t_s for s in samples], dtype=np.float64),
        hr_bpm=np.array(
            [nan if s.measurement.hr_bpm is None else s.measurement.hr_bpm for s in samples], dtype=np.float64
        ),
        trusted_bpm=np.array([nan if s.trusted_bpm is None else s.trusted_bpm for s in samples], dtype=np.float64),
        quality=np.array([s.quality for s in samples], dtype=np.float64),
        contact=np.array(
            [-1 if s.measurement.contact is None else int(s.measurement.contact) for s in samples], dtype=np.int8
        ),
        rr_ms=np.array([rr for s in samples for rr in s.measurement.rr_ms], dtype=np.float64),
        rr_row=np.array([i for i, s in enumerate(samples) for _ in s.measurement.rr_ms], dtype=np.int64),
        facts=facts,
        marks=tuple(marks),
        duration_s=duration_s,
    )


def events_of(record: RideRecord) -> Iterator[tuple[float, Event]]:
    """What came in on a ride, each event with its time in s: measurements, presses, when the unit was off or slept, in
    order of time, and its end. A ride can sound after its last measurement: then it tells that there are no more.
    """
    rr_of: list[list[float]] = [[] for _ in record.t_s]
    for row, rr_ms in zip(record.rr_row.tolist(), record.rr_ms.tolist(), strict=True):
        rr_of[row].append(rr_ms)
    contacts = {1: True, 0: False, -1: None}
    measured: Iterable[tuple[float, Event]] = (
        (t_s, Measurement(None if hr != hr else int(hr), tuple(rr), contacts[contact]))
        for t_s, hr, rr, contact in zip(
            record.t_s.tolist(), record.hr_bpm.tolist(), rr_of, record.contact.tolist(), strict=True
        )
    )
    # A sleep stands before what ended it.
    yield from merge(_sleeps(record.marks), measured, _marked(record.marks), key=lambda pair: pair[0])
    yield record.duration_s, Tick()


def _sleeps(marks: Iterable[Mark]) -> Iterator[tuple[float, Event]]:
    for mark in marks:
        match (mark.kind, dict(mark.detail)):
            case ("slept", {"from_s": int() | float() as from_s}):
                yield mark.t_s, Slept(from_s)


def _marked(marks: Iterable[Mark]) -> Iterator[tuple[float, Event]]:
    """The events that the log keeps as marks."""
    cut_s = 0.0
    for mark in marks:
        # Of a mark that was saved from a damaged log no more may be known than when it was.
        detail: dict[str, Any] = dict(mark.detail)
        match (mark.kind, detail):
            case ("press", {"key": key, "hold": hold}):
                yield mark.t_s, Press(key, hold)
            case ("pause", {"why": "cut"}):
                cut_s = mark.t_s
            case ("off", {"from_s": from_s}):
                yield mark.t_s, Off(float(from_s))
            case ("resume", {"why": "cut"}):
                yield mark.t_s, Off(cut_s)
