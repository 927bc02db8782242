"""Limits that data suggest. A proposal is no limit: it says what boards are, not what they must be.

Owns the proposal, a type of its own: nothing that judges takes it, and nothing here makes a limit of it. A person
reads it, and writes a limit with a source if the requirement allows one. Must not know requirements.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.statistics.normality import normality
from benchrig.statistics.samples import CONFIDENCE, LARGEST, checked_scatter, checked_values
from benchrig.statistics.tolerance import (
    MOST_VALUES,
    ToleranceInterval,
    free_interval,
    normal_interval,
    values_needed,
)

if TYPE_CHECKING:
    from benchrig.statistics.samples import Values

COVERAGE = 0.99
FEWEST_VALUES = 30
"""Own choice: from fewer the proposal is so wide that it finds nothing, or so chancy that it is moved every month."""

_WHAT = "limit proposal"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitProposal:
    """Where limits could stand: outside of the tolerance interval `basis` by `guard`, on each side that is proposed.

    `method` is 'normal' or 'distribution-free'; `why` says why. Numbers are in the unit of the values.
    """

    proposed_low: float | None
    proposed_high: float | None
    guard: float
    basis: ToleranceInterval
    method: str
    why: str

    @property
    def words(self) -> str:
        sides = {"at least": self.proposed_low, "at most": self.proposed_high}
        shown = " and ".join(f"{name} {side:.6g}" for name, side in sides.items() if side is not None)
        return (
            f"proposed from data, not a requirement: {shown}; {100 * self.basis.coverage:.4g} % of boards are inside "
            f"with {100 * self.basis.confidence:.4g} % confidence, by {self.basis.n} values and a guard of "
            f"{self.guard:.6g} ({self.why})"
        )


def propose_limits(
    values: Values,
    *,
    guard: float,
    side: str = "both",
    coverage: float = COVERAGE,
    confidence: float = CONFIDENCE,
) -> LimitProposal:
    """Propose limits from values of boards that are known to be good.

    `guard` is what the bench itself may add between days and benches, such as its expanded uncertainty. Values that
    contradict a normal distribution are answered without one, if they are enough. Raises ValueError for fewer than
    30 values, constant ones, a guard below 0, and too few values of a distribution that is not normal.
    """
    if not 0.0 <= guard <= LARGEST:
        raise ValueError(f"{_WHAT}: the guard is {guard!r}; accepted: a finite number from 0 up, in the unit of values")
    found = checked_values(values, what=_WHAT, fewest=FEWEST_VALUES)
    if found.size > MOST_VALUES:
        raise ValueError(f"{_WHAT}: {found.size} values; accepted: up to {MOST_VALUES}: take the latest of them")
    checked_scatter(found, what=_WHAT)
    test = normality(found)
    if not test.contradicted:
        interval, method = normal_interval(found, side=side, coverage=coverage, confidence=confidence), "normal"
    else:
        needed = values_needed(side=side, coverage=coverage, confidence=confidence)
        if found.size < needed:
            raise ValueError(
                f"{_WHAT}: {test.words}; without one {needed} values are needed and {found.size} are given: measure "
                f"{needed - found.size} more, ask for less coverage, or find out which boards stand apart"
            )
        interval = free_interval(found, side=side, coverage=coverage, confidence=confidence)
        method = "distribution-free"
    return LimitProposal(
        proposed_low=None if interval.low is None else interval.low - guard,
        proposed_high=None if interval.high is None else interval.high + guard,
        guard=guard,
        basis=interval,
        method=method,
        why=test.words,
    )
