"""Whole production runs of the shipped suite, bench and profile, each made once for all tests that look at it.

A run is known by its fault alone. What a test gets is to be read, never written: others read it, too.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.journal import read_journal
from benchrig.report.board_report import board_report

from .runs import PRODUCTION, Place, eventually

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from benchrig.report.board_report import BoardReport

    from .runs import Finished

AT_ONCE = 2
"""More of them make the computer so busy that answers of a board come late through no fault of its own."""


@dataclass(frozen=True)
class ProductionRun:
    """A finished run: where it left its files, what it said, and its journal put together."""

    place: Place
    found: Finished
    report: BoardReport


class ProductionRuns:
    """Makes what is asked for and not there yet, two at a time."""

    def __init__(self, folder: Path) -> None:
        """Every run gets a folder of its own in `folder`."""
        self._folder = folder
        self._made: dict[str, ProductionRun] = {}

    def of(self, fault: str) -> ProductionRun:
        """The run with this fault switched on; '' for a healthy board on a sound bench."""
        return self.all_of([fault])[fault]

    def all_of(self, faults: Iterable[str]) -> dict[str, ProductionRun]:
        """The run of each fault."""
        wanted = list(faults)
        missing = [fault for fault in wanted if fault not in self._made]
        with ThreadPoolExecutor(AT_ONCE) as pool:
            self._made |= zip(missing, pool.map(self._make, missing), strict=True)
        return {fault: self._made[fault] for fault in wanted}

    def _make(self, fault: str) -> ProductionRun:
        place = Place(self._folder / (fault or "healthy"))
        place.folder.mkdir()
        found = place.run(PRODUCTION, *place.on_bench(*(["--bench-fault", fault] if fault else [])))
        assert eventually(lambda: not place.processes()), f"still alive: {place.processes()}"
        (journal,) = place.journals()
        return ProductionRun(place, found, board_report(read_journal(journal)))
