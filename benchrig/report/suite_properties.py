"""The properties of a board's JUnit suite: the run's header and every judged value, by name, as text.

Numbers are in SI base units and in full (`repr`), so that a program reads back the number that was judged.
A name that occurs twice, such as a limit judged in two attempts, is numbered: 'check.limit (2).value'.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from benchrig.records import LimitJudged
from benchrig.report.text import xml_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from benchrig.records import FactJudged, RunStarted
    from benchrig.report.board_report import BoardReport, CheckReport

_NO_NUMBER = "no number"
_NO_LIMIT = "none"


def suite_properties(report: BoardReport) -> dict[str, str]:
    """Name and value of each property, in the order of the report, safe for XML."""
    properties: dict[str, str] = {}
    counts: dict[str, int] = {}
    for group, fields in _groups(report):
        escaped = {xml_text(field): xml_text(value) for field, value in fields.items()}
        prefix = _free(xml_text(group), taken=properties, fields=escaped, counts=counts)
        properties |= {f"{prefix}.{field}": value for field, value in escaped.items()}
    return properties


def _groups(report: BoardReport) -> Iterator[tuple[str, dict[str, str]]]:
    yield "run", _run_fields(report)
    if report.started is not None:
        yield from _named("run.sha256", report.started.sha256)
        yield from _named("run.option", report.started.options)
    for instrument in report.instruments:
        fields = {key: str(value) for key, value in msgspec.structs.asdict(instrument).items() if key != "name"}
        yield f"instrument.{instrument.name}", fields
    if report.phases_s:
        yield "phase_s", {phase: repr(duration) for phase, duration in report.phases_s.items()}
    for check in report.checks:
        yield from _check_groups(check)
    for waiver in report.waivers:
        yield f"waiver.{waiver.check}", {"who": waiver.who, "why": waiver.why, "until": waiver.until}
    for one in report.not_proven:
        yield "not_proven", {"text": one.text, "next_action": one.next_action}
    for file in report.files:
        yield f"file.{file.title}", {"kind": file.kind, "path": file.path, "sha256": file.sha256}


def _named(prefix: str, values: dict[str, str]) -> Iterable[tuple[str, dict[str, str]]]:
    return [(prefix, dict(values))] if values else []


def _run_fields(report: BoardReport) -> dict[str, str]:
    return {
        "state": report.state.value,
        "state_why": report.state_why,
        "verdict": report.verdict.verdict.value,
        "verdict_why": report.verdict.why,
        "missing": ", ".join(report.verdict.missing),
        "waived": ", ".join(report.verdict.waived),
        "board": report.board,
        "simulated": "yes" if report.simulated else "no",
        **(_started_fields(report.started) if report.started else {}),
        "output_off": report.output_off,
        "duration_s": _number(report.duration_s),
        "critical_path_s": _number(report.critical_path_s),
        "problems": "; ".join(report.problems),
    }


def _started_fields(started: RunStarted) -> dict[str, str]:
    return {
        "id": started.run,
        "use": started.use,
        "slot": started.slot,
        "bench": started.bench,
        "profile": started.profile,
        "simulated_faults": ", ".join(started.simulated_faults),
        "required": ", ".join(started.required),
        "tool_version": started.tool_version,
        "python": started.python,
        "host": started.host,
        "operator": started.operator,
        "utc": started.utc,
        "clock_scale": repr(started.clock_scale),
        "schema": str(started.schema),
    }


def _check_groups(check: CheckReport) -> Iterator[tuple[str, dict[str, str]]]:
    yield check.name, {"verdict": check.verdict.value, "attempt": str(check.attempt), "why": check.why}
    for judged in check.judged:
        if isinstance(judged, LimitJudged):
            yield f"{check.name}.{judged.limit}", _limit_fields(judged)
        else:
            yield f"{check.name}.{judged.fact}", _fact_fields(judged)


def _limit_fields(judged: LimitJudged) -> dict[str, str]:
    return {
        "value": _number(judged.value),
        "unit": judged.unit,
        "low": _number(judged.low, absent=_NO_LIMIT),
        "high": _number(judged.high, absent=_NO_LIMIT),
        "expanded_uncertainty": _number(judged.expanded_uncertainty),
        "coverage_factor": repr(judged.coverage_factor),
        "verdict": judged.verdict.value,
        "rule": judged.rule,
        "coverage_basis": judged.basis,
        "largest_part": _largest(judged),
        "guard_band": repr(judged.guard_band),
        "limit_source": judged.limit_source,
    }


def _largest(judged: LimitJudged) -> str:
    """The cause that adds most to the uncertainty."""
    return (
        max(judged.parts, key=lambda one: abs(one.sensitivity * one.standard_uncertainty)).name if judged.parts else ""
    )


def _fact_fields(judged: FactJudged) -> dict[str, str]:
    return {"expected": judged.expected, "seen": judged.seen, "verdict": judged.verdict.value}


def _number(number: float | None, *, absent: str = _NO_NUMBER) -> str:
    return absent if number is None else repr(float(number))


def _free(group: str, *, taken: Mapping[str, str], fields: Iterable[str], counts: dict[str, int]) -> str:
    """`group`, numbered when it stands there already, so that no value hides behind another.

    `counts` remembers the number given last, so that a thousand equal names are not tried one after another.
    """
    count = counts.get(group, 1)
    name = group if count == 1 else f"{group} ({count})"
    while any(f"{name}.{field}" in taken for field in fields):
        count += 1
        name = f"{group} ({count})"
    counts[group] = count
    return name
