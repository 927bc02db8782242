"""Lots for tests: histories made from journals that are written record by record, and what is made from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from benchrig.lot_report.build import build_pages
from benchrig.lot_report.report import lot_report
from benchrig.records import Record, RunStarted, Verdict
from benchrig.store.database import Database
from benchrig.store.folder import find_journals, import_journals
from benchrig.store.lot_rows import lot_rows
from tests.store.journals import journal, records

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from benchrig.dossier.pages import Pages
    from benchrig.lot_report.report import LotReport
    from benchrig.store.lot_rows import LotRows

LOT = "L7"
SCATTER = (3.301, 3.304, 3.298, 3.311, 3.289, 3.306, 3.300, 3.295, 3.303, 3.309, 3.292, 3.299, 3.3045, 3.297, 3.302)


def history_of(folder: Path, runs: Iterable[Sequence[Record]]) -> Path:
    """An SQLite history of these runs."""
    reports = folder / "reports"
    reports.mkdir(parents=True)
    for number, lines in enumerate(runs):
        (reports / f"{number:04d}.jsonl").write_bytes(journal(lines))
    history = folder / "history.sqlite"
    for one in import_journals(Database(history), find_journals([reports])):
        assert one.outcome in ("new", "note"), one
    return history


def rows_of(history: Path, lot: str = LOT) -> LotRows:
    """What the history has of a lot."""
    with Database(history).reading() as connection:
        return lot_rows(connection, lot)


def report_of(
    history: Path, lot: str = LOT, *, use: str = "production", since: str = "", built: int | None = None
) -> LotReport:
    """The report of a lot."""
    return lot_report(rows_of(history, lot), name=lot, use=use, since=since, built=built)


def pages_of_lot(history: Path, lot: str = LOT) -> Pages:
    """The pages of a lot."""
    return build_pages(report_of(history, lot))


def started_with(lines: Sequence[Record], **changes: object) -> list[Record]:
    """The records of a run that began otherwise."""
    return [msgspec.structs.replace(one, **changes) if isinstance(one, RunStarted) else one for one in lines]


def sound(number: int, *, rail_v: float = 3.3, lot: str = LOT) -> list[Record]:
    """A run of a board that passed, an hour after the one before."""
    return records(board=f"HB-{1000 + number}", minutes=60.0 * number, rail_v=(rail_v,), lot=lot)


def bad(number: int, *, rail_v: float = 3.5, minutes: float | None = None) -> list[Record]:
    """A run of a board that failed."""
    at = 60.0 * number if minutes is None else minutes
    return records(board=f"HB-{1000 + number}", minutes=at, rail_v=(rail_v,), verdict=Verdict.FAIL)


def spoiled(number: int, *, minutes: float | None = None) -> list[Record]:
    """A run that the bench failed: it says nothing of its board."""
    at = 60.0 * number if minutes is None else minutes
    return records(board=f"HB-{1000 + number}", minutes=at, rail_v=(None,), verdict=Verdict.BENCH_ERROR)


def lot_of_forty(folder: Path) -> Path:
    """Forty boards, of which each eighth failed, in a real lot."""
    runs = [
        bad(at, rail_v=3.41 + 0.001 * at) if at % 8 == 5 else sound(at, rail_v=SCATTER[at % 15] + 1e-5 * at)
        for at in range(40)
    ]
    return history_of(folder, runs)
