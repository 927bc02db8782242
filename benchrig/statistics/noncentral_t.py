"""Distribution of the noncentral t: (Z + shift) over the root of a chi-square variable by its degrees of freedom.

Owns these numbers only. Exact factors of one-sided tolerance limits and exact intervals of one-sided capability come
from it. P(T <= t) is the mean of Phi(t s - shift) over the density of s, the root of that variable (definition), by
Gauss-Legendre panels; held against a statistics library in the tests.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from benchrig.statistics.incomplete import rising_root

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_FAR = 9
"""Standard deviations beyond which a normal variable is not looked for: 1e-19 of it lies there."""


def normal_below(z: Floats) -> Floats:
    """Probability of a standard normal variable below each z, digits of the lower tail kept."""
    flat = [0.5 * math.erfc(one) for one in (-z.ravel() / math.sqrt(2.0)).tolist()]
    return np.array(flat, dtype=np.float64).reshape(z.shape)


def panels(marks: list[float], low: float, high: float) -> tuple[Floats, Floats]:
    """Nodes and weights of Gauss-Legendre panels from `low` to `high`, divided at the marks that lie between."""
    edges = np.array([low, *sorted({mark for mark in marks if low < mark < high}), high])
    half = 0.5 * np.diff(edges)[:, np.newaxis]
    nodes = edges[:-1, np.newaxis] + half * (1.0 + _NODES)
    return nodes.ravel(), (half * _WEIGHTS).ravel()


def noncentral_t_below(t: float, *, dof: float, shift: float) -> float:
    """P(T <= t), to 1e-10, for 1 degree of freedom or more. Raises ValueError."""
    for name, number in (("t", t), ("shift", shift)):
        if not abs(number) <= 1e6:
            raise ValueError(f"{name} is {number!r}; accepted: from -1e6 to 1e6")
    if not (math.isfinite(dof) and dof >= 1.0):
        raise ValueError(f"degrees of freedom are {dof!r}; accepted: a finite number from 1 up")
    width = 1.0 / math.sqrt(2.0 * dof)
    marks = [1.0 + step * width for step in range(-_FAR, _FAR + 1)]
    if t != 0.0:
        marks += [(shift + step) / t for step in range(-_FAR, _FAR + 1)]
    s, weights = panels(marks, max(0.0, 1.0 - 12.0 * width), 1.0 + 12.0 * width)
    log_density = (
        math.log(2.0) + 0.5 * dof * math.log(0.5 * dof) - math.lgamma(0.5 * dof) + (dof - 1.0) * np.log(s)
    ) - 0.5 * dof * s * s
    mass = weights * np.exp(log_density)
    # the density is scaled by its own sum: at many degrees of freedom lgamma keeps nine digits only
    return float(np.dot(mass, normal_below(t * s - shift)) / mass.sum())


@lru_cache(maxsize=1024)
def noncentral_t_quantile(probability: float, *, dof: float, shift: float) -> float:
    """t below which the variable lies with `probability`, from 0.0001 to 0.9999. Raises ValueError."""
    if not 1e-4 <= probability <= 1.0 - 1e-4:
        raise ValueError(f"probability is {probability!r}; accepted: from 0.0001 to 0.9999")

    def at(t: float) -> float:
        return noncentral_t_below(t, dof=dof, shift=shift) - probability

    low, high = shift - 1.0, shift + 1.0
    while at(low) > 0.0:
        low -= 2.0 * (high - low)
    while at(high) < 0.0:
        high += 2.0 * (high - low)
    return rising_root(at, low, high)


def noncentral_t_shift(t: float, *, dof: float, probability: float) -> float:
    """The shift for which P(T <= t) is `probability`: what an observed t says of its true shift. Raises ValueError."""
    if not 1e-4 <= probability <= 1.0 - 1e-4:
        raise ValueError(f"probability is {probability!r}; accepted: from 0.0001 to 0.9999")

    def at(shift: float) -> float:
        return probability - noncentral_t_below(t, dof=dof, shift=shift)

    # s stays within a few of its standard deviations of 1, and the shift within a few of t s
    reach = _FAR + abs(t) * 10.0 / math.sqrt(2.0 * dof)
    return rising_root(at, t - reach, t + reach)
