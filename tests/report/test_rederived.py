"""A journal that was edited by hand: a verdict that does not follow from its figures is named, and never passes."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.journal import Journal, parse_journal
from benchrig.judge.decision import RULES
from benchrig.records import CheckFinished, FactJudged, LimitJudged, ReadingTaken, Record, Verdict
from benchrig.report.board_report import board_report
from benchrig.report.rederived import rederive

RECORDS = parse_journal((Path(__file__).parent / "hay_barn_run.jsonl").read_bytes()).records
AT_36 = next(n for n, one in enumerate(RECORDS, 1) if isinstance(one, LimitJudged) and one.limit == "vbat at 3.6 V")
"""Number of the record that judges 3.6011 V ± 1.3 mV against 3.589 V to 3.611 V, by the rule guarded."""


def edited(number: int, **change: object) -> tuple[Record, ...]:
    """The sample run with one record edited, by its number from 1 on."""
    changed = msgspec.structs.replace(RECORDS[number - 1], **change)
    return (*RECORDS[: number - 1], changed, *RECORDS[number:])


def test_untouched_run() -> None:
    """A run as it was written contradicts itself nowhere, and comes out as it went in."""
    found = rederive(RECORDS)

    assert (found.records, found.contradictions) == (RECORDS, ())


# Guarded: passes from low + U to high - U, fails beyond low - U and high + U (ILAC-G8:09/2019, 4.2).
EDITED = [
    pytest.param({"value": 3.7}, "says pass for (3.7000 ± 0.0013) V against 3.589 V to 3.611 V", "fail", id="outside"),
    pytest.param({"high": 3.6}, "against 3.589 V to 3.6 V", "undecided", id="limit moved under it"),
    pytest.param({"value": 3.6100}, "says pass for (3.6100 ± 0.0013) V", "undecided", id="inside the guard band"),
    pytest.param({"value": None}, "says pass for no number against", "undecided", id="no number"),
    pytest.param({"expanded_uncertainty": None}, "says pass for", "undecided", id="no uncertainty"),
    pytest.param({"expanded_uncertainty": 0.02}, "says pass for", "undecided", id="larger uncertainty"),
    pytest.param({"verdict": Verdict.WAIVED}, "says waived for", "pass", id="a waived limit"),
    pytest.param({"verdict": Verdict.FAIL}, "says fail for (3.6011 ± 0.0013) V", "pass", id="good and failed"),
    pytest.param({"verdict": Verdict.UNDECIDED, "value": 3.7}, "says undecided for", "fail", id="bad and undecided"),
]


@pytest.mark.parametrize(("change", "words", "follows"), EDITED)
def test_limit_that_was_edited(change: dict[str, object], words: str, follows: str) -> None:
    """The contradiction names record, verdict, value and limits, and what follows; the board never passes."""
    records = edited(AT_36, **change)

    (told,) = [one for one in rederive(records).contradictions if one.startswith(f"record {AT_36} ")]

    assert words in told
    assert told.endswith(f"(battery_sweep, vbat at 3.6 V, guarded); by its own figures that is {follows}")
    report = board_report(Journal(records))
    assert not report.passed
    assert told in report.problems


UNREADABLE = [
    pytest.param({"rule": "generous"}, "unknown decision rule 'generous'", id="rule"),
    pytest.param({"unit": "barn"}, "unknown unit 'barn'", id="unit"),
    pytest.param({"low": None, "high": None}, "has neither low nor high", id="no limit"),
    pytest.param({"low": 4.0}, "low 4.0 is above high 3.611", id="limits exchanged"),
]


@pytest.mark.parametrize(("change", "words"), UNREADABLE)
def test_limit_that_cannot_be_judged_again(change: dict[str, object], words: str) -> None:
    """Where rule, unit or limits mean nothing the value counts as undecided, and it is said why."""
    found = rederive(edited(AT_36, **change))

    assert words in found.contradictions[0]
    assert "cannot be judged again" in found.contradictions[0]
    changed = found.records[AT_36 - 1]
    assert isinstance(changed, LimitJudged)
    assert changed.verdict is Verdict.UNDECIDED


def test_undecided_beside_a_good_value_is_none() -> None:
    """A bench that said before power that it cannot decide a value leaves it undecided: no contradiction."""
    assert rederive(edited(AT_36, verdict=Verdict.UNDECIDED)).contradictions == (
        f"record {AT_36 + 1} says pass for battery_sweep, but record {AT_36}, 'vbat at 3.6 V', is undecided",
    )


def number_of(kind: type[Record], check: str) -> int:
    """Number of the first record of a kind that belongs to a check."""
    return next(n for n, one in enumerate(RECORDS, 1) if isinstance(one, kind) and getattr(one, "check", "") == check)


def test_passed_check_with_a_failed_fact() -> None:
    """A check that says pass beside something judged as failed is named, and the board fails."""
    fact = number_of(FactJudged, "identity")
    records = edited(fact, verdict=Verdict.FAIL, seen="HB-0002")

    report = board_report(Journal(records))

    end = number_of(CheckFinished, "identity")
    assert report.problems == (f"record {end} says pass for identity, but record {fact}, 'serial number', is fail",)
    assert report.verdict.verdict is Verdict.FAIL


def test_passed_check_with_a_reading_that_is_no_number() -> None:
    """A check cannot pass beside a reading of an instrument that is no number."""
    reading = number_of(ReadingTaken, "sleep_current")

    report = board_report(Journal(edited(reading, value=None)))

    (told,) = report.problems
    assert told.endswith(f"says pass for sleep_current, but record {reading}, reading 'floor current', is no number")
    assert report.verdict.verdict is Verdict.UNDECIDED


def test_computed_value_may_be_no_number() -> None:
    """What a check reckoned beside its limits, and could not, takes nothing from its pass."""
    reading = number_of(ReadingTaken, "sleep_current")

    assert board_report(Journal(edited(reading, value=None, source="computed"))).passed


def test_passed_check_that_judged_nothing() -> None:
    """A check whose judged records were taken out does not pass by its last line alone."""
    records = tuple(one for one in RECORDS if not (isinstance(one, LimitJudged) and one.check == "siren"))

    report = board_report(Journal(records))

    assert [problem.partition(" says ")[2] for problem in report.problems] == [
        "pass for siren, but nothing was judged in it"
    ]
    assert report.verdict.verdict is Verdict.UNDECIDED


FIGURE = st.one_of(st.none(), st.floats(allow_nan=True))


@given(
    value=FIGURE,
    limits=st.tuples(FIGURE, FIGURE),
    uncertainty=FIGURE,
    k=st.floats(allow_nan=True),
    rule=st.sampled_from((*RULES, "risk 2 %", "guarded 0.83", "")),
)
def test_a_pass_follows_or_is_named(
    value: float | None, limits: tuple[float | None, float | None], uncertainty: float | None, k: float, rule: str
) -> None:
    """Whatever stands in a record that says pass: no crash, and no pass for a value beyond a limit."""
    low, high = limits
    change = {"value": value, "expanded_uncertainty": uncertainty, "coverage_factor": k, "rule": rule}

    found = rederive(edited(AT_36, low=low, high=high, **change))

    judged = found.records[AT_36 - 1]
    assert isinstance(judged, LimitJudged)
    if judged.verdict is Verdict.PASS:
        assert value is not None
        assert low is None or value >= low
        assert high is None or value <= high
        assert not found.contradictions
