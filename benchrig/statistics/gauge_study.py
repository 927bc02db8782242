"""Gauge study by averages and ranges: how much of what a bench shows is the bench.

Owns the crossed study (every part by every appraiser, equally often) and its average-range evaluation. An appraiser
is whatever changes between series: a person, a contact fixture, a re-seating. Must not know instruments. The
evaluation by analysis of variance, with intervals for every component, is in `gauge_variance`.

Method, 10 and 30 % borders and 5 distinct categories: the average-range method of the measurement systems analysis
of the motor trade (from memory; its data and results as widely transcribed, in the tests). Its factors K are 1/d2 or
1/d2*, from `chart_constants`.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.statistics.chart_constants import MOST_IN_SUBGROUP, equivalent_dof, range_divisor
from benchrig.statistics.mean_squares import MeanSquare, Term, mean_square_interval
from benchrig.statistics.samples import (
    CONFIDENCE,
    LARGEST,
    Estimate,
    checked_confidence,
    checked_scatter,
    checked_tolerance,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.statistics.samples import Floats

FEWEST_PARTS, FEWEST_APPRAISERS, FEWEST_TRIALS = 5, 2, 2
"""With less nothing can be told apart; ten parts, three appraisers, three trials are common practice (no source)."""

GOOD_SHARE, WORST_SHARE, FEWEST_CATEGORIES = 0.10, 0.30, 5
CATEGORIES = 1.41
"""Distinct categories are 1.41 PV / GRR, as the method prints it: the root of 2."""

MANY_SUBGROUPS = 15
"""From here on d2 stands for d2*, as in the method's own factor for repeatability (common practice, from memory)."""


class GaugeReading(NamedTuple):
    """One reading of a study; `trial` counts the readings of this part by this appraiser."""

    part: str
    appraiser: str
    trial: int
    value: float


@dataclass(frozen=True, slots=True, eq=False)
class GaugeTable:
    """Readings as parts by appraisers by trials, names in the order of the alphabet."""

    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    values: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class AverageRangeStudy:
    """Standard deviations: `repeatability` (EV), `reproducibility` (AV), both together (GRR), parts (PV), all (TV).

    `of_variation` is GRR/TV, `of_tolerance` 6 GRR by the width of the tolerance (None without one), both with the
    interval that GRR alone has; `categories` the number of distinct categories, before truncation.
    """

    repeatability: Estimate
    reproducibility: Estimate
    gauge: Estimate
    parts: Estimate
    total: float
    of_variation: float
    of_tolerance: Estimate | None
    categories: float
    n: int

    @property
    def words(self) -> str:
        return reading_of(self.of_variation, self.categories)


def gauge_table(readings: Iterable[GaugeReading]) -> GaugeTable:
    """Put readings into their cells, in whatever order they came.

    Raises ValueError for a study that is not complete and balanced, naming the cell, for too small a one, and for
    readings that are no finite numbers or all the same.
    """
    found = list(readings)
    for one in found:
        if not abs(one.value) <= LARGEST:
            raise ValueError(f"gauge study: {_cell(one)} is {one.value!r}; accepted: finite numbers; take it again")
    parts, appraisers = sorted({one.part for one in found}), sorted({one.appraiser for one in found})
    trials = sorted({one.trial for one in found})
    for what, names, fewest in (
        ("parts", parts, FEWEST_PARTS),
        ("appraisers", appraisers, FEWEST_APPRAISERS),
        ("trials", trials, FEWEST_TRIALS),
    ):
        if len(names) < fewest:
            raise ValueError(f"gauge study: {len(names)} {what}; needed are {fewest} or more: measure more {what}")
    _check_cells(found, parts, appraisers, trials)
    values = np.empty((len(parts), len(appraisers), len(trials)))
    places = [{name: at for at, name in enumerate(names)} for names in (parts, appraisers)]
    numbers = {trial: at for at, trial in enumerate(trials)}
    for one in found:
        values[places[0][one.part], places[1][one.appraiser], numbers[one.trial]] = one.value
    checked_scatter(values.ravel(), what="gauge study")
    return GaugeTable(tuple(parts), tuple(appraisers), values)


def _cell(one: GaugeReading) -> str:
    return f"part {one.part!r}, appraiser {one.appraiser!r}, trial {one.trial}"


def _check_cells(found: list[GaugeReading], parts: list[str], appraisers: list[str], trials: list[int]) -> None:
    cells = Counter((one.part, one.appraiser, one.trial) for one in found)
    for part in parts:
        for appraiser in appraisers:
            for trial in trials:
                count = cells[part, appraiser, trial]
                if count != 1:
                    cell = _cell(GaugeReading(part, appraiser, trial, 0.0))
                    raise ValueError(f"gauge study: {cell} has {count} readings; accepted: 1 in every cell")


def average_range_study(
    table: GaugeTable, *, low: float | None = None, high: float | None = None, confidence: float = CONFIDENCE
) -> AverageRangeStudy:
    """Evaluate by averages and ranges; `low` and `high` are the limits that GRR is held against, if any.

    Intervals by equivalent degrees of freedom of the ranges and `mean_squares`, an approximation. Raises ValueError for
    more than 25 parts, appraisers or trials, or ranges that are all 0.
    """
    checked_confidence(confidence)
    parts, appraisers, trials = table.values.shape
    if max(parts, appraisers, trials) > MOST_IN_SUBGROUP:
        raise ValueError(f"gauge study of {table.values.shape}; accepted: up to {MOST_IN_SUBGROUP}; use the variances")
    of_readings = _squared(_repeatability(table.values), equivalent_dof(trials, subgroups=parts * appraisers))
    of_appraisers = _range_square(table.values.mean(axis=(0, 2)))
    of_parts = _range_square(table.values.mean(axis=(1, 2)))
    share = 1.0 / (parts * trials)  # what readings alone add to the square of the spread of appraisers
    components = {
        "repeatability": (Term(1.0, of_readings),),
        "reproducibility": (Term(1.0, of_appraisers), Term(-share, of_readings)),
        "gauge": (Term(1.0, of_appraisers), Term(1.0 - share, of_readings)),
        "parts": (Term(1.0, of_parts),),
    }
    found = {name: _deviation(terms, confidence, table.values.size) for name, terms in components.items()}
    gauge = _at_least(found["gauge"], math.hypot(found["repeatability"].value, found["reproducibility"].value))
    total = math.hypot(gauge.value, found["parts"].value)
    return AverageRangeStudy(
        repeatability=found["repeatability"],
        reproducibility=found["reproducibility"],
        gauge=gauge,
        parts=found["parts"],
        total=total,
        of_variation=gauge.value / total,
        of_tolerance=of_tolerance(gauge, low=low, high=high),
        categories=CATEGORIES * found["parts"].value / gauge.value,
        n=table.values.size,
    )


def _squared(deviation: float, dof: float) -> MeanSquare:
    return MeanSquare(deviation * deviation * dof, dof)


def _range_square(means: Floats) -> MeanSquare:
    """The square of the deviation that the range of these means stands for."""
    deviation = float(np.ptp(means)) / range_divisor(means.size, subgroups=1)
    return _squared(deviation, equivalent_dof(means.size, subgroups=1))


def _deviation(terms: tuple[Term, ...], confidence: float, n: int) -> Estimate:
    """Root of a component, 0 where it comes out below."""
    square = math.fsum(term.weight * term.row.mean for term in terms)
    low, high = (math.sqrt(max(0.0, end)) for end in mean_square_interval(terms, tail=0.5 * (1.0 - confidence)))
    return Estimate(value=math.sqrt(max(0.0, square)), low=low, high=high, confidence=confidence, n=n)


def _at_least(estimate: Estimate, value: float) -> Estimate:
    """The same with the value made of its parts, of which none counts below 0."""
    low, high = min(value, estimate.low or 0.0), max(value, estimate.high or 0.0)
    return Estimate(value=value, low=low, high=high, confidence=estimate.confidence, n=estimate.n)


def _repeatability(values: Floats) -> float:
    parts, appraisers, trials = values.shape
    cells = parts * appraisers
    divisor = range_divisor(trials, subgroups=cells if cells <= MANY_SUBGROUPS else 1_000_000_000)
    found = float(np.ptp(values, axis=2).mean()) / divisor
    if not found > 1e-8 * float(values.std()):
        raise ValueError("gauge study: repeated readings are all equal; measure with a finer resolution")
    return found


def of_tolerance(gauge: Estimate, *, low: float | None, high: float | None) -> Estimate | None:
    """Six deviations of the gauge by the width of the tolerance; None without both limits. Raises ValueError."""
    if low is None and high is None:
        return None
    checked_tolerance(low, high, what="gauge study")
    if low is None or high is None:
        return None
    scale = 6.0 / (high - low)
    return Estimate(
        value=scale * gauge.value,
        low=None if gauge.low is None else scale * gauge.low,
        high=None if gauge.high is None else scale * gauge.high,
        confidence=gauge.confidence,
        n=gauge.n,
    )


def reading_of(of_variation: float, categories: float) -> str:
    """What the share of variation and the number of categories say, by the borders of the trade."""
    counted = math.floor(categories)
    if of_variation <= GOOD_SHARE and counted >= FEWEST_CATEGORIES:
        judged = "good"
    elif of_variation <= WORST_SHARE and counted >= FEWEST_CATEGORIES:
        judged = "fit for some uses"
    else:
        judged = "not fit to tell parts apart"
    return (
        f"the gauge makes {100 * of_variation:.1f} % of the total variation (10 and 30 % are the borders) and tells "
        f"{counted} categories apart (5 are wanted): {judged}"
    )
