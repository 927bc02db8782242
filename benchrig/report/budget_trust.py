"""Whether the causes of uncertainty that a journal holds can be what its run wrote: before a budget is printed.

Owns what is wrong with them, in words. Pure: records in, sentences out. Parts of a sound journal are components
(`judge.uncertainty`), and come to the uncertainty that stands beside them: independent causes in quadrature
(JCGM 100:2008, 5.1.2), times the coverage factor where it is an expanded one.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.judge.parts import budget_of
from benchrig.records import LimitJudged

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.judge.budget import Budget
    from benchrig.records import ReadingTaken
    from benchrig.report.board_report import BoardReport

_SAME = 1e-6
"""Parts and their sum are written to the last bit; this is for writers that round. Own choice."""


def budget_problems(report: BoardReport, *, check: str = "", value: str = "") -> tuple[str, ...]:
    """One sentence for each value or reading of the choice (as `budget_tables` takes it) whose parts are not sound."""
    return tuple(_problems(report, check, value))


def _problems(report: BoardReport, check: str, value: str) -> Iterator[str]:
    for one in report.checks:
        if check and one.name != check:
            continue
        for judged in one.judged:
            if isinstance(judged, LimitJudged) and judged.limit.startswith(value):
                yield from (f"check {one.name}, value {judged.limit}: {wrong}" for wrong in _of_judged(judged))
        for reading in one.readings:
            if reading.name.startswith(value):
                yield from (f"check {one.name}, reading {reading.name}: {wrong}" for wrong in _of_reading(reading))


def _of_reading(reading: ReadingTaken) -> Iterator[str]:
    stated = reading.standard_uncertainty
    if not (math.isfinite(stated) and stated >= 0.0):
        yield f"its standard uncertainty is {stated!r} {reading.unit}; accepted: a finite number from 0 up"
        return
    yield from _of_parts(reading, stated, "standard uncertainty")


def _of_judged(judged: LimitJudged) -> Iterator[str]:
    k, expanded = judged.coverage_factor, judged.expanded_uncertainty
    if not (math.isfinite(k) and k > 0.0):
        yield f"its coverage factor is {k!r}; accepted: a finite number above 0"
    elif expanded is None:
        return
    elif not (math.isfinite(expanded) and expanded >= 0.0):
        yield f"its expanded uncertainty is {expanded!r} {judged.unit}; accepted: a finite number from 0 up"
    else:
        yield from _of_parts(judged, expanded / k, f"expanded uncertainty by k = {k:.6g}")


def _of_parts(one: ReadingTaken | LimitJudged, stated: float, what: str) -> Iterator[str]:
    try:
        budget = budget_of(one.parts, unit=one.unit, value=one.value)
        if budget is None:
            return
        budget.expanded()  # what a table goes on to reckon with
    except ValueError as wrong:
        yield str(wrong)
        return
    yield from _of_sum(budget, stated, what)


def _of_sum(budget: Budget, stated: float, what: str) -> Iterator[str]:
    together = budget.standard_uncertainty
    if not math.isclose(together, stated, rel_tol=_SAME):
        yield (
            f"its {len(budget.components)} parts come to {together:.6g} {budget.unit}, and its {what} is {stated:.6g} "
            f"{budget.unit}; accepted: the same"
        )
