"""Whether values contradict a normal distribution: the Anderson-Darling test, mean and deviation unknown.

Owns the statistic and its critical values. Must not know what is done about it. A test that is not failed proves
nothing: few values contradict hardly any distribution, which the sentence says.

Statistic: T. W. Anderson and D. A. Darling (1954). Critical values and the correction for n: R. B. D'Agostino in
D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), table 4.7 (from memory, and as a statistics library
carries them).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from benchrig.statistics.samples import checked_scatter, checked_values

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.statistics.samples import Floats, Values

FEWEST_VALUES = 8
"""Below this the correction for n is not stated (from memory)."""

CRITICAL: Mapping[float, float] = MappingProxyType({0.15: 0.561, 0.10: 0.631, 0.05: 0.752, 0.025: 0.873, 0.01: 1.035})
"""Corrected statistic that a normal distribution exceeds with this probability."""

_WHAT = "normality"


@dataclass(frozen=True, slots=True, kw_only=True)
class Normality:
    """The statistic of `n` values, corrected for n, against the `critical` value of `level`.

    `contradicted`: a normal distribution gives such values with a probability of `level` at most.
    """

    statistic: float
    corrected: float
    critical: float
    level: float
    n: int

    @property
    def contradicted(self) -> bool:
        return self.corrected > self.critical

    @property
    def words(self) -> str:
        """What the test says, and what it does not."""
        figures = f"Anderson-Darling {self.corrected:.3f}, critical {self.critical:.3f} at {100 * self.level:g} %"
        if self.contradicted:
            return f"{self.n} values contradict a normal distribution ({figures}): nothing by normal theory is proven"
        return f"{self.n} values do not contradict a normal distribution ({figures}); that does not prove one"


def normality(values: Values, *, level: float = 0.05) -> Normality:
    """Hold values against a normal distribution. Raises ValueError for too few, constant or strange ones."""
    if level not in CRITICAL:
        raise ValueError(f"the level is {level!r}; accepted: {', '.join(f'{one:g}' for one in CRITICAL)}")
    found = checked_values(values, what=_WHAT, fewest=FEWEST_VALUES)
    deviation = checked_scatter(found, what=_WHAT)
    z = np.sort((found - found.mean()) / deviation)
    statistic = _statistic(z)
    n = found.size
    return Normality(
        statistic=statistic,
        corrected=statistic * (1.0 + 0.75 / n + 2.25 / n**2),
        critical=CRITICAL[level],
        level=level,
        n=n,
    )


def _statistic(z: Floats) -> float:
    n = z.size
    below, above = [_log_below(one) for one in z.tolist()], [_log_below(-one) for one in reversed(z.tolist())]
    return (
        -n - math.fsum((2 * i + 1) * (low + high) for i, (low, high) in enumerate(zip(below, above, strict=True))) / n
    )


def _log_below(z: float) -> float:
    """Logarithm of the probability of a standard normal variable below z."""
    if z > -30.0:
        return math.log(0.5 * math.erfc(-z / math.sqrt(2.0)))
    # the first term of the tail's series is good to one part in z squared (from memory)
    return -0.5 * z * z - math.log(-z) - 0.5 * math.log(2.0 * math.pi) + math.log1p(-1.0 / (z * z))
