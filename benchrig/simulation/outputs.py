"""One output of a simulated supply: what was programmed, what its source does, what read-back says.

Owns: accepted ranges, set and read-back errors.  Must not know how commands are spelled.  Read-back is 0.05 % + 2 mV
and 0.1 % + 0.5 mA, invented for the demo: too coarse to judge a sleep current.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.simulation import scpi_parameters as parameters
from benchrig.simulation.parts import SupplyTraits, within
from benchrig.simulation.scpi_errors import ScpiError
from benchrig.simulation.scpi_parameters import Limits
from benchrig.simulation.source import Source, SourceErrors

if TYPE_CHECKING:
    import random

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
