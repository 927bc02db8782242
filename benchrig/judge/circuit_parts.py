"""The parts of a battery-powered sensor node as plain numbers: what the profile says of the schematic, frozen.

Owns the parts and how one of them is changed. Must not know how they act together (`circuit`) nor which faults there
are (`circuit_faults`). The structure is that of the trade (divider into a converter, step-down converter, sleeping
processor and radio); every value comes from the profile's table `circuit`.
"""

from __future__ import annotations

import operator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(frozen=True, slots=True)
class DividerParts:
    """The battery divider. `leak_a` flows out of its middle to ground; `stray_f` is what is left without capacitor."""

    top_ohm: float
    bottom_ohm: float
    node_f: float
    stray_f: float
    leak_a: float = 0.0


@dataclass(frozen=True, slots=True)
class CodeParts:
    """The analogue-to-digital converter. `noise_counts` is that of one result; the rest of the defaults is sound."""

    reference_v: float
    bits: int
    hold_f: float
    acquire_s: float
    sample_rate_hz: float
    noise_counts: float
    convert_s: float
    offset_counts: float = 0.0
    highest_code: int = 1 << 30
    stuck_low: int = 0
    stuck_high: int = 0
    formula_gain: float = 1.0
    formula_offset_v: float = 0.0


@dataclass(frozen=True, slots=True)
class RailParts:
    """The step-down converter: output by its feedback divider, resistances, losses, lockout."""

    feedback_v: float
    feedback_top_ohm: float
    feedback_bottom_ohm: float
    output_ohm: float
    dropout_v: float
    dropout_ohm: float
    efficiency: float
    quiescent_a: float
    lockout_v: float

    @property
    def output_v(self) -> float:
        """Volts of the rail without load."""
        return self.feedback_v * (1.0 + self.feedback_top_ohm / self.feedback_bottom_ohm)


@dataclass(frozen=True, slots=True)
class CurrentParts:
    """What the rail gives (A). `always_a` flows at all times, `asleep_a` in sleep alone; both are 0 on a sound board.

    `input_siemens` is a conductance across the battery terminals.
    """

    awake_a: float
    load_a: float
    sleep_a: float
    transmit_a: float
    standby_a: float
    always_a: float = 0.0
    asleep_a: float = 0.0
    input_siemens: float = 0.0


@dataclass(frozen=True, slots=True)
class TimingParts:
    """Durations (s) and the modulation of an uplink."""

    boot_s: float
    wake_period_s: float
    wake_length_s: float
    spreading_factor: int
    frame_bytes: int


@dataclass(frozen=True, slots=True)
class BenchParts:
    """What the bench adds: resistance of lead and contact, and the errors of its instruments (ratios, A)."""

    feed_ohm: float = 0.1
    meter_gain: float = 0.0
    recorder_gain: float = 0.0
    recorder_offset_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Circuit:
    """A whole node on a bench. `wakes` and `sleeps` False: it does not."""

    divider: DividerParts
    codes: CodeParts
    rail: RailParts
    currents: CurrentParts
    timing: TimingParts
    bench: BenchParts = field(default_factory=BenchParts)
    sleeps: bool = True

    def value(self, path: str) -> float:
        """The number at a path such as 'divider.top_ohm'. Raises AttributeError for a path that is none."""
        return float(operator.attrgetter(path)(self))

    def put(self, path: str, value: float) -> Circuit:
        """The circuit with one number changed. Raises AttributeError or TypeError for a path that is none."""
        return self._with(path, lambda _: value)

    def _with(self, path: str, change: Callable[[float], float]) -> Circuit:
        part, _, name = path.rpartition(".")
        if not part:
            return replace(self, **_one(name, change(getattr(self, name))))
        inner: Any = getattr(self, part)
        return replace(self, **_one(part, replace(inner, **_one(name, change(getattr(inner, name))))))


def _one(name: str, value: object) -> Mapping[str, Any]:
    return {name: value}


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a sound part may be off: one standard deviation, as a ratio of its value unless `is_ratio` is False."""

    path: str
    sigma: float
    is_ratio: bool = True


@dataclass(frozen=True, slots=True)
class CircuitPlan:
    """What the profile says of the circuit: the parts, their tolerances, and the sleep currents part by part (A)."""

    circuit: Circuit
    tolerances: tuple[Tolerance, ...]
    sleep_parts_a: Mapping[str, float]
