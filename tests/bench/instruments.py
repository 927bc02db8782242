"""Instrument descriptions for tests, without a bench file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.bench.bench_file import InstrumentSpec
from benchrig.bench.command_table import (
    Capture,
    CommandTable,
    NumberReading,
    NumberSetting,
    SwitchSetting,
)
from benchrig.bench.instrument import Instrument
from benchrig.judge.uncertainty import AccuracyTerms
from benchrig.wires.visa import VisaWire, open_visa

if TYPE_CHECKING:
    from collections.abc import Mapping

VOLTAGE = NumberSetting("VOLT {value:.4f}", "VOLT?", "V", tolerance=0.001)
LIMIT = NumberSetting("CURR {value:.4f}", "CURR?", "A", tolerance=0.0005)
PROTECTION = NumberSetting("VOLT:PROT {value:.3f}", "VOLT:PROT?", "V", tolerance=0.01)
ACCURACY = {
    "voltage": AccuracyTerms(floor=0.002),
    "current": AccuracyTerms(floor=0.0005),
    "temperature": AccuracyTerms(floor=0.1),
}
OUTPUT = SwitchSetting("OUTP ON", "OUTP OFF", "OUTP?")


@dataclass
class Notes:
    """Collects what an instrument tells of itself."""

    told: list[tuple[str, str]] = field(default_factory=list)

    def __call__(self, kind: str, text: str) -> None:
        self.told.append((kind, text))

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.told]


def table(
    kind: str = "supply",
    *,
    joins: bool = True,
    token: bool = True,
    error_query: str = ":SYST:ERR?",
    readings: Mapping[str, NumberReading] | None = None,
    capture: Capture | None = None,
) -> CommandTable:
    """A table for the scripted instrument."""
    return CommandTable(
        name="scripted",
        kind=kind,
        summary="for tests",
        source="tests",
        joins=joins,
        token=token,
        read_termination="\n",
        write_termination="\n",
        clear="*CLS",
        error_query=error_query,
        settings={"voltage": VOLTAGE, "current_limit": LIMIT, "protection": PROTECTION},
        output=OUTPUT,
        readings=readings or {"voltage": NumberReading("MEAS:VOLT?", "V"), "current": NumberReading("MEAS:CURR?", "A")},
        capture=capture,
    )


def spec(resource: str, commands: CommandTable, *, timeout_s: float = 5.0, serial: str = "SN-1") -> InstrumentSpec:
    """An instrument at that address."""
    return InstrumentSpec(
        name="psu",
        kind=commands.kind,
        table=commands,
        resource=resource,
        backend="@py",
        maker="Invented",
        model="M1",
        serial=serial,
        calibrated=None,
        calibration_due=None,
        timeout_s=timeout_s,
        accuracy=ACCURACY,
    )


def open_wire(described: InstrumentSpec) -> VisaWire:
    """The wire that a bench opens."""
    return open_visa(
        described.resource,
        name=described.name,
        backend=described.backend,
        read_termination=described.table.read_termination,
        write_termination=described.table.write_termination,
    )


def instrument(
    resource: str,
    commands: CommandTable | None = None,
    *,
    notes: Notes | None = None,
    timeout_s: float = 5.0,
    serial: str = "SN-1",
) -> Instrument:
    """A session that is not yet open."""
    described = spec(resource, commands or table(), timeout_s=timeout_s, serial=serial)
    return Instrument(described, open_wire=open_wire, note=notes or Notes())
