"""What the history knows of a board before a new run of it: attempts and identities, as rows for the rules."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import text

from benchrig.store.attempts import PastRun, attempts_since_rework
from benchrig.store.identities import UNIQUE

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from benchrig.store.identities import Said


def attempts_so_far(connection: Connection, board: str, *, purpose: str, simulated: bool) -> int:
    """How many attempts of that use the board has had since its last rework."""
    runs = connection.execute(
        text(
            "SELECT r.id, r.purpose, r.simulated, r.utc, r.verdict FROM runs r JOIN boards b ON b.id = r.board_id"
            " WHERE b.serial = :board"
        ),
        {"board": board},
    )
    reworks = connection.execute(
        text(
            "SELECT n.utc FROM notes n JOIN boards b ON b.id = n.board_id WHERE b.serial = :board AND n.kind = 'rework'"
        ),
        {"board": board},
    )
    return attempts_since_rework(
        [PastRun(int(one[0]), str(one[1]), bool(one[2]), str(one[3]), str(one[4])) for one in runs],
        [str(utc) for (utc,) in reworks],
        purpose=purpose,
        simulated=simulated,
    )


def said_by_others(connection: Connection, board: str, *, simulated: bool) -> tuple[Said, ...]:
    """Every identity that another board has said which no two may share."""
    return tuple(said for said in all_said(connection, simulated=simulated) if said[2] != board)


def all_said(connection: Connection, *, simulated: bool) -> tuple[Said, ...]:
    """Kind, value and board of every identity that no two boards may share; simulated boards are told apart."""
    found = connection.execute(
        text(
            "SELECT DISTINCT i.kind, i.value, b.serial FROM identities i JOIN runs r ON r.id = i.run_id"
            " JOIN boards b ON b.id = r.board_id WHERE r.simulated = :simulated ORDER BY i.kind, i.value, b.serial"
        ),
        {"simulated": int(simulated)},
    )
    return tuple((str(kind), str(value), str(serial)) for kind, value, serial in found if kind in UNIQUE)
