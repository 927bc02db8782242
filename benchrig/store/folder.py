"""Takes the journals of a folder of reports into the history, the oldest first.

Owns which files are journals and their order: by the time at which they began, then by name. A file that cannot be
taken in is told, and the rest goes on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
from sqlalchemy import text

from benchrig.errors import ConfigError
from benchrig.journal import reason
from benchrig.store.importing import Imported, Outcome, import_journal
from benchrig.store.rows import utc_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from benchrig.store.database import Database

_FIRST_BYTES = 1 << 20
"""A first line names every required check, and may be long; a longer one is sorted by name alone."""


class _Head(msgspec.Struct):
    utc: str = ""


_HEAD: msgspec.json.Decoder[_Head] = msgspec.json.Decoder(_Head)


def find_journals(places: Iterable[Path]) -> list[Path]:
    """Journals of folders, and files as they are named, the oldest first. Raises ConfigError for one not there."""
    found: dict[Path, None] = {}
    for place in places:
        if place.is_dir():
            found |= dict.fromkeys(path.resolve() for path in place.rglob("*.jsonl") if path.is_file())
        elif place.exists():
            found[place.resolve()] = None
        else:
            raise ConfigError(f"{place}: there is no such folder or journal; give a folder of reports or a .jsonl file")
    return sorted(found, key=lambda path: (_began(path), str(path)))


def import_journals(database: Database, paths: Iterable[Path]) -> Iterator[Imported]:
    """Take them in one after another. Raises HistoryError when the database cannot be used."""
    for path in paths:
        try:
            data = path.read_bytes()
        except OSError as wrong:
            yield Imported(name=str(path), outcome=Outcome.REFUSED, told=(f"journal {path}: {reason(wrong)}",))
        else:
            yield import_journal(database, data, name=str(path))


def catch_up(database: Database, reports: Path) -> tuple[Imported, ...]:
    """Take in what a folder of reports has that the history has not, by place and size, without reading the rest."""
    if not reports.is_dir():
        return ()
    known = _known_sizes(database) if database.exists() else {}
    new = [path for path in find_journals([reports]) if known.get(str(path)) != path.stat().st_size]
    return tuple(import_journals(database, new))


def _known_sizes(database: Database) -> dict[str, int]:
    """How long each journal was when it was taken in. A grown one stands there several times."""
    with database.writing() as connection:  # an empty database gets its tables here
        found = connection.execute(text("SELECT path, max(bytes) FROM journals GROUP BY path"))
        return {str(path): int(size) for path, size in found}


def _began(path: Path) -> str:
    """When the run of a journal began, '' when it does not say: such are looked at first."""
    try:
        with path.open("rb") as file:
            return utc_text(_HEAD.decode(file.readline(_FIRST_BYTES)).utc)
    except (OSError, ValueError, RecursionError):
        return ""
