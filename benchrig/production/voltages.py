"""The rail, and the reported battery voltage over the range."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.converter import ConverterFit, Direction, SweepPoint, fit_converter
from benchrig.procedures import sweep as sweeping
from benchrig.procedures.power import ready
from benchrig.procedures.rail import rail_under_load
from benchrig.production.stamps import stamp_uncertainty_s
from benchrig.reading import Reading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.on_bench import OnBench


def check_rail(run: BoardRun, measure: Check) -> None:
    """Every point of the rail plan."""
    on = run.on_bench
    rail = on.bench.rail
    if rail is None:
        measure.undecided(
            "voltage", "no meter of this bench sees the rail", next_action="wire one (slots.N.meters.rail)"
        )
        return
    ready(on)
    for point in rail_under_load(on, rail):
        measure(
            "voltage",
            point.rail,
            at=f"at {point.battery.value:.2f} V",
            next_action="measure the converter's input and output at its pins; look at inductor and feedback divider",
        )


def check_battery_sweep(run: BoardRun, measure: Check) -> None:
    """Sweep, fit, and judge each error by its own limit; the cause shows in which of them fails."""
    on = run.on_bench
    ready(on)
    run.sweep.clear()
    for point in sweeping.battery_sweep(on):
        run.sweep.append(point)
        for quantity, value, unit in (
            ("reported", point.battery.reported_v, "V"),
            ("counts", point.battery.counts, "count"),
        ):
            measure.reading(
                f"{quantity} at {point.at}",
                Reading(value, unit, 0.0, "board console", point.battery.raw, point.battery.at_s),
            )
    _judge_sweep(on, measure, run.sweep)
    slowest = max(run.sweep, key=lambda point: point.battery.took_s)
    measure(
        "answer_time",
        slowest.battery.took_s,
        unit="s",
        standard_uncertainty=stamp_uncertainty_s(run.clock),
        at=f"slowest, at {slowest.at}",
        next_action="look at what the firmware does between question and conversion; where a question was repeated, "
        "at noise on the console",
    )


def _judge_sweep(on: OnBench, measure: Check, points: Sequence[sweeping.SweepPoint]) -> None:
    volts_per_count = on.profile.converter.volts_per_count
    top_code = on.profile.converter.top_code
    meter_u = max(point.terminals.standard_uncertainty for point in points)
    reported = fit_converter(
        [_fit_point(point, reported=True) for point in points],
        volts_per_count=volts_per_count,
        full_scale_counts=top_code,
        reference_offset_u_v=meter_u,
    )
    codes = fit_converter(
        [_fit_point(point, reported=False) for point in points],
        volts_per_count=volts_per_count,
        full_scale_counts=top_code,
        reference_offset_u_v=meter_u,
    )
    _judge_codes(measure, codes)
    _judge_errors(measure, points)
    _judge_fit(measure, reported, codes, volts_per_count)


def _judge_codes(measure: Check, codes: ConverterFit) -> None:
    clipped = [end for end, found in (("low", codes.clipped_low), ("high", codes.clipped_high)) if found]
    measure.fact(
        "codes follow the voltage",
        expected="codes change at both ends of the range",
        seen=f"codes stand still at the {' and the '.join(clipped)} end" if clipped else "they do",
        holds=not clipped,
        next_action="look at the divider and the converter's reference: the input leaves its range",
    )
    dead = codes.dead_bits
    measure.fact(
        "converter bits",
        expected="every bit that should change does",
        seen="too few codes to tell" if dead is None else f"bits {list(dead)} never change" if dead else "they do",
        holds=None if dead is None else not dead,
        next_action="replace the microcontroller, or look at how the firmware reads the converter",
    )


def _judge_errors(measure: Check, points: Sequence[sweeping.SweepPoint]) -> None:
    """The point that is off most stands for all: a limit holds for every point or for none."""
    worst = max(points, key=lambda point: abs(point.battery.reported_v - point.terminals.value))
    measure(
        "error",
        worst.battery.reported_v - worst.terminals.value,
        unit="V",
        standard_uncertainty=worst.terminals.standard_uncertainty,
        at=f"worst, at {worst.at}",
        next_action="see gain, offset and residual: they say which part of the chain it is",
    )


def _judge_fit(measure: Check, reported: ConverterFit, codes: ConverterFit, volts_per_count: float) -> None:
    gain = "look at the divider's resistors and the converter's reference: they cannot be told apart by volts alone"
    offset = "look for leakage at the divider's middle, or a wrong constant in the firmware"
    dof = float(reported.line.dof)
    measure(
        "gain_error",
        reported.gain_error,
        unit="1",
        standard_uncertainty=reported.gain_error_u,
        dof=dof,
        next_action=gain,
    )
    measure(
        "offset", reported.offset_v, unit="V", standard_uncertainty=reported.offset_u_v, dof=dof, next_action=offset
    )
    measure(
        "residual",
        abs(reported.max_residual_v),
        unit="V",
        standard_uncertainty=reported.max_residual_u_v,
        next_action="the chain is not straight: look at source impedance, settling and clipping",
    )
    if reported.hysteresis_v is not None:
        measure(
            "hysteresis",
            reported.hysteresis_v,
            unit="V",
            standard_uncertainty=reported.hysteresis_u_v or 0.0,
            dof=dof,
            next_action="up and down differ: the divider had not settled; look at its capacitor and resistors",
        )
    measure(
        "noise",
        reported.noise_v,
        unit="V",
        standard_uncertainty=reported.noise_u_v,
        next_action="look at the reference's capacitor and at averaging",
    )
    measure(
        "counts_gain_error",
        codes.gain_error,
        unit="1",
        standard_uncertainty=codes.gain_error_u,
        dof=dof,
        next_action=gain,
    )
    measure(
        "counts_offset",
        codes.offset_v / volts_per_count,
        unit="count",
        standard_uncertainty=codes.offset_u_v / volts_per_count,
        dof=dof,
        next_action=offset,
    )
    measure(
        "counts_residual",
        abs(codes.max_residual_v) / volts_per_count,
        unit="count",
        standard_uncertainty=codes.max_residual_u_v / volts_per_count,
        next_action="the converter is not straight: look at its reference, its source impedance and its sampling time",
    )


def _fit_point(point: sweeping.SweepPoint, *, reported: bool) -> SweepPoint:
    return SweepPoint(
        point.terminals.value,
        reported_v=point.battery.reported_v if reported else None,
        counts=None if reported else point.battery.counts,
        direction=Direction(point.direction),
        setpoint_v=point.setpoint_v,
    )
