"""What it costs to take journals into the history, as ratios to the bare work of the same database.

One board's transaction, from its first statement to the end of its commit, / writing 16 KiB and fdatasync: 2. Reading
the journal is measured by itself and taken off. One million readings, reading and proving their journal and all, / bare
executemany of the same rows in one transaction with the same settings: 1.5. Budgets of this project's own.
Run it alone: `python tests/benchmarks/history_import.py`; it ends with 1 when a bound is broken.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from benchrig.journal import parse_journal
from benchrig.record_chain import START, linked, read_chain
from benchrig.records import CheckStarted, ReadingTaken, RunFinished, RunStarted, RunState, encode_record
from benchrig.store.database import Database
from benchrig.store.importing import Outcome, import_journal
from benchrig.store.rows import READING_COLUMNS, run_rows

if TYPE_CHECKING:
    from benchrig.records import Record

COMMIT_BOUND, IMPORT_BOUND = 2.0, 1.5
BOARDS, VALUES, READINGS = 40, 100, 1_000_000
PIECE = b"x" * 16384


def reading(number: int) -> ReadingTaken:
    """A reading as a meter gives it."""
    value = 3.3 + number * 1e-9
    return ReadingTaken(
        check="rail",
        name="rail at 3.60 V",
        value=value,
        unit="V",
        standard_uncertainty=0.0006,
        count=4,
        source="meter",
        raw=f"+{value:.8E}",
        at_s=number * 1e-3,
    )


def journal(board: int, readings: int) -> bytes:
    """A whole run with so many readings."""
    utc = f"2031-03-04T{board // 60:02}:{board % 60:02}:00+00:00"
    before, lines = START, []
    started = RunStarted(
        run=f"{utc}-1",
        use="production",
        board=f"HB-{board:04}",
        slot="1",
        bench="barn bench",
        profile="hay-barn probe",
        simulated=True,
        required=("rail",),
        sha256={"board profile": "00"},
        tool_version="0.1.0",
        python="3.11",
        host="barn-pc",
        utc=utc,
    )
    ended = RunFinished(state=RunState.COMPLETE, output_off="off", duration_s=1.0, utc=utc, at_s=1.0)
    records: tuple[Record, ...] = (
        started,
        CheckStarted(check="rail", at_s=0.0, utc=utc),
        *map(reading, range(readings)),
        ended,
    )
    for record in records:
        line, before = linked(encode_record(record), before=before)
        lines.append(line)
    return b"".join(lines)


def commit_ratio(folder: Path) -> float:
    """Median time of one board's transaction, by that of a synced piece of 16 KiB."""
    database = Database(folder / "boards.sqlite", keep_open=True)
    import_journal(database, journal(999, 1), name="first")  # the tables are made once
    runs = [journal(board, VALUES) for board in range(BOARDS)]
    commits, readings, syncs = [], [], []
    with (folder / "piece").open("wb", buffering=0) as piece:
        for number, data in enumerate(runs):
            began_s = time.perf_counter()
            assert import_journal(database, data, name=f"{number}.jsonl").outcome is Outcome.NEW
            commits.append(time.perf_counter() - began_s)
            began_s = time.perf_counter()
            read_through(data)
            readings.append(time.perf_counter() - began_s)
            began_s = time.perf_counter()
            piece.write(PIECE)
            os.fdatasync(piece.fileno())
            syncs.append(time.perf_counter() - began_s)
    database.close()
    whole_s, reading_s, sync_s = map(statistics.median, (commits, readings, syncs))
    print(
        f"one board of {VALUES} readings: {whole_s * 1e3:.2f} ms, of it {reading_s * 1e3:.2f} ms reading its journal; "
        f"16 KiB and fdatasync: {sync_s * 1e3:.2f} ms"
    )
    return (whole_s - reading_s) / sync_s


def read_through(data: bytes) -> None:
    """All of an import that needs no database."""
    parsed = parse_journal(data)
    started = parsed.records[0]
    assert isinstance(started, RunStarted)
    for _, _, rows in run_rows(parsed, started, chain=read_chain(data).why).children(1):
        assert list(rows) is not None


def import_ratio(folder: Path) -> float:
    """Time to take one million readings in, by that of the same rows in the driver's own call."""
    data = journal(0, READINGS)
    parsed = parse_journal(data)
    started = parsed.records[0]
    assert isinstance(started, RunStarted)
    (rows,) = [list(rows) for table, _, rows in run_rows(parsed, started, chain="").children(1) if table == "readings"]
    del parsed
    bare = Database(folder / "bare.sqlite")
    import_journal(bare, journal(1, 0), name="bare")
    columns = READING_COLUMNS
    statement = f"INSERT INTO readings ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
    connection = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    connection.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON")
    began_s = time.perf_counter()
    connection.execute("BEGIN IMMEDIATE")
    connection.executemany(statement, rows)
    connection.execute("COMMIT")
    bare_s = time.perf_counter() - began_s
    connection.close()
    del rows
    database = Database(folder / "whole.sqlite")
    began_s = time.perf_counter()
    import_journal(database, data, name="whole")
    import_s = time.perf_counter() - began_s
    print(f"{READINGS} readings: import {import_s:.2f} s, bare executemany {bare_s:.2f} s")
    return import_s / bare_s


def main() -> int:
    """Measure, print, and say whether the bounds hold."""
    with tempfile.TemporaryDirectory() as folder:
        commit = commit_ratio(Path(folder))
        whole = import_ratio(Path(folder))
    print(f"one board's commit / 16 KiB and fdatasync: {commit:.2f}, bound {COMMIT_BOUND:g}")
    print(f"import of {READINGS} readings / bare executemany: {whole:.2f}, bound {IMPORT_BOUND:g}")
    return 0 if commit <= COMMIT_BOUND and whole <= IMPORT_BOUND else 1


if __name__ == "__main__":
    sys.exit(main())
