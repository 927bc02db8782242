"""One output of a supply as the circuit sees it: an ideal voltage that slews, behind a current limit and a relay.

Owns: set-point, slew, limit, relay, over-voltage trip.  Must not know commands or read-back errors (the supply) nor
what is connected (the battery node).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.simulation.bench_time import Agenda, Appointment

SLEW_V_PER_S: Final = 1000.0
BLEED_OHM: Final = 470.0
"""Across the terminals while the output is off: empties a board's input capacitor in some tens of ms."""


class Load(Protocol):
    """What hangs on the terminals."""

    def source_changed(self) -> None:
        """The source has changed its voltage, slope, limit or relay at the present bench time."""

    def terminal_voltage(self) -> float:
        """Volts between the supply's terminals now."""

    def source_current(self) -> float:
        """Amperes out of the supply's positive terminal now."""


@dataclass(slots=True)
class SourceErrors:
    """Fixed set errors of one output: V = set * (1 + gain) + offset."""

    gain: float = 0.0
    offset_v: float = 0.0


class Source:
    """An output of a supply."""

    def __init__(self, agenda: Agenda, *, errors: SourceErrors) -> None:
        self._agenda = agenda
        self._errors = errors
        self._listeners: list[Callable[[], None]] = []
        self._from_v = 0.0
        self._to_v = 0.0
        self._since_s = 0.0
        self._pending: list[Appointment] = []
        self.load: Load | None = None
        self.is_on = False
        self.is_tripped = False
        self.limit_a = 0.0
        self.protection_v = float("inf")

    def set_voltage(self, volts: float) -> None:
        """Move the ideal voltage to `volts` (plus set error); it slews only while the output is on."""
        target_v = volts * (1.0 + self._errors.gain) + self._errors.offset_v
        self._from_v = self.voltage() if self.is_on else target_v
        self._to_v = target_v
        self._since_s = self._agenda.now
        self._changed()

    def set_limit(self, amperes: float) -> None:
        """Set the current limit."""
        self.limit_a = amperes
        self._changed()

    def set_protection(self, volts: float) -> None:
        """Set the over-voltage trip level."""
        self.protection_v = volts
        self._changed()

    def switch(self, *, is_on: bool) -> None:
        """Close or open the output relay; the source is at its set-point when the relay closes."""
        self.is_on = is_on
        self._from_v = self._to_v
        self._changed()

    def clear_trip(self) -> None:
        """Release the latched over-voltage trip; the output stays off."""
        self.is_tripped = False

    def voltage(self) -> float:
        """Volts of the ideal source now."""
        travelled_v = (self._agenda.now - self._since_s) * SLEW_V_PER_S
        distance_v = self._to_v - self._from_v
        if travelled_v >= abs(distance_v) - 1e-9:
            return self._to_v
        return self._from_v + (travelled_v if distance_v > 0 else -travelled_v)

    def slope(self) -> float:
        """Volts per second of the ideal source now."""
        missing_v = self._to_v - self.voltage()
        if abs(missing_v) <= 1e-9:
            return 0.0
        return SLEW_V_PER_S if missing_v > 0 else -SLEW_V_PER_S

    def terminal_voltage(self) -> float:
        """Volts between the terminals now."""
        if self.load is not None:
            return self.load.terminal_voltage()
        return self.voltage() if self.is_on else 0.0

    def current(self) -> float:
        """Amperes out of the positive terminal now."""
        return self.load.source_current() if self.load is not None else 0.0

    def is_limiting(self) -> bool:
        """Whether the current limit holds the voltage down."""
        return self.is_on and self.load is not None and self.current() >= self.limit_a - 1e-9

    def _changed(self) -> None:
        for appointment in self._pending:
            appointment.cancel()
        self._pending = []
        if self.is_on:
            self._watch_protection()
        if self.load is not None:
            self.load.source_changed()
        slope = self.slope() if self.is_on else 0.0
        if slope and self.load is not None:
            arrival_s = (self._to_v - self.voltage()) / slope
            self._pending.append(self._agenda.after(arrival_s, self.load.source_changed))

    def _watch_protection(self) -> None:
        excess_v = self.protection_v - self.voltage()
        if excess_v < 0:
            self._trip()
        elif self._to_v > self.protection_v:
            self._pending.append(self._agenda.after(excess_v / SLEW_V_PER_S, self._trip))

    def _trip(self) -> None:
        self.is_tripped = True
        self.is_on = False
        if self.load is not None:
            self.load.source_changed()
