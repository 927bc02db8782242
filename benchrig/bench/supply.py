"""A supply output that feeds the battery terminals of one board, within the absolute maxima of its profile.

The maxima rule over everything: a voltage, current limit or protection level beyond them is refused before it
is sent. The output closes only after limit and protection were set and read back and a guard holds the way off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import InstrumentUnfit, SafetyError
from benchrig.reading import Reading

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.bench.command_table import SwitchSetting
    from benchrig.bench.instrument import Instrument
    from benchrig.bench.wiring import SourceWiring
    from benchrig.clock import Clock


_AT_LIMIT_RATIO = 0.97  # limits are set to a few per cent of what flows (common practice, no source)


@dataclass(frozen=True)
class Maxima:
    """What the board may never see: absolute maximum voltage (V) and current (A) at its battery terminals."""

    voltage_v: float
    current_a: float

    def check(self, what: str, value: float, maximum: float, unit: str) -> None:
        """Raises SafetyError for a value that is negative, not finite, or beyond the maximum."""
        if not math.isfinite(value) or value < 0.0 or value > maximum:
            raise SafetyError(
                f"{what} of {value:.12g} {unit} refused: the board profile's absolute maximum is {maximum:.12g} {unit} "
                "(accepted: 0 up to that); correct the profile's plan, never its maxima without its data sheet"
            )


class Supply:
    """One output of a supply. `guarded` is asked before the output closes: is a power guard standing by?

    `setpoint_v`, `current_limit_a` and `protection_v` are what was read back; NaN and None: not known.
    """

    def __init__(
        self,
        instrument: Instrument,
        wiring: SourceWiring,
        maxima: Maxima,
        clock: Clock,
        *,
        guarded: Callable[[], bool],
    ) -> None:
        self.instrument = instrument
        self.wiring = wiring
        self.maxima = maxima
        self.current_limit_a: float | None = None
        self.protection_v: float | None = None
        self.setpoint_v = math.nan
        self.may_be_on = False
        self._clock = clock
        self._guarded = guarded

    def set_limits(self, *, current_limit_a: float, protection_v: float) -> None:
        """Set current limit and over-voltage protection, each read back; a refusal names the command."""
        self.maxima.check("a current limit", current_limit_a, self.maxima.current_a, "A")
        self.maxima.check("an over-voltage protection level", protection_v, self.maxima.voltage_v, "V")
        settings = self.instrument.table.settings
        channel = self.wiring.channel
        self.current_limit_a = self.protection_v = None  # unknown until both were read back
        self.protection_v = self.instrument.set_number(settings["protection"], protection_v, channel=channel)
        self.current_limit_a = self.instrument.set_number(settings["current_limit"], current_limit_a, channel=channel)

    def set_voltage(self, voltage_v: float) -> None:
        """Set the output voltage and read the setting back."""
        self.maxima.check("a voltage", voltage_v, self.maxima.voltage_v, "V")
        if self.protection_v is not None and voltage_v > self.protection_v:
            raise SafetyError(
                f"a voltage of {voltage_v:.12g} V refused: the over-voltage protection stands at "
                f"{self.protection_v:.12g} V; set the limits for it first"
            )
        setting = self.instrument.table.settings["voltage"]
        self.setpoint_v = math.nan  # unknown until it was read back
        self.setpoint_v = self.instrument.set_number(setting, voltage_v, channel=self.wiring.channel)

    def output_on(self) -> None:
        """Close the output. Raises SafetyError unless limits were set and read back and a guard stands by."""
        if self.current_limit_a is None or self.protection_v is None:
            raise SafetyError("output on refused: current limit and over-voltage protection were not yet read back")
        if not self._guarded():
            raise SafetyError("output on refused: no power guard stands by to switch off if this run dies")
        self.may_be_on = True
        switch = self._switch()
        if not self._throw(switch, switch.on):
            asked = switch.on.format(channel=self.wiring.channel)
            raise InstrumentUnfit(
                f"supply {self.instrument.name}: asked {asked!r}, read back off; look at its front panel for a tripped "
                "protection or a locked output",
                self.instrument.name,
            )

    def output_off(self) -> None:
        """Open the output and read it back. Raises InstrumentUnfit when the supply says it is still closed."""
        switch = self._switch()
        if self._throw(switch, switch.off):
            asked = switch.off.format(channel=self.wiring.channel)
            raise InstrumentUnfit(
                f"supply {self.instrument.name}: asked {asked!r}, read back ON; the board is still powered: switch the "
                "supply off by hand, then take it out of use",
                self.instrument.name,
            )
        self.may_be_on = False

    def read_voltage(self) -> Reading:
        """The supply's own read-back of its output voltage (at its posts, not at the board)."""
        return self._read("voltage")

    def read_current(self) -> Reading:
        """The supply's own read-back of its output current."""
        return self._read("current")

    def is_limiting(self) -> bool:
        """Whether the current limit acts: by the status register, or where it has none by a current at the limit.

        At the limit is what cannot be told from it: within the read-back's expanded uncertainty, and 3 %.
        """
        condition = self.instrument.table.conditions.get("current_limited")
        if condition is None:
            limit_a = math.inf if self.current_limit_a is None else self.current_limit_a
            current = self.read_current()
            return current.value + 2.0 * current.standard_uncertainty >= _AT_LIMIT_RATIO * limit_a
        query = condition.query.format(channel=self.wiring.channel)
        register, _ = self.instrument.number(query, unit="1")
        return bool(int(register) >> condition.bit & 1)

    def _read(self, quantity: str) -> Reading:
        reading = self.instrument.table.readings[quantity]
        channel = self.wiring.channel
        at_s = self._clock.now_s()
        value, raw = self.instrument.number(
            reading.query.format(channel=channel),
            unit=reading.unit,
            header=reading.header,
            suffix=reading.suffix,
            prepare=reading.prepare.format(channel=channel),
        )
        found = self.instrument.believe(quantity, [value], range_=0.0)
        source = f"{self.instrument.name} read-back"
        return Reading(value, reading.unit, found.standard_uncertainty, source, raw, at_s, parts=found.parts)

    def _throw(self, switch: SwitchSetting, command: str) -> bool:
        channel = self.wiring.channel
        return self.instrument.switch(
            command.format(channel=channel), switch.query.format(channel=channel), header=switch.header
        )

    def _switch(self) -> SwitchSetting:
        switch = self.instrument.table.output
        if switch is None:  # a supply table without [output] is refused when the bench file is read
            raise SafetyError(f"supply {self.instrument.name} has no output switch in its command table")
        return switch
