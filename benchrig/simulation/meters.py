"""The simulated meters: what an input reads, and the three command dialects.

Owns: reading errors, ranges, aperture time, commands.  Must not know what a net is: it gets a function that tells the
true value.  Errors (0.0035 % of reading + 0.0007 % of range, thermometer 0.1 degrees) are invented for the demo.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.simulation import scpi_parameters as parameters
from benchrig.simulation.instrument import Command, Instrument, command, nr3
from benchrig.simulation.parts import MeterTraits, within
from benchrig.simulation.scpi_errors import ScpiError
from benchrig.simulation.scpi_parameters import Limits

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Mapping

    from benchrig.simulation.bench_time import Agenda

OVERLOAD: Final = 9.9e37
NOT_A_NUMBER: Final = 9.91e37
LINE_FREQUENCY_HZ: Final = 50.0
RANGES_V: Final = (0.1, 1.0, 10.0, 100.0)
RANGE: Final = Limits(0.0, 100.0, 10.0, "V")
CYCLES: Final = Limits(0.02, 100.0, 1.0)
GAIN: Final = 35e-6
OFFSET_OF_RANGE: Final = 7e-6
NOISE_OF_RANGE: Final = 0.5e-6
OVER_RANGE: Final = 1.2
SENSOR_C: Final = 0.1
CHANNELS_PER_CARD: Final = 20
MOST_CARDS: Final = 99

NPLC: Final = "[SENSe:]VOLTage[:DC]:NPLCycles"


class PickedUp:
    """Noise that a lead picks up: normal, each reading correlated with the one before (first-order autoregressive)."""

    def __init__(self, rms_v: float, correlation: float, *, rng: random.Random) -> None:
        self._rms_v = rms_v
        self._correlation = correlation
        self._rng = rng
        self._last_v = rng.gauss(0.0, rms_v)

    def __call__(self) -> float:
        """Volts on top of the next reading."""
        fresh_v = self._rng.gauss(0.0, self._rms_v * math.sqrt(1.0 - self._correlation**2))
        self._last_v = self._correlation * self._last_v + fresh_v
        return self._last_v


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a meter: what is connected to it, and what its lead picks up."""

    true_value: Callable[[], float]
    is_thermometer: bool = False
    noise: PickedUp | None = None


OPEN_INPUT: Final = Input(lambda: 0.0)


class Meter(Instrument):
    """What all meters share: inputs, aperture, range, errors."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        identity: str,
        inputs: Mapping[int, Input],
        traits: MeterTraits,
        rng: random.Random,
    ) -> None:
        super().__init__(agenda, identity=identity)
        self._inputs = inputs
        self._traits = traits
        self._rng = rng
        self._gain = within(rng, GAIN)
        self._offset_of_range = within(rng, OFFSET_OF_RANGE)
        self._sensor_offset_c = within(rng, SENSOR_C)
        self.cycles = CYCLES.default

    def command_table(self) -> list[Command]:
        """What all meters have: the aperture."""
        return [
            *super().command_table(),
            command(NPLC, self._set_cycles, fewest=1),
            command(f"{NPLC}?", lambda _: nr3(self.cycles)),
        ]

    def reset(self) -> None:
        """Put the aperture to its default."""
        super().reset()
        self.cycles = CYCLES.default

    @property
    def aperture_s(self) -> float:
        """Seconds of bench time that one reading takes."""
        return self.cycles / LINE_FREQUENCY_HZ

    def voltage(self, wired: Input, *, range_v: float) -> float:
        """One voltage reading at the end of the aperture."""
        true_v = 0.0 if wired.is_thermometer else wired.true_value()
        true_v += wired.noise() if wired.noise is not None else 0.0
        if self._traits.special_number is not None and not wired.is_thermometer:
            return self._traits.special_number
        if abs(true_v) > OVER_RANGE * range_v:
            return OVERLOAD
        error_v = true_v * self._gain + range_v * self._offset_of_range
        return true_v + error_v + self._rng.gauss(0.0, NOISE_OF_RANGE * range_v)

    def temperature(self, wired: Input) -> float:
        """One temperature reading in degrees C; an input without a sensor is not a number."""
        if not wired.is_thermometer:
            return NOT_A_NUMBER
        if self._traits.is_thermometer_broken:
            return NOT_A_NUMBER
        return wired.true_value() + self._sensor_offset_c + self._rng.gauss(0.0, 0.01)

    def _set_cycles(self, given: list[str]) -> None:
        self.cycles = parameters.number(given[0], CYCLES)


class ScanListMeter(Meter):
    """MEASure with a channel list does everything in one query."""

    def command_table(self) -> list[Command]:
        """Add the queries that do everything."""
        return [
            *super().command_table(),
            command("MEASure[:SCALar]:VOLTage[:DC]?", self._measure_voltages, fewest=1, most=2),
            command("MEASure[:SCALar]:TEMPerature?", self._measure_temperatures, fewest=1),
        ]

    async def _measure_voltages(self, given: list[str]) -> str:
        *range_text, channel_list = given
        range_v = best_range(range_text[0]) if range_text else RANGE.default
        return await self._scan(channel_list, lambda wired: self.voltage(wired, range_v=range_v))

    async def _measure_temperatures(self, given: list[str]) -> str:
        return await self._scan(given[0], self.temperature)

    async def _scan(self, channel_list: str, read: Callable[[Input], float]) -> str:
        readings = []
        for wired in [self._wired(number) for number in parameters.channels(channel_list)]:
            await self.agenda.wait_until(self.agenda.now + self.aperture_s)
            readings.append(nr3(read(wired)))
        return ",".join(readings)

    def _wired(self, number: int) -> Input:
        card, position = divmod(number, 100)
        if not (1 <= card <= MOST_CARDS and 1 <= position <= CHANNELS_PER_CARD):
            raise ScpiError(-222)
        return self._inputs.get(number, OPEN_INPUT)


class TriggeredMeter(Meter):
    """A meter with a single input that is configured, triggered and read in separate steps."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        identity: str,
        inputs: Mapping[int, Input],
        traits: MeterTraits,
        rng: random.Random,
    ) -> None:
        super().__init__(agenda, identity=identity, inputs=inputs, traits=traits, rng=rng)
        self.input = next(iter(inputs.values()), OPEN_INPUT)
        self._reading: float | None = None
        self.reads_temperature = False
        self.range_v = RANGE.default

    def command_table(self) -> list[Command]:
        """Add trigger and fetch."""
        return [
            *super().command_table(),
            command("INITiate[:IMMediate]", lambda _: self._trigger()),
            command("FETCh?", lambda _: self._fetch()),
        ]

    def reset(self) -> None:
        """Back to volts, no reading."""
        super().reset()
        self.configure(reads_temperature=False)
        self.range_v = RANGE.default

    def configure(self, *, reads_temperature: bool) -> None:
        """Choose what is read; an earlier reading is no longer valid."""
        self.reads_temperature = reads_temperature
        self._reading = None
        self.busy_until_s = self.agenda.now

    def written(self, reading: float) -> str:
        """The answer for a reading."""
        raise NotImplementedError

    def _trigger(self) -> None:
        if self.busy_until_s > self.agenda.now:
            raise ScpiError(-213)
        self._reading = None
        self.busy_until_s = self.agenda.now + self.aperture_s
        self.agenda.at(self.busy_until_s, self._take_reading)

    def _take_reading(self) -> None:
        if self.reads_temperature:
            self._reading = self.temperature(self.input)
        else:
            self._reading = self.voltage(self.input, range_v=self.range_v)

    async def _fetch(self) -> str:
        if self._reading is None:
            if self.busy_until_s <= self.agenda.now:
                raise ScpiError(-230)
            await self._wait_for_completion(None)
        if self._reading is None:
            raise ScpiError(-230)
        return self.written(self._reading)

    async def read(self) -> str:
        """Trigger and fetch in one."""
        self._trigger()
        return await self._fetch()


class ConfigureReadMeter(TriggeredMeter):
    """CONFigure, then READ?; answers are plain NR3."""

    def command_table(self) -> list[Command]:
        """Add configuration and READ?."""
        return [
            *super().command_table(),
            command("CONFigure:VOLTage[:DC]", self._configure_voltage, most=1),
            command("CONFigure:TEMPerature", lambda _: self.configure(reads_temperature=True)),
            command("CONFigure?", lambda _: self._configuration()),
            command("READ?", lambda _: self.read()),
        ]

    def written(self, reading: float) -> str:
        """NR3."""
        return nr3(reading)

    def _configure_voltage(self, given: list[str]) -> None:
        range_v = best_range(given[0]) if given else RANGE.default
        self.configure(reads_temperature=False)
        self.range_v = range_v

    def _configuration(self) -> str:
        return '"TEMP"' if self.reads_temperature else f'"VOLT {nr3(self.range_v)}"'


class FunctionFetchMeter(TriggeredMeter):
    """SENSe:FUNCtion, INITiate, FETCh?; answers carry a header and a unit."""

    def command_table(self) -> list[Command]:
        """Add function and range."""
        return [
            *super().command_table(),
            command("[SENSe:]FUNCtion", self._choose, fewest=1),
            command("[SENSe:]FUNCtion?", lambda _: '"TEMP"' if self.reads_temperature else '"VOLT:DC"'),
            command("[SENSe:]VOLTage:DC:RANGe", self._set_range, fewest=1),
            command("[SENSe:]VOLTage:DC:RANGe?", lambda _: f"RANG {self.range_v:.4E} V"),
        ]

    def written(self, reading: float) -> str:
        """Header, number, unit."""
        return f"TEMP {reading:.5E} C" if self.reads_temperature else f"VDC {reading:.7E} V"

    def _choose(self, given: list[str]) -> None:
        functions = {"VOLT:DC": False, "VOLTAGE:DC": False, "VOLT": False, "TEMP": True, "TEMPERATURE": True}
        name = parameters.string(given[0]).upper()
        if name not in functions:
            raise ScpiError(-224)
        self.configure(reads_temperature=functions[name])

    def _set_range(self, given: list[str]) -> None:
        self.range_v = best_range(given[0])


def best_range(text: str) -> float:
    """The smallest range that holds the asked value.  Raises `ScpiError` -222 above the largest."""
    asked_v = parameters.number(text, RANGE)
    return next(range_v for range_v in RANGES_V if asked_v <= range_v)


METER_MODELS: Final[Mapping[str, type[Meter]]] = {
    "meter-scan-list": ScanListMeter,
    "meter-configure-read": ConfigureReadMeter,
    "meter-function-fetch": FunctionFetchMeter,
}
