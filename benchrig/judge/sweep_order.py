"""Hysteresis and drift of a sweep told apart by the order in which its points were taken, and when they cannot be.

Owns the model error = level + hysteresis·direction + drift·time, with direction +1/2 going up and -1/2 going down and
time from -1/2 at the first point to +1/2 at the last: hysteresis is up less down, drift the change over the whole
sweep, both in volts. Each set-point has a level of its own, so that a bend of the converter is neither; where too few
are seen more than once the levels are a straight line. Must not know why a board drifts.

All points up and then all points down, evenly spaced, leaves estimates whose correlation is about -0.87 (a ramp
against a step, √3/2): told apart, with twice the uncertainty of either alone. A sweep in one direction tells neither
from gain. How far correlated they may be to be called told apart is the project's own choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.least_squares import NotToldApartError, design_correlation, fit_terms

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_CORRELATED = 0.97
"""Beyond this each estimate has more than four times the uncertainty that it would have alone."""

_FEWEST_POINTS = 5
_BETTER_ORDER = "take the points up, down, down and up, or in random order"


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderedPoint:
    """One point: true and reported volts, the set-point, whether the voltage rose to it, and when it was taken (s)."""

    true_v: float
    reported_v: float
    setpoint_v: float
    rising: bool
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderEffects:
    """Up less down, and the change over the sweep, in volts with standard uncertainties and `dof`.

    `correlation` is that of the two estimates. Where they cannot be told apart all of them are None, except for a
    correlation that is known, and `why` says what the plan lacks; '' otherwise.
    """

    hysteresis_v: float | None = None
    hysteresis_u_v: float | None = None
    drift_v: float | None = None
    drift_u_v: float | None = None
    correlation: float | None = None
    duration_s: float
    dof: int = 0
    why: str = ""

    @property
    def told_apart(self) -> bool:
        """Whether hysteresis and drift each have a number of their own."""
        return self.drift_v is not None


def order_effects(
    points: Sequence[OrderedPoint], *, weights: Sequence[float] | None = None, quantisation_u_v: float = 0.0
) -> OrderEffects:
    """What the order of the points tells of hysteresis and drift, no better than steps of `quantisation_u_v` allow.

    Equal codes up and down prove only that both are within one step. Raises ValueError for numbers that are not finite.
    """
    times_s = [point.at_s for point in points]
    duration_s = max(times_s) - min(times_s) if times_s else 0.0
    lacking = _lacking(points, duration_s)
    if lacking:
        return OrderEffects(duration_s=duration_s, why=lacking)
    columns = _columns(points, duration_s)
    correlation = design_correlation(columns, one="hysteresis", other="drift")
    if abs(correlation) > MOST_CORRELATED:
        return OrderEffects(correlation=correlation, duration_s=duration_s, why=_too_alike(correlation))
    try:
        errors_v = [point.reported_v - point.true_v for point in points]
        fit = fit_terms(columns, errors_v, weights=weights, least_scatter=quantisation_u_v)
    except NotToldApartError as alike:
        return OrderEffects(duration_s=duration_s, why=f"{alike}; {_BETTER_ORDER}")
    hysteresis, drift = fit.estimate("hysteresis"), fit.estimate("drift")
    return OrderEffects(
        hysteresis_v=hysteresis[0],
        hysteresis_u_v=hysteresis[1],
        drift_v=drift[0],
        drift_u_v=drift[1],
        correlation=correlation,
        duration_s=duration_s,
        dof=fit.dof,
    )


def _lacking(points: Sequence[OrderedPoint], duration_s: float) -> str:
    """What a plan lacks before anything is computed; '' for nothing."""
    if len(points) < _FEWEST_POINTS:
        return f"{len(points)} points tell nothing of their order; take {_FEWEST_POINTS} or more"
    if len({point.rising for point in points}) == 1:
        return f"the sweep went one way only, which hides drift in gain and shows no hysteresis; {_BETTER_ORDER}"
    if not duration_s > 0.0:
        return "the points carry no times of their own, so that nothing tells drift from hysteresis"
    return ""


def _too_alike(correlation: float) -> str:
    return (
        f"estimates of hysteresis and drift are correlated by {correlation:.3f} in this order of points (accepted: up "
        f"to {MOST_CORRELATED:g}); {_BETTER_ORDER}"
    )


def _columns(points: Sequence[OrderedPoint], duration_s: float) -> dict[str, list[float]]:
    first_s = min(point.at_s for point in points)
    return {
        **_levels(points),
        "hysteresis": [0.5 if point.rising else -0.5 for point in points],
        "drift": [(point.at_s - first_s) / duration_s - 0.5 for point in points],
    }


def _levels(points: Sequence[OrderedPoint]) -> dict[str, list[float]]:
    """A term for each set-point, or offset and gain where that would leave nothing over."""
    setpoints_v = list(dict.fromkeys(point.setpoint_v for point in points))
    if len(points) > len(setpoints_v) + 2:
        return {f"level {v!r}": [float(point.setpoint_v == v) for point in points] for v in setpoints_v}
    middle_v = sum(point.true_v for point in points) / len(points)
    return {"offset": [1.0] * len(points), "gain": [point.true_v - middle_v for point in points]}
