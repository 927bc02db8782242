"""Putting a bench together from its file: boards in slots, instruments, servers, ports.

Owns: who is wired to whom.  Must not know how any of them works.
"""

from __future__ import annotations

import asyncio
import random
import socket
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

from benchrig.simulation.bench_time import Agenda
from benchrig.simulation.board import Board
from benchrig.simulation.config import BenchFile, BenchFileError, InstrumentEntry, SlotEntry, Wire, nearest
from benchrig.simulation.disturbances import DisturbedLine
from benchrig.simulation.faults import SlotParts, apply_faults
from benchrig.simulation.gateway import Gateway
from benchrig.simulation.lorawan_crypto import warm_up
from benchrig.simulation.mcu import Image
from benchrig.simulation.memory import Memory
from benchrig.simulation.meters import METER_MODELS, Input, PickedUp, ScanListMeter
from benchrig.simulation.parts import (
    AirTraits,
    Behaviour,
    Feed,
    GatewayTraits,
    LineTraits,
    MeterTraits,
    PinTraits,
    RecorderTraits,
    SupplyTraits,
    toleranced,
)
from benchrig.simulation.ptys import PtyWatcher
from benchrig.simulation.radio_air import Air
from benchrig.simulation.radio_identity import RadioIdentity, identity_of
from benchrig.simulation.recorders import RECORDER_MODELS, TraceSource
from benchrig.simulation.server import InstrumentServer
from benchrig.simulation.solar import Charger
from benchrig.simulation.supplies import SUPPLY_MODELS, Supply

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from benchrig.simulation.instrument import Instrument
    from benchrig.simulation.parts import BoardParts
    from benchrig.simulation.source import Source

_Model = TypeVar("_Model")
_Traits = TypeVar("_Traits")


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where clients find the bench."""

    instruments: Mapping[str, str]
    serial: Mapping[str, str]
    radio: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """By slot: identities of the board's radio and, if it was made at random, its key."""
    gateway: Mapping[str, object] = field(default_factory=dict)
    """`listen`: where the gateways look for a network; `euis`: who they are."""


class Bench:
    """A running simulated bench."""

    def __init__(
        self, file: BenchFile, *, scale: float, seed: int, faults: Iterable[str], serials: Mapping[str, str]
    ) -> None:
        """Build everything; bench time starts now.  Raises `BenchFileError`."""
        self.agenda = Agenda(scale=scale)
        self._file = file
        self._seed = seed
        self._watcher = PtyWatcher(before=self.agenda.catch_up)
        is_heard = file.gateways is not None
        healthy = {name: _healthy(slot, is_heard=is_heard) for name, slot in file.slots.items()}
        self._parts = apply_faults(faults, healthy)
        self._radios: dict[str, RadioIdentity] = {}
        traits = _first_faulty((parts.air for parts in self._parts.values()), AirTraits())
        self._air = Air(self.agenda, traits=traits, rng=self._rng("air"))
        self._gateways = self._made_gateways()
        self._supplies = {entry.name: self._supply(entry) for entry in self._of_kind("supply")}
        self._boards = {
            name: self._board(slot, serials.get(name, f"HB-{name:0>4}")) for name, slot in file.slots.items()
        }
        self._servers = {
            **{name: InstrumentServer(supply) for name, supply in self._supplies.items()},
            **{entry.name: self._meter(entry) for entry in self._of_kind("meter")},
            **{entry.name: InstrumentServer(self._recorder(entry)) for entry in self._of_kind("recorder")},
        }

    async def open(self) -> Addresses:
        """Open sockets and ports.  Raises `BenchFileError` if a fixed port is taken."""
        loop = asyncio.get_running_loop()
        serial = {
            f"{slot.name}.{port}": self._boards[slot.name].open_port(port, self._watcher).path
            for slot in self._file.slots.values()
            for port in slot.ports
        }
        instruments = {name: await self._listen(name) for name in self._file.instruments}
        gateway = await self._open_gateways()
        self._watcher.attach(loop)
        self.agenda.attach(loop)
        slots = self._file.slots
        radio = {name: self._radios[name].announcement() for name in slots if slots[name].radio is not None}
        return Addresses(instruments, serial, radio, gateway)

    def _made_gateways(self) -> list[Gateway]:
        entry = self._file.gateways
        traits = _first_faulty((parts.gateway for parts in self._parts.values()), GatewayTraits())
        losses_db = {} if entry is None else entry.attenuation_db
        return [
            Gateway(
                self.agenda,
                self._air,
                eui=eui,
                attenuation_db=loss_db,
                traits=traits,
                rng=self._rng(f"gateway {eui:016X}"),
            )
            for eui, loss_db in losses_db.items()
        ]

    async def _open_gateways(self) -> dict[str, object]:
        entry = self._file.gateways
        if entry is None:
            return {}
        warm_up()
        port = entry.port or _free_port(entry.host)
        for gateway in self._gateways:
            await gateway.open(host=entry.host, port=port)
        return {"listen": f"{entry.host}:{port}", "euis": [f"{eui:016X}" for eui in entry.attenuation_db]}

    async def _listen(self, name: str) -> str:
        wanted = self._file.instruments[name].port
        try:
            port = await self._servers[name].listen(port=wanted)
        except OSError as error:
            raise BenchFileError(
                f"instrument {name!r} cannot listen on port {wanted}: {error.strerror}; free the port or"
                " write resource = 'simulated'"
            ) from error
        return f"TCPIP::127.0.0.1::{port}::SOCKET"

    def _of_kind(self, kind: str) -> list[InstrumentEntry]:
        return [entry for entry in self._file.instruments.values() if entry.kind == kind]

    def _rng(self, purpose: str) -> random.Random:
        """A generator of its own for each part, so that one part's draws never shift another's."""
        return random.Random(f"{self._seed}/{purpose}")

    def _supply(self, entry: InstrumentEntry) -> Supply:
        model = _model(SUPPLY_MODELS, entry)
        wires = [wire for slot in self._file.slots.values() for wire in _supply_wires(slot)]
        highest = max((wire.channel for wire in wires if wire.instrument == entry.name), default=1)
        traits = _first_faulty((self._parts[slot.name].supply for slot in self._slots_served(entry)), SupplyTraits())
        return model(
            self.agenda,
            identity=entry.identity(reports_other_serial=traits.reports_other_serial),
            channels=max(highest, model.default_channels),
            traits=traits,
            rng=self._rng(entry.name),
        )

    def _meter(self, entry: InstrumentEntry) -> InstrumentServer:
        model = _model(METER_MODELS, entry)
        inputs = self._inputs(entry)
        if len(inputs) > 1 and model is not ScanListMeter:
            raise BenchFileError(
                f"instrument {entry.name!r} ({entry.model}) has one input but {len(inputs)} nets name it"
            )
        traits = _first_faulty((self._parts[slot.name].meter for slot in self._slots_served(entry)), MeterTraits())
        rng = self._rng(entry.name)
        meter = model(self.agenda, identity=entry.identity(), inputs=inputs, traits=traits, rng=rng)
        if traits.line == LineTraits():
            return InstrumentServer(meter)
        return InstrumentServer(meter, disturbance=DisturbedLine(traits.line, rng=rng))

    def _recorder(self, entry: InstrumentEntry) -> Instrument:
        model = _model(RECORDER_MODELS, entry)
        traits = _first_faulty(
            (self._parts[slot.name].recorder for slot in self._slots_served(entry)), RecorderTraits()
        )
        traces: dict[int, TraceSource] = {
            slot.recorder.channel: self._boards[slot.name].node.trace
            for slot in self._slots_served(entry)
            if slot.recorder is not None
        }
        return model(self.agenda, identity=entry.identity(), traces=traces, traits=traits, rng=self._rng(entry.name))

    def _inputs(self, entry: InstrumentEntry) -> dict[int, Input]:
        return {
            wire.channel: self._input(slot, net)
            for slot in self._slots_served(entry)
            for net, wire in slot.meters.items()
            if wire.instrument == entry.name
        }

    def _input(self, slot: SlotEntry, net: str) -> Input:
        board = self._boards[slot.name]
        inputs = {
            "terminals": Input(board.node.pad_voltage),
            "rail": Input(board.rail_voltage, noise=self._picked_up(slot)),
            "pin": Input(board.pin_voltage),
            "temperature": Input(lambda: self._file.ambient_c, is_thermometer=True),
        }
        return inputs[net]

    def _picked_up(self, slot: SlotEntry) -> PickedUp | None:
        traits = self._parts[slot.name].meter
        if not traits.rail_noise_v:
            return None
        rng = self._rng(f"noise of slot {slot.name}")
        return PickedUp(traits.rail_noise_v, traits.rail_noise_correlation, rng=rng)

    def _slots_served(self, entry: InstrumentEntry) -> list[SlotEntry]:
        return [slot for slot in self._file.slots.values() if entry.name in slot.instruments()]

    def _board(self, slot: SlotEntry, serial: str) -> Board:
        parts = self._parts[slot.name]
        rng = self._rng(f"board {slot.name} {serial}")
        radio = identity_of(slot.radio, device_eui=Memory(serial=serial, boots=0).device_eui)
        self._radios[slot.name] = radio
        board = Board(
            self.agenda,
            parts=toleranced(parts.board, rng),
            feed=parts.feed,
            line=parts.line,
            source=self._source(slot.battery),
            serial=serial,
            ambient_c=self._file.ambient_c,
            rng=rng,
            radio=radio,
            air=self._air,
            radio_rng=self._rng(f"radio {slot.name} {serial}"),
            image=self._image(parts.board),
        )
        if slot.solar is not None:
            board.attach_charger(Charger(self._source(slot.solar)))
        return board

    def _image(self, parts: BoardParts) -> Image | None:
        """The image that runs; a fault of the modelled program can not be planted into it."""
        elf, host = self._file.image, self._file.mcu_host
        if elf is None or host is None:
            return None
        if (parts.behaviour, parts.pin) != (Behaviour(), PinTraits()):
            raise BenchFileError(
                "the fault is one of the modelled program, and this bench runs an image; build the image's own variants"
                " (fixtures/firmware/hay-barn-probe/regression.h)"
            )
        return Image(elf, host)

    def _source(self, wire: Wire) -> Source:
        source = self._supplies[wire.instrument].outputs[wire.channel].source
        if source.load is not None:
            raise BenchFileError(
                f"output {wire.channel} of {wire.instrument!r} feeds two things; give each its own channel"
            )
        return source


def _healthy(slot: SlotEntry, *, is_heard: bool) -> SlotParts:
    feed = Feed(lead_ohm=slot.lead_ohm, contact_ohm=slot.contact_ohm)
    return SlotParts(feed=feed, has_radio=is_heard and slot.radio is not None)


def _free_port(host: str) -> int:
    """A UDP port that nobody has, for whoever reads the ready line to listen on."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind((host, 0))
        port: int = probe.getsockname()[1]
    return port


def _supply_wires(slot: SlotEntry) -> list[Wire]:
    return [slot.battery] if slot.solar is None else [slot.battery, slot.solar]


def _model(models: Mapping[str, _Model], entry: InstrumentEntry) -> _Model:
    if entry.model not in models:
        raise BenchFileError(
            f"[simulation.models] {entry.name} = {entry.model!r} is unknown; {nearest(entry.model, models)}"
        )
    return models[entry.model]


def _first_faulty(candidates: Iterable[_Traits], healthy: _Traits) -> _Traits:
    """The traits of an instrument: those of the first slot it serves that has a fault there."""
    return next((traits for traits in candidates if traits != healthy), healthy)
