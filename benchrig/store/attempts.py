"""Which runs of a board are attempts, their numbers, and when the next one is refused. Pure, but for the recount.

Owns the rule: of the runs of one board for one use, those that said something of the board are attempts; a run that the
bench failed, or in which nothing was judged, is none. Simulated runs are counted among themselves. Attempt 1 alone
counts for the first-pass yield, whatever came later. After two attempts a third needs a note that says what was
reworked; a rework begins the count again (common practice, no source).
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import text

from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from sqlalchemy import Connection

SAYS_SOMETHING = frozenset((Verdict.PASS.value, Verdict.FAIL.value, Verdict.UNDECIDED.value, Verdict.WAIVED.value))
"""Verdicts of a board by which its run is an attempt."""

MOST_WITHOUT_REWORK = 2


class PastRun(NamedTuple):
    """As much of a run as the count needs; `utc` sorts as text."""

    run_id: int
    purpose: str
    simulated: bool
    utc: str
    verdict: str


def attempt_numbers(runs: Iterable[PastRun]) -> dict[int, int]:
    """Runs of one board by their numbers as attempts, from 1; runs that are no attempt are left out."""
    counted: defaultdict[tuple[str, bool], int] = defaultdict(int)
    numbers: dict[int, int] = {}
    for run in sorted(runs, key=lambda run: (run.utc, run.run_id)):
        if run.verdict in SAYS_SOMETHING:
            counted[run.purpose, run.simulated] += 1
            numbers[run.run_id] = counted[run.purpose, run.simulated]
    return numbers


def attempts_since_rework(runs: Iterable[PastRun], reworks_utc: Sequence[str], *, purpose: str, simulated: bool) -> int:
    """How many attempts of this use there were since the last rework."""
    since = max(reworks_utc, default="")
    return sum(
        (run.purpose, run.simulated) == (purpose, simulated) and run.verdict in SAYS_SOMETHING and run.utc > since
        for run in runs
    )


def why_refused(board: str, attempts: int, *, purpose: str) -> str:
    """Why one more attempt is refused; '' when it may begin."""
    if attempts < MOST_WITHOUT_REWORK:
        return ""
    return (
        f"board {board}: {attempts} attempts ({purpose}) stand in the history and no rework since; attempt "
        f"{attempts + 1} is refused. Say what was done to it: "
        f"benchrig history note {board} --kind rework --by NAME 'what was done'"
    )


def recount(connection: Connection, board_id: int) -> None:
    """Write the numbers of a board's attempts anew: a journal that comes late moves those after it."""
    found = connection.execute(
        text("SELECT id, purpose, simulated, utc, verdict FROM runs WHERE board_id = :board"), {"board": board_id}
    )
    numbers = attempt_numbers(PastRun(int(one[0]), one[1], bool(one[2]), one[3], one[4]) for one in found)
    connection.execute(
        text("DELETE FROM attempts WHERE run_id IN (SELECT id FROM runs WHERE board_id = :board)"), {"board": board_id}
    )
    if numbers:
        connection.execute(
            text("INSERT INTO attempts VALUES (:run, :number)"),
            [{"run": run, "number": number} for run, number in numbers.items()],
        )
