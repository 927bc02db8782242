"""Quantile of Student's t distribution for any degrees of freedom from 1 to infinity, whole or not.

Owns this one function. The tail probability is a regularised incomplete beta function (NIST DLMF 8.17,
continued fraction 8.17.22); above 1000 degrees of freedom the expansion of Abramowitz and Stegun 26.7.5 is
better conditioned (sources from memory; checked against a statistics library in the tests).
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

_LARGE_DOF = 1000.0
_TINY = 1e-300


@lru_cache(maxsize=4096)
def two_sided_quantile(coverage: float, *, dof: float) -> float:
    """t for which a Student variable lies in [-t, t] with probability `coverage`.

    Good to a relative 1e-9 for coverages from 0.5 to 0.9999. Raises ValueError outside 0 < coverage < 1 or for
    fewer than 1 degree of freedom.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage is {coverage!r}; accepted: above 0 and below 1, such as 0.9545")
    if not dof >= 1.0:
        raise ValueError(f"degrees of freedom are {dof!r}; accepted: 1 or more, infinity for exactly known")
    normal = _normal_quantile(coverage)
    if dof > _LARGE_DOF:
        return _expansion(normal, dof)
    return _solve(1.0 - coverage, dof, normal)


def _normal_quantile(coverage: float) -> float:
    # one Newton step on erf: the library's quantile is good to about 1e-15 of the probability only
    x = NormalDist().inv_cdf(0.5 + 0.5 * coverage)
    density = math.sqrt(2.0 / math.pi) * math.exp(-0.5 * x * x)
    return x - (math.erf(x / math.sqrt(2.0)) - coverage) / density


def _expansion(x: float, dof: float) -> float:
    """Abramowitz and Stegun 26.7.5: t in powers of 1/dof about the normal quantile x."""
    s = x * x
    terms = (
        x * (s + 1.0) / 4.0,
        x * ((5.0 * s + 16.0) * s + 3.0) / 96.0,
        x * (((3.0 * s + 19.0) * s + 17.0) * s - 15.0) / 384.0,
        x * ((((79.0 * s + 776.0) * s + 1482.0) * s - 1920.0) * s - 945.0) / 92160.0,
    )
    share = 1.0 / dof  # its powers run out at 0, those of dof would overflow
    return x + math.fsum(term * share**power for power, term in enumerate(terms, start=1))


def _solve(tail: float, dof: float, start: float) -> float:
    """Newton on log(tail) over log(t).

    That curve falls and is concave, so from anywhere the second step is beyond the root and the rest come back
    to it without overshooting.
    """
    log_t = math.log(start)
    for _ in range(100):
        t = math.exp(log_t)
        here = _two_sided_tail(t, dof)
        slope = -2.0 * t * _density(t, dof) / here
        step = (math.log(tail) - math.log(here)) / slope
        log_t += step
        if abs(step) < 1e-14:
            break
    return math.exp(log_t)


def _density(t: float, dof: float) -> float:
    log_scale = math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof) - 0.5 * math.log(dof * math.pi)
    return math.exp(log_scale - 0.5 * (dof + 1.0) * math.log1p(t * t / dof))


def _two_sided_tail(t: float, dof: float) -> float:
    """Probability of |T| > t: the regularised incomplete beta I_x(dof/2, 1/2) at x = dof / (dof + t²)."""
    x = dof / (dof + t * t)
    return _regularised_beta(x, 1.0 - x if t > 1.0 else t * t / (dof + t * t), 0.5 * dof, 0.5)


def _regularised_beta(x: float, rest: float, a: float, b: float) -> float:
    """I_x(a, b) with `rest` = 1 - x given apart, so that no digits are lost near 1."""
    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(rest)
    front = math.exp(log_front)
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(x, a, b) / a
    return 1.0 - front * _beta_fraction(rest, b, a) / b


def _beta_fraction(x: float, a: float, b: float) -> float:
    """Continued fraction of the incomplete beta function by the modified Lentz method."""
    c, d = 1.0, 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, 10_000):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0)),
        ):
            d = 1.0 / _not_zero(1.0 + numerator * d)
            c = _not_zero(1.0 + numerator / c)
            value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return value


def _not_zero(number: float) -> float:
    return number if abs(number) > _TINY else _TINY
