"""Constants of control charts and of gauge studies, from their definitions: no table is copied.

Owns d2, d3, c4 and what follows from them. d2 and d3 are mean and deviation of the range of n standard normal values
(integrated), c4 the mean of their standard deviation (gamma functions); held against printed values in the tests.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from benchrig.statistics.incomplete import rising_root
from benchrig.statistics.noncentral_t import normal_below, panels

MOST_IN_SUBGROUP = 25


class Constants(NamedTuple):
    """For subgroups of one size: centre and three-sigma limits of X-bar (A2, A3), R (D3, D4) and S charts (B3, B4)."""

    size: int
    d2: float
    d3: float
    c4: float
    A2: float
    A3: float
    D3: float
    D4: float
    B3: float
    B4: float


@lru_cache(maxsize=MOST_IN_SUBGROUP)
def constants(size: int) -> Constants:
    """The constants of subgroups of 2 to 25 values. Raises ValueError."""
    if not 2 <= size <= MOST_IN_SUBGROUP:
        raise ValueError(f"subgroups of {size!r} values; accepted: from 2 to {MOST_IN_SUBGROUP}")
    d2, d3 = _range_moments(size)
    c4 = mean_deviation(size - 1)
    spread = math.sqrt(1.0 - c4 * c4) / c4
    return Constants(
        size=size,
        d2=d2,
        d3=d3,
        c4=c4,
        A2=3.0 / (d2 * math.sqrt(size)),
        A3=3.0 / (c4 * math.sqrt(size)),
        D3=max(0.0, 1.0 - 3.0 * d3 / d2),
        D4=1.0 + 3.0 * d3 / d2,
        B3=max(0.0, 1.0 - 3.0 * spread),
        B4=1.0 + 3.0 * spread,
    )


def mean_deviation(dof: float) -> float:
    """Mean of a standard deviation found with `dof` degrees of freedom, over the true one: c4 of dof + 1 values."""
    return math.sqrt(2.0 / dof) * math.exp(math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof))


def _range_moments(size: int) -> tuple[float, float]:
    """Mean and deviation of the range W: its distribution is n times the mean of (Phi(x + w) - Phi(x))^(n - 1)."""
    w, w_weights = panels([float(one) for one in range(1, 12)], 0.0, 12.0)
    x, x_weights = panels([float(one) for one in range(-9, 9)], -10.0, 9.0)
    mass = size * x_weights * np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    within = normal_below(x + w[:, np.newaxis]) - normal_below(x)
    above = 1.0 - within ** (size - 1) @ mass
    mean = float(np.dot(w_weights, above))
    square = float(np.dot(w_weights, 2.0 * w * above))
    return mean, math.sqrt(square - mean * mean)


def range_divisor(size: int, *, subgroups: int) -> float:
    """d2*: by what a mean range of few subgroups is divided so that its square has no bias; d2 for very many.

    sqrt(d2² + d3²/subgroups), A. J. Duncan (from memory). Raises ValueError.
    """
    if subgroups < 1:
        raise ValueError(f"subgroups are {subgroups!r}; accepted: 1 or more")
    found = constants(size)
    return math.sqrt(found.d2**2 + found.d3**2 / subgroups)


def equivalent_dof(size: int, *, subgroups: int) -> float:
    """Degrees of freedom of the standard deviation that scatters as a mean range does (P. B. Patnaik, from memory)."""
    if subgroups < 1:
        raise ValueError(f"subgroups are {subgroups!r}; accepted: 1 or more")
    found = constants(size)
    wanted = (found.d3 / found.d2) ** 2 / subgroups
    return math.exp(rising_root(lambda log_dof: wanted - _scatter(math.exp(log_dof)), -2.0, 20.0))


def _scatter(dof: float) -> float:
    """Relative variance of a standard deviation with `dof`."""
    if dof > 1e4:
        return 0.5 / dof  # its first term; one less the square of c4 keeps no digits here
    c4 = mean_deviation(dof)
    return (1.0 - c4 * c4) / (c4 * c4)
