"""Tail of Student's t distribution for arrays, with its relative accuracy kept far out.

Owns this one function. The two-sided tail is a regularised incomplete beta function (NIST DLMF 8.17, continued
fraction 8.17.22 by the modified Lentz method; from memory, checked against a statistics library in the tests).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_FARTHEST = 1e100
"""Beyond this t is not told apart: its square would be no finite number."""
_TINY = 1e-300


def upper_tail(t: Floats, *, dof: float) -> Floats:
    """Probability that a Student variable exceeds each of `t`, to a relative 1e-10 for 1 to 10 000 degrees of freedom.

    Raises ValueError for fewer than 1 degree of freedom or a t that is no number; infinite t are taken.
    """
    if not (math.isfinite(dof) and dof >= 1.0):
        raise ValueError(f"degrees of freedom are {dof!r}; accepted: a finite number from 1 up")
    if np.isnan(t).any():
        raise ValueError("a t is NaN; accepted: numbers, infinite ones too")
    square = np.square(np.clip(t, -_FARTHEST, _FARTHEST))
    half = 0.5 * _two_sided_tail(square, dof)
    return np.where(t > 0.0, half, 1.0 - half)


def _two_sided_tail(square: Floats, dof: float) -> Floats:
    """I_x(dof/2, 1/2) at x = dof / (dof + t²); the fraction converges on either side of its mean."""
    a, b = 0.5 * dof, 0.5
    x, rest = dof / (dof + square), square / (dof + square)
    near = x >= (a + 1.0) / (a + b + 2.0)
    tail = np.empty_like(square)
    tail[~near] = _beta(x[~near], rest[~near], a, b)
    tail[near] = 1.0 - _beta(rest[near], x[near], b, a)
    return tail


def _beta(x: Floats, rest: Floats, a: float, b: float) -> Floats:
    """I_x(a, b) with `rest` = 1 - x given apart, so that no digits are lost near 1."""
    if not x.size:
        return x
    log_scale = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) - math.log(a)
    front: Floats = np.exp(log_scale + a * np.log(np.maximum(x, _TINY)) + b * np.log(np.maximum(rest, _TINY)))
    return front * _fraction(x, a, b)


def _fraction(x: Floats, a: float, b: float) -> Floats:
    c, d = np.ones_like(x), 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, 1000):
        for factor in (
            m * (b - m) / ((a + 2 * m - 1.0) * (a + 2 * m)),
            -(a + m) * (a + b + m) / ((a + 2 * m) * (a + 2 * m + 1.0)),
        ):
            numerator = factor * x
            d = 1.0 / _not_zero(1.0 + numerator * d)
            c = _not_zero(1.0 + numerator / c)
            change = c * d
            value = value * change
        if np.abs(change - 1.0).max() < 1e-13:
            break
    return value


def _not_zero(numbers: Floats) -> Floats:
    return np.where(np.abs(numbers) > _TINY, numbers, _TINY)
