"""Since when a series of nights lies elsewhere: one step in its mean, how sure that is, and which nights it may be.

Owns the search for one step in values of equal, unknown scatter. Must not know dates, commits or what was measured: it
speaks of places in the series. Least squares over all places is the likelihood's own answer for normal scatter (D. V.
Hinkley, Biometrika 57 (1970)). Since the place was chosen by its size, its chance is that of the largest of all places,
bounded by their sum (Bonferroni): never surer than it says. Which places are as good as the best: by the distribution
of the likelihood ratio of a threshold, B. E. Hansen, Econometrica 68 (2000). All from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.statistics.incomplete import beta_tails
from benchrig.statistics.samples import CONFIDENCE, checked_confidence, checked_values

if TYPE_CHECKING:
    import numpy.typing as npt

    from benchrig.statistics.samples import Values

    Floats = npt.NDArray[np.float64]

LEAST_NIGHTS = 8
"""Of fewer a step that is one night's accident cannot be told from one that stays."""


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A step: `first_after` is the place (from 0) of the first value behind it, `step` how far the mean went.

    `chance` bounds how likely a step so large is in a series that has none. The true place is one of `earliest` to
    `latest` with the confidence asked for, if there is a step.
    """

    first_after: int
    step: float
    before: float
    after: float
    chance: float
    earliest: int
    latest: int
    n: int


def change_point(values: Values, *, confidence: float = CONFIDENCE) -> ChangePoint | None:
    """The step that explains a series best; None for one without any scatter. Raises ValueError for too few values."""
    series = checked_values(values, fewest=LEAST_NIGHTS, what="a search for a step")
    centred = series - np.mean(series)
    total = float(centred @ centred)
    if total <= 0.0:
        return None
    explained = _explained(centred)
    best = int(np.argmax(explained))
    left = max(total - float(explained[best]), 0.0)
    likely = np.flatnonzero(total - explained <= _still_likely(left, confidence, dof=series.size - 3))
    before, after = float(np.mean(series[: best + 1])), float(np.mean(series[best + 1 :]))
    return ChangePoint(
        first_after=best + 1,
        step=after - before,
        before=before,
        after=after,
        chance=_chance(left / total, places=series.size - 1),
        earliest=int(likely[0]) + 1,
        latest=int(likely[-1]) + 1,
        n=series.size,
    )


def _explained(centred: Floats) -> Floats:
    """By each place of a step: the sum of squares that it takes away, from sums from the left (centred: all is 0)."""
    counts = np.arange(1.0, centred.size)
    sums = np.cumsum(centred)[:-1]
    return sums * sums / counts + sums * sums / (centred.size - counts)


def critical_ratio(confidence: float) -> float:
    """Up to which likelihood ratio a place may be the true one: (1 - exp(-c / 2))^2 = confidence. ValueError."""
    return -2.0 * math.log1p(-math.sqrt(checked_confidence(confidence)))


def _still_likely(left: float, confidence: float, *, dof: int) -> float:
    """Up to which sum of squares a place is as good as the best."""
    return left * (1.0 + critical_ratio(confidence) / dof) * (1.0 + 1e-12)


def _chance(share_left: float, *, places: int) -> float:
    """Of the largest of `places` steps; each has Student's t with n - 2 degrees of freedom where there is none."""
    one = beta_tails(min(share_left, 1.0), a=0.5 * (places - 1.0), b=0.5).lower
    return min(1.0, places * one)
