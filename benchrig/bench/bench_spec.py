"""What stands on a table, as frozen values: instruments, slots, the mark of a simulation, the whole bench.

Owns what is said of them, in base units. Must not know how a bench file is read (`bench_file`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.judge.uncertainty import Conditions

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

    from benchrig.bench.air_tables import GatewaySpec, NetworkSpec, RadioSpec
    from benchrig.bench.command_table import CommandTable
    from benchrig.bench.wiring import MeterWiring, RecorderWiring, SerialWiring, SourceWiring
    from benchrig.judge.uncertainty import AccuracyTerms

DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class InstrumentSpec:
    """An instrument: where it answers, who it must be, how it is spoken to and how far it can be believed."""

    name: str
    kind: str
    table: CommandTable
    resource: str
    backend: str
    maker: str
    model: str
    serial: str
    calibrated: date | None
    calibration_due: date | None
    timeout_s: float
    accuracy: Mapping[str, AccuracyTerms]

    def conditions(self, *, ambient_c: float | None, today: date | None) -> Conditions:
        """What its readings are taken under. Raises ConfigError for a calibration that lies ahead of `today`."""
        if self.calibrated is None or today is None:
            return Conditions(ambient_c=ambient_c)
        if self.calibrated > today:
            raise ConfigError(
                f"instruments.{self.name}.calibrated: {self.calibrated} lies ahead of today, {today}; correct the "
                "bench file, or this computer's date"
            )
        return Conditions(ambient_c=ambient_c, calibration_age_years=(today - self.calibrated).days / DAYS_A_YEAR)


@dataclass(frozen=True)
class SlotSpec:
    """One place for a board."""

    name: str
    profile: Path
    battery: SourceWiring
    meters: Mapping[str, MeterWiring]
    recorder: RecorderWiring | None
    serial: Mapping[str, SerialWiring]
    solar: SourceWiring | None = None
    radio: RadioSpec | None = None

    @property
    def instruments(self) -> tuple[str, ...]:
        """Names of all instruments that this slot uses, each once."""
        used = [self.battery.instrument, *(wiring.instrument for wiring in self.meters.values())]
        used += [self.recorder.instrument] if self.recorder else []
        return tuple(dict.fromkeys(used))


@dataclass(frozen=True)
class SimulationSpec:
    """The mark of a simulated bench; everything else in it is the simulator's own business."""

    scale: float
    seed: int
    faults: tuple[str, ...]


@dataclass(frozen=True)
class BenchSpec:
    """A whole bench file."""

    path: Path
    name: str
    simulation: SimulationSpec | None
    real_cell: bool
    transmitter: str
    ambient_c: float | None
    instruments: Mapping[str, InstrumentSpec]
    slots: Mapping[str, SlotSpec] = field(default_factory=dict)
    gateway: GatewaySpec | None = None
    network: NetworkSpec | None = None
