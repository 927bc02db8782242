"""Takes readings until the verdict of a limit is certain, where the profile asks for that; one reading otherwise.

Owns the loop and the step from many readings to one: their mean, with the scatter beside what all of them have in
common. How a series is decided stands in `judge.sequential`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from benchrig.judge.parts import budget_of
from benchrig.judge.sequential import Outcome, Plan, Progress, add_reading, start_series
from benchrig.records import Part

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.board.readings_table import ReadingsPlan
    from benchrig.judge.decision import Limit
    from benchrig.reading import Reading

_SQRT12 = math.sqrt(12.0)
_RESOLUTION = "resolution"
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)


@dataclass(frozen=True)
class Repeated:
    """The mean of so many readings, and what may be said after them.

    `outcome` is None for a single reading that no series was asked for. `remark` says how the series went.
    """

    reading: Reading
    outcome: Outcome | None = None
    remark: str = ""
    why: str = ""

    @property
    def is_undecided(self) -> bool:
        """The bound of the series came before certainty."""
        return self.outcome is Outcome.UNDECIDED


def until_certain(
    read: Callable[[], Reading], *, limit: Limit | None, plan: ReadingsPlan | None, resolution: float | None = None
) -> Repeated:
    """Read once, or until `limit` is certain at the rates of `plan` or its bound is reached.

    `resolution` is a step of what is read, in the base unit; by default what the reading says of itself. A limit
    that no number of readings can decide, since the guard band takes all of it, is read once: its own rule says so.
    """
    first = read()
    if limit is None or plan is None:
        return Repeated(first)
    step = resolution_of(first) if resolution is None else resolution
    series = _series(limit, plan, first, step)
    if series is None:
        return Repeated(first)
    progress = add_reading(start_series(series), first.value, unit=first.unit)
    while progress.outcome is Outcome.GO_ON:
        progress = add_reading(progress, read().value, unit=first.unit)
    return Repeated(_mean(first, progress), progress.outcome, _remark(progress), progress.why)


def _series(limit: Limit, plan: ReadingsPlan, first: Reading, resolution: float) -> Plan | None:
    budget = budget_of(_parts(first), unit=first.unit)
    try:
        return Plan(
            limit=limit,
            expanded_uncertainty=budget.expanded().uncertainty if budget else 0.0,
            wrong_fail=plan.wrong_fail,
            wrong_pass=plan.wrong_pass,
            most_readings=plan.at_most,
            resolution=resolution,
            correlation_up_to=plan.correlation_up_to,
        )
    except ValueError:
        return None


def written_step(value: float, raw: str) -> float:
    """One step of the last decimal with which `value` stands in the text `raw`: 0.1 for 21.0, and 1 for 21.

    Where it does not stand there, one step of the shortest decimal number that is `value`.
    """
    written = [text for text in _NUMBER.findall(raw) if float(text) == value]
    exponent = Decimal(written[-1] if written else repr(value)).as_tuple().exponent
    return 10.0 ** min(0, int(exponent))


def resolution_of(reading: Reading) -> float:
    """One step of the instrument. One that does not state it is taken to show steps as wide as its uncertainty."""
    for part in reading.parts:
        if part.name == _RESOLUTION:
            return abs(part.standard_uncertainty * part.sensitivity) * _SQRT12
    return reading.standard_uncertainty * _SQRT12


def _parts(reading: Reading) -> tuple[Part, ...]:
    if reading.parts or not reading.standard_uncertainty > 0.0:
        return reading.parts
    return (Part(name="instrument", standard_uncertainty=reading.standard_uncertainty),)


def _mean(first: Reading, progress: Progress) -> Reading:
    """The mean as a reading, with the scatter of that mean, correlation included, as one more cause."""
    scatter = progress.standard_uncertainty or 0.0
    part = Part(
        name=f"scatter of {progress.count} readings",
        standard_uncertainty=scatter,
        dof=float(max(1, progress.count - 1)),
        shape="t",
    )
    return replace(
        first,
        value=first.value if progress.mean is None else progress.mean,
        standard_uncertainty=math.hypot(first.standard_uncertainty, scatter),
        raw=f"mean of {progress.count}",
        count=progress.count,
        parts=(*_parts(first), part),
    )


def _remark(progress: Progress) -> str:
    certain = "not certain" if progress.outcome is Outcome.UNDECIDED else "certain"
    alike = "" if progress.correlation is None else f", correlation {progress.correlation:.2f}"
    return f"{certain} after {progress.count} of at most {progress.plan.most_readings} readings{alike}"
