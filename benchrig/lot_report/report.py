"""A lot with everything that was reckoned from it: made once from the store's rows, shown as tables and as pages.

Owns what is reckoned. Must not know how it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.lot_report.contact import ContactTrend, contact_trends
from benchrig.lot_report.limit_figures import (
    LimitCharts,
    LimitFigures,
    charts_of,
    figures_of,
    nearest_to_trouble,
    proposal_of,
)
from benchrig.lot_report.lot import LimitSeries, Lot, limit_series, lot_of
from benchrig.records import Verdict
from benchrig.statistics.pareto import FailingCheck, Failure, pareto
from benchrig.statistics.proportions import lot_statement
from benchrig.statistics.yields import Attempt, LotYield, lot_yield

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.statistics.limit_proposal import LimitProposal
    from benchrig.store.judged_rows import JudgedRow
    from benchrig.store.lot_rows import LotInstrument, LotNote, LotRows

NEAR_SHARE = 0.1
"""A passing value nearer to a limit than this share of the width is near. As `benchrig history near-limits`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """Boards whose value is inside of a limit and near it, the nearest first."""

    series: LimitSeries
    rows: tuple[JudgedRow, ...]

    @property
    def is_common(self) -> bool:
        """Near by what the limit is, not by what a board is: more than half of all boards are."""
        return 2 * len(self.rows) > len(self.series.values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """A proposal for one limit, from `boards` that passed."""

    series: LimitSeries
    proposal: LimitProposal


@dataclass(frozen=True, slots=True, kw_only=True)
class LotReport:
    """Everything. `built` is what the maker says was built, None when nobody said."""

    lot: Lot
    built: int | None
    yields: LotYield | None
    statement: str
    failing: tuple[FailingCheck, ...]
    figures: tuple[LimitFigures, ...]
    charts: tuple[LimitCharts, ...]
    contacts: tuple[ContactTrend, ...]
    near: tuple[Near, ...]
    proposals: tuple[Proposed, ...]
    instruments: tuple[LotInstrument, ...]
    notes: tuple[LotNote, ...]
    not_said: tuple[tuple[str, str], ...]


def lot_report(rows: LotRows, *, name: str, use: str, since: str = "", built: int | None = None) -> LotReport:
    """Reckon everything. Raises ConfigError where fewer boards were built than were tested."""
    lot = lot_of(rows.runs, name=name, use=use, since=since)
    if built is not None and built < lot.seen:
        raise ConfigError(
            f"--built {built}: {lot.seen} boards of lot {name!r} were on a bench; accepted: {lot.seen} or more"
        )
    not_said: list[tuple[str, str]] = [("the whole lot", why) for why in lot.left_out]
    series = limit_series(lot.firsts, rows.values)
    figures = tuple(one for one in map(figures_of, series) if one is not None)
    charts = _charts(figures, not_said)
    proposals = _proposals(series, lot, not_said)
    contacts = contact_trends(lot.runs, rows.readings)
    not_said += [(one.series.key.name, why) for one in figures for why in one.lacking]
    not_said += _unnumbered(series)
    not_said += [(f"contact fixture {one.fixture}", one.lacking) for one in contacts if one.lacking]
    if lot.runs and not contacts:
        not_said.append(("contact fixtures", "no run names one; give --bench-contact-fixture NAME with each run"))
    yields = _yields(lot, not_said)
    mine, boards = {run.run_id for run in lot.runs}, {run.board for run in lot.runs}
    return LotReport(
        lot=lot,
        built=built,
        yields=yields,
        statement=_statement(yields),
        failing=_failing(rows, lot),
        figures=figures,
        charts=charts,
        contacts=contacts,
        near=tuple(one for one in map(_near, series) if one.rows),
        proposals=proposals,
        instruments=tuple(one for one in rows.instruments if one.run_id in mine),
        notes=tuple(one for one in rows.notes if one.board in boards),
        not_said=tuple(not_said),
    )


def _yields(lot: Lot, not_said: list[tuple[str, str]]) -> LotYield | None:
    told = [Attempt(board=one.board, number=one.attempt or 0, verdict=Verdict(one.verdict)) for one in lot.attempts]
    told += [Attempt(board=board, number=1, verdict=Verdict.BENCH_ERROR) for board in lot.bench_failed]
    try:
        return lot_yield(told)
    except ValueError as refused:
        not_said.append(("yield", str(refused)))
        return None


def _statement(yields: LotYield | None) -> str:
    if yields is None:
        return "No board of this lot was judged: nothing can be said of it."
    first = yields.first_pass
    return lot_statement(first.boards - first.passed, boards=first.boards)


def _failing(rows: LotRows, lot: Lot) -> tuple[FailingCheck, ...]:
    """Of attempts 1: checks that failed, and apart from them those that could not be decided or were waived."""
    if not lot.firsts:
        return ()
    boards = {run.run_id: run.board for run in lot.firsts}
    marks = {Verdict.FAIL.value: "", Verdict.UNDECIDED.value: " (undecided)", Verdict.WAIVED.value: " (waived)"}
    failures = [
        Failure(boards[id_], f"{check}{marks[verdict]}") for id_, check, verdict in rows.checks if id_ in boards
    ]
    return pareto(failures, boards=len(boards))


def _charts(figures: Sequence[LimitFigures], not_said: list[tuple[str, str]]) -> tuple[LimitCharts, ...]:
    found = []
    for one in nearest_to_trouble(figures):
        lacking: list[str] = []
        charts = charts_of(one, lacking)
        found += [charts] if charts else []
        not_said += [(one.series.key.name, why) for why in lacking]
    return tuple(found)


def _proposals(series: Sequence[LimitSeries], lot: Lot, not_said: list[tuple[str, str]]) -> tuple[Proposed, ...]:
    passed = frozenset(run.board for run in lot.firsts if run.verdict == Verdict.PASS.value)
    found = []
    for one in series:
        lacking: list[str] = []
        proposal = proposal_of(one, passed, lacking)
        found += [Proposed(series=one, proposal=proposal)] if proposal else []
        not_said += [(one.key.name, why) for why in lacking]
    return tuple(found)


def _unnumbered(series: Sequence[LimitSeries]) -> list[tuple[str, str]]:
    return [
        (one.key.name, f"no number was read on {len(one.without_number)} boards: {', '.join(one.without_number)}")
        for one in series
        if one.without_number
    ]


def _near(series: LimitSeries) -> Near:
    """Inside, but nearer than the share; limits without a width have no near."""
    rows = [row for row in series.rows if _is_near(row)]
    return Near(series=series, rows=tuple(sorted(rows, key=lambda row: (row.margin or 0.0, row.board))))


def _is_near(row: JudgedRow) -> bool:
    margin = row.margin
    return margin is not None and margin >= 0.0 and row.width > 0.0 and margin <= NEAR_SHARE * row.width
