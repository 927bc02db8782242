"""JUnit XML of one board, for the machines that read test results: built by junit-xml, then held to the schema.

The schema is the one that the Jenkins xUnit plugin publishes (junit-10.xsd): no `disabled` attribute, no
properties inside a test case, seconds with at most three decimals. So values stand as properties of the suite.

Two promises: text of a board or instrument cannot break the file (see `text`), and the file of a board that
did not pass never counts zero failures and errors. A waived check is neither failure nor pass, for which the schema has
no word (nothing here is ever `skipped`): its name says it, and its output who, why and until when. Knows no layout of
the reports folder.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass
from typing import TYPE_CHECKING

import junit_xml as junit_xml_package

from benchrig.records import LimitJudged, RunState, Verdict
from benchrig.report.atomic_file import write_atomically
from benchrig.report.numbers import limits_text, measured_text
from benchrig.report.suite_properties import suite_properties
from benchrig.report.text import xml_text

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from benchrig.records import FactJudged, ReadingTaken
    from benchrig.report.board_report import BoardReport, CheckReport

RUN_COMPLETE = "run complete"
"""Name of the test case that fails when the run itself cannot be counted on."""

_HARMLESS = frozenset((Verdict.PASS, Verdict.WAIVED))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One test case, all text still as it came."""

    name: str
    outcome: str = ""
    message: str = ""
    detail: str = ""
    output: str = ""
    duration_s: float = 0.0

    @property
    def is_error(self) -> bool:
        return self.outcome == Verdict.BENCH_ERROR


def write_report(report: BoardReport, path: Path) -> None:
    """Write the JUnit file of a board in one stroke. RecordError when the disk refuses."""
    write_atomically(path, junit_xml(report).encode("utf-8"))


def junit_xml(report: BoardReport) -> str:
    """The JUnit document of a board: one suite, one test case for each check, one for the run itself."""
    cases = [_check_case(check) for check in report.checks]
    cases.append(_run_case(report, counted=any(case.outcome for case in cases)))
    suite = _suite_element(report, cases)
    root = ET.Element("testsuites")
    for name in ("tests", "failures", "errors", "time"):
        root.set(name, suite.attrib[name])
    root.append(suite)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _suite_element(report: BoardReport, cases: list[_Case]) -> ET.Element:
    started = report.started
    suite = junit_xml_package.TestSuite(
        xml_text(_suite_name(report)),
        [_package_case(case, classname=_classname(report)) for case in cases],
        hostname=xml_text(started.host) if started else None,
        timestamp=xml_text(started.utc) if started else None,
        properties=suite_properties(report),
        stdout=xml_text("\n".join(_run_lines(report))) or None,
    )
    element: ET.Element = suite.build_xml_doc()
    del element.attrib["disabled"]
    for found, case in zip(element.iter("testcase"), cases, strict=True):
        found.set("time", _seconds(case.duration_s))
    element.set("time", _seconds(sum(round(max(0.0, case.duration_s), 3) for case in cases)))
    return element


def _package_case(case: _Case, *, classname: str) -> object:
    made = junit_xml_package.TestCase(xml_text(case.name), xml_text(classname), stdout=xml_text(case.output) or None)
    message, detail = xml_text(case.message), xml_text(case.detail)
    if case.is_error:
        made.add_error_info(message=message, output=detail, error_type=case.outcome)
    elif case.outcome:
        made.add_failure_info(message=message, output=detail, failure_type=case.outcome)
    return made


def _check_case(check: CheckReport) -> _Case:
    harmless = check.verdict in _HARMLESS
    detail = "\n".join(_detail_lines(check)) if check.verdict is not Verdict.PASS else ""
    return _Case(
        name=f"{check.label} (waived)" if check.verdict is Verdict.WAIVED else check.label,
        outcome="" if harmless else check.verdict.value,
        message=f"{check.verdict}: {check.why or _count(check)}",
        detail=detail,
        output="\n".join(_output_lines(check, detail=detail if harmless else "")),
        duration_s=check.duration_s or 0.0,
    )


def _run_case(report: BoardReport, *, counted: bool) -> _Case:
    """The run's own test case: it fails when nothing else says that the board did not pass."""
    detail = "\n".join([f"board: {report.verdict.verdict}: {report.verdict.why}", *report.problems])
    if report.state is not RunState.COMPLETE:
        outcome, message = RunState.INTERRUPTED.value, f"the run was interrupted: {report.state_why}"
    elif report.problems or not (report.passed or counted):
        verdict = Verdict.BENCH_ERROR if report.problems else report.verdict.verdict
        outcome, message = verdict.value, report.verdict.why or f"the board is {verdict}"
    else:
        return _Case(name=RUN_COMPLETE)
    return _Case(name=RUN_COMPLETE, outcome=outcome, message=message, detail=f"{detail}\nnext: run the board again")


def _suite_name(report: BoardReport) -> str:
    use = f" {report.started.use}" if report.started else ""
    return f"{report.board}{use}{' (simulated bench)' if report.simulated else ''}"


def _classname(report: BoardReport) -> str:
    return f"{report.started.profile}.{report.started.use}" if report.started else "unknown"


def _count(check: CheckReport) -> str:
    return f"{len(check.violated)} of {len(check.judged)} judged did not pass"


def _detail_lines(check: CheckReport) -> list[str]:
    lines = [f"{check.verdict}: {check.why}" if check.why else f"{check.verdict}: {_count(check)}"]
    if check.next_action:
        lines.append(f"next: {check.next_action}")
    for judged in check.violated:
        lines += _judged_lines(judged)
    return lines


def _judged_lines(judged: LimitJudged | FactJudged) -> list[str]:
    if isinstance(judged, LimitJudged):
        first = f"{judged.limit}: {measured_text(judged)}, limits {limits_text(judged)}: {judged.verdict}"
        source = [f"  limit from: {judged.limit_source}"]
    else:
        first = f"{judged.fact}: seen {judged.seen}, expected {judged.expected}: {judged.verdict}"
        source = []
    why = [f"  why: {judged.why}"] if judged.why else []
    return [first, *why, *source, *([f"  next: {judged.next_action}"] if judged.next_action else [])]


def _output_lines(check: CheckReport, *, detail: str) -> Iterable[str]:
    """What a waiver says, what happened, and every reading with the raw text that it came from."""
    if detail:
        yield detail
    for event in check.events:
        yield f"event at {event.at_s:.3f} s: {event.kind}: {event.text}"
    for reading in check.readings:
        yield _reading_line(reading)


def _reading_line(reading: ReadingTaken) -> str:
    value = "no number" if reading.value is None else f"{reading.value!r} {reading.unit}"
    return (
        f"reading at {reading.at_s:.3f} s: {reading.name} = {value},"
        f" u = {reading.standard_uncertainty!r} {reading.unit}, n = {reading.count},"
        f" from {reading.source}, raw: {reading.raw}"
    )


def _run_lines(report: BoardReport) -> Iterable[str]:
    for problem in report.problems:
        yield f"journal: {problem}"
    for event in report.events:
        charged = f" (charged to {event.charged_to})" if event.charged_to else ""
        yield f"event at {event.at_s:.3f} s: {event.kind}{charged}: {event.text}"
    for one in report.not_proven:
        yield f"not proven: {one.check}: {one.text}; next: {one.next_action}"
    for annex in report.annexes:
        yield annex.title
        yield from (f"  {line}" for line in annex.lines)


def _seconds(duration_s: float) -> str:
    return f"{max(0.0, duration_s):.3f}"
