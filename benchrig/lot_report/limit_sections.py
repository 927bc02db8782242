"""The sections of a lot's pages that are about its limits: figures, charts, what is near, proposals.

Owns their tables. Must not know HTML or PDF.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.dossier.content import Cell, Text
from benchrig.lot_report.figures_text import between, index, interval, limits, percent, quantity, ranges, scatter, table
from benchrig.lot_report.limit_figures import LIMIT_SIGMAS, SLACK_SIGMAS
from benchrig.lot_report.plots import chart_figures
from benchrig.lot_report.report import NEAR_SHARE
from benchrig.lot_report.tables import signals_by_rule
from benchrig.statistics.weighted_charts import run_length

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.dossier.content import Block
    from benchrig.lot_report.limit_figures import LimitCharts, LimitFigures
    from benchrig.lot_report.report import LotReport, Near, Proposed

_BOARDS_SHOWN = 6


def _named(name: str, note: str) -> Cell:
    return Cell(text=name, note=note)


def limit_blocks(report: LotReport) -> list[Block]:
    """Two tables: what the boards are, and what that says of others."""
    if not report.figures:
        return []
    heads = (("limit", 4.0), ("n", 0.6), ("mean", 1.6), ("s", 1.5), ("min", 1.6), ("max", 1.6), ("outside", 2.2))
    more = (("limit", 4.0), ("n", 0.6), ("Ppk", 2.6), ("normal theory", 1.6), ("tolerance interval", 3.4))
    said = (
        "Ppk with its interval at 95 %; it takes the deviation of all boards, and rests on normal theory: where the "
        "values contradict that, it is not proven, and 'not contradicted' proves no normal distribution. Cpk is not "
        "told: it needs boards in subgroups, which a lot has not. Tolerance interval: 95 % of all boards, with 95 % "
        "confidence, by normal theory where nothing contradicts it, else between two of the values; on the sides that "
        "are limited alone. What is empty could not be said: the last section says why."
    )
    return [
        table("Values of attempts 1", heads, [_values_row(one) for one in report.figures]),
        table("Capability and tolerance intervals", more, [_capability_row(one) for one in report.figures]),
        Text(text=said),
    ]


def _values_row(one: LimitFigures) -> list[str | Cell]:
    found, key = one.statistics, one.series.key
    spread = scatter(found.deviation, mean=found.mean)
    shown = [quantity(value, key.unit, deviation=spread) for value in (found.mean, found.least, found.most)]
    s = "-" if found.deviation is None else quantity(spread, key.unit, deviation=spread)
    outside = f"{round(one.outside.value * found.n)} ({percent(one.outside.low)} to {percent(one.outside.high)})"
    return [_named(f"{key.check}: {key.limit}", limits(key)), str(found.n), shown[0], s, shown[1], shown[2], outside]


def _capability_row(one: LimitFigures) -> list[str | Cell]:
    key, found = one.series.key, one.tolerance
    told = ""
    if found is not None:
        told = interval(found.low, found.high, key.unit, deviation=one.statistics.deviation)
        told += "" if found.normality else ", distribution-free"
    ppk = index(one.capability.ppk) if one.capability else ""
    return [_named(f"{key.check}: {key.limit}", limits(key)), str(one.statistics.n), ppk, one.normal, told]


# ---- charts


def chart_blocks(report: LotReport) -> list[Block]:
    """Pictures, then every signal by its rule."""
    if not report.charts:
        return []
    between_alarms = run_length(0.0, slack_sigmas=SLACK_SIGMAS, limit_sigmas=LIMIT_SIGMAS)
    said = (
        "The limits with most boards outside, then with least room, boards by the time of attempt 1. Centre and sigma "
        "come from the same values, sigma by moving ranges: these charts find boards that stand apart and shifts "
        f"within the lot, not a lot that is off as a whole. Cumulative sums: slack {SLACK_SIGMAS:g} sigma, limit "
        f"{LIMIT_SIGMAS:g} sigma; a false signal in {between_alarms:.0f} boards, on average."
    )
    rows = [row for one in report.charts for row in _signal_rows(one)]
    figures = [figure for one in report.charts for figure in chart_figures(one)]
    heads = (("limit", 3.0), ("chart", 1.8), ("rule", 3.6), ("points", 2.4), ("boards", 3.0))
    told = table("Signals", heads, rows) if rows else Text(text="No chart has a signal.")
    return [Text(text=said), *figures, told]


def _signal_rows(charts: LimitCharts) -> list[list[str]]:
    """One row for each chart and rule, with the points at which it fired."""
    key = charts.figures.series.key
    return [
        [f"{key.check}: {key.limit}", chart, rule, ranges(numbers), _few(boards)]
        for chart, rule, numbers, boards in signals_by_rule(charts)
    ]


def _few(boards: Sequence[str]) -> str:
    shown = ", ".join(boards[:_BOARDS_SHOWN])
    return shown if len(boards) <= _BOARDS_SHOWN else f"{shown} and {len(boards) - _BOARDS_SHOWN} more"


# ---- near a limit


def near_blocks(report: LotReport) -> list[Block]:
    """Boards near a limit, and limits that nearly every board is near."""
    if not report.near:
        return [Text(text="No value passed near a limit.")] if report.figures else []
    own = [one for one in report.near if not one.is_common]
    common = ", ".join(f"{one.series.key.check}: {one.series.key.limit}" for one in report.near if one.is_common)
    heads = (("limit", 3.0), ("boards", 0.8), ("nearest", 1.5), ("value", 1.5), ("margin", 1.5), ("of the width", 1.0))
    said = f"Inside of a limit, but nearer than {percent(NEAR_SHARE)} of the width of the limits."
    blocks: list[Block] = [Text(text=said)]
    if own:
        blocks.append(table("Near a limit", (*heads, ("all of them", 3.0)), [_near_row(one) for one in own]))
    if common:
        text = (
            f"More than half of all boards are near these, which says something of the limit, not of a board: {common}."
        )
        blocks.append(Text(text=text))
    return blocks


def _near_row(near: Near) -> list[str | Cell]:
    key, nearest = near.series.key, near.rows[0]
    margin = nearest.margin or 0.0
    return [
        _named(f"{key.check}: {key.limit}", limits(key)),
        str(len(near.rows)),
        nearest.board,
        quantity(nearest.value, key.unit, deviation=margin or None),
        quantity(margin, key.unit, deviation=None),
        percent(margin / nearest.width),
        ", ".join(row.board for row in near.rows),
    ]


# ---- proposals


def proposal_blocks(report: LotReport) -> list[Block]:
    """What the data suggest, in a table of its own: nothing here is a limit."""
    if not report.proposals:
        return []
    said = (
        "Proposed from data, not requirements: they say what boards of this lot are, not what a board must be. Nothing "
        "judges by them. A person may write a limit with a source where the requirement allows one."
    )
    heads = (("limit", 3.0), ("limits now", 2.5), ("proposed", 3.0), ("from n", 0.7), ("guard", 1.3), ("by", 1.8))
    rows = [_proposal_row(one) for one in report.proposals]
    return [Text(text=said, strong=True), table("Proposals from boards that passed", heads, rows)]


def _proposal_row(one: Proposed) -> list[str]:
    key, found = one.series.key, one.proposal
    spread = _spread(one)
    sides = [
        None if side is None else quantity(side, key.unit, deviation=spread)
        for side in (found.proposed_low, found.proposed_high)
    ]
    guard = quantity(found.guard, key.unit, deviation=found.guard or None)
    name = f"{key.check}: {key.limit}"
    return [name, limits(key), between(*sides), str(found.basis.n), guard, found.method]


def _spread(one: Proposed) -> float:
    """What the digits of a proposal go by: a tenth of its width, or a hundredth of its one side."""
    low, high = one.proposal.proposed_low, one.proposal.proposed_high
    if low is not None and high is not None:
        return (high - low) / 10.0
    return abs(low or high or 0.0) / 100.0
