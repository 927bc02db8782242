"""The simulated supplies: the three dialects in which outputs are programmed and asked.

Owns: commands and the form of answers.  Must not know what an output does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from benchrig.simulation import scpi_parameters as parameters
from benchrig.simulation.instrument import Command, Instrument, command, nr3
from benchrig.simulation.outputs import CURRENT, PROTECTION, VOLTAGE, Output
from benchrig.simulation.scpi_errors import ScpiError
from benchrig.simulation.scpi_parameters import Limits

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Mapping

    from benchrig.simulation.bench_time import Agenda
    from benchrig.simulation.parts import SupplyTraits


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that can be programmed or asked of an output."""

    spelling: str
    unit: str
    answer: Callable[[Output], float | bool]
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

    default_channels: ClassVar = 2

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

    def command_table(self) -> list[Command]:
        """What all supplies have: a setter and a query for each item, as the dialect shapes them."""
        table = super().command_table()
        for item in ITEMS:
            if item.program is not None:
                table.append(self.setter(item, item.program))
            table.append(self.query(item))
        return table

    def setter(self, item: Item, program: Callable[[Output, str], None]) -> Command:
        """The command that programs `item`."""
        raise NotImplementedError

    def query(self, item: Item) -> Command:
        """The query that asks for `item`."""
        raise NotImplementedError

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

    def command_table(self) -> list[Command]:
        """Add what takes a channel list but no value."""
        return [
            *super().command_table(),
            command(CLEAR_TRIP, self._clear_trips, fewest=1),
            command(CONDITION, self._condition_of, most=1),
        ]

    def setter(self, item: Item, program: Callable[[Output, str], None]) -> Command:
        """Value and channel list."""

        def set_all(given: list[str]) -> None:
            for output in self._named(given[1]):
                program(output, given[0])

        return command(item.spelling, set_all, fewest=2)

    def query(self, item: Item) -> Command:
        """Channel list, or MIN, MAX, DEF and channel list; one answer for each channel."""

        def ask_all(given: list[str]) -> str:
            outputs = self._named(given[-1])
            if len(given) > 1:
                return ",".join([nr3(_bound(given[0], item))] * len(outputs))
            return ",".join(self._written(item.answer(output)) for output in outputs)

        return command(f"{item.spelling}?", ask_all, fewest=1, most=2 if item.limits else 1)

    @staticmethod
    def _written(value: float | bool) -> str:
        return str(int(value)) if isinstance(value, bool) else nr3(value)

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


class SingleOutputSupply(Supply):
    """Commands act on one output at a time; dialects say which and how answers are written."""

    selected = 1

    def command_table(self) -> list[Command]:
        """Add what needs no channel list here."""
        return [
            *super().command_table(),
            command(CLEAR_TRIP, lambda _: self._output.clear_protection()),
            command(CONDITION, lambda _: self.condition()),
        ]

    def setter(self, item: Item, program: Callable[[Output, str], None]) -> Command:
        """A value."""
        return command(item.spelling, lambda given: program(self._output, given[0]), fewest=1)

    def query(self, item: Item) -> Command:
        """Nothing, or MIN, MAX, DEF."""

        def ask(given: list[str]) -> str:
            return self.written(item, _bound(given[0], item) if given else item.answer(self._output))

        return command(f"{item.spelling}?", ask, most=1 if item.limits else 0)

    def reset(self) -> None:
        """Put every output to its default and select the first."""
        super().reset()
        self.selected = 1

    def written(self, item: Item, value: float | bool) -> str:
        """The answer to a query of `item`."""
        raise NotImplementedError

    @property
    def _output(self) -> Output:
        return self.outputs[self.selected]


class ChannelSelectSupply(SingleOutputSupply):
    """INSTrument:NSELect chooses the output; numbers are NR2 with a unit, switches are ON and OFF."""

    def command_table(self) -> list[Command]:
        """Add the choice of the output."""
        return [
            *super().command_table(),
            command("INSTrument:NSELect", self._select, fewest=1),
            command("INSTrument:NSELect?", lambda _: str(self.selected)),
        ]

    def written(self, item: Item, value: float | bool) -> str:
        """NR2 with unit, or ON and OFF."""
        if isinstance(value, bool):
            return "ON" if value else "OFF"
        return f"{value:.4f}{item.unit}"

    def _select(self, given: list[str]) -> None:
        self.selected = parameters.integer(given[0], Limits(1, len(self.outputs), 1))


class OneChannelSupply(SingleOutputSupply):
    """One output; answers repeat the header before the number."""

    default_channels: ClassVar = 1
    _HEADERS: ClassVar = {"V": "VOLT", "A": "CURR", "": "OUTP"}

    def written(self, item: Item, value: float | bool) -> str:
        """Header and NR3, or header and 1 or 0."""
        number = str(int(value)) if isinstance(value, bool) else f"{value:.5E}"
        return f"{self._HEADERS[item.unit]} {number}"


def _bound(text: str, item: Item) -> float:
    """The answer to a query with MIN, MAX or DEF.  Raises `ScpiError` -108 for anything else."""
    if item.limits is None or text[:3].upper() not in ("MIN", "MAX", "DEF"):
        raise ScpiError(-108)
    return parameters.number(text, item.limits)


SUPPLY_MODELS: Final[Mapping[str, type[Supply]]] = {
    "supply-channel-list": ChannelListSupply,
    "supply-channel-select": ChannelSelectSupply,
    "supply-one-channel": OneChannelSupply,
}
