"""Plots as SVG that takes the page's inks: every colour is a CSS variable, every word stays a word.

matplotlib is imported only when a plot is drawn. It draws in stand-in colours, which are swapped for the variables
afterwards; so one picture serves day, night and paper.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from html import escape
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from firmware_app.core.bands import BandTable
from firmware_app.core.events import Mark
from firmware_app.core.review import ALARM_NAMES, RECOVERY_S, Review, Timeline
from firmware_app.core.times import rounded_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, QUIET, ACCENT, PAPER = "#010101", "#020202", "#030303", "#040404"
_VARIABLES = {INK: "var(--ink)", QUIET: "var(--quiet)", ACCENT: "var(--accent)", PAPER: "var(--paper)"}

HOUR_S = 3600
"""From here on the plot of a ride counts hours and minutes, before it minutes and seconds."""

WIDTH_PT = 400
"""The width of every plot: so narrow that its words can still be read when a phone shrinks it."""

LEAST_BPM = 20
"""What the heart rates of the weeks are drawn over at least: a beat more or less is no news."""


class PlotError(Exception):
    """No plot can be drawn; the text says what to do."""


class Canvas:
    """One picture: ``rows`` of axes below one another, with heights in points; ``svg`` once it is drawn."""

    def __init__(self, name: str, label: str, heights_pt: Sequence[int]) -> None:
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure

        self._name, self._label = name, label
        top_pt, left_pt, right_pt, foot_pt, gap_pt = 20, 34, 104, 32, 8
        high_pt = top_pt + sum(heights_pt) + gap_pt * (len(heights_pt) - 1) + foot_pt
        self._figure = Figure(figsize=(WIDTH_PT / 72, high_pt / 72))
        FigureCanvasSVG(self._figure)
        self.rows: list[Axes] = []
        at_pt = high_pt - top_pt
        for height_pt in heights_pt:
            at_pt -= height_pt
            wide = (WIDTH_PT - left_pt - right_pt) / WIDTH_PT
            axes = self._figure.add_axes((left_pt / WIDTH_PT, at_pt / high_pt, wide, height_pt / high_pt))
            axes.set_facecolor("none")
            self.rows.append(axes)
            at_pt -= gap_pt
        self._figure.patch.set_visible(False)

    def svg(self) -> str:
        """The picture as an ``svg`` element without a fixed size, to be put into a page."""
        import matplotlib

        out = StringIO()
        # The salt keeps the names inside one picture apart from those inside the next, and the same from run to run.
        with matplotlib.rc_context({"svg.hashsalt": self._name}):
            self._figure.savefig(out, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
        svg = out.getvalue()
        svg = svg[svg.index("<svg") :]
        svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
        svg = re.sub(r'<g id="[^"]*"', "<g", svg)
        svg = re.sub(
            r'<svg [^>]*viewBox="([^"]*)"[^>]*>',
            rf'<svg viewBox="\1" role="img" aria-label="{escape(self._label)}">',
            svg,
        )
        for colour, variable in _VARIABLES.items():
            svg = svg.replace(colour, variable)
        return svg


@contextmanager
def _style() -> Iterator[None]:
    try:
        import matplotlib
    except ImportError as error:
        pip = Path(sys.prefix) / "bin" / "pip"
        what = "the pages need matplotlib for their plots"
        raise PlotError(f"{what}; in your clone: {pip} install '.[report]'") from error

    with matplotlib.rc_context(
        {
            "svg.fonttype": "none",
            "font.family": "sans-serif",
            "font.sans-serif": ["system-ui", "DejaVu Sans", "sans-serif"],
            "font.size": 11,
            "text.color": INK,
            "axes.edgecolor": QUIET,
            "axes.labelcolor": QUIET,
            "axes.linewidth": 0.8,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "xtick.color": QUIET,
            "ytick.color": QUIET,
            "hatch.color": QUIET,
            "hatch.linewidth": 0.7,
        }
    ):
        yield


def ride(time: Timeline, marks: Sequence[Mark], review: Review, bands: BandTable) -> str:
    """The trusted heart rate over the lane, with the bands beside it and alarms, gaps and pauses below.

    Raises PlotError when the plotting library is missing.
    """
    alarms = [kind for kind in ALARM_NAMES if any(alarm.kind == kind for alarm in review.alarms)]
    strips = [ALARM_NAMES[kind] for kind in alarms] + ["unknown"] + (["paused"] if review.paused_s else [])
    with _style():
        canvas = Canvas("ride", "Heart rate over the ride", [210, 15 * len(strips)])
        top, below = canvas.rows
        # One axis of time: an alarm has to stand under the moment that raised it.
        below.sharex(top)
        _lane(top, time)
        minutes, bpm = _line(time)
        top.plot(minutes, bpm, color=ACCENT, linewidth=1.3, solid_joinstyle="round")
        low, high = _limits(bpm, time, bands)
        top.set_ylim(low, high)
        _bands(top, bands, low, high)
        _step_lines(top, marks)
        _effort_numbers(top, review)
        _beats_axis(top)
        top.tick_params(labelbottom=False)
        _strips(below, time, review, alarms, strips)
        _time_axis(below, max(time.duration_ms / 1000, 1))
        return canvas.svg()


def _effort_numbers(axes: Axes, review: Review) -> None:
    for number, effort in enumerate(review.recoveries, start=1):
        at_s = effort.until_s if effort.t_s is None else effort.t_s
        axes.annotate(
            str(number),
            (at_s / 60, effort.peak_bpm),
            (0, 3),
            textcoords="offset points",
            ha="center",
            color=INK,
            fontsize=10,
            fontweight="bold",
        )


def _strips(axes: Axes, time: Timeline, review: Review, alarms: list[str], names: list[str]) -> None:
    """A row for each kind of alarm, one for what is unknown, and one for pauses where ``names`` has it."""
    for row, kind in enumerate(alarms):
        for alarm in review.alarms:
            if alarm.kind == kind:
                _span(axes, row, alarm.t_s, alarm.t_s + (alarm.answered_s or 0), color=INK)
                axes.plot([alarm.t_s / 60] * 2, [row - 0.4, row + 0.4], color=INK, linewidth=1.2)
    unknown = time.ridden & ~np.isfinite(time.bpm)
    for start_s, end_s in _stretches(time, unknown):
        _span(axes, len(alarms), start_s, end_s, hatch="/////", facecolor="none", edgecolor=QUIET)
    for start_s, end_s in _stretches(time, ~time.ridden):
        _span(axes, len(alarms) + 1, start_s, end_s, color=QUIET)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_yticks([])
    for row, name in enumerate(names):
        axes.annotate(name, (1.02, row), xycoords=("axes fraction", "data"), color=QUIET, fontsize=10, va="center")
    axes.spines[["left", "right"]].set_visible(False)


def recoveries(time: Timeline, review: Review) -> str:
    """How far the heart rate fell in the two minutes after each hard effort. Raises PlotError as ``ride`` does."""
    bpm = time.bpm[time.by_second()]
    with _style():
        canvas = Canvas("recoveries", "Fall of the heart rate after each hard effort", [150])
        (axes,) = canvas.rows
        # More names than this are pushed so far from where their lines end that they name nothing; the table has them.
        named = len(review.recoveries) <= 6
        ends: list[tuple[float, str]] = []
        for number, effort in enumerate(review.recoveries, start=1):
            if effort.t_s is None or effort.fall_bpm is None:
                continue
            curve = bpm[int(effort.t_s) : int(effort.t_s) + 2 * RECOVERY_S + 1]
            fall = curve - curve[0]
            axes.plot(np.arange(curve.size), fall, color=INK, linewidth=1.1)
            axes.plot([RECOVERY_S], [fall[RECOVERY_S]], "o", color=ACCENT, markersize=4)
            last = int(np.flatnonzero(np.isfinite(fall))[-1])
            if named:
                ends.append((float(fall[last]), str(number)))
        _right_labels(axes, ends)
        axes.axvline(RECOVERY_S, color=QUIET, linewidth=0.7, linestyle=(0, (2, 2)))
        axes.set_xlim(0, 2 * RECOVERY_S)
        axes.set_xticks(range(0, 2 * RECOVERY_S + 1, 30), ["0", "30 s", "1 min", "90 s", "2 min"])
        _beats_axis(axes)
        return canvas.svg()


def columns(
    name: str,
    label: str,
    mondays: Sequence[date],
    rows: Sequence[tuple[str, Sequence[float | None]]],
    height_pt: int,
    highest: float | None = None,
) -> str:
    """Columns by week, one row of them for each (row label, values); all rows share one scale. None draws nothing.

    highest: the end of the scale, None for the highest value. Raises PlotError as ``ride`` does.
    """
    if highest is None:
        highest = max((value or 0 for _, values in rows for value in values), default=0) or 1
    with _style():
        from matplotlib.ticker import MaxNLocator

        canvas = Canvas(name, label, [height_pt] * len(rows))
        for axes, (row_label, values) in zip(canvas.rows, rows, strict=True):
            axes.bar(range(len(mondays)), [value or 0 for value in values], width=0.7, color=INK)
            axes.set_ylim(0, highest * 1.05)
            axes.annotate(row_label, (1.02, 0), xycoords="axes fraction", fontsize=10, va="bottom")
            if height_pt < 60:
                axes.set_yticks([])
                axes.spines["left"].set_visible(False)
            else:
                axes.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True, min_n_ticks=1))
            _week_axis(axes, mondays, last=axes is canvas.rows[-1])
        return canvas.svg()


def hearts(
    mondays: Sequence[date],
    hr_max_bpm: Sequence[float | None],
    peak_bpm: Sequence[float | None],
    rest_bpm: Sequence[float | None],
    estimates: Sequence[tuple[float, float, float] | None],
) -> str:
    """Maximum, its estimate (low, value, high), peak and resting heart rate by week. Raises PlotError as ``ride``."""
    rows: tuple[tuple[str, Sequence[float | None], Literal["-", "o", "--"]], ...] = (
        ("maximum", hr_max_bpm, "-"),
        ("peak", peak_bpm, "o"),
        ("rest", rest_bpm, "--"),
    )
    with _style():
        canvas = Canvas("hearts", "Maximum, peak and resting heart rate by week", [170])
        (axes,) = canvas.rows
        for at, one in enumerate(estimates):
            if one is not None:
                axes.plot([at, at], [one[0], one[2]], color=ACCENT, linewidth=1.2)
                axes.plot([at - 0.25, at + 0.25], [one[1], one[1]], color=ACCENT, linewidth=1.2)
        ends: list[tuple[float, str]] = []
        for name, values, style in rows:
            known = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
            if style == "o":
                axes.plot(range(len(mondays)), known, style, color=INK, markersize=3.5)
            else:
                # A level holds for its week and then jumps: a slope would tell of a change that nobody made.
                edges = np.arange(len(mondays) + 1) - 0.5
                axes.stairs(known, edges, baseline=None, color=INK, linewidth=1.2, linestyle=style)
            if np.isfinite(known).any():
                last_bpm = float(known[np.isfinite(known)][-1])
                ends.append((last_bpm, f"{name} {last_bpm:.0f}"))
        axes.margins(y=0.08)
        low, high = axes.get_ylim()
        low = max(0, min(low, (low + high - LEAST_BPM) / 2))
        axes.set_ylim(low, max(high, low + LEAST_BPM))
        _right_labels(axes, ends)
        _beats_axis(axes)
        _week_axis(axes, mondays, last=True)
        return canvas.svg()


def _right_labels(axes: Axes, ends: Sequence[tuple[float, str]]) -> None:
    """A name for each line, beside the value where it ends, pushed down where names would lie on one another."""
    low, high = axes.get_ylim()
    apart = (high - low) / 13
    place = float("inf")
    for value, name in sorted(ends, reverse=True):
        place = min(value, place - apart)
        low = min(low, place - apart / 2)
        axes.annotate(name, (1.02, place), xycoords=("axes fraction", "data"), va="center", fontsize=10)
    axes.set_ylim(low, high)


def _beats_axis(axes: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.yaxis.set_major_locator(MaxNLocator(nbins=8, steps=[1, 2, 5, 10], integer=True))
    axes.annotate("bpm", (0, 1), (-4, 8), xycoords="axes fraction", textcoords="offset points", color=QUIET, ha="right")


def _week_axis(axes: Axes, mondays: Sequence[date], last: bool) -> None:
    every = max(1, -(-len(mondays) // 5))
    at = list(range(len(mondays) - 1, -1, -every))[::-1]
    axes.set_xlim(-0.6, len(mondays) - 0.4)
    axes.set_xticks(at, [f"{mondays[i].day} {mondays[i]:%b}" for i in at] if last else [])


def _line(time: Timeline) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """At most some 1200 points: the mean of the known seconds in each, NaN where there is none."""
    bpm = time.bpm[time.by_second()] if time.start_ms.size else np.empty(0)
    per = max(1, -(-bpm.size // 1200))
    bpm = np.append(bpm, np.full(-bpm.size % per, np.nan)).reshape(-1, per)
    known = np.isfinite(bpm)
    count = known.sum(axis=1)
    mean = np.where(count > 0, np.where(known, bpm, 0).sum(axis=1) / np.maximum(count, 1), np.nan)
    return (np.arange(mean.size) * per + per / 2) / 60, mean


def _limits(bpm: NDArray[np.float64], time: Timeline, bands: BandTable) -> tuple[float, float]:
    seen = np.concatenate((bpm, time.low_bpm[time.low_bpm > 0], time.high_bpm))
    seen = seen[np.isfinite(seen)]
    if not seen.size:
        return 60.0, float(bands.hr_max_bpm)
    return float(np.floor(seen.min() - 5)), float(np.ceil(seen.max() + 14))


def _lane(axes: Axes, time: Timeline) -> None:
    """The lane and its two ridged edges."""
    if not time.start_ms.size:
        return
    moves = (time.low_bpm[1:] != time.low_bpm[:-1]) | (time.high_bpm[1:] != time.high_bpm[:-1])
    starts = np.concatenate(([0], np.flatnonzero(moves) + 1))
    for first, after in zip(starts, [*starts[1:], time.start_ms.size], strict=True):
        low, high = time.low_bpm[first], time.high_bpm[first]
        if not np.isfinite(low):
            continue
        end_ms = time.start_ms[after - 1] + time.span_ms[after - 1]
        minutes = [time.start_ms[first] / 60_000, end_ms / 60_000]
        axes.fill_between(minutes, low, high, color=QUIET, alpha=0.14, linewidth=0)
        for edge in (low, high):
            if edge > 0:
                axes.plot(
                    minutes, [edge, edge], color=INK, linewidth=2.4, linestyle=(0, (0.5, 0.9)), dash_capstyle="butt"
                )


def _bands(axes: Axes, bands: BandTable, low: float, high: float) -> None:
    """Band limits as thin lines, number and name beside them where there is room."""
    edges = [0, *bands.limits_bpm, max(high, bands.hr_max_bpm)]
    room = (high - low) / 19
    for band, under, over in zip(bands.scheme.bands, edges, edges[1:], strict=False):
        if low < under < high:
            axes.axhline(under, color=QUIET, linewidth=0.5)
        bottom, top = max(under, low), min(over, high)
        if top - bottom >= room:
            axes.annotate(f"{band.number} {band.name}", (1.02, (bottom + top) / 2), color=QUIET, fontsize=10,
                          xycoords=("axes fraction", "data"), va="center")  # fmt: skip


def _step_lines(axes: Axes, marks: Sequence[Mark]) -> None:
    steps = [mark for mark in marks if mark.kind == "step"]
    for mark in steps if len(steps) > 1 else ():
        index = mark.detail.get("index")
        if isinstance(index, int):
            axes.plot([mark.t_s / 60] * 2, [0.97, 1], color=INK, linewidth=0.9, transform=axes.get_xaxis_transform())


def _stretches(time: Timeline, which: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """From and until, in s, of every stretch of neighbouring pieces."""
    padded = np.diff(np.concatenate(([0], which.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(padded == 1), np.flatnonzero(padded == -1) - 1
    until_ms = time.start_ms + time.span_ms
    return [(time.start_ms[a] / 1000, until_ms[b] / 1000) for a, b in zip(starts, ends, strict=True)]


def _span(axes: Axes, row: int, start_s: float, end_s: float, **style: Any) -> None:
    axes.barh(row, (end_s - start_s) / 60, left=start_s / 60, height=0.6, linewidth=0.5, **style)


_TICKS_S = (1, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)
"""How far the ticks of a ride may be apart: round times."""


def _time_axis(axes: Axes, duration_s: float) -> None:
    """Minutes from 0 to the end, with at most six steps, labelled m:ss under an hour and h:mm from there."""
    step_s = next((step_s for step_s in _TICKS_S if duration_s <= 6 * step_s), _TICKS_S[-1])
    ticks_s = range(0, int(duration_s) + 1, step_s)
    labels = [f"{s // HOUR_S}:{s % HOUR_S // 60:02d}" if duration_s >= HOUR_S else rounded_time(s) for s in ticks_s]
    axes.set_xlim(0, duration_s / 60)
    axes.set_xticks([s / 60 for s in ticks_s], labels)
