"""Whether two things of a bench file claim one piece of the bench: an input, an output, a serial port, an address.

Owns that rule. What is claimed twice would be read twice: the second net would get the first one's volts, the second
slot the first one's board. Must not know how a table is read.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from benchrig.bench.wiring import SIMULATED, RecorderWiring, distinct_channel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.bench.bench_spec import BenchSpec, SlotSpec
    from benchrig.bench.wiring import Wiring
    from benchrig.toml_reader import Section


def check_shared_inputs(top: Section, bench: BenchSpec) -> None:
    """No two nets may claim one instrument input: the second would read the first one's volts."""
    claimed: dict[tuple[str, int | None], str] = {}
    for place, wiring in _wirings(bench):
        channel = distinct_channel(wiring, bench.instruments[wiring.instrument].table)
        first = claimed.setdefault((wiring.instrument, channel), place)
        if first != place:
            which = "" if channel is None else f" channel {channel}"
            top.problem(place, f"{wiring.instrument!r}{which} is already wired to {first}")
    _check_routes(top, bench, claimed)


def _wirings(bench: BenchSpec) -> Iterator[tuple[str, Wiring]]:
    """Every wiring that is sound by itself; what names no instrument of its kind was told, and claims nothing."""
    for slot in bench.slots.values():
        for use, wiring in _uses(slot).items():
            spec = bench.instruments.get(wiring.instrument)
            if spec is not None and spec.kind == wiring.kind:
                yield f"slots.{slot.name}.{use}", wiring


def _uses(slot: SlotSpec) -> dict[str, Wiring]:
    uses: dict[str, Wiring] = {"battery": slot.battery}
    uses |= {f"meters.{net}": wiring for net, wiring in slot.meters.items()}
    uses |= {"solar": slot.solar} if slot.solar else {}
    uses |= {"recorder": slot.recorder} if slot.recorder else {}
    return uses


def _check_routes(top: Section, bench: BenchSpec, claimed: dict[tuple[str, int | None], str]) -> None:
    """A recorder's input may go without a number where it is the only one that is wired."""
    for (name, channel), place in claimed.items():
        others = [at for (other, number), at in claimed.items() if other == name and number is not None]
        if channel is None and others and bench.instruments[name].kind == RecorderWiring.kind:
            top.problem(
                f"{place}.channel",
                f"this key is missing: {name!r} is wired to {', '.join(others)}, too, and this could be the same input",
            )


def check_ports(top: Section, bench: BenchSpec) -> None:
    """One serial port is one line of one board; two names of one port are the same port."""
    claimed: dict[str, str] = {}
    for slot in bench.slots.values():
        for line, wiring in slot.serial.items():
            if wiring.port in ("", SIMULATED):
                continue
            place = f"slots.{slot.name}.serial.{line}"
            first = claimed.setdefault(os.path.realpath(wiring.port), place)
            if first != place:
                top.problem(f"{place}.port", f"{wiring.port!r} is already the port of {first}; give each line its own")


def check_addresses(top: Section, bench: BenchSpec) -> None:
    """One address, and one serial number, is one instrument, under one name."""
    addresses: dict[str, str] = {}
    numbers: dict[tuple[str, str, str], str] = {}
    for name, spec in bench.instruments.items():
        if spec.resource not in ("", SIMULATED):
            first = addresses.setdefault("".join(spec.resource.split()).upper(), name)
            if first != name:
                top.problem(
                    f"instruments.{name}.resource",
                    f"{spec.resource!r} is already the address of {first!r}; wire several inputs of one instrument "
                    "under its one name",
                )
        first = numbers.setdefault((spec.maker, spec.model, spec.serial), name)
        if first != name and spec.serial:
            top.problem(
                f"instruments.{name}.serial",
                f"{spec.model} {spec.serial!r} is already {first!r}: no two instruments of a maker have one number",
            )
