"""Opens the history's database, gives transactions, and translates what a database has to say.

Owns the address, the settings that make a commit survive the loss of power, and the errors. Must not know tables.

SQLite: write-ahead log and synchronous=FULL, so that a commit is on the disk when it returns (sqlite.org/pragma.html,
from memory). PostgreSQL: as the server is set, which is the same by default. Writers come one at a time: SQLite by its
write lock, PostgreSQL by an advisory lock, so that the numbers of attempts are counted by one alone.
"""

from __future__ import annotations

from contextlib import contextmanager
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Self

from sqlalchemy import Connection, create_engine, event, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DataError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from benchrig.errors import ConfigError, HistoryError
from benchrig.journal import make_folder, reason
from benchrig.store.migrations import bring_up_to_date, version_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from sqlalchemy import Engine
    from sqlalchemy.engine import URL

    from benchrig.store.rows import Row

__all__ = ["Connection", "Database", "UnfitForDatabase", "sql", "write_rows"]

_AT_ONCE = 50_000
"""Rows that go to SQLite in one piece: enough to cost nothing, few enough to fit into memory."""

_WAIT_S = 5.0
"""So long a writer waits for another one; then the bench goes on without."""

_CONNECT_S = 3
_STATEMENT_S = 300
_ACCEPTED = "accepted: a path, sqlite:///PATH or postgresql://USER@HOST/NAME"
_ONE_WRITER = 0x62656E63  # any number of its own keeps this lock apart from other programs' in the same database
_SQLITE_SETTINGS = ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=FULL", "PRAGMA foreign_keys=ON")
_NEXT_ACTION = (
    ("locked", "another program holds it: end that one, then `benchrig history import` catches up"),
    ("is full", "free space there, then `benchrig history import` catches up"),
    ("No space left", "free space there, then `benchrig history import` catches up"),
    ("readonly", "make it writable, then `benchrig history import` catches up"),
    ("unable to open", "check path and rights, then `benchrig history import` catches up"),
    ("not a database", "give another path: this file is something else"),
    ("already exists", "give another path: it has tables of another program"),
    ("malformed", "move it away and make it again from the journals with `benchrig history import`"),
)


sql = lru_cache(maxsize=256)(text)
"""A statement that is made once: making it costs as much as a small one takes."""


class UnfitForDatabase(ValueError):  # a finding about one journal, no fault of the database
    """A value that a database cannot hold; the journal that holds it is refused, the others go on."""


class Database:
    """One history. `where` is its address without a password."""

    def __init__(self, address: str | Path, *, keep_open: bool = False) -> None:
        """Connects to nothing yet. Raises ConfigError for an address that cannot be one.

        `keep_open`: one connection for many transactions, until `close`. SQLite moves its log into the file whenever
        its last connection is closed, which costs more than a commit.
        """
        self._url = _url(str(address))
        self.where = self._url.render_as_string(hide_password=True)
        self._engine = _engine(self._url, self.where, keep_open=keep_open)
        self._is_current = False
        # the driver's own errors come from what is asked of it directly: settings, and rows in bulk
        driver = self._engine.dialect.dbapi
        self._driver_error: type[Exception] = getattr(driver, "Error", SQLAlchemyError)
        self._unfit: tuple[type[Exception], ...] = (DataError, OverflowError, getattr(driver, "DataError", DataError))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close what is kept open; it opens again when it is used again."""
        self._engine.dispose()

    @property
    def dialect(self) -> str:
        """sqlite or postgresql."""
        return self._engine.dialect.name

    def exists(self) -> bool:
        """False for a file of SQLite that is not there: asking it would make an empty one."""
        name = self._url.database
        return self.dialect != "sqlite" or (name is not None and Path(name).exists())

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction that writes; its tables are of this version. Raises HistoryError."""
        with self._translated():
            self._prepare_folder()
            with self._engine.connect().execution_options(history_writes=True) as connection, connection.begin():
                if self.dialect == "postgresql":
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ONE_WRITER})
                if not self._is_current:
                    bring_up_to_date(connection, where=self.where)
                yield connection
            self._is_current = True

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One transaction that reads. Raises ConfigError where there is no history yet, and HistoryError."""
        if not self.exists():
            raise ConfigError(
                f"history {self.where}: there is none yet; make it from the journals with "
                f"`benchrig history import FOLDER --history {self.where}`"
            )
        with self._translated(), self._engine.connect() as connection, connection.begin():
            if version_of(connection) == 0:
                raise ConfigError(
                    f"history {self.where}: no journal was taken in yet; `benchrig history import FOLDER` does it"
                )
            bring_up_to_date(connection, where=self.where)
            yield connection

    def _prepare_folder(self) -> None:
        name = self._url.database
        if self.dialect == "sqlite" and name:
            try:
                make_folder(Path(name).absolute().parent)
            except OSError as wrong:
                raise HistoryError(f"history {self.where}: {reason(wrong)}") from wrong

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except self._unfit as wrong:
            raise UnfitForDatabase(_said(wrong)) from wrong
        except (SQLAlchemyError, self._driver_error) as wrong:
            said = _said(wrong)
            next_action = next((action for word, action in _NEXT_ACTION if word in said), "")
            next_action = (
                next_action or "see that it runs and can be reached, then `benchrig history import` catches up"
            )
            raise HistoryError(f"history {self.where}: {said}; {next_action}") from wrong


def write_rows(connection: Connection, table: str, columns: Sequence[str], rows: Iterable[Row]) -> None:
    """Insert rows by the fastest way that the driver has: SQLite's call for many rows, PostgreSQL's COPY."""
    named = f"{table} ({', '.join(columns)})"
    if connection.dialect.name == "sqlite":
        statement = f"INSERT INTO {named} VALUES ({', '.join('?' * len(columns))})"
        left = iter(rows)
        while piece := list(islice(left, _AT_ONCE)):
            connection.exec_driver_sql(statement, piece)
        return
    driver = connection.connection.driver_connection
    assert driver is not None
    with driver.cursor() as cursor, cursor.copy(f"COPY {named} FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)


def _url(address: str) -> URL:
    try:
        url = make_url(address if "://" in address else f"sqlite:///{address}")
    except ArgumentError:
        raise ConfigError(f"history {address!r}: cannot be read as an address; {_ACCEPTED}") from None
    kind = url.get_backend_name()
    if kind not in ("sqlite", "postgresql") or not url.database:
        shown = url.render_as_string(hide_password=True)
        raise ConfigError(f"history {shown!r}: {kind} without a name, or not supported; {_ACCEPTED}")
    if url.database == ":memory:" or (kind == "sqlite" and url.query):
        raise ConfigError(f"history {address!r}: would be kept nowhere, or not as it says; {_ACCEPTED}")
    return url.set(drivername="postgresql+psycopg") if kind == "postgresql" else url


def _engine(url: URL, where: str, *, keep_open: bool) -> Engine:
    pool = {"pool_size": 1, "pool_pre_ping": True} if keep_open else {"poolclass": NullPool}
    if url.get_backend_name() == "sqlite":
        engine = create_engine(url, connect_args={"timeout": _WAIT_S}, **pool)
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    settings = f"-c lock_timeout={_WAIT_S:g}s -c statement_timeout={_STATEMENT_S}s"
    arguments = {
        "connect_timeout": _CONNECT_S,
        "tcp_user_timeout": 10_000,  # milliseconds: a server that vanished in mid-answer holds the bench up no longer
        "client_encoding": "utf8",
        "options": settings,
    }
    try:
        return create_engine(url, connect_args=arguments, **pool)
    except (ImportError, NoSuchModuleError):
        raise ConfigError(
            f"history {where}: PostgreSQL needs one part more: pip install 'benchrig[postgres]'"
        ) from None


def _set_up_sqlite(connection: object, _record: object) -> None:
    # the driver would begin transactions by itself, and later than a change of tables
    connection.isolation_level = None  # type: ignore[attr-defined]
    cursor = connection.cursor()  # type: ignore[attr-defined]
    for setting in _SQLITE_SETTINGS:
        cursor.execute(setting)
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("history_writes")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _said(wrong: Exception) -> str:
    """The database's own words, in one line."""
    return " ".join(str(getattr(wrong, "orig", None) or wrong).split())
