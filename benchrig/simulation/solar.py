"""The solar input of a board: a charger that a second supply channel feeds.

Owns: when the charger runs and how much it gives.  Must not know the battery node beyond its voltage.  The numbers
are invented for the demo board.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.simulation.source import Source

START_V: Final = 4.5
CHARGE_A: Final = 0.030
FULL_V: Final = 4.20
RECHARGE_V: Final = 4.10


class Charger:
    """A linear charger: what it gives to the battery it takes from the panel."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._is_full = False
        self.changed: Callable[[], None] = lambda: None
        source.load = self

    @property
    def is_charging(self) -> bool:
        """Whether current flows into the battery."""
        return self._source.is_on and self._source.voltage() >= START_V and not self._is_full

    @property
    def charge_a(self) -> float:
        """Amperes into the battery node; the panel supply's limit holds it down."""
        return min(CHARGE_A, self._source.limit_a) if self.is_charging else 0.0

    def follow(self, battery_v: float) -> None:
        """Stop at a full battery, start again below the recharge threshold."""
        was_full = self._is_full
        self._is_full = battery_v >= (RECHARGE_V if was_full else FULL_V)
        if self._is_full != was_full:
            self.changed()

    def thresholds_v(self) -> tuple[float, float]:
        """Battery voltages at which charging changes."""
        return FULL_V, RECHARGE_V

    def source_changed(self) -> None:
        """The panel supply has changed."""
        self.changed()

    def terminal_voltage(self) -> float:
        """Volts at the panel supply."""
        return self._source.voltage() if self._source.is_on else 0.0

    def source_current(self) -> float:
        """Amperes out of the panel supply."""
        return self.charge_a
