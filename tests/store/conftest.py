"""Histories for tests: an SQLite file, and a database of a real PostgreSQL server, each new for its test."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from benchrig.store.database import Database

from .postgres import new_server

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from .postgres import Server


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Server]:
    """One server for all tests of a session, but for those that kill theirs."""
    server = new_server("fsync=off")  # what it holds is thrown away with it
    yield server
    server.kill()
    shutil.rmtree(server.folder)


@pytest.fixture
def postgres(postgres_server: Server) -> Database:
    """An empty database of PostgreSQL."""
    postgres_server.execute("DROP SCHEMA public CASCADE; CREATE SCHEMA public")
    return Database(postgres_server.url())


@pytest.fixture
def sqlite(tmp_path: Path) -> Database:
    """An SQLite history that is not there yet."""
    return Database(tmp_path / "history.sqlite")


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest) -> Database:
    """Each of the two kinds of history in turn."""
    kind = "sqlite" if request.param == "sqlite" else "postgres"
    found = request.getfixturevalue(kind)
    assert isinstance(found, Database)
    return found
