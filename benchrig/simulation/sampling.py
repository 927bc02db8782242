"""The battery measurement of the board: divider, settling of the converter input, conversion to codes.

Owns: the analogue chain from the battery node to a code.  Must not know the firmware.  Source: low-pass settling in
closed form (`laws.settled`); an averaging 12-bit converter with ideal codes raw = V / Vref * 4096.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from benchrig.simulation.laws import Law, settled

if TYPE_CHECKING:
    import random

    from benchrig.simulation.parts import Adc, Divider

CODES: Final = 4096


class BatterySampler:
    """Follows the battery node through the divider and converts on demand."""

    def __init__(self, divider: Divider, adc: Adc, *, rng: random.Random) -> None:
        self._divider = divider
        self._adc = adc
        self._rng = rng
        self._settled_v = 0.0

    def follow(self, battery: Law, *, elapsed_s: float) -> None:
        """The node has followed `battery` for `elapsed_s` seconds since the last call."""
        self._settled_v = settled(battery, start=self._settled_v, tau_s=self._divider.tau_s, elapsed_s=elapsed_s)

    def input_voltage(self) -> float:
        """Volts at the converter input, with the charge that the sampling switch takes out of it."""
        divider = self._divider
        return (self._settled_v + divider.offset_v) * divider.ratio * (1.0 - self._sagging())

    def _sagging(self) -> float:
        """Share that every sample finds missing, once sample after sample took an empty holding capacitor's charge."""
        divider, adc = self._divider, self._adc
        shared_f = divider.node_f + adc.hold_f
        between_s = 1.0 / adc.sample_rate_hz - adc.acquire_s
        still_missing = math.exp(-between_s / (divider.source_ohm * divider.node_f))
        acquiring = math.exp(-adc.acquire_s / (divider.source_ohm * shared_f))
        taken = adc.hold_f / shared_f
        return acquiring * taken / (1.0 - acquiring * (1.0 - taken) * still_missing)

    def convert(self) -> int:
        """The average code of one conversion."""
        adc = self._adc
        exact = self.input_voltage() / adc.reference_v * CODES + adc.offset_counts
        codes = [self._code(exact + self._rng.gauss(0.0, adc.noise_counts)) for _ in range(adc.samples)]
        # The dead data line and the ceiling sit behind the averaging, in the result register.
        return min(round(sum(codes) / adc.samples), adc.highest_code) & ~adc.stuck_low_mask

    def _code(self, exact: float) -> int:
        return max(0, min(CODES - 1, round(exact)))
