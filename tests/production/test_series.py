"""How a value that was read until it was certain is judged."""

from __future__ import annotations

import numpy as np

from benchrig.board.readings_table import ReadingsPlan
from benchrig.check import Check
from benchrig.judge.decision import Limit
from benchrig.procedures.repeated import Repeated, until_certain
from benchrig.production.series import judge_series, readings_plan
from benchrig.reading import Reading
from benchrig.records import FactJudged, LimitJudged, ReadingTaken, Record, Verdict

from .fake_bench import PROFILE

PLAN = ReadingsPlan(at_most=12, wrong_pass=0.001, wrong_fail=0.01, correlation_up_to=0.8)
SIMPLE = Limit("voltage", unit="V", low=3.2, high=3.4, source="invented", rule="simple")


def _series(mean_v: float) -> Repeated:
    noise = iter(np.random.default_rng(3).normal(mean_v, 0.005, 60).tolist())
    return until_certain(lambda: Reading(next(noise), "V", 1e-5, "meter", "", 0.0), limit=SIMPLE, plan=PLAN)


def _judged(found: Repeated) -> tuple[Check, list[Record]]:
    records: list[Record] = []
    measure = Check("rail", {"voltage": SIMPLE}, write=records.append, now_s=lambda: 0.0)
    judge_series(measure, "voltage", found, at="at 3.60 V", next_action="look at the rail")
    return measure, records


def test_series_that_is_not_certain_is_undecided_whatever_the_rule() -> None:
    """Under a rule without a guard band a mean just inside would pass by luck; the series' bound makes it undecided."""
    measure, records = _judged(_series(3.3990))

    (fact,) = measure.judged
    assert isinstance(fact, FactJudged)
    assert fact.verdict is Verdict.UNDECIDED
    assert "not certain after 12 of at most 12 readings" in fact.why
    assert fact.next_action == "measure it with a smaller uncertainty; only if it fails then: look at the rail"
    assert [record.count for record in records if isinstance(record, ReadingTaken)] == [12]


def test_certain_series_is_judged_by_its_limit_and_says_so() -> None:
    """The judged record holds the mean and ends its reason with how many readings it took."""
    found = _series(3.3)
    measure, _ = _judged(found)

    (one,) = measure.judged
    assert isinstance(one, LimitJudged)
    assert (one.verdict, one.value) == (Verdict.PASS, found.reading.value)
    assert one.why.endswith(f"; {found.remark}")
    assert one.parts[-1].name == f"scatter of {found.reading.count} readings"


def test_single_reading_says_nothing_of_a_series() -> None:
    """Without a plan the record is that of one reading."""
    measure, records = _judged(Repeated(Reading(3.3, "V", 1e-5, "meter", "", 0.0)))

    (one,) = measure.judged
    assert "certain" not in one.why
    assert [record for record in records if isinstance(record, ReadingTaken)] == []


def test_plan_comes_from_the_profile() -> None:
    """The demo asks for series on the rail, and nowhere else."""
    rail = readings_plan(PROFILE, "rail", "voltage")

    assert rail is not None
    assert rail.at_most == 16
    assert readings_plan(PROFILE, "temperature", "error") is None
    assert readings_plan(PROFILE, "first_touch", "current") is None
