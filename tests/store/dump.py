"""All rows of a history, by table, so that two can be compared; numbers that a database gives are left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import text

from benchrig.store.migrations import TABLES

if TYPE_CHECKING:
    from benchrig.store.database import Database

_OWN = "id"
_POINTS_TO = {
    "board_id": "SELECT serial FROM boards WHERE id = :id",
    "lot_id": "SELECT name FROM lots WHERE id = :id",
    "operator_id": "SELECT name FROM operators WHERE id = :id",
    "contact_fixture_id": "SELECT name FROM contact_fixtures WHERE id = :id",
    "firmware_id": "SELECT firmware || ' ' || image FROM firmware_images WHERE id = :id",
    "instrument_id": "SELECT kind || ' ' || serial FROM instruments WHERE id = :id",
    "calibration_id": "SELECT calibrated || ' ' || due FROM calibrations WHERE id = :id",
    "run_id": "SELECT run FROM runs WHERE id = :id",
}


def dump(database: Database) -> dict[str, list[dict[str, object]]]:
    """Every row of every table, in an order of its own, with names in place of numbers."""
    with database.reading() as connection:

        def told(column: str, value: object) -> object:
            if column in _POINTS_TO and value is not None:
                return connection.execute(text(_POINTS_TO[column]), {"id": value}).scalar_one()
            return value

        tables = {}
        for table in TABLES:
            rows = connection.execute(text(f"SELECT * FROM {table}")).mappings().all()
            tables[table] = sorted(
                ({name: told(name, value) for name, value in row.items() if name != _OWN} for row in rows), key=repr
            )
        return tables
