"""Takes journals into the history: each once and only once, in one transaction for each.

Owns how two journals of one run are told: by the names of run, board, bench and host in the first line; the name of a
run has the slot and the microsecond in which it began. A journal that begins with all the bytes of the one that is held
has grown, and takes its place; one that is the beginning of it adds nothing; any other is a different story of the same
run, and is refused. Must not know where journals lie.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from benchrig.errors import RecordError
from benchrig.journal import parse_journal
from benchrig.record_chain import ChainState, read_chain
from benchrig.records import NoteMade, RunStarted
from benchrig.store.attempts import recount
from benchrig.store.database import UnfitForDatabase, sql, write_rows
from benchrig.store.identities import clashes
from benchrig.store.migrations import CHILDREN
from benchrig.store.rows import RunRows, run_rows, utc_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.journal import Journal
    from benchrig.records import InstrumentRecord
    from benchrig.store.database import Connection, Database
    from benchrig.store.rows import Cell


class Outcome(StrEnum):
    """What became of a journal; a closed set."""

    NEW = "new"
    GROWN = "grown"
    KNOWN = "known"
    SHORTER = "shorter copy"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What became of one journal, and what a person should be told of it."""

    name: str
    outcome: Outcome
    board: str = ""
    run: str = ""
    verdict: str = ""
    state: str = ""
    told: tuple[str, ...] = ()


class _RefusedError(Exception):
    """A journal that cannot be taken in; the transaction is given up and the sentence told."""


def import_journal(database: Database, data: bytes, *, name: str) -> Imported:
    """Take the bytes of a journal in. What is wrong with them is told; raises HistoryError for the database alone."""
    try:
        with database.writing() as connection:
            return _import(connection, data, name=name)
    except (RecordError, _RefusedError) as wrong:
        return Imported(name=name, outcome=Outcome.REFUSED, told=(str(wrong),))
    except UnfitForDatabase as wrong:
        sentence = f"journal {name}: holds a value that the database cannot keep: {wrong}; keep the journal as it is"
        return Imported(name=name, outcome=Outcome.REFUSED, told=(sentence,))


def _import(connection: Connection, data: bytes, *, name: str) -> Imported:
    digest = hashlib.sha256(data).hexdigest()
    if known := _known(connection, digest):
        _see_again(connection, digest, known, name)
        return Imported(name=name, outcome=Outcome.KNOWN)
    journal = parse_journal(data, name=name)
    first = journal.records[0] if journal.records else None
    if isinstance(first, NoteMade):
        return _import_notes(connection, journal, data, digest=digest, name=name)
    if not isinstance(first, RunStarted):
        found = "; ".join(journal.problems[:1]) or "its first record is another one"
        raise _RefusedError(f"journal {name}: no run begins in it ({found}); it is left out")
    return _import_run(connection, journal, first, _Source(data, digest, name))


@dataclass(frozen=True, slots=True)
class _Source:
    """The bytes of a journal with their names."""

    data: bytes
    digest: str
    name: str

    @property
    def start_sha256(self) -> str:
        """The hash of its first line."""
        return hashlib.sha256(self.data.partition(b"\n")[0]).hexdigest()


def _import_run(connection: Connection, journal: Journal, started: RunStarted, source: _Source) -> Imported:
    chain = read_chain(source.data)
    try:
        rows = run_rows(
            journal,
            started,
            chain=chain.state.value if chain.holds or chain.state is ChainState.NO_CHAIN else chain.why,
            has_nul=b"\\u0000" in source.data,
        )
    except ValueError as wrong:
        raise _RefusedError(f"journal {source.name}: {wrong}; it is left out") from None
    board_id = _id_of(connection, "boards", serial=rows.board)
    held = _held(connection, rows, board_id)
    if held is not None and not held.grows_into(source):
        return _not_longer(connection, held, source, rows)
    if held is not None and chain.state is ChainState.BROKEN:
        raise _RefusedError(
            f"journal {source.name}: goes on with run {rows.run['run']} of {rows.board} behind what the history holds, "
            f"but {chain.why}; what is held stays, and this is left out"
        )
    run_id = _write_run(connection, rows, board_id, source, held)
    _write_children(connection, rows, run_id)
    _write_journal(connection, source, kind="run")
    recount(connection, board_id)
    return Imported(
        name=source.name,
        outcome=Outcome.GROWN if held else Outcome.NEW,
        board=rows.board,
        run=str(rows.run["run"]),
        verdict=str(rows.run["verdict"]),
        state=str(rows.run["state"]),
        told=(*_told_of_chain(source.name, chain.why, broken=not chain.holds), *_told(connection, rows, run_id)),
    )


def _told_of_chain(name: str, why: str, *, broken: bool) -> tuple[str, ...]:
    return (f"journal {name}: {why}",) if broken and not why.startswith("no record carries") else ()


def _told(connection: Connection, rows: RunRows, run_id: int) -> tuple[str, ...]:
    """What a person should know at once: instruments that were overdue, identities that another board has."""
    overdue = [
        f"{rows.board}: calibration of {one.record.kind} {one.record.name} (serial {one.record.serial}) was due on "
        f"{one.record.calibration_due}, before this run; measure the board again with one that is in date"
        for one in rows.instruments
        if one.overdue
    ]
    said = dict(rows.identities)
    others = connection.execute(
        sql(
            "SELECT DISTINCT i.kind, i.value, b.serial FROM identities i JOIN runs r ON r.id = i.run_id"
            " JOIN boards b ON b.id = r.board_id JOIN identities mine ON mine.kind = i.kind AND mine.value = i.value"
            " AND mine.run_id = :run WHERE r.simulated = :simulated ORDER BY i.kind, i.value, b.serial"
        ),
        {"run": run_id, "simulated": rows.run["simulated"]},
    )
    return (*overdue, *clashes(rows.board, said, [(str(k), str(v), str(b)) for k, v, b in others]))


# ---- what is there already


@dataclass(frozen=True, slots=True)
class _Held:
    """The journal of this run that the history holds."""

    run_id: int
    sha256: str
    size: int
    start_sha256: str

    def grows_into(self, source: _Source) -> bool:
        """Whether the other begins with all the bytes of this one."""
        if len(source.data) <= self.size:
            return False
        return hashlib.sha256(source.data[: self.size]).hexdigest() == self.sha256


def _known(connection: Connection, digest: str) -> str:
    """The path under which exactly these bytes were taken in; '' when they were not."""
    found = connection.execute(sql("SELECT path FROM journals WHERE sha256 = :digest"), {"digest": digest})
    return str(found.scalar() or "")


def _see_again(connection: Connection, digest: str, path: str, name: str) -> None:
    """The same bytes at another place: the newest place is the one where they will be looked for."""
    if name != path:
        update = sql("UPDATE journals SET path = :name WHERE sha256 = :digest")
        connection.execute(update, {"name": _path(name), "digest": digest})


def _held(connection: Connection, rows: RunRows, board_id: int) -> _Held | None:
    found = connection.execute(
        sql(
            "SELECT id, journal_sha256, journal_bytes, start_sha256 FROM runs"
            " WHERE run = :run AND board_id = :board AND bench = :bench AND host = :host"
        ),
        {"run": rows.run["run"], "board": board_id, "bench": rows.run["bench"], "host": rows.run["host"]},
    ).first()
    return None if found is None else _Held(int(found[0]), str(found[1]), int(found[2]), str(found[3]))


def _not_longer(connection: Connection, held: _Held, source: _Source, rows: RunRows) -> Imported:
    """Another journal of a run that is held: a beginning of it adds nothing, anything else is another story."""
    run = str(rows.run["run"])
    if held.start_sha256 != source.start_sha256 or not _is_beginning(connection, held, rows):
        raise _RefusedError(
            f"journal {source.name}: tells run {run} of {rows.board} otherwise than the journal that the history holds "
            f"(SHA-256 {held.sha256[:16]}...); `benchrig verify` says which of the two was changed; it is left out"
        )
    _write_journal(connection, source, kind="shorter copy")
    sentence = f"journal {source.name}: a beginning of run {run} that the history holds further on; it adds nothing"
    return Imported(name=source.name, outcome=Outcome.SHORTER, board=rows.board, run=run, told=(sentence,))


def _is_beginning(connection: Connection, held: _Held, rows: RunRows) -> bool:
    """Whether everything that it says stands in the history word by word: its bytes are not there to compare."""
    for table, columns, own in rows.children(held.run_id):
        if table == "checks":  # how a check ended is not known yet in a beginning
            continue
        statement = sql(f"SELECT {', '.join(columns)} FROM {table} WHERE run_id = :run ORDER BY number")
        there = {tuple(row)[2:] for row in connection.execute(statement, {"run": held.run_id})}
        if any(row[2:] not in there for row in own):
            return False
    return True


# ---- writing


def _write_run(connection: Connection, rows: RunRows, board_id: int, source: _Source, held: _Held | None) -> int:
    """The row of the run; a run that has grown keeps its number and loses the rows it had."""
    values: dict[str, Cell] = {
        **rows.run,
        "board_id": board_id,
        "start_sha256": source.start_sha256,
        "journal_sha256": source.digest,
        "journal_bytes": len(source.data),
        "lot_id": _optional_id(connection, "lots", rows.names["lots"]),
        "operator_id": _optional_id(connection, "operators", rows.names["operators"]),
        "contact_fixture_id": _optional_id(connection, "contact_fixtures", rows.names["contact_fixtures"]),
        "firmware_id": _firmware_id(connection, rows.firmware),
    }
    if held is None:
        return _insert(connection, "runs", values)
    for table in CHILDREN:
        connection.execute(sql(f"DELETE FROM {table} WHERE run_id = :run"), {"run": held.run_id})
    assignments = ", ".join(f"{column} = :{column}" for column in values)
    connection.execute(sql(f"UPDATE runs SET {assignments} WHERE id = :id"), {**values, "id": held.run_id})
    return held.run_id


def _write_children(connection: Connection, rows: RunRows, run_id: int) -> None:
    for table, columns, own in rows.children(run_id):
        write_rows(connection, table, columns, own)
    for kind, value in rows.identities:
        connection.execute(sql("INSERT INTO identities VALUES (:run, :kind, :value)"), _named(run_id, kind, value))
    for name, one in {one.record.name: one for one in rows.instruments}.items():
        instrument_id = _id_of(connection, "instruments", kind=one.record.kind, serial=one.record.serial)
        values: dict[str, Cell] = {
            "run_id": run_id,
            "name": name,
            "instrument_id": instrument_id,
            "calibration_id": _calibration_id(connection, instrument_id, one.record),
            "identity": _path(one.record.identity),
            "resource": _path(one.record.resource),
            "command_table": one.record.table,
            "overdue": int(one.overdue),
        }
        columns = tuple(values)
        write_rows(connection, "run_instruments", columns, [tuple(values.values())])


def _named(run_id: int, kind: str, value: str) -> Mapping[str, Cell]:
    return {"run": run_id, "kind": kind, "value": value}


def _write_journal(connection: Connection, source: _Source, *, kind: str) -> None:
    connection.execute(
        sql("INSERT INTO journals VALUES (:sha256, :kind, :path, :bytes, :start)"),
        {
            "sha256": source.digest,
            "kind": kind,
            "path": _path(source.name),
            "bytes": len(source.data),
            "start": source.start_sha256,
        },
    )


def _import_notes(connection: Connection, journal: Journal, data: bytes, *, digest: str, name: str) -> Imported:
    """A journal of notes: every one of them, or none where a line of it cannot be read."""
    notes = [record for record in journal.records if isinstance(record, NoteMade)]
    if journal.problems:
        raise _RefusedError(f"journal {name}: {journal.problems[0]}; it is left out")
    for number, note in enumerate(notes, 1):
        board_id = _id_of(connection, "boards", serial=_path(note.board))
        values: dict[str, Cell] = {
            "sha256": digest,
            "number": number,
            "board": board_id,
            "kind": _path(note.kind),
            "said": _path(note.text),
            "made_by": _path(note.by),
            "utc": utc_text(note.utc),
        }
        marks = ", ".join(f":{key}" for key in values)
        connection.execute(sql(f"INSERT INTO notes VALUES ({marks})"), values)
    _write_journal(connection, _Source(data, digest, name), kind="notes")
    return Imported(name=name, outcome=Outcome.NEW, board=notes[0].board, state="note")


def _id_of(connection: Connection, table: str, **key: str) -> int:
    """The number of a row by what it is called; it is made when it is new."""
    where = " AND ".join(f"{column} = :{column}" for column in key)
    found = connection.execute(sql(f"SELECT id FROM {table} WHERE {where}"), key).scalar()
    return int(found) if found is not None else _insert(connection, table, key)


def _insert(connection: Connection, table: str, values: Mapping[str, Cell]) -> int:
    marks = ", ".join(f":{column}" for column in values)
    statement = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks}) RETURNING id"
    return int(connection.execute(sql(statement), dict(values)).scalar_one())


def _optional_id(connection: Connection, table: str, name: str) -> int | None:
    return _id_of(connection, table, name=name) if name else None


def _firmware_id(connection: Connection, firmware: tuple[str, str] | None) -> int | None:
    if firmware is None:
        return None
    return _id_of(connection, "firmware_images", firmware=firmware[0], image=firmware[1])


def _calibration_id(connection: Connection, instrument_id: int, one: InstrumentRecord) -> int | None:
    if not (one.calibrated or one.calibration_due):
        return None
    key = {"calibrated": one.calibrated, "due": one.calibration_due}
    found = connection.execute(
        sql(
            "SELECT id FROM calibrations WHERE instrument_id = :instrument AND calibrated = :calibrated AND due = :due"
        ),
        {"instrument": instrument_id, **key},
    ).scalar()
    return (
        int(found)
        if found is not None
        else _insert(connection, "calibrations", {"instrument_id": instrument_id, **key})
    )


def _path(name: str) -> str:
    """A foreign text that PostgreSQL can hold."""
    return name.replace("\x00", "\\x00")
