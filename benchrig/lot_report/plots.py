"""The plots of a lot: which checks fail most, and the control charts of a limit.

Owns what is drawn, and what is said of it in words. Shapes and colours are those of the dossier: right in light, in
dark and on paper. A signal is a cross beside discs, so that no colour has to be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.dossier import drawing
from benchrig.dossier.content import Figure
from benchrig.lot_report.figures_text import counted, percent, quantity
from benchrig.report.text import one_line
from benchrig.statistics.run_rules import Rule

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.lot_report.contact import ContactTrend
    from benchrig.lot_report.limit_figures import LimitCharts
    from benchrig.statistics.pareto import FailingCheck
    from benchrig.statistics.run_rules import Signal

_LEFT, _RIGHT = 54.0, 350.0
_BARS = 12
"""Failing checks that are drawn; all of them stand in the table."""

_NAME = 34
"""Letters of a name that have room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line across a panel: a limit, a centre."""

    at: float
    tone: str
    dashed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One chart of a picture. `more` is a second row of points, drawn as a line alone."""

    title: str
    points: tuple[float, ...]
    lines: tuple[Line, ...]
    signals: frozenset[int]
    first: int = 1
    more: tuple[float, ...] = ()
    more_signals: frozenset[int] = frozenset()
    edges: tuple[tuple[float, ...], ...] = ()


def pareto_figure(failing: Sequence[FailingCheck]) -> Figure:
    """Bars, the longest first, with how many boards and the share so far."""
    shown = failing[:_BARS]
    most = max(one.boards for one in shown)
    shapes: list[str] = []
    for number, one in enumerate(shown):
        y = 14.0 + 30.0 * number
        shapes.append(drawing.words(4, y, _short(one.check)))
        shapes.append(
            drawing.words(356, y, f"{counted(one.boards, 'board')}, {percent(one.cumulative)} so far", anchor="end")
        )
        shapes.append(drawing.box(4, y + 4, 352 * one.boards / most, 11, tone="first"))
    told = "; ".join(f"{one.check} {one.boards}" for one in shown[:3])
    alt = f"Failing checks by boards, most first: {told}. All of them stand in the table."
    height = 24.0 + 30.0 * len(shown)
    title = "Checks that attempts 1 failed, by boards" + (f", the first {_BARS}" if len(failing) > _BARS else "")
    return Figure(title=title, svg=drawing.picture(shapes, height=height, label=alt), alt=alt)


def chart_figures(charts: LimitCharts) -> tuple[Figure, Figure]:
    """Single values with their moving ranges; weighted average with cumulative sums."""
    key, unit = charts.figures.series.key, charts.figures.series.key.unit
    location, dispersion, average, sums = charts.pair.location, charts.pair.dispersion, charts.average, charts.sums
    limits = [Line(at=side, tone="fail") for side in (key.low, key.high) if side is not None]
    near = [one for one in limits if _is_near(one.at, location.points, location.low, location.high)]
    values = Panel(
        title=f"single values{_limit_words(near, limits)}",
        points=location.points,
        lines=(*_control(location.low, location.centre.value, location.high), *near),
        signals=_numbers(location.signals),
    )
    ranges = Panel(
        title="moving range",
        points=dispersion.points,
        lines=_control(dispersion.low, dispersion.centre.value, dispersion.high),
        signals=_numbers(dispersion.signals),
        first=2,
    )
    averages = Panel(
        title="weighted average",
        points=average.averages,
        lines=(Line(at=average.target, tone="soft"),),
        signals=_numbers(average.signals),
        edges=(average.lows, average.highs),
    )
    both = Panel(
        title="cumulative sums, above and below",
        points=sums.above,
        more=tuple(-one for one in sums.below),
        lines=_control(-sums.limit, 0.0, sums.limit),
        signals=_numbers([one for one in sums.signals if one.rule is Rule.SUM_ABOVE_LIMIT]),
        more_signals=_numbers([one for one in sums.signals if one.rule is Rule.SUM_BELOW_LIMIT]),
    )
    name = f"{key.check}: {key.limit}"
    return (
        _picture(f"{name}, one board after the other", (values, ranges), unit, charts.figures.statistics.deviation),
        _picture(f"{name}, charts that remember", (averages, both), unit, charts.figures.statistics.deviation),
    )


def contact_figure(found: ContactTrend) -> Figure:
    """Resistance over the seatings."""
    points = tuple(one.ohm for one in found.seatings)
    level = () if found.trend is None else (Line(at=found.trend.level.value, tone="soft"),)
    panel = Panel(title="lead and contact", points=points, lines=level, signals=frozenset())
    return _picture(f"contact fixture {found.fixture}, one seating after the other", (panel,), "ohm", None)


def _control(low: float, centre: float, high: float) -> tuple[Line, ...]:
    return Line(at=low, tone="ink", dashed=True), Line(at=centre, tone="soft"), Line(at=high, tone="ink", dashed=True)


def _numbers(signals: Sequence[Signal]) -> frozenset[int]:
    return frozenset(one.number for one in signals)


def _is_near(limit: float, points: Sequence[float], low: float, high: float) -> bool:
    """Whether a limit can be drawn without pressing the points into a line."""
    least, most = min(low, *points), max(high, *points)
    return least - (most - least) <= limit <= most + (most - least)


def _limit_words(near: Sequence[Line], limits: Sequence[Line]) -> str:
    if near:
        return "; full lines: limits of the profile"
    return "; limits are off the scale" if limits else ""


def _picture(title: str, panels: Sequence[Panel], unit: str, deviation: float | None) -> Figure:
    shapes: list[str] = []
    for number, panel in enumerate(panels):
        shapes += _panel(panel, 16.0 + 132.0 * number, unit, deviation)
    height = 22.0 + 132.0 * len(panels)
    shapes.append(drawing.words(_LEFT, height - 6, "● board, ✗ signal; dashed: control limits", tone="soft"))
    count = sum(len(panel.signals | panel.more_signals) for panel in panels)
    ends = ", ".join(
        f"{panel.title.split(';')[0]} from {quantity(min(panel.points), unit, deviation=deviation)} to "
        f"{quantity(max(panel.points), unit, deviation=deviation)}"
        for panel in panels
        if panel.points
    )
    alt = f"{one_line(title)}: {len(panels[0].points)} points; {ends}; {count or 'no'} points with a signal."
    return Figure(title=title, svg=drawing.picture(shapes, height=height, label=alt), alt=alt)


def _panel(panel: Panel, top: float, unit: str, deviation: float | None) -> Iterator[str]:
    bottom = top + 100.0
    everything = [
        *panel.points,
        *panel.more,
        *(one.at for one in panel.lines),
        *(y for row in panel.edges for y in row),
    ]
    low, high = _span(everything)
    last = panel.first + max(len(panel.points) - 1, 1)

    def x(number: float) -> float:
        return _LEFT + 6 + (number - panel.first) / (last - panel.first) * (_RIGHT - _LEFT - 12)

    def y(value: float) -> float:
        return bottom - (value - low) / (high - low) * (bottom - top)

    yield drawing.words(_LEFT, top - 4, panel.title, tone="soft")
    for value in drawing.round_steps(low, high, most=4):
        yield drawing.line(_LEFT, y(value), _RIGHT, y(value), tone="grid")
        yield drawing.words(_LEFT - 4, y(value) + 3, _tick(value, high - low, unit), anchor="end", size=9)
    for number in drawing.round_steps(float(panel.first), float(last), most=6):
        if number == round(number):
            yield drawing.words(x(number), bottom + 12, f"{number:.0f}", anchor="middle", size=9)
    for one in panel.lines:
        yield drawing.line(_LEFT, y(one.at), _RIGHT, y(one.at), tone=one.tone, dashed=one.dashed)
    for edge in panel.edges:
        yield drawing.path([(x(panel.first + at), y(value)) for at, value in enumerate(edge)], tone="ink")
    for row, signals, tone in (
        (panel.points, panel.signals, "first"),
        (panel.more, panel.more_signals, "second"),
    ):
        places = [(x(panel.first + at), y(value)) for at, value in enumerate(row)]
        if places:
            yield drawing.path(places, tone=tone)
        yield from (_mark(place, is_signal=at + 1 in signals, tone=tone) for at, place in enumerate(places))


def _mark(place: tuple[float, float], *, is_signal: bool, tone: str) -> str:
    x, y = place
    return drawing.cross(x, y, tone="fail") if is_signal else drawing.disc(x, y, 2.2, tone=tone)


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = 0.08 * (high - low) or abs(high) * 0.1 or 1.0
    return low - room, high + room


def _tick(value: float, span: float, unit: str) -> str:
    """Short enough for the margin: to a tenth or a hundredth of what is shown, in a prefix of its own."""
    return quantity(value, unit, deviation=span) if value else "0"


def _short(name: str) -> str:
    name = one_line(name)
    return name if len(name) <= _NAME else f"{name[: _NAME - 1]}…"
