"""Capability of a process against its limits: Cp, Cpk, Cpm, Pp and Ppk, each with interval and n.

Owns the indices and when they are refused. Must not know where limits come from. Pp, Ppk and Cpm use the deviation
of all values; Cp and Cpk that within subgroups, which only subgroups can tell (pooled, exact degrees of freedom).

Formulas: NIST/SEMATECH e-Handbook 6.1.6 (from memory). Intervals: Cp by chi-square, exact; Cpk of two limits by the
normal approximation of A. F. Bissell (1990), of one limit exact by the noncentral t; Cpm by chi-square with the
degrees of freedom of R. A. Boyles (1991) (all from memory). All of it is normal theory: where the values contradict
a normal distribution, `proven` is False and `words` says what to use instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.chi_square import chi_square_quantile
from benchrig.statistics.noncentral_t import noncentral_t_shift
from benchrig.statistics.normality import Normality, normality
from benchrig.statistics.samples import (
    CONFIDENCE,
    Estimate,
    checked_confidence,
    checked_scatter,
    checked_tolerance,
    checked_values,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.statistics.samples import Floats, Values

FEWEST_VALUES = 25
"""Below this an index says next to nothing: from 25 values a Cpk of 1.33 is 0.93 to 1.73. Own choice."""

_WHAT = "capability"


class Spread(NamedTuple):
    """A mean of n values, and a deviation with its degrees of freedom."""

    mean: float
    deviation: float
    dof: int
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """What the boards must be: low, high or both, and perhaps a target between. Raises ValueError."""

    low: float | None = None
    high: float | None = None
    target: float | None = None

    def __post_init__(self) -> None:
        low, high = checked_tolerance(self.low, self.high, what=_WHAT)
        if self.target is None:
            return
        if low is None or high is None or not low < self.target < high:
            raise ValueError(f"{_WHAT}: the target is {self.target!r}; accepted: between low {low!r} and high {high!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """The indices that can be told; None for those that cannot: `cp` and `pp` of one limit, `cpm` without a target,
    `cp` and `cpk` without subgroups. `proven`: normal theory is not contradicted. `words` says both in sentences.
    """

    n: int
    mean: float
    deviation: float
    deviation_within: float | None
    cp: Estimate | None
    cpk: Estimate | None
    cpm: Estimate | None
    pp: Estimate | None
    ppk: Estimate
    normality: Normality

    @property
    def proven(self) -> bool:
        return not self.normality.contradicted

    @property
    def words(self) -> str:
        text = f"Ppk {self.ppk.value:.2f} ({_side(self.ppk.low)} to {_side(self.ppk.high)}) from {self.n} values"
        if self.proven:
            return f"{text}; {self.normality.words}"
        return (
            f"{text} is not proven: {self.normality.words}; use a distribution-free tolerance interval, or find out "
            "which boards stand apart"
        )


def _side(side: float | None) -> str:
    return "open" if side is None else f"{side:.2f}"


def capability(
    values: Values,
    *,
    tolerance: Tolerance,
    confidence: float = CONFIDENCE,
    level: float = 0.05,
) -> Capability:
    """Pp, Ppk and, with a target, Cpm of values that have no subgroups. Raises ValueError for fewer than 25."""
    found = checked_values(values, what=_WHAT, fewest=FEWEST_VALUES)
    return _capability(found, None, tolerance, checked_confidence(confidence), level)


def subgroup_capability(
    subgroups: Iterable[Values],
    *,
    tolerance: Tolerance,
    confidence: float = CONFIDENCE,
    level: float = 0.05,
) -> Capability:
    """All indices, from subgroups of two or more values taken close together. Raises ValueError."""
    groups = [checked_values(one, what=f"subgroup {at}", fewest=2) for at, one in enumerate(subgroups, start=1)]
    if len(groups) < 2:
        raise ValueError(f"{_WHAT}: {len(groups)} subgroups; needed are 2 or more: give values in subgroups")
    found = checked_values(np.concatenate(groups), what=_WHAT, fewest=FEWEST_VALUES)
    return _capability(found, _within(groups, found), tolerance, checked_confidence(confidence), level)


def _within(groups: list[Floats], found: Floats) -> Spread:
    dof = found.size - len(groups)
    squares = math.fsum(float(np.square(group - group.mean()).sum()) for group in groups)
    deviation = math.sqrt(squares / dof)
    # a hundred millionth of all scatter within the subgroups is rounding of values that are the same in each
    if not deviation > 1e-8 * float(found.std()):
        raise ValueError(f"{_WHAT}: the values within each subgroup are constant; measure with a finer resolution")
    return Spread(float(found.mean()), deviation, dof, found.size)


def _capability(
    found: Floats, within: Spread | None, tolerance: Tolerance, confidence: float, level: float
) -> Capability:
    overall = Spread(float(found.mean()), checked_scatter(found, what=_WHAT), found.size - 1, found.size)
    return Capability(
        n=overall.n,
        mean=overall.mean,
        deviation=overall.deviation,
        deviation_within=None if within is None else within.deviation,
        cp=None if within is None else potential_index(within, tolerance=tolerance, confidence=confidence),
        cpk=None if within is None else actual_index(within, tolerance=tolerance, confidence=confidence),
        cpm=target_index(overall, tolerance=tolerance, confidence=confidence),
        pp=potential_index(overall, tolerance=tolerance, confidence=confidence),
        ppk=actual_index(overall, tolerance=tolerance, confidence=confidence),
        normality=normality(found, level=level),
    )


# ---- the indices


def potential_index(spread: Spread, *, tolerance: Tolerance, confidence: float) -> Estimate | None:
    """Cp or Pp, (high - low) / 6 s; None with one limit alone."""
    if tolerance.low is None or tolerance.high is None:
        return None
    return _by_chi_square((tolerance.high - tolerance.low) / (6.0 * spread.deviation), spread.dof, spread.n, confidence)


def _by_chi_square(value: float, dof: float, n: int, confidence: float) -> Estimate:
    tail = 0.5 * (1.0 - confidence)
    low, high = (math.sqrt(chi_square_quantile(one, dof=dof) / dof) for one in (tail, 1.0 - tail))
    return Estimate(value=value, low=value * low, high=value * high, confidence=confidence, n=n)


def target_index(spread: Spread, *, tolerance: Tolerance, confidence: float) -> Estimate | None:
    """Cpm, (high - low) / 6 sqrt(s² + (mean - target)²); None without a target."""
    if tolerance.low is None or tolerance.high is None or tolerance.target is None:
        return None
    off = spread.mean - tolerance.target
    value = (tolerance.high - tolerance.low) / (6.0 * math.hypot(spread.deviation, off))
    square = min((off / spread.deviation) ** 2, 1e12)
    dof = spread.dof * (1.0 + square) ** 2 / (1.0 + 2.0 * square)
    return _by_chi_square(value, min(dof, 1e6), spread.n, confidence)


def actual_index(spread: Spread, *, tolerance: Tolerance, confidence: float, exact: bool = True) -> Estimate:
    """Cpk or Ppk: from the mean to the nearer limit, / 3 s. Negative when the mean is outside.

    Without `exact` the interval of one limit is the approximation, too, which costs a thousandth.
    """
    sides = [
        room / (3.0 * spread.deviation)
        for room in (
            None if tolerance.low is None else spread.mean - tolerance.low,
            None if tolerance.high is None else tolerance.high - spread.mean,
        )
        if room is not None
    ]
    value = min(sides)
    interval = _one_sided if exact and len(sides) == 1 else _bissell
    low, high = interval(value, spread, confidence)
    return Estimate(value=value, low=low, high=high, confidence=confidence, n=spread.n)


def _bissell(value: float, spread: Spread, confidence: float) -> tuple[float, float]:
    z = NormalDist().inv_cdf(0.5 + 0.5 * confidence)
    half = z * math.sqrt(1.0 / (9.0 * spread.n) + value * value / (2.0 * spread.dof))
    return value - half, value + half


def _one_sided(value: float, spread: Spread, confidence: float) -> tuple[float, float]:
    """3 sqrt(n) times the index is a noncentral t whose shift is 3 sqrt(n) times the true one."""
    tail, scale = 0.5 * (1.0 - confidence), 3.0 * math.sqrt(spread.n)
    if abs(scale * value) > 1e5:
        return _bissell(value, spread, confidence)  # beyond what is integrated; no limit of a bench is so far away
    low, high = (
        noncentral_t_shift(scale * value, dof=spread.dof, probability=one) / scale for one in (1.0 - tail, tail)
    )
    return low, high
