"""Which boards, attempts and values of a lot count. Pure: rows in, a lot out.

Owns these rules, which the page tells:
- a board counts for the lot of its attempt 1, for one use, real boards apart from simulated ones;
- attempt 1 alone counts for the first-pass yield and for the values: one value for each board and limit;
- a run that the bench failed is no attempt; a board that has no other is left out, and counted apart;
- a board that passed because a check of it was waived did not pass (as `benchrig.statistics.yields`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from benchrig.statistics.samples import LARGEST

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.records import Verdict
    from benchrig.store.judged_rows import JudgedRow
    from benchrig.store.lot_rows import LotRun, LotValue

RULES = (
    "A board counts for the lot of its attempt 1. Attempt 1 alone counts for the first-pass yield and for all values: "
    "one for each board and limit, those of boards that failed among them.",
    "A run that the bench failed is no attempt. A board that has no other run is left out of every share, and "
    "counted apart. A board that passed because a check of it was waived did not pass, and is counted apart as well.",
)

_FOUND_PLACE = ", at "
"""In a name such as 'error worst, at 3.90 V down' what follows is where a run found it: it differs by board."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """A lot for one use. `firsts` are attempts 1 by their times, `attempts` all attempts of the same boards, `runs`
    all runs of those and of `bench_failed`, the boards that no run says anything of. `left_out` says why others
    are not here.
    """

    name: str
    use: str
    since: str
    simulated: bool
    runs: tuple[LotRun, ...]
    attempts: tuple[LotRun, ...]
    firsts: tuple[LotRun, ...]
    bench_failed: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def seen(self) -> int:
        """Boards that were on a bench."""
        return len(self.firsts) + len(self.bench_failed)

    @property
    def lasts(self) -> tuple[LotRun, ...]:
        """The newest attempt of each board, in the order of `firsts`."""
        newest: dict[str, LotRun] = {}
        for run in sorted(self.attempts, key=lambda run: run.attempt or 0):
            newest[run.board] = run
        return tuple(newest[run.board] for run in self.firsts)

    @property
    def spoiled_runs(self) -> int:
        """Runs that say nothing of a board."""
        return sum(run.attempt is None for run in self.runs)


def lot_of(runs: Iterable[LotRun], *, name: str, use: str, since: str = "") -> Lot:
    """The lot of that name among all runs of its boards; `since` is a day, '' for ever."""
    everything = sorted(runs, key=lambda run: (run.utc, run.run_id))
    of_use = [run for run in everything if run.use == use]
    in_lot = [run for run in of_use if run.lot == name and run.utc >= since]
    simulated = not any(not run.simulated for run in in_lot)
    kept: dict[str, list[LotRun]] = {run.board: [] for run in in_lot}
    for run in of_use:
        if run.board in kept and run.simulated == simulated:
            kept[run.board].append(run)
    sorted_out = {board: _place_of(runs_, name=name, since=since) for board, runs_ in kept.items()}
    counted = {board for board, why in sorted_out.items() if why == ""}
    failed = tuple(board for board, why in sorted_out.items() if why is None)
    here = counted.union(failed)
    left_out = [why for why in sorted_out.values() if why]
    mine = [run for board in kept if board in here for run in kept[board]]
    attempts = [run for run in mine if run.attempt is not None and run.board in counted]
    return Lot(
        name=name,
        use=use,
        since=since,
        simulated=simulated and bool(in_lot),
        runs=tuple(sorted(mine, key=lambda run: (run.utc, run.run_id))),
        attempts=tuple(attempts),
        firsts=tuple(sorted((run for run in attempts if run.attempt == 1), key=lambda run: (run.utc, run.run_id))),
        bench_failed=failed,
        left_out=(*left_out, *_others(everything, name=name, use=use, simulated=simulated)),
    )


def _place_of(runs: Sequence[LotRun], *, name: str, since: str) -> str | None:
    """'' for a board that counts, None for one that the bench alone failed, else why it is left out."""
    first = next((run for run in runs if run.attempt == 1), None)
    if first is None:
        mine = [run for run in runs if run.lot == name and run.utc >= since]
        return None if mine else f"board {runs[0].board}: no run of this kind" if runs else "a board of the other kind"
    if first.lot != name:
        return f"board {first.board}: its attempt 1 is of lot {first.lot or 'none'}, and counts there"
    if first.utc < since:
        return f"board {first.board}: its attempt 1 was before {since}; without it nobody knows its yield"
    return ""


def _others(runs: Sequence[LotRun], *, name: str, use: str, simulated: bool) -> list[str]:
    """What of this lot is of another use or kind."""
    told = []
    for other in sorted({run.use for run in runs if run.lot == name and run.use != use}):
        count = sum(run.use == other and run.lot == name for run in runs)
        told.append(f"{count} runs of use {other}: ask for them with --use {other}")
    away = sum(run.simulated and run.lot == name and run.use == use for run in runs)
    if away and not simulated:
        told.append(f"{away} simulated runs: no board was measured in them")
    return told


# ---- values


class LimitKey(NamedTuple):
    """A limit of a check. Values that were held against other limits stand apart."""

    check: str
    limit: str
    unit: str
    low: float | None
    high: float | None

    @property
    def name(self) -> str:
        return f"{self.check}.{self.limit}"

    @property
    def side(self) -> str:
        """Which sides are limited: 'both', 'low' or 'high'."""
        return "both" if self.low is not None and self.high is not None else "high" if self.low is None else "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSeries:
    """The values of one limit by the times of attempts 1, one row for each board; `without_number` had none."""

    key: LimitKey
    rows: tuple[JudgedRow, ...]
    values: tuple[float, ...]
    without_number: tuple[str, ...]

    @property
    def largest_uncertainty(self) -> float:
        """The largest expanded uncertainty among them; 0 where none is known."""
        return max((row.expanded_uncertainty or 0.0 for row in self.rows), default=0.0)


def limit_name(name: str) -> str:
    """The name of a limit without the place at which a run found its worst value."""
    return name.split(_FOUND_PLACE, 1)[0]


def limit_series(firsts: Iterable[LotRun], values: Iterable[LotValue]) -> tuple[LimitSeries, ...]:
    """Every limit that attempts 1 were held against, in the order in which they were judged first."""
    order = {run.run_id: at for at, run in enumerate(firsts)}
    mine = sorted((one for one in values if one.run_id in order), key=lambda one: order[one.run_id])
    rows: dict[LimitKey, dict[str, JudgedRow]] = {}
    for _, row in mine:
        key = LimitKey(row.check, limit_name(row.limit), row.unit, row.low, row.high)
        rows.setdefault(key, {}).setdefault(row.board, row)  # a check that was tried again: its first value
    return tuple(_series(key, tuple(of_key.values())) for key, of_key in rows.items())


def _series(key: LimitKey, rows: tuple[JudgedRow, ...]) -> LimitSeries:
    good = tuple(row for row in rows if _is_number(row.value))
    return LimitSeries(
        key=key,
        rows=good,
        values=tuple(float(row.value) for row in good if row.value is not None),
        without_number=tuple(row.board for row in rows if not _is_number(row.value)),
    )


def _is_number(value: float | None) -> bool:
    return value is not None and abs(value) <= LARGEST


def count_of(runs: Iterable[LotRun], verdict: Verdict) -> int:
    """How many of the runs ended so."""
    return sum(run.verdict == verdict.value for run in runs)
