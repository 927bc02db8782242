"""Finds the levels between which a signal switches.

Owns the split of samples into clusters, and the word for a stretch of them. Must not know that they are amperes.

The split is the one that maximises the variance between two clusters (N. Otsu's criterion, 1979, from memory),
taken exactly over the sorted samples and repeated inside each part. Any samples can be split in two, so a split
counts only if there is a gap: noise, ramps and hum, cut in two, touch at the cut.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_SEPARATION = 10.0
"""Levels are at least so many standard deviations of the sample noise apart. Own choice."""

_GAP = 0.5
_TAIL = 0.05
"""Between two levels, less a twentieth of the samples of each, half of their distance is empty. Own choice."""

_FEWEST_IN_CLUSTER = 2
_FEWEST_TO_SPLIT_AGAIN = 64
"""Few samples leave gaps by chance; 64 even ones leave a quarter of their span empty once in 10^8."""

_DEEPEST = 12
_KEPT_STEPS = 0.75
"""Share of the sample-to-sample steps that is taken as noise; the largest may be edges of the signal."""

_KEPT_VARIANCE = 0.3685
"""Mean square of the smallest 75 % of Gaussian numbers, over that of all of them (arithmetic)."""

_LOW_STATE_SHARE = 0.05
"""A lowest level that holds for less than this share is no state to rest in, but a dip. Own choice."""

_SAME_STATE = 0.25
"""A level that is higher than the lowest by no more than this share of it is the same state. Own choice."""


class Level(NamedTuple):
    """A cluster of samples: its mean, and its share of all samples."""

    mean: float
    share: float


class Stretch(NamedTuple):
    """Samples `first` to `end` - 1 that belong together."""

    first: int
    end: int


def find_levels(samples: Floats) -> tuple[Level, ...]:
    """The levels of a signal, lowest first; a single one if it does not switch.

    Samples caught on edges may make small levels of their own between the real ones; their share tells.
    Raises ValueError when there are no samples.
    """
    if samples.size == 0:
        raise ValueError("no samples, so no levels")
    ordered = np.sort(samples)
    cuts = [0, *_cuts(ordered, noise=_sample_noise(samples)), ordered.size]
    return tuple(
        Level(float(part.mean()), part.size / ordered.size)
        for part in (ordered[first:end] for first, end in itertools.pairwise(cuts))
    )


def with_one_rest(levels: tuple[Level, ...]) -> tuple[Level, ...]:
    """`levels`, lowest first, with dips and near neighbours of the lowest state made one with it."""
    lowest, *higher = levels
    while higher and (
        lowest.share < _LOW_STATE_SHARE or higher[0].mean - lowest.mean <= _SAME_STATE * abs(lowest.mean)
    ):
        following = higher.pop(0)
        share = lowest.share + following.share
        mean = (lowest.mean * lowest.share + following.mean * following.share) / share
        lowest = Level(mean, share)
    return (lowest, *higher)


def _cuts(ordered: Floats, *, noise: float, depth: int = 0) -> list[int]:
    """Positions in `ordered` at which a new cluster begins.

    Split first and asked afterwards: two mixtures may be too wide to be called apart, where the clusters that
    meet at the cut are not.
    """
    if depth == _DEEPEST or (depth and ordered.size < _FEWEST_TO_SPLIT_AGAIN):
        return []
    cut = _best_cut(ordered)
    if cut is None or ordered[-1] - ordered[0] <= _SEPARATION * noise:
        return []
    below = _cuts(ordered[:cut], noise=noise, depth=depth + 1)
    above = [cut + one for one in _cuts(ordered[cut:], noise=noise, depth=depth + 1)]
    last_below = ordered[below[-1] if below else 0 : cut]
    first_above = ordered[cut : above[0] if above else ordered.size]
    kept = [cut] if _are_apart(last_below, first_above, noise) else []
    return [*below, *kept, *above]


def _best_cut(ordered: Floats) -> int | None:
    """How many of the lowest samples make the best lower cluster; None if there are no two clusters."""
    n = ordered.size
    if n < 2 * _FEWEST_IN_CLUSTER or ordered[0] == ordered[-1]:
        return None
    counts = np.arange(_FEWEST_IN_CLUSTER, n - _FEWEST_IN_CLUSTER + 1, dtype=np.float64)
    # about the mean, so that small differences of large currents keep their digits
    sums = np.cumsum(ordered - ordered.mean())[_FEWEST_IN_CLUSTER - 1 : n - _FEWEST_IN_CLUSTER]
    between = sums * sums / (counts * (n - counts))
    return int(np.argmax(between)) + _FEWEST_IN_CLUSTER


def _are_apart(lower: Floats, upper: Floats, noise: float) -> bool:
    distance = float(upper.mean()) - float(lower.mean())
    gap = float(upper[int(_TAIL * upper.size)]) - float(lower[-1 - int(_TAIL * lower.size)])
    return gap > _GAP * distance and distance > _SEPARATION * noise


def _sample_noise(samples: Floats) -> float:
    """Standard deviation of a sample as its neighbour sees it: steps of the signal itself are left out."""
    if samples.size < 3:
        return 0.0
    squares = np.sort(np.diff(samples) ** 2)
    kept = squares[: max(1, int(squares.size * _KEPT_STEPS))]
    return float(np.sqrt(kept.mean() / (2.0 * _KEPT_VARIANCE)))
