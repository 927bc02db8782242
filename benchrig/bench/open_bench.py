"""Opens the instruments of a bench file and hands each slot what its wiring names."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

from benchrig.bench.instrument import Instrument
from benchrig.bench.meter import Meter
from benchrig.bench.ownership import Ownership
from benchrig.bench.power_guard import OffOrder
from benchrig.bench.read_back import ReadBackTerminals
from benchrig.bench.recorder import CurrentRecorder
from benchrig.bench.supply import Maxima, Supply
from benchrig.bench.wiring import SIMULATED
from benchrig.errors import BenchError
from benchrig.records import InstrumentRecord
from benchrig.wires.visa import VisaWire, open_visa

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import date

    from benchrig.bench.bench_file import BenchSpec, InstrumentSpec, SlotSpec
    from benchrig.clock import Clock
    from benchrig.reading import Reading


class Terminals(Protocol):
    """Whatever says how many volts the battery terminals carry: a meter there, or the supply from afar."""

    @property
    def name(self) -> str: ...
    def read_voltage(self, *, count: int = 1) -> Reading: ...


@dataclass(frozen=True)
class SlotBench:
    """The instruments as one slot sees them. A part that the bench lacks is None."""

    slot: str
    supply: Supply
    terminals: Terminals
    rail: Meter | None
    thermometer: Meter | None
    recorder: CurrentRecorder | None
    pin: Meter | None = None


class OpenBench:
    """Owns the instruments of the chosen slots from `open` to `close`."""

    def __init__(
        self, spec: BenchSpec, slots: tuple[str, ...], addresses: Mapping[str, str], *, today: date | None = None
    ) -> None:
        """`addresses` holds the resources that a simulated bench announced, by instrument name.

        `today` tells how old the calibrations are; without it a drift with age cannot be reckoned.
        """
        self.spec = spec
        self._slots = slots
        self._addresses = addresses
        self._today = today
        self._instruments: dict[str, Instrument] = {}
        self._stack = ExitStack()

    def open(self, note: Callable[[str, str], None]) -> tuple[InstrumentRecord, ...]:
        """Take, open and identify every instrument that the slots use. Raises BenchError; nothing stays open then."""
        names = dict.fromkeys(name for slot in self._slots for name in self.spec.slots[slot].instruments)
        try:
            for name in names:
                self._open_one(name, note)
        except BaseException:
            self.close()
            raise
        return tuple(self._record(instrument) for instrument in self._instruments.values())

    def close(self) -> None:
        """Close every session and let go of every address."""
        self._stack.close()
        self._instruments.clear()

    def slot(self, name: str, maxima: Maxima, clock: Clock, *, guarded: Callable[[], bool]) -> SlotBench:
        """The instruments of one slot, the supply within `maxima`."""
        spec = self.spec.slots[name]
        meters = {
            net: Meter(self._instruments[wiring.instrument], wiring, clock, net=net)
            for net, wiring in spec.meters.items()
        }
        recorder = spec.recorder
        supply = Supply(self._instruments[spec.battery.instrument], spec.battery, maxima, clock, guarded=guarded)
        return SlotBench(
            slot=name,
            supply=supply,
            terminals=meters.get("terminals") or ReadBackTerminals(supply),
            rail=meters.get("rail"),
            thermometer=meters.get("temperature"),
            recorder=CurrentRecorder(self._instruments[recorder.instrument], recorder, clock) if recorder else None,
            pin=meters.get("pin"),
        )

    def off_order(self, slot: str) -> OffOrder:
        """How the power guard switches this slot's output off."""
        return off_order(self.resolved(self.spec.slots[slot].battery.instrument), self.spec.slots[slot])

    def resolved(self, name: str) -> InstrumentSpec:
        """An instrument's description with the address at which it really answers."""
        spec = self.spec.instruments[name]
        if spec.resource != SIMULATED:
            return spec
        if name not in self._addresses:
            raise BenchError(
                f"{spec.kind} {name}: the simulated bench announced no address for it "
                f"(announced: {', '.join(self._addresses) or 'nothing'})"
            )
        return replace(spec, resource=self._addresses[name])

    def _open_one(self, name: str, note: Callable[[str, str], None]) -> None:
        spec = self.resolved(name)
        self._stack.enter_context(Ownership(spec.resource, name=f"{spec.kind} {name}"))
        conditions = spec.conditions(ambient_c=self.spec.ambient_c, today=self._today)
        instrument = Instrument(spec, open_wire=_open_wire, note=note, conditions=conditions)
        self._stack.callback(instrument.close)
        instrument.open()
        self._instruments[name] = instrument

    def _record(self, instrument: Instrument) -> InstrumentRecord:
        spec, identity = instrument.spec, instrument.identity
        shown = ",".join((identity.maker, identity.model, identity.serial, identity.firmware)) if identity else ""
        return InstrumentRecord(
            name=spec.name,
            kind=spec.kind,
            identity=shown,
            serial=identity.serial if identity else "",
            resource=spec.resource,
            table=spec.table.name,
            calibrated=spec.calibrated.isoformat() if spec.calibrated else "",
            calibration_due=spec.calibration_due.isoformat() if spec.calibration_due else "",
        )


def off_order(spec: InstrumentSpec, slot: SlotSpec) -> OffOrder:
    """The messages that switch one slot's output off, filled in."""
    switch = spec.table.output
    if switch is None:  # refused when the command table is read
        raise BenchError(f"supply {spec.name} has no output switch in its command table {spec.table.name}")
    channel = slot.battery.channel
    return OffOrder(
        name=f"supply {spec.name}" + ("" if channel is None else f" channel {channel}"),
        resource=spec.resource,
        backend=spec.backend,
        read_termination=spec.table.read_termination,
        write_termination=spec.table.write_termination,
        off=switch.off.format(channel=channel),
        query=switch.query.format(channel=channel),
        header=switch.header,
    )


def _open_wire(spec: InstrumentSpec) -> VisaWire:
    return open_visa(
        spec.resource,
        name=spec.name,
        backend=spec.backend,
        read_termination=spec.table.read_termination,
        write_termination=spec.table.write_termination,
        open_timeout_s=spec.timeout_s,
    )
