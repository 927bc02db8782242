"""The simulated supplies: settings and read-back of each output, and the three command dialects.

Owns: programmed values, read-back errors, commands.  Must not know what is connected to an output.  Read-back is
0.05 % + 2 mV and 0.1 % + 0.5 mA, invented for the demo: too coarse to judge a sleep current.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.simulation import scpi_parameters as parameters
from benchrig.simulation.instrument import Command, Instrument, command
from benchrig.simulation.parts import SupplyTraits, within
from benchrig.simulation.scpi_errors import ScpiError
from benchrig.simulation.scpi_parameters import Limits
from benchrig.simulation.source import Source, SourceErrors

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Mapping

    from benchrig.simulation.bench_time import Agenda

VOLTAGE: Final = Limits(0.0, 6.0, 0.0, "V")
CURRENT: Final = Limits(0.0, 1.0, 0.1, "A")
PROTECTION: Final = Limits(0.0, 6.6, 6.6, "V")
SET_GAIN: Final = 0.0005
SET_OFFSET_V: Final = 0.003
READ_GAIN: Final = 0.0005
READ_OFFSET_V: Final = 0.002
READ_GAIN_CURRENT: Final = 0.001
READ_OFFSET_A: Final = 0.0005


@dataclass(frozen=True, slots=True)
class Linear:
    """A reading with fixed gain and offset error and some noise."""

    gain: float
    offset: float
    noise: float

    def read(self, true_value: float, rng: random.Random) -> float:
        """One reading of `true_value`."""
        return true_value * (1.0 + self.gain) + self.offset + rng.gauss(0.0, self.noise)


class Output:
    """One output: what was programmed, and what read-back says."""

    def __init__(self, agenda: Agenda, *, traits: SupplyTraits, rng: random.Random) -> None:
        self.source = Source(
            agenda, errors=SourceErrors(within(rng, SET_GAIN), within(rng, SET_OFFSET_V) - traits.missing_v)
        )
        self._traits = traits
        self._rng = rng
        self._read_voltage = Linear(within(rng, READ_GAIN), within(rng, READ_OFFSET_V), 20e-6)
        self._read_current = Linear(within(rng, READ_GAIN_CURRENT), within(rng, READ_OFFSET_A), 10e-6)
        self.reset()

    def reset(self) -> None:
        """Output off, everything at its default."""
        self.voltage, self.limit, self.protection = VOLTAGE.default, CURRENT.default, PROTECTION.default
        self.source.clear_trip()
        self._switch_off()
        self.source.set_voltage(self.voltage)
        self.source.set_limit(self.limit)
        self.source.set_protection(self.protection)

    def set_voltage(self, text: str) -> None:
        """Program the voltage.  Raises `ScpiError` -222 outside the range."""
        volts = parameters.number(text, VOLTAGE)
        if self._traits.refuses_voltage:
            raise ScpiError(-222)
        self.voltage = volts
        self.source.set_voltage(volts)

    def set_limit(self, text: str) -> None:
        """Program the current limit.  Raises `ScpiError` -222 outside the range."""
        amperes = parameters.number(text, CURRENT)
        if not self._traits.ignores_limit:
            self.limit = amperes
            self.source.set_limit(amperes)

    def set_protection(self, text: str) -> None:
        """Program the over-voltage trip level.  Raises `ScpiError` -222 outside the range."""
        volts = parameters.number(text, PROTECTION)
        if not self._traits.ignores_protection:
            self.protection = volts
            self.source.set_protection(volts)

    def switch(self, text: str) -> None:
        """Switch the output.  Raises `ScpiError` -221 when an over-voltage trip is still latched."""
        is_on = parameters.switch(text)
        if is_on and self.source.is_tripped:
            raise ScpiError(-221)
        if is_on:
            self.source.switch(is_on=True)
        else:
            self._switch_off()

    def clear_protection(self) -> None:
        """Release the latched trip."""
        self.source.clear_trip()

    def measured_voltage(self) -> float:
        """Read-back voltage."""
        return self._read_voltage.read(self.source.terminal_voltage(), self._rng) * self._traits.readback_gain

    def measured_current(self) -> float:
        """Read-back current."""
        return self._read_current.read(self.source.current(), self._rng)

    def condition(self) -> int:
        """Questionable condition: bit 0 over-voltage trip, bit 1 current limit active."""
        return int(self.source.is_tripped) | int(self.source.is_limiting()) << 1

    def _switch_off(self) -> None:
        if not (self._traits.is_stuck_on and self.source.is_on):
            self.source.switch(is_on=False)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that can be programmed or asked of an output."""

    spelling: str
    unit: str
    answer: Callable[[Output], float | bool] | None = None
    program: Callable[[Output, str], None] | None = None
    limits: Limits | None = None


_LEVEL: Final = "[:LEVel][:IMMediate][:AMPLitude]"
ITEMS: Final = (
    Item(f"[SOURce:]VOLTage{_LEVEL}", "V", lambda out: out.voltage, Output.set_voltage, VOLTAGE),
    Item(f"[SOURce:]CURRent{_LEVEL}", "A", lambda out: out.limit, Output.set_limit, CURRENT),
    Item(
        "[SOURce:]VOLTage:PROTection[:LEVel]",
        "V",
        lambda out: out.protection,
        Output.set_protection,
        PROTECTION,
    ),
    Item("OUTPut[:STATe]", "", lambda out: out.source.is_on, Output.switch),
    Item("MEASure[:SCALar]:VOLTage[:DC]", "V", Output.measured_voltage),
    Item("MEASure[:SCALar]:CURRent[:DC]", "A", Output.measured_current),
)
CLEAR_TRIP: Final = "OUTPut:PROTection:CLEar"
CONDITION: Final = "STATus:QUEStionable:CONDition?"


class Supply(Instrument):
    """A supply; a dialect decides how an output is named and how numbers are written."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        identity: str,
        channels: int,
        traits: SupplyTraits,
        rng: random.Random,
    ) -> None:
        super().__init__(agenda, identity=identity)
        self.outputs: Mapping[int, Output] = {
            number: Output(agenda, traits=traits, rng=rng) for number in range(1, channels + 1)
        }

    def reset(self) -> None:
        """Put every output to its default, off."""
        super().reset()
        for output in self.outputs.values():
            output.reset()

    def condition(self) -> str:
        """Questionable condition over all outputs."""
        bits = 0
        for output in self.outputs.values():
            bits |= output.condition()
        return str(bits)


class ChannelListSupply(Supply):
    """Every command names its outputs in a channel list; numbers are NR3."""

    default_channels = 2

    def __init__(
        self, agenda: Agenda, *, identity: str, channels: int, traits: SupplyTraits, rng: random.Random
    ) -> None:
        super().__init__(agenda, identity=identity, channels=channels, traits=traits, rng=rng)
        for item in ITEMS:
            self.add_commands(self._item_commands(item))
        self.add_commands(
            [
                command(CLEAR_TRIP, self._clear_trips, fewest=1),
                command(CONDITION, self._condition_of, most=1),
            ]
        )

    def _item_commands(self, item: Item) -> list[Command]:
        program, answer = item.program, item.answer
        commands = []
        if program is not None:

            def set_all(given: list[str]) -> None:
                for output in self._named(given[1]):
                    program(output, given[0])

            commands.append(command(item.spelling, set_all, fewest=2))
        if answer is not None:

            def ask_all(given: list[str]) -> str:
                if len(given) > 1:
                    self._named(given[1])
                    return nr3(_bound(given[0], item))
                return ",".join(_nr3_or_digit(answer(output)) for output in self._named(given[0]))

            commands.append(command(item.spelling + "?", ask_all, fewest=1, most=2 if item.limits else 1))
        return commands

    def _named(self, channel_list: str) -> list[Output]:
        numbers = parameters.channels(channel_list)
        if any(number not in self.outputs for number in numbers):
            raise ScpiError(-222)
        return [self.outputs[number] for number in numbers]

    def _clear_trips(self, given: list[str]) -> None:
        for output in self._named(given[0]):
            output.clear_protection()

    def _condition_of(self, given: list[str]) -> str:
        if not given:
            return self.condition()
        return ",".join(str(output.condition()) for output in self._named(given[0]))


class SingleOutputDialect(Supply):
    """Commands act on one output at a time; subclasses say which and how answers are written."""

    def __init__(
        self, agenda: Agenda, *, identity: str, channels: int, traits: SupplyTraits, rng: random.Random
    ) -> None:
        super().__init__(agenda, identity=identity, channels=channels, traits=traits, rng=rng)
        self.selected = 1
        for item in ITEMS:
            self.add_commands(self._item_commands(item))
        self.add_commands(
            [
                command(CLEAR_TRIP, lambda _: self.outputs[self.selected].clear_protection()),
                command(CONDITION, lambda _: self.condition()),
            ]
        )

    def reset(self) -> None:
        """Put every output to its default and select the first."""
        super().reset()
        self.selected = 1

    def written(self, item: Item, value: float | bool) -> str:
        """The answer to a query of `item`."""
        raise NotImplementedError

    def _item_commands(self, item: Item) -> list[Command]:
        program, answer = item.program, item.answer
        commands = []
        if program is not None:
            commands.append(
                command(item.spelling, lambda given: program(self.outputs[self.selected], given[0]), fewest=1)
            )
        if answer is not None:

            def ask(given: list[str]) -> str:
                value = _bound(given[0], item) if given else answer(self.outputs[self.selected])
                return self.written(item, value)

            commands.append(command(item.spelling + "?", ask, most=1 if item.limits else 0))
        return commands


class ChannelSelectSupply(SingleOutputDialect):
    """INSTrument:NSELect chooses the output; numbers are NR2 with a unit, switches are ON and OFF."""

    default_channels = 2

    def __init__(
        self, agenda: Agenda, *, identity: str, channels: int, traits: SupplyTraits, rng: random.Random
    ) -> None:
        super().__init__(agenda, identity=identity, channels=channels, traits=traits, rng=rng)
        self.add_commands(
            [
                command("INSTrument:NSELect", self._select, fewest=1),
                command("INSTrument:NSELect?", lambda _: str(self.selected)),
            ]
        )

    def written(self, item: Item, value: float | bool) -> str:
        """NR2 with unit, or ON and OFF."""
        if isinstance(value, bool):
            return "ON" if value else "OFF"
        return f"{value:.4f}{item.unit}"

    def _select(self, given: list[str]) -> None:
        self.selected = parameters.integer(given[0], Limits(1, len(self.outputs), 1))


class OneChannelSupply(SingleOutputDialect):
    """One output; answers repeat the header before the number."""

    _HEADERS: Final = {"V": "VOLT", "A": "CURR", "": "OUTP"}

    default_channels = 1

    def written(self, item: Item, value: float | bool) -> str:
        """Header and NR3, or header and 1 or 0."""
        number = str(int(value)) if isinstance(value, bool) else f"{value:.5E}"
        return f"{self._HEADERS[item.unit]} {number}"


def nr3(value: float) -> str:
    """A number in NR3 form with nine significant digits."""
    return f"{value:+.8E}"


def _nr3_or_digit(value: float | bool) -> str:
    return str(int(value)) if isinstance(value, bool) else nr3(value)


def _bound(text: str, item: Item) -> float:
    """The answer to a query with MIN, MAX or DEF.  Raises `ScpiError` -108 for anything else."""
    if item.limits is None or text[:3].upper() not in ("MIN", "MAX", "DEF"):
        raise ScpiError(-108)
    return parameters.number(text, item.limits)


SUPPLY_MODELS: Final[Mapping[str, type[ChannelListSupply | ChannelSelectSupply | OneChannelSupply]]] = {
    "supply-channel-list": ChannelListSupply,
    "supply-channel-select": ChannelSelectSupply,
    "supply-one-channel": OneChannelSupply,
}
