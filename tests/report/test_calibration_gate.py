"""A sign-off on instruments whose calibration is over stays undecided, whatever the readings were."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import date
from pathlib import Path

import msgspec
import pytest

from benchrig.journal import Journal, parse_journal
from benchrig.records import InstrumentsOpened, Record, RunStarted, Verdict
from benchrig.report.board_report import BoardReport, board_report
from benchrig.report.calibration_gate import not_proven_by
from benchrig.report.junit import junit_xml
from benchrig.report.table import verdict_line

RECORDS = parse_journal((Path(__file__).parent / "hay_barn_run.jsonl").read_bytes()).records
DAY = "2031-03-04"
"""Of the sample run."""


def run_of(use: str, *, due: str, utc: str = f"{DAY}T08:15:00+00:00") -> BoardReport:
    """The sample run for another use, on instruments that were due on another day."""
    return board_report(Journal(tuple(_changed(record, use, due, utc) for record in RECORDS)))


def _changed(record: Record, use: str, due: str, utc: str) -> Record:
    if isinstance(record, RunStarted):
        return msgspec.structs.replace(record, use=use, utc=utc)
    if isinstance(record, InstrumentsOpened):
        late = tuple(msgspec.structs.replace(one, calibration_due=due) for one in record.instruments)
        return msgspec.structs.replace(record, instruments=late)
    return record


def test_sample_run_passes() -> None:
    """The run that these tests change is one that passes."""
    assert board_report(Journal(RECORDS)).passed


@pytest.mark.parametrize(
    ("due", "says"),
    [
        pytest.param("2031-03-03", "its calibration was due on 2031-03-03, 1 day before this run", id="a day late"),
        pytest.param("", "nothing says until when its calibration holds", id="no day"),
        pytest.param("soon", "nothing says until when its calibration holds", id="no date"),
    ],
)
def test_sign_off_needs_calibrated_instruments(due: str, says: str) -> None:
    """With an instrument beyond its day a sign-off is undecided, complete, and says which and what to do."""
    report = run_of("signoff", due=due)

    assert report.verdict.verdict is Verdict.UNDECIDED
    assert not report.passed
    assert "a sign-off needs calibrated instruments: supply supply (serial S1001): " in report.verdict.why
    assert says in report.verdict.why
    assert "put the days of its certificate into the bench file" in report.verdict.why
    assert verdict_line(report).startswith("HB-0001: NOT PASSED (undecided): a sign-off needs calibrated")


def test_file_of_such_a_sign_off_counts_a_failure() -> None:
    """A machine that reads the report alone cannot take it for a pass."""
    suite = ET.fromstring(junit_xml(run_of("signoff", due="2031-03-03")))

    assert int(suite.attrib["failures"]) == 1
    assert "a sign-off needs calibrated instruments" in ET.tostring(suite, encoding="unicode")


@pytest.mark.parametrize("due", [DAY, "2032-01-01"])
def test_sign_off_on_calibrated_instruments_passes(due: str) -> None:
    """A calibration holds through the day on which it is due."""
    assert run_of("signoff", due=due).passed


@pytest.mark.parametrize("use", ["production", "nightly"])
def test_other_uses_are_not_held_up(use: str) -> None:
    """A production run on instruments beyond their day may pass: what it carries is a sentence, not a verdict."""
    assert run_of(use, due="2031-03-03").passed


def test_run_without_a_day_signs_nothing_off() -> None:
    """A record that does not say when it was made shows no calibration."""
    report = run_of("signoff", due="2032-01-01", utc="yesterday")

    assert report.verdict.verdict is Verdict.UNDECIDED
    assert "'yesterday'" in report.verdict.why


def test_run_without_instruments_signs_nothing_off() -> None:
    """A record that names no instrument shows no calibration of any."""
    start, *rest = (one for one in RECORDS if not isinstance(one, InstrumentsOpened))
    assert isinstance(start, RunStarted)

    report = board_report(Journal((msgspec.structs.replace(start, use="signoff"), *rest)))

    assert report.verdict.verdict is Verdict.UNDECIDED
    assert "the record names no instrument" in report.verdict.why


def test_every_run_carries_what_is_not_proven() -> None:
    """One sentence for each instrument beyond its day, with what to do; none where all are within."""
    (opened,) = [record for record in RECORDS if isinstance(record, InstrumentsOpened)]

    late = not_proven_by(opened.instruments, on=date(2031, 11, 3), at_s=0.5)

    assert [one.text.partition(":")[0] for one in late] == ["supply supply (serial S1001)"]
    assert late[0].next_action.startswith("have it calibrated")
    assert not_proven_by(opened.instruments, on=date(2031, 11, 2), at_s=0.5) == ()
