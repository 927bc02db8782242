"""What the battery sweep says of divider and converter: each error judged by its own limit, with its causes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from benchrig.judge.budget import Budget
from benchrig.judge.converter import ConverterFit, Direction, SweepPoint, fit_converter
from benchrig.judge.converter_budget import (
    Reference,
    gain_budget,
    nonlinearity_budget,
    offset_budget,
    reference_of,
    residual_budget,
)
from benchrig.judge.converter_limits import confidence_limits
from benchrig.judge.parts import budget_of, components_of
from benchrig.judge.uncertainty import COVERAGE, expanded
from benchrig.quantity import format_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.profile_plans import ConverterPlan
    from benchrig.check import Check
    from benchrig.procedures import sweep as sweeping

_GAIN = "look at the divider's resistors and the converter's reference: they cannot be told apart by volts alone"
_OFFSET = "look for leakage at the divider's middle, or a wrong constant in the firmware"
_BENT = "the chain is not straight: look at source impedance, settling and clipping"
_REPORTED_STEP_V = 0.001
"""A board reports whole millivolts: the console's field is named for them."""


def reference_of_sweep(points: Sequence[sweeping.SweepPoint]) -> Reference:
    """What all readings of the terminals have in common, from the least certain of them."""
    worst = max(points, key=lambda point: point.terminals.standard_uncertainty).terminals
    return reference_of(
        components_of(worst.parts), reading_v=worst.value, standard_uncertainty_v=worst.standard_uncertainty
    )


def fit_reported(points: Sequence[sweeping.SweepPoint], plan: ConverterPlan) -> ConverterFit:
    """The line of what the board reported, corrected or not, over the volts at its terminals."""
    return _fit(points, plan, reported=True)


def fit_codes(points: Sequence[sweeping.SweepPoint], plan: ConverterPlan) -> ConverterFit:
    """The line of the bare codes, in nominal volts."""
    return _fit(points, plan, reported=False)


def judge_sweep(measure: Check, points: Sequence[sweeping.SweepPoint], plan: ConverterPlan) -> None:
    """Every limit of the sweep, and what it leaves open."""
    reference = reference_of_sweep(points)
    reported, codes = fit_reported(points, plan), fit_codes(points, plan)
    _judge_codes(measure, codes)
    _judge_error(measure, points)
    _judge_line(measure, reported, reference)
    _judge_order(measure, reported)
    _judge_noise(measure, reported)
    _judge_bare_codes(measure, codes, reference, plan.volts_per_count)
    measure.annex(f"converter, limits at {100 * COVERAGE:.2f} %", _limit_lines(reported))


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
    _judge_missing(measure, codes)


def _judge_missing(measure: Check, codes: ConverterFit) -> None:
    """Codes that never came. A sweep in steps of many codes can say nothing of most, and that is told."""
    cover = codes.codes
    if cover is None:
        return
    if cover.judged:
        shown = ", ".join(map(str, cover.missing[:8])) + (" and more" if len(cover.missing) > 8 else "")
        measure.fact(
            "missing codes",
            expected=f"each of the {cover.judged} codes that enough readings should have had came",
            seen=f"never: {shown}" if cover.missing else "each came",
            holds=not cover.missing,
            next_action="replace the microcontroller: a converter that misses codes is not off but faulty",
        )
    if cover.judged < cover.span - 2:
        measure.not_proven(
            f"converter codes: {cover.visited} of {cover.span} between the ends of the sweep were seen; one that is "
            "missing elsewhere is not found",
            next_action="sweep in steps smaller than a code, with repeats, where that matters",
        )


def _judge_error(measure: Check, points: Sequence[sweeping.SweepPoint]) -> None:
    """The point that is off most stands for all: a limit holds for every point or for none."""
    worst = max(points, key=lambda point: abs(point.battery.reported_v - point.terminals.value))
    measure(
        "error",
        worst.battery.reported_v - worst.terminals.value,
        unit="V",
        standard_uncertainty=worst.terminals.standard_uncertainty,
        budget=budget_of(worst.terminals.parts, unit="V"),
        at=f"worst, at {worst.at}",
        next_action="see gain, offset and residual: they say which part of the chain it is",
    )


def _judge_line(measure: Check, reported: ConverterFit, reference: Reference) -> None:
    measure("gain_error", reported.gain_error, unit="1", budget=gain_budget(reported, reference), next_action=_GAIN)
    measure("offset", reported.offset_v, unit="V", budget=offset_budget(reported, reference), next_action=_OFFSET)
    measure("residual", abs(reported.max_residual_v), unit="V", budget=residual_budget(reported), next_action=_BENT)
    if reported.nonlinearity is not None:
        measure(
            "nonlinearity",
            abs(reported.nonlinearity.value_v),
            unit="V",
            budget=nonlinearity_budget(reported),
            next_action=_BENT,
        )


def _judge_order(measure: Check, reported: ConverterFit) -> None:
    """Hysteresis and drift. Where the order of the points does not tell them apart, what shows is called hysteresis."""
    order = reported.order
    if reported.hysteresis_v is not None:
        measure(
            "hysteresis",
            reported.hysteresis_v,
            unit="V",
            standard_uncertainty=reported.hysteresis_u_v or 0.0,
            dof=float(order.dof if order.told_apart else reported.line.dof),
            next_action="up and down differ: the divider had not settled; look at its capacitor and resistors",
        )
    if order.told_apart:
        measure(
            "drift",
            order.drift_v,
            unit="V",
            standard_uncertainty=order.drift_u_v or 0.0,
            dof=float(order.dof),
            next_action="the reading crept during the sweep: look at what warms up near the reference and the divider",
        )
    elif "drift" in measure.limits:
        measure.undecided("drift", order.why, next_action="change the plan of the sweep (table sweep)")


def _judge_noise(measure: Check, reported: ConverterFit) -> None:
    limit = measure.limits.get("noise")
    hidden_v = expanded(reported.quantisation_u_v, dof=math.inf)[0]
    if limit is not None and limit.high is not None and reported.noise_v <= limit.high < hidden_v:
        step = format_quantity(math.sqrt(12.0) * reported.quantisation_u_v, "V", resolution=1e-6)
        seen = format_quantity(reported.noise_v, "V", resolution=1e-6)
        measure.undecided(
            "noise",
            f"{seen} are seen, and noise of less than the step of {step} need not show: the limit is below what this "
            "sweep tells",
            next_action="limit what a step can tell, or repeat readings at voltages that lie between two steps",
        )
        return
    measure(
        "noise",
        reported.noise_v,
        unit="V",
        standard_uncertainty=reported.noise_u_v,
        next_action="look at the reference's capacitor and at averaging",
    )


def _judge_bare_codes(measure: Check, codes: ConverterFit, reference: Reference, volts_per_count: float) -> None:
    measure("counts_gain_error", codes.gain_error, unit="1", budget=gain_budget(codes, reference), next_action=_GAIN)
    offset = offset_budget(codes, reference)
    measure(
        "counts_offset",
        codes.offset_v / volts_per_count,
        unit="count",
        budget=_in_counts(offset, volts_per_count),
        next_action=_OFFSET,
    )
    measure(
        "counts_residual",
        abs(codes.max_residual_v) / volts_per_count,
        unit="count",
        budget=_in_counts(residual_budget(codes), volts_per_count),
        next_action="the converter is not straight: look at its reference, its source impedance and its sampling time",
    )


def _in_counts(budget: Budget, volts_per_count: float) -> Budget:
    scaled = tuple(replace(one, sensitivity=one.sensitivity / volts_per_count) for one in budget.components)
    return Budget(scaled, unit="count")


def _limit_lines(reported: ConverterFit) -> list[str]:
    """One line for each value: between what it is, and how noise and quantisation share the scatter."""
    lines = []
    for name, (low, high) in confidence_limits(reported).items():
        unit = "1" if name == "gain_error" else "V"
        label = name.removesuffix("_v").replace("_", " ")
        between = [format_quantity(side, unit, resolution=1e-6) for side in (low, high)]
        is_none = name == "noise_v" and high == 0.0
        lines.append(f"{label:<13} {'none seen beyond quantisation' if is_none else f'{between[0]} to {between[1]}'}")
    quantisation = format_quantity(reported.quantisation_u_v, "V", resolution=1e-6)
    lines.append(f"{'quantisation':<13} {quantisation} rms of the scatter, from steps of code and of report")
    if reported.order.correlation is not None:
        lines.append(
            f"hysteresis and drift are told apart by the order of the points, with estimates correlated by "
            f"{reported.order.correlation:.2f}"
        )
    return lines


def _fit(points: Sequence[sweeping.SweepPoint], plan: ConverterPlan, *, reported: bool) -> ConverterFit:
    reference = reference_of_sweep(points)
    return fit_converter(
        [_fit_point(point, plan, reported=reported) for point in points],
        volts_per_count=plan.volts_per_count,
        full_scale_counts=plan.top_code,
        reported_step_v=_REPORTED_STEP_V if reported else 0.0,
        reference_gain_u=reference.gain_u,
        reference_offset_u_v=reference.offset_u_v,
    )


def _fit_point(point: sweeping.SweepPoint, plan: ConverterPlan, *, reported: bool) -> SweepPoint:
    """One point; the less certain its voltmeter beside a step of the converter, the less it counts."""
    return SweepPoint(
        point.terminals.value,
        reported_v=point.battery.reported_v if reported else None,
        counts=None if reported else point.battery.counts,
        direction=Direction(point.direction),
        setpoint_v=point.setpoint_v,
        at_s=point.battery.at_s,
        u_v=math.hypot(point.terminals.standard_uncertainty, plan.volts_per_count / math.sqrt(12.0)),
    )
