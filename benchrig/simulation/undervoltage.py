"""What an empty battery does to a board whose reset is weak: it hangs, or its converter stays locked out.

Owns: how long the battery node was where, and what follows from it.  Must not know the converter, the firmware or what
feeds the node.  A sound board has none of this.  Three weaknesses, each a mechanism of its own:

- no brown-out detector: the microcontroller's always-on part hangs on the battery itself; too long between two voltages
  it forgets what it did without being reset, and stays so until the node was empty for a while;
- a reset chip that is too slow: off for longer than the rail's capacitor holds and shorter than the chip needs to see,
  the microcontroller loses its state and gets no reset;
- a converter whose enable pin keeps a charge: once locked out it restarts at a higher voltage, until all is empty.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from benchrig.simulation.parts import Undervoltage

TOLERANCE_V: Final = 1e-6


class LowBattery:
    """Follows the battery node of one board."""

    def __init__(self, traits: Undervoltage) -> None:
        self._traits = traits
        self._thresholds_v = traits.thresholds_v
        self._has_run = False
        self._entered_s: float | None = None
        self._empty_since_s: float | None = 0.0
        self._stopped_s: float | None = None
        self.is_hung = False

    @property
    def restart_v(self) -> float:
        """Volts below which a converter that was locked out stays so; 0 once the node was empty."""
        return self._traits.warm_rising_v if self._has_run else 0.0

    def thresholds_v(self) -> tuple[float, ...]:
        """Voltages at which something here begins or ends."""
        return self._thresholds_v

    def follow(self, volts: float, now_s: float) -> None:
        """The node has come to `volts`."""
        traits = self._traits
        self._follow_empty(volts, now_s)
        is_inside = traits.window_low_v <= volts <= traits.window_high_v
        if is_inside and self._entered_s is None:
            self._entered_s = now_s
        elif not is_inside and self._entered_s is not None:
            stayed_s, self._entered_s = now_s - self._entered_s, None
            if self._has_run and stayed_s >= traits.window_s:
                self.is_hung = True

    def _follow_empty(self, volts: float, now_s: float) -> None:
        is_empty = volts <= self._traits.empty_v + TOLERANCE_V
        if is_empty and self._empty_since_s is None:
            self._empty_since_s = now_s
        elif not is_empty and self._empty_since_s is not None:
            empty_s, self._empty_since_s = now_s - self._empty_since_s, None
            if empty_s >= self._traits.empty_s:
                self.is_hung = self._has_run = False

    def stopped(self, now_s: float) -> None:
        """The microcontroller has lost its rail."""
        self._stopped_s = now_s

    def started(self, now_s: float) -> None:
        """The microcontroller has its rail again."""
        off_s = None if self._stopped_s is None else now_s - self._stopped_s
        if self._has_run and off_s is not None and self._traits.hole_least_s <= off_s < self._traits.hole_most_s:
            self.is_hung = True
        self._has_run = True
