"""Confidence limits of what a sweep says of a converter, each between which value and which, at one coverage.

Owns the step from a fit's standard uncertainties to limits. Must not know what is allowed: that is a limit's affair.
Student's t with effective degrees of freedom for gain, offset, hysteresis and drift; the chi-square interval for
noise; the simultaneous one of `nonlinearity` for that.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.chi_square import deviation_interval
from benchrig.judge.uncertainty import COVERAGE, effective_dof, expanded

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.judge.converter import ConverterFit


class Between(NamedTuple):
    """Confidence limits, low and high, in the unit of the value."""

    low: float
    high: float

    def holds(self, truth: float) -> bool:
        """Whether `truth` is between them."""
        return self.low <= truth <= self.high


def confidence_limits(fit: ConverterFit, *, coverage: float = COVERAGE) -> Mapping[str, Between]:
    """Limits by the names `gain_error`, `offset_v`, `noise_v` (quantisation taken out), and those that the sweep tells:
    `nonlinearity_v`, `hysteresis_v`, `drift_v`. Nonlinearity is a size, and at the coverage of the fit.

    Raises ValueError for a coverage outside 0 to 1.
    """
    line, order = fit.line, fit.order
    found = {
        "gain_error": _student(fit.gain_error, coverage, (line.slope_se, line.dof), (fit.reference_gain_u, math.inf)),
        "offset_v": _student(
            fit.offset_v, coverage, (line.intercept_se, line.dof), (fit.reference_offset_u_v, math.inf)
        ),
        "noise_v": _noise(fit, coverage),
    }
    if fit.nonlinearity is not None:
        found["nonlinearity_v"] = Between(fit.nonlinearity.least_v, fit.nonlinearity.most_v)
    if order.told_apart:
        for name, value, u in (
            ("hysteresis_v", order.hysteresis_v, order.hysteresis_u_v),
            ("drift_v", order.drift_v, order.drift_u_v),
        ):
            found[name] = _student(value or 0.0, coverage, (u or 0.0, order.dof))
    return found


def _student(value: float, coverage: float, *causes: tuple[float, float]) -> Between:
    standard = math.hypot(*(u for u, _ in causes))
    half, _ = expanded(standard, dof=effective_dof(causes), coverage=coverage)
    return Between(value - half, value + half)


def _noise(fit: ConverterFit, coverage: float) -> Between:
    """Limits of the total scatter, less what quantisation adds to it: u² = s² - q²/12, not below 0."""
    low, high = deviation_interval(fit.noise_v, dof=fit.noise_dof, coverage=coverage)
    q = fit.quantisation_u_v
    return Between(*(math.sqrt(max(0.0, side * side - q * q)) for side in (low, high)))
