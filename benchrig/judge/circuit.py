"""A circuit model of a battery-powered sensor node: its parts in, the signature that a bench would measure out.

Owns the physics, numerically: each sweep point is settled, sampled and converted, each current carried through the
step-down converter. Must not know a fault, a tolerance or what was really measured.

Sources: Kirchhoff's laws; first-order settling in closed form; a sampling capacitor that starts empty shares its charge
with the node and is refilled through the divider (steady state of that recursion); a step-down converter carries power,
so that its input current is I * Vrail / (efficiency * Vin). Time on air: `radio_timing`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from benchrig.judge.radio_timing import RadioSettings, time_on_air_s
from benchrig.judge.signature import (
    Converted,
    Measured,
    Signature,
    on_scale,
    scatter_counts,
    scatter_feature,
    sweep_signature,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from benchrig.judge.circuit_parts import Circuit, CodeParts, DividerParts

_LONGEST_SETTLED = 40.0
_LONG_S = 1e6
_ROUNDING_COUNTS = 1.0 / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """What the run did: sweep points with their metered volts and times, rail points, nominal volts, volts per count.

    The codes of `sweep` are not looked at: the model makes its own. `lowest_v` is the lowest point that was asked for.
    """

    sweep: tuple[Converted, ...]
    rail_v: tuple[float, ...]
    nominal_v: float
    lowest_v: float
    volts_per_count: float
    probes: tuple[str, ...] = ()


def predict(circuit: Circuit, plan: BenchPlan) -> Signature:
    """The signature of a circuit as this bench would see it; numbers carry no uncertainty here."""
    sweep, words = _sweep(circuit.divider, circuit.codes, _metered(circuit), plan)
    numbers = {
        "answer time": circuit.codes.convert_s,
        "supply against meter": circuit.bench.meter_gain,
        "drop under load": circuit.bench.feed_ohm * _load_step_a(circuit, plan.nominal_v),
        "boot time": circuit.timing.boot_s,
        "temperature": 0.0,
        **{f"rail {volts:.2f} V": rail_under_load_v(circuit, volts) * _metered(circuit) for volts in plan.rail_v},
        **{f"probe {name}": 0.0 for name in plan.probes},
        **_currents(circuit, plan.nominal_v),
    }
    if not _lives(circuit, plan):
        sweep, words = {}, {"over the sweep": "falls silent"}
    return Signature({**sweep, **_scaled(numbers)}, words)


def _scaled(numbers: dict[str, float]) -> dict[str, Measured]:
    scaled = {name: on_scale(name, value) for name, value in numbers.items()}
    return {name: value for name, value in scaled.items() if value is not None}


def _metered(circuit: Circuit) -> float:
    """What the meter makes of a volt."""
    return 1.0 + circuit.bench.meter_gain


def _lives(circuit: Circuit, plan: BenchPlan) -> bool:
    return plan.lowest_v > circuit.rail.lockout_v


# ---- the battery measurement -----------------------------------------------------------------------------


@lru_cache(maxsize=1024)  # most causes leave the measurement alone, and the same sweep is asked for again
def _sweep(
    divider: DividerParts, codes: CodeParts, metered: float, plan: BenchPlan
) -> tuple[Mapping[str, Measured], Mapping[str, str]]:
    points = [
        point._replace(code=code)
        for point, code in zip(plan.sweep, sweep_codes(divider, codes, plan.sweep, metered=metered), strict=True)
    ]
    found = sweep_signature(points, volts_per_count=plan.volts_per_count, top_code=(1 << codes.bits) - 1)
    numbers = dict(found.numbers)
    quiet_counts = math.hypot(codes.noise_counts, _ROUNDING_COUNTS)
    for name in ("noise", "bend"):
        if name in numbers:
            numbers[name] = Measured(
                scatter_feature(math.hypot(scatter_counts(numbers[name].value), quiet_counts)), 0.0
            )
    if numbers:
        numbers["conversion gain"] = Measured(codes.formula_gain - 1.0, 0.0)
        numbers["conversion offset"] = Measured(codes.formula_offset_v, 0.0)
    return numbers, found.words


def sweep_codes(
    divider: DividerParts, codes: CodeParts, points: Sequence[Converted], *, metered: float = 1.0
) -> list[float]:
    """The code of every point, unrounded and without noise: divider, settling since the last point, sampling, code.

    `metered` is what the meter makes of a volt: the true volts at the terminals are the metered ones over it.
    """
    tau_s = source_ohm(divider) * divider.node_f
    per_volt = (1.0 - sampling_loss(divider, codes)) / codes.reference_v * (1 << codes.bits)
    found: list[float] = []
    node_v: float | None = None
    for point in points:
        target_v = divider_v(divider, point.terminals_v / metered)
        left = math.exp(-min(point.since_s / tau_s, _LONGEST_SETTLED))
        node_v = target_v if node_v is None else target_v + (node_v - target_v) * left
        found.append(_code(codes, node_v * per_volt + codes.offset_counts))
    return found


def source_ohm(divider: DividerParts) -> float:
    """Resistance that the converter input sees."""
    return 1.0 / (1.0 / divider.top_ohm + 1.0 / divider.bottom_ohm)


def divider_v(divider: DividerParts, battery_v: float) -> float:
    """Volts at the divider's middle, settled, with nothing but the leak drawing from it."""
    return (battery_v / divider.top_ohm - divider.leak_a) * source_ohm(divider)


def sampling_loss(divider: DividerParts, codes: CodeParts) -> float:
    """Share of the input that sampling takes away, once sample after sample took the charge of an empty capacitor.

    A share x that is missing falls to a * x until the next sample; sharing charge makes that k * a * x + 1 - k; while
    it is acquired it falls by b. The fixed point is b * (1 - k) / (1 - a * b * k).
    """
    ohm, kept = source_ohm(divider), divider.node_f / (divider.node_f + codes.hold_f)
    between_s = 1.0 / codes.sample_rate_hz - codes.acquire_s
    between = math.exp(-min(between_s / (ohm * divider.node_f), _LONGEST_SETTLED))
    acquiring = math.exp(-min(codes.acquire_s / (ohm * (divider.node_f + codes.hold_f)), _LONGEST_SETTLED))
    return acquiring * (1.0 - kept) / (1.0 - acquiring * between * kept)


def _code(codes: CodeParts, exact: float) -> float:
    """The code; rounded only where bits are stuck: a prediction that jumps by a code has no slope to follow."""
    top = (1 << codes.bits) - 1
    code = min(max(0.0, min(float(top), exact)), float(codes.highest_code))
    if not (codes.stuck_low or codes.stuck_high):
        return code
    return float((round(code) & ~int(codes.stuck_low)) | int(codes.stuck_high))


# ---- rail and currents -----------------------------------------------------------------------------------


def rail_v(circuit: Circuit, battery_v: float, *, rail_a: float) -> float:
    """Volts of the rail with `rail_a` amperes drawn from it, regulated or in dropout."""
    rail = circuit.rail
    if battery_v <= rail.lockout_v:
        return 0.0
    through_v = battery_v - rail.dropout_v - rail_a * rail.dropout_ohm
    return max(0.0, min(rail.output_v, through_v) - rail_a * rail.output_ohm)


def rail_under_load_v(circuit: Circuit, battery_v: float) -> float:
    """Volts of the rail with the processor awake and the board's own load on."""
    currents = circuit.currents
    return rail_v(circuit, battery_v, rail_a=currents.awake_a + currents.always_a + currents.load_a)


def battery_a(circuit: Circuit, battery_v: float, *, rail_a: float) -> float:
    """Amperes into the board for `rail_a` amperes of the rail, with the divider and whatever lies across the input."""
    rail, divider = circuit.rail, circuit.divider
    converted_a = rail_a * rail_v(circuit, battery_v, rail_a=rail_a) / (rail.efficiency * battery_v)
    resistive_a = battery_v / (divider.top_ohm + divider.bottom_ohm) + battery_v * circuit.currents.input_siemens
    return converted_a + rail.quiescent_a + resistive_a


def asleep_a(circuit: Circuit, battery_v: float) -> float:
    """Amperes into the sleeping board; those of the awake one when it does not sleep."""
    currents = circuit.currents
    if not circuit.sleeps:
        return awake_a(circuit, battery_v)
    return battery_a(circuit, battery_v, rail_a=currents.sleep_a + currents.always_a + currents.asleep_a)


def awake_a(circuit: Circuit, battery_v: float) -> float:
    """Amperes into the awake board with nothing else on."""
    return battery_a(circuit, battery_v, rail_a=circuit.currents.awake_a + circuit.currents.always_a)


def _load_step_a(circuit: Circuit, battery_v: float) -> float:
    currents = circuit.currents
    loaded_a = battery_a(circuit, battery_v, rail_a=currents.awake_a + currents.always_a + currents.load_a)
    return loaded_a - awake_a(circuit, battery_v)


def _currents(circuit: Circuit, battery_v: float) -> dict[str, float]:
    """Touch current by the supply, the others by the recorder in the lead."""
    currents, timing = circuit.currents, circuit.timing
    transmitting_a = battery_a(circuit, battery_v, rail_a=currents.awake_a + currents.always_a + currents.transmit_a)
    numbers = {
        "touch current": awake_a(circuit, battery_v),
        "floor": _recorded(circuit, asleep_a(circuit, battery_v)),
        "plateau": _recorded(circuit, transmitting_a),
        "airtime": time_on_air_s(RadioSettings(int(timing.spreading_factor)), phy_payload_bytes=timing.frame_bytes),
    }
    if circuit.sleeps:
        numbers["wake charge"] = _recorded(circuit, awake_a(circuit, battery_v)) * timing.wake_length_s
        numbers["wake period"] = timing.wake_period_s
    return numbers


def _recorded(circuit: Circuit, amperes: float) -> float:
    return amperes * (1.0 + circuit.bench.recorder_gain) + circuit.bench.recorder_offset_a


def settled_since(points: Iterable[Converted]) -> tuple[Converted, ...]:
    """Sweep points of which the first has stood long enough to be settled."""
    first, *rest = points
    return (first._replace(since_s=_LONG_S), *rest)
