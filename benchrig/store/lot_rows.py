"""Everything that the history has of the boards of a lot, as rows: runs, values, checks, readings, instruments, notes.

Owns the statements. Must not know which of the rows count, or what is reckoned with them. A board belongs here when any
of its runs was of that lot; all its runs are given then, since its first attempt may have been of another one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from benchrig.errors import ConfigError
from benchrig.store.database import sql
from benchrig.store.judged_rows import JudgedRow
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.store.database import Connection

_NAMES_SHOWN = 10

_OF_LOT = (
    "r.board_id IN (SELECT r2.board_id FROM runs r2 JOIN lots l2 ON l2.id = r2.lot_id WHERE l2.name = :lot)"
    " ORDER BY r.utc, r.id"
)
_WAIVED = (
    "CASE WHEN r.verdict = 'pass' AND EXISTS (SELECT 1 FROM checks c WHERE c.run_id = r.id AND c.verdict = 'waived')"
    " THEN 'waived' ELSE r.verdict END"
)
_RUNS = (
    f"SELECT r.id, b.serial, r.run, r.utc, r.purpose, r.simulated, coalesce(l.name, ''), a.number, {_WAIVED},"
    " r.profile, r.bench, coalesce(o.name, ''), coalesce(x.name, ''), coalesce(f.firmware, '')"
    " FROM runs r JOIN boards b ON b.id = r.board_id LEFT JOIN attempts a ON a.run_id = r.id"
    " LEFT JOIN lots l ON l.id = r.lot_id LEFT JOIN firmware_images f ON f.id = r.firmware_id"
    " LEFT JOIN operators o ON o.id = r.operator_id LEFT JOIN contact_fixtures x ON x.id = r.contact_fixture_id"
    f" WHERE {_OF_LOT}"
)
_VALUES = (
    "SELECT r.id, b.serial, r.run, r.simulated, k.check_name, c.limit_name, c.value, c.unit, c.expanded_uncertainty,"
    " c.coverage_factor, c.low, c.high, c.rule, c.verdict"
    " FROM runs r JOIN boards b ON b.id = r.board_id JOIN judged c ON c.run_id = r.id"
    " JOIN checks k ON k.run_id = c.run_id AND k.check_number = c.check_number"
    f" WHERE {_OF_LOT}, c.number"
)
_CHECKS = (
    "SELECT r.id, c.check_name, c.verdict FROM runs r JOIN checks c ON c.run_id = r.id"
    f" WHERE c.verdict IN ('fail', 'undecided', 'waived') AND {_OF_LOT}, c.check_number"
)
_READINGS = (
    "SELECT r.id, c.name, c.value, c.unit FROM runs r JOIN readings c ON c.run_id = r.id"
    f" WHERE c.value IS NOT NULL AND (c.name LIKE 'battery at %' OR c.name LIKE 'current at %') AND {_OF_LOT}, c.number"
)
_INSTRUMENTS = (
    "SELECT r.id, c.name, i.kind, i.serial, coalesce(k.due, ''), c.overdue"
    " FROM runs r JOIN run_instruments c ON c.run_id = r.id JOIN instruments i ON i.id = c.instrument_id"
    f" LEFT JOIN calibrations k ON k.id = c.calibration_id WHERE {_OF_LOT}, c.name"
)
_NOTES = (
    "SELECT b.serial, n.utc, n.kind, n.said, n.made_by FROM notes n JOIN boards b ON b.id = n.board_id"
    " WHERE n.board_id IN (SELECT r2.board_id FROM runs r2 JOIN lots l2 ON l2.id = r2.lot_id WHERE l2.name = :lot)"
    " ORDER BY n.utc, b.serial, n.number"
)


class LotRun(NamedTuple):
    """A run of a board. `attempt` is None for a run that said nothing of the board; `utc` sorts as text.

    `verdict` is 'waived' for a run that passed because a check of it was waived.
    """

    run_id: int
    board: str
    run: str
    utc: str
    use: str
    simulated: bool
    lot: str
    attempt: int | None
    verdict: str
    profile: str
    bench: str
    operator: str
    contact_fixture: str
    firmware: str


class LotValue(NamedTuple):
    """A value as it was judged, and the run that it is of."""

    run_id: int
    row: JudgedRow


class LotCheck(NamedTuple):
    """A check that failed, could not be decided, or was waived."""

    run_id: int
    check: str
    verdict: str


class LotReading(NamedTuple):
    """A reading at the battery's terminals, in its base unit."""

    run_id: int
    name: str
    value: float
    unit: str


class LotInstrument(NamedTuple):
    """An instrument of a run; `due` is '' where its calibration says no day."""

    run_id: int
    name: str
    kind: str
    serial: str
    due: str
    overdue: bool


class LotNote(NamedTuple):
    """What was noted of a board."""

    board: str
    utc: str
    kind: str
    said: str
    by: str


class LotRows(NamedTuple):
    """All rows, runs by their times."""

    runs: tuple[LotRun, ...]
    values: tuple[LotValue, ...] = ()
    checks: tuple[LotCheck, ...] = ()
    readings: tuple[LotReading, ...] = ()
    instruments: tuple[LotInstrument, ...] = ()
    notes: tuple[LotNote, ...] = ()


def lot_rows(connection: Connection, lot: str) -> LotRows:
    """The rows of a lot. Raises ConfigError for a lot that the history has not."""
    if not connection.execute(sql("SELECT 1 FROM lots WHERE name = :lot"), {"lot": lot}).scalar():
        raise _unknown(connection, lot)
    return LotRows(
        runs=tuple(LotRun(*one)._replace(simulated=bool(one[5])) for one in _asked(connection, _RUNS, lot)),
        values=tuple(LotValue(int(one[0]), JudgedRow(*one[1:])) for one in _asked(connection, _VALUES, lot)),
        checks=tuple(LotCheck(*one) for one in _asked(connection, _CHECKS, lot)),
        readings=tuple(LotReading(*one) for one in _asked(connection, _READINGS, lot)),
        instruments=tuple(
            LotInstrument(*one)._replace(overdue=bool(one[5])) for one in _asked(connection, _INSTRUMENTS, lot)
        ),
        notes=tuple(LotNote(*one) for one in _asked(connection, _NOTES, lot)),
    )


def _asked(connection: Connection, statement: str, lot: str) -> Sequence[tuple[Any, ...]]:
    return [tuple(row) for row in connection.execute(sql(statement), {"lot": lot})]


def _unknown(connection: Connection, lot: str) -> ConfigError:
    names = sorted({str(one) for (one,) in connection.execute(sql("SELECT name FROM lots"))})
    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    known = ", ".join(names[:_NAMES_SHOWN]) + more
    return ConfigError(
        f"lot {lot!r}: not in this history{nearest(lot, names)}; known: {known or 'none'}. Runs are given a lot by "
        "--bench-lot NAME; take their journals in with `benchrig history import FOLDER`"
    )
