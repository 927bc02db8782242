"""What a run is asked to do, and what its checks hand on to each other: values that nobody opens a bench for.

Must not know how a run goes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from benchrig.bench.bench_file import BenchSpec
    from benchrig.bench_fitness import BenchFitness
    from benchrig.board.profile import BoardProfile
    from benchrig.waivers import Waiver


@dataclass(frozen=True)
class Found:
    """A value that one check measured and a later one builds on, in the base unit, such as the floor current."""

    value: float
    standard_uncertainty: float
    unit: str


@dataclass(frozen=True)
class Provenance:
    """Where a board comes from and what it lies in, as the person at the bench says."""

    lot: str = ""
    assembly_revision: str = ""
    contact_fixture: str = ""


@dataclass(frozen=True)
class RunPlan:
    """What is to be run, and where it is written."""

    use: str
    board: str
    slot: str
    bench: BenchSpec
    profile: BoardProfile
    reports: Path
    suite_sha256: str
    simulated_faults: tuple[str, ...] = ()
    operator: str = ""
    options: Mapping[str, str] = field(default_factory=dict)
    fitness: BenchFitness | None = None
    waivers: tuple[Waiver, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    said_by_others: tuple[tuple[str, str, str], ...] | None = None
    """Identities of other boards in the history: kind, value, board. None: no history was asked."""

    def waiver(self, check: str) -> str:
        """Who waived that check for this board, until when and why; '' for nobody."""
        found = [one for one in self.waivers if one.check == check and one.covers(self.board)]
        return f"by {found[0].who} until {found[0].until}: {found[0].why}" if found else ""

    @property
    def required(self) -> tuple[str, ...]:
        return self.profile.required[self.use]

    @property
    def report_path(self) -> Path:
        """The JUnit file of the newest run of this board."""
        return self.reports / f"{self.board}.xml"
