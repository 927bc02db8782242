"""Incomplete beta and gamma functions with both of their tails, beta and F quantiles, and a root between two bounds.

Owns these numbers only. `judge` keeps one tail of each, for its own quantiles; shares of failing boards and exact
tolerance factors need the small one of the two with its digits kept. Continued fractions of NIST DLMF 8.17.22 and
8.9.2 by the modified Lentz method, series 8.11.4 (from memory; held against a statistics library in the tests).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.chi_square import chi_square_quantile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

_TINY = 1e-300
_MOST_TERMS = 1_000_000
_MOST_STEPS = 200


class Tails(NamedTuple):
    """Probability of a variable below and above a point; each with its own digits."""

    lower: float
    upper: float


def beta_tails(x: float, *, a: float, b: float) -> Tails:
    """Tails of a beta variable at `x`, to a relative 1e-9 for a and b up to a million. Raises ValueError."""
    _check_shape(a, b)
    if not 0.0 <= x <= 1.0:
        raise ValueError(f"x is {x!r}; accepted: from 0 to 1")
    if x in (0.0, 1.0):
        return Tails(x, 1.0 - x)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        lower = front * _fraction(_beta_steps(x, a, b)) / a
        return Tails(lower, 1.0 - lower)
    upper = front * _fraction(_beta_steps(1.0 - x, b, a)) / b
    return Tails(1.0 - upper, upper)


def _check_shape(a: float, b: float) -> None:
    for name, shape in (("a", a), ("b", b)):
        if not 0.0 < shape <= 1e9:
            raise ValueError(f"shape {name} is {shape!r}; accepted: above 0 and up to 1e9")


def _beta_steps(x: float, a: float, b: float) -> Iterable[float]:
    yield -(a + b) * x / (a + 1.0)
    for m in range(1, _MOST_TERMS):
        yield m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        yield -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))


def _fraction(steps: Iterable[float]) -> float:
    """1/(1 + s1/(1 + s2/(1 + ...))) by the modified Lentz method; two neighbours must agree before it ends."""
    c, d, value, calm = 1.0, 1.0, 1.0, 0
    for first, step in enumerate(steps):
        d = 1.0 / _not_zero(1.0 + step * d)
        c = _not_zero(1.0 + step / c) if first else 1.0
        value *= c * d
        calm = calm + 1 if abs(c * d - 1.0) < 1e-15 else 0
        if calm == 2:
            break
    return value


def _not_zero(number: float) -> float:
    return number if abs(number) > _TINY else _TINY


def gamma_tails(x: float, *, a: float) -> Tails:
    """Tails of a gamma variable at `x`; chi-square of f is twice one of shape f/2. Raises ValueError."""
    if not 0.0 < a <= 1e9:
        raise ValueError(f"shape a is {a!r}; accepted: above 0 and up to 1e9")
    if not x >= 0.0:
        raise ValueError(f"x is {x!r}; accepted: 0 or more")
    if x == 0.0 or math.isinf(x):
        return Tails(0.0, 1.0) if x == 0.0 else Tails(1.0, 0.0)
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:
        lower = front * _gamma_series(x, a)
        return Tails(lower, 1.0 - lower)
    upper = front * _gamma_fraction(x, a)
    return Tails(1.0 - upper, upper)


def _gamma_series(x: float, a: float) -> float:
    term = total = 1.0 / a
    for number in range(1, _MOST_TERMS):
        term *= x / (a + number)
        total += term
        if term < 1e-17 * total:
            break
    return total


def _gamma_fraction(x: float, a: float) -> float:
    b = x + 1.0 - a
    c, d = 1.0 / _TINY, 1.0 / b
    value = d
    for number in range(1, _MOST_TERMS):
        step = -number * (number - a)
        b += 2.0
        d = 1.0 / _not_zero(step * d + b)
        c = _not_zero(b + step / c)
        value *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return value


def rising_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function passes 0 between two bounds; the bound itself if it does not pass there.

    The method of Ridders (from memory): its error is squared with every two calls, and it never leaves the bounds.
    """
    at_low, at_high = function(low), function(high)
    if at_low >= 0.0:
        return low
    if at_high <= 0.0:
        return high
    root = low
    for _ in range(_MOST_STEPS):
        middle = 0.5 * (low + high)
        at_middle = function(middle)
        size = max(-at_low, at_high)  # products of small numbers would vanish
        root_of_both = math.sqrt((at_middle / size) ** 2 - (at_low / size) * (at_high / size))
        found = middle - (middle - low) * (at_middle / size) / root_of_both if root_of_both else middle
        if abs(found - root) <= 1e-14 * abs(found):
            return found
        root, at_root = found, function(found)
        for point, at in sorted(((middle, at_middle), (root, at_root))):
            if at < 0.0:
                low, at_low = point, at
            elif point < high:
                high, at_high = point, at
        if at_root == 0.0 or high - low <= 1e-15 * abs(root):
            return root
    return root


def beta_quantile(probability: float, *, a: float, b: float) -> float:
    """x below which a beta variable lies with `probability`, to a relative 1e-9. Raises ValueError."""
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability is {probability!r}; accepted: above 0 and below 1")
    _check_shape(a, b)

    def at(logit: float) -> float:
        tails = beta_tails(_share_of(logit), a=a, b=b)
        return tails.lower - probability if probability < 0.5 else (1.0 - probability) - tails.upper

    # on the scale of log odds neither end of 0 to 1 is crowded
    return _share_of(rising_root(at, -690.0, 36.0))


def _share_of(logit: float) -> float:
    return 1.0 / (1.0 + math.exp(-logit))


@lru_cache(maxsize=1024)
def f_quantile(probability: float, *, dof: float, dof_below: float) -> float:
    """F below which a variance ratio of `dof` over `dof_below` (may be infinite) lies. Raises ValueError."""
    if math.isinf(dof_below):
        return chi_square_quantile(probability, dof=dof) / dof
    share = beta_quantile(probability, a=0.5 * dof, b=0.5 * dof_below)
    rest = beta_quantile(1.0 - probability, a=0.5 * dof_below, b=0.5 * dof) if share > 0.5 else 1.0 - share
    return dof_below * share / (dof * rest)


def f_upper_tail(ratio: float, *, dof: float, dof_below: float) -> float:
    """Probability that a variance ratio is above `ratio`. Raises ValueError."""
    if not ratio >= 0.0:
        raise ValueError(f"the variance ratio is {ratio!r}; accepted: 0 or more")
    scaled = dof * ratio
    if math.isinf(scaled):
        return 0.0
    return beta_tails(scaled / (dof_below + scaled), a=0.5 * dof, b=0.5 * dof_below).upper
