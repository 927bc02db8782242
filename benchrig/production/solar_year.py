"""A board with its panel through a year: the profile's panel and cell, a load, and the sun. Composition alone.

The arithmetic is `judge.autonomy`. Must not know where load or sun came from, nor a page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.judge.autonomy import Autonomy, Fix, Option, Spread, System, cheapest_fix, live_through
from benchrig.judge.energy import MONTH_S
from benchrig.production.energy_budget import battery_of, load_at

if TYPE_CHECKING:
    from benchrig.board.energy_table import EnergyPlan
    from benchrig.board.solar_table import SolarOption, SolarPlan
    from benchrig.judge.autonomy import SunSeries
    from benchrig.production.energy_budget import EnergyBudget

DRAWS = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class SolarYear:
    """What the year comes to; `fix` is None where no change was tried: none was wanted, or the profile names none."""

    sun: SunSeries
    system: System
    spread: Spread
    autonomy: Autonomy
    is_enough: bool
    fix: Fix | None


def solar_year(
    plan: SolarPlan, energy: EnergyPlan, budget: EnergyBudget, sun: SunSeries, *, always_try: bool = False
) -> SolarYear:
    """Run the year; then every option, if the year is not enough, or with `always_try`.

    Raises ConfigError for an option that cannot be reckoned.
    """
    system = _system(plan, energy, budget, None)
    spread = _spread(plan, energy, budget)
    autonomy = live_through(sun, system, spread=spread)
    is_enough = autonomy.high_days <= plan.most_empty_days
    return SolarYear(
        sun=sun,
        system=system,
        spread=spread,
        autonomy=autonomy,
        is_enough=is_enough,
        fix=_fix(plan, energy, budget, sun, spread) if always_try or not is_enough else None,
    )


def _fix(plan: SolarPlan, energy: EnergyPlan, budget: EnergyBudget, sun: SunSeries, spread: Spread) -> Fix | None:
    if not plan.options:
        return None
    options = [Option(one.name, one.cost, _system(plan, energy, budget, one)) for one in plan.options]
    return cheapest_fix(sun, options, spread=spread, most_empty_days=plan.most_empty_days)


def _system(plan: SolarPlan, energy: EnergyPlan, budget: EnergyBudget, option: SolarOption | None) -> System:
    cell, load_a, panel_w = energy.cell, budget.load.mean_a, plan.panel_w
    if option is not None:
        cell = replace(cell, capacity_ah=option.capacity_ah or cell.capacity_ah)
        panel_w = option.panel_w or panel_w
        try:
            load_a = load_at(budget, every_s=option.report_period_s, spreading_factor=option.spreading_factor).mean_a
        except ValueError as wrong:
            raise ConfigError(f"option {option.name!r} of the table solar: {wrong}") from wrong
    battery = battery_of(cell, peak_a=budget.report.transmit_a.value if budget.report else 0.0)
    lost_a = battery.capacity_c.value * battery.self_discharge_per_month.value / MONTH_S
    return System(
        panel_w=panel_w,
        efficiency=plan.efficiency,
        battery_v=plan.battery_v,
        capacity_c=battery.capacity_c.value * battery.usable.value * (1.0 - plan.ageing),
        load_a=load_a + lost_a,
        least_w=plan.least_w,
        most_charge_a=plan.most_charge_a,
        night_leak_a=plan.night_leak_a,
        start_share=plan.start_share,
        restart_share=plan.restart_share,
    )


def _spread(plan: SolarPlan, energy: EnergyPlan, budget: EnergyBudget) -> Spread:
    """Spreads relative to the values; that of self-discharge goes with the load."""
    battery = battery_of(energy.cell, peak_a=0.0)
    per_month = battery.self_discharge_per_month
    lost_a, lost_u = (battery.capacity_c.value * one / MONTH_S for one in (per_month.value, per_month.u))
    load_u = math.hypot(budget.mean_budget.standard_uncertainty, lost_u) / (budget.load.mean_a + lost_a)
    return Spread(
        dirt=plan.dirt,
        dirt_u=plan.dirt_u,
        capacity_u=math.hypot(
            battery.capacity_c.u / battery.capacity_c.value,
            battery.usable.u / battery.usable.value,
            plan.ageing_u / (1.0 - plan.ageing),
        ),
        load_u=load_u,
        draws=DRAWS,
    )
