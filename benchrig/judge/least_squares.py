"""Weighted linear least squares with any number of named terms, its standard errors and what it cannot tell apart.

Owns the fit and the correlations of its estimates; nothing of what the terms mean. A line has its own, `linear`.
Orthogonal triangular decomposition (numpy) of columns scaled to one length, so that the normal equations, which
square the condition, are never formed; formulas JCGM 100:2008 H.3 for several terms (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_TOLD_APART = 1e-9
"""A term of which less than this is left once the others are taken out says nothing of its own (rounding: 1e-16)."""


class NotToldApartError(ValueError):
    """The points do not tell some terms apart. `terms` names the first that follows from those before it."""

    def __init__(self, term: str, others: tuple[str, ...]) -> None:
        super().__init__(
            f"the points cannot tell {term!r} from {', '.join(others) or 'nothing'}: it follows from them at every "
            "point; take points in another order or at other values"
        )
        self.term = term
        self.others = others

    def __reduce__(self) -> tuple[type[NotToldApartError], tuple[str, tuple[str, ...]]]:
        return (type(self), (self.term, self.others))


@dataclass(frozen=True, slots=True, kw_only=True)
class TermFit:
    """y as a sum of terms, each an estimate times its column.

    `covariance` is in the order of `terms`. `residuals` are y less the sum, in the order of the points;
    `residual_sd` is the standard deviation of a point of weight 1, with `dof` = points - terms.
    """

    terms: tuple[str, ...]
    estimates: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residuals: tuple[float, ...]
    residual_sd: float
    dof: int

    def estimate(self, term: str) -> tuple[float, float]:
        """Estimate of a term and its standard uncertainty. Raises KeyError."""
        place = self._place(term)
        return self.estimates[place], math.sqrt(self.covariance[place][place])

    def correlation(self, one: str, other: str) -> float:
        """Correlation of two estimates, by the points alone where they are on the fit exactly. Raises KeyError."""
        a, b = self._place(one), self._place(other)
        spread = math.sqrt(self.covariance[a][a] * self.covariance[b][b])
        return self.covariance[a][b] / spread if spread else 0.0

    def _place(self, term: str) -> int:
        try:
            return self.terms.index(term)
        except ValueError:
            raise KeyError(f"no term {term!r} in this fit; known: {', '.join(self.terms)}") from None


def fit_terms(
    columns: Mapping[str, Sequence[float]],
    y: Sequence[float],
    *,
    weights: Sequence[float] | None = None,
    least_scatter: float = 0.0,
) -> TermFit:
    """Least-squares sum of `columns`, each one number for a point; `weights` are relative (1/u²), equal by default.

    `least_scatter` is what a point of weight 1 is known to scatter by, at the least: points that agree better than
    that, as rounded ones may, do not make the estimates more certain.

    Raises NotToldApartError for a column that follows from those before it, and ValueError for fewer points than
    one more than terms, unequal lengths, or numbers that are not finite.
    """
    names = tuple(columns)
    matrix = np.array([list(columns[name]) for name in names], dtype=np.float64).T
    target = np.asarray(list(y), dtype=np.float64)
    given = np.ones(len(target)) if weights is None else np.asarray(list(weights), dtype=np.float64)
    _check(names, matrix, target, given)
    roots = np.sqrt(given)
    solved, inverse = _solve(names, matrix * roots[:, np.newaxis], target * roots)
    residuals = target - matrix @ solved
    dof = len(target) - len(names)
    variance = float(np.sum((roots * residuals) ** 2)) / dof
    covariance = max(variance, least_scatter**2) * (inverse @ inverse.T)
    return TermFit(
        terms=names,
        estimates=tuple(map(float, solved)),
        covariance=tuple(tuple(map(float, row)) for row in covariance),
        residuals=tuple(map(float, residuals)),
        residual_sd=math.sqrt(variance),
        dof=dof,
    )


def design_correlation(columns: Mapping[str, Sequence[float]], *, one: str, other: str) -> float:
    """Correlation that the estimates of two terms will have, known from the plan of the points before any is taken.

    1 or -1 where the plan cannot tell them apart. Raises ValueError as `fit_terms`, KeyError for an unknown term.
    """
    order = [name for name in columns if name not in (one, other)] + [one, other]
    points = len(columns[one])
    matrix = np.array([list(columns[name]) for name in order], dtype=np.float64).T
    _check(tuple(order), matrix, np.zeros(points), np.ones(points))
    rest, pair = matrix[:, :-2], matrix[:, -2:]
    basis = np.linalg.qr(rest)[0]
    left = pair - basis @ (basis.T @ pair)
    lengths = np.linalg.norm(left, axis=0)
    if min(lengths / np.linalg.norm(pair, axis=0)) < _TOLD_APART:
        return 1.0
    # estimates are correlated with the opposite sign of what is left of their columns
    return float(-(left[:, 0] @ left[:, 1]) / lengths[0] / lengths[1])


def _solve(names: tuple[str, ...], matrix: Floats, target: Floats) -> tuple[Floats, Floats]:
    """Estimates, and the matrix whose product with its transpose is the covariance for a variance of 1."""
    lengths = np.linalg.norm(matrix, axis=0)
    for place, length in enumerate(lengths):
        if not length > 0.0:
            raise NotToldApartError(names[place], ())
    q, r = np.linalg.qr(matrix / lengths)
    for place in range(len(names)):
        if abs(r[place, place]) < _TOLD_APART:
            raise NotToldApartError(names[place], names[:place])
    inverse = np.linalg.inv(r) / lengths[:, np.newaxis]
    return inverse @ (q.T @ target), inverse


def _check(names: tuple[str, ...], matrix: Floats, target: Floats, weights: Floats) -> None:
    if not names:
        raise ValueError("a fit without terms; name at least one")
    if not len(matrix) == len(target) == len(weights):
        counts = f"{len(matrix)} points, {len(target)} values, {len(weights)} weights"
        raise ValueError(f"{counts}; accepted: as many of each")
    if len(target) <= len(names):
        raise ValueError(f"{len(target)} points for {len(names)} terms; accepted: {len(names) + 1} or more")
    for what, values in (("term", matrix), ("value", target), ("weight", weights)):
        if not np.isfinite(values).all():
            raise ValueError(f"a {what} of a point is no finite number; accepted: finite numbers, weights above 0")
    if not (weights > 0.0).all():
        at = int(np.argmin(weights > 0.0))
        raise ValueError(f"the weight of a point is 0 or less: point {at + 1} has {weights[at]:g}; accepted: above 0")
