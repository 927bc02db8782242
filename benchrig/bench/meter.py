"""One input of a multimeter: volts of a net, or the temperature beside the board, on a fixed range."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.reading import Reading

if TYPE_CHECKING:
    from benchrig.bench.command_table import NumberReading
    from benchrig.bench.instrument import Instrument
    from benchrig.bench.wiring import MeterWiring
    from benchrig.clock import Clock


class Meter:
    """A net as a meter sees it."""

    def __init__(self, instrument: Instrument, wiring: MeterWiring, clock: Clock, *, net: str) -> None:
        self.instrument = instrument
        self.wiring = wiring
        self.net = net
        self._clock = clock

    @property
    def name(self) -> str:
        """What messages call it."""
        return f"meter {self.instrument.name}"

    def read_voltage(self, *, count: int = 1) -> Reading:
        """Mean of `count` readings in volts."""
        return self._read("voltage", count)

    def read_temperature(self, *, count: int = 1) -> Reading:
        """Mean of `count` readings in degrees Celsius."""
        return self._read("temperature", count)

    def _read(self, quantity: str, count: int) -> Reading:
        reading = self._table_reading(quantity)
        at_s = self._clock.now_s()
        taken = [self._one(reading) for _ in range(count)]
        found = self.instrument.believe(quantity, [value for value, _ in taken], range_=self.wiring.range)
        raw = ", ".join(raw for _, raw in taken)
        source = f"{self.instrument.name} at {self.net}"
        return Reading(found.mean, reading.unit, found.standard_uncertainty, source, raw, at_s, count, found.parts)

    def _one(self, reading: NumberReading) -> tuple[float, str]:
        return self.instrument.number(
            reading.query.format(channel=self.wiring.channel, range=self.wiring.range),
            unit=reading.unit,
            header=reading.header,
            suffix=reading.suffix,
            prepare=reading.prepare.format(channel=self.wiring.channel, range=self.wiring.range),
        )

    def _table_reading(self, quantity: str) -> NumberReading:
        try:
            return self.instrument.table.readings[quantity]
        except KeyError:
            raise ConfigError(
                f"meter {self.instrument.name}: its command table {self.instrument.table.name} has no reading of "
                f"{quantity}; known there: {', '.join(self.instrument.table.readings)}"
            ) from None
