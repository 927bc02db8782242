"""All judged values of a run against their limits, a row for each, on one scale.

Owns the scale: 0 is the middle between two limits, -1 the low one, +1 the high one. With a single limit 0 is
a value of nothing for a high one, and twice the limit for a low one. Must not know what was measured.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from benchrig.records import LimitJudged, Verdict
from benchrig.report.numbers import limits_text, measured_text
from benchrig.report.plot_style import BLACK, GREEN, GREY, VERDICT_COLOURS, VERDICT_MARKS, new_figure
from benchrig.report.text import one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from benchrig.records import Record

_EDGE = 1.6
"""What lies further out is drawn here, with an arrow."""

_END = _EDGE + 0.1
"""Where the scale ends."""

_ROWS = 60
"""More rows than this are a list, not a picture."""

_LONGEST_NAME = 100
_ROW_IN, _SCALE_IN = 0.21, 3.4
_LETTER_IN = 0.058
"""Width of a letter of 7 points, on average and a little over."""


class Placed(NamedTuple):
    """A value on the scale, and half of its expanded uncertainty's bar; NaN for no number."""

    at: float
    half: float


def place(judged: LimitJudged) -> Placed:
    """Where a value lies between its limits."""
    if judged.value is None or not math.isfinite(judged.value):
        return Placed(math.nan, 0.0)
    spread = judged.expanded_uncertainty or 0.0
    zero, unit = _scale(judged)
    return Placed((judged.value - zero) / unit, spread / abs(unit))


def _scale(judged: LimitJudged) -> tuple[float, float]:
    """What is 0, and how much is 1."""
    low, high, value = judged.low, judged.high, judged.value or 0.0
    if low is not None and high is not None and high > low:
        return 0.5 * (low + high), 0.5 * (high - low) or 1.0  # half of the smallest number is 0
    if high is not None:
        unit = abs(high) or max(abs(value - high), judged.expanded_uncertainty or 0.0) or 1.0
        return high - unit, unit
    if low is not None:
        unit = abs(low) or max(abs(value - low), judged.expanded_uncertainty or 0.0) or 1.0
        return low + unit, unit
    return value, 1.0


def judged_limits(records: Iterable[Record]) -> tuple[LimitJudged, ...]:
    """The values that were held against a limit, in the order of the journal."""
    return tuple(
        one for one in records if isinstance(one, LimitJudged) and (one.low is not None or one.high is not None)
    )


def rows_worth_seeing(rows: Sequence[LimitJudged], *, most: int = _ROWS) -> tuple[LimitJudged, ...]:
    """At most `most` of them in their order: those that did not pass first of all, then the nearest to a limit."""
    ranked = sorted(range(len(rows)), key=lambda at: (rows[at].verdict is Verdict.PASS, _room(rows[at])))
    return tuple(rows[at] for at in sorted(ranked[:most]))


def _room(judged: LimitJudged) -> float:
    """How far a value is from its nearer limit, on the scale of the plot; no number has none."""
    at = place(judged).at
    if math.isnan(at):
        return -math.inf
    below = math.inf if judged.low is None else at + 1.0
    above = math.inf if judged.high is None else 1.0 - at
    return min(below, above)


def limits_figure(rows: Sequence[LimitJudged], *, title: str) -> Figure:
    """A row for each value, the first on top. Only inside `plot_style`."""
    left_in, right_in = (
        0.2 + _LETTER_IN * max(len(text) for text in texts)
        for texts in (list(map(_name, rows)), list(map(_told, rows)))
    )
    margins_in = (left_in, 0.75, right_in, 0.35)
    figure = new_figure(left_in + _SCALE_IN + right_in, 1.1 + _ROW_IN * len(rows), margins_in=margins_in)
    axes = figure.subplots()
    figure.suptitle(title, x=0.01, ha="left", fontsize=10)
    axes.axvspan(-1.0, 1.0, color=GREEN, alpha=0.10, linewidth=0)
    for x in (-1.0, 1.0):
        axes.axvline(x, color=GREY, linewidth=1.0)
    for number, judged in enumerate(rows):
        _draw_row(axes, judged, len(rows) - 1 - number)
    axes.set_yticks(range(len(rows)), [_name(judged) for judged in reversed(rows)], fontsize=7)
    axes.set_ylim(-0.7, len(rows) - 0.3)
    axes.set_xlim(-_END, _END)
    axes.set_xticks([-1.0, 0.0, 1.0], ["low limit", "", "high limit"])
    axes.grid(visible=False)
    beside = axes.secondary_yaxis("right")
    beside.set_yticks(range(len(rows)), [_told(judged) for judged in reversed(rows)], fontsize=7)
    for each in (axes, beside):
        each.tick_params(axis="y", length=0)
    _draw_legend(axes, rows)
    return figure


def _draw_row(axes: Axes, judged: LimitJudged, y: int) -> None:
    placed = place(judged)
    colour = VERDICT_COLOURS[judged.verdict]
    mark = _mark(judged.verdict)
    axes.axhline(y, color="#EEEEEE", linewidth=0.5, zorder=0)
    _open_side(axes, judged, y)
    if math.isnan(placed.at):
        axes.text(0.0, y, "no number", ha="center", va="center", fontsize=7, color=colour)
        return
    at = max(-_EDGE, min(_EDGE, placed.at))
    if abs(placed.at) > _EDGE:
        mark = "<" if placed.at < 0 else ">"
    left, right = max(-_EDGE, placed.at - placed.half), min(_EDGE, placed.at + placed.half)
    if left < right:
        axes.plot([left, right], [y, y], color=BLACK, linewidth=1.0, zorder=2)
    axes.plot([at], [y], marker=mark, color=colour, markersize=6, markeredgecolor=BLACK, markeredgewidth=0.4, zorder=3)


def _open_side(axes: Axes, judged: LimitJudged, y: int) -> None:
    """A side without a limit has no border: the accepted range goes on to the end of the scale."""
    if judged.low is None or judged.high is None:
        bar = (-_END, _END - 1.0) if judged.low is None else (1.0, _END - 1.0)
        axes.broken_barh([bar], (y - 0.5, 1.0), color=GREEN, alpha=0.10, linewidth=0)
        axes.plot([-1.0 if judged.low is None else 1.0] * 2, [y - 0.5, y + 0.5], color="white", linewidth=1.5)


def _draw_legend(axes: Axes, rows: Sequence[LimitJudged]) -> None:
    from matplotlib.lines import Line2D  # noqa: PLC0415

    seen = [verdict for verdict in Verdict if any(judged.verdict is verdict for judged in rows)]
    handles = [
        Line2D(
            [], [], linestyle="", marker=_mark(one), color=VERDICT_COLOURS[one], markeredgecolor=BLACK, label=one.value
        )
        for one in seen
    ]
    axes.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.9 / max(4, len(rows))), ncols=6, fontsize=8
    )


def _mark(verdict: Verdict) -> str:
    return VERDICT_MARKS.get(verdict, "s")


def _name(judged: LimitJudged) -> str:
    """As much of it as a plot has room for: a journal's text may be of any length."""
    return one_line(f"{judged.check}: {judged.limit}")[:_LONGEST_NAME]


def _told(judged: LimitJudged) -> str:
    return f"{measured_text(judged)}   [{limits_text(judged)}]"
