"""A strap that says the same again and again: when that may be a heart, and when it is not."""

from __future__ import annotations

from firmware_app.core.measurement import Measurement

STUCK_PACKETS = 8
"""A strap that sends the same packet, RR intervals and all, so often in a row is stuck (own choice)."""

_STUCK_WITHOUT_RR_S = 120.0  # a strap that averages long can say one number for most of a minute, and be right
_STUCK_WHERE_RR_WAS_S = 4.0
_STUCK_WITH_RR = 60
_STUCK_UNLIKE = 6  # so many intervals of packets that are not all alike come again word for word from no heart
_ALIKE_BEATS = 6
_ALIKE_LOST = 0.1  # of the time, what intervals that are a heart may leave untold
_STUCK_ALIKE_S = 120.0  # where a strap counts in coarse ticks, a steady heart sends nothing but one interval for long


class Repeats:
    """A strap that says the same for longer than a living heart does."""

    __slots__ = ("_last", "_last_rr_ms", "_packet_since_s", "_packets", "_report_since_s", "_report_stuck", "_rrs")

    def __init__(self) -> None:
        self._last: Measurement | None = None
        self._last_rr_ms = 0.0
        self._packets = 0  # how often the last packet came again,
        self._packet_since_s = 0.0  # and since when
        self._rrs = 0  # how often the last RR interval came again
        self._report_since_s = 0.0  # since when the reported heart rate is the same
        self._report_stuck = False

    @property
    def alike(self) -> bool:
        """Whether the last interval came so often in a row that it may be the strap's and not the heart's."""
        return self._rrs >= _ALIKE_BEATS

    def stuck(self, measurement: Measurement, t_s: float, rr_usual: bool) -> bool:
        """Take one measurement; rr_usual: whether this strap is known to send RR intervals."""
        last, self._last = self._last, measurement
        same_report = last is not None and measurement.hr_bpm == last.hr_bpm
        if not same_report:
            self._report_since_s = t_s
            self._report_stuck = False
        for rr_ms in measurement.rr_ms:
            self._rrs = self._rrs + 1 if rr_ms == self._last_rr_ms else 0
            self._last_rr_ms = rr_ms
        same_s = t_s - self._report_since_s
        if measurement.rr_ms:
            same = same_report and last is not None and measurement.rr_ms == last.rr_ms
            self._packets = self._packets + 1 if same else 0
            if len(set(measurement.rr_ms)) > 1 and self._packets * len(measurement.rr_ms) >= _STUCK_UNLIKE:
                return True
            if not same:
                self._packet_since_s = t_s
            if self._rrs >= _STUCK_WITH_RR and same_s > _STUCK_ALIKE_S:
                return True
            return self._packets >= STUCK_PACKETS and not self._may_be_alike(measurement.rr_ms, t_s)
        # Once stuck, until it changes: that no RR intervals come any more does not make it right.
        self._report_stuck |= same_s > (_STUCK_WHERE_RR_WAS_S if rr_usual else _STUCK_WITHOUT_RR_S)
        return self._report_stuck

    def _may_be_alike(self, rr_ms: tuple[float, ...], t_s: float) -> bool:
        """Whether a packet that comes again may be a steady heart in coarse ticks: one interval, and no time lost."""
        since_s = t_s - self._packet_since_s
        told_s = self._packets * sum(rr_ms) / 1000
        return len(set(rr_ms)) == 1 and abs(told_s - since_s) < _ALIKE_LOST * since_s and since_s < _STUCK_ALIKE_S
