"""The bench file: what stands on the table and how it is wired. Values in, checked value objects out.

Owns the meaning of `fixtures/benches/*.toml`. A file is read as a whole and every problem is told at once.
Knows nothing of the board but the path of its profile.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from benchrig.bench.accuracy_table import check_conditions, check_names, check_stated, read_accuracy
from benchrig.bench.air_tables import read_gateway, read_network, read_radio
from benchrig.bench.bench_spec import DAYS_A_YEAR, BenchSpec, InstrumentSpec, SimulationSpec, SlotSpec
from benchrig.bench.command_table import KINDS, find_table, read_command_table, unknown_table
from benchrig.bench.shared_inputs import check_addresses, check_ports, check_shared_inputs
from benchrig.bench.wiring import (
    SIMULATED,
    SourceWiring,
    WiringReader,
    read_serial,
)
from benchrig.errors import ConfigError
from benchrig.toml_reader import nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

    from benchrig.bench.command_table import CommandTable
    from benchrig.toml_reader import Section

__all__ = [
    "METER_NETS",
    "SCALES",
    "SERIAL_LINES",
    "BenchSpec",
    "InstrumentSpec",
    "SimulationSpec",
    "SlotSpec",
    "read_bench_file",
]

METER_NETS = {"terminals": "voltage", "rail": "voltage", "temperature": "temperature", "pin": "voltage"}
SERIAL_LINES = ("console", "modem_uart", "modem_reply")
SCALES = (0.01, 100.0)
"""Bench seconds in one wall second: the slowest that anybody waits for, the fastest that a computer keeps up with."""
_COLDEST_C, _HOTTEST_C = -40.0, 85.0
"""Of the air round the instruments: where none of them is sold for less or more."""
_SHORTEST_TIMEOUT_S = 0.01
"""No instrument answers sooner; a time-out of nothing at all would mean another thing to its driver."""
_LONGEST_CALIBRATION_YEARS = 10.0
"""One or two years are usual, some resistors get five; a longer one never falls due. Common practice, no source."""


def read_bench_file(path: Path) -> BenchSpec:
    """Read and check a bench file. Raises ConfigError with every problem at once."""
    return read_toml(path, what="bench file", build=lambda top: _bench(top, path))


def _refuse_profile(top: Section, path: Path) -> None:
    """A board profile in place of a bench file is one mistake, and no list of unknown keys."""
    if top.has("maxima") and not (top.has("instruments") or top.has("slots")):
        raise ConfigError(
            f"bench file {path}: this is a board profile, it has [maxima] and neither [instruments] nor [slots]; give "
            "the bench file whose slots name it, with which it is read, too"
        )


def _bench(top: Section, path: Path) -> BenchSpec:
    _refuse_profile(top, path)
    top.integer("schema", at_least=1, at_most=1)
    simulation = _simulation(top)
    backend = top.text("backend", default="@py")
    ambient_c = _ambient_c(top)
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
            if _is_slot_name(section, name)
            and (slot := _slot(section, name, path, instruments, listed, simulated=simulation is not None))
        },
        gateway=read_gateway(top, simulated=simulation is not None),
        network=read_network(top, path.parent),
    )
    _check_air(top, bench)
    if not bench.slots and not top.problems:
        top.problem("slots", "a bench has at least one slot")
    check_shared_inputs(top, bench)
    check_ports(top, bench)
    check_addresses(top, bench)
    check_stated(top, bench, METER_NETS)
    top.finish()
    return bench


def _ambient_c(top: Section) -> float | None:
    value = top.number("ambient_c", default=None, at_least=_COLDEST_C, at_most=_HOTTEST_C)
    return value if math.isfinite(value) else None


def _names_of(top: Section, key: str) -> tuple[str, ...]:
    table = top.raw(key)  # what is wrong with it was told when its parts were read
    return tuple(table) if isinstance(table, dict) else ()


def _simulation(top: Section) -> SimulationSpec | None:
    section = top.section("simulation", required=False)
    if section is None:
        return None
    spec = SimulationSpec(
        scale=section.number("scale", default=1.0, at_least=SCALES[0], at_most=SCALES[1]),
        seed=section.integer("seed", default=1, at_least=0, at_most=2**32 - 1),
        faults=section.texts("faults", default=()),
    )
    section.finish(also_known=("air", "ambient_c", "models", "image", "mcu_host"))
    return spec


def _instrument(
    section: Section, name: str, backend: str, path: Path, ambient_c: float | None, *, simulated: bool
) -> InstrumentSpec | None:
    kind = section.text("kind", accepted=KINDS)
    table = _table_of(section, kind, path)
    resource = section.text("resource")
    if resource == SIMULATED and not simulated:
        section.problem("resource", f"{SIMULATED!r} needs a [simulation] table; name a VISA resource instead")
    calibrated, due = _calibration(section)
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
        timeout_s=section.number("timeout_s", default=2.0, at_least=_SHORTEST_TIMEOUT_S, at_most=600.0),
        accuracy={quantity: read_accuracy(terms) for quantity, terms in section.sections("accuracy", required=False)},
    )
    check_names(section, spec)
    check_conditions(section, spec, ambient_c)
    section.finish()
    return spec if table else None


def _calibration(section: Section) -> tuple[date | None, date | None]:
    """When it was calibrated, and until when that holds."""
    before = len(section.problems)
    calibrated, due = section.day("calibrated"), section.day("calibration_due")
    if due is None or len(section.problems) > before:
        return calibrated, due
    if calibrated is None:
        section.problem("calibrated", f"this key is missing: calibration_due = {due} holds from some day on")
    elif due < calibrated:
        section.problem("calibration_due", f"{due} is before the calibration of {calibrated}")
    elif (due - calibrated).days > _LONGEST_CALIBRATION_YEARS * DAYS_A_YEAR:
        section.problem(
            "calibration_due",
            f"{due} is more than {_LONGEST_CALIBRATION_YEARS:g} years after the calibration of {calibrated}; accepted: "
            "the day on its certificate",
        )
    return calibrated, due


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


def _is_slot_name(section: Section, name: str) -> bool:
    """A slot's name goes into the names of files and onto the command line (`--board SLOT=SERIAL`)."""
    if _SLOT_NAME.fullmatch(name):
        return True
    section.problem("", f"{name!r} is no name of a slot; accepted: up to 32 letters, digits, '_' and '-', such as 1")
    return False


_SLOT_NAME = re.compile(r"[A-Za-z0-9_-]{1,32}")


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
