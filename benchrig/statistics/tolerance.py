"""Tolerance intervals: between which values a stated share of all boards lies, with a stated confidence.

Owns the factors k of normal theory and the intervals by order statistics, which ask nothing of the distribution.
Must not know limits: a tolerance interval says what boards are, a limit what they must be.

One-sided k: noncentral t quantile by the root of n, exact. Two-sided k: exact by integration over the mean (C.
Eisenhart and others, 1947; the quantity of ISO 16269-6), and the approximation of W. G. Howe (1969) that the NIST/
SEMATECH e-Handbook gives in 7.2.6.3 (all from memory). Order statistics: S. S. Wilks (1941), from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.chi_square import chi_square_quantile
from benchrig.statistics.incomplete import beta_tails, gamma_tails, rising_root
from benchrig.statistics.noncentral_t import noncentral_t_quantile, panels
from benchrig.statistics.normality import FEWEST_VALUES, Normality, normality
from benchrig.statistics.samples import (
    CONFIDENCE,
    checked_confidence,
    checked_scatter,
    checked_share,
    checked_values,
)

if TYPE_CHECKING:
    from benchrig.statistics.samples import Values

COVERAGE = 0.95
MOST_VALUES = 100_000
LEAST_COVERAGE, MOST_COVERAGE = 0.5, 0.9999
_WHAT = "tolerance interval"


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceInterval:
    """At least `coverage` of all boards lie from `low` to `high`, with `confidence`; None is an open side.

    `normality` is None for an interval that asks nothing of the distribution.
    """

    low: float | None
    high: float | None
    coverage: float
    confidence: float
    n: int
    normality: Normality | None = None

    @property
    def proven(self) -> bool:
        """Whether what the interval rests on is not contradicted by its own values."""
        return self.normality is None or not self.normality.contradicted


def _checked(n: int, coverage: float, confidence: float, *, fewest: int = 2) -> None:
    if not fewest <= n <= MOST_VALUES:
        raise ValueError(f"{_WHAT}: n is {n!r}; accepted: from {fewest} to {MOST_VALUES} values")
    if not LEAST_COVERAGE <= coverage <= MOST_COVERAGE:
        raise ValueError(
            f"{_WHAT}: the coverage is {coverage!r}; accepted: from {LEAST_COVERAGE:g} to {MOST_COVERAGE:g}"
        )
    checked_confidence(confidence)


# ---- normal theory


@lru_cache(maxsize=1024)
def two_sided_factor(n: int, *, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> float:
    """k for which mean ± k s holds the share, exact to 1e-8 of itself. Raises ValueError."""
    _checked(n, coverage, confidence)
    u, weights = panels([float(one) for one in range(1, 9)], 0.0, 9.0)
    mass = 2.0 * weights * np.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi)
    kept = [(one, _reach(z, coverage)) for one, z in zip(mass.tolist(), (u / math.sqrt(n)).tolist(), strict=True)]
    dof = n - 1

    def at(log_k: float) -> float:
        k = math.exp(log_k)
        return math.fsum(one * gamma_tails(0.5 * dof * (reach / k) ** 2, a=0.5 * dof).upper for one, reach in kept)

    start = math.log(howe_factor(n, coverage=coverage, confidence=confidence))
    return math.exp(rising_root(lambda log_k: at(log_k) - confidence, start - 0.7, start + 0.7))


def _reach(z: float, coverage: float) -> float:
    """r for which a normal variable lies within z ± r with probability `coverage`."""

    def at(r: float) -> float:
        # the two tails, so that digits of a coverage near 1 are kept
        return (1.0 - coverage) - 0.5 * math.erfc((r - z) / math.sqrt(2.0)) - 0.5 * math.erfc((r + z) / math.sqrt(2.0))

    central = NormalDist().inv_cdf(0.5 + 0.5 * coverage)
    return rising_root(at, 0.5 * central, z + central)


def howe_factor(n: int, *, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> float:
    """Howe's approximation of the two-sided k, as the handbook's example uses it. Raises ValueError."""
    _checked(n, coverage, confidence)
    z = NormalDist().inv_cdf(0.5 + 0.5 * coverage)
    return z * math.sqrt((n - 1) * (1.0 + 1.0 / n) / chi_square_quantile(1.0 - confidence, dof=n - 1))


def one_sided_factor(n: int, *, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> float:
    """k for which the share lies below mean + k s (or above mean - k s), exact. Raises ValueError."""
    _checked(n, coverage, confidence)
    shift = NormalDist().inv_cdf(coverage) * math.sqrt(n)
    return noncentral_t_quantile(confidence, dof=n - 1, shift=shift) / math.sqrt(n)


def normal_interval(
    values: Values, *, side: str = "both", coverage: float = COVERAGE, confidence: float = CONFIDENCE
) -> ToleranceInterval:
    """Tolerance interval of normal theory; `side` is 'both', 'low' or 'high'. Raises ValueError for fewer than 8.

    Look at `proven`: where the values contradict a normal distribution, this interval promises nothing.
    """
    _check_side(side)
    found = checked_values(values, what=_WHAT, fewest=FEWEST_VALUES)
    mean, deviation = float(found.mean()), checked_scatter(found, what=_WHAT)
    factor = two_sided_factor if side == "both" else one_sided_factor
    reach = deviation * factor(found.size, coverage=coverage, confidence=confidence)
    return ToleranceInterval(
        low=None if side == "high" else mean - reach,
        high=None if side == "low" else mean + reach,
        coverage=coverage,
        confidence=confidence,
        n=found.size,
        normality=normality(found),
    )


def _check_side(side: str) -> None:
    if side not in ("both", "low", "high"):
        raise ValueError(f"{_WHAT}: side is {side!r}; accepted: 'both', 'low' or 'high'")


# ---- order statistics


def values_needed(*, side: str = "both", coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> int:
    """Least n whose smallest and largest value (or one of them) are a tolerance interval. Raises ValueError."""
    _check_side(side)
    _checked(2, coverage, confidence)
    cut = 2 if side == "both" else 1
    low, high = cut, cut + 1
    while not _holds(high, cut, coverage, confidence):
        low, high = high, 2 * high
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if _holds(middle, cut, coverage, confidence) else (middle + 1, high)
    return high


def _holds(n: int, cut: int, coverage: float, confidence: float) -> bool:
    """Whether n values less the `cut` gaps at their ends hold the coverage: a beta variable of n + 1 - cut and cut."""
    return beta_tails(coverage, a=n + 1 - cut, b=cut).upper >= confidence


def free_interval(
    values: Values, *, side: str = "both", coverage: float = COVERAGE, confidence: float = CONFIDENCE
) -> ToleranceInterval:
    """Tolerance interval between two of the values, whatever their distribution, the tightest that holds.

    As many values as may be are cut off at the ends, alike on both sides; one more at the top if their number is odd.
    Raises ValueError for fewer values than are needed, naming how many.
    """
    _check_side(side)
    _checked(2, coverage, confidence)
    fewest = values_needed(side=side, coverage=coverage, confidence=confidence)
    found = np.sort(checked_values(values, what=f"distribution-free {_WHAT}", fewest=fewest))
    cut = _largest_cut(found.size, 2 if side == "both" else 1, coverage, confidence)
    from_low, from_high = {"both": (cut // 2, cut - cut // 2), "low": (cut, 0), "high": (0, cut)}[side]
    return ToleranceInterval(
        low=float(found[from_low - 1]) if from_low else None,
        high=float(found[-from_high]) if from_high else None,
        coverage=checked_share(coverage, what="the coverage"),
        confidence=confidence,
        n=found.size,
    )


def _largest_cut(n: int, least: int, coverage: float, confidence: float) -> int:
    low, high = least, n
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if _holds(n, middle, coverage, confidence) else (low, middle - 1)
    return low
