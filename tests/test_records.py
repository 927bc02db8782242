"""The records of a journal: what goes in comes out, and what is no record of this schema is refused."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, get_args

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import RecordError
from benchrig.journal import read_journal
from benchrig.records import (
    SCHEMA,
    Annex,
    CheckFinished,
    CheckStarted,
    FactJudged,
    FileKept,
    Happening,
    IdentitySeen,
    InstrumentRecord,
    InstrumentsOpened,
    LimitJudged,
    NoteMade,
    NotProven,
    ReadingTaken,
    Record,
    RunFinished,
    RunStarted,
    RunState,
    Verdict,
    WaiverGranted,
    decode_record,
    encode_record,
)

if TYPE_CHECKING:
    from pathlib import Path

UTC = "2026-03-02T08:00:00+00:00"
STARTED = RunStarted(
    run="20260302T080000.000000Z-1",
    use="production",
    board="HB-0001",
    slot="1",
    bench="hay-barn bench",
    profile="hay-barn probe",
    simulated=True,
    simulated_faults=("rail_low",),
    required=("rail", "floor_current"),
    titles={"rail": "the 3.3 V rail"},
    sha256={"bench file": "00"},
    tool_version="0.1.0",
    python="3.11.7",
    host="bench-1",
    operator="Ä",
    options={"scale": "8 (bench file)"},
    utc=UTC,
    clock_scale=8.0,
)
READING = ReadingTaken(
    check="rail",
    name="rail at 3.70 V",
    value=3.3,
    unit="V",
    standard_uncertainty=1e-4,
    source="meter",
    raw="+3.3E0",
    at_s=1.5,
)
RECORDS: list[Record] = [
    STARTED,
    InstrumentsOpened(
        instruments=(
            InstrumentRecord(
                name="meter",
                kind="meter",
                identity="Invented,M1,SN-1,0.1",
                serial="SN-1",
                resource="TCPIP::192.0.2.1::5025::SOCKET",
                table="meter-scan-list",
                calibrated="2026-03-02",
                calibration_due="",
            ),
        ),
        at_s=0.25,
    ),
    CheckStarted(check="rail", at_s=1.0, utc=UTC),
    READING,
    LimitJudged(
        check="rail",
        limit="rail_v",
        value=3.3,
        unit="V",
        expanded_uncertainty=2e-4,
        coverage_factor=2.0,
        low=3.234,
        high=None,
        rule="guarded acceptance",
        guard_band=2e-4,
        verdict=Verdict.UNDECIDED,
        why="the guard band covers the limit",
        next_action="measure again",
        limit_source="requirement",
        at_s=1.75,
    ),
    FactJudged(
        check="identity", fact="firmware", expected="1.4.2", seen="1.3.9", verdict=Verdict.FAIL, why="differs", at_s=2.0
    ),
    CheckFinished(check="rail", verdict=Verdict.PASS, duration_s=0.5, phases_s={"board": 0.25}, at_s=2.5),
    NotProven(text="the sign of temperature", next_action="measure one below 0 °C", check="payload", at_s=2.2),
    Annex(title="energy and life", lines=("floor 17 µA", "", "life 212 d"), check="energy", at_s=2.21),
    FileKept(kind="trace", title="sleep", path="HB-0001/1/sleep.npz", sha256="00" * 32, check="floor", at_s=2.22),
    Happening(kind="resync", text="late\nanswer", charged_to="bench", check="rail", at_s=2.25),
    IdentitySeen(check="identity_start", said={"firmware": "1.4.2", "eui": "70B3D57ED0001234"}, at_s=2.3),
    NoteMade(board="HB-0001", kind="rework", text="J2 soldered again", by="operator 2", utc=UTC),
    WaiverGranted(check="siren", who="QA", why="horn on order", until="2031-06-01", boards=("HB-0001",), at_s=0.1),
    RunFinished(state=RunState.COMPLETE, output_off="off", duration_s=3.0, critical_path_s=2.5, utc=UTC, at_s=3.0),
]


def test_every_record_is_tried_here() -> None:
    """No record of the union is left out of these tests."""
    assert {type(record) for record in RECORDS} == set(get_args(Record))


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: type(record).__name__)
def test_record_comes_back(record: Record) -> None:
    """A record is one line of JSON that another library reads, and the same record when it is read back."""
    line = encode_record(record)

    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert isinstance(json.loads(line)["record"], str)
    assert decode_record(line) == record


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf], ids=str)
def test_value_that_is_no_number_is_null(value: float) -> None:
    """NaN and infinity are not JSON (RFC 8259, section 6): they are null, and no reader takes them for a value."""
    line = encode_record(msgspec.structs.replace(READING, value=value))

    assert json.loads(line, parse_constant=_refuse)["value"] is None
    assert decode_record(line) == msgspec.structs.replace(READING, value=None)


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is not JSON")


@given(st.floats(allow_nan=False, allow_infinity=False), st.text())
def test_number_and_text_come_back_exactly(value: float, raw: str) -> None:
    """No digit of a value and no character of a raw text is lost on the way through the journal."""
    if any("\ud800" <= letter <= "\udfff" for letter in raw):
        raw = ""
    record = msgspec.structs.replace(READING, value=value, raw=raw)

    assert decode_record(encode_record(record)) == record


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        pytest.param(b"", "truncated", id="nothing"),
        pytest.param(b"{", "truncated", id="torn"),
        pytest.param(b"[]", "Expected `object`, got `array`", id="no object"),
        pytest.param(b"{}", "missing required field `record`", id="no tag"),
        pytest.param(b'{"record":"diary"}', "Invalid value 'diary'", id="unknown tag"),
        pytest.param(b'{"record":"check started","check":"rail"}', "missing required field `at_s`", id="field missing"),
        pytest.param(
            b'{"record":"check started","check":1,"at_s":1,"utc":""}', "Expected `str`, got `int`", id="wrong type"
        ),
        pytest.param(
            encode_record(RECORDS[6]).replace(b'"pass"', b'"passed"'), "Invalid enum value 'passed'", id="no verdict"
        ),
    ],
)
def test_line_that_is_no_record_is_refused(line: bytes, sentence: str) -> None:
    """Half a line, another tag, a field missing or of the wrong type are never a record."""
    with pytest.raises(msgspec.DecodeError, match=sentence):
        decode_record(line)


def test_field_of_a_later_version_is_passed_over() -> None:
    """Within one schema fields may be added: an older reader leaves them aside."""
    line = encode_record(READING).replace(b'"check":"rail"', b'"check":"rail","humidity":0.4')

    assert decode_record(line) == READING


def test_newer_schema_is_refused(tmp_path: Path) -> None:
    """A journal of a newer schema is not read as if it were of this one."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(encode_record(msgspec.structs.replace(STARTED, schema=SCHEMA + 1)))

    with pytest.raises(RecordError, match=f"written in schema {SCHEMA + 1}, this version reads 1 to {SCHEMA}; read it"):
        read_journal(path)


def test_records_do_not_change() -> None:
    """A record once written stays as it is."""
    with pytest.raises(AttributeError, match="immutable type: 'ReadingTaken'"):
        READING.value = 3.4  # type: ignore[misc]


def test_verdicts_and_states_are_closed_sets() -> None:
    """The words of the house, and no others."""
    assert [verdict.value for verdict in Verdict] == ["pass", "fail", "undecided", "bench error", "not run", "waived"]
    assert [state.value for state in RunState] == ["running", "interrupted", "complete"]
