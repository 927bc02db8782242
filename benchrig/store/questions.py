"""Questions to the history: each takes a connection and gives rows. What is reckoned with them is pure, and elsewhere.

Owns the statements. Runs are named by their journals' own names; `simulated` stands beside each, as yes or no.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import text

from benchrig.errors import ConfigError
from benchrig.store.answer import Answer
from benchrig.store.judged_rows import JudgedRow
from benchrig.store.yields import CountedRun
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Connection

    from benchrig.store.rows import Cell, Row

_MARK = "CASE r.simulated WHEN 1 THEN 'simulated' ELSE 'real' END"
_RUN_COLUMNS = {
    "board": "b.serial",
    "run": "r.run",
    "utc": "r.utc",
    "use": "r.purpose",
    "attempt": "a.number",
    "verdict": "r.verdict",
    "state": "r.state",
    "bench kind": _MARK,
    "lot": "l.name",
    "firmware": "f.firmware",
    "image": "f.image",
    "operator": "o.name",
    "assembly revision": "r.assembly_revision",
    "contact fixture": "x.name",
    "bench": "r.bench",
    "slot": "r.slot",
    "profile": "r.profile",
    "why": "r.verdict_why",
    "chain": "r.chain",
}
_OF_BOARD = ("run", "use", "attempt", "verdict", "state", "bench kind", "lot", "firmware", "operator", "bench", "chain")
_SHORT = ("board", "run", "utc", "use", "attempt", "verdict", "bench kind", "lot", "firmware")
_RUNS = (
    " FROM runs r JOIN boards b ON b.id = r.board_id LEFT JOIN attempts a ON a.run_id = r.id"
    " LEFT JOIN lots l ON l.id = r.lot_id LEFT JOIN firmware_images f ON f.id = r.firmware_id"
    " LEFT JOIN operators o ON o.id = r.operator_id LEFT JOIN contact_fixtures x ON x.id = r.contact_fixture_id"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Which:
    """Which runs a question is about; '' for any."""

    board: str = ""
    lot: str = ""
    use: str = ""
    since: str = ""

    def where(self) -> tuple[str, dict[str, Cell]]:
        """A condition on runs, boards and lots, and its values."""
        columns = {"board": "b.serial = :board", "lot": "l.name = :lot", "use": "r.purpose = :use"}
        columns["since"] = "r.utc >= :since"
        given = {name: value for name in columns if (value := getattr(self, name))}
        return " AND ".join(["1 = 1", *(columns[name] for name in given)]), dict(given)


# ---- everything about a board


def about_board(connection: Connection, board: str) -> tuple[Answer, ...]:
    """Everything that the history has of a board. Raises ConfigError for a board that it has not."""
    if not connection.execute(text("SELECT 1 FROM boards WHERE serial = :board"), {"board": board}).scalar():
        raise _unknown(connection, "board", board, "SELECT serial FROM boards")
    given: dict[str, Cell] = {"board": board}
    where = "b.serial = :board ORDER BY r.utc"
    short = {name: _RUN_COLUMNS[name] for name in _OF_BOARD}
    return (
        _answer(connection, "runs", columns=short, joined=_RUNS, where=where, given=given),
        *(_of_board(connection, part, given) for part in _SUMMARIES),
        replace(
            _answer(connection, "runs in full", columns=_RUN_COLUMNS, joined=_RUNS, where=where, given=given), long=True
        ),
        *(_of_runs(connection, part, given) for part in _PARTS),
    )


class _Summary(NamedTuple):
    """A table about all runs of a board together."""

    title: str
    columns: Mapping[str, str]
    joined: str
    tail: str


_SUMMARIES = (
    _Summary(
        "notes",
        {"utc": "c.utc", "kind": "c.kind", "said": "c.said", "by": "c.made_by"},
        " FROM notes c JOIN boards b ON b.id = c.board_id",
        " ORDER BY c.utc",
    ),
    _Summary(
        "identities",
        {"kind": "c.kind", "value": "c.value", "runs": "count(*)", "first": "min(r.utc)", "last": "max(r.utc)"},
        " FROM identities c JOIN runs r ON r.id = c.run_id JOIN boards b ON b.id = r.board_id",
        " GROUP BY c.kind, c.value ORDER BY c.kind, c.value",
    ),
    _Summary(
        "instruments",
        {
            "kind": "i.kind",
            "serial": "i.serial",
            "calibrated": "k.calibrated",
            "due": "k.due",
            "runs": "count(*)",
            "overdue": "sum(c.overdue)",
        },
        " FROM run_instruments c JOIN instruments i ON i.id = c.instrument_id LEFT JOIN calibrations k"
        " ON k.id = c.calibration_id JOIN runs r ON r.id = c.run_id JOIN boards b ON b.id = r.board_id",
        " GROUP BY i.kind, i.serial, k.calibrated, k.due ORDER BY i.kind, i.serial, k.due",
    ),
    _Summary(
        "did not pass",
        {"run": "r.run", "check": "c.check_name", "verdict": "c.verdict", "why": "c.why", "next": "c.next_action"},
        " FROM checks c JOIN runs r ON r.id = c.run_id JOIN boards b ON b.id = r.board_id",
        " AND c.verdict <> 'pass' ORDER BY r.utc, c.check_number",
    ),
    _Summary(
        "waivers",
        {"run": "r.run", "check": "c.check_name", "who": "c.who", "why": "c.why", "until": "c.valid_until"},
        " FROM waivers c JOIN runs r ON r.id = c.run_id JOIN boards b ON b.id = r.board_id",
        " ORDER BY r.utc, c.number",
    ),
)


def _of_board(connection: Connection, part: _Summary, given: Mapping[str, Cell]) -> Answer:
    where = f"b.serial = :board{part.tail}"
    return _answer(connection, part.title, columns=part.columns, joined=part.joined, where=where, given=given)


class _Part(NamedTuple):
    """A table of what belongs to a run; `c` is its name in a statement."""

    title: str
    table: str
    columns: tuple[str, ...]


_PARTS = (
    _Part(
        "instruments in full",
        "run_instruments c JOIN instruments i ON i.id = c.instrument_id"
        " LEFT JOIN calibrations k ON k.id = c.calibration_id",
        ("name", "i.kind", "i.serial", "identity", "k.calibrated", "k.due", "overdue"),
    ),
    _Part(
        "checks",
        "checks c",
        ("check_number", "check_name", "time_tried", "required", "verdict", "why", "next_action", "duration_s"),
    ),
    _Part(
        "judged",
        "judged c",
        (
            "number",
            "limit_name",
            "value",
            "unit",
            "expanded_uncertainty",
            "low",
            "high",
            "rule",
            "verdict",
            "why",
            "limit_source",
        ),
    ),
    _Part("facts", "facts c", ("number", "fact", "expected", "seen", "verdict", "why")),
    _Part(
        "readings",
        "readings c",
        ("number", "name", "value", "unit", "standard_uncertainty", "count", "source", "raw", "at_s"),
    ),
    _Part("happenings", "happenings c", ("number", "kind", "said", "charged_to", "check_name", "at_s")),
    _Part("files", "files c", ("kind", "title", "path", "sha256", "check_name")),
)


def _of_runs(connection: Connection, part: _Part, given: Mapping[str, Cell]) -> Answer:
    shown = {"run": "r.run"} | {name.rpartition(".")[2]: name if "." in name else f"c.{name}" for name in part.columns}
    joined = f" FROM {part.table} JOIN runs r ON r.id = c.run_id JOIN boards b ON b.id = r.board_id"
    order = "c.number" if "number" in shown else "c.check_number" if "check_number" in shown else "2"
    where = f"b.serial = :board ORDER BY r.utc, {order}"
    found = _answer(connection, part.title, columns=shown, joined=joined, where=where, given=given)
    return replace(found, long=True)


# ---- the other way round


def by_instrument(connection: Connection, serial: str, *, since: str = "") -> Answer:
    """Every run in which the instrument of that serial number was open, and how many readings came from it."""
    if not connection.execute(text("SELECT 1 FROM instruments WHERE serial = :serial"), {"serial": serial}).scalar():
        raise _unknown(connection, "instrument", serial, "SELECT serial FROM instruments")
    columns = {
        **{name: _RUN_COLUMNS[name] for name in _SHORT},
        "instrument": "c.name",
        "calibration due": "k.due",
        "overdue": "CASE c.overdue WHEN 1 THEN 'overdue' ELSE '' END",
        # a reading says which input or read-back of the instrument it is from: 'meter at rail', 'supply read-back'
        "readings": (
            "(SELECT count(*) FROM readings g WHERE g.run_id = r.id AND (g.source IN (c.name, c.name || ' read-back')"
            " OR substr(g.source, 1, length(c.name) + 4) = c.name || ' at '))"
        ),
    }
    joined = (
        f"{_RUNS} JOIN run_instruments c ON c.run_id = r.id JOIN instruments i ON i.id = c.instrument_id"
        " LEFT JOIN calibrations k ON k.id = c.calibration_id"
    )
    where = "i.serial = :serial AND r.utc >= :since ORDER BY r.utc, b.serial"
    title = f"measured with instrument {serial}"
    return _answer(
        connection, title, columns=columns, joined=joined, where=where, given={"serial": serial, "since": since}
    )


def by_firmware(connection: Connection, firmware: str) -> Answer:
    """Every run of a board that said it had this firmware, by version or by image."""
    known = "SELECT 1 FROM firmware_images WHERE firmware = :firmware OR image = :firmware"
    if not connection.execute(text(known), {"firmware": firmware}).scalar():
        raise _unknown(connection, "firmware", firmware, "SELECT firmware FROM firmware_images")
    columns = {name: _RUN_COLUMNS[name] for name in (*_SHORT, "image")}
    where = "f.firmware = :firmware OR f.image = :firmware ORDER BY b.serial, r.utc"
    title, given = f"boards with firmware {firmware}", {"firmware": firmware}
    return _answer(connection, title, columns=columns, joined=_RUNS, where=where, given=given)


def overdue_runs(connection: Connection, which: Which) -> Answer:
    """Runs with an instrument whose calibration had run out on that day."""
    columns = {name: _RUN_COLUMNS[name] for name in _SHORT}
    columns |= {"instrument": "c.name", "serial": "i.serial", "calibration due": "k.due"}
    joined = (
        f"{_RUNS} JOIN run_instruments c ON c.run_id = r.id JOIN instruments i ON i.id = c.instrument_id"
        " LEFT JOIN calibrations k ON k.id = c.calibration_id"
    )
    where, given = which.where()
    title = "measured with an instrument whose calibration was overdue"
    where += " AND c.overdue = 1 ORDER BY r.utc, b.serial"
    return _answer(connection, title, columns=columns, joined=joined, where=where, given=given)


# ---- rows for what is reckoned elsewhere


def judged_rows(connection: Connection, which: Which, *, newest_alone: bool = False) -> list[JudgedRow]:
    """Values with their limits as they were judged; of each board and use all runs, or its newest attempt alone."""
    where, given = which.where()
    if newest_alone:
        where += (
            " AND a.number = (SELECT max(a2.number) FROM attempts a2 JOIN runs r2 ON r2.id = a2.run_id WHERE"
            " r2.board_id = r.board_id AND r2.purpose = r.purpose AND r2.simulated = r.simulated)"
        )
    found = connection.execute(
        text(
            "SELECT b.serial, r.run, r.simulated, k.check_name, c.limit_name, c.value, c.unit, c.expanded_uncertainty,"
            " c.coverage_factor, c.low, c.high, c.rule, c.verdict"
            f"{_RUNS} JOIN judged c ON c.run_id = r.id"
            " JOIN checks k ON k.run_id = c.run_id AND k.check_number = c.check_number"
            f" WHERE {where} ORDER BY r.utc, b.serial, c.number"
        ),
        given,
    )
    return [JudgedRow(*row) for row in found]


def counted_runs(connection: Connection, which: Which) -> list[CountedRun]:
    """Attempts for the yields."""
    where, given = which.where()
    found = connection.execute(
        text(
            f"SELECT b.serial, r.purpose, r.simulated, coalesce(l.name, ''), a.number, r.verdict{_RUNS}"
            f" WHERE {where} AND a.number IS NOT NULL ORDER BY r.purpose, r.simulated, b.serial, a.number"
        ),
        given,
    )
    return [CountedRun(str(b), str(p), bool(s), str(lot), int(n), str(v)) for b, p, s, lot, n, v in found]


def two_runs(connection: Connection, board: str, runs: Sequence[str]) -> tuple[dict[str, Cell], dict[str, Cell]]:
    """What the history has of two runs of a board: those named, or its newest two. Raises ConfigError."""
    columns = {**_RUN_COLUMNS, "hashes": "r.hashes"}
    where = "b.serial = :board ORDER BY r.utc"
    there = _answer(connection, "runs", columns=columns, joined=_RUNS, where=where, given={"board": board}).named()
    if not there:
        raise _unknown(connection, "board", board, "SELECT serial FROM boards")
    by_name = {str(run["run"]): run for run in there}
    for name in runs:
        if name not in by_name:
            raise ConfigError(
                f"board {board} has no run {name!r}{nearest(name, list(by_name))}; it has: {', '.join(by_name)}"
            )
    if not runs and len(there) < 2:
        raise ConfigError(f"board {board} has one run in the history; two are needed to tell what changed")
    first, second = [by_name[name] for name in runs] if runs else there[-2:]
    return first, second


def _answer(
    connection: Connection,
    title: str,
    *,
    columns: Mapping[str, str],
    joined: str,
    where: str,
    given: Mapping[str, Cell],
) -> Answer:
    shown = ", ".join(columns.values())
    rows: tuple[Row, ...] = tuple(
        tuple(row) for row in connection.execute(text(f"SELECT {shown}{joined} WHERE {where}"), dict(given))
    )
    return Answer(title, tuple(columns), rows)


def _unknown(connection: Connection, what: str, name: str, known: str) -> ConfigError:
    names = sorted({str(one) for (one,) in connection.execute(text(known))})
    some = ", ".join(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")
    return ConfigError(f"{what} {name!r}: not in this history{nearest(name, names)}; known: {some or 'none'}")
