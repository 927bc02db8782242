"""What every statistic here starts from and ends in: checked values, a checked confidence, an estimate with interval.

Owns those alone. Must not know what is estimated. How few values are too few is said by each statistic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Values = Iterable[float]

CONFIDENCE = 0.95
LARGEST = 1e100
"""Its square is still a finite number; no quantity of a bench comes near."""

_ROUNDING_STEPS = 8.0
"""Values that differ by so few steps of a float are constant: rounding of the last digit is no scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A figure from `n` values, and between which two the true one lies with `confidence`.

    None for `low` or `high` is an open side: nothing bounds it there. Raises ValueError for a figure that is no
    finite number and for sides that are, or for an interval that ends before it starts.
    """

    value: float
    low: float | None
    high: float | None
    confidence: float
    n: int

    def __post_init__(self) -> None:
        for name, number in (("value", self.value), ("low", self.low), ("high", self.high)):
            if number is not None and not math.isfinite(number):
                raise ValueError(f"the {name} of an estimate is {number!r}; accepted: a finite number")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"the interval of an estimate is reversed: {self.low!r} to {self.high!r}")


def checked_confidence(confidence: float) -> float:
    """A confidence from 0.5 to 0.9999. Raises ValueError."""
    if not 0.5 <= confidence <= 0.9999:
        raise ValueError(f"the confidence is {confidence!r}; accepted: from 0.5 to 0.9999, such as 0.95")
    return float(confidence)


def checked_share(share: float, *, what: str) -> float:
    """A share above 0 and below 1. Raises ValueError."""
    if not 0.0 < share < 1.0:
        raise ValueError(f"{what} is {share!r}; accepted: above 0 and below 1, such as 0.95")
    return float(share)


def checked_values(values: Values, *, what: str, fewest: int) -> Floats:
    """The values as an array of their own.

    Raises ValueError for fewer than `fewest`, for one that is no finite number of a bench, for text or truth values,
    and for more dimensions than one.
    """
    raw = values if isinstance(values, np.ndarray) else np.array(list(values))
    if raw.dtype.kind not in "fiu":  # None, text, truth values: numpy would make numbers of them without a word
        raise ValueError(f"{what}: values are of the kind {raw.dtype}; accepted: numbers alone, in one unit")
    found = np.array(raw, dtype=np.float64)
    if found.ndim != 1:
        raise ValueError(f"{what}: values have the shape {found.shape}; accepted: one row of values")
    if found.size < fewest:
        raise ValueError(
            f"{what}: {found.size} values say too little, needed are {fewest} or more; "
            f"measure {fewest - found.size} more"
        )
    strange = np.flatnonzero(~(np.abs(found) <= LARGEST))
    if strange.size:
        first = int(strange[0])
        raise ValueError(
            f"{what}: value {first + 1} of {found.size} is {float(found[first])!r}; accepted: finite numbers up to "
            f"{LARGEST:g}; leave that reading out, or take it again"
        )
    return found


def checked_scatter(values: Floats, *, what: str) -> float:
    """Standard deviation about the mean, n - 1 degrees of freedom. Raises ValueError for values that are constant."""
    least, most = float(values.min()), float(values.max())
    deviation = float(values.std(ddof=1))
    if most - least <= _ROUNDING_STEPS * math.ulp(max(abs(least), abs(most))) or not deviation > 0.0:
        raise ValueError(
            f"{what}: all {values.size} values are {least!r}, so that nothing says how far they scatter; "
            "measure with a finer resolution"
        )
    return deviation


def checked_tolerance(low: float | None, high: float | None, *, what: str) -> tuple[float | None, float | None]:
    """Both limits as they are. Raises ValueError for none at all, one that is not finite, and low not below high."""
    if low is None and high is None:
        raise ValueError(f"{what}: neither low nor high is given; accepted: one limit or both")
    for name, side in (("low", low), ("high", high)):
        if side is not None and not abs(side) <= LARGEST:
            raise ValueError(f"{what}: {name} is {side!r}; accepted: a finite number, or None for an open side")
    if low is not None and high is not None and not low < high:
        raise ValueError(f"{what}: low {low!r} is not below high {high!r}; give the limits the other way round")
    return low, high
