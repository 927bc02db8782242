"""Correction constants of one board's converter from its sweep, or why there are none.

Owns the constants, their uncertainty, what rounding to the board's whole numbers leaves, and what corrected readings
may then be off by. Refuses a board that is faulty rather than off: constants would hide the fault. Must not know how
they are written, nor which error is allowed afterwards.

A board is taken to report v = code·(1 + gain) + offset, `code` in nominal volts. With codes on the line
code = a + s·true the constants are gain = 1/s - 1 and offset = -a/s (arithmetic). Uncertainties by JCGM 100:2008
5.1.2 (first order) from the line's covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.uncertainty import effective_dof, expanded
from benchrig.quantity import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.judge.converter import ConverterFit

_SQRT12 = math.sqrt(12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionForm:
    """How a board holds its constants: whole numbers from `least` to `most`, worth so much each.

    `gain_step` is a ratio (1e-6 for ppm), `offset_step_v` volts, `reported_step_v` the step of what it reports.
    """

    gain_step: float
    offset_step_v: float
    least: int
    most: int
    reported_step_v: float = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionBounds:
    """Up to where a board counts as off; beyond, it is faulty. Ratios and volts."""

    gain: float
    offset_v: float
    residual_v: float
    hysteresis_v: float
    noise_v: float


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a board gets no constants, each reason a sentence with the value and what is accepted."""

    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """Constants to write: whole numbers, and what they are worth.

    `gain_u` and `offset_u_v` are standard uncertainties of the constants before rounding; `rounding_v` is the
    largest error that rounding leaves between `low_v` and `high_v`, the ends of the sweep.
    """

    gain_number: int
    offset_number: int
    gain: float
    offset_v: float
    gain_u: float
    offset_u_v: float
    rounding_v: float
    low_v: float
    high_v: float
    form: CorrectionForm
    codes: ConverterFit

    def uncertain_by(self) -> float:
        """Expanded uncertainty in volts of what the constants make of a voltage, at the worse end of the sweep.

        The voltmeter's own uncertainty is in it: a board is put right by no better than what measured it.
        """
        dof = float(self.codes.line.dof)
        standard = max(self.codes.error_at(v)[1] for v in (self.low_v, self.high_v)) * (1.0 + self.gain)
        return expanded(standard, dof=dof)[0]

    def error_within(self, true_v: float, *, meter_u_v: float = 0.0) -> float:
        """What a corrected reading at `true_v` may be off by: expanded uncertainty plus what rounding leaves, in volts.

        The line's uncertainty there, the noise of one reading, the bend, the steps of code and of report, and
        `meter_u_v`, by which the voltmeter may differ from how it was in the sweep. What the meter was wrong by then
        and is now cancels.
        """
        fit = self.codes
        scale = 1.0 + self.gain
        line_u_v = fit.line.at(true_v)[1] * scale
        bend_v = fit.nonlinearity.most_v * scale if fit.nonlinearity else 0.0
        scatter_v = max(fit.noise_v, fit.quantisation_u_v) * scale
        causes = (
            (line_u_v, float(fit.line.dof)),
            (scatter_v, float(fit.noise_dof)),
            (self.form.reported_step_v / _SQRT12, math.inf),
            (meter_u_v, math.inf),
        )
        standard = math.hypot(*(u for u, _ in causes))
        return expanded(standard, dof=effective_dof(causes))[0] + bend_v + self.rounding_v


def find_correction(
    codes: ConverterFit, *, form: CorrectionForm, bounds: CorrectionBounds, low_v: float, high_v: float
) -> Correction | Refusal:
    """Constants for a board whose bare codes were fitted from `low_v` to `high_v`, or the reasons against."""
    reasons = tuple(_faults(codes, bounds))
    if reasons:
        return Refusal(reasons)
    slope, intercept = codes.line.slope, codes.line.intercept
    gain, offset_v = 1.0 / slope - 1.0, -intercept / slope
    reasons = tuple(_beyond(gain, offset_v, bounds))
    if reasons:
        return Refusal(reasons)
    gain_number = round(gain / form.gain_step)
    middle_v = 0.5 * (low_v + high_v)
    # the offset makes up for what rounding the gain does in the middle of the range
    gain_left = gain - gain_number * form.gain_step
    offset_number = round((offset_v + gain_left * (intercept + slope * middle_v)) / form.offset_step_v)
    reasons = tuple(_too_large(form, gain=gain_number, offset=offset_number))
    if reasons:
        return Refusal(reasons)
    return Correction(
        gain_number=gain_number,
        offset_number=offset_number,
        gain=gain_number * form.gain_step,
        offset_v=offset_number * form.offset_step_v,
        gain_u=codes.gain_error_u / slope**2,
        offset_u_v=_offset_u(codes),
        rounding_v=_left_by_rounding(
            codes,
            gain_left=gain_left,
            offset_left_v=offset_v - offset_number * form.offset_step_v,
            ends_v=(low_v, high_v),
        ),
        low_v=low_v,
        high_v=high_v,
        form=form,
        codes=codes,
    )


def _faults(codes: ConverterFit, bounds: CorrectionBounds) -> Iterator[str]:
    """What constants would hide."""
    for end, clipped in (("low", codes.clipped_low), ("high", codes.clipped_high)):
        if clipped:
            yield f"codes stand still at the {end} end: no line leads back from there"
    if codes.dead_bits:
        yield f"bits {list(codes.dead_bits)} of the converter never change"
    if codes.codes and codes.codes.missing:
        yield f"codes {list(codes.codes.missing[:8])} never come"
    for name, value_v, most_v in (
        ("the largest residual", abs(codes.max_residual_v), bounds.residual_v),
        ("up and down differ, hysteresis", _certain_hysteresis_v(codes), bounds.hysteresis_v),
        ("the noise of a reading", codes.noise_v, bounds.noise_v),
    ):
        if not value_v <= most_v:
            yield f"{name} of {format_quantity(value_v, 'V')} (accepted: up to {format_quantity(most_v, 'V')})"
    if not codes.line.slope > 0.0:
        yield f"the codes do not rise with the voltage (slope {codes.line.slope:.3g})"


def _certain_hysteresis_v(codes: ConverterFit) -> float:
    """Size of the hysteresis, 0 where noise alone may look so: noise has a bound of its own."""
    if codes.hysteresis_v is None:
        return 0.0
    dof = float(codes.order.dof if codes.order.told_apart else codes.line.dof)
    size_v = abs(codes.hysteresis_v)
    return size_v if size_v > expanded(codes.hysteresis_u_v or 0.0, dof=dof)[0] else 0.0


def _beyond(gain: float, offset_v: float, bounds: CorrectionBounds) -> Iterator[str]:
    if not abs(gain) <= bounds.gain:
        yield f"a gain constant of {100 * gain:.3f} % would be needed (accepted: up to {100 * bounds.gain:g} %)"
    if not abs(offset_v) <= bounds.offset_v:
        yield (
            f"an offset constant of {format_quantity(offset_v, 'V')} would be needed (accepted: up to "
            f"{format_quantity(bounds.offset_v, 'V')})"
        )


def _too_large(form: CorrectionForm, *, gain: int, offset: int) -> Iterator[str]:
    for name, number in (("gain", gain), ("offset", offset)):
        if not form.least <= number <= form.most:
            yield f"the board cannot hold {number} as its {name} constant (accepted: {form.least} to {form.most})"


def _offset_u(codes: ConverterFit) -> float:
    """Standard uncertainty of -a/s, by first order: (da)² /s² + a² (ds)²/s⁴ - 2 a cov/s³, and the meter's offset."""
    line = codes.line
    a, s = line.intercept, line.slope
    variance = (line.intercept_se / s) ** 2 + (a * line.slope_se / s**2) ** 2 - 2.0 * a * line.covariance / s**3
    return math.hypot(math.sqrt(max(0.0, variance)), codes.reference_offset_u_v)


def _left_by_rounding(
    codes: ConverterFit, *, gain_left: float, offset_left_v: float, ends_v: tuple[float, float]
) -> float:
    """The error is a line over the voltage, so it is largest at one of the ends."""
    line = codes.line
    return max(abs(gain_left * (line.intercept + line.slope * v) + offset_left_v) for v in ends_v)
