"""From a recorded trace to values with the causes of their uncertainty.

Owns what the recorder's stated accuracy and its sampling leave open in a current, a charge and a time. Knows no
limit. A charge is a mean current over a time, so it has the causes of that current, times the time.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from benchrig.judge.belief import believed
from benchrig.judge.budget import Budget
from benchrig.judge.recording import RangeUse, Recording
from benchrig.judge.uncertainty import components
from benchrig.reading import Reading
from benchrig.run_plan import Found

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.bench.recorder import CurrentTrace
    from benchrig.judge.uncertainty import AccuracyTerms, Component


def recording_of(trace: CurrentTrace) -> Recording:
    """The samples on their one range, with every run of invalid ones as a gap."""
    accuracy = _without_conditions(trace.accuracy)
    return Recording.of_marks(
        trace.samples.values,
        trace.samples.invalid,
        interval_s=trace.interval_s,
        ranges=(RangeUse(0, range_a=trace.range_a, accuracy=accuracy),),
    )


def _without_conditions(terms: AccuracyTerms) -> AccuracyTerms:
    """The terms that hold for samples whatever the air and the calendar; the others are in each value's causes."""
    return replace(terms, of_reading_per_k=0.0, of_range_per_k=0.0, drift_per_year=0.0, lead_ohm=0.0)


def current_reading(trace: CurrentTrace, value_a: float, *beside: Component) -> Reading:
    """A current of the trace as a reading with its causes; `beside` is what the recorder's accuracy does not know."""
    found = believed(
        [value_a], range_=trace.range_a, terms=trace.accuracy, conditions=trace.conditions, beside=_known(beside)
    )
    count = len(trace.samples.values)
    raw = f"{count} samples, {trace.interval_s:g} s apart, range {trace.range_a:g} A"
    return Reading(value_a, "A", found.standard_uncertainty, trace.source, raw, trace.start_s, count, parts=found.parts)


def charge_budget(trace: CurrentTrace, charge_c: float, duration_s: float, *beside: Component) -> Budget | None:
    """The causes of a charge that flowed in `duration_s`; None when nothing is known of any."""
    causes = components(charge_c / duration_s, range_=trace.range_a, terms=trace.accuracy, conditions=trace.conditions)
    scaled = [replace(one, sensitivity=one.sensitivity * duration_s) for one in causes]
    return budget_from([*scaled, *beside], unit="C", value=charge_c)


def budget_from(causes: Iterable[Component], *, unit: str, value: float) -> Budget | None:
    """A budget of the causes that contribute; None without any."""
    known = _known(causes)
    return Budget(known, unit=unit, value=value) if known else None


def _known(causes: Iterable[Component]) -> tuple[Component, ...]:
    return tuple(one for one in causes if one.contribution)


def found_by(budget: Budget | None, value: float, unit: str) -> Found:
    """What a later check may build on."""
    return Found(value, budget.standard_uncertainty if budget else 0.0, unit)
