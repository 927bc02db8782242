"""Control charts of subgroups (X-bar with R or S) and of single values with their moving range.

Owns centres, limits and out-of-control points. Must not know what is charted. Centre and limits come from the
charted values themselves, or from a reference taken before (`reference`): then the charted values are only held
against it. Formulas: NIST/SEMATECH e-Handbook 6.3.2.1 and 6.3.2.2 (from memory), constants by `chart_constants`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from benchrig.judge.chi_square import deviation_interval
from benchrig.judge.student_t import two_sided_quantile
from benchrig.statistics.chart_constants import MOST_IN_SUBGROUP, constants, equivalent_dof
from benchrig.statistics.run_rules import ALL_RULES, Rule, Signal, in_order, signals
from benchrig.statistics.samples import CONFIDENCE, Estimate, checked_confidence, checked_scatter, checked_values

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.statistics.samples import Floats, Values

FEWEST_SUBGROUPS = 5
FEWEST_SINGLES = 10
"""With fewer the limits scatter so much that they are none. Own choice; 20 to 25 subgroups are common practice."""

MOVING_RANGE_DOF = 0.605
"""Degrees of freedom that each moving range adds to their mean. Neighbours share a value: the relative variance of
the mean of m of them is 0.8265/m (moments of folded normal variables with correlation -1/2, arithmetic)."""

_PAIR = 2
_SINGLES = "individuals chart"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart: its points, centre line and control limits, and the points that are out of control.

    `sigma` is the deviation of one value (not of a point). `centre` and `sigma` have intervals, from n values of the
    reference; those of a dispersion chart are the same sigma and its multiple.
    """

    name: str
    points: tuple[float, ...]
    centre: Estimate
    sigma: Estimate
    low: float
    high: float
    signals: tuple[Signal, ...]

    @property
    def in_control(self) -> bool:
        return not self.signals


class ChartPair(NamedTuple):
    """The charts of location and of dispersion; look at the second first: it makes the limits of the first."""

    location: Chart
    dispersion: Chart


class _Basis(NamedTuple):
    """What charts are made from: the mean, sigma with its degrees of freedom, and how many values say so."""

    mean: float
    sigma: float
    dof: float
    n: int


def subgroup_charts(
    subgroups: Iterable[Values],
    *,
    by: Literal["range", "deviation"] = "range",
    reference: Iterable[Values] | None = None,
    confidence: float = CONFIDENCE,
    rules: Iterable[Rule] = ALL_RULES,
) -> ChartPair:
    """X-bar chart with R chart (`by` "range") or S chart ("deviation") of equally large subgroups.

    Raises ValueError for fewer than 5 subgroups to make limits from, unequal ones, or constant values.
    """
    if by not in ("range", "deviation"):
        raise ValueError(f"charts by {by!r}; accepted: 'range' or 'deviation'")
    table = _table(subgroups, fewest=1 if reference is not None else FEWEST_SUBGROUPS)
    base = table if reference is None else _table(reference, fewest=FEWEST_SUBGROUPS)
    size = table.shape[1]
    if base.shape[1] != size:
        raise ValueError(f"subgroups hold {size} values, those of the reference {base.shape[1]}; give equal ones")
    found = constants(size)
    divisor, low, high = (found.d2, found.D3, found.D4) if by == "range" else (found.c4, found.B3, found.B4)
    basis = _subgroup_basis(base, by, divisor)
    checked_confidence(confidence)
    means, spreads = table.mean(axis=1), _dispersions(table, by)
    middle = basis.sigma * divisor
    return ChartPair(
        _location("X-bar", means, basis, size=size, confidence=confidence, rules=rules),
        _dispersion("R" if by == "range" else "S", spreads, basis, (low * middle, middle, high * middle), confidence),
    )


def _table(subgroups: Iterable[Values], *, fewest: int) -> Floats:
    rows = [checked_values(one, what=f"subgroup {at}", fewest=_PAIR) for at, one in enumerate(subgroups, start=1)]
    if len(rows) < fewest:
        raise ValueError(
            f"a control chart of {len(rows)} subgroups; needed are {fewest} or more: take {fewest - len(rows)} more"
        )
    sizes = sorted({row.size for row in rows})
    if len(sizes) > 1 or sizes[0] > MOST_IN_SUBGROUP:
        raise ValueError(f"subgroups hold {sizes} values; accepted: the same number in each, up to {MOST_IN_SUBGROUP}")
    return np.array(rows)


def _dispersions(table: Floats, by: str) -> Floats:
    return np.asarray(np.ptp(table, axis=1) if by == "range" else table.std(axis=1, ddof=1))


def _subgroup_basis(base: Floats, by: str, divisor: float) -> _Basis:
    checked_scatter(base.ravel(), what="control chart")
    count, size = base.shape
    middle = float(_dispersions(base, by).mean())
    if not middle > 1e-8 * float(base.std()):
        raise ValueError("control chart: the values within each subgroup are constant; measure with a finer resolution")
    # a mean of S scatters a little more than the pooled deviation: near enough for its interval
    dof = equivalent_dof(size, subgroups=count) if by == "range" else float(count * (size - 1))
    return _Basis(float(base.mean()), middle / divisor, dof, base.size)


def _location(
    name: str, points: Floats, basis: _Basis, *, size: int, confidence: float, rules: Iterable[Rule]
) -> Chart:
    point_sigma = basis.sigma / math.sqrt(size)
    half = two_sided_quantile(confidence, dof=max(1.0, basis.dof)) * basis.sigma / math.sqrt(basis.n)
    return Chart(
        name=name,
        points=tuple(points.tolist()),
        centre=Estimate(
            value=basis.mean, low=basis.mean - half, high=basis.mean + half, confidence=confidence, n=basis.n
        ),
        sigma=_sigma(basis, confidence),
        low=basis.mean - 3.0 * point_sigma,
        high=basis.mean + 3.0 * point_sigma,
        signals=signals(points, centre=basis.mean, sigma=point_sigma, rules=rules),
    )


def _sigma(basis: _Basis, confidence: float) -> Estimate:
    low, high = deviation_interval(basis.sigma, dof=basis.dof, coverage=confidence)
    return Estimate(value=basis.sigma, low=low, high=high, confidence=confidence, n=basis.n)


def _dispersion(
    name: str, points: Floats, basis: _Basis, lines: tuple[float, float, float], confidence: float
) -> Chart:
    """Ranges and deviations are not symmetric about their mean: only the limits themselves are looked at."""
    low, middle, high = lines
    sigma = _sigma(basis, confidence)
    scale = middle / basis.sigma
    return Chart(
        name=name,
        points=tuple(points.tolist()),
        centre=Estimate(
            value=middle,
            low=scale * (sigma.low or 0.0),
            high=None if sigma.high is None else scale * sigma.high,
            confidence=confidence,
            n=basis.n,
        ),
        sigma=sigma,
        low=low,
        high=high,
        signals=in_order({Rule.BEYOND_LIMIT: (points < low) | (points > high)}),
    )


def individuals_charts(
    values: Values,
    *,
    reference: Values | None = None,
    confidence: float = CONFIDENCE,
    rules: Iterable[Rule] = ALL_RULES,
) -> ChartPair:
    """Chart of single values, and of the moving range of two neighbours, in the order they were taken.

    Raises ValueError for fewer than 10 values to make limits from, or constant ones.
    """
    found = checked_values(values, what=_SINGLES, fewest=1 if reference is not None else FEWEST_SINGLES)
    base = found if reference is None else checked_values(reference, what=_SINGLES, fewest=FEWEST_SINGLES)
    checked_scatter(base, what=_SINGLES)
    checked_confidence(confidence)
    pair = constants(_PAIR)
    middle = float(np.abs(np.diff(base)).mean())
    basis = _Basis(float(base.mean()), middle / pair.d2, MOVING_RANGE_DOF * (base.size - 1), base.size)
    moving = np.abs(np.diff(found))
    return ChartPair(
        _location("individuals", found, basis, size=1, confidence=confidence, rules=rules),
        _dispersion("moving range", moving, basis, (0.0, middle, pair.D4 * middle), confidence),
    )
