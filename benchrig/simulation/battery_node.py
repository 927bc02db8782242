"""The battery node of one board: input capacitor, what feeds it, what draws from it.

Owns: the differential equation C dV/dt = I_in - I_out, solved in closed form stretch by stretch, and the trace of the
lead current that the recorder reads.  Must not know what a converter or a supply is: it sees a `Source`, shunts and a
`Consumer`.  A stretch ends when the voltage reaches a threshold, or when source or consumer change.  Inside a stretch
the consumer's current is taken at the middle of the stretch; thresholds at most 0.25 V apart keep that honest.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from benchrig.simulation.laws import Law
from benchrig.simulation.source import BLEED_OHM, Source

if TYPE_CHECKING:
    from benchrig.simulation.bench_time import Agenda, Appointment
    from benchrig.simulation.parts import Feed, Shunt

TOLERANCE_V: Final = 1e-6
_VOLTAGE_GRID_V: Final = tuple(0.25 * step for step in range(41))
_NEGLIGIBLE_SIEMENS: Final = 1e-9
_TRACE_LENGTH: Final = 100_000


class Consumer(Protocol):
    """What draws current from the node in its own non-linear way."""

    def consumption_a(self, volts: float) -> float:
        """Amperes drawn at `volts`."""

    def thresholds_v(self) -> tuple[float, ...]:
        """Voltages at which the consumer wants to be told."""

    def voltage_moved(self, volts: float) -> None:
        """The node has come to `volts` at the present bench time."""

    def stretch_ended(self, voltage: Law, elapsed_s: float) -> None:
        """The node has followed `voltage` for `elapsed_s` seconds until now."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """The laws that hold from `start_s` until the next stretch."""

    start_s: float
    voltage: Law
    lead_current: Law
    is_limited: bool = False


class BatteryNode:
    """The node at the battery pads, with the lead and contact that feed it."""

    def __init__(
        self, agenda: Agenda, *, source: Source, feed: Feed, capacitance_f: float, shunts: tuple[Shunt, ...]
    ) -> None:
        self._agenda = agenda
        self._source = source
        self._feed = feed
        self._capacitance_f = capacitance_f
        self._shunts = shunts
        self._consumer: Consumer | None = None
        self._injected_a = 0.0
        self._stretch = Stretch(0.0, Law(0.0), Law(0.0))
        self._trace: deque[Stretch] = deque([self._stretch], maxlen=_TRACE_LENGTH)
        self._arrival: Appointment | None = None
        self._is_refreshing = False
        self._is_stale = False
        source.load = self

    def connect(self, consumer: Consumer) -> None:
        """Attach the board's consumer; once, before bench time runs."""
        self._consumer = consumer

    def inject(self, amperes: float) -> None:
        """Set the current that flows into the node besides the battery lead (charger, serial adapter)."""
        if amperes != self._injected_a:
            self._injected_a = amperes
            self.refresh()

    def voltage(self) -> float:
        """Volts on the board's side of the node now."""
        return self._stretch.voltage.value(self._agenda.now - self._stretch.start_s)

    def pad_voltage(self) -> float:
        """Volts that sense pins on the battery pads see now."""
        return self._source.terminal_voltage() if self._feed.is_fuse_open else self.voltage()

    def lead_current(self) -> float:
        """Amperes through the battery lead into the board now."""
        return self._stretch.lead_current.value(self._agenda.now - self._stretch.start_s)

    def terminal_voltage(self) -> float:
        """Volts at the supply's end of the lead now."""
        if not self._source.is_on:
            return self.voltage() if self._feed.is_closed else 0.0
        if self._stretch.is_limited:
            return self.voltage() + self._source.limit_a * self._feed.series_ohm
        return self._source.voltage()

    def source_current(self) -> float:
        """Amperes out of the supply now; the bleed is inside the supply and not counted."""
        return self.lead_current() if self._source.is_on else 0.0

    def source_changed(self) -> None:
        """Take up a change of the source."""
        self.refresh()

    def trace(self, *, start_s: float) -> list[Stretch]:
        """The stretches from the one in force at `start_s` until now."""
        first = bisect_right(self._trace, start_s, key=lambda stretch: stretch.start_s) - 1
        return [self._trace[index] for index in range(max(first, 0), len(self._trace))]

    def refresh(self) -> None:
        """Begin a new stretch now, and again for as long as the consumer's answer to it changes the load."""
        self._is_stale = True
        if self._is_refreshing:
            return
        self._is_refreshing = True
        try:
            while self._is_stale:
                self._is_stale = False
                self._begin_stretch()
        finally:
            self._is_refreshing = False

    def _begin_stretch(self) -> None:
        now_s, before = self._agenda.now, self._stretch
        elapsed_s = now_s - before.start_s
        volts = before.voltage.value(elapsed_s)
        self._stretch, until_v = self._solve(volts)
        if self._trace[-1].start_s == now_s:
            self._trace.pop()
        self._trace.append(self._stretch)
        self._appoint_arrival(until_v)
        if self._consumer is not None:
            self._consumer.stretch_ended(before.voltage, elapsed_s)
            self._consumer.voltage_moved(self.voltage())

    def _appoint_arrival(self, until_v: float | None) -> None:
        if self._arrival is not None:
            self._arrival.cancel()
        seconds = None if until_v is None else self._stretch.voltage.seconds_until(until_v)
        self._arrival = None if seconds is None else self._agenda.after(seconds, self.refresh)

    def _solve(self, volts: float) -> tuple[Stretch, float | None]:
        if not self._feed.is_closed:
            voltage, until_v = self._relax(volts, drive_a=0.0)
            return Stretch(self._agenda.now, voltage, Law(0.0)), until_v
        if not self._source.is_on:
            voltage, until_v = self._relax(volts, drive_a=0.0, extra_siemens=1.0 / BLEED_OHM)
            return Stretch(self._agenda.now, voltage, voltage.scaled(-1.0 / BLEED_OHM)), until_v
        return self._solve_driven(volts)

    def _solve_driven(self, volts: float) -> tuple[Stretch, float | None]:
        regulated_v, regulated_a = self._regulated(volts)
        limit_a, slope = self._source.limit_a, self._source.slope()
        # A dip that the lead's resistance alone refills, without the limit acting, is over within microseconds.
        refilled_v = self._source.voltage() - self._feed.series_ohm * limit_a
        if volts >= min(regulated_v - TOLERANCE_V, refilled_v) and regulated_a <= limit_a:
            # The node lags behind a moving source by R C dV/dt: it comes to that lag within microseconds, from where it
            # was, and never by a jump against the movement, which a lockout would take for a dip of the battery.
            start_v = max(regulated_v, volts) if slope > 0 else min(regulated_v, volts) if slope < 0 else regulated_v
            until_v = self._next_threshold(start_v, is_rising=slope > 0) if slope else None
            return Stretch(self._agenda.now, Law(start_v, slope), Law(regulated_a)), until_v
        voltage, until_v = self._relax(volts, drive_a=limit_a)
        if until_v is not None and volts < regulated_v < until_v:
            until_v = regulated_v
        return Stretch(self._agenda.now, voltage, Law(limit_a), is_limited=True), until_v

    def _regulated(self, volts: float) -> tuple[float, float]:
        """Node voltage and lead current if the source holds its voltage: V = Vs - R * I(V)."""
        ideal_v, ohm = self._source.voltage(), self._feed.series_ohm
        fixed_a = self._capacitance_f * self._source.slope() - self._injected_a
        siemens, knee_a = self._conductance(ideal_v)
        node_v = volts or ideal_v
        for _ in range(8):  # converges by the ratio of series resistance to the converter's input resistance
            drawn_a = self._consumption(node_v) + fixed_a - knee_a
            node_v = max(0.0, (ideal_v - ohm * drawn_a) / (1.0 + ohm * siemens))
        return node_v, self._consumption(node_v) + fixed_a - knee_a + siemens * node_v

    def _relax(self, volts: float, *, drive_a: float, extra_siemens: float = 0.0) -> tuple[Law, float | None]:
        """The law of the node while a fixed current `drive_a` feeds it, and the next threshold on its way."""
        siemens, knee_a = self._conductance(volts)
        siemens += extra_siemens
        inflow_a = drive_a + self._injected_a + knee_a
        net_a = inflow_a - self._consumption(volts) - siemens * volts
        ahead_v = self._next_threshold(volts, is_rising=net_a > 0)
        inflow_a -= self._consumption((volts + ahead_v) / 2)
        if siemens < _NEGLIGIBLE_SIEMENS:
            return Law(volts, inflow_a / self._capacitance_f), ahead_v
        final_v = inflow_a / siemens
        return Law(final_v, 0.0, volts - final_v, self._capacitance_f / siemens), ahead_v

    def _conductance(self, volts: float) -> tuple[float, float]:
        """Sum of the conducting shunts in siemens, and the current that their knee voltages give back."""
        conducting = [shunt for shunt in self._shunts if volts >= shunt.knee_v]
        return sum(shunt.siemens for shunt in conducting), sum(shunt.siemens * shunt.knee_v for shunt in conducting)

    def _consumption(self, volts: float) -> float:
        return self._consumer.consumption_a(volts) if self._consumer is not None else 0.0

    def _next_threshold(self, volts: float, *, is_rising: bool) -> float:
        asked = self._consumer.thresholds_v() if self._consumer is not None else ()
        knees = (shunt.knee_v for shunt in self._shunts)
        thresholds = sorted((*_VOLTAGE_GRID_V, *asked, *knees))
        if is_rising:
            return thresholds[min(bisect_right(thresholds, volts + TOLERANCE_V), len(thresholds) - 1)]
        return thresholds[max(bisect_left(thresholds, volts - TOLERANCE_V) - 1, 0)]
