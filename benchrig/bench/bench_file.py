"""The bench file: what stands on the table and how it is wired. Values in, checked value objects out.

Owns the meaning of `fixtures/benches/*.toml`. A file is read as a whole and every problem is told at once.
Knows nothing of the board but the path of its profile.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.bench.air_tables import GatewaySpec, NetworkSpec, RadioSpec, read_gateway, read_network, read_radio
from benchrig.bench.command_table import KINDS, find_table, read_command_table, unknown_table
from benchrig.bench.wiring import (
    SIMULATED,
    MeterWiring,
    RecorderWiring,
    SerialWiring,
    SourceWiring,
    WiringReader,
    distinct_channel,
    read_serial,
)
from benchrig.errors import ConfigError
from benchrig.judge.uncertainty import AccuracyTerms, Conditions
from benchrig.toml_reader import nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

    from benchrig.bench.command_table import CommandTable
    from benchrig.bench.wiring import Wiring
    from benchrig.toml_reader import Section

METER_NETS = {"terminals": "voltage", "rail": "voltage", "temperature": "temperature", "pin": "voltage"}
SERIAL_LINES = ("console", "modem_uart", "modem_reply")
_DAYS_A_YEAR = 365.25
_ACCURACY_OF = {
    "supply": ("set_voltage", "voltage", "current"),
    "meter": ("voltage", "temperature"),
    "recorder": ("current",),
}


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
        return Conditions(ambient_c=ambient_c, calibration_age_years=(today - self.calibrated).days / _DAYS_A_YEAR)


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


def read_bench_file(path: Path) -> BenchSpec:
    """Read and check a bench file. Raises ConfigError with every problem at once."""
    return read_toml(path, what="bench file", build=lambda top: _bench(top, path))


def _bench(top: Section, path: Path) -> BenchSpec:
    top.integer("schema", at_least=1, at_most=1)
    simulation = _simulation(top)
    backend = top.text("backend", default="@py")
    ambient_c = top.optional_number("ambient_c")
    instruments = {
        name: spec
        for name, section in top.sections("instruments")
        if (spec := _instrument(section, name, backend, path, ambient_c, simulated=simulation is not None))
    }
    listed = _names_of(top, "instruments")
    bench = BenchSpec(
        path=path,
        name=top.text("name"),
        simulation=simulation,
        real_cell=top.boolean("real_cell", default=False),
        transmitter=top.text("transmitter", default="none", accepted=("none", "dummy load", "antenna")),
        ambient_c=ambient_c,
        instruments=instruments,
        slots={
            name: slot
            for name, section in top.sections("slots")
            if (slot := _slot(section, name, path, instruments, listed, simulated=simulation is not None))
        },
        gateway=read_gateway(top, simulated=simulation is not None),
        network=read_network(top, path.parent),
    )
    _check_air(top, bench)
    if not bench.slots and not top.problems:
        top.problem("slots", "a bench has at least one slot")
    _check_shared_inputs(top, bench)
    top.finish()
    return bench


def _names_of(top: Section, key: str) -> tuple[str, ...]:
    table = top.raw(key)  # what is wrong with it was told when its parts were read
    return tuple(table) if isinstance(table, dict) else ()


def _simulation(top: Section) -> SimulationSpec | None:
    section = top.section("simulation", required=False)
    if section is None:
        return None
    spec = SimulationSpec(
        scale=section.number("scale", default=1.0, above=0.0, at_most=100.0),
        seed=section.integer("seed", default=1, at_least=0, at_most=2**32 - 1),
        faults=section.texts("faults", default=()),
    )
    section.finish(also_known=("air", "ambient_c", "models"))
    return spec


def _instrument(
    section: Section, name: str, backend: str, path: Path, ambient_c: float | None, *, simulated: bool
) -> InstrumentSpec | None:
    kind = section.text("kind", accepted=KINDS)
    table = _table_of(section, kind, path)
    resource = section.text("resource")
    if resource == SIMULATED and not simulated:
        section.problem("resource", f"{SIMULATED!r} needs a [simulation] table; name a VISA resource instead")
    calibrated, due = section.day("calibrated"), section.day("calibration_due")
    if calibrated and due and due < calibrated:
        section.problem("calibration_due", f"{due} is before the calibration of {calibrated}")
    spec = InstrumentSpec(
        name=name,
        kind=kind,
        table=table,  # type: ignore[arg-type]  # a missing table is a problem: no spec with it leaves this file
        resource=resource,
        backend=section.text("backend", default=backend),
        maker=section.text("maker", default="", empty=True),
        model=section.text("model"),
        serial=section.text("serial"),
        calibrated=calibrated,
        calibration_due=due,
        timeout_s=section.number("timeout_s", default=2.0, above=0.0, at_most=600.0),
        accuracy={quantity: _accuracy(terms) for quantity, terms in section.sections("accuracy", required=False)},
    )
    _check_accuracy_names(section, spec)
    _check_conditions(section, spec, ambient_c)
    section.finish()
    return spec if table else None


def _table_of(section: Section, kind: str, path: Path) -> CommandTable | None:
    name = section.text("table")
    if not name:
        return None
    found = find_table(name, beside=path.parent)
    if found is None:
        section.problem("table", unknown_table(name))
        return None
    try:
        table = read_command_table(found)
    except ConfigError as wrong:
        section.problems.extend(wrong.problems)
        return None
    if kind and table.kind != kind:
        section.problem("table", f"{name!r} is a table for a {table.kind}, and this instrument is a {kind}")
    return table


def _accuracy(section: Section) -> AccuracyTerms:
    terms = AccuracyTerms(
        of_reading=_or_zero(section.number("of_reading_percent", default=0.0, at_least=0.0)) / 100.0,
        of_range=_or_zero(section.number("of_range_percent", default=0.0, at_least=0.0)) / 100.0,
        resolution=_or_zero(section.number("resolution", default=0.0, at_least=0.0)),
        floor=_or_zero(section.number("fixed", default=0.0, at_least=0.0)),
        of_reading_per_k=_or_zero(section.number("of_reading_percent_per_k", default=0.0, at_least=0.0)) / 100.0,
        of_range_per_k=_or_zero(section.number("of_range_percent_per_k", default=0.0, at_least=0.0)) / 100.0,
        band_c=_band_c(section),
        drift_per_year=_or_zero(section.number("drift_percent_per_year", default=0.0, at_least=0.0)) / 100.0,
    )
    section.finish()
    return terms


def _band_c(section: Section) -> tuple[float, float]:
    """Air temperatures between which the stated accuracy holds as it is."""
    if not section.has("band_c"):
        return AccuracyTerms().band_c
    band = section.numbers("band_c")
    if len(band) != 2 or not band[0] <= band[1]:
        section.problem("band_c", f"{list(band)!r}; accepted: two numbers in degrees Celsius, low first")
        return AccuracyTerms().band_c
    return band[0], band[1]


def _check_conditions(section: Section, spec: InstrumentSpec, ambient_c: float | None) -> None:
    """A term that needs to know more than the reading is refused where that is not said."""
    for quantity, terms in spec.accuracy.items():
        if (terms.of_reading_per_k or terms.of_range_per_k) and ambient_c is None:
            section.problem(
                f"accuracy.{quantity}",
                "it has a temperature coefficient, and nothing says how warm the bench is; "
                "give ambient_c (degrees Celsius) at the top of the file",
            )
        if terms.drift_per_year and spec.calibrated is None:
            section.problem(f"accuracy.{quantity}", "it drifts with its age; say when it was calibrated: calibrated")


def _or_zero(value: float) -> float:
    return 0.0 if math.isnan(value) else value  # NaN stands for a value already reported as a problem


def _check_accuracy_names(section: Section, spec: InstrumentSpec) -> None:
    known = _ACCURACY_OF.get(spec.kind, ())
    for quantity in spec.accuracy:
        if known and quantity not in known:
            section.problem(
                f"accuracy.{quantity}",
                f"a {spec.kind} has no such quantity{nearest(quantity, known)}; known: {', '.join(known)}",
            )


def _slot(
    section: Section,
    name: str,
    path: Path,
    instruments: Mapping[str, InstrumentSpec],
    listed: tuple[str, ...],
    *,
    simulated: bool,
) -> SlotSpec | None:
    wiring = WiringReader(instruments, listed)
    profile = path.parent / section.text("profile")
    battery = section.section("battery")
    solar = section.section("solar", required=False)
    recorder = section.section("recorder", required=False)
    spec = SlotSpec(
        name=name,
        profile=profile,
        battery=wiring.source(battery) if battery else SourceWiring("", None, 0.0, 0.0),
        meters={
            net: wiring.meter(child, quantity=METER_NETS[net])
            for net, child in _named(section, "meters", tuple(METER_NETS), "net")
        },
        recorder=wiring.recorder(recorder) if recorder else None,
        serial={
            line: read_serial(child, simulated=simulated)
            for line, child in _named(section, "serial", SERIAL_LINES, "line")
        },
        solar=wiring.source(solar) if solar else None,
        radio=read_radio(section, simulated=simulated),
    )
    if "console" not in spec.serial:
        section.problem("serial.console", "this table is missing; without it no value of the board can be compared")
    section.finish()
    return spec


def _named(section: Section, key: str, known: tuple[str, ...], word: str) -> list[tuple[str, Section]]:
    """Sub-tables whose names are a closed set; an unknown name is a problem."""
    found = list(section.sections(key, required=False))
    for name, child in found:
        if name not in known:
            child.problem("", f"unknown {word}{nearest(name, known)}; known: {', '.join(known)}")
    return [(name, child) for name, child in found if name in known]


def _check_air(top: Section, bench: BenchSpec) -> None:
    """A board is heard one way: by gateways of the bench, with its keys, or through a network, with its identity."""
    if bench.gateway and bench.network:
        top.problem("network", "a bench hears its boards by its own [gateway] or through a [network]; leave one out")
    for slot in bench.slots.values():
        radio, place = slot.radio, f"slots.{slot.name}.radio"
        if radio is None:
            continue
        if bench.gateway and not radio.keys:
            top.problem(f"{place}.keys", "the bench's own gateway side needs the board's key; name its source")
        if bench.gateway and radio.join_eui is None and bench.simulation is None:
            top.problem(f"{place}.join_eui", "the bench's own gateway side needs it to accept the board's join")
        if bench.network and radio.device_eui is None:
            top.problem(f"{place}.device_eui", "a network tells of many boards; give the one in this slot")


def _check_shared_inputs(top: Section, bench: BenchSpec) -> None:
    """No two nets may claim one instrument input: the second would read the first one's volts."""
    claimed: dict[tuple[str, int | None], str] = {}
    for slot in bench.slots.values():
        uses: dict[str, Wiring] = {"battery": slot.battery}
        uses |= {f"meters.{net}": wiring for net, wiring in slot.meters.items()}
        uses |= {"solar": slot.solar} if slot.solar else {}
        uses |= {"recorder": slot.recorder} if slot.recorder else {}
        for use, wiring in uses.items():
            spec = bench.instruments.get(wiring.instrument)
            if spec is None or spec.kind != wiring.kind:
                continue  # told where the wiring was read; it claims nothing
            place, channel = f"slots.{slot.name}.{use}", distinct_channel(wiring, spec.table)
            first = claimed.setdefault((wiring.instrument, channel), place)
            if first != place:
                which = "" if channel is None else f" channel {channel}"
                top.problem(place, f"{wiring.instrument!r}{which} is already wired to {first}")
