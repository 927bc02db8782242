"""Journals for the tests of the history: whole runs, written record by record with their chain."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from benchrig.record_chain import START, linked
from benchrig.records import (
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
    Part,
    ReadingTaken,
    RunFinished,
    RunStarted,
    RunState,
    Verdict,
    encode_record,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.records import Record

FIRST_DAY = datetime.datetime(2031, 3, 4, 8, 0, tzinfo=datetime.UTC)


def moment(minutes: float) -> str:
    """So many minutes after the first run of the lot."""
    return (FIRST_DAY + datetime.timedelta(minutes=minutes)).isoformat()


def meter(*, serial: str = "S2002", due: str = "2031-11-03") -> InstrumentRecord:
    """The meter of the bench."""
    return InstrumentRecord(
        name="meter",
        kind="meter",
        identity=f"BARN,DM-1,{serial},1.0",
        serial=serial,
        resource="TCPIP::192.0.2.1::5026::SOCKET",
        table="plain meter",
        calibrated="2030-11-03",
        calibration_due=due,
    )


def judged(name: str, value: float | None, *, verdict: Verdict = Verdict.PASS, high: float = 3.4) -> LimitJudged:
    """The rail held against 3.2 V to `high`."""
    return LimitJudged(
        check="rail",
        limit=name,
        value=value,
        unit="V",
        expanded_uncertainty=0.002,
        coverage_factor=2.0,
        low=3.2,
        high=high,
        rule="guarded",
        guard_band=0.002,
        verdict=Verdict.UNDECIDED if value is None else verdict,
        why="as the rule says",
        limit_source="invented",
        at_s=3.0,
    )


def records(
    *,
    board: str = "HB-0001",
    minutes: float = 0.0,
    rail_v: Sequence[float | None] = (3.3,),
    verdict: Verdict = Verdict.PASS,
    state: RunState = RunState.COMPLETE,
    said: dict[str, str] | None = None,
    instruments: Sequence[InstrumentRecord] = (meter(),),
    raw: str = "+3.30040E+00",
    use: str = "production",
    simulated: bool = False,
    lot: str = "L7",
    profile_hash: str = "9f" * 32,
    readings: Iterable[ReadingTaken] = (),
) -> list[Record]:
    """The records of one run of a board."""
    utc = moment(minutes)
    return [
        RunStarted(
            run=f"{utc}-1",
            use=use,
            board=board,
            slot="1",
            bench="barn bench",
            profile="hay-barn probe",
            simulated=simulated,
            required=("rail",),
            sha256={"board profile": profile_hash, "bench file": "3c" * 32},
            tool_version="0.1.0",
            python="3.11.7",
            host="barn-pc",
            operator="operator 2",
            lot=lot,
            assembly_revision="B",
            contact_fixture="jig 3",
            utc=utc,
        ),
        InstrumentsOpened(instruments=tuple(instruments), at_s=0.4),
        IdentitySeen(check="identity_start", said=said or {"firmware": "2.4.1", "image": "abcd"}, at_s=0.5),
        CheckStarted(check="rail", at_s=1.0, utc=utc),
        *(
            ReadingTaken(
                check="rail",
                name=f"rail {number}",
                value=value,
                unit="V",
                standard_uncertainty=0.0006,
                count=4,
                source="meter at rail",
                raw=raw,
                at_s=2.0 + number,
                parts=(Part(name="meter accuracy", standard_uncertainty=0.0006),),
            )
            for number, value in enumerate(rail_v)
        ),
        *readings,
        *(judged(f"voltage at {number}", value, verdict=verdict) for number, value in enumerate(rail_v)),
        FactJudged(
            check="rail", fact="label", expected=board, seen=board, verdict=Verdict.PASS, why="as expected", at_s=3.1
        ),
        Happening(kind="repeated question", text="asked twice", charged_to="bench", check="rail", at_s=3.2),
        NotProven(text="the sign", next_action="measure below 0", check="rail", at_s=3.3),
        Annex(title="energy", lines=("17 µA", "212 d"), check="rail", at_s=3.4),
        FileKept(kind="trace", title="sleep", path=f"{board}/1/sleep.npz", sha256="ab" * 32, check="rail", at_s=3.5),
        CheckFinished(check="rail", verdict=verdict, duration_s=3.0, at_s=4.0),
        RunFinished(state=state, output_off="off", duration_s=5.0, utc=moment(minutes + 1.0), at_s=5.0),
    ]


def note(*, board: str = "HB-0001", kind: str = "rework", minutes: float = 0.0, text: str = "J2 soldered") -> NoteMade:
    """A note on a board."""
    return NoteMade(board=board, kind=kind, text=text, by="operator 2", utc=moment(minutes))


def journal(lines: Iterable[Record]) -> bytes:
    """The bytes of a journal, with its chain."""
    before, written = START, []
    for record in lines:
        line, before = linked(encode_record(record), before=before)
        written.append(line)
    return b"".join(written)
