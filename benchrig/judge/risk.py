"""Risk of a wrong decision about a measured value: of this one value, and over all boards of a process.

Owns conformance probability, specific and global consumer's and producer's risk and the guard bands of a risk
that is limited. Must not know named limits, rules or instruments: borders and uncertainties are plain numbers in
one unit.

Formulas: JCGM 106:2012 (from memory). What may be said of the true value after one reading is normal, with the
standard uncertainty as its standard deviation; with a normal process prior it is the product of the two normal
densities. Global risks are joint probabilities over the prior: "bad and accepted" counts among all boards, not
among the bad ones. A true value that is equal to a limit conforms.
"""

from __future__ import annotations

import itertools
import math
import sys
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

_SQRT2 = math.sqrt(2.0)
_SQRT2PI = math.sqrt(2.0 * math.pi)
_FAR = 9
"""Standard deviations beyond which a normal variable is not looked for: 1e-19 of it lies there."""

_NODES, _WEIGHTS = (tuple(map(float, part)) for part in np.polynomial.legendre.leggauss(20))


@dataclass(frozen=True, slots=True)
class Spread:
    """What is known before measuring: true values of the boards of a process, taken as normal.

    Both numbers are in the unit of the limit. Raises ValueError unless finite, the deviation above 0.
    """

    mean: float
    standard_deviation: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.mean):
            raise ValueError(f"the mean of the process is {self.mean!r}; accepted: a finite number")
        if not (math.isfinite(self.standard_deviation) and self.standard_deviation > 0.0):
            raise ValueError(
                f"the standard deviation of the process is {self.standard_deviation!r}; accepted: finite and above 0"
            )


class Bands(NamedTuple):
    """Accept from `inner` inside a limit; reject from beyond `outer` outside of it; between the two: undecided."""

    inner: float
    outer: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisks:
    """Shares of all boards of a process, each from 0 to 1. "Good" is a true value within the limits.

    Two conventions for the producer: `failed_good` counts verdicts "fail" only, `not_accepted_good` whatever did
    not pass, as a binary rule would (JCGM 106:2012).
    """

    bad: float
    accepted: float
    accepted_bad: float
    failed_good: float
    undecided_good: float
    undecided_bad: float

    @property
    def not_accepted_good(self) -> float:
        """Global producer's risk of a binary rule."""
        return self.failed_good + self.undecided_good

    @property
    def undecided(self) -> float:
        return self.undecided_good + self.undecided_bad

    @property
    def bad_among_accepted(self) -> float:
        """What a customer sees: the share of bad boards among those that passed; 0 when none does."""
        return self.accepted_bad / self.accepted if self.accepted > 0.0 else 0.0


# ---- one value


def nonconformance_probability(
    value: float,
    *,
    standard_uncertainty: float,
    low: float | None = None,
    high: float | None = None,
    prior: Spread | None = None,
) -> float:
    """Probability that the true value is outside: the specific consumer's risk of accepting `value`.

    Good to a relative 1e-12 far into the tails. Raises ValueError for what is not finite, for an uncertainty below
    0, and without any limit.
    """
    below, above = _outside(value, standard_uncertainty, low, high, prior)
    return below + above


def conformance_probability(
    value: float,
    *,
    standard_uncertainty: float,
    low: float | None = None,
    high: float | None = None,
    prior: Spread | None = None,
) -> float:
    """Probability that the true value is inside: the specific producer's risk of rejecting `value`. Errors as above."""
    mean, deviation = _belief(value, standard_uncertainty, prior)
    lowest, highest = _borders(low, high)
    if deviation == 0.0:
        return float(lowest <= mean <= highest)
    return _between((lowest - mean) / deviation, (highest - mean) / deviation)


def _outside(
    value: float, standard_uncertainty: float, low: float | None, high: float | None, prior: Spread | None
) -> tuple[float, float]:
    mean, deviation = _belief(value, standard_uncertainty, prior)
    lowest, highest = _borders(low, high)
    if deviation == 0.0:
        return float(mean < lowest), float(mean > highest)
    return _upper_tail((mean - lowest) / deviation), _upper_tail((highest - mean) / deviation)


def _belief(value: float, standard_uncertainty: float, prior: Spread | None) -> tuple[float, float]:
    """Mean and standard deviation of what the true value may be."""
    if not math.isfinite(value):
        raise ValueError(f"the value is {value!r}, no finite number; measure again")
    u = _checked_uncertainty(standard_uncertainty)
    if prior is None or u == 0.0:
        return value, u
    joint = math.hypot(u, prior.standard_deviation)
    weight = (prior.standard_deviation / joint) ** 2
    return prior.mean + weight * (value - prior.mean), u * (prior.standard_deviation / joint)


def _checked_uncertainty(standard_uncertainty: float) -> float:
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty >= 0.0):
        raise ValueError(f"the standard uncertainty is {standard_uncertainty!r}; accepted: a finite number from 0 up")
    return float(standard_uncertainty)


def _borders(low: float | None, high: float | None) -> tuple[float, float]:
    if low is None and high is None:
        raise ValueError("neither low nor high is given; a risk needs at least one limit")
    for name, side in (("low", low), ("high", high)):
        if side is not None and not math.isfinite(side):
            raise ValueError(f"{name} is {side!r}, no finite number; leave it out for an open side")
    lowest, highest = -math.inf if low is None else float(low), math.inf if high is None else float(high)
    if lowest > highest:
        raise ValueError(f"low {low!r} is above high {high!r}; nothing can be inside")
    return lowest, highest


# ---- a limited risk


def risk_limited_bands(risk: float, *, standard_uncertainty: float, width: float) -> Bands:
    """Guard bands for which an accepted value is bad, or a rejected one good, with probability `risk` at most.

    `width` is high less low, infinite with one limit; no prior is used. When no value can be accepted, `inner` is
    wider than half the width. Rejecting asks that the true value be beyond that limit with probability 1 - `risk`;
    being beyond the other one does not help, or a hopeless uncertainty would reject whatever it sees.
    Raises ValueError for a risk that is not above 0 and below 0.5, an uncertainty or a width below 0.
    """
    if not 0.0 < risk < 0.5:
        raise ValueError(f"the risk is {risk!r}; accepted: above 0 and below 0.5, such as 0.02")
    if not width >= 0.0:
        raise ValueError(f"the width of the tolerance is {width!r}; accepted: 0 or more, infinite with one limit")
    u = _checked_uncertainty(standard_uncertainty)
    if u == 0.0:
        return Bands(0.0, 0.0)
    one_tail = _normal_quantile(risk)
    inner = _inner_band(risk, one_tail, width / u)
    return Bands(min(u * inner, sys.float_info.max), min(u * one_tail, sys.float_info.max))


def _inner_band(risk: float, one_tail: float, width: float) -> float:
    """The v, in standard uncertainties, at which the tails beyond v and beyond width - v are `risk` together."""
    if width > one_tail + _FAR:
        return one_tail
    split = _normal_quantile(0.5 * risk)
    if width <= 2.0 * split:
        return split  # in the very middle both tails are alike, and together more than the risk
    # from the left the sum of tails falls and is convex, so that Newton's steps never pass the root
    v = one_tail
    for _ in range(60):
        excess = _upper_tail(v) + _upper_tail(width - v) - risk
        step = excess / (_density(v) - _density(width - v))
        v = min(v + step, split)
        if step <= 1e-9 * v:  # the error is squared with each step: this was the last that counted
            break
    return v


@lru_cache(maxsize=256)
def _normal_quantile(tail: float) -> float:
    return -NormalDist().inv_cdf(tail)


def _upper_tail(z: float) -> float:
    return 0.5 * math.erfc(z / _SQRT2)


def _density(z: float) -> float:
    return math.exp(-0.5 * z * z) / _SQRT2PI


def _between(a: float, b: float) -> float:
    """Probability of a standard normal variable from a to b, taken from the side where no digits are lost."""
    if a > 0.0:
        return max(0.0, _upper_tail(a) - _upper_tail(b))
    if b < 0.0:
        return max(0.0, _upper_tail(-b) - _upper_tail(-a))
    return max(0.0, 1.0 - _upper_tail(-a) - _upper_tail(b))


# ---- all boards of a process


def global_risks(
    prior: Spread,
    *,
    standard_uncertainty: float,
    low: float | None = None,
    high: float | None = None,
    bands: Bands | None = None,
) -> GlobalRisks:
    """Risks over the boards of `prior`, each measured once with a normal error of `standard_uncertainty`.

    A reading is accepted within [low + inner, high - inner] and failed outside of [low - outer, high + outer]; no
    bands is simple acceptance. Gauss-Legendre integration, good to 1e-12. Raises ValueError.
    """
    u = _checked_uncertainty(standard_uncertainty)
    lowest, highest = _borders(low, high)
    inner, outer = _checked_bands(bands)
    if lowest + inner <= highest - inner:
        seen = (lowest - outer, lowest + inner, highest - inner, highest + outer)
    else:  # nothing is accepted
        seen = (lowest - outer, 0.5 * (lowest + highest), 0.5 * (lowest + highest), highest + outer)
    bad_low = _joint(prior, u, (-math.inf, lowest), seen)
    good = _joint(prior, u, (lowest, highest), seen)
    bad_high = _joint(prior, u, (highest, math.inf), seen)
    accepted_bad = bad_low[2] + bad_high[2]
    return GlobalRisks(
        bad=nonconformance_probability(prior.mean, standard_uncertainty=prior.standard_deviation, low=low, high=high),
        accepted=good[2] + accepted_bad,
        accepted_bad=accepted_bad,
        failed_good=good[0] + good[4],
        undecided_good=good[1] + good[3],
        undecided_bad=bad_low[1] + bad_low[3] + bad_high[1] + bad_high[3],
    )


def _checked_bands(bands: Bands | None) -> Bands:
    found = Bands(0.0, 0.0) if bands is None else bands
    for name, width in zip(Bands._fields, found, strict=True):
        if not (math.isfinite(width) and width >= 0.0):
            raise ValueError(f"the {name} guard band is {width!r}; accepted: a finite number from 0 up")
    return found


def _joint(prior: Spread, u: float, truth: tuple[float, float], seen: tuple[float, ...]) -> list[float]:
    """Probability that the true value is in `truth` and the reading in each of the zones that `seen` divides."""
    edges = (-math.inf, *seen, math.inf)
    if u == 0.0:
        return [_mass(prior, max(truth[0], a), min(truth[1], b)) for a, b in itertools.pairwise(edges)]
    sums: list[list[float]] = [[] for _ in edges[1:]]
    for start, end in itertools.pairwise(_panels(prior, u, truth, seen)):
        half = 0.5 * (end - start)
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            true = start + half * (1.0 + node)
            scale = weight * half * _density((true - prior.mean) / prior.standard_deviation) / prior.standard_deviation
            for total, (a, b) in zip(sums, itertools.pairwise(edges), strict=True):
                total.append(scale * _between((a - true) / u, (b - true) / u))
    return [math.fsum(total) for total in sums]


def _mass(prior: Spread, start: float, end: float) -> float:
    if start >= end:
        return 0.0
    return _between((start - prior.mean) / prior.standard_deviation, (end - prior.mean) / prior.standard_deviation)


def _panels(prior: Spread, u: float, truth: tuple[float, float], seen: tuple[float, ...]) -> list[float]:
    """Ends of the panels: a standard deviation of the prior, or of the error about each border, is one at most."""
    start = max(truth[0], prior.mean - _FAR * prior.standard_deviation)
    end = min(truth[1], prior.mean + _FAR * prior.standard_deviation)
    if start >= end:
        return []
    steps = range(-_FAR, _FAR + 1)
    marks = {prior.mean + step * prior.standard_deviation for step in steps}
    marks |= {border + step * u for border in seen if math.isfinite(border) for step in steps}
    return [start, *sorted(mark for mark in marks if start < mark < end), end]
