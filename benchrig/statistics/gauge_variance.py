"""Gauge study by analysis of variance: components with intervals, the interaction kept or pooled at a stated level.

Owns the two-way crossed analysis with random parts and appraisers. Must not know instruments. Formulas: textbook
expected mean squares; the interaction is pooled with the error when its F test is not significant at `pool_above`
(0.25 is common practice, no source). Components that come out negative are 0 and said to be.

Intervals by `mean_squares`; their coverage is held against simulation in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.statistics.gauge_study import CATEGORIES, of_tolerance, reading_of
from benchrig.statistics.incomplete import f_upper_tail
from benchrig.statistics.mean_squares import MeanSquare, Term, mean_square_interval
from benchrig.statistics.samples import CONFIDENCE, Estimate, checked_confidence, checked_share

if TYPE_CHECKING:
    from benchrig.statistics.gauge_study import GaugeTable
    from benchrig.statistics.samples import Floats

POOL_ABOVE = 0.25
_OF_GAUGE = ("repeatability", "appraisers", "interaction")


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceStudy:
    """Components as variances, in the square of the readings' unit, with their intervals.

    `gauge` is repeatability, appraisers and, where it is kept, their interaction with parts; where it is pooled with
    the error there is no `interaction`. `of_variation` and `categories` are those of `AverageRangeStudy`; `negative`
    names components that came out below 0 and count as 0.
    """

    rows: dict[str, MeanSquare]
    interaction_f: float
    interaction_p: float
    pooled: bool
    repeatability: Estimate
    appraisers: Estimate
    interaction: Estimate | None
    gauge: Estimate
    parts: Estimate
    total: float
    of_variation: float
    of_tolerance: Estimate | None
    categories: float
    negative: tuple[str, ...]
    n: int

    @property
    def reproducibility(self) -> float:
        """Variance of appraisers and of their interaction with parts."""
        return self.appraisers.value + (0.0 if self.interaction is None else self.interaction.value)

    @property
    def words(self) -> str:
        return reading_of(self.of_variation, self.categories)


def variance_study(
    table: GaugeTable,
    *,
    low: float | None = None,
    high: float | None = None,
    pool_above: float = POOL_ABOVE,
    confidence: float = CONFIDENCE,
) -> VarianceStudy:
    """Evaluate by analysis of variance; `pool_above` is the p above which the interaction is pooled.

    Raises ValueError for a level or confidence that is none, or readings that repeat exactly.
    """
    checked_share(pool_above, what="the level of pooling")
    tail = 0.5 * (1.0 - checked_confidence(confidence))
    rows = variance_rows(table.values)
    if not rows["error"].squares > 1e-16 * rows["total"].squares:
        raise ValueError("gauge study: repeated readings are all equal; measure with a finer resolution")
    ratio = rows["interaction"].mean / rows["error"].mean
    p = f_upper_tail(ratio, dof=rows["interaction"].dof, dof_below=rows["error"].dof)
    terms = _terms(table.values.shape, rows, pooled=p > pool_above)
    found = {name: _component(one, tail, confidence, table.values.size) for name, one in terms.items()}
    plain = {name: math.fsum(term.weight * term.row.mean for term in one) for name, one in terms.items()}
    gauge = _at_least(found["gauge"], sum(found[name].value for name in _OF_GAUGE if name in found))
    total = gauge.value + found["parts"].value
    return VarianceStudy(
        rows=rows,
        interaction_f=ratio,
        interaction_p=p,
        pooled=p > pool_above,
        repeatability=found["repeatability"],
        appraisers=found["appraisers"],
        interaction=found.get("interaction"),
        gauge=gauge,
        parts=found["parts"],
        total=total,
        of_variation=math.sqrt(gauge.value / total),
        of_tolerance=of_tolerance(_rooted(gauge), low=low, high=high),
        categories=CATEGORIES * math.sqrt(found["parts"].value / gauge.value),
        negative=tuple(name for name, value in plain.items() if value < 0.0),
        n=table.values.size,
    )


def variance_rows(values: Floats) -> dict[str, MeanSquare]:
    """Sums of squares of a crossed table (parts by appraisers by trials)."""
    parts, appraisers, trials = values.shape
    centred = values - values.mean()
    cells = centred.mean(axis=2)
    of_part, of_appraiser = cells.mean(axis=1), cells.mean(axis=0)
    crossed = cells - of_part[:, np.newaxis] - of_appraiser
    return {
        "parts": MeanSquare(_squares(of_part) * appraisers * trials, parts - 1),
        "appraisers": MeanSquare(_squares(of_appraiser) * parts * trials, appraisers - 1),
        "interaction": MeanSquare(_squares(crossed) * trials, (parts - 1) * (appraisers - 1)),
        "error": MeanSquare(_squares(centred - cells[:, :, np.newaxis]), parts * appraisers * (trials - 1)),
        "total": MeanSquare(_squares(centred), values.size - 1),
    }


def _squares(values: Floats) -> float:
    return float(np.square(values).sum())


def _terms(shape: tuple[int, ...], rows: dict[str, MeanSquare], *, pooled: bool) -> dict[str, tuple[Term, ...]]:
    """Each component as weighted mean squares (expected mean squares of two random crossed factors)."""
    parts, appraisers, trials = shape
    part, appraiser, error = rows["parts"], rows["appraisers"], rows["error"]
    if pooled:
        crossed = rows["interaction"]
        error = residual = MeanSquare(error.squares + crossed.squares, error.dof + crossed.dof)
        gauge: tuple[Term, ...] = (
            Term(1.0 / (parts * trials), appraiser),
            Term(1.0 - 1.0 / (parts * trials), error),
        )
    else:
        residual = rows["interaction"]
        gauge = (
            Term(1.0 / (parts * trials), appraiser),
            Term((parts - 1.0) / (parts * trials), residual),
            Term(1.0 - 1.0 / trials, error),
        )
    interaction = {} if pooled else {"interaction": (Term(1.0 / trials, residual), Term(-1.0 / trials, error))}
    return interaction | {
        "repeatability": (Term(1.0, error),),
        "appraisers": (Term(1.0 / (parts * trials), appraiser), Term(-1.0 / (parts * trials), residual)),
        "gauge": gauge,
        "parts": (Term(1.0 / (appraisers * trials), part), Term(-1.0 / (appraisers * trials), residual)),
    }


def _component(terms: tuple[Term, ...], tail: float, confidence: float, n: int) -> Estimate:
    value = math.fsum(term.weight * term.row.mean for term in terms)
    low, high = mean_square_interval(terms, tail=tail)
    return Estimate(value=max(0.0, value), low=max(0.0, low), high=max(0.0, value, high), confidence=confidence, n=n)


def _at_least(estimate: Estimate, value: float) -> Estimate:
    """The sum of components of which negative ones count as 0; its interval reaches to it at least."""
    return Estimate(
        value=value,
        low=min(value, estimate.low or 0.0),
        high=max(value, estimate.high or 0.0),
        confidence=estimate.confidence,
        n=estimate.n,
    )


def _rooted(variance: Estimate) -> Estimate:
    return Estimate(
        value=math.sqrt(variance.value),
        low=math.sqrt(variance.low or 0.0),
        high=math.sqrt(variance.high or 0.0),
        confidence=variance.confidence,
        n=variance.n,
    )
