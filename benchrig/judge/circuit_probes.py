"""Measurements that a run does not make and a person can: what each would read under a cause, to tell causes apart.

Owns the list, in the order in which a person would rather do them, and how finely each is read. Handheld meters in a
circuit: 0.5 % of resistance, 0.3 % to 0.5 % of volts, common practice, no source. Must not know which causes are in
question.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from benchrig.judge.circuit import asleep_a, awake_a, divider_v, rail_v, source_ohm

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.judge.circuit_parts import Circuit

_COLD_V, _WARM_V = 0.9, 1.1
_METER_OHM = 10e6


@dataclass(frozen=True, slots=True)
class Probe:
    """One measurement: its words, its unit, what it reads for a circuit at nominal volts, and how finely (a ratio)."""

    name: str
    unit: str
    read: Callable[[Circuit, float], float]
    relative_u: float


def _middle_v(circuit: Circuit, battery_v: float) -> float:
    """Divider's middle with a 10 Mohm meter on it."""
    ohm = source_ohm(circuit.divider)
    return divider_v(circuit.divider, battery_v) * _METER_OHM / (_METER_OHM + ohm)


def _slope(circuit: Circuit, battery_v: float) -> float:
    """Sleep current at a battery a tenth lower over that at one a tenth higher."""
    return asleep_a(circuit, battery_v * _COLD_V) / asleep_a(circuit, battery_v * _WARM_V)


def _unfed_a(circuit: Circuit, battery_v: float) -> float:
    """Battery current with the rail cut off behind the converter: what the converter and the input draw."""
    quiet = replace(circuit.currents, sleep_a=0.0, always_a=0.0, asleep_a=0.0)
    return asleep_a(replace(circuit, currents=quiet, sleeps=True), battery_v)


PROBES: Final[tuple[Probe, ...]] = (
    Probe("volts at the divider's middle, with a 10 Mohm meter", "V", _middle_v, 0.003),
    Probe("volts at the converter's reference pin", "V", lambda circuit, _: circuit.codes.reference_v, 0.003),
    Probe("volts of the rail without load", "V", lambda c, v: rail_v(c, v, rail_a=c.currents.sleep_a), 0.003),
    Probe("volts at the step-down converter's feedback pin", "V", lambda circuit, _: circuit.rail.feedback_v, 0.005),
    Probe("ohms of the divider's top resistor, one end lifted", "ohm", lambda c, _: c.divider.top_ohm, 0.005),
    Probe("ohms of the divider's bottom resistor, one end lifted", "ohm", lambda c, _: c.divider.bottom_ohm, 0.005),
    Probe("farads at the divider's middle", "F", lambda circuit, _: circuit.divider.node_f, 0.1),
    Probe("ohms of the upper feedback resistor, one end lifted", "ohm", lambda c, _: c.rail.feedback_top_ohm, 0.005),
    Probe("ohms of the lower feedback resistor, one end lifted", "ohm", lambda c, _: c.rail.feedback_bottom_ohm, 0.005),
    Probe(
        "volts from the battery pads to the converter's input, under load",
        "V",
        lambda c, _: c.rail.dropout_ohm * c.currents.load_a,
        0.05,
    ),
    Probe("the supply's current awake, beside the recorder's", "A", awake_a, 0.05),
    Probe("sleep current at a battery a tenth lower, over that at one a tenth higher", "", _slope, 0.01),
    Probe("sleep current with the rail cut off behind the converter", "A", _unfed_a, 0.05),
    Probe(
        "a second meter beside the first, over it", "", lambda circuit, _: 1.0 / (1.0 + circuit.bench.meter_gain), 0.001
    ),
    Probe(
        "a known resistor in place of the board: the recorder's current over the true one",
        "",
        lambda c, _: 1.0 + c.bench.recorder_gain + c.bench.recorder_offset_a * 1e4,
        0.005,
    ),
    Probe("ohms of lead and contact, four-wire", "ohm", lambda circuit, _: circuit.bench.feed_ohm, 0.2),
)

LIKE_IT: Final = "a board known to be good, in the same place"
"""Separates the board from the bench whatever the cause."""
