"""First-pass and final yield of boards from their attempts, each with an exact and a Wilson interval.

Owns which attempt counts. Must not know limits or checks. First-pass yield looks at attempt 1 alone, so that no
retest can raise it; final yield looks at each board's last attempt (common practice, no source). An attempt that
ended as bench error or not run proves nothing about its board: a board whose attempt in question ended so is left
out and counted apart, never moved on to another attempt. A waived attempt did not pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.records import Verdict
from benchrig.statistics.proportions import exact_share, wilson_share
from benchrig.statistics.samples import CONFIDENCE, Estimate

if TYPE_CHECKING:
    from collections.abc import Iterable

PROVES_NOTHING = frozenset((Verdict.BENCH_ERROR, Verdict.NOT_RUN))


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """How one attempt of a board ended; `number` is 1 for the first. Raises ValueError."""

    board: str
    number: int
    verdict: Verdict

    def __post_init__(self) -> None:
        if type(self.number) is not int or self.number < 1:
            raise ValueError(f"board {self.board!r}: attempt number is {self.number!r}; accepted: 1, 2, 3 ...")
        if not isinstance(self.verdict, Verdict):
            accepted = ", ".join(one.value for one in Verdict)
            raise ValueError(f"board {self.board!r}: verdict is {self.verdict!r}; accepted: a Verdict: {accepted}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Yield:
    """Share of boards that passed: `passed` of `boards`; `left_out` are those whose attempt proves nothing."""

    passed: int
    boards: int
    left_out: int
    exact: Estimate
    wilson: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class LotYield:
    """Both yields of a lot. `retested` counts boards with more than one attempt, `attempts` all attempts."""

    first_pass: Yield
    final: Yield
    retested: int
    attempts: int


def lot_yield(attempts: Iterable[Attempt], *, confidence: float = CONFIDENCE) -> LotYield:
    """Yields of all boards among the attempts, in whatever order they come.

    Raises ValueError where a board has the same attempt twice or lacks its first, and where no board was judged.
    """
    boards = _by_board(attempts)
    firsts = [of_board[1] for of_board in boards.values()]
    lasts = [of_board[max(of_board)] for of_board in boards.values()]
    return LotYield(
        first_pass=_yield_of(firsts, "first-pass yield", confidence),
        final=_yield_of(lasts, "final yield", confidence),
        retested=sum(len(of_board) > 1 for of_board in boards.values()),
        attempts=sum(map(len, boards.values())),
    )


def _by_board(attempts: Iterable[Attempt]) -> dict[str, dict[int, Verdict]]:
    boards: dict[str, dict[int, Verdict]] = {}
    for one in attempts:
        of_board = boards.setdefault(one.board, {})
        if one.number in of_board:
            raise ValueError(f"board {one.board!r} has attempt {one.number} twice; give each attempt once")
        of_board[one.number] = one.verdict
    for board, of_board in sorted(boards.items()):
        missing = sorted(set(range(1, max(of_board) + 1)) - set(of_board))
        if missing:
            raise ValueError(
                f"board {board!r} has attempt {max(of_board)}, but not attempt {missing[0]}; without it nobody knows "
                "the yield: give every attempt from 1 on"
            )
    return boards


def _yield_of(verdicts: list[Verdict], what: str, confidence: float) -> Yield:
    judged = [verdict for verdict in verdicts if verdict not in PROVES_NOTHING]
    if not judged:
        raise ValueError(f"{what}: none of {len(verdicts)} boards was judged; needed is 1 or more: test a board")
    passed = sum(verdict is Verdict.PASS for verdict in judged)
    return Yield(
        passed=passed,
        boards=len(judged),
        left_out=len(verdicts) - len(judged),
        exact=exact_share(passed, total=len(judged), confidence=confidence),
        wilson=wilson_share(passed, total=len(judged), confidence=confidence),
    )
