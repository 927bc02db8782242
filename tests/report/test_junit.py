"""The JUnit file against a schema and three independent readers, with every verdict and with hostile text."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import junitparser
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from benchrig.journal import Journal, parse_journal
from benchrig.records import (
    CheckFinished,
    FactJudged,
    LimitJudged,
    ReadingTaken,
    Record,
    RunFinished,
    RunStarted,
    Verdict,
    WaiverGranted,
)
from benchrig.report.board_report import BoardReport, board_report
from benchrig.report.junit import junit_xml

HERE = Path(__file__).parent
RECORDS = parse_journal((HERE / "hay_barn_run.jsonl").read_bytes()).records
RULES = etree.XMLSchema(etree.parse(str(HERE / "report_rules.xsd")))
WAIVER = WaiverGranted(check="siren", who="quality lead", why="horn on order", until="2031-06-01", at_s=0.1)
NOTHING = {"tests": 0, "failures": 0, "errors": 0, "skipped": 0}


def report_of(records: tuple[Record, ...], *problems: str) -> BoardReport:
    """The report of records, and of problems of the journal."""
    return board_report(Journal(records, problems))


def siren(verdict: Verdict, *, why: str = "no sound", next_action: str = "look at the horn") -> BoardReport:
    """The report of the sample run in which the siren check and its limit came out otherwise."""
    row_verdict = Verdict.FAIL if verdict is Verdict.WAIVED else verdict
    codes = 481.0 if verdict is Verdict.UNDECIDED else 12.0  # 480 and the guard band of 2 are the limit
    changed = [
        msgspec.structs.replace(record, verdict=verdict, why=why, next_action=next_action)
        if isinstance(record, CheckFinished) and record.check == "siren"
        else msgspec.structs.replace(
            record, value=codes, verdict=row_verdict, why="below 478 counts", next_action="press the lid"
        )
        if isinstance(record, LimitJudged) and record.check == "siren"
        else record
        for record in RECORDS
    ]
    return report_of((changed[0], WAIVER, *changed[1:]) if verdict is Verdict.WAIVED else tuple(changed))


def totals_by_attributes(document: bytes) -> dict[str, int]:
    """Totals as lxml reads them off the attributes of the root, and of the only suite."""
    root = etree.fromstring(document)
    (suite,) = root
    assert [root.get(name) for name in ("tests", "failures", "errors", "time")] == [
        suite.get(name) for name in ("tests", "failures", "errors", "time")
    ]
    return {name: int(suite.get(name, "-1")) for name in NOTHING}


def totals_by_counting(document: bytes) -> dict[str, int]:
    """Totals as xml.etree counts the elements."""
    root = ET.fromstring(document)
    elements = {"tests": "testcase", "failures": "failure", "errors": "error", "skipped": "skipped"}
    return {name: len(root.findall(f".//{element}")) for name, element in elements.items()}


def totals_by_parser(document: bytes) -> dict[str, int]:
    """Totals as junitparser makes them out of the results of the cases."""
    (suite,) = junitparser.JUnitXml.fromstring(document)
    cases = list(suite)
    kinds = [type(result) for case in cases for result in case.result]
    assert float(suite.time) == pytest.approx(sum(float(case.time) for case in cases), abs=1e-9)
    assert [suite.tests, suite.failures, suite.errors, suite.skipped] == [
        len(cases),
        *(kinds.count(kind) for kind in (junitparser.Failure, junitparser.Error, junitparser.Skipped)),
    ]
    return {"tests": suite.tests, "failures": suite.failures, "errors": suite.errors, "skipped": suite.skipped}


def checked(report: BoardReport) -> tuple[ET.Element, dict[str, int]]:
    """The document held to the schema and to three readers that must agree: its root and its totals."""
    document = junit_xml(report).encode("utf-8")
    RULES.assertValid(etree.fromstring(document))
    totals = totals_by_counting(document)
    assert totals_by_attributes(document) == totals
    assert totals_by_parser(document) == totals
    return ET.fromstring(document), totals


def case_of(root: ET.Element, name: str) -> ET.Element:
    """The only test case of a name."""
    (case,) = [case for case in root.iter("testcase") if case.get("name") == name]
    return case


def properties_of(root: ET.Element) -> dict[str, str]:
    """The properties of the suite."""
    return {one.get("name", ""): one.get("value", "") for one in root.findall("testsuite/properties/property")}


def test_complete_run() -> None:
    """A passed run: a case for each required check and one for the run, none of them with a failure."""
    root, totals = checked(report_of(RECORDS))

    cases = [(case.get("name"), case.get("classname"), case.get("time")) for case in root.iter("testcase")]
    assert totals == {**NOTHING, "tests": 5}
    assert cases == [
        ("identity", "hay_barn_probe.production", "0.750"),
        ("battery_sweep", "hay_barn_probe.production", "4.200"),
        ("sleep_current", "hay_barn_probe.production", "12.000"),
        ("siren", "hay_barn_probe.production", "0.500"),
        ("run complete", "hay_barn_probe.production", "0.000"),
    ]
    assert root[0].get("name") == "HB-0001 production (simulated bench)"
    assert root[0].get("timestamp") == "2031-03-04T08:15:00+00:00"


def test_values_are_properties() -> None:
    """Every judged value stands in the properties as the number that was judged, with all it was judged by."""
    root, _ = checked(report_of(RECORDS))

    found = properties_of(root)
    limits = [record for record in RECORDS if isinstance(record, LimitJudged)]
    assert len(limits) == 4
    for limit in limits:
        name = f"{limit.check}.{limit.limit}"
        assert limit.value is not None
        assert float(found[f"{name}.value"]) == limit.value
        assert found[f"{name}.unit"] == limit.unit
        assert found[f"{name}.low"] == ("none" if limit.low is None else repr(limit.low))
        assert found[f"{name}.high"] == ("none" if limit.high is None else repr(limit.high))
        assert float(found[f"{name}.expanded_uncertainty"]) == limit.expanded_uncertainty
        assert (found[f"{name}.verdict"], found[f"{name}.rule"]) == ("pass", "guarded")
    assert found["identity.firmware.seen"] == found["identity.firmware.expected"] == "2.4.1"


def test_run_header_is_properties() -> None:
    """What the verdict depends on stands in the properties: state, board, hashes, instruments, simulation."""
    found = properties_of(checked(report_of(RECORDS))[0])

    expected = {
        "run.state": "complete",
        "run.verdict": "pass",
        "run.board": "HB-0001",
        "run.use": "production",
        "run.simulated": "yes",
        "run.sha256.profile": "9f" * 32,
        "run.tool_version": "0.1.0",
        "run.output_off": "supply reads back 0.002 V and output off",
        "instrument.meter.serial": "S2002",
        "instrument.meter.calibrated": "2030-11-03",
        "instrument.meter.calibration_due": "2031-11-03",
    }
    assert {name: found[name] for name in expected} == expected


FAILURES = [v for v in Verdict if v not in (Verdict.PASS, Verdict.WAIVED, Verdict.BENCH_ERROR)]


@pytest.mark.parametrize("verdict", FAILURES)
def test_failure(verdict: Verdict) -> None:
    """Fail, undecided and not run are failures of that type, with value, limit, why and what to do next."""
    root, totals = checked(siren(verdict))

    failure = case_of(root, "siren").find("failure")
    assert totals == {**NOTHING, "tests": 5, "failures": 1}
    assert failure is not None
    assert (failure.get("type"), failure.get("message")) == (verdict.value, f"{verdict.value}: no sound")
    assert failure.text == (
        f"{verdict.value}: no sound\n"
        "next: look at the horn\n"
        f"siren codes: ({481 if verdict is Verdict.UNDECIDED else 12}.0 ± 2.0) counts, limits at least 480 counts: "
        f"{verdict.value}\n"
        "  why: below 478 counts\n"
        "  limit from: hay-barn probe requirement 4, invented\n"
        "  next: press the lid"
    )


def test_bench_error() -> None:
    """A bench error is an error and no failure: the board is not blamed."""
    root, totals = checked(siren(Verdict.BENCH_ERROR, why="meter lost"))

    error = case_of(root, "siren").find("error")
    assert totals == {**NOTHING, "tests": 5, "errors": 1}
    assert error is not None
    assert (error.get("type"), error.get("message")) == ("bench error", "bench error: meter lost")


def test_waived() -> None:
    """A waived check is no failure, and its name says that it is no pass; who, why, until when stand in its output."""
    root, totals = checked(siren(Verdict.WAIVED, why="quality lead, horn on order, until 2031-06-01"))

    output = case_of(root, "siren (waived)").findtext("system-out")
    assert totals == {**NOTHING, "tests": 5}
    assert "siren" not in {case.get("name") for case in root.iter("testcase")}
    properties = {str(one.get("name")): str(one.get("value")) for one in root.iter("property")}
    assert properties["run.waived"] == "siren"
    assert properties["waiver.siren.until"] == "2031-06-01"
    assert output == (
        "waived: quality lead, horn on order, until 2031-06-01\n"
        "next: look at the horn\n"
        "siren codes: (12.0 ± 2.0) counts, limits at least 480 counts: fail\n"
        "  why: below 478 counts\n"
        "  limit from: hay-barn probe requirement 4, invented\n"
        "  next: press the lid"
    )


def test_failure_without_a_reason() -> None:
    """A check that failed without saying why is still a failure: the package drops one without words."""
    root, totals = checked(
        report_of(
            tuple(
                msgspec.structs.replace(record, verdict=Verdict.FAIL)
                if isinstance(record, CheckFinished) and record.check == "identity"
                else record
                for record in RECORDS
            )
        )
    )

    failure = case_of(root, "identity").find("failure")
    assert totals["failures"] == 1
    assert failure is not None
    assert failure.get("message") == "fail: 0 of 2 judged did not pass"


def test_violated_fact() -> None:
    """A fact that does not hold is listed with what was expected and what was seen."""
    fact = FactJudged(
        check="siren", fact="pitch", expected="high", seen="low", verdict=Verdict.FAIL, why="wet", at_s=18.0
    )

    root, _ = checked(report_of((*RECORDS[:-2], fact, *RECORDS[-2:])))

    text = case_of(root, "siren").findtext("failure")
    assert text == "fail: wet\npitch: seen low, expected high: fail\n  why: wet"
    assert properties_of(root)["siren.pitch.seen"] == "low"


def test_missing_check_has_a_case() -> None:
    """A required check that never began has its own case, which fails as not run."""
    root, totals = checked(report_of(tuple(r for r in RECORDS if getattr(r, "check", "") != "siren")))

    failure = case_of(root, "siren").find("failure")
    assert totals == {**NOTHING, "tests": 5, "failures": 1}
    assert failure is not None
    assert failure.get("type") == "not run"


def test_interrupted_run() -> None:
    """A run without its end fails in the case of the run, though every check passed."""
    root, totals = checked(report_of(tuple(r for r in RECORDS if not isinstance(r, RunFinished))))

    failure = case_of(root, "run complete").find("failure")
    assert totals == {**NOTHING, "tests": 5, "failures": 1}
    assert failure is not None
    assert failure.get("type") == "interrupted"
    assert properties_of(root)["run.state"] == "interrupted"


def test_damaged_journal() -> None:
    """A run that would pass but for a lost line is an error in the case of the run."""
    root, totals = checked(report_of(RECORDS, "line 7 is no record"))

    error = case_of(root, "run complete").find("error")
    assert totals == {**NOTHING, "tests": 5, "errors": 1}
    assert error is not None
    assert "line 7 is no record" in error.get("message", "")


def test_damaged_journal_of_a_failed_run() -> None:
    """A run that failed and lost a line of its journal is both a failure and an error."""
    failed = tuple(
        msgspec.structs.replace(r, verdict=Verdict.FAIL) if isinstance(r, LimitJudged) else r for r in RECORDS
    )

    root, totals = checked(report_of(failed, "line 7 is no record"))

    assert (totals["failures"], totals["errors"]) == (3, 1)
    assert "line 7 is no record" in (case_of(root, "run complete").findtext("error") or "")


def test_nothing_required() -> None:
    """A complete run of a use that requires nothing proves nothing, and does not read as free of failures."""
    start = RECORDS[0]
    assert isinstance(start, RunStarted)

    _, totals = checked(report_of((msgspec.structs.replace(start, required=()), RECORDS[-1])))

    assert totals == {**NOTHING, "tests": 1, "failures": 1}


def test_real_bench_is_not_called_simulated() -> None:
    """Only a run on a simulated bench is called one."""
    start = RECORDS[0]
    assert isinstance(start, RunStarted)

    root, _ = checked(report_of((msgspec.structs.replace(start, simulated=False), *RECORDS[1:])))

    assert root[0].get("name") == "HB-0001 production"
    assert properties_of(root)["run.simulated"] == "no"


def test_limit_judged_twice() -> None:
    """A limit that was judged twice keeps both values: the second is numbered."""
    again = msgspec.structs.replace(next(r for r in RECORDS if isinstance(r, LimitJudged)), value=3.2999)

    root, _ = checked(report_of((*RECORDS[:-1], again, RECORDS[-1])))

    found = properties_of(root)
    assert found["battery_sweep.vbat at 3.3 V.value"] == "3.3004"
    assert found["battery_sweep.vbat at 3.3 V (2).value"] == "3.2999"


def test_value_that_is_no_number() -> None:
    """A value that is no number is said to be none, never zero."""
    changed = tuple(
        msgspec.structs.replace(r, value=None, expanded_uncertainty=None, verdict=Verdict.UNDECIDED)
        if isinstance(r, LimitJudged) and r.check == "siren"
        else r
        for r in RECORDS
    )

    found = properties_of(checked(report_of(changed))[0])

    assert found["siren.siren codes.value"] == "no number"
    assert found["siren.siren codes.expanded_uncertainty"] == "no number"


HOSTILE = [
    pytest.param("<&>\"'", "<&>\"'", id="markup"),
    pytest.param("]]></failure><testcase/>", "]]></failure><testcase/>", id="end of a text"),
    pytest.param("\x00\x01\x1b[31m\x7f", "\\x00\\x01\\x1b[31m\\x7f", id="control characters"),
    pytest.param("OK\r\nT=21\tdone", "OK\\r\nT=21\tdone", id="line ends"),
    pytest.param("\ud83d \ufffe", "\\ud83d \\ufffe", id="broken Unicode"),
    pytest.param("🐄 ε λ 牛", "🐄 ε λ 牛", id="emoji and scripts"),
    pytest.param("x" * 10_000, "x" * 10_000, id="ten thousand characters"),
    pytest.param("&#0;&bogus;<!DOCTYPE x>", "&#0;&bogus;<!DOCTYPE x>", id="entities"),
]


@pytest.mark.parametrize(("text", "shown"), HOSTILE)
def test_hostile_text(text: str, shown: str) -> None:
    """Whatever a board calls itself or answers, the file stays valid, counts the same and loses nothing."""
    start = RECORDS[0]
    assert isinstance(start, RunStarted)
    changed = tuple(
        msgspec.structs.replace(r, raw=text)
        if isinstance(r, ReadingTaken)
        else msgspec.structs.replace(r, fact=text, seen=text, verdict=Verdict.FAIL, why=text)
        if isinstance(r, FactJudged)
        else msgspec.structs.replace(r, verdict=Verdict.FAIL)
        if isinstance(r, CheckFinished) and r.check == "identity"
        else r
        for r in RECORDS[1:]
    )

    root, totals = checked(report_of((msgspec.structs.replace(start, board=text, host=text), *changed)))

    output = case_of(root, "sleep_current").findtext("system-out")
    failure = case_of(root, "identity").findtext("failure")
    assert totals == {**NOTHING, "tests": 5, "failures": 1}
    assert properties_of(root)["run.board"] == shown
    assert root[0].get("name", "").startswith(shown)
    assert output is not None
    assert output.endswith(f"raw: {shown}")
    assert failure is not None
    assert f"seen {shown}, expected" in failure


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(), max_size=60))
def test_any_text(text: str) -> None:
    """No text of a check's name or reason breaks the file."""
    changed = tuple(
        msgspec.structs.replace(r, check=text or "x", why=text, verdict=Verdict.FAIL)
        if isinstance(r, CheckFinished) and r.check == "siren"
        else r
        for r in RECORDS
    )

    _, totals = checked(report_of(changed))

    # the renamed check fails, and the siren, now without an end, is not run
    assert totals["failures"] == 2


def test_cut_at_every_byte() -> None:
    """Wherever a small journal is cut, its file is valid, says interrupted and counts a failure."""
    small = b"".join((HERE / "hay_barn_run.jsonl").read_bytes().splitlines(keepends=True)[i] for i in (0, 2, 3, 5))

    for length in range(len(small) + 1):
        root, totals = checked(board_report(parse_journal(small[:length])))

        failure = case_of(root, "run complete").find("failure")
        assert failure is not None
        assert failure.get("type") == "interrupted"
        assert totals["failures"] >= 1
        assert properties_of(root)["run.state"] == "interrupted"


def test_same_journal_same_file() -> None:
    """A report made again from its journal is the same to the byte."""
    assert junit_xml(report_of(RECORDS)) == junit_xml(report_of(RECORDS))


RULE_BREAKERS = [
    pytest.param(' skipped="0"', ' skipped="0" disabled="0"', id="disabled"),
    pytest.param('time="0.750"', 'time="0.7501"', id="four decimals"),
    pytest.param(' skipped="0"', ' skipped="1"', id="skipped"),
    pytest.param(
        'time="0.750" />',
        'time="0.750"><properties><property name="a" value="b"/></properties></testcase>',
        id="properties in a case",
    ),
    pytest.param(
        'time="0.750" />', 'time="0.750"><failure type="skipped" message="m">t</failure></testcase>', id="type"
    ),
]


@pytest.mark.parametrize(("good", "bad"), RULE_BREAKERS)
def test_rules_refuse(good: str, bad: str) -> None:
    """The schema of the rules refuses what it is there to refuse."""
    document = junit_xml(report_of(RECORDS))
    assert good in document

    with pytest.raises(etree.DocumentInvalid, match=r"attribute|element|facet"):
        RULES.assertValid(etree.fromstring(document.replace(good, bad, 1).encode("utf-8")))
