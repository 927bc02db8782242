"""What the boards of a lot say of each limit: every figure of the statistics, or the sentence why there is none.

Owns which figures are asked for. Must not know pages. The statistics refuse what too few values cannot say; their
sentences are kept, never worked around.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from benchrig.statistics.capability import Capability, Tolerance, capability
from benchrig.statistics.charts import ChartPair, individuals_charts
from benchrig.statistics.limit_proposal import LimitProposal, propose_limits
from benchrig.statistics.limit_statistics import LimitStatistics, limit_statistics
from benchrig.statistics.proportions import exact_share
from benchrig.statistics.samples import LARGEST, Estimate
from benchrig.statistics.tolerance import ToleranceInterval, free_interval, normal_interval
from benchrig.statistics.weighted_charts import AverageChart, SumChart, average_chart, sum_chart

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from benchrig.lot_report.lot import LimitKey, LimitSeries

T = TypeVar("T")

MOST_CHARTED = 3
"""Limits whose charts are drawn: a page with fifty of them is read by nobody. Own choice."""

SLACK_SIGMAS, LIMIT_SIGMAS = 0.5, 5.0
"""Of the cumulative sum: finds a shift of one sigma; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitFigures:
    """One limit: its values, and what they say. None where they say too little, with the reason in `lacking`."""

    series: LimitSeries
    statistics: LimitStatistics
    outside: Estimate
    capability: Capability | None
    tolerance: ToleranceInterval | None
    lacking: tuple[str, ...]

    @property
    def normal(self) -> str:
        """Whether normal theory holds, in a word."""
        return (
            "not known" if self.capability is None else "not contradicted" if self.capability.proven else "contradicted"
        )

    @property
    def room(self) -> float:
        """Distance of the mean from the nearer limit in thirds of its deviation: small is trouble."""
        mean, deviation = self.statistics.mean or 0.0, self.statistics.deviation or 0.0
        key = self.series.key
        rooms = [] if key.low is None else [mean - key.low]
        rooms += [] if key.high is None else [key.high - mean]
        room = min(rooms, default=math.inf)
        if deviation > 0.0:
            return room / (3.0 * deviation)
        return -math.inf if room < 0.0 else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitCharts:
    """The control charts of one limit, in the order of time. Target and sigma are those of the single values."""

    figures: LimitFigures
    pair: ChartPair
    average: AverageChart
    sums: SumChart


def figures_of(series: LimitSeries) -> LimitFigures | None:
    """The figures of one limit; None where it has no value at all."""
    if not series.values:
        return None
    key, lacking = series.key, list[str]()
    tolerance = _tried(lambda: Tolerance(low=key.low, high=key.high), lacking)
    (statistics,) = limit_statistics(
        np.array(series.values)[:, np.newaxis], tolerances=[tolerance or Tolerance(low=-LARGEST)]
    )
    found = _tried(lambda: capability(series.values, tolerance=tolerance), lacking) if tolerance else None
    return LimitFigures(
        series=series,
        statistics=statistics,
        outside=exact_share(_outside(key, series.values), total=len(series.values)),
        capability=found,
        tolerance=_tried(lambda: interval_of(series, is_normal=found is None or found.proven), lacking),
        lacking=tuple(dict.fromkeys(lacking)),
    )


def _outside(key: LimitKey, values: Sequence[float]) -> int:
    low = -math.inf if key.low is None else key.low
    high = math.inf if key.high is None else key.high
    return sum(not low <= value <= high for value in values)


def interval_of(series: LimitSeries, *, is_normal: bool) -> ToleranceInterval:
    """On the sides that are limited, by normal theory where nothing contradicts it. Raises ValueError."""
    if is_normal:
        found = normal_interval(series.values, side=series.key.side)
        if found.proven:
            return found
    return free_interval(series.values, side=series.key.side)


def proposal_of(series: LimitSeries, passed: Iterable[str], lacking: list[str]) -> LimitProposal | None:
    """Limits that the boards among `passed` suggest; None with the reason in `lacking`."""
    good, key = frozenset(passed), series.key
    values = [value for value, row in zip(series.values, series.rows, strict=True) if row.board in good]
    return _tried(lambda: propose_limits(values, guard=series.largest_uncertainty, side=key.side), lacking)


def charts_of(figures: LimitFigures, lacking: list[str]) -> LimitCharts | None:
    """The charts of one limit; None with the reason in `lacking`."""
    return _tried(lambda: _charts(figures), lacking)


def _charts(figures: LimitFigures) -> LimitCharts:
    values = figures.series.values
    pair = individuals_charts(values)
    target, sigma = pair.location.centre.value, pair.location.sigma.value
    return LimitCharts(
        figures=figures,
        pair=pair,
        average=average_chart(values, target=target, sigma=sigma),
        sums=sum_chart(values, target=target, slack=SLACK_SIGMAS * sigma, limit=LIMIT_SIGMAS * sigma),
    )


def nearest_to_trouble(found: Iterable[LimitFigures], *, most: int = MOST_CHARTED) -> tuple[LimitFigures, ...]:
    """The limits with most boards outside, then with least room, no more than one of each check.

    Those whose values do not scatter are left out: they have no chart.
    """
    scattered = [one for one in found if math.isfinite(one.room)]
    of_check: dict[str, LimitFigures] = {}
    for one in sorted(scattered, key=lambda one: (-one.outside.value, one.room, one.series.key.name)):
        of_check.setdefault(one.series.key.check, one)
    return tuple(of_check.values())[:most]


def _tried(ask: Callable[[], T], lacking: list[str]) -> T | None:
    try:
        return ask()
    except ValueError as refused:
        lacking.append(str(refused))
        return None
