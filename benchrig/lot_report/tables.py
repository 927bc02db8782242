"""A lot as tables for people, for JSON and for CSV: numbers as numbers, in base units.

Owns titles, columns and rows. The pages show the same figures, rounded.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

from benchrig.lot_report.figures_text import ranges
from benchrig.lot_report.lot import count_of
from benchrig.records import Verdict
from benchrig.store.answer import Answer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.lot_report.contact import ContactTrend
    from benchrig.lot_report.limit_figures import LimitCharts, LimitFigures
    from benchrig.lot_report.report import LotReport, Proposed
    from benchrig.statistics.run_rules import Signal
    from benchrig.statistics.samples import Estimate
    from benchrig.statistics.yields import Yield
    from benchrig.store.rows import Cell, Row

_FIGURES = re.compile(r" \(Anderson-Darling [^)]*\)")
_SAME = re.compile(r"all (\d+) values are \S+, so")
_LIMIT = ("check", "limit", "unit", "low", "high")


def lot_tables(report: LotReport) -> tuple[Answer, ...]:
    """Every table; those with a row for each value or point are long."""
    return (
        Answer("lot", ("what", "is"), tuple(lot_facts(report))),
        _yields(report),
        _failing(report),
        _limits(report),
        _capability(report),
        _rules(report),
        _signals(report),
        _contacts(report),
        _near(report),
        _attempts(report),
        _proposals(report),
        instrument_table(report),
        Answer("not said", ("why", "of"), tuple((why, ", ".join(names)) for why, names in not_said(report))),
        _boards(report),
        _values(report),
        _points(report),
        _seatings(report),
    )


def lot_facts(report: LotReport) -> Iterator[tuple[str, Cell]]:
    """What the lot is, and its boards by how they came out."""
    lot, lasts = report.lot, report.lot.lasts
    yield "lot", lot.name
    yield "bench kind", "simulated" if lot.simulated else "real"
    yield "use", lot.use
    if lot.since:
        yield "since", lot.since
    yield "profiles", _names(run.profile for run in lot.runs)
    yield "first run", lot.runs[0].utc if lot.runs else "-"
    yield "last run", lot.runs[-1].utc if lot.runs else "-"
    yield "benches", _names(run.bench for run in lot.runs)
    yield "operators", _names(run.operator for run in lot.runs)
    yield "firmware", _names(run.firmware for run in lot.runs)
    yield "boards built", report.built if report.built is not None else "not told (--built N)"
    yield "boards on a bench", lot.seen
    yield "boards tested", len(lot.firsts)
    yield "passed first time", count_of(lot.firsts, Verdict.PASS)
    yield "passed finally", count_of(lasts, Verdict.PASS)
    yield "waived finally", count_of(lasts, Verdict.WAIVED)
    yield "failed finally", count_of(lasts, Verdict.FAIL)
    yield "undecided finally", count_of(lasts, Verdict.UNDECIDED)
    yield "boards that the bench alone failed", len(lot.bench_failed)
    yield "runs that say nothing of a board", lot.spoiled_runs


def _names(names: Iterator[str]) -> str:
    return ", ".join(dict.fromkeys(name for name in names if name)) or "-"


def _yields(report: LotReport) -> Answer:
    columns = ("yield", "passed", "boards", "left out", "share", "exact low", "exact high", "Wilson low", "Wilson high")
    found = report.yields
    pairs = (("first pass", found.first_pass), ("final", found.final)) if found else ()
    return Answer("yield", (*columns, "confidence"), tuple(_yield_row(name, one) for name, one in pairs))


def _yield_row(name: str, one: Yield) -> Row:
    ends = (one.exact.low, one.exact.high, one.wilson.low, one.wilson.high, one.exact.confidence)
    return name, one.passed, one.boards, one.left_out, one.exact.value, *ends


def _failing(report: LotReport) -> Answer:
    columns = ("check", "boards", "share of failures", "cumulative", "share of boards", "low", "high")
    rows = tuple(
        (one.check, one.boards, one.share, one.cumulative, *_estimate(one.of_boards)) for one in report.failing
    )
    return Answer("failing checks", columns, rows)


def _limits(report: LotReport) -> Answer:
    columns = (*_LIMIT, "n", "mean", "s", "min", "max", "outside", "share outside", "share low", "share high")
    return Answer("limits", columns, tuple(_limit_row(one) for one in report.figures))


def _limit_row(one: LimitFigures) -> Row:
    found = one.statistics
    counted = (found.n, found.mean, found.deviation, found.least, found.most, round(one.outside.value * found.n))
    return (*one.series.key, *counted, *_estimate(one.outside))


def _capability(report: LotReport) -> Answer:
    columns = ("n", "Ppk", "Ppk low", "Ppk high", "normal theory", "tolerance low", "tolerance high", "method")
    return Answer("capability", (*_LIMIT, *columns), tuple(_capability_row(one) for one in report.figures))


def _capability_row(one: LimitFigures) -> Row:
    index = _estimate(one.capability.ppk) if one.capability else (None, None, None)
    ends: tuple[float | None, float | None] = (None, None)
    method = "-"
    if one.tolerance:
        ends = (one.tolerance.low, one.tolerance.high)
        method = "normal" if one.tolerance.normality else "distribution-free"
    return (*one.series.key, one.statistics.n, *index, one.normal, *ends, method)


def _estimate(one: Estimate) -> tuple[float, float | None, float | None]:
    return one.value, one.low, one.high


def _signals(report: LotReport) -> Answer:
    rows = tuple(
        (*charts.figures.series.key[:2], chart, number, board, run, value, rule)
        for charts in report.charts
        for chart, number, board, run, value, rule in signals_of(charts)
    )
    columns = ("check", "limit", "chart", "point", "board", "run", "value", "rule")
    return Answer("signals", columns, rows, long=True)


def _rules(report: LotReport) -> Answer:
    rows = tuple(
        (*charts.figures.series.key[:2], chart, rule, ranges(numbers), len(numbers))
        for charts in report.charts
        for chart, rule, numbers, _ in signals_by_rule(charts)
    )
    return Answer("signals by rule", ("check", "limit", "chart", "rule", "points", "boards"), rows)


def signals_by_rule(charts: LimitCharts) -> list[tuple[str, str, list[int], list[str]]]:
    """Chart, rule, the numbers of the points at which it fired, and their boards."""
    found: dict[tuple[str, str], dict[int, str]] = {}
    for chart, number, board, _, _, rule in signals_of(charts):
        found.setdefault((chart, rule), {})[number] = board
    return [(*key, sorted(boards), [boards[at] for at in sorted(boards)]) for key, boards in found.items()]


def signals_of(charts: LimitCharts) -> Iterator[tuple[str, int, str, str, float, str]]:
    """Every signal: chart, number of the board in time, board, run, its value, rule.

    A moving range is told at the later of its two boards.
    """
    rows, values = charts.figures.series.rows, charts.figures.series.values
    found: tuple[tuple[str, tuple[Signal, ...], int], ...] = (
        ("single values", charts.pair.location.signals, 0),
        ("moving range", charts.pair.dispersion.signals, 1),
        ("weighted average", charts.average.signals, 0),
        ("cumulative sum", charts.sums.signals, 0),
    )
    for chart, signals, later in found:
        for signal in signals:
            at = signal.number - 1 + later
            yield chart, at + 1, rows[at].board, rows[at].run, values[at], signal.rule.value


def _contacts(report: LotReport) -> Answer:
    columns = ("contact fixture", "runs", "seatings with a resistance", "ohm per seating", "low", "high")
    rows = tuple(_contact_row(one) for one in report.contacts)
    return Answer("contact fixtures", (*columns, "median ohm", "says"), rows)


def _contact_row(one: ContactTrend) -> Row:
    slope = (None, None, None) if one.trend is None else _estimate(one.trend.slope)
    level = None if one.trend is None else one.trend.level.value
    return one.fixture, one.runs, len(one.seatings), *slope, level, one.words


def _near(report: LotReport) -> Answer:
    rows: tuple[Row, ...] = tuple(
        (*one.series.key, row.board, row.run, row.value, row.margin, (row.margin or 0.0) / row.width, len(one.rows))
        for one in report.near
        if not one.is_common
        for row in one.rows
    )
    columns = (*_LIMIT, "board", "run", "value", "margin", "share of width", "boards near")
    return Answer("near a limit", columns, rows)


def _attempts(report: LotReport) -> Answer:
    columns = ("board", "attempts", "first verdict", "last verdict", "bench errors", "notes")
    return Answer("attempts", columns, tuple(attempt_rows(report)))


def attempt_rows(report: LotReport) -> Iterator[tuple[str, int, str, str, int, str]]:
    """Boards of which there is more to say than that they passed or failed at once."""
    lot = report.lot
    spoiled = Counter(run.board for run in lot.runs if run.attempt is None)
    noted: dict[str, list[str]] = {}
    for one in report.notes:
        noted.setdefault(one.board, []).append(f"{one.kind}: {one.said} ({one.by})")
    for first, last in zip(lot.firsts, lot.lasts, strict=True):
        notes = "; ".join(noted.get(first.board, ()))
        if last.attempt != 1 or spoiled[first.board] or notes:
            yield first.board, last.attempt or 0, first.verdict, last.verdict, spoiled[first.board], notes
    for board in lot.bench_failed:
        yield board, 0, "-", "-", spoiled[board], "left out: no run says anything of it"


def _proposals(report: LotReport) -> Answer:
    columns = (*_LIMIT, "proposed low", "proposed high", "n", "guard", "coverage", "confidence", "method")
    rows = tuple(_proposal_row(one) for one in report.proposals)
    return Answer("proposals from data, not requirements", columns, rows)


def _proposal_row(one: Proposed) -> Row:
    found, basis = one.proposal, one.proposal.basis
    ends = (found.proposed_low, found.proposed_high)
    return (*one.series.key, *ends, basis.n, found.guard, basis.coverage, basis.confidence, found.method)


def instrument_table(report: LotReport) -> Answer:
    """Instruments of the lot's runs, with their calibrations."""
    found: dict[tuple[str, str, str, str], list[bool]] = {}
    for one in report.instruments:
        found.setdefault((one.name, one.kind, one.serial, one.due or "not told"), []).append(one.overdue)
    rows = tuple((*names, sum(overdue), len(overdue)) for names, overdue in found.items())
    return Answer("instruments", ("name", "kind", "serial", "calibration due", "overdue runs", "runs"), rows)


def _boards(report: LotReport) -> Answer:
    lot = report.lot
    rows = tuple(
        (first.board, first.run, first.utc, first.verdict, last.attempt, last.verdict)
        for first, last in zip(lot.firsts, lot.lasts, strict=True)
    )
    columns = ("board", "first run", "utc", "first verdict", "attempts", "last verdict")
    return Answer("boards", columns, rows, long=True)


def _values(report: LotReport) -> Answer:
    rows = tuple(
        (*one.series.key, row.board, row.run, row.value, row.expanded_uncertainty, row.verdict)
        for one in report.figures
        for row in one.series.rows
    )
    return Answer("values", (*_LIMIT, "board", "run", "value", "U", "verdict"), rows, long=True)


def _points(report: LotReport) -> Answer:
    rows: list[Row] = []
    for charts in report.charts:
        moving = (None, *charts.pair.dispersion.points)
        columns = (moving, charts.average.averages, charts.sums.above, charts.sums.below)
        for at, (row, value) in enumerate(zip(charts.figures.series.rows, charts.figures.series.values, strict=True)):
            rows.append((*charts.figures.series.key[:2], at + 1, row.board, value, *(one[at] for one in columns)))
    names = ("check", "limit", "point", "board", "value", "moving range", "weighted average", "sum above", "sum below")
    return Answer("chart points", names, tuple(rows), long=True)


def _seatings(report: LotReport) -> Answer:
    rows = tuple((one.fixture, *seating) for one in report.contacts for seating in one.seatings)
    return Answer("seatings", ("contact fixture", "seating", "board", "run", "ohm"), rows, long=True)


def not_said(report: LotReport) -> list[tuple[str, list[str]]]:
    """Each reason once, without the figures in which limits differ, and what it is the reason for."""
    of: dict[str, list[str]] = {}
    for what, why in report.not_said:
        of.setdefault(_SAME.sub(r"all \1 values are the same, so", _FIGURES.sub("", why)), []).append(what)
    return [(why, list(dict.fromkeys(names))) for why, names in of.items()]
