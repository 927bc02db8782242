"""Robust trend of a series, such as the contact resistance of one contact fixture, and when it reaches its limit.

Owns the slope and the crossing. Must not know what wears. Slope: the median of all pairwise slopes (H. Theil 1950,
P. K. Sen 1968), which a fifth of wild readings does not move; its interval from Kendall's statistic with ties (Sen;
from memory, held against a statistics library in the tests). The crossing takes slope and level each at half of the
risk (Bonferroni), so that it is at least as sure as it says; that the trend goes on as it is, nobody proves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from benchrig.statistics.incomplete import beta_tails
from benchrig.statistics.samples import CONFIDENCE, LARGEST, Estimate, checked_confidence, checked_values

if TYPE_CHECKING:
    from benchrig.statistics.samples import Floats, Values

FEWEST_POINTS = 8
"""From six no two values bound a level at the 97.5 % that a crossing at 95 % asks for. Own choice, a little above."""

MOST_POINTS = 2000
_WHAT = "trend"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """y = level + slope (x - middle): `middle` is the median of x, `level` the median there, both with intervals."""

    slope: Estimate
    level: Estimate
    middle: float
    first: float
    last: float

    @property
    def rises(self) -> bool | None:
        """Whether the slope is surely above 0; False for surely below, None where its sign is not proven."""
        if self.slope.low is not None and self.slope.low > 0.0:
            return True
        return False if self.slope.high is not None and self.slope.high < 0.0 else None

    def at(self, x: float) -> float:
        """Level of the trend at x."""
        return self.level.value + self.slope.value * (x - self.middle)


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """At which x the trend reaches `limit`.

    `at` is None where the trend goes the other way, or was there before its first point. `earliest` and `latest`
    bound it with `confidence`; None for `latest` says that it may never come, None for both that even the fastest
    trend that fits does not get there. `last` is the x of the latest point.
    """

    limit: float
    at: float | None
    earliest: float | None
    latest: float | None
    confidence: float
    n: int
    last: float

    @property
    def words(self) -> str:
        return _words(self, self.last)


def trend(x: Values, *, y: Values, confidence: float = CONFIDENCE) -> Trend:
    """Theil-Sen slope and level of y over x, any order. Raises ValueError for fewer than 8 points or a constant x."""
    xs, ys = _points(x, y)
    checked_confidence(confidence)
    slopes = _slopes(xs, ys)
    slope = _slope_estimate(xs, ys, slopes, confidence)
    middle = float(np.median(xs))
    return Trend(
        slope=slope,
        level=_level(ys - slope.value * (xs - middle), confidence),
        middle=middle,
        first=float(xs.min()),
        last=float(xs.max()),
    )


def _points(x: Values, y: Values) -> tuple[Floats, Floats]:
    xs, ys = (checked_values(one, what=f"{_WHAT}, {name}", fewest=FEWEST_POINTS) for name, one in (("x", x), ("y", y)))
    if xs.size != ys.size:
        raise ValueError(f"{_WHAT}: {xs.size} x and {ys.size} y; accepted: one y for each x")
    if xs.size > MOST_POINTS:
        raise ValueError(f"{_WHAT}: {xs.size} points make too many pairs; accepted: up to {MOST_POINTS}: take means")
    if len(set(xs.tolist())) < FEWEST_POINTS // 2:
        raise ValueError(f"{_WHAT}: fewer than {FEWEST_POINTS // 2} different x; measure at more times")
    return xs, ys


def _slopes(xs: Floats, ys: Floats) -> Floats:
    """Slopes of all pairs of different x, sorted."""
    one, other = np.triu_indices(xs.size, 1)
    dx = xs[other] - xs[one]
    apart = dx != 0.0
    with np.errstate(over="ignore"):  # said below in words
        found: Floats = np.sort((ys[other] - ys[one])[apart] / dx[apart])
    if not np.isfinite(found).all():
        raise ValueError(f"{_WHAT}: two x differ so little that no slope between them is a number; join such points")
    return found


def _slope_estimate(xs: Floats, ys: Floats, slopes: Floats, confidence: float) -> Estimate:
    z = NormalDist().inv_cdf(0.5 + 0.5 * confidence)
    reach = z * math.sqrt(_kendall_variance(xs, ys))
    low, high = round(0.5 * (slopes.size - reach)) - 1, round(0.5 * (slopes.size + reach))
    return Estimate(
        value=float(np.median(slopes)),
        low=float(slopes[low]) if low >= 0 else None,
        high=float(slopes[high]) if high < slopes.size else None,
        confidence=confidence,
        n=xs.size,
    )


def _kendall_variance(xs: Floats, ys: Floats) -> float:
    """Variance of Kendall's statistic, equal x and equal y taken off (Sen 1968, formula 2.6; from memory)."""
    ties = [np.unique(one, return_counts=True)[1] for one in (xs, ys)]
    whole = _pairs_term(np.array([xs.size]))
    return max(0.0, (whole - sum(_pairs_term(counts) for counts in ties)) / 18.0)


def _pairs_term(counts: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> float:
    return float((counts * (counts - 1) * (2 * counts + 5)).sum())


def _level(rest: Floats, confidence: float) -> Estimate:
    """Median of what the slope leaves, between two of the values by the sign test (binomial, exact)."""
    ordered = np.sort(rest)
    tail, cut = 0.5 * (1.0 - confidence), 0
    # P(no more than `cut` of n are below the median), n times one half, as the tail of a beta variable
    while cut + 1 <= rest.size // 2 and beta_tails(0.5, a=rest.size - cut, b=cut + 1).lower <= tail:
        cut += 1
    return Estimate(
        value=float(np.median(ordered)),
        low=float(ordered[cut - 1]) if cut else None,
        high=float(ordered[-cut]) if cut else None,
        confidence=confidence,
        n=rest.size,
    )


# ---- when it reaches its limit


def crossing(x: Values, *, y: Values, limit: float, confidence: float = CONFIDENCE) -> Crossing:
    """When the trend of y over x reaches `limit`, with an interval that is at least as sure as `confidence`.

    Raises ValueError as `trend` does.
    """
    if not abs(limit) <= LARGEST:
        raise ValueError(f"{_WHAT}: the limit is {limit!r}; accepted: a finite number")
    checked_confidence(confidence)
    xs, ys = _points(x, y)
    found = trend(xs, y=ys, confidence=0.5 + 0.5 * min(confidence, 0.9998))
    earliest, latest = _bounds(found, limit)
    at = _meets(found, limit, found.slope.value, found.level.value)
    if at is None or at < found.first:
        at = None  # it moves away from a limit that it was at before, or is flat
    if latest is not None and latest < found.first:
        earliest = latest = None
    return Crossing(
        limit=limit, at=at, earliest=earliest, latest=latest, confidence=confidence, n=xs.size, last=found.last
    )


def _meets(found: Trend, limit: float, slope: float, level: float) -> float | None:
    """x at which that line is at the limit, before the first point, too; None if it is flat or never within reach."""
    short = limit - level
    if short == 0.0:
        return found.middle
    if slope == 0.0 or abs(short) > LARGEST * abs(slope):
        return None
    return found.middle + short / slope


def _bounds(found: Trend, limit: float) -> tuple[float | None, float | None]:
    """First and last x at which a line meets the limit whose slope and level are both within their intervals.

    For slopes of one sign both are at corners of the two intervals: where the line meets the limit moves one way with
    the slope at any level, and one way with the level at any slope. Slopes of either sign set no last x.
    """
    slopes, levels = (found.slope.low, found.slope.high), (found.level.low, found.level.high)
    corners = [(slope, level) for slope in slopes for level in levels if slope is not None and level is not None]
    if len(corners) < 4:
        return None, None
    meets = [at for slope, level in corners if (at := _meets(found, limit, slope, level)) is not None]
    if found.rises is not None:
        return (min(meets), max(meets)) if len(meets) == 4 else (min(meets, default=None), None)
    if corners[0][1] <= limit <= corners[1][1]:
        return found.first, None  # the level may be at the limit at any time
    return min((at for at in meets if at >= found.first), default=None), None


def _words(found: Crossing, last: float) -> str:
    sure = f"at {100 * found.confidence:.4g} % confidence, if it goes on as it is"
    if found.at is None:
        faster = "" if found.earliest is None else f"; a trend that fits as well reaches it at {found.earliest:.6g}"
        return f"the trend does not go to {found.limit:.6g}{faster} ({sure})"
    reaches = "reached" if found.at <= last else "reaches"
    until = "with no bound after it: it may never come" if found.latest is None else f"no later than {found.latest:.6g}"
    begins = "with no bound before it" if found.earliest is None else f"no sooner than {found.earliest:.6g}"
    return f"the trend {reaches} {found.limit:.6g} at {found.at:.6g}, {begins}, {until} ({sure})"
