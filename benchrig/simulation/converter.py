"""The step-down converter: rail voltage and input current as functions of input voltage and rail current.

Owns: lockout with hysteresis, dropout, efficiency.  Must not know who draws from the rail.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.simulation.battery_node import TOLERANCE_V

if TYPE_CHECKING:
    from benchrig.simulation.parts import Converter


class StepDown:
    """A converter that starts and stops with its input voltage."""

    def __init__(self, parts: Converter) -> None:
        self._parts = parts
        self.is_running = False

    def follow(self, input_v: float, *, restart_v: float = 0.0) -> None:
        """Start above the rising lockout threshold, or `restart_v` where that is higher; stop below the falling one."""
        rising_v = max(self._parts.lockout_rising_v, restart_v)
        if self.is_running and input_v <= self._parts.lockout_falling_v + TOLERANCE_V:
            self.is_running = False
        elif not self.is_running and input_v >= rising_v - TOLERANCE_V:
            self.is_running = True

    def rail_voltage(self, input_v: float, *, rail_a: float) -> float:
        """Volts of the rail with `rail_a` amperes drawn from it."""
        if not self.is_running:
            return 0.0
        parts = self._parts
        regulated_v = parts.output_v - rail_a * parts.output_ohm
        through_v = input_v - parts.dropout_v - rail_a * parts.dropout_ohm
        return min(regulated_v, through_v)

    def input_current(self, input_v: float, *, rail_a: float) -> float:
        """Amperes drawn from the battery node for `rail_a` amperes of the rail."""
        if not self.is_running or input_v <= 0.0:
            return 0.0
        parts = self._parts
        if rail_a <= 0.0:
            return parts.quiescent_a
        # Switching losses are a fixed share plus a small fixed current: the efficiency falls at microamperes.
        efficiency = parts.best_efficiency * rail_a / (rail_a + parts.half_efficiency_a)
        return rail_a * self.rail_voltage(input_v, rail_a=rail_a) / (efficiency * input_v) + parts.quiescent_a

    def thresholds_v(self, *, rail_a: float) -> tuple[float, ...]:
        """Input voltages at which the behaviour changes."""
        parts = self._parts
        dropout_v = parts.output_v + parts.dropout_v + rail_a * parts.dropout_ohm
        lost_v = parts.dropout_v + rail_a * parts.dropout_ohm
        reset_v, release_v = parts.reset_v + lost_v, parts.reset_release_v + lost_v
        return parts.lockout_falling_v, parts.lockout_rising_v, dropout_v, reset_v, release_v
