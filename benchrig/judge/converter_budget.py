"""Uncertainty budgets of what a sweep says of a converter: each cause by its name, none counted twice.

Owns how the scatter of a fit is split into what rounding to whole codes explains (IEEE 1241, u = q/√12, from memory)
and the rest, and which error of the voltmeter moves which result: an error of reading the gain, an error of range the
offset. What differs from one reading of the voltmeter to the next is in the scatter already. Must not know limits.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.budget import Budget
from benchrig.judge.uncertainty import COMMON_GAIN, Component

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.judge.converter import ConverterFit

_OF_EACH_READING = ("resolution", "scatter", "repeats")


class Reference(NamedTuple):
    """What the voltmeter's readings have in common: causes of a gain error (ratios) and of an offset (volts)."""

    gain: tuple[Component, ...]
    offset: tuple[Component, ...]

    @property
    def gain_u(self) -> float:
        """Standard uncertainty of the gain, a ratio."""
        return math.hypot(*(one.contribution for one in self.gain))

    @property
    def offset_u_v(self) -> float:
        """Standard uncertainty of the offset in volts."""
        return math.hypot(*(one.contribution for one in self.offset))


def reference_of(parts: Sequence[Component], *, reading_v: float, standard_uncertainty_v: float) -> Reference:
    """The causes of one reading of the voltmeter, sorted. Without known parts all of it is an offset."""
    if not parts or reading_v == 0.0:
        return Reference((), (Component("meter", standard_uncertainty=standard_uncertainty_v),))
    gain = tuple(
        Component(
            f"meter, {one.name}", standard_uncertainty=abs(one.contribution / reading_v), dof=one.dof, shape=one.shape
        )
        for one in parts
        if one.name in COMMON_GAIN
    )
    offset = tuple(
        Component(f"meter, {one.name}", standard_uncertainty=abs(one.contribution), dof=one.dof, shape=one.shape)
        for one in parts
        if one.name not in (*COMMON_GAIN, *_OF_EACH_READING)
    )
    return Reference(gain, offset)


def gain_budget(fit: ConverterFit, reference: Reference) -> Budget:
    """Of the gain error, a ratio."""
    return _budget((*_scatter(fit, fit.line.slope_se), *reference.gain), unit="1", value=fit.gain_error)


def offset_budget(fit: ConverterFit, reference: Reference) -> Budget:
    """Of the offset in volts."""
    return _budget((*_scatter(fit, fit.line.intercept_se), *reference.offset), unit="V", value=fit.offset_v)


def residual_budget(fit: ConverterFit) -> Budget:
    """Of the largest residual: the noise of one reading, and the line's own uncertainty there."""
    line_u_v = fit.line.at(fit.max_residual_at_v)[1]
    causes = (
        Component("noise of one reading", standard_uncertainty=fit.noise_alone_v, dof=fit.noise_dof, shape="t"),
        _quantisation(min(fit.quantisation_u_v, fit.noise_v)),
        Component("line", standard_uncertainty=line_u_v, dof=fit.line.dof, shape="t"),
    )
    return _budget(causes, unit="V", value=abs(fit.max_residual_v))


def nonlinearity_budget(fit: ConverterFit) -> Budget | None:
    """Of the integral nonlinearity in volts; None where the sweep tells none."""
    if fit.nonlinearity is None:
        return None
    causes = (
        Component("means at the set-points", standard_uncertainty=fit.nonlinearity.u_v, dof=fit.noise_dof, shape="t"),
    )
    return _budget(causes, unit="V", value=abs(fit.nonlinearity.value_v))


def _scatter(fit: ConverterFit, standard_error: float) -> tuple[Component, ...]:
    """A standard error of the line, split by what the scatter about it is made of."""
    spread = fit.line.residual_sd
    if spread == 0.0:
        return (Component("scatter", standard_uncertainty=0.0, dof=fit.line.dof, shape="t"),)
    leverage = standard_error / spread
    rest = math.sqrt(max(0.0, spread**2 - fit.quantisation_u_v**2))
    return (
        Component("scatter", standard_uncertainty=rest, sensitivity=leverage, dof=fit.line.dof, shape="t"),
        _quantisation(fit.quantisation_u_v, sensitivity=leverage),
    )


def _quantisation(u_v: float, *, sensitivity: float = 1.0) -> Component:
    """Normal, not rectangular: it is the mean of many roundings that comes out."""
    return Component("quantisation", standard_uncertainty=u_v, sensitivity=sensitivity)


def _budget(causes: Iterable[Component], *, unit: str, value: float) -> Budget:
    return Budget(tuple(causes), unit=unit, value=value)
