"""A run of an invented board, written as runs are written: real journal, real chain, a trace file and a kept picture.

It was measured on a bench that is not simulated, so that it can be signed; tests change one thing at a time.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import msgspec

from benchrig.journal import JournalWriter
from benchrig.records import (
    Annex,
    CheckFinished,
    CheckStarted,
    FactJudged,
    FileKept,
    InstrumentRecord,
    InstrumentsOpened,
    LimitJudged,
    NotProven,
    ReadingTaken,
    RequirementNamed,
    RunFinished,
    RunStarted,
    RunState,
    Verdict,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from benchrig.records import Record

RUN = "20310304T081500.000000Z-1"
REQUIREMENTS = (
    RequirementNamed(id="BARN-1", text="It reports the voltage of its battery.", covered_by=("battery_sweep.error",)),
    RequirementNamed(id="BARN-2", text="It is who its label says.", covered_by=("identity_start",)),
    RequirementNamed(id="BARN-3", text="It sleeps for a winter.", covered_by=("floor_current", "energy.life")),
)
SUPPLY = InstrumentRecord(
    name="supply",
    kind="supply",
    identity="BARN,PS-1,S1001,1.0",
    serial="S1001",
    resource="TCPIP::localhost::5025::SOCKET",
    table="plain supply",
    calibrated="2030-11-02",
    calibration_due="2031-11-02",
)
METER = msgspec.structs.replace(SUPPLY, name="meter", kind="meter", identity="BARN,DM-1,M2002,1.0", serial="M2002")
HOP_LINES = (
    "at 3.30 V  terminals     3.3004 V ± 0.12 mV                       -",
    "           console       3300 mV, 21 °C                           same",
    "           modem UART    port 2: E4 0C 15 00                      same",
    "1 reports, 1 matched by counter, bytes and time",
)
ENERGY_LINES = (
    "what draws          each      every       mean",
    "floor                                  16.40 µA",
    "report          3.590 mC      900 s    3.989 µA",
    "life 412 d, 95% between 383 d and 443 d",
)


def started(**changes: object) -> RunStarted:
    """The first record."""
    record = RunStarted(
        run=RUN,
        use="signoff",
        board="HB-0007",
        slot="1",
        bench="barn bench",
        profile="hay-barn-probe",
        simulated=False,
        required=("identity_start", "battery_sweep", "floor_current", "energy", "output_off"),
        titles={"battery_sweep": "reported battery voltage against the terminals, up and down"},
        sha256={"bench file": "b" * 64, "board profile": "p" * 64, "suite": "5" * 64},
        tool_version="0.1.0",
        python="3.12.1",
        host="bench-pc",
        operator="somebody at the bench",
        lot="L-12",
        requirements=REQUIREMENTS,
        utc="2031-03-04T08:15:00+00:00",
    )
    return msgspec.structs.replace(record, **changes)


def judged(check: str, limit: str, value: float, unit: str, **more: object) -> LimitJudged:
    """A value that lies inside its limits by more than its guard band."""
    record = LimitJudged(
        check=check,
        limit=limit,
        value=value,
        unit=unit,
        expanded_uncertainty=0.0,
        coverage_factor=2.0,
        low=None,
        high=None,
        rule="guarded",
        guard_band=0.0,
        verdict=Verdict.PASS,
        why="inside the limit",
        limit_source="design",
        at_s=1.0,
    )
    return msgspec.structs.replace(record, **more)


def fact(check: str, name: str, seen: str, expected: str = "", verdict: Verdict = Verdict.PASS) -> FactJudged:
    """Something without a number."""
    return FactJudged(
        check=check, fact=name, expected=expected or seen, seen=seen, verdict=verdict, why="as seen", at_s=1.0
    )


def check(name: str, *inside: Record, verdict: Verdict = Verdict.PASS, why: str = "") -> list[Record]:
    """A check from its start to its end."""
    begun = CheckStarted(check=name, at_s=0.5, utc="2031-03-04T08:15:00.5+00:00")
    return [begun, *inside, CheckFinished(check=name, verdict=verdict, why=why, duration_s=1.25, at_s=2.0)]


def sweep() -> Iterable[Record]:
    """Seven points up and down: volts at the terminals, and what the board says."""
    points_v = (3.30, 3.45, 3.60, 3.75, 3.90, 4.05, 4.20)
    for way, order in (("up", points_v), ("down", points_v[::-1])):
        for volts in order:
            for name, value in (("terminals", volts + 4e-4), ("reported", volts - 1e-3)):
                yield ReadingTaken(
                    check="battery_sweep",
                    name=f"{name} at {volts:.2f} V {way}",
                    value=value,
                    unit="V",
                    standard_uncertainty=6e-5,
                    source="meter",
                    raw=f"{value:+.6E}",
                    at_s=1.0,
                )


def records(*, traces: Iterable[Record] = ()) -> list[Record]:
    """The whole run."""
    error = judged("battery_sweep", "error worst, at 4.20 V down", -0.0014, "V", low=-0.04, high=0.04)
    floor = judged("floor_current", "floor", 1.64e-5, "A", low=5e-6, high=3e-5)
    return [
        started(),
        InstrumentsOpened(instruments=(SUPPLY, METER), at_s=0.1),
        *check(
            "identity_start",
            fact("identity_start", "serial number", "HB-0007"),
            fact("identity_start", "firmware", "2.4.1"),
            fact("identity_start", "firmware image", "9c41e0b7"),
        ),
        *check(
            "battery_sweep",
            *sweep(),
            msgspec.structs.replace(error, expanded_uncertainty=1.7e-4, guard_band=1.7e-4),
            judged(
                "battery_sweep", "offset", 1e-4, "V", low=-0.03, high=0.03, rule="simple", expanded_uncertainty=2e-3
            ),
            NotProven(text="codes between the points", next_action="more points", check="battery_sweep", at_s=1.0),
        ),
        *check("floor_current", *traces, msgspec.structs.replace(floor, expanded_uncertainty=4e-7, guard_band=4e-7)),
        *check(
            "energy",
            judged("energy", "life", 412.0, "d", low=90.0, expanded_uncertainty=30.0),
            Annex(title="energy and life", lines=ENERGY_LINES, check="energy", at_s=1.0),
        ),
        Annex(title="uplinks hop by hop", lines=HOP_LINES, check="uplink_hops", at_s=1.0),
        *check("output_off", judged("output_off", "terminals", 0.0021, "V", high=0.2, expanded_uncertainty=7e-5)),
        RunFinished(
            state=RunState.COMPLETE,
            output_off="off: switched off and read back",
            duration_s=18.5,
            utc="2031-03-04T08:20:00+00:00",
            at_s=18.5,
        ),
    ]


def write(folder: Path, its_records: Iterable[Record]) -> Path:
    """The journal of these records."""
    path = folder / "reports" / "HB-0007" / f"{RUN}.jsonl"
    with JournalWriter(path) as journal:
        for record in its_records:
            journal.append(record)
    return path


def kept(folder: Path, name: str, data: bytes, *, kind: str, title: str) -> FileKept:
    """A file beside the journal, and the record of it."""
    path = folder / "reports" / "HB-0007" / RUN / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    where = f"HB-0007/{RUN}/{name}"
    return FileKept(
        kind=kind, title=title, path=where, sha256=hashlib.sha256(data).hexdigest(), check="floor_current", at_s=1.0
    )


def trace_bytes() -> bytes:
    """Two seconds of sleep with three wakes, as text in columns: other than an archive it holds no date of its own."""
    wakes = {at for start in (200, 900, 1600) for at in range(start, start + 12)}
    rows = (f"{1e-3 * at:.3f},{4.5e-3 if at in wakes else 1.64e-5 + 1e-7 * (at % 7):.4e}" for at in range(2000))
    return "\n".join(["time [s],current [A]", *rows, ""]).encode("ascii")


def a_run(folder: Path, change: Callable[[list[Record]], list[Record]] = list) -> Path:
    """The journal of the whole run, with its files; `change` may do something to its records first."""
    picture = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 10"><rect width="20" height="10"/></svg>'
    traces = [
        kept(folder, "sleep.csv", trace_bytes(), kind="trace", title="sleep"),
        kept(folder, "map.svg", picture, kind="plot", title="map"),
    ]
    return write(folder, change(records(traces=traces)))


def replaced(kind: type[Record], **changes: object) -> Callable[[list[Record]], list[Record]]:
    """The run in which every record of a kind says something else."""
    return lambda its: [msgspec.structs.replace(one, **changes) if isinstance(one, kind) else one for one in its]
