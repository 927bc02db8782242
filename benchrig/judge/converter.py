"""From the points of a voltage sweep to what the board's converter does wrong, each number with its uncertainty.

Owns gain, offset, residual, noise and quantisation; `codes` owns what the bare codes say, `nonlinearity` the bend,
`sweep_order` hysteresis and drift, `converter_limits` the confidence limits of all. Must not know the board, nor
which error is allowed. Terms as in IEEE 1241 (from memory): gain and offset are those of the least-squares line of
reported over true voltage, the residual is what is left; quantisation of a step q has u = q/√12 (IEEE 1241, from
memory).
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from dataclasses import KW_ONLY, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.codes import MOST_CODES, CodeAt, CodeCover, clipped_codes, code_cover, dead_bits, repeated_codes
from benchrig.judge.linear import LineFit, fit_line
from benchrig.judge.nonlinearity import Nonlinearity, SetpointMean, nonlinearity
from benchrig.judge.sweep_order import OrderedPoint, OrderEffects, order_effects

if TYPE_CHECKING:
    from collections.abc import Sequence

_FEWEST_POINTS = 3


class Direction(StrEnum):
    """Which way the sweep was going when a point was taken."""

    UP = "up"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One conversion: the voltage measured at the board, and what the board said, in volts, counts or both.

    `setpoint_v` tells which points were meant to be equal, since measured voltages never are; by default it is
    `true_v`. Points with the same set-point and direction are repeats. `at_s` is when it was taken: without times
    drift cannot be told. `u_v` is the standard uncertainty that this point has by itself, which gives it its weight.
    """

    true_v: float
    _: KW_ONLY
    reported_v: float | None = None
    counts: int | None = None
    direction: Direction = Direction.UP
    setpoint_v: float | None = None
    at_s: float | None = None
    u_v: float | None = None

    @property
    def group(self) -> tuple[float, str]:
        """Set-point and direction."""
        return (self.true_v if self.setpoint_v is None else self.setpoint_v, self.direction.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConverterFit:
    """What a sweep says of a converter; a name that ends in `_u` or `_u_v` is a standard uncertainty.

    `gain_error` is a ratio (slope - 1), `offset_v` the reading at 0 V on the line. `max_residual_v` is the largest
    distance of a point from the line, with its sign, at `max_residual_at_v`. `hysteresis_v` is up less down: drift
    taken out where `order` tells the two apart, else the mean over the set-points seen both ways, None if there are
    none; its uncertainty is None for a single one.
    `noise_v` is the standard deviation of one reading, quantisation included, from `noise_from`: "repeats", else
    "pairs" (up and down), else "residuals"; its uncertainty is never less than `quantisation_u_v`, the standard
    uncertainty of a step; `noise_alone_v` is without quantisation.
    `dead_bits` and `codes` are None when there are no codes, or too few to tell.
    """

    gain_error: float
    gain_error_u: float
    offset_v: float
    offset_u_v: float
    max_residual_v: float
    max_residual_u_v: float
    max_residual_at_v: float
    hysteresis_v: float | None
    hysteresis_u_v: float | None
    noise_v: float
    noise_u_v: float
    noise_dof: float
    noise_from: str
    quantisation_u_v: float
    nonlinearity: Nonlinearity | None
    order: OrderEffects
    codes: CodeCover | None
    clipped_low: bool
    clipped_high: bool
    repeated_codes: tuple[float, ...]
    dead_bits: tuple[int, ...] | None
    line: LineFit
    reference_gain_u: float
    reference_offset_u_v: float

    @property
    def noise_alone_v(self) -> float:
        """Standard deviation of one reading without what quantisation adds to it, 0 where that is all there is."""
        return math.sqrt(max(0.0, self.noise_v**2 - self.quantisation_u_v**2))

    def error_at(self, true_v: float) -> tuple[float, float]:
        """Reported less true voltage on the line at `true_v`, and its standard uncertainty, in volts."""
        reported_v, line_u_v = self.line.at(true_v)
        u_v = math.hypot(line_u_v, self.reference_gain_u * true_v, self.reference_offset_u_v)
        return reported_v - true_v, u_v


def fit_converter(
    points: Sequence[SweepPoint],
    *,
    volts_per_count: float,
    full_scale_counts: int | None = None,
    reported_step_v: float = 0.0,
    reference_gain_u: float = 0.0,
    reference_offset_u_v: float = 0.0,
) -> ConverterFit:
    """Fit a sweep, weighted where every point has its own uncertainty. `volts_per_count` is the nominal size of one
    code at the board's terminals, `reported_step_v` the step to which the board rounds what it reports.

    `reference_gain_u` (a ratio) and `reference_offset_u_v` are standard uncertainties of the voltmeter that are
    common to all points, so that more points do not lessen them. All points are used: a clipped code is a
    finding, not a point to drop. Raises ValueError for fewer than 3 points, a constant input, NaN, or points that
    say nothing comparable.
    """
    _check(points, volts_per_count=volts_per_count)
    true_v = [point.true_v for point in points]
    reported_v = [_reported_v(point, volts_per_count) for point in points]
    weights = _weights(points)
    line = fit_line(true_v, reported_v, weights=weights)
    pairs = _pairs(points, line.residuals)
    noise = _noise(points, line, pairs)
    quantisation_u_v = math.hypot(volts_per_count * line.slope, reported_step_v) / math.sqrt(12.0)
    order = _order(points, reported_v, weights, quantisation_u_v=quantisation_u_v)
    worst = max(range(len(points)), key=lambda index: abs(line.residuals[index]))
    samples = [_code_at(point, volts_per_count) for point in points]
    clipped_low, clipped_high = clipped_codes(samples, full_scale=full_scale_counts)
    hysteresis_v, hysteresis_u_v = _hysteresis(order, pairs)
    return ConverterFit(
        gain_error=line.slope - 1.0,
        gain_error_u=math.hypot(line.slope_se, reference_gain_u),
        offset_v=line.intercept,
        offset_u_v=math.hypot(line.intercept_se, reference_offset_u_v),
        max_residual_v=line.residuals[worst],
        max_residual_u_v=math.hypot(noise.deviation_v, line.at(true_v[worst])[1]),
        max_residual_at_v=true_v[worst],
        hysteresis_v=hysteresis_v,
        hysteresis_u_v=hysteresis_u_v,
        noise_v=noise.deviation_v,
        # equal codes tell of the noise only that it is less than a step
        noise_u_v=max(noise.deviation_v / math.sqrt(2.0 * noise.dof), quantisation_u_v),
        noise_dof=noise.dof,
        noise_from=noise.source,
        quantisation_u_v=quantisation_u_v,
        nonlinearity=nonlinearity(
            _means(points, reported_v), noise_v=max(noise.deviation_v, quantisation_u_v), noise_dof=noise.dof
        ),
        order=order,
        codes=_cover(points, line, volts_per_count),
        clipped_low=clipped_low,
        clipped_high=clipped_high,
        repeated_codes=repeated_codes(
            samples, noise_counts=min(noise.deviation_v, _usual_noise(pairs, line)) / volts_per_count
        ),
        dead_bits=_dead_bits(points, volts_per_count=volts_per_count, full_scale=full_scale_counts),
        line=line,
        reference_gain_u=reference_gain_u,
        reference_offset_u_v=reference_offset_u_v,
    )


def _check(points: Sequence[SweepPoint], *, volts_per_count: float) -> None:
    if len(points) < _FEWEST_POINTS:
        raise ValueError(f"a sweep of {len(points)} points cannot be fitted; {_FEWEST_POINTS} or more are needed")
    if not (math.isfinite(volts_per_count) and volts_per_count > 0.0):
        raise ValueError(f"volts per count is {volts_per_count!r}; accepted: a finite number above 0")
    for number, point in enumerate(points, start=1):
        _check_point(point, where=f"sweep point {number} of {len(points)}")
    for name, given in (
        ("a reported voltage", {point.reported_v is None for point in points}),
        ("counts", {point.counts is None for point in points}),
        ("a time", {point.at_s is None for point in points}),
        ("an uncertainty of their own", {point.u_v is None for point in points}),
    ):
        if len(given) > 1:
            raise ValueError(f"some sweep points have {name} and some have not; give all of them or none")
    if len({point.true_v for point in points}) == 1:
        raise ValueError(f"the true voltage is constant at {points[0].true_v!r} V; a sweep needs different ones")


def _check_point(point: SweepPoint, *, where: str) -> None:
    if point.reported_v is None and point.counts is None:
        raise ValueError(f"{where} has neither a reported voltage nor counts")
    for name, value in (
        ("true voltage", point.true_v),
        ("reported voltage", point.reported_v),
        ("set voltage", point.setpoint_v),
        ("time", point.at_s),
    ):
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{where}: the {name} is {value!r}, no finite number")
    if point.u_v is not None and not (math.isfinite(point.u_v) and point.u_v > 0.0):
        raise ValueError(f"{where}: its own uncertainty is {point.u_v!r} V; accepted: a finite number above 0")
    if point.counts is not None and not 0 <= point.counts < MOST_CODES:
        raise ValueError(f"{where}: counts are {point.counts}; accepted: 0 to {MOST_CODES - 1}, the last of 24 bits")


def _reported_v(point: SweepPoint, volts_per_count: float) -> float:
    if point.reported_v is not None:
        return point.reported_v
    assert point.counts is not None  # checked before: one of the two is there
    return point.counts * volts_per_count


def _code_at(point: SweepPoint, volts_per_count: float) -> CodeAt:
    code = point.counts if point.counts is not None else _reported_v(point, volts_per_count) / volts_per_count
    return CodeAt(expected=point.true_v / volts_per_count, code=code, group=point.group)


def _weights(points: Sequence[SweepPoint]) -> list[float] | None:
    """1/u² of each point, the largest being 1; None where no point has an uncertainty of its own."""
    own_u_v = [point.u_v for point in points if point.u_v is not None]
    return [(min(own_u_v) / u_v) ** 2 for u_v in own_u_v] if own_u_v else None


def _order(
    points: Sequence[SweepPoint],
    reported_v: Sequence[float],
    weights: Sequence[float] | None,
    *,
    quantisation_u_v: float,
) -> OrderEffects:
    """Without times all points count as taken at once, and the answer says so."""
    ordered = [
        OrderedPoint(
            true_v=point.true_v,
            reported_v=said_v,
            setpoint_v=point.group[0],
            rising=point.direction is Direction.UP,
            at_s=0.0 if point.at_s is None else point.at_s,
        )
        for point, said_v in zip(points, reported_v, strict=True)
    ]
    return order_effects(ordered, weights=weights, quantisation_u_v=quantisation_u_v)


class _Pair(NamedTuple):
    """Mean residual going up less the one going down at one set-point, and how much later the former was."""

    difference_v: float
    later_s: float


def _pairs(points: Sequence[SweepPoint], residuals: Sequence[float]) -> list[_Pair]:
    groups = _grouped(points, residuals)
    times_s = _grouped(points, [0.0 if point.at_s is None else point.at_s for point in points])
    up, down = Direction.UP.value, Direction.DOWN.value
    return [
        _Pair(
            statistics.fmean(going_up) - statistics.fmean(groups[setpoint_v, down]),
            statistics.fmean(times_s[setpoint_v, up]) - statistics.fmean(times_s[setpoint_v, down]),
        )
        for (setpoint_v, direction), going_up in groups.items()
        if direction == up and (setpoint_v, down) in groups
    ]


def _hysteresis(order: OrderEffects, pairs: Sequence[_Pair]) -> tuple[float | None, float | None]:
    if order.told_apart:
        return order.hysteresis_v, order.hysteresis_u_v
    values = [pair.difference_v for pair in pairs]
    return (statistics.fmean(values) if values else None), _standard_error(values)


def _grouped(points: Sequence[SweepPoint], residuals: Sequence[float]) -> dict[tuple[float, str], list[float]]:
    groups: defaultdict[tuple[float, str], list[float]] = defaultdict(list)
    for point, residual in zip(points, residuals, strict=True):
        groups[point.group].append(residual)
    return dict(groups)


class _Noise(NamedTuple):
    """Standard deviation of one reading, its degrees of freedom, and what it was taken from."""

    deviation_v: float
    dof: int
    source: str


def _noise(points: Sequence[SweepPoint], line: LineFit, pairs: Sequence[_Pair]) -> _Noise:
    groups = _grouped(points, line.residuals)
    dof = sum(len(group) - 1 for group in groups.values())
    if dof > 0:
        squares = (statistics.variance(group) * (len(group) - 1) for group in groups.values() if len(group) > 1)
        return _Noise(math.sqrt(math.fsum(squares) / dof), dof, "repeats")
    if len(pairs) > 1:
        return _noise_of_pairs(pairs)
    return _Noise(line.residual_sd, line.dof, "residuals")


def _noise_of_pairs(pairs: Sequence[_Pair]) -> _Noise:
    """Scatter of up less down; with times, about what drift makes of them, so that drift does not pass for noise."""
    values, later_s = [pair.difference_v for pair in pairs], [pair.later_s for pair in pairs]
    if len(pairs) > _FEWEST_POINTS and max(later_s) > min(later_s):
        drifting = fit_line(later_s, values)
        return _Noise(drifting.residual_sd / math.sqrt(2.0), drifting.dof, "pairs")
    return _Noise(statistics.stdev(values) / math.sqrt(2.0), len(values) - 1, "pairs")


def _means(points: Sequence[SweepPoint], reported_v: Sequence[float]) -> list[SetpointMean]:
    """One mean for each set-point, both directions together: hysteresis is no bend."""
    held: defaultdict[float, list[tuple[float, float]]] = defaultdict(list)
    for point, said_v in zip(points, reported_v, strict=True):
        held[point.group[0]].append((point.true_v, said_v))
    return [
        SetpointMean(statistics.fmean(x for x, _ in taken), statistics.fmean(y for _, y in taken), len(taken))
        for taken in held.values()
    ]


def _cover(points: Sequence[SweepPoint], line: LineFit, volts_per_count: float) -> CodeCover | None:
    """Which codes came; where voltages were reported beside, the line is not that of the codes and takes another."""
    codes = [point.counts for point in points if point.counts is not None]
    if not codes:
        return None
    inputs = [point.true_v for point in points]
    if points[0].reported_v is not None:
        line, volts_per_count = fit_line(inputs, [float(code) for code in codes]), 1.0
    expected = [line.at(true_v)[0] / volts_per_count for true_v in inputs]
    return code_cover(expected, codes, scatter=line.residual_sd / volts_per_count)


def _usual_noise(pairs: Sequence[_Pair], line: LineFit) -> float:
    """Standard deviation of a reading as most of them have it: one that is far off does not hide itself in it."""
    enough = len(pairs) >= _FEWEST_POINTS
    values = [pair.difference_v / math.sqrt(2.0) for pair in pairs] if enough else line.residuals
    middle = statistics.median(values)
    return 1.4826 * statistics.median(abs(value - middle) for value in values)  # 1.4826: Gaussian, arithmetic


def _standard_error(values: Sequence[float]) -> float | None:
    return statistics.stdev(values) / math.sqrt(len(values)) if len(values) > 1 else None


def _dead_bits(
    points: Sequence[SweepPoint], *, volts_per_count: float, full_scale: int | None
) -> tuple[int, ...] | None:
    codes = [point.counts for point in points if point.counts is not None]
    if not codes:
        return None
    width = max(max(codes).bit_length() + 1, (full_scale or 0).bit_length())
    return dead_bits([point.true_v / volts_per_count for point in points], codes, width=width)
