"""What readings with correlated noise say about their mean, when scatter and correlation are both unknown.

Owns the running sums of many rows of readings and what follows from them: for each correlation of a grid the
generalised least-squares mean and its Student distribution, and how likely that correlation is. Must not know
limits or decisions.

Model: a steady mean with first-order autoregressive noise that is stationary from the first reading on; the
correlation of neighbours is from 0 up (less than none is taken as none, which errs to the safe side). For a known
correlation the Student distribution is exact; the weights of the grid are the likelihood of the residuals
(restricted likelihood, mean and scatter integrated out), evenly spread before the first reading. Closed forms of
the inverse covariance of an autoregressive series: textbook algebra, from memory; checked against the matrices.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.t_tails import upper_tail

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_GRID_POINTS = 12
_ROUNDING = 1e-13


class Sums(NamedTuple):
    """Running sums over rows of readings, each row less its own first: a large common value does not cancel."""

    readings: int
    first: Floats
    last: Floats
    total: Floats
    squares: Floats
    lagged: Floats

    def rows(self, kept: NDArray[np.bool_]) -> Sums:
        return Sums(self.readings, *(part[kept] for part in self[1:]))

    def mean(self) -> Floats:
        """Plain mean of each row."""
        return self.first + self.total / self.readings

    def scattered(self) -> NDArray[np.bool_]:
        """Rows whose readings are not all equal."""
        return self.squares > 0.0


def start_sums(readings: Floats) -> Sums:
    """Sums of the first reading of each row."""
    nothing = np.zeros_like(readings)
    return Sums(1, readings, nothing, nothing, nothing, nothing)


def add_to_sums(sums: Sums, readings: Floats) -> Sums:
    """Sums with the next reading of each row."""
    step = readings - sums.first
    return Sums(
        sums.readings + 1,
        sums.first,
        step,
        sums.total + step,
        sums.squares + step * step,
        sums.lagged + step * sums.last,
    )


def correlation_grid(up_to: float) -> Floats:
    """Correlations of neighbours that are held possible, so that those from 0 to `up_to` are well inside.

    The grid goes half-way from `up_to` to 1 and is denser there, for that is where the mean is known least. 0 is
    readings known to be uncorrelated: one grid point.
    """
    if up_to == 0.0:
        return np.zeros(1)
    top = 0.5 * (1.0 + up_to)
    return np.sin(np.linspace(0.0, np.arcsin(top), _GRID_POINTS))


class MeanBelief(NamedTuple):
    """Mixture of Student distributions of the mean: one row for each board, one column for each correlation."""

    correlations: Floats
    weights: Floats
    means: Floats
    scales: Floats
    readings: int

    def chances(self, border: float) -> tuple[Floats, Floats]:
        """Chance that the mean is below, and above, `border`, which may be infinite; to 1e-10 of the smaller."""
        rows = len(self.weights)
        if np.isinf(border):
            above = np.full(rows, float(border < 0.0))
            return 1.0 - above, above
        t = (border - self.means) / self.scales
        beyond = upper_tail(np.abs(t), dof=self.readings - 1.0)
        below = np.where(t < 0.0, beyond, 1.0 - beyond)
        above = np.where(t < 0.0, 1.0 - beyond, beyond)
        return self._mixed(below), self._mixed(above)

    def mean(self) -> Floats:
        return self._mixed(self.means)

    def standard_uncertainty(self) -> Floats:
        """Of the mean, without the widening that few degrees of freedom bring: that is the Student factor's."""
        apart = self.means - self.mean()[:, np.newaxis]
        return np.sqrt(self._mixed(self.scales**2 + apart**2))

    def correlation(self) -> Floats:
        """Expected correlation of neighbouring readings."""
        return self._mixed(np.broadcast_to(self.correlations, self.weights.shape))

    def effective_count(self) -> Floats:
        """How many uncorrelated readings would say as much about the mean."""
        each = (self.readings - (self.readings - 2) * self.correlations) / (1.0 + self.correlations)
        return self._mixed(np.broadcast_to(each, self.weights.shape))

    def _mixed(self, parts: Floats) -> Floats:
        """Each row's expectation over the correlations."""
        mixed: Floats = np.einsum("ij,ij->i", self.weights, parts)
        return mixed


def believe(sums: Sums, *, correlations: Floats, resolution: float = 0.0) -> MeanBelief:
    """What the readings so far say about the mean of each row. `resolution` is a step of the display, in their unit.

    The variance of a step, q²/12, is added to what scatters. Raises ValueError for fewer than two readings or a row
    that does not scatter, when there is no resolution either: nothing then says how far the mean may be.
    """
    n = sums.readings
    if n < 2:
        raise ValueError(f"{n} reading shows no scatter; at least two are needed")
    if resolution == 0.0 and not sums.scattered().all():
        raise ValueError("readings that are all equal show no scatter; give the resolution of the instrument")
    phi = correlations[np.newaxis, :]
    last, total, squares, lagged = (part[:, np.newaxis] for part in sums[2:])
    information = (1.0 - phi) * (n - (n - 2) * phi)
    weighted = (1.0 - phi) * ((1.0 - phi) * total + phi * last)
    quadratic = (1.0 + phi**2) * squares - phi**2 * last**2 - 2.0 * phi * lagged
    residual = np.maximum(quadratic - weighted**2 / information, _ROUNDING * squares)
    residual = residual + (n - 1) * resolution**2 / 12.0
    log_weight = 0.5 * (np.log1p(-(phi**2)) - np.log(information) - (n - 1) * np.log(residual))
    weights = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return MeanBelief(
        correlations=correlations,
        weights=weights / weights.sum(axis=1, keepdims=True),
        means=sums.first[:, np.newaxis] + weighted / information,
        scales=np.sqrt(residual / (n - 1) / information),
        readings=n,
    )
