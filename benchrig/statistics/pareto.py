"""Which checks fail most: counts of failing checks, largest first, with cumulative share.

Owns the count and its order. Must not know what a check measures. A board counts once for a check however often it
failed there, so that retests do not make a check look worse; checks that failed on equally many boards stand in the
order of their names, so that the same history always gives the same table.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING, NamedTuple

from benchrig.statistics.proportions import exact_share
from benchrig.statistics.samples import CONFIDENCE, Estimate

if TYPE_CHECKING:
    from collections.abc import Iterable


class Failure(NamedTuple):
    """A check that failed on a board."""

    board: str
    check: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FailingCheck:
    """`boards` failed this check; `share` of all failures, `cumulative` with those above it, both from 0 to 1.

    `of_boards` is the share of all tested boards that fail it, with its exact interval.
    """

    check: str
    boards: int
    share: float
    cumulative: float
    of_boards: Estimate


def pareto(failures: Iterable[Failure], *, boards: int, confidence: float = CONFIDENCE) -> tuple[FailingCheck, ...]:
    """The failing checks of `boards` tested boards, the most frequent first; empty when nothing failed.

    Raises ValueError where more boards failed than were tested.
    """
    distinct = set(failures)
    failing = len({failure.board for failure in distinct})
    if failing > boards:
        raise ValueError(f"{failing} boards failed, but only {boards} were tested; give the number of tested boards")
    counts = sorted(Counter(check for _, check in distinct).items(), key=lambda one: (-one[1], one[0]))
    return tuple(
        FailingCheck(
            check=check,
            boards=count,
            share=count / len(distinct),
            cumulative=so_far / len(distinct),
            of_boards=exact_share(count, total=boards, confidence=confidence),
        )
        for (check, count), so_far in zip(counts, accumulate(count for _, count in counts), strict=True)
    )
