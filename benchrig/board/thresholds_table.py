"""Reads the profile's table `thresholds`: where dropout, lockout, reset and restart are sought, and how.

Owns what the table may say. Must not know how a search is made (`judge.bisection`) nor how volts are applied. The table
may be absent: then the check of that name says that it is not planned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.bisection import SearchPlan

if TYPE_CHECKING:
    from benchrig.toml_reader import Section


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdsPlan:
    """Searches in volts at the terminals. A board that draws less than `alive_above_a` is not alive.

    The rail has dropped out once it is `rail_drop_ratio` below what it is at nominal battery; common practice, no
    source. A trial of the restart begins at `restart_from_v`, where the board must be dead; `recover_off_s` without
    power brings back a board that hangs.
    """

    dropout: SearchPlan
    lockout: SearchPlan
    reset: SearchPlan
    restart: SearchPlan
    restart_from_v: float
    rail_drop_ratio: float
    alive_above_a: float
    recover_off_s: float


def read_thresholds(top: Section, *, maximum_v: float) -> ThresholdsPlan | None:
    """The plan, None when the table is absent. No voltage may be above `maximum_v`."""
    section = top.section("thresholds", required=False)
    if section is None:
        return None
    trial = _trial(section)
    plan = ThresholdsPlan(
        dropout=_search(section, "dropout_v", trial, maximum_v),
        lockout=_search(section, "lockout_v", trial, maximum_v),
        reset=_search(section, "reset_v", trial, maximum_v),
        restart=_search(section, "restart_v", trial, maximum_v),
        restart_from_v=section.number("restart_from_v", at_least=0.0, at_most=60.0),
        rail_drop_ratio=section.number("rail_drop_ratio", default=0.02, above=0.0, at_most=0.5),
        alive_above_a=section.number("alive_above_a", at_least=1e-9, at_most=10.0),
        recover_off_s=section.number("recover_off_s", default=2.0, at_least=0.0, at_most=3600.0),
    )
    if plan.restart_from_v >= plan.restart.low_v:
        section.problem("restart_from_v", f"{plan.restart_from_v:g} V is not below the search at restart_v")
    section.finish()
    return plan


@dataclass(frozen=True, slots=True)
class _Trial:
    """What all searches share; sound numbers, whatever stands in the file."""

    resolution_v: float
    dwell_s: float
    confirm_dwell_s: float
    spread_points: int


def _trial(section: Section) -> _Trial:
    resolution_v = section.number("resolution_v", default=0.005, at_least=0.0005, at_most=0.5)
    dwell_s = section.number("dwell_s", default=0.2, at_least=0.0, at_most=3600.0)
    confirm_s = section.number("confirm_dwell_s", default=1.0, at_least=0.0, at_most=3600.0)
    if confirm_s < dwell_s:
        section.problem("confirm_dwell_s", f"{confirm_s:g} s is shorter than dwell_s = {dwell_s:g} s")
    points = section.integer("spread_points", default=4, at_least=2, at_most=100)
    dwell_s = _or(dwell_s, 0.2)
    return _Trial(_or(resolution_v, 0.005), dwell_s, max(_or(confirm_s, dwell_s), dwell_s), points)


def _or(value: float, stand_in: float) -> float:
    return value if math.isfinite(value) else stand_in


def _search(section: Section, key: str, trial: _Trial, maximum_v: float) -> SearchPlan:
    low_v, high_v = _range(section, key, maximum_v)
    return SearchPlan(
        low_v=low_v,
        high_v=high_v,
        resolution_v=trial.resolution_v,
        dwell_s=trial.dwell_s,
        confirm_dwell_s=trial.confirm_dwell_s,
        spread_points=trial.spread_points,
    )


def _range(section: Section, key: str, maximum_v: float) -> tuple[float, float]:
    """Two voltages, the lower first."""
    before = len(section.problems)
    volts = section.numbers(key)
    stand_in = (1e6, 1e6 + 1.0)  # above whatever it is compared with, so that no second problem follows
    if len(section.problems) > before:
        return stand_in
    if len(volts) != 2 or not 0.0 <= volts[0] < volts[1]:
        section.problem(key, f"{list(volts)} is no range; accepted: two voltages from 0 V up, the lower first")
        return stand_in
    if volts[1] > maximum_v:
        section.problem(key, f"{volts[1]:g} V is above the absolute maximum of {maximum_v:g} V (table maxima)")
        return stand_in
    return volts[0], volts[1]
