"""What a journal says, as rows of tables: records in, plain tuples out.

Owns which field goes where. Knows no database, no file and no clock. Everything that a journal says is foreign text:
it is kept as it came, but for the character NUL, which PostgreSQL cannot hold; that is written as \\x00.
"""

from __future__ import annotations

import datetime
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from benchrig.calibration import day_of
from benchrig.records import FactJudged, IdentitySeen, InstrumentRecord, LimitJudged, RunFinished, WaiverGranted
from benchrig.report.board_report import board_report
from benchrig.store.identities import UNIQUE, plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.journal import Journal
    from benchrig.records import Part, Record, RunStarted
    from benchrig.report.board_report import BoardReport, CheckReport

Cell = str | int | float | None
Row = tuple[Cell, ...]

LONGEST_NAME = 200
"""Names that are looked up stand in an index, and an index holds no novel."""

_IMAGES = ("firmware", "firmware image")
_JSON = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument of a run, and whether its calibration had run out when the run began."""

    record: InstrumentRecord
    overdue: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRows:
    """A run as rows. `run` holds columns of the table of runs; `names` what stands in tables of its own."""

    board: str
    run: Mapping[str, Cell]
    names: Mapping[str, str]
    firmware: tuple[str, str] | None
    instruments: tuple[Instrument, ...]
    identities: tuple[tuple[str, str], ...]
    waivers: tuple[Row, ...] = ()
    report: BoardReport = field(repr=False)
    has_nul: bool = False

    def children(self, run_id: int) -> Iterator[tuple[str, tuple[str, ...], Iterator[Row]]]:
        """Table, columns, and the rows, for everything that belongs to the run alone; `run_id` is their first cell."""
        for table, columns, rows in (
            ("checks", CHECK_COLUMNS, _check_rows(self.report.checks, run_id)),
            ("readings", READING_COLUMNS, _reading_rows(self.report.checks, run_id)),
            ("judged", JUDGED_COLUMNS, _judged_rows(self.report.checks, run_id)),
            ("facts", FACT_COLUMNS, _fact_rows(self.report.checks, run_id)),
            ("happenings", HAPPENING_COLUMNS, _happening_rows(self.report, run_id)),
            ("files", FILE_COLUMNS, _file_rows(self.report, run_id)),
            ("waivers", WAIVER_COLUMNS, ((run_id, *row) for row in self.waivers)),
        ):
            yield table, columns, map(_without_nul, rows) if self.has_nul else rows


CHECK_COLUMNS = (
    "run_id",
    "check_number",
    "check_name",
    "title",
    "time_tried",
    "required",
    "verdict",
    "why",
    "next_action",
    "duration_s",
)
READING_COLUMNS = (
    "run_id",
    "number",
    "check_number",
    "name",
    "value",
    "unit",
    "standard_uncertainty",
    "count",
    "source",
    "raw",
    "at_s",
    "parts",
)
JUDGED_COLUMNS = (
    "run_id",
    "number",
    "check_number",
    "limit_name",
    "value",
    "unit",
    "expanded_uncertainty",
    "coverage_factor",
    "low",
    "high",
    "rule",
    "guard_band",
    "verdict",
    "why",
    "next_action",
    "limit_source",
    "at_s",
    "parts",
    "basis",
)
FACT_COLUMNS = ("run_id", "number", "check_number", "fact", "expected", "seen", "verdict", "why", "next_action", "at_s")
HAPPENING_COLUMNS = ("run_id", "number", "kind", "said", "charged_to", "check_name", "at_s")
WAIVER_COLUMNS = ("run_id", "number", "check_name", "who", "why", "valid_until")
FILE_COLUMNS = ("run_id", "number", "kind", "title", "path", "sha256", "check_name")


def run_rows(journal: Journal, started: RunStarted, *, chain: str, has_nul: bool = False) -> RunRows:
    """The rows of a run. Raises ValueError for a name that no index can hold, with a sentence."""
    report = board_report(journal)
    finished = next((one for one in journal.records if isinstance(one, RunFinished)), None)
    utc = utc_text(started.utc)
    clean = _clean if has_nul else str
    names = {
        "lots": clean(started.lot),
        "operators": clean(started.operator),
        "contact_fixtures": clean(started.contact_fixture),
    }
    firmware = _firmware(journal.records)
    rows = RunRows(
        board=clean(started.board),
        run={
            "run": clean(started.run),
            "purpose": clean(started.use),
            "slot": clean(started.slot),
            "bench": clean(started.bench),
            "profile": clean(started.profile),
            "simulated": int(started.simulated),
            "simulated_faults": clean(", ".join(started.simulated_faults)),
            "state": report.state.value,
            "state_why": clean(report.state_why),
            "verdict": report.verdict.verdict.value,
            "verdict_why": clean(report.verdict.why),
            "assembly_revision": clean(started.assembly_revision),
            "hashes": _JSON.encode(dict(sorted(started.sha256.items()))).decode(),
            "host": clean(started.host),
            "tool_version": clean(started.tool_version),
            "utc": utc,
            "ended_utc": utc_text(finished.utc) if finished else "",
            "duration_s": report.duration_s,
            "clock_scale": started.clock_scale,
            "output_off": clean(report.output_off),
            "chain": chain,
            "problems": clean("; ".join(report.problems)),
        },
        names=names,
        firmware=firmware and (clean(firmware[0]), clean(firmware[1])),
        instruments=tuple(Instrument(one, is_overdue(one.calibration_due, utc)) for one in report.instruments),
        identities=tuple(dict.fromkeys((clean(kind), clean(value)) for kind, value in _identities(journal.records))),
        waivers=tuple(
            (number, one.check, one.who, one.why, one.until)
            for number, one in enumerate((one for one in journal.records if isinstance(one, WaiverGranted)), 1)
        ),
        report=report,
        has_nul=has_nul,
    )
    _refuse_long_names(rows)
    return rows


def utc_text(text: str) -> str:
    """A time in UTC as ISO 8601 with microseconds, so that times sort as text; foreign text that is none stays."""
    with suppress(ValueError, OverflowError):
        when = datetime.datetime.fromisoformat(text)
        if when.tzinfo is not None:
            return when.astimezone(datetime.UTC).isoformat(timespec="microseconds")
    return _clean(text)


def is_overdue(due: str, utc: str) -> bool:
    """Whether a calibration that is due on that date had run out on the day of `utc`; the day itself still counts.

    Without a date, or with one that cannot be read, nothing is overdue: that it is missing is told elsewhere.
    """
    day, until = day_of(utc), day_of(due)
    return day is not None and until is not None and until < day


def _firmware(records: Sequence[Record]) -> tuple[str, str] | None:
    """Firmware and image as the board told them at first; older journals tell it in facts alone."""
    for record in records:
        if isinstance(record, IdentitySeen):
            return record.said.get("firmware", ""), record.said.get("image", "")
    seen = {one.fact: one.seen for one in records if isinstance(one, FactJudged) and one.fact in _IMAGES}
    return (seen.get("firmware", ""), seen.get("firmware image", "")) if seen else None


def _identities(records: Sequence[Record]) -> Iterator[tuple[str, str]]:
    for record in records:
        if isinstance(record, IdentitySeen):
            for kind, value in record.said.items():
                if value:
                    yield kind, plain(value) if kind in UNIQUE else value


def _check_rows(checks: Sequence[CheckReport], run_id: int) -> Iterator[Row]:
    for number, one in enumerate(checks, 1):
        texts = (one.verdict.value, one.why, one.next_action)
        yield run_id, number, one.name, one.title, one.attempt, int(one.required), *texts, one.duration_s


def _reading_rows(checks: Sequence[CheckReport], run_id: int) -> Iterator[Row]:
    number = 0
    for check_number, check in enumerate(checks, 1):
        for number, one in enumerate(check.readings, number + 1):  # noqa: B020  # goes on where the last check ended
            yield (
                run_id,
                number,
                check_number,
                one.name,
                one.value,
                one.unit,
                one.standard_uncertainty,
                one.count,
                one.source,
                one.raw,
                one.at_s,
                _parts(one.parts) if one.parts else "",
            )


def _judged_rows(checks: Sequence[CheckReport], run_id: int) -> Iterator[Row]:
    judged = ((at, one) for at, check in enumerate(checks, 1) for one in check.judged if isinstance(one, LimitJudged))
    for number, (at, one) in enumerate(judged, 1):
        yield (
            run_id,
            number,
            at,
            one.limit,
            one.value,
            one.unit,
            one.expanded_uncertainty,
            one.coverage_factor,
            one.low,
            one.high,
            one.rule,
            one.guard_band,
            one.verdict.value,
            one.why,
            one.next_action,
            one.limit_source,
            one.at_s,
            _parts(one.parts) if one.parts else "",
            one.basis,
        )


def _fact_rows(checks: Sequence[CheckReport], run_id: int) -> Iterator[Row]:
    facts = ((at, one) for at, check in enumerate(checks, 1) for one in check.judged if isinstance(one, FactJudged))
    for number, (at, one) in enumerate(facts, 1):
        texts = (one.fact, one.expected, one.seen, one.verdict.value, one.why, one.next_action)
        yield run_id, number, at, *texts, one.at_s


def _happening_rows(report: BoardReport, run_id: int) -> Iterator[Row]:
    told: list[tuple[str, str, str, str, float]] = [
        *((one.kind, one.text, one.charged_to, one.check, one.at_s) for one in report.events),
        *(("not proven", one.text, "", one.check, one.at_s) for one in report.not_proven),
        *((one.title, "\n".join(one.lines), "", one.check, one.at_s) for one in report.annexes),
    ]
    for number, row in enumerate(sorted(told, key=lambda row: row[-1]), 1):
        yield run_id, number, *row


def _file_rows(report: BoardReport, run_id: int) -> Iterator[Row]:
    for number, one in enumerate(report.files, 1):
        yield run_id, number, one.kind, one.title, one.path, one.sha256, one.check


def _parts(parts: Sequence[Part]) -> str:
    return _JSON.encode(parts).decode()


def _refuse_long_names(rows: RunRows) -> None:
    named = {"board": rows.board, **rows.names}
    named |= {f"serial of {one.record.name}": one.record.serial for one in rows.instruments}
    named |= dict(rows.identities)
    if rows.firmware:
        named |= {"firmware": rows.firmware[0], "firmware image": rows.firmware[1]}
    for what, name in named.items():
        if len(name) > LONGEST_NAME:
            raise ValueError(f"{what} is a text of {len(name)} characters; accepted: up to {LONGEST_NAME}")


def _without_nul(row: Row) -> Row:
    return tuple(_clean(cell) if isinstance(cell, str) else cell for cell in row)


def _clean(text: str) -> str:
    return text.replace("\x00", "\\x00")
