"""Chi-square quantiles and the confidence interval of a standard deviation, without a statistics package.

Owns the numbers only. The regularised incomplete gamma function by its series and its continued fraction
(textbook, from memory; held against scipy in the tests); the interval of a standard deviation of normal noise from
the chi-square distribution of its square (JCGM 100:2008 E.4.3 names the underlying distribution; from memory).
"""

from __future__ import annotations

import math

from benchrig.judge.uncertainty import COVERAGE

_TINY = 1e-300
_EPSILON = 1e-16
_MOST_TERMS = 100_000


def chi_square_quantile(probability: float, *, dof: float) -> float:
    """x below which a chi-square variable of `dof` lies with `probability`; to 1e-12 of itself. Raises ValueError."""
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability is {probability!r}; accepted: above 0 and below 1")
    if not (math.isfinite(dof) and dof > 0.0):
        raise ValueError(f"degrees of freedom are {dof!r}; accepted: finite and above 0")
    low, high = 0.0, max(1.0, dof)
    while _lower_gamma(0.5 * dof, 0.5 * high) < probability:
        high *= 2.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if _lower_gamma(0.5 * dof, 0.5 * middle) < probability:
            low = middle
        else:
            high = middle
        if high - low <= 1e-14 * high:
            break
    return 0.5 * (low + high)


def deviation_interval(deviation: float, *, dof: float, coverage: float = COVERAGE) -> tuple[float, float]:
    """Between which values the true standard deviation of normal noise lies, with probability `coverage`.

    `deviation` is one found from `dof` degrees of freedom. Infinite degrees of freedom leave no doubt. Raises
    ValueError.
    """
    if not (math.isfinite(deviation) and deviation >= 0.0):
        raise ValueError(f"the standard deviation is {deviation!r}; accepted: a finite number from 0 up")
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage is {coverage!r}; accepted: above 0 and below 1")
    if math.isinf(dof):
        return deviation, deviation
    tail = 0.5 * (1.0 - coverage)
    least, most = (chi_square_quantile(one, dof=dof) for one in (tail, 1.0 - tail))
    return deviation * math.sqrt(dof / most), deviation * math.sqrt(dof / least)


def _lower_gamma(a: float, x: float) -> float:
    """Regularised lower incomplete gamma function."""
    if x <= 0.0:
        return 0.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    return front * _series(a, x) if x < a + 1.0 else 1.0 - front * _fraction(a, x)


def _series(a: float, x: float) -> float:
    term = total = 1.0 / a
    for number in range(1, _MOST_TERMS):
        term *= x / (a + number)
        total += term
        if term < total * _EPSILON:
            break
    return total


def _fraction(a: float, x: float) -> float:
    """Continued fraction of the upper function, by the method of Lentz."""
    b = x + 1.0 - a
    c, d = 1.0 / _TINY, 1.0 / b
    value = d
    for number in range(1, _MOST_TERMS):
        step = -number * (number - a)
        b += 2.0
        d = 1.0 / _not_zero(step * d + b)
        c = _not_zero(b + step / c)
        value *= d * c
        if abs(d * c - 1.0) < _EPSILON * 10.0:
            break
    return value


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY
