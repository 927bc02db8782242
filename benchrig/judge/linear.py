"""Straight line through points by weighted least squares, with its standard errors.

Owns the fit and nothing of what x and y mean. Formulas: GUM (JCGM 100:2008) H.3, with sums taken about the
weighted mean, so that no digits are lost when x is far from 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_FEWEST_POINTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """y = intercept + slope * x.

    `covariance` is that of (intercept, slope). `residuals` are y less the line, in the order of the points.
    `residual_sd` is the standard deviation of a point of weight 1 about the line, with `dof` = points - 2.
    """

    slope: float
    intercept: float
    slope_se: float
    intercept_se: float
    covariance: float
    residual_sd: float
    residuals: tuple[float, ...]
    dof: int

    def at(self, x: float) -> tuple[float, float]:
        """y of the line at `x`, and its standard uncertainty (of the line, not of a single new point)."""
        variance = self.intercept_se**2 + 2.0 * x * self.covariance + (x * self.slope_se) ** 2
        return self.intercept + self.slope * x, math.sqrt(max(0.0, variance))


def fit_line(x: Sequence[float], y: Sequence[float], *, weights: Sequence[float] | None = None) -> LineFit:
    """Least-squares line; `weights` are relative, one above 0 for each point (1/u²), all equal by default.

    Raises ValueError for fewer than 3 points, unequal lengths, numbers that are not finite, or a constant x.
    """
    xs, ys = [float(value) for value in x], [float(value) for value in y]
    ws = [1.0] * len(xs) if weights is None else [float(weight) for weight in weights]
    _check(xs, ys, ws)
    total = math.fsum(ws)
    mean_x, mean_y = _dot(ws, xs) / total, _dot(ws, ys) / total
    dx = [value - mean_x for value in xs]
    wdx = [weight * delta for weight, delta in zip(ws, dx, strict=True)]
    spread = _dot(wdx, dx)
    if not spread > 0.0:
        raise ValueError(f"the points differ too little in x (all about {mean_x!r}) for a line")
    slope = math.fsum(weight * (value - mean_y) for weight, value in zip(wdx, ys, strict=True)) / spread
    residuals = tuple(value - mean_y - slope * delta for value, delta in zip(ys, dx, strict=True))
    dof = len(xs) - 2
    variance = math.fsum(weight * r * r for weight, r in zip(ws, residuals, strict=True)) / dof
    return LineFit(
        slope=slope,
        intercept=mean_y - slope * mean_x,
        slope_se=math.sqrt(variance / spread),
        intercept_se=math.sqrt(variance * (1.0 / total + mean_x * mean_x / spread)),
        covariance=-mean_x * variance / spread,
        residual_sd=math.sqrt(variance),
        residuals=residuals,
        dof=dof,
    )


def _dot(one: Iterable[float], other: Iterable[float]) -> float:
    return math.fsum(a * b for a, b in zip(one, other, strict=True))


def _check(xs: list[float], ys: list[float], ws: list[float]) -> None:
    if not len(xs) == len(ys) == len(ws):
        raise ValueError(f"a line needs as many y ({len(ys)}) and weights ({len(ws)}) as x ({len(xs)})")
    if len(xs) < _FEWEST_POINTS:
        raise ValueError(f"a line with a standard error needs {_FEWEST_POINTS} points or more, not {len(xs)}")
    for name, values in (("x", xs), ("y", ys), ("weight", ws)):
        for index, value in enumerate(values):
            if not math.isfinite(value):
                raise ValueError(f"{name} of point {index + 1} of {len(values)} is {value!r}, no finite number")
    if min(ws) <= 0.0:
        raise ValueError(f"the smallest weight is {min(ws)!r}; accepted: above 0")
    if min(xs) == max(xs):
        raise ValueError(f"all {len(xs)} points have the same x, {xs[0]!r}; a line needs two different ones")
