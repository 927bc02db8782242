"""Reads the profile's table `coming_back`: ramps, plateaus and power holes that the board must survive.

Owns what the table may say. Must not know how the points are chosen (`judge.coming_back`) nor how a ramp is made. The
table may be absent: then the check of that name says that it is not planned.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.coming_back import MapPlan

if TYPE_CHECKING:
    from benchrig.toml_reader import Section


_MOST_VOLTS = 60.0
_FINEST_STEP_V, _COARSEST_STEP_V = 0.0001, 5.0
"""Supplies set tenths of a millivolt at the finest; in steps above some volts a ramp is a row of power cuts."""
_STEEPEST_V_PER_S = 1000.0
"""No bench supply follows a steeper one; common practice, no source."""
_MOST_OF_EACH = 50
_LEAST_MADE = 0.1
"""With next to no ramp made as planned nothing was tried, and everything would pass. Own choice."""
_LONGEST_S = 86_400.0
"""A dark day. Nobody waits longer on a bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComingBackPlan:
    """What is tried, and how.

    Ramps begin and end at `from_v`, in steps of `step_v` as far as the bench can keep up; with steps above
    `largest_step_v` a ramp does not count as made; with less than the share `least_made` of all points made as planned
    nothing is decided. Back at nominal the board has `within_s` to say that it booted; it
    must then draw less than `sleep_below_a` asleep. One that draws less than `alive_above_a` is not alive; after
    `recover_off_s` without power it is.
    """

    points: MapPlan
    from_v: float
    step_v: float
    largest_step_v: float
    least_made: float
    within_s: float
    alive_above_a: float
    sleep_below_a: float
    recover_off_s: float


def read_coming_back(top: Section, *, maximum_v: float) -> ComingBackPlan | None:
    """The plan, None when the table is absent. No voltage may be above `maximum_v`."""
    section = top.section("coming_back", required=False)
    if section is None:
        return None
    from_v = section.number("from_v", above=0.0, at_most=_MOST_VOLTS)
    _check_maximum(section, "from_v", from_v, maximum_v)
    step_v = section.number("step_v", default=0.02, at_least=_FINEST_STEP_V, at_most=_COARSEST_STEP_V)
    plan = ComingBackPlan(
        points=_points(section, from_v=from_v, maximum_v=maximum_v),
        from_v=from_v,
        step_v=step_v,
        largest_step_v=section.number("largest_step_v", default=0.15, above=0.0, at_most=_COARSEST_STEP_V),
        least_made=section.number("least_made", default=0.5, at_least=_LEAST_MADE, at_most=1.0),
        within_s=section.number("within_s", above=0.0, at_most=3600.0),
        alive_above_a=section.number("alive_above_a", at_least=1e-9, at_most=10.0),
        sleep_below_a=section.number("sleep_below_a", at_least=1e-9, at_most=10.0),
        recover_off_s=section.number("recover_off_s", default=2.0, at_least=0.0, at_most=3600.0),
    )
    if plan.largest_step_v < step_v:
        section.problem("largest_step_v", f"{plan.largest_step_v:g} V is less than step_v = {step_v:g} V")
    section.finish()
    return plan


def _points(section: Section, *, from_v: float, maximum_v: float) -> MapPlan:
    floors_v = _several(section, "floors_v", at_least=0.0, at_most=_MOST_VOLTS)
    for volts in floors_v:
        if volts >= from_v:
            section.problem("floors_v", f"{volts:g} V is not below from_v = {from_v:g} V")
    plateaus_v = _several(section, "plateaus_v", at_least=0.0, at_most=_MOST_VOLTS, required=False)
    for volts in plateaus_v:
        _check_maximum(section, "plateaus_v", volts, maximum_v)
    return MapPlan(
        floors_v=floors_v,
        slopes_v_per_s=_several(section, "slopes_v_per_s", at_least=1e-6, at_most=_STEEPEST_V_PER_S),
        dwells_s=_several(section, "dwells_s", at_least=0.0, at_most=_LONGEST_S),
        plateaus_v=plateaus_v,
        plateau_s=section.number("plateau_s", default=1.0, at_least=0.0, at_most=_LONGEST_S),
        holes_s=_several(section, "holes_s", at_least=1e-3, at_most=_LONGEST_S, required=False),
        floor_resolution_v=section.number("floor_resolution_v", default=0.1, at_least=0.005, at_most=_MOST_VOLTS),
        slope_ratio=section.number("slope_ratio", default=2.0, at_least=1.05, at_most=1000.0),
        most_points=section.integer("most_points", default=60, at_least=1, at_most=10_000),
    )


def _several(
    section: Section, key: str, *, at_least: float, at_most: float, required: bool = True
) -> tuple[float, ...]:
    """Different numbers, as many as there are."""
    if not required and not section.has(key):
        return ()
    before = len(section.problems)
    values = section.numbers(key)
    if len(section.problems) > before:
        return ()
    if not values or len(set(values)) != len(values):
        section.problem(key, f"{list(values)} is not accepted; accepted: different numbers, one or more")
    if len(values) > _MOST_OF_EACH:
        section.problem(key, f"{len(values)} numbers; accepted: at most {_MOST_OF_EACH}, since each is tried with each")
    for value in values:
        if value < at_least:
            section.problem(key, f"{value:g} is not accepted; accepted: {at_least:g} and more")
        elif value > at_most:
            section.problem(key, f"{value:g} is not accepted; accepted: {at_most:g} and less")
    return values


def _check_maximum(section: Section, key: str, volts: float, maximum_v: float) -> None:
    if volts > maximum_v:
        section.problem(key, f"{volts:g} V is above the absolute maximum of {maximum_v:g} V (table maxima)")
