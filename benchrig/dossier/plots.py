"""The plots of a dossier, drawn from the records of a run and from trace lines that are handed in.

Owns which plots there are and what each says in words. Must not read files. They are smaller and plainer than those
beside the journal: they have to be right on a phone, in the dark and on paper, and to be drawn in milliseconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeGuard

from benchrig.dossier import drawing
from benchrig.dossier.content import Figure
from benchrig.dossier.palette import tone
from benchrig.quantity import format_quantity
from benchrig.records import Verdict
from benchrig.report.limits_plot import judged_limits, place, rows_worth_seeing
from benchrig.report.numbers import limits_text, measured_text
from benchrig.report.sweep_plot import sweep_errors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from benchrig.records import LimitJudged, Record
    from benchrig.report.sweep_plot import ErrorPoint, SweepErrors

_MV = 1e3
_COVERAGE = 2.0
"""Bars are expanded uncertainties with k = 2; common practice, no source."""

_ROWS = 20
_ROW_HEIGHT = 27.0
_MIDDLE, _UNIT, _EDGE = 180.0, 100.0, 1.6
_LETTER = 6.1
"""Width of a letter of 10 units, on average and a little over."""

_LARGEST = 1e6
"""Volts or amperes: more than any board of this kind could have. Own choice."""

_LEAST_A = 1e-9
_DECADES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceLine:
    """A current trace as a line of few points: seconds and ampere, None where nothing was measured."""

    title: str
    check: str
    times_s: tuple[float, ...]
    currents_a: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """Where a plot's axes lie, and how values become places."""

    left: float = 46.0
    right: float = 350.0
    top: float = 14.0
    bottom: float = 170.0
    x_from: float
    x_to: float
    y_from: float
    y_to: float

    def x(self, value: float) -> float:
        return self.left + (value - self.x_from) / (self.x_to - self.x_from) * (self.right - self.left)

    def y(self, value: float) -> float:
        return self.bottom - (value - self.y_from) / (self.y_to - self.y_from) * (self.bottom - self.top)


def figures(records: Sequence[Record], traces: Sequence[TraceLine]) -> tuple[Figure, ...]:
    """Every plot that the records have something for. A line without a number is none."""
    errors = sweep_errors(records)
    errors = replace(errors, points=tuple(one for one in errors.points if _can_be_drawn(one)))
    found = [_sweep(errors)] if errors.points else []
    found += [_trace(one) for one in traces if any(_is_number(value) for value in one.currents_a)]
    rows = judged_limits(records)
    return (*found, *([_limits(rows)] if rows else []))


# ---- sweep -----------------------------------------------------------------------------------------------


def _sweep(errors: SweepErrors) -> Figure:
    low_mv, high_mv = _span([0.0, *(value * _MV for one in errors.points for value in _bar(one))], share=0.12)
    low_v, high_v = _span([one.terminals_v for one in errors.points], share=0.06)
    frame = _Frame(x_from=low_v, x_to=high_v, y_from=low_mv, y_to=high_mv)
    shapes = [*_axes(frame, x_unit="V", y_unit="mV"), drawing.line(46, frame.y(0), 350, frame.y(0), tone="soft")]
    for way, its_tone in (("up", "first"), ("down", "second"), ("", "soft")):
        shapes += _points(frame, [one for one in errors.points if one.direction == way], its_tone, up=way != "down")
    shapes.append(drawing.words(46, 202, "▲ going up, ▼ going down; bars: U, k = 2", tone="soft"))
    shapes += _between(errors)
    worst = max(errors.points, key=lambda one: abs(one.error_v))
    alt = (
        f"Reported less measured battery voltage at {len(errors.points)} points; largest "
        f"{worst.error_v * _MV:.2f} mV at {worst.terminals_v:.3f} V{_limits_words(errors)}."
    )
    return Figure(
        title="Battery sweep: reported less measured, mV, over volts at the terminals",
        svg=drawing.picture(shapes, height=250, label=alt),
        alt=alt,
    )


def _limits_words(errors: SweepErrors) -> str:
    if errors.low_v is None or errors.high_v is None:
        return ""
    return f"; limits {errors.low_v * _MV:g} mV to {errors.high_v * _MV:g} mV"


def _bar(one: ErrorPoint) -> tuple[float, float]:
    return one.error_v - _COVERAGE * one.u_v, one.error_v + _COVERAGE * one.u_v


def _points(frame: _Frame, points: Sequence[ErrorPoint], its_tone: str, *, up: bool) -> Iterator[str]:
    yield drawing.path([(frame.x(one.terminals_v), frame.y(one.error_v * _MV)) for one in points], tone=its_tone)
    for one in points:
        x, (low, high) = frame.x(one.terminals_v), _bar(one)
        yield drawing.line(x, frame.y(low * _MV), x, frame.y(high * _MV), tone=its_tone)
        yield drawing.triangle(x, frame.y(one.error_v * _MV), tone=its_tone, up=up)


def _between(errors: SweepErrors) -> Iterator[str]:
    """All points on one scale between the limits: how much room there is."""
    if errors.low_v is None or errors.high_v is None or not errors.low_v < errors.high_v:
        return
    low, high = errors.low_v, errors.high_v

    def at(error_v: float) -> float:
        return 46 + max(-0.04, min(1.04, (error_v - low) / (high - low))) * 280

    yield drawing.box(46, 216, 280, 14, tone="band")
    for side in (low, high):
        yield drawing.line(at(side), 212, at(side), 234, tone="band-edge", width=1.5)
        yield drawing.words(at(side), 245, f"{side * _MV:g} mV", anchor="middle", size=10.5)
    for one in errors.points:
        yield drawing.line(at(one.error_v), 216, at(one.error_v), 230, tone="first", width=1.2)
    yield drawing.words(186, 245, "between its limits", anchor="middle", tone="soft")


# ---- limits ----------------------------------------------------------------------------------------------


def _diamond(x: float, y: float, its_tone: str) -> str:
    return drawing.diamond(x, y, tone=its_tone)


_SHAPES: dict[Verdict, Callable[[float, float, str], str]] = {
    Verdict.PASS: lambda x, y, its: drawing.disc(x, y, 4, tone=its),
    Verdict.FAIL: lambda x, y, its: drawing.cross(x, y, tone=its),
}


def _limits(rows: Sequence[LimitJudged]) -> Figure:
    shown = rows_worth_seeing(rows, most=_ROWS)
    height = 40 + _ROW_HEIGHT * len(shown)
    shapes = [
        drawing.words(_MIDDLE - _UNIT, 12, "low limit", anchor="middle", tone="soft"),
        drawing.words(_MIDDLE + _UNIT, 12, "high limit", anchor="middle", tone="soft"),
    ]
    for number, judged in enumerate(shown):
        shapes += _limit_row(judged, 30 + _ROW_HEIGHT * number)
    shapes.append(drawing.words(4, height - 3, _legend(shown), tone="soft"))
    which = "All values" if len(shown) == len(rows) else f"The {len(shown)} of {len(rows)} values nearest to a limit"
    told = "; ".join(f"{_name(one)} {measured_text(one)}, {limits_text(one)}: {one.verdict.value}" for one in shown[:3])
    alt = f"{which} on the scale of their limits. {told}. Every value stands in the tables."
    return Figure(
        title=f"{which} against their limits",
        svg=drawing.picture(shapes, height=height, label=alt),
        alt=alt,
        tall=True,
    )


def _legend(rows: Sequence[LimitJudged]) -> str:
    words = {Verdict.PASS: "● pass", Verdict.FAIL: "✗ fail"}
    seen = [verdict for verdict in Verdict if any(one.verdict is verdict for one in rows)]
    return "; ".join([*(words.get(one, f"◆ {one.value}") for one in seen), "bar: expanded uncertainty"])


def _name(judged: LimitJudged) -> str:
    return f"{judged.check}: {judged.limit}"


def _limit_row(judged: LimitJudged, y: float) -> Iterator[str]:
    name, told = _name(judged), measured_text(judged)[:30]
    room = int(352 / _LETTER) - len(told) - 1  # the tables hold all of the name
    yield drawing.words(4, y, name if len(name) <= room else name[: room - 1] + "…")
    yield drawing.words(356, y, told, anchor="end")
    y += 10
    left = -_EDGE if judged.low is None else -1.0
    right = _EDGE if judged.high is None else 1.0
    yield drawing.box(_at(left), y - 5, _at(right) - _at(left), 10, tone="band")
    for side, limit in ((-1.0, judged.low), (1.0, judged.high)):
        if limit is not None:
            yield drawing.line(_at(side), y - 6, _at(side), y + 6, tone="band-edge", width=1.5)
    placed, its_tone = place(judged), tone(judged.verdict)
    if math.isnan(placed.at):
        yield drawing.words(_MIDDLE, y + 3, "no number", anchor="middle", tone=its_tone)
        return
    yield drawing.line(_at(placed.at - placed.half), y, _at(placed.at + placed.half), y, tone="ink", width=1.5)
    yield _SHAPES.get(judged.verdict, _diamond)(_at(placed.at), y, its_tone)
    if abs(placed.at) > _EDGE:
        side = math.copysign(1.0, placed.at)
        anchor = "start" if side > 0 else "end"
        yield drawing.words(_at(placed.at) + 7 * side, y + 3, "off the scale", anchor=anchor, tone=its_tone)


def _at(place: float) -> float:
    return _MIDDLE + _UNIT * max(-_EDGE, min(_EDGE, place))


# ---- traces ----------------------------------------------------------------------------------------------


def _trace(trace: TraceLine) -> Figure:
    """Current on a scale of decades: sleep and transmission are a thousand apart, and both matter."""
    numbers = [value for value in trace.currents_a if _is_number(value)]
    first, last = _decades(numbers)
    frame = _Frame(x_from=trace.times_s[0], x_to=_after(trace.times_s), y_from=first, y_to=last)
    shapes = [*_axes(frame, x_unit="s", y_unit="")]
    points = (
        (frame.x(at_s), frame.y(_power(value, first))) if _is_number(value) else None
        for at_s, value in zip(trace.times_s, trace.currents_a, strict=True)
    )
    shapes.append(drawing.path(points, tone="first"))
    alt = (
        f"Current over {trace.times_s[-1] - trace.times_s[0]:.4g} s, from "
        f"{format_quantity(min(numbers), 'A')} to {format_quantity(max(numbers), 'A')}."
    )
    return Figure(
        title=f"Current trace {trace.title}, by powers of ten, over time in s",
        svg=drawing.picture(shapes, height=192, label=alt),
        alt=alt,
    )


def _after(times_s: Sequence[float]) -> float:
    return times_s[-1] if times_s[-1] > times_s[0] else times_s[0] + 1.0


def _decades(numbers: Sequence[float]) -> tuple[float, float]:
    """Whole decades around the numbers; what is at or below nothing is drawn at the lowest."""
    above = sorted(value for value in numbers if value > _LEAST_A) or [_LEAST_A]
    last = math.ceil(math.log10(above[-1]) + 1e-9)
    lowest = above[len(above) // 100]  # a single sample of noise near nothing would stretch the scale
    return float(max(last - _DECADES, min(last - 1, math.floor(math.log10(lowest))))), float(last)


def _power(value: float, least: float) -> float:
    return max(least, math.log10(value)) if value > 0.0 else least


# ---- axes ------------------------------------------------------------------------------------------------


def _axes(frame: _Frame, *, x_unit: str, y_unit: str) -> Iterator[str]:
    """A grid of round numbers. Without `y_unit` the ordinate is powers of ten of an ampere."""
    for value in drawing.round_steps(frame.x_from, frame.x_to, most=6):
        x = frame.x(value)
        yield drawing.line(x, frame.top, x, frame.bottom, tone="grid")
        yield drawing.words(x, frame.bottom + 13, f"{value:.6g}", anchor="middle", size=10.5)
    ticks = drawing.round_steps(frame.y_from, frame.y_to) if y_unit else _whole(frame.y_from, frame.y_to)
    for value in ticks:
        y = frame.y(value)
        yield drawing.line(frame.left, y, frame.right, y, tone="grid")
        shown = f"{value:.6g}" if y_unit else format_quantity(10.0**value, "A", resolution=10.0**value)
        yield drawing.words(frame.left - 4, y + 3, shown, anchor="end", size=10.5)
    yield drawing.line(frame.left, frame.bottom, frame.right, frame.bottom, tone="soft")
    yield drawing.words(frame.right, frame.bottom - 4, x_unit, anchor="end", tone="soft")
    if y_unit:
        yield drawing.words(frame.left + 3, frame.top + 8, y_unit, tone="soft")


def _whole(first: float, last: float) -> tuple[float, ...]:
    return tuple(float(power) for power in range(round(first), round(last) + 1))


def _span(values: Sequence[float], *, share: float) -> tuple[float, float]:
    """From the lowest to the highest, and some room around them."""
    low, high = min(values), max(values)
    room = (high - low) * share or abs(high) * share or 1.0
    return low - room, high + room


def _is_number(value: float | None) -> TypeGuard[float]:
    """Whether it can be a quantity of a board; a scale for anything else would show nothing."""
    return value is not None and abs(value) <= _LARGEST


def _can_be_drawn(one: ErrorPoint) -> bool:
    return all(map(_is_number, (one.terminals_v, one.error_v, one.u_v)))
