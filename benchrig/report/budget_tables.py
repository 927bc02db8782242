"""The uncertainty budgets of a journal as text: what each judged value's uncertainty is made of, and what dominates.

Pure: records in, lines out. Knows no instrument; a value whose causes were not recorded says so.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

from benchrig.judge.parts import budget_of
from benchrig.records import LimitJudged
from benchrig.report.numbers import limits_text, measured_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from benchrig.records import ReadingTaken
    from benchrig.report.board_report import BoardReport

_VALUE = re.compile(r"value ([^;]*); ")
"""What two equal budgets may differ in."""


def budget_tables(report: BoardReport, *, check: str = "", value: str = "") -> str:
    """A table for each judged value, and for readings with known causes; '' when nothing fits the choice.

    Readings of equal budget share one table.

    `check` chooses one check, `value` the values whose name begins so.
    """
    return "\n\n".join("\n".join(table) for table in _tables(report, check, value))


def _tables(report: BoardReport, check: str, value: str) -> Iterator[list[str]]:
    for one in report.checks:
        if check and one.name != check:
            continue
        for judged in one.judged:
            if isinstance(judged, LimitJudged) and judged.limit.startswith(value):
                yield _judged_table(one.name, judged)
        chosen = [reading for reading in one.readings if reading.parts and reading.name.startswith(value)]
        for alike in _of_equal_budget(chosen):
            yield _readings_table(one.name, alike)


def _judged_table(check: str, judged: LimitJudged) -> list[str]:
    measured, limits = measured_text(judged), limits_text(judged)
    head = f"{check}, {judged.limit}: {measured}, limits {limits}, {judged.rule}: {judged.verdict}"
    budget = budget_of(judged.parts, unit=judged.unit, value=judged.value)
    if budget is not None:
        return [head, *_indented(budget.table())]
    known = judged.expanded_uncertainty
    why = "taken as exact" if known == 0.0 else f"k = {judged.coverage_factor:.3g}; its causes were added up beforehand"
    return [head, f"  no budget: {why}"]


def _of_equal_budget(readings: Iterable[ReadingTaken]) -> list[list[ReadingTaken]]:
    """Readings whose tables differ in the value alone: one instrument, one range, the same causes."""
    groups: dict[tuple[str, ...], list[ReadingTaken]] = {}
    for reading in readings:
        key = (reading.source, *(_VALUE.sub("", line) for line in _lines(reading)))
        groups.setdefault(key, []).append(reading)
    return list(groups.values())


def _readings_table(check: str, alike: Sequence[ReadingTaken]) -> list[str]:
    """The table once, and which readings share it."""
    first, names = alike[0], Counter(reading.name for reading in alike)
    head = f"{check}, reading {first.name}, from {first.source}"
    if len(alike) == 1:
        return [head, *_lines(first)]
    told = ", ".join(name if count == 1 else f"{name} ({count} times)" for name, count in names.items())
    by_value = sorted(alike, key=lambda reading: reading.value or 0.0)
    values = f"values from {_value(by_value[0])} to {_value(by_value[-1])}; "
    lines = [_VALUE.sub(values, line) for line in _lines(first)]
    return [f"{check}, {len(alike)} readings of equal budget, from {first.source}: {told}", *lines]


def _value(reading: ReadingTaken) -> str:
    """The value as its own table writes it."""
    found = (_VALUE.search(line) for line in _lines(reading))
    return next((match[1] for match in found if match), "no number")


def _lines(reading: ReadingTaken) -> list[str]:
    budget = budget_of(reading.parts, unit=reading.unit, value=reading.value)
    return _indented(budget.table()) if budget else []


def _indented(text: str) -> list[str]:
    return [f"  {line}".rstrip() for line in text.splitlines()]
