"""Which input or output of an instrument is wired to what, as the tables of a slot say it.

Owns the meaning of `[slots.N.battery]`, `.meters.*`, `.recorder` and `.serial.*`. Knows nothing of files or slots.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Protocol

from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.bench.command_table import CommandTable
    from benchrig.toml_reader import Section

SIMULATED = "simulated"
"""As a resource or a port: the address is the one that the simulated bench announces."""
RELEASES = ("close", "none")
_MOST_LEAD_OHM = 5.0
"""Ten metres of thin hook-up wire, or a worn contact; with more a board falls over its own current. Common practice, no
source."""
_FINEST_A = 1e-9
"""The finest range of a current recorder; common practice, no source."""
_LEAST_RANGE, _MOST_RANGE = 0.001, 1000.0
"""Volts of a bench meter's ranges; common practice, no source."""


class Wired(Protocol):
    """What wiring must know of an instrument."""

    @property
    def kind(self) -> str: ...
    @property
    def table(self) -> CommandTable: ...


@dataclass(frozen=True)
class SourceWiring:
    """Which supply output feeds the battery terminals, through what."""

    kind: ClassVar = "supply"
    instrument: str
    channel: int | None
    lead_ohm: float
    contact_ohm: float


@dataclass(frozen=True)
class MeterWiring:
    """Which meter input sees a net, on which fixed range (0: the function has none)."""

    kind: ClassVar = "meter"
    instrument: str
    channel: int | None
    range: float


@dataclass(frozen=True)
class RecorderWiring:
    """Which current recorder stands in the battery lead, and the ranges to use."""

    kind: ClassVar = "recorder"
    instrument: str
    channel: int | None
    sleep_range_a: float
    transmit_range_a: float


@dataclass(frozen=True)
class SerialWiring:
    """A serial port, the state of its control lines, and how the link lets go of the board.

    `release` "close": a closed port neither feeds nor loads the board; "none": nothing is known to release it,
    so a floor current cannot be decided.
    """

    port: str
    dtr: bool
    rts: bool
    release: str


Wiring = SourceWiring | MeterWiring | RecorderWiring


@dataclass(frozen=True)
class WiringReader:
    """Reads the tables that name an instrument and one of its inputs."""

    instruments: Mapping[str, Wired]
    listed: tuple[str, ...]

    def _input(self, section: Section, kind: str) -> tuple[str, int | None]:
        name = section.text("instrument")
        channel = section.integer("channel", default=None, at_least=0, at_most=9999) if section.has("channel") else None
        spec = self.instruments.get(name)
        if spec is None:
            if name and name not in self.listed:
                section.problem(
                    "instrument",
                    f"there is no instrument {name!r}{nearest(name, self.listed)}; "
                    f"this file has: {', '.join(self.listed) or 'none'}",
                )
            return name, channel
        if spec.kind and spec.kind != kind:
            section.problem("instrument", f"{name!r} is a {spec.kind}; a {kind} is needed here")
        elif channel is None and names_channel(spec.table):
            section.problem("channel", f"this key is missing: the command table {spec.table.name} names a channel")
        return name, channel

    def source(self, section: Section) -> SourceWiring:
        """A supply output."""
        name, channel = self._input(section, SourceWiring.kind)
        wiring = SourceWiring(
            name,
            channel,
            lead_ohm=section.number("lead_ohm", default=0.0, at_least=0.0, at_most=_MOST_LEAD_OHM),
            contact_ohm=section.number("contact_ohm", default=0.0, at_least=0.0, at_most=_MOST_LEAD_OHM),
        )
        section.finish(also_known=("channel",))
        return wiring

    def meter(self, section: Section, *, quantity: str) -> MeterWiring:
        """A meter input that reads `quantity`, a name of the command table's readings."""
        name, channel = self._input(section, MeterWiring.kind)
        wiring = MeterWiring(name, channel, range=_range(section))
        spec = self.instruments.get(name)
        if spec is not None and spec.kind == spec.table.kind == "meter":
            _check_reading(section, spec.table, quantity, has_range=wiring.range != 0.0)
        section.finish(also_known=("channel",))
        return wiring

    def recorder(self, section: Section) -> RecorderWiring:
        """A recorder input."""
        name, channel = self._input(section, RecorderWiring.kind)
        wiring = RecorderWiring(
            name,
            channel,
            sleep_range_a=section.number("sleep_range_a", default=0.01, at_least=_FINEST_A, at_most=10.0),
            transmit_range_a=section.number("transmit_range_a", default=0.1, at_least=_FINEST_A, at_most=10.0),
        )
        if wiring.sleep_range_a > wiring.transmit_range_a:
            section.problem(
                "sleep_range_a",
                f"{wiring.sleep_range_a:g} A is above transmit_range_a = {wiring.transmit_range_a:g} A; accepted: a "
                "range that is no coarser asleep",
            )
        section.finish(also_known=("channel",))
        return wiring


def _range(section: Section) -> float:
    value = section.number("range", default=0.0, at_least=0.0, at_most=_MOST_RANGE)
    if 0.0 < value < _LEAST_RANGE:
        section.problem("range", f"{value:g} is no range; accepted: {_LEAST_RANGE:g} to {_MOST_RANGE:g}, 0 for none")
    return value


def _check_reading(section: Section, table: CommandTable, quantity: str, *, has_range: bool) -> None:
    reading = table.readings.get(quantity)
    if reading is None:
        known = ", ".join(table.readings) or "none"
        section.problem("instrument", f"the command table {table.name} has no reading of {quantity}; known: {known}")
    elif not has_range and "{range" in reading.prepare + reading.query:
        section.problem("range", f"this key is missing: the command table {table.name} names a range")


def names_channel(table: CommandTable) -> bool:
    """Whether a message of the table cannot be sent without a channel; a recorder's route can be left out."""
    messages = [message for reading in table.readings.values() for message in (reading.prepare, reading.query)]
    messages += [message for setting in table.settings.values() for message in (setting.set, setting.query)]
    messages += [condition.query for condition in table.conditions.values()]
    messages += [table.output.on, table.output.off, table.output.query] if table.output else []
    return any("{channel" in message for message in messages)


def distinct_channel(wiring: Wiring, table: CommandTable) -> int | None:
    """The channel, where the instrument's commands can tell channels apart."""
    can_tell = names_channel(table) or (table.capture is not None and table.capture.route)
    return wiring.channel if can_tell else None


def read_serial(section: Section, *, simulated: bool) -> SerialWiring:
    """A serial port of a slot; the word `simulated` needs a simulated bench."""
    wiring = SerialWiring(
        port=section.text("port"),
        dtr=section.boolean("dtr", default=False),
        rts=section.boolean("rts", default=False),
        release=section.text("release", default="close", accepted=RELEASES),
    )
    if wiring.port == SIMULATED and not simulated:
        section.problem("port", f"{SIMULATED!r} needs a [simulation] table; name a serial port by its USB path")
    section.finish()
    return wiring
