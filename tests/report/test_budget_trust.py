"""Causes of uncertainty that no run can have written: told before a budget is printed, by check and value."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from benchrig.journal import Journal, read_journal
from benchrig.records import CheckStarted, LimitJudged, Part, ReadingTaken, Record, Verdict
from benchrig.report.board_report import BoardReport, board_report
from benchrig.report.budget_trust import budget_problems

RUN = Path(__file__).with_name("hay_barn_run.jsonl")

# by hand: 3 mV and 2 x 2 mV are 5 mV together (a triangle of 3, 4, 5)
PARTS = (
    Part(name="of reading", standard_uncertainty=3e-3, shape="rectangular"),
    Part(name="of range", standard_uncertainty=2e-3, sensitivity=2.0),
)


def reading(*parts: Part, u: float = 5e-3) -> ReadingTaken:
    return ReadingTaken(
        check="rail",
        name="rail",
        value=3.3,
        unit="V",
        standard_uncertainty=u,
        source="meter",
        raw="+3.3E+00",
        at_s=2.0,
        parts=parts or PARTS,
    )


def judged(*parts: Part, expanded: float | None = 10e-3, k: float = 2.0) -> LimitJudged:
    return LimitJudged(
        check="rail",
        limit="voltage",
        value=3.3,
        unit="V",
        expanded_uncertainty=expanded,
        coverage_factor=k,
        low=3.2,
        high=3.4,
        rule="guarded",
        guard_band=10e-3,
        verdict=Verdict.PASS,
        why="inside",
        limit_source="invented",
        at_s=3.0,
        parts=parts or PARTS,
    )


def report_of(*records: Record) -> BoardReport:
    started = CheckStarted(check="rail", at_s=1.0, utc="2031-03-04T08:15:00+00:00")
    return board_report(Journal((started, *records)))


def test_sound_parts_are_not_doubted() -> None:
    """Parts in quadrature that come to what is stated, and a whole run as it was written, leave nothing to say."""
    assert budget_problems(report_of(reading(), judged())) == ()
    assert budget_problems(board_report(read_journal(RUN))) == ()


ODD = "accepted: a finite number from 0 up"

BAD = [
    pytest.param(reading(Part(name="drift", standard_uncertainty=-1e-3)), f"uncertainty -0.001; {ODD}", id="negative"),
    pytest.param(reading(Part(name="drift", standard_uncertainty=math.nan)), f"uncertainty nan; {ODD}", id="NaN"),
    pytest.param(reading(Part(name="drift", standard_uncertainty=math.inf)), f"uncertainty inf; {ODD}", id="infinite"),
    pytest.param(
        reading(Part(name="drift", standard_uncertainty=5e-3, dof=0.0)), "freedom 0.0; accepted: above 0", id="no dof"
    ),
    pytest.param(
        reading(Part(name="drift", standard_uncertainty=5e-3, dof=-3.0)),
        "freedom -3.0; accepted: above",
        id="minus dof",
    ),
    pytest.param(
        reading(Part(name="drift", standard_uncertainty=5e-3, dof=0.5)),
        "freedom are 0.5; accepted: 1 or",
        id="half dof",
    ),
    pytest.param(
        reading(Part(name="drift", standard_uncertainty=5e-3, sensitivity=math.nan)),
        "sensitivity nan",
        id="sensitivity",
    ),
    pytest.param(
        reading(Part(name="drift", standard_uncertainty=5e-3, shape="round")), "shape 'round'; accepted", id="shape"
    ),
    pytest.param(reading(PARTS[0], PARTS[0]), "components named twice: of reading", id="twice"),
    pytest.param(reading(Part(name=" ", standard_uncertainty=5e-3)), "has no name", id="no name"),
    pytest.param(
        reading(u=6e-3),
        "its 2 parts come to 0.005 V, and its standard uncertainty is 0.006 V; accepted: the same",
        id="sum",
    ),
    pytest.param(reading(u=-5e-3), f"standard uncertainty is -0.005 V; {ODD}", id="negative sum"),
    pytest.param(
        judged(expanded=9e-3),
        "its 2 parts come to 0.005 V, and its expanded uncertainty by k = 2 is 0.0045 V; accepted: the same",
        id="expanded sum",
    ),
    pytest.param(judged(expanded=math.nan), f"its expanded uncertainty is nan V; {ODD}", id="expanded NaN"),
    pytest.param(judged(k=0.0), "its coverage factor is 0.0; accepted: a finite number above 0", id="no k"),
    pytest.param(judged(Part(name="a", standard_uncertainty=-1.0)), "uncertainty -1.0", id="judged part"),
]


@pytest.mark.parametrize(("record", "words"), BAD)
def test_parts_that_no_run_writes(record: ReadingTaken | LimitJudged, words: str) -> None:
    """Each is one sentence with the check, the value, what stands there and what is accepted."""
    (told,) = budget_problems(report_of(record))

    what = "reading rail" if isinstance(record, ReadingTaken) else "value voltage"
    assert told.startswith(f"check rail, {what}: ")
    assert words in told


def test_degrees_of_freedom_without_end_are_sound() -> None:
    """1e300 of them are as good as exactly known, and overflow nothing."""
    assert budget_problems(report_of(reading(Part(name="drift", standard_uncertainty=5e-3, dof=1e300)))) == ()


def test_only_what_is_asked_for_is_looked_at() -> None:
    """A bad part of another check or value does not stand in the way of a budget."""
    report = report_of(reading(u=6e-3), judged())

    assert len(budget_problems(report, check="rail")) == 1
    assert budget_problems(report, check="sleep") == ()
    assert budget_problems(report, value="voltage") == ()
