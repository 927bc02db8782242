"""Average current and battery life of this board, from what the checks before it measured. It measures nothing.

Owns which inputs it takes, which it writes down, and what it says that nobody measured. The arithmetic is in
`energy_budget` and `solar_year`. Every input becomes a reading of this check, so that the journal alone is enough
to reckon again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.production.energy_budget import USED, energy_budget, missing
from benchrig.production.solar_year import solar_year
from benchrig.reading import Reading
from benchrig.report import energy_annex, solar_annex
from benchrig.sun_series import sun_of

if TYPE_CHECKING:
    from benchrig.board.energy_table import EnergyPlan
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.production.energy_budget import EnergyBudget
    from benchrig.production.solar_year import SolarYear

_WHOSE = {
    "floor_a": "floor_current",
    "wake_charge_c": "floor_current",
    "wake_period_s": "floor_current",
    "report_charge_c": "transmit",
}
"""The check that measures an input."""


def check_energy(run: BoardRun, measure: Check) -> None:
    """Judge average current and life, lay both out, and say what they rest on."""
    profile = run.on_bench.profile
    plan = profile.energy
    if plan is None:
        measure.undecided("life", "the profile has no table energy", next_action="give it one, with the cell")
        return
    gone = missing(run.found)
    if gone:
        _refuse(run, measure, gone)
        return
    for name in USED:
        if name in run.found:
            found = run.found[name]
            source = _WHOSE.get(name, "a check before")
            measure.reading(
                name, Reading(found.value, found.unit, found.standard_uncertainty, source, "", run.clock.now_s())
            )
    try:
        budget = energy_budget(plan, run.found)
    except ValueError as wrong:
        measure.undecided("life", str(wrong), next_action="look at the profile's table energy, and at the currents")
        return
    _judge(measure, budget)
    measure.annex(energy_annex.TITLE, annex_lines(budget))
    _tell_assumptions(run, measure, plan)
    run.later(lambda: _sun(run, measure, plan, budget))


def annex_lines(budget: EnergyBudget) -> list[str]:
    """The lines "energy and life"."""
    return energy_annex.energy_lines(
        budget.load,
        budget.battery,
        budget.life,
        mean=budget.mean_budget.expanded(),
        tried=budget.tried,
        notes=budget.notes,
    )


def year_lines(year: SolarYear, *, with_months: bool = False) -> list[str]:
    """The lines "solar autonomy"."""
    return solar_annex.solar_lines(
        year.sun,
        year.system,
        year.autonomy,
        dirt=year.spread.dirt,
        fix=year.fix,
        is_enough=year.is_enough,
        with_months=with_months,
    )


def _refuse(run: BoardRun, measure: Check, gone: tuple[str, ...]) -> None:
    """Without an input there is no figure; which check should have brought it, and how that ended, is said."""
    checks = dict.fromkeys(_WHOSE[name] for name in gone)
    ends = [f"{check}: {run.checks[check].verdict}" if check in run.checks else f"{check}: not run" for check in checks]
    why = f"not measured: {', '.join(gone)} ({'; '.join(ends)})"
    for value in ("average_current", "life"):
        measure.undecided(value, why, next_action=f"see {' and '.join(checks)}")


def _judge(measure: Check, budget: EnergyBudget) -> None:
    largest = budget.life.shares[0]
    measure(
        "average_current",
        budget.load.mean_a,
        unit="A",
        budget=budget.mean_budget,
        next_action="the annex names what draws most: the floor, the wakes, or the reports",
    )
    measure(
        "life",
        budget.life.days,
        unit="d",
        budget=budget.life_budget,
        next_action=f"what is known least is the {largest.name} ({largest.share:.0%} of the spread)"
        if largest.share
        else "report less often, or take a larger cell",
    )


def _tell_assumptions(run: BoardRun, measure: Check, plan: EnergyPlan) -> None:
    cell = plan.cell
    measure.not_proven(
        f"the cell: its {cell.capacity_ah:g} Ah, self-discharge and what it gives at {cell.temperature_degc:g} degC "
        "are the profile's figures; no cell was measured",
        next_action="discharge one in the cold",
    )
    measure.not_proven(
        f"charges away from {run.on_bench.profile.power.nominal_v:g} V and the bench's temperature, and joins, retries "
        "and downlinks: the life counts reports that were sent once, as measured here",
    )


def _sun(run: BoardRun, measure: Check, plan: EnergyPlan, budget: EnergyBudget) -> None:
    """A year of sun beside it. A file that cannot be read does not undo what was measured: it is told."""
    solar = run.on_bench.profile.solar
    if solar is None:
        return
    try:
        year = solar_year(solar, plan, budget, sun_of(solar))
    except ConfigError as wrong:
        measure.not_proven(f"the solar year: {wrong.message}", next_action="correct the profile's table solar")
        return
    measure.annex(solar_annex.TITLE, year_lines(year))
    measure.not_proven(
        "the sun: panel, charger and irradiance are the profile's; neither panel nor charger was measured",
        next_action="hold a day's charge against the series at the site",
    )
