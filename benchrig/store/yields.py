"""Yields of boards from their attempts. Pure: rows in, an answer out.

First-pass yield: boards whose attempt 1 passed, of all boards that had one; what a later attempt says never counts.
Final yield: boards whose newest attempt passed (common practice, no source). Simulated boards are counted apart.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, NamedTuple

from benchrig.records import Verdict
from benchrig.store.answer import Answer

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.store.rows import Row


class CountedRun(NamedTuple):
    """An attempt of a board, with the lot of that run."""

    board: str
    purpose: str
    simulated: bool
    lot: str
    attempt: int
    verdict: str


def yields(runs: Iterable[CountedRun]) -> Answer:
    """A row for each use, kind of bench and lot; a board counts for the lot of its first attempt."""
    boards: defaultdict[tuple[str, bool, str], list[CountedRun]] = defaultdict(list)
    for run in sorted(runs, key=lambda run: run.attempt):
        boards[run.purpose, run.simulated, run.board].append(run)
    groups: defaultdict[tuple[str, bool, str], list[list[CountedRun]]] = defaultdict(list)
    for (purpose, simulated, _), tries in boards.items():
        groups[purpose, simulated, tries[0].lot].append(tries)
    rows = tuple(_row(*key, tries) for key, tries in sorted(groups.items()))
    columns = (
        "use",
        "bench kind",
        "lot",
        "boards",
        "passed at first",
        "first-pass yield",
        "passed at last",
        "final yield",
    )
    return Answer("yield", (*columns, "attempts"), rows)


def _row(purpose: str, simulated: bool, lot: str, boards: list[list[CountedRun]]) -> Row:
    first = sum(tries[0].attempt == 1 and tries[0].verdict == Verdict.PASS for tries in boards)
    last = sum(tries[-1].verdict == Verdict.PASS for tries in boards)
    kind, count = "simulated" if simulated else "real", len(boards)
    attempts = sum(map(len, boards))
    return purpose, kind, lot or "-", count, first, first / count, last, last / count, attempts
