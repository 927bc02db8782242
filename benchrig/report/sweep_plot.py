"""The battery sweep as a plot: how far the reported voltage is off, against the volts at the terminals.

Owns the layout, and which readings of a journal belong together: those whose names end alike, such as
`terminals at 3.30 V up` and `reported at 3.30 V up`. Must not know how a sweep is made.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.records import LimitJudged, ReadingTaken
from benchrig.report.plot_style import BLUE, GREY, VERMILION, new_figure

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from benchrig.records import Record

_NAME = re.compile(r"(terminals|reported) at (.+)")
_MV = 1e3
_COVERAGE = 2.0
"""Bars are expanded uncertainties with k = 2; common practice, no source."""

_LOOKS = {"up": (BLUE, "^"), "down": (VERMILION, "v"), "": (GREY, "o")}
"""Direction by colour and by the shape of the mark."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPoint:
    """One point: volts at the terminals, error of the reported value with its standard uncertainty."""

    terminals_v: float
    error_v: float
    u_v: float
    direction: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepErrors:
    """All points in the order in which they were taken, and the limits of the error if there are any."""

    points: tuple[ErrorPoint, ...]
    low_v: float | None
    high_v: float | None


def sweep_errors(records: Iterable[Record], *, check: str = "battery_sweep") -> SweepErrors:
    """The points of the sweep in a journal; none when it has no sweep. A check that ran again counts anew."""
    readings: dict[tuple[str, str], ReadingTaken] = {}
    low_v = high_v = None
    for record in records:
        if isinstance(record, ReadingTaken) and record.check == check:
            match = _NAME.fullmatch(record.name)
            if match is not None:
                readings[match[1], match[2]] = record
        elif isinstance(record, LimitJudged) and record.check == check and record.limit.split()[0] == "error":
            low_v, high_v = record.low, record.high
    pairs = [
        (readings["terminals", at], one, at)
        for (what, at), one in readings.items()
        if what == "reported" and ("terminals", at) in readings
    ]
    points = [_point(*pair) for pair in pairs]
    return SweepErrors(points=tuple(one for one in points if one is not None), low_v=low_v, high_v=high_v)


def _point(terminals: ReadingTaken, reported: ReadingTaken, at: str) -> ErrorPoint | None:
    if terminals.value is None or reported.value is None:
        return None
    words = at.split()
    return ErrorPoint(
        terminals_v=terminals.value,
        error_v=reported.value - terminals.value,
        u_v=math.hypot(terminals.standard_uncertainty, reported.standard_uncertainty),
        direction=next((word for word in ("up", "down") if word in words), ""),
    )


def sweep_figure(errors: SweepErrors, *, title: str) -> Figure:
    """Close up on the left, and on the right between its limits. Only inside `plot_style`."""
    figure = new_figure(9.0, 4.2, margins_in=(0.75, 0.5, 0.15, 0.55))
    near, far = figure.subplots(1, 2, gridspec_kw={"width_ratios": [3, 1.2], "wspace": 0.16})
    figure.suptitle(title, x=0.01, ha="left", fontsize=10)
    for axes in (near, far):
        _draw_points(axes, errors.points, bars=axes is near)
        axes.axhline(0.0, color=GREY, linewidth=0.6)
        axes.set_xlabel("volts at the terminals, V")
    near.set_ylabel("reported less measured, mV")
    near.set_title("close up; bars: expanded uncertainty, k = 2")
    near.legend(loc="best")
    far.set_title("between its limits")
    for limit_v in (errors.low_v, errors.high_v):
        if limit_v is not None:
            _draw_limit(far, limit_v * _MV)
    return figure


def _draw_limit(axes: Axes, limit_mv: float) -> None:
    axes.axhline(limit_mv, color=VERMILION, linewidth=1.2, linestyle="--")
    axes.annotate(
        f"{limit_mv:g} mV",
        (1.0, limit_mv),
        (0, -11 if limit_mv > 0 else 4),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        ha="right",
        color=VERMILION,
    )


def _draw_points(axes: Axes, points: Sequence[ErrorPoint], *, bars: bool) -> None:
    for direction, (colour, mark) in _LOOKS.items():
        mine = [one for one in points if one.direction == direction]
        if mine:
            axes.errorbar(
                [one.terminals_v for one in mine],
                [one.error_v * _MV for one in mine],
                yerr=[_COVERAGE * one.u_v * _MV for one in mine] if bars else None,
                color=colour,
                marker=mark,
                markersize=5 if bars else 3,
                linewidth=0.8,
                capsize=3,
                label=direction or "point",
            )
