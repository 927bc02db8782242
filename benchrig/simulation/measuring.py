"""What the modelled firmware measures, and the payload that it makes of it.

Owns: conversions, their correction and count, the frame's bytes.  Must not know the console, the modem or currents.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from benchrig.simulation import payload as payload_bytes
from benchrig.simulation.payload_slips import SLIPS
from benchrig.simulation.sequences import Program, Wait

if TYPE_CHECKING:
    from collections.abc import Callable, Generator

    from benchrig.simulation.memory import Memory
    from benchrig.simulation.parts import BoardParts

NOMINAL_FULL_SCALE_MV: Final = 1100 * 4


class Senses(Protocol):
    """What the firmware can measure."""

    def battery_code(self) -> int:
        """One averaged conversion of the battery divider."""

    def temperature_c(self) -> float:
        """Temperature of the board's sensor."""

    def bale_temperatures_c(self) -> tuple[float, ...]:
        """Temperatures of the two bale probes."""

    def is_charging(self) -> bool:
        """Whether the charger runs."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One frame's worth of measurements."""

    count: int
    battery_mv: int
    temperature_c: int


class Measuring:
    """Samples of one board; `reset` is how a fault restarts it in the middle of a conversion."""

    def __init__(self, parts: BoardParts, *, memory: Memory, senses: Senses, reset: Callable[[str], Program]) -> None:
        self._timing = parts.timing
        self._behaviour = parts.behaviour
        self._memory = memory
        self._senses = senses
        self._reset = reset
        self.forget()

    def forget(self) -> None:
        """Power is gone."""
        self.count = 0
        self._last_mv = 0
        self._exact_mv = 0.0

    def frame(self, *, siren_is_on: bool) -> Generator[Wait, bool, tuple[Sample, bytes]]:
        """A sample, and the payload made of it."""
        previous_mv = self._last_mv
        _, millivolts = yield from self.battery()
        hundredths = yield from self.temperature()
        sample = Sample(self.count, millivolts, _rounded(hundredths / 100))
        sent_mv = previous_mv if self._behaviour.sends_previous_battery else millivolts
        return sample, self._encode(sample, sent_mv=sent_mv, celsius=hundredths / 100, siren_is_on=siren_is_on)

    def battery(self) -> Generator[Wait, bool, tuple[int, int]]:
        """Code and corrected millivolts of one conversion."""
        self._memory.conversions += 1
        if self._memory.conversions == self._behaviour.resets_at_conversion:
            yield from self._reset("brownout")
        yield Wait(self._timing.convert_s)
        raw = self._senses.battery_code()
        exact_mv = raw * NOMINAL_FULL_SCALE_MV / 4096
        gain = 1 + self._memory.gain_ppm * self._behaviour.gain_constant_step
        corrected_mv = exact_mv * gain + self._memory.offset_uv / 1000
        self.count += 1
        self._exact_mv = max(0.0, min(65535.0, corrected_mv))
        self._last_mv = _rounded(self._exact_mv)
        return raw, self._last_mv

    def temperature(self) -> Generator[Wait, bool, int]:
        """Hundredths of a degree."""
        yield Wait(self._timing.measure_s)
        return _rounded(100 * self._senses.temperature_c())

    def _encode(self, sample: Sample, *, sent_mv: int, celsius: float, siren_is_on: bool) -> bytes:
        behaviour = self._behaviour
        first, second = (_rounded(10 * celsius) for celsius in self._senses.bale_temperatures_c())
        if behaviour.probes_fitted < 2:
            second = payload_bytes.NO_PROBE
        measured = payload_bytes.Measured(
            battery_mv=sent_mv,
            temperature_c=max(-128, min(127, sample.temperature_c + behaviour.payload_temperature_offset_c)),
            siren_is_on=siren_is_on,
            is_charging=self._senses.is_charging(),
            bale_decidegrees=(first, second),
            exact_mv=self._exact_mv,
            celsius=celsius,
            judged_mv=sample.battery_mv,
        )
        encoded = SLIPS[behaviour.payload_slip](measured)
        if behaviour.swaps_battery_bytes:
            encoded = payload_bytes.with_swapped_battery(encoded)
        return payload_bytes.with_spoilt_checksum(encoded) if behaviour.spoils_payload_crc else encoded


def _rounded(value: float) -> int:
    return math.floor(value + 0.5)
