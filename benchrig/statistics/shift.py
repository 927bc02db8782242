"""Whether a quantity moved between two nights of one board on one bench, and which of many movements to believe.

Owns the difference of two sets of readings with its interval, the correction by a board whose firmware never changes,
and the budget of false alarms of a whole night. Must not know what was measured, or what a night is.

Sources, from memory: B. L. Welch, Biometrika 34 (1947), two means of unequal scatter; F. E. Satterthwaite, Biometrics
Bulletin 2 (1946), their degrees of freedom; S. Holm, Scandinavian Journal of Statistics 6 (1979), many tests at once.
A difference below what the profile calls worth knowing is no news however sure it is: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.student_t import two_sided_quantile
from benchrig.statistics.incomplete import beta_tails
from benchrig.statistics.samples import CONFIDENCE, Estimate, checked_confidence, checked_values

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.statistics.samples import Values

LEAST_READINGS = 3
"""In each set: two show a scatter that one unlucky reading makes ten times too small."""


class Movement(Enum):
    """What a difference says, beside what is worth knowing."""

    MOVED = "moved"
    STAYED = "stayed"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Shift:
    """A difference in the unit of the readings, its standard uncertainty, and degrees of freedom."""

    difference: float
    standard_uncertainty: float
    dof: float
    n: int

    def estimate(self, *, confidence: float = CONFIDENCE) -> Estimate:
        """The difference with its interval. Raises ValueError."""
        half = two_sided_quantile(checked_confidence(confidence), dof=self.dof) * self.standard_uncertainty
        return Estimate(
            value=self.difference,
            low=self.difference - half,
            high=self.difference + half,
            confidence=confidence,
            n=self.n,
        )

    def chance(self, *, threshold: float = 0.0) -> float:
        """How likely a difference so far beyond `threshold` is where the true one is no larger: two-sided p-value.

        Readings without any scatter leave no chance, or every one. Raises ValueError.
        """
        beyond = abs(self.difference) - checked_threshold(threshold)
        if beyond <= 0.0:
            return 1.0
        if self.standard_uncertainty == 0.0:
            return 0.0
        t = beyond / self.standard_uncertainty
        return beta_tails(self.dof / (self.dof + t * t), a=0.5 * self.dof, b=0.5).lower

    def movement(self, *, threshold: float, confidence: float = CONFIDENCE) -> Movement:
        """Moved: all of the interval lies beyond the threshold; stayed: none of it does. Raises ValueError."""
        found, most = self.estimate(confidence=confidence), checked_threshold(threshold)
        assert found.low is not None
        assert found.high is not None
        if found.low > most or found.high < -most:
            return Movement.MOVED
        return Movement.STAYED if -most <= found.low and found.high <= most else Movement.UNDECIDED


def checked_threshold(threshold: float) -> float:
    """What is worth knowing, from 0 up. Raises ValueError."""
    if not (math.isfinite(threshold) and threshold >= 0.0):
        raise ValueError(f"the threshold is {threshold!r}; accepted: a finite number from 0 up, in the readings' unit")
    return float(threshold)


def shift_between(before: Values, after: Values) -> Shift:
    """Mean of `after` less mean of `before`; each at least `LEAST_READINGS` values in one unit. Raises ValueError."""
    first, second = (
        checked_values(values, fewest=LEAST_READINGS, what=f"a comparison, readings {word}")
        for values, word in ((before, "before"), (after, "after"))
    )
    parts = [float(np.var(one, ddof=1)) / one.size for one in (first, second)]
    return Shift(
        difference=float(np.mean(second) - np.mean(first)),
        standard_uncertainty=math.sqrt(sum(parts)),
        dof=_joined_dof(parts, [first.size - 1.0, second.size - 1.0]),
        n=first.size + second.size,
    )


def shift_beside_control(board: Shift, control: Shift) -> Shift:
    """How the board moved more than a board whose firmware never changes, on the same meter in the same nights.

    What the meter drifted is in both, and leaves. Nothing else is known to be common: the uncertainties add.
    """
    parts = [board.standard_uncertainty**2, control.standard_uncertainty**2]
    return Shift(
        difference=board.difference - control.difference,
        standard_uncertainty=math.sqrt(sum(parts)),
        dof=_joined_dof(parts, [board.dof, control.dof]),
        n=board.n + control.n,
    )


def _joined_dof(variances: list[float], dofs: list[float]) -> float:
    """Effective degrees of freedom of a sum of variances; of none at all, those of both together."""
    total = sum(variances)
    if total == 0.0:
        return sum(dofs)
    shares = [variance / total for variance in variances]  # first, so that no square of a tiny variance vanishes
    return 1.0 / sum(share * share / dof for share, dof in zip(shares, dofs, strict=True))


def false_alarms(checks: int, *, rate: float) -> float:
    """How likely a night of that many independent checks is red with nothing wrong. Raises ValueError."""
    if not checks >= 1:
        raise ValueError(f"{checks!r} checks; accepted: a whole number from 1 up")
    return -math.expm1(checks * math.log1p(-_checked_rate(rate)))


def believed(chances: Mapping[str, float], *, budget: float) -> tuple[str, ...]:
    """Which movements to believe, the surest first, so that a night has a false one at most at the rate `budget`.

    `chances` has the p-value of each comparison of the night, by name. Holm's steps: the smallest is held against the
    budget over all of them, the next against the budget over all but one, and so on until one is too large.
    Raises ValueError.
    """
    _checked_rate(budget)
    for name, chance in chances.items():
        if not 0.0 <= chance <= 1.0:
            raise ValueError(f"the chance of {name!r} is {chance!r}; accepted: from 0 to 1")
    found: list[str] = []
    for name, chance in sorted(chances.items(), key=lambda one: (one[1], one[0])):
        if chance > budget / (len(chances) - len(found)):
            break
        found.append(name)
    return tuple(found)


def _checked_rate(rate: float) -> float:
    if not 0.0 < rate < 1.0:
        raise ValueError(f"a rate of {rate!r}; accepted: above 0 and below 1, such as 0.01")
    return float(rate)
