"""Versions of the tables: made, brought up to date in one piece, and refused when they are newer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import inspect, text

from benchrig.errors import HistoryError
from benchrig.store.database import Database
from benchrig.store.importing import import_journal
from benchrig.store.migrations import MIGRATIONS, TABLES, Migration, bring_up_to_date, version_of

from .dump import dump
from .journals import journal, records

if TYPE_CHECKING:
    from pathlib import Path

NEXT = Migration(
    MIGRATIONS[-1].version + 1, ("ALTER TABLE boards ADD COLUMN colour TEXT", "UPDATE boards SET colour = 'green'")
)
BROKEN = Migration(NEXT.version + 1, ("ALTER TABLE lots ADD COLUMN colour TEXT", "UPDATE nothing SET x = 1"))


def test_versions_count_up() -> None:
    """The steps are numbered from 1 without a gap."""
    assert [step.version for step in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_fresh_database_has_every_table(database: Database) -> None:
    """The first transaction makes all tables, and says of which version they are."""
    with database.writing() as connection:
        assert version_of(connection) == MIGRATIONS[-1].version
        assert set(inspect(connection).get_table_names()) == {*TABLES, "history_version"}


def test_step_keeps_what_is_there(database: Database) -> None:
    """An older database becomes one of this version with all its rows, and a second time nothing is done."""
    import_journal(database, journal(records()), name="one.jsonl")

    with database.writing() as connection:
        made = bring_up_to_date(connection, where="here", migrations=(*MIGRATIONS, NEXT))
        again = bring_up_to_date(connection, where="here", migrations=(*MIGRATIONS, NEXT))
        boards = connection.execute(text("SELECT serial, colour FROM boards")).all()

    assert (made, again) == ((NEXT.version,), ())
    assert [tuple(row) for row in boards] == [("HB-0001", "green")]


def test_step_that_fails_leaves_nothing_behind(database: Database) -> None:
    """A step that fails in its middle is undone with those before it: the version stays what it was."""
    import_journal(database, journal(records()), name="one.jsonl")
    before = dump(database)

    with pytest.raises(HistoryError, match="nothing"), database.writing() as connection:
        bring_up_to_date(connection, where="here", migrations=(*MIGRATIONS, NEXT, BROKEN))

    with database.writing() as connection:
        assert version_of(connection) == MIGRATIONS[-1].version
        assert "colour" not in {column["name"] for column in inspect(connection).get_columns("boards")}
    assert dump(database) == before


def test_newer_database_is_refused(database: Database) -> None:
    """A database of a newer version is neither read nor written, and the sentence says what to do."""
    import_journal(database, journal(records()), name="one.jsonl")
    with database.writing() as connection:
        connection.execute(text("INSERT INTO history_version VALUES (99)"))
    other = type(database)(database._url.render_as_string(hide_password=False))

    with pytest.raises(
        HistoryError, match=r"its tables are of version 99, this benchrig knows 1 to \d+; use the benchrig"
    ):
        import_journal(other, journal(records(minutes=5)), name="two.jsonl")
    with pytest.raises(HistoryError, match="of version 99"):
        dump(other)


def test_database_of_something_else_is_left_alone(tmp_path: Path) -> None:
    """A file that is no database is named, not overwritten."""
    path = tmp_path / "letter.txt"
    letter = b"a letter, not a database, and longer than any header of one would have to be " * 20
    path.write_bytes(letter)

    with pytest.raises(HistoryError, match="not a database; give another path: this file is something else"):
        import_journal(Database(path), journal(records()), name="one.jsonl")

    assert path.read_bytes() == letter
