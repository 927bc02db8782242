"""From a lot's report to its pages: which sections there are, and what stands in each.

Owns the sections. Must not know HTML or PDF. Every text is foreign text; whoever writes a form makes it safe there.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from benchrig.dossier.content import Cell, Facts, Item, Items, Section, Text
from benchrig.dossier.pages import Pages
from benchrig.lot_report.figures_text import counted, percent, quantity, share, table
from benchrig.lot_report.limit_sections import chart_blocks, limit_blocks, near_blocks, proposal_blocks
from benchrig.lot_report.lot import RULES
from benchrig.lot_report.plots import contact_figure, pareto_figure
from benchrig.lot_report.tables import attempt_rows, instrument_table, lot_facts, not_said
from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.dossier.content import Block
    from benchrig.lot_report.report import LotReport
    from benchrig.statistics.yields import Yield

SIMULATED = "SIMULATED: no board was measured. These figures say nothing of any real board."

_NAMES_SHOWN = 6
_TIME = re.compile(r"\d{4}-\d\d-\d\dT[\d:.+]+")
_FEWEST_DRAWN = 2


def build_pages(report: LotReport) -> Pages:
    """The pages of a lot. Raises nothing."""
    lot = report.lot
    first, last = (lot.runs[0].utc, lot.runs[-1].utc) if lot.runs else ("", "")
    days = " to ".join(dict.fromkeys(one[:10] for one in (first, last) if one)) or "no run"
    return Pages(
        kind="Lot report",
        name=lot.name,
        subtitle=f"{_fact(report, 'profiles')}, {lot.use}, {days}",
        made=_moment(last),
        simulated=SIMULATED if lot.simulated else "",
        verdict=None,
        headline=_headline(report),
        words=(report.statement, *RULES),
        alarms=tuple(_alarms(report)),
        closing="",
        footer=f"lot {lot.name}: {len(lot.runs)} runs{'; simulated' if lot.simulated else ''}",
        sections=tuple(_sections(report)),
    )


def _moment(utc: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(utc)
        return found.astimezone(UTC) if found.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None


def _fact(report: LotReport, name: str) -> str:
    return str(dict(lot_facts(report))[name])


def _headline(report: LotReport) -> str:
    found = report.yields
    if found is None:
        return f"No board of lot {report.lot.name} was judged."
    return (
        f"{found.first_pass.passed} of {found.first_pass.boards} boards passed first time, {found.final.passed} of "
        f"{found.final.boards} finally."
    )


def _alarms(report: LotReport) -> Iterator[str]:
    overdue = sorted({f"{one.name} {one.serial}" for one in report.instruments if one.overdue})
    if overdue:
        yield f"The calibration of {', '.join(overdue)} was overdue in runs of this lot."
    faults = len(report.lot.bench_failed)
    if faults:
        yield f"{counted(faults, 'board')} left out of every share: the bench alone failed in all runs of each."


def _sections(report: LotReport) -> Iterator[Section]:
    blocks: dict[tuple[str, str], Sequence[Block]] = {
        ("lot", "Lot and boards"): _lot_blocks(report),
        ("yield", "Yield"): _yield_blocks(report),
        ("failing", "Failing checks"): _failing_blocks(report),
        ("limits", "Limits"): limit_blocks(report),
        ("charts", "Control charts"): chart_blocks(report),
        ("contact", "Contact fixtures"): _contact_blocks(report),
        ("near", "Near a limit"): near_blocks(report),
        ("attempts", "Attempts and rework"): _attempt_blocks(report),
        ("proposals", "Limit proposals: no requirements"): proposal_blocks(report),
        ("not-said", "What could not be said"): _not_said_blocks(report),
    }
    for (key, title), found in blocks.items():
        if found:
            yield Section(key=key, title=title, blocks=tuple(found))


def _lot_blocks(report: LotReport) -> list[Block]:
    facts = Facts(facts=tuple((name, Cell(text=_moment_text(str(value)))) for name, value in lot_facts(report)))
    heads = (("instrument", 2.0), ("kind", 2.0), ("serial", 2.0), ("due", 2.0), ("overdue runs", 1.0), ("runs", 1.0))
    rows = [[str(cell) for cell in row] for row in instrument_table(report).rows]
    return [facts, *([table("Instruments", heads, rows)] if rows else [])]


def _moment_text(text: str) -> str:
    """A time as people read it; any other text as it is."""
    found = _moment(text) if _TIME.fullmatch(text) else None
    return f"{found:%Y-%m-%d %H:%M:%S} UTC" if found else text


def _yield_blocks(report: LotReport) -> list[Block]:
    found = report.yields
    if found is None:
        return []
    heads: tuple[tuple[str, float], ...]
    heads = (("yield", 2.0), ("passed", 1.0), ("of boards", 1.0), ("left out", 1.0), ("share, exact interval", 3.0))
    rows = [_yield_row("first pass", found.first_pass), _yield_row("final", found.final)]
    said = (
        f"Intervals hold with {percent(found.first_pass.exact.confidence)} confidence: exact ones (Clopper, Pearson) "
        "are never less sure than that, Wilson's are so on average."
    )
    return [
        table("Boards that passed", (*heads, ("Wilson interval", 2.0)), rows),
        Text(text=said),
        Text(text=report.statement),
    ]


def _yield_row(name: str, one: Yield) -> list[str]:
    wilson = f"{percent(one.wilson.low)} to {percent(one.wilson.high)}"
    return [name, str(one.passed), str(one.boards), str(one.left_out), share(one.exact), wilson]


def _failing_blocks(report: LotReport) -> list[Block]:
    if not report.failing:
        return [Text(text="No check of an attempt 1 failed.")] if report.lot.firsts else []
    heads = (("check", 3.0), ("boards", 1.0), ("of all failures", 1.5), ("so far", 1.5), ("of all boards", 3.0))
    rows = [
        [one.check, str(one.boards), percent(one.share), percent(one.cumulative), share(one.of_boards)]
        for one in report.failing
    ]
    return [pareto_figure(report.failing), table("Checks that attempts 1 failed", heads, rows)]


def _contact_blocks(report: LotReport) -> list[Block]:
    heads = (("contact fixture", 2.0), ("runs", 1.0), ("with a resistance", 1.5), ("trend per seating", 3.0))
    rows, drawn = [], []
    for one in report.contacts:
        drawn += [contact_figure(one)] if len(one.seatings) >= _FEWEST_DRAWN else []
        trend, median = "-", "-"
        if one.trend is not None:
            slope, spread = one.trend.slope, abs(one.trend.slope.value) or None
            ends = [quantity(side, "ohm", deviation=spread) for side in (slope.value, slope.low, slope.high)]
            trend, median = (
                f"{ends[0]} ({ends[1]} to {ends[2]})",
                quantity(one.trend.level.value, "ohm", deviation=None),
            )
        rows.append([one.fixture, str(one.runs), str(len(one.seatings)), trend, median, one.words])
    if not rows:
        return []
    said = Text(
        text="What the terminals lack of the set voltage, over the current that flows: lead, contact, and the supply's "
        "own error, so that the trend says more than the level. All runs count here, retests among them."
    )
    return [*drawn, table("Contact fixtures", (*heads, ("median", 1.2), ("says", 1.8)), rows), said]


def _attempt_blocks(report: LotReport) -> list[Block]:
    heads = (("board", 2.0), ("attempts", 1.0), ("at first", 1.5), ("at last", 1.5), ("bench errors", 1.0))
    rows: list[list[str | Cell]] = [
        [board, str(count), _verdict(first), _verdict(last), str(spoiled), notes]
        for board, count, first, last, spoiled, notes in attempt_rows(report)
    ]
    if not rows:
        return [Text(text="Every board had one attempt, and no note was made.")] if report.lot.firsts else []
    return [table("Boards with more than one run, or a note", (*heads, ("notes", 4.0)), rows)]


def _verdict(word: str) -> Cell:
    return Cell(text=word) if word == "-" else Cell(verdict=Verdict(word))


def _not_said_blocks(report: LotReport) -> list[Block]:
    items = tuple(Item(text=f"{_some(names)}: {why}.") for why, names in not_said(report))
    return [Items(items=items)] if items else [Text(text="Everything that this page asks for could be said.")]


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    return f"{', '.join(names[:_NAMES_SHOWN])}{more}"
