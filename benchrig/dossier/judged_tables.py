"""The tables of a dossier that hold what was judged: the matrix of requirements, and every value of every check.

Owns their columns. Must not know how a verdict came about.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.dossier.content import Cell, Column, Facts, Item, Table, Text
from benchrig.records import LimitJudged, Verdict
from benchrig.report.limits_plot import place
from benchrig.report.numbers import limits_text, measured_text, seconds_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.dossier.content import Block
    from benchrig.dossier.requirements import Covered, Found
    from benchrig.records import FactJudged
    from benchrig.report.board_report import BoardReport, CheckReport

_MOST_ROWS = 8
"""More rows than this of one requirement: those nearest to a limit; the others stand in the tables of the checks."""

_HOW_TO_READ = (
    "U is the expanded uncertainty, at about 95 %. By the rule 'guarded' a value passes if it lies inside its limits "
    "by more than U, or by the share of U that the rule names; by 'risk' if the risk of being wrong is at most that; "
    "by 'simple' as it was measured."
)

_COLUMNS = (
    Column(title="what", share=2.1),
    Column(title="value ± U", share=2.1),
    Column(title="limits", share=2.1),
    Column(title="rule", share=1.0),
    Column(title="verdict", share=1.3),
)


def requirement_blocks(covered: Sequence[Covered]) -> Iterator[Block]:
    """An overview of all requirements, then each with what covers it."""
    if not covered:
        yield Text(text="No requirement is named: neither in the record of the run nor by --requirements.", strong=True)
        return
    yield Table(
        caption="All requirements",
        columns=(
            Column(title="requirement", share=1.2),
            Column(title="text", share=4.0),
            Column(title="verdict", share=1.5),
        ),
        rows=tuple((Cell(text=one.id), Cell(text=one.text), _verdict_cell(one)) for one in covered),
    )
    yield Text(text=_HOW_TO_READ)
    for one in covered:
        if one.found:
            yield _requirement_table(one)


def _verdict_cell(one: Covered) -> Cell:
    if one.verdict is None:
        return Cell(text=one.why)
    return Cell(verdict=one.verdict, text=one.why)


def _requirement_table(one: Covered) -> Table:
    """The rows of a requirement: its check before what was judged there."""
    shown = _worth_seeing(one.found)
    names = [Cell(text=f"{found.check}: {_name(found.judged)}") for found in shown]
    rows = [
        (name, *_measured(found.judged, found.verdict, with_source=True))
        for name, found in zip(names, shown, strict=True)
    ]
    left = len(one.found) - len(shown)
    rest = f"; {left} more, in the tables of the checks" if left else ""
    covers = f"covered by {', '.join(one.covered_by)}"
    return Table(caption=f"{one.id}, {covers}{rest}", columns=_COLUMNS, rows=tuple(rows), verdict=one.verdict)


def _worth_seeing(found: Sequence[Found]) -> list[Found]:
    ranked = sorted(range(len(found)), key=lambda at: (found[at].verdict is Verdict.PASS, _room(found[at].judged)))
    return [found[at] for at in sorted(ranked[:_MOST_ROWS])]


def _room(judged: LimitJudged | FactJudged) -> float:
    """How far from a limit on the scale of limits; what has no number comes after what has."""
    if not isinstance(judged, LimitJudged) or (judged.low is None and judged.high is None):
        return 2.0
    at = place(judged).at
    if math.isnan(at):
        return -math.inf
    sides = ([at + 1.0] if judged.low is not None else []) + ([1.0 - at] if judged.high is not None else [])
    return min(sides)


def check_blocks(report: BoardReport) -> Iterator[Block]:
    """A table for each check with every value that it judged."""
    for check in report.checks:
        title = f": {check.title}" if check.title else ""
        required = "" if check.required else ", not required by this use"
        caption = f"{check.label}{title} ({seconds_text(check.duration_s)}{required})"
        rows = tuple((Cell(text=_name(one)), *_measured(one, one.verdict)) for one in check.judged)
        if rows:
            yield Table(caption=caption, columns=_COLUMNS, rows=rows, verdict=check.verdict)
        else:
            yield Facts(facts=((caption, Cell(verdict=check.verdict, text=check.why)),))
        yield from _reasons(check)


def _reasons(check: CheckReport) -> Iterator[Text]:
    """Why something did not pass, and what to do."""
    told = {one.why for one in check.violated}
    if check.verdict is not Verdict.PASS and check.judged and check.why and check.why not in told:
        yield Text(text=f"{check.label}: {check.why}{_next(check.next_action)}")
    for one in check.violated:
        if one.why:
            yield Text(text=f"{_name(one)}: {one.why}{_next(one.next_action)}")


def what_else(report: BoardReport) -> tuple[Item, ...]:
    """What somebody is charged with: repeated questions, lost lines, resyncs; the same words once, with how often."""
    counts: dict[str, int] = {}
    for one in report.events:
        if one.charged_to:
            text = f"{f'{one.check}: ' if one.check else ''}{one.kind}, charged to {one.charged_to}: {one.text}"
            counts[text] = counts.get(text, 0) + 1
    return tuple(Item(text=text if count == 1 else f"{text} ({count} times)") for text, count in counts.items())


def _next(next_action: str) -> str:
    return f"; next: {next_action}" if next_action else ""


def _name(judged: LimitJudged | FactJudged) -> str:
    return judged.limit if isinstance(judged, LimitJudged) else judged.fact


def _measured(
    judged: LimitJudged | FactJudged, verdict: Verdict, *, with_source: bool = False
) -> tuple[Cell, Cell, Cell, Cell]:
    if not isinstance(judged, LimitJudged):
        return Cell(text=judged.seen), Cell(text=judged.expected), Cell(), Cell(verdict=verdict)
    source = f"from: {judged.limit_source}" if with_source and judged.limit_source else ""
    limits = Cell(text=limits_text(judged), note=source)
    return Cell(text=measured_text(judged)), limits, Cell(text=judged.rule), Cell(verdict=verdict)
