"""The component faults that a circuit model can show, each one parameter of the circuit, with its weight beforehand.

Owns the list for the board's parts and the bench's; faults that show in words alone stand in `other_faults`. Must not
know what was measured.

Weights are relative and of three kinds, common practice, no source: 3 for what placing and hand work do most (a
wrong or open part, a bridge, flux), 1 for a part that drifted or is damaged, 0.3 for what is rare. The bench's own
errors weigh less than the board's: its instruments are calibrated. Contact and lead weigh as much as a wrong part.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.hypothesis import Hypothesis, Severity, even, geometric

if TYPE_CHECKING:
    from benchrig.judge.circuit_parts import Circuit
    from benchrig.judge.hypothesis import How, Side

OFTEN, SOMETIMES, SELDOM = 3.0, 1.0, 0.3
_NEAR = geometric(0.4, 2.5, steps=41)
_ASLEEP = "asleep"
_SWITCH = "volts at the control of the load's switch, on and off by the console"
_OPEN_OHM = 1e12
_SHORT_OHM = 1.0


def _part(
    key: str,
    cause: str,
    prior: float,
    path: str,
    how: How,
    *,
    grid: tuple[float, ...],
    side: Side = "board",
    refines: bool = True,
    tells: dict[str, str] | None = None,
) -> Hypothesis:
    return Hypothesis(
        key=key,
        cause=cause,
        side=side,
        prior=prior,
        severity=Severity(path, how, grid, refines),
        tells=tells or {},
    )


def circuit_faults(circuit: Circuit) -> tuple[Hypothesis, ...]:
    """Every cause that is a change of one number of this circuit."""
    return (
        *_divider_faults(circuit),
        *_converter_faults(circuit),
        *_rail_faults(),
        *_current_faults(circuit),
        *_timing_faults(circuit),
        *_bench_faults(),
    )


def _divider_faults(circuit: Circuit) -> tuple[Hypothesis, ...]:
    large_f = geometric(3.0 * circuit.divider.node_f, 1000.0 * circuit.divider.node_f)
    return (
        _part("divider top off", "the divider's top resistor is off", OFTEN, "divider.top_ohm", "times", grid=_NEAR),
        _part(
            "divider top open", "the divider's top resistor is open", OFTEN, "divider.top_ohm", "is", grid=(_OPEN_OHM,)
        ),
        _part(
            "divider top short",
            "the divider's top resistor is bridged",
            SOMETIMES,
            "divider.top_ohm",
            "is",
            grid=(_SHORT_OHM,),
        ),
        _part(
            "divider bottom off",
            "the divider's bottom resistor is off",
            OFTEN,
            "divider.bottom_ohm",
            "times",
            grid=_NEAR,
        ),
        _part(
            "divider bottom open",
            "the divider's bottom resistor is open",
            OFTEN,
            "divider.bottom_ohm",
            "is",
            grid=(_OPEN_OHM,),
        ),
        _part(
            "divider bottom short",
            "the divider's middle is bridged to ground",
            SOMETIMES,
            "divider.bottom_ohm",
            "is",
            grid=(_SHORT_OHM,),
        ),
        _part(
            "divider leak",
            "the divider's middle leaks to ground: flux, a damaged input",
            OFTEN,
            "divider.leak_a",
            "plus",
            grid=geometric(2e-8, 5e-6),
        ),
        _part(
            "divider capacitor large",
            "the capacitor at the divider's middle is too large",
            SOMETIMES,
            "divider.node_f",
            "is",
            grid=large_f,
        ),
        _part(
            "divider capacitor open",
            "the capacitor at the divider's middle is open or missing",
            OFTEN,
            "divider.node_f",
            "is",
            grid=geometric(0.6 * circuit.divider.stray_f, 1.6 * circuit.divider.stray_f, steps=5),
        ),
    )


def _converter_faults(circuit: Circuit) -> tuple[Hypothesis, ...]:
    bits = tuple(float(1 << bit) for bit in range(circuit.codes.bits))
    top = float((1 << circuit.codes.bits) - 1)
    quiet = circuit.codes.noise_counts
    return (
        _part("reference off", "the converter's reference is off", SOMETIMES, "codes.reference_v", "times", grid=_NEAR),
        _part(
            "converter offset",
            "the converter adds a constant",
            SOMETIMES,
            "codes.offset_counts",
            "plus",
            grid=even(-150.0, 150.0, steps=61),
        ),
        _part(
            "codes stop short",
            "the converter's codes stop short of the top",
            SOMETIMES,
            "codes.highest_code",
            "is",
            grid=even(0.3 * top, top, steps=61),
        ),
        _part(
            "bit stuck low",
            "a bit of the converter is stuck",
            SOMETIMES,
            "codes.stuck_low",
            "is",
            grid=bits,
            refines=False,
        ),
        _part(
            "bit stuck high",
            "a bit of the converter is stuck",
            SOMETIMES,
            "codes.stuck_high",
            "is",
            grid=bits,
            refines=False,
        ),
        _part(
            "converter noisy",
            "the converter or its reference is noisy",
            SOMETIMES,
            "codes.noise_counts",
            "is",
            grid=geometric(4.0 * quiet, 400.0 * quiet),
        ),
        _part(
            "formula gain",
            "the firmware's factor from codes to volts is wrong",
            SOMETIMES,
            "codes.formula_gain",
            "times",
            grid=_NEAR,
        ),
        _part(
            "formula offset",
            "the firmware adds a constant voltage",
            SOMETIMES,
            "codes.formula_offset_v",
            "plus",
            grid=even(-0.5, 0.5, steps=41),
        ),
        _part(
            "conversion slow",
            "the firmware takes long for a conversion",
            SOMETIMES,
            "codes.convert_s",
            "is",
            grid=geometric(0.2, 20.0),
        ),
    )


def _rail_faults() -> tuple[Hypothesis, ...]:
    near = geometric(0.7, 1.4, steps=41)
    return (
        _part(
            "feedback top off",
            "the converter's upper feedback resistor is off",
            OFTEN,
            "rail.feedback_top_ohm",
            "times",
            grid=near,
        ),
        _part(
            "feedback bottom off",
            "the converter's lower feedback resistor is off",
            OFTEN,
            "rail.feedback_bottom_ohm",
            "times",
            grid=near,
        ),
        _part(
            "rail reference off",
            "the step-down converter's own reference is off",
            SELDOM,
            "rail.feedback_v",
            "times",
            grid=near,
        ),
        _part(
            "rail resistance",
            "resistance in the rail: a poor joint, a wrong inductor",
            OFTEN,
            "rail.output_ohm",
            "plus",
            grid=geometric(0.2, 30.0),
        ),
        _part(
            "dropout high",
            "the converter's switch drops too much: a damaged converter, a wrong inductor",
            SOMETIMES,
            "rail.dropout_v",
            "plus",
            grid=geometric(0.05, 2.0),
        ),
        _part(
            "input resistance",
            "resistance in front of the converter: a poor joint at fuse, filter or inductor",
            SOMETIMES,
            "rail.dropout_ohm",
            "plus",
            grid=geometric(1.0, 60.0),
        ),
        _part(
            "lockout high",
            "the undervoltage lockout acts too high: a wrong resistor at its pin",
            SOMETIMES,
            "rail.lockout_v",
            "is",
            grid=even(2.8, 3.65),
        ),
        _part(
            "converter lossy",
            "the converter loses too much: inductor, diode or switching frequency",
            SOMETIMES,
            "rail.efficiency",
            "times",
            grid=geometric(0.25, 0.97),
        ),
    )


def _current_faults(circuit: Circuit) -> tuple[Hypothesis, ...]:
    standby_a = circuit.currents.standby_a
    standby = geometric(0.8 * standby_a, 1.25 * standby_a, steps=7)
    return (
        _part(
            "rail leak",
            "a pull-up, flux or a damaged part leaks from the rail",
            OFTEN,
            "currents.always_a",
            "plus",
            grid=geometric(5e-6, 1e-3),
        ),
        _part(
            "lamp on",
            "a lamp or another load stays on at the rail",
            SOMETIMES,
            "currents.always_a",
            "plus",
            grid=geometric(8e-4, 1.5e-2),
        ),
        _part(
            "input leak",
            "something leaks across the battery input: a capacitor, a protection part, flux",
            SOMETIMES,
            "currents.input_siemens",
            "plus",
            grid=geometric(1e-6, 1e-3),
        ),
        _part(
            "quiescent high",
            "the step-down converter itself draws too much",
            SOMETIMES,
            "rail.quiescent_a",
            "plus",
            grid=geometric(5e-6, 1e-3),
        ),
        _part(
            "radio in standby", "the radio stays in standby in sleep", OFTEN, "currents.asleep_a", "plus", grid=standby
        ),
        _part(
            "asleep load",
            "a part is not switched off for sleep, such as a sensor or a pin that floats",
            OFTEN,
            "currents.asleep_a",
            "plus",
            grid=geometric(5e-6, 3e-3),
        ),
        Hypothesis(
            key="never sleeps",
            cause="the processor stays awake in sleep",
            side="board",
            prior=SOMETIMES,
            severity=Severity("sleeps", "is", (0.0,), refines=False),
            words={"wakes seen": "none"},
            hides=("wake charge", "wake period"),
        ),
        Hypothesis(
            key="load open",
            cause="the board's own load, its switch, or the way to it is open",
            side="board",
            prior=OFTEN,
            severity=Severity("currents.load_a", "is", (0.0,), refines=False),
            words={"load": "stays off"},
            tells={_SWITCH: "as the console says"},
        ),
        Hypothesis(
            key="load not switched",
            cause="the firmware says that the load is on, and does not switch it",
            side="board",
            prior=SOMETIMES,
            severity=Severity("currents.load_a", "is", (0.0,), refines=False),
            words={"load": "stays off"},
            tells={_SWITCH: "the same on and off"},
        ),
        _part(
            "awake current",
            "the processor draws too much awake: a pin against a short, a wrong clock",
            SOMETIMES,
            "currents.awake_a",
            "times",
            grid=geometric(0.3, 4.0, steps=41),
        ),
        _part(
            "transmit current",
            "the radio's current is off: antenna match, power setting, damaged output",
            OFTEN,
            "currents.transmit_a",
            "times",
            grid=geometric(0.15, 3.0, steps=41),
        ),
    )


def _timing_faults(circuit: Circuit) -> tuple[Hypothesis, ...]:
    other = tuple(float(factor) for factor in range(7, 13) if factor != circuit.timing.spreading_factor)
    return (
        _part(
            "timer off",
            "the sleep timer's clock is off: crystal, its capacitors, a wrong divider",
            OFTEN,
            "timing.wake_period_s",
            "times",
            grid=geometric(0.02, 50.0, steps=81),
        ),
        _part(
            "wake long",
            "a wake lasts too long: a slow sensor, a wait in the firmware",
            SOMETIMES,
            "timing.wake_length_s",
            "times",
            grid=geometric(0.2, 30.0, steps=41),
        ),
        _part(
            "spreading factor",
            "the radio transmits with another spreading factor",
            SOMETIMES,
            "timing.spreading_factor",
            "is",
            grid=other,
            refines=False,
        ),
        _part(
            "slow start",
            "the board starts slowly: its clock, its supply's ramp, the firmware",
            SOMETIMES,
            "timing.boot_s",
            "times",
            grid=geometric(1.5, 20.0),
        ),
    )


def _bench_faults() -> tuple[Hypothesis, ...]:
    return (
        _part(
            "contact or lead",
            "contact or lead has resistance",
            OFTEN,
            "bench.feed_ohm",
            "is",
            grid=geometric(0.3, 30.0),
            side="bench",
        ),
        _part(
            "meter gain",
            "the meter's gain is off",
            SELDOM,
            "bench.meter_gain",
            "is",
            grid=even(-0.1, 0.1, steps=61),
            side="bench",
        ),
        _part(
            "recorder gain",
            "the recorder's gain is off",
            SELDOM,
            "bench.recorder_gain",
            "is",
            grid=even(-0.5, 1.0, steps=61),
            side="bench",
        ),
        _part(
            "recorder offset",
            "the recorder has an offset, or something besides the supply feeds the board",
            SOMETIMES,
            "bench.recorder_offset_a",
            "is",
            grid=tuple(sign * size for sign in (-1.0, 1.0) for size in geometric(2e-6, 2e-3, steps=13)),
            side="bench",
        ),
    )
