"""The rows of a lot, asked of SQLite and PostgreSQL alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.records import ReadingTaken, Verdict
from benchrig.store.folder import find_journals, import_journals
from benchrig.store.lot_rows import LotCheck, LotNote, lot_rows

from .journals import journal, meter, moment, note, records

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from benchrig.records import Record
    from benchrig.store.database import Database


def reading(name: str, value: float, unit: str) -> ReadingTaken:
    """A reading at the terminals, as the check of the rail takes it."""
    return ReadingTaken(
        check="rail",
        name=name,
        value=value,
        unit=unit,
        standard_uncertainty=0.001,
        count=1,
        source="meter",
        raw=str(value),
        at_s=2.5,
    )


def test_all_rows_of_a_lot(database: Database, tmp_path: Path) -> None:
    """Runs with their attempts by time, values, failed checks, readings at the terminals, instruments and notes."""
    at_terminals = (reading("battery at 3.70 V", 3.697, "V"), reading("current at 3.70 V, load on", 0.048, "A"))
    late = meter(serial="S9", due="2031-03-01")
    runs: list[Sequence[Record]] = [
        records(board="HB-0001", minutes=0, readings=at_terminals),
        records(board="HB-0002", minutes=10, rail_v=(3.5,), verdict=Verdict.FAIL, instruments=(late,), simulated=True),
        records(board="HB-0001", minutes=20, lot="L8"),
        records(board="HB-0003", minutes=30, lot="L8"),
        [note(board="HB-0001", minutes=15)],
    ]
    for number, lines in enumerate(runs):
        (tmp_path / f"{number}.jsonl").write_bytes(journal(lines))
    list(import_journals(database, find_journals([tmp_path])))

    with database.reading() as connection:
        found = lot_rows(connection, "L7")

    first, second, third = found.runs
    assert [(run.board, run.lot, run.attempt) for run in found.runs] == [
        ("HB-0001", "L7", 1),
        ("HB-0002", "L7", 1),
        ("HB-0001", "L8", 2),
    ]
    assert [run.simulated for run in found.runs] == [False, True, False]
    assert (first.operator, first.contact_fixture, first.firmware) == ("operator 2", "jig 3", "2.4.1")
    assert [(run_id, row.value) for run_id, row in found.values] == [
        (first.run_id, 3.3),
        (second.run_id, 3.5),
        (third.run_id, 3.3),
    ]
    assert found.checks == (LotCheck(second.run_id, "rail", "fail"),)
    assert [tuple(one) for one in found.readings] == [
        (first.run_id, "battery at 3.70 V", 3.697, "V"),
        (first.run_id, "current at 3.70 V, load on", 0.048, "A"),
    ]
    assert [(one.run_id, one.serial, one.overdue) for one in found.instruments] == [
        (first.run_id, "S2002", False),
        (second.run_id, "S9", True),
        (third.run_id, "S2002", False),
    ]
    assert found.notes == (LotNote("HB-0001", _utc(moment(15)), "rework", "J2 soldered", "operator 2"),)


def _utc(text: str) -> str:
    return text.replace("+00:00", ".000000+00:00")
