"""Integral nonlinearity of a converter from the means at each set-point, with limits that hold for all of them at once.

Owns the largest distance of a set-point's mean from the line through all of them, and its confidence limits. Must not
know where the noise of a reading was taken from. The noise of single readings makes the largest residual of a sweep
grow with the number of points; the limits here say what the converter itself must have.

Terms as in IEEE 1241 (from memory; independently based line, here the least-squares one). The limits are Student's
with Bonferroni's share for each set-point: what none of them exceeds with the stated probability, or more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.linear import fit_line
from benchrig.judge.student_t import two_sided_quantile
from benchrig.judge.uncertainty import COVERAGE

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class SetpointMean:
    """Mean of `count` readings at one set-point: true and reported volts."""

    true_v: float
    reported_v: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Nonlinearity:
    """Largest distance from the line, with its sign, where it is, its standard uncertainty, and limits of its size."""

    value_v: float
    at_v: float
    u_v: float
    least_v: float
    most_v: float


def nonlinearity(
    means: Sequence[SetpointMean], *, noise_v: float, noise_dof: float, coverage: float = COVERAGE
) -> Nonlinearity | None:
    """Integral nonlinearity in volts; None for fewer than 3 set-points, through which every line goes.

    `noise_v` is the standard deviation of one reading, quantisation included, known from `noise_dof` degrees of
    freedom. Raises ValueError for a coverage outside 0 to 1.
    """
    if len({mean.true_v for mean in means}) < 3:
        return None
    weights = [float(mean.count) for mean in means]
    xs = [mean.true_v for mean in means]
    line = fit_line(xs, [mean.reported_v for mean in means], weights=weights)
    factor = two_sided_quantile(1.0 - (1.0 - coverage) / len(means), dof=noise_dof)
    spreads = _spreads(xs, weights, noise_v)
    sizes = [abs(residual) for residual in line.residuals]
    worst = max(range(len(means)), key=sizes.__getitem__)
    return Nonlinearity(
        value_v=line.residuals[worst],
        at_v=xs[worst],
        u_v=spreads[worst],
        least_v=max(0.0, *(size - factor * spread for size, spread in zip(sizes, spreads, strict=True))),
        most_v=max(size + factor * spread for size, spread in zip(sizes, spreads, strict=True)),
    )


def _spreads(xs: Sequence[float], weights: Sequence[float], noise_v: float) -> list[float]:
    """Standard uncertainty of each residual: the mean's own, less what the line follows it (its leverage)."""
    total = math.fsum(weights)
    middle = math.fsum(w * x for w, x in zip(weights, xs, strict=True)) / total
    spread = math.fsum(w * (x - middle) ** 2 for w, x in zip(weights, xs, strict=True))
    return [
        noise_v * math.sqrt(max(0.0, 1.0 / w - 1.0 / total - (x - middle) ** 2 / spread))
        for w, x in zip(weights, xs, strict=True)
    ]
