"""The records of a journal: frozen, one JSON object a line, told apart by the key `record`.

Schema 1. A reader refuses a newer schema. Fields may be added with a default; none changes its meaning.
Values are in SI base units; `utc` is ISO 8601 with zone; `at_s` is monotonic bench time since the run began.
NaN and infinity are not JSON: a value that is no finite number is null, and its raw text says what came.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

SCHEMA = 1


class Verdict(StrEnum):
    """What may be said of a limit, a check or a board; a closed set."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    BENCH_ERROR = "bench error"
    NOT_RUN = "not run"
    WAIVED = "waived"


class RunState(StrEnum):
    """How far a run came. Only a complete run can pass."""

    RUNNING = "running"
    INTERRUPTED = "interrupted"
    COMPLETE = "complete"


class InstrumentRecord(msgspec.Struct, frozen=True, kw_only=True):
    """An instrument as it answered at the start of the run."""

    name: str
    kind: str
    identity: str
    serial: str
    resource: str
    table: str
    calibrated: str
    calibration_due: str


class RequirementNamed(msgspec.Struct, frozen=True, kw_only=True):
    """A requirement on the board, and what covers it: `CHECK`, one value of it as `CHECK.VALUE`, or `evidence.SLOT`."""

    id: str
    text: str
    covered_by: tuple[str, ...] = ()


class RunStarted(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="run started"):
    """First line of a journal: everything that the verdict depends on, by name and hash."""

    schema: int = SCHEMA
    run: str
    use: str
    board: str
    slot: str
    bench: str
    profile: str
    simulated: bool
    simulated_faults: tuple[str, ...] = ()
    required: tuple[str, ...]
    titles: dict[str, str] = {}
    sha256: dict[str, str]
    tool_version: str
    python: str
    host: str
    operator: str = ""
    lot: str = ""
    assembly_revision: str = ""
    contact_fixture: str = ""
    options: dict[str, str] = {}
    requirements: tuple[RequirementNamed, ...] = ()
    utc: str
    clock_scale: float = 1.0


class InstrumentsOpened(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="instruments"):
    """The instruments that answered, as they identified themselves."""

    instruments: tuple[InstrumentRecord, ...]
    at_s: float


class CheckStarted(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="check started"):
    """A check began; without a matching end it did not finish."""

    check: str
    at_s: float
    utc: str


class Part(msgspec.Struct, frozen=True, kw_only=True):
    """One cause of uncertainty in a reading or a judged value: what `judge.uncertainty.Component` says.

    `standard_uncertainty` in the unit of the cause, `sensitivity` in the result's unit per unit of the cause;
    `dof` is None for exactly known.
    """

    name: str
    standard_uncertainty: float
    sensitivity: float = 1.0
    dof: float | None = None
    shape: str = "normal"


class ReadingTaken(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="reading"):
    """One reading as it was taken: value and standard uncertainty in the base unit, and the raw text."""

    check: str
    name: str
    value: float | None
    unit: str
    standard_uncertainty: float
    count: int = 1
    source: str
    raw: str
    at_s: float
    parts: tuple[Part, ...] = ()


class LimitJudged(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="judged"):
    """A value held against a limit of the profile by the named decision rule.

    `parts` are the causes of its uncertainty, if they are known, and `basis` says where the coverage factor is from.
    """

    check: str
    limit: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    coverage_factor: float
    low: float | None
    high: float | None
    rule: str
    guard_band: float
    verdict: Verdict
    why: str
    next_action: str = ""
    limit_source: str
    at_s: float
    parts: tuple[Part, ...] = ()
    basis: str = ""


class FactJudged(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="fact judged"):
    """Something without a number that must hold: an identity, a firmware version, equal bytes at two hops."""

    check: str
    fact: str
    expected: str
    seen: str
    verdict: Verdict
    why: str
    next_action: str = ""
    at_s: float


class CheckFinished(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="check finished"):
    """A check ended. `phases_s` says where its time went; `verdict` is the worst of what it judged."""

    check: str
    verdict: Verdict
    why: str = ""
    next_action: str = ""
    duration_s: float
    phases_s: dict[str, float] = {}
    at_s: float


class Happening(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="event"):
    """Something a reader of the report would want to know: a resync, a repeated question, a lost line."""

    kind: str
    text: str
    charged_to: str = ""
    check: str = ""
    at_s: float


class NotProven(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="not proven"):
    """What a check that ran leaves open, in a sentence, and what would prove it."""

    text: str
    next_action: str = ""
    check: str = ""
    at_s: float


class Annex(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="annex"):
    """A table or a few lines that a report prints as they stand: nothing in it was judged."""

    title: str
    lines: tuple[str, ...]
    check: str = ""
    at_s: float


class FileKept(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="file kept"):
    """A file beside the journal: a trace or a plot. `path` is relative to the folder of reports."""

    kind: str
    title: str
    path: str
    sha256: str
    check: str = ""
    at_s: float


class IdentitySeen(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="identity seen"):
    """What the board said of itself when it was asked who it is: by name, such as `firmware` or `eui`."""

    check: str
    said: dict[str, str]
    at_s: float


class NoteMade(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="note"):
    """What a person has to say of a board, in a journal of its own. `kind`: rework, or remark."""

    schema: int = SCHEMA
    board: str
    kind: str
    text: str
    by: str
    utc: str


class WaiverGranted(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="waiver"):
    """Somebody accepted, before this run, that a check may come out bad. Without it no check of the run is waived.

    `until` is an ISO 8601 date, and the last day; no `boards`: every board.
    """

    check: str
    who: str
    why: str
    until: str
    boards: tuple[str, ...] = ()
    at_s: float


class RunFinished(msgspec.Struct, frozen=True, kw_only=True, tag_field="record", tag="run finished"):
    """Last line of a journal. Without it the run was interrupted."""

    state: RunState
    why: str = ""
    output_off: str
    duration_s: float
    critical_path_s: float | None = None
    utc: str
    at_s: float


Record = (
    RunStarted
    | InstrumentsOpened
    | CheckStarted
    | ReadingTaken
    | LimitJudged
    | FactJudged
    | CheckFinished
    | Happening
    | NotProven
    | Annex
    | FileKept
    | IdentitySeen
    | NoteMade
    | WaiverGranted
    | RunFinished
)

_ENCODER = msgspec.json.Encoder()
_DECODER: msgspec.json.Decoder[Record] = msgspec.json.Decoder(Record)


def encode_record(record: Record) -> bytes:
    """One journal line, with its line feed."""
    return _ENCODER.encode(record) + b"\n"


def decode_record(line: bytes) -> Record:
    """The record of one journal line. Raises msgspec.DecodeError when it is no record of this schema."""
    return _DECODER.decode(line)
