"""A solar year of a profile: hand sums of what goes in, and the change that is the cheapest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.board.solar_table import SolarOption, SolarPlan
from benchrig.errors import ConfigError
from benchrig.judge.autonomy import SunSeries
from benchrig.production.energy import year_lines
from benchrig.production.energy_budget import EnergyBudget, energy_budget
from benchrig.production.solar_year import SolarYear, solar_year

from .fake_bench import PROFILE
from .test_energy import SOUND

EVEN = SunSeries(np.arange(20089, 20089 + 365), np.full((365, 4), 100.0))
"""2025 with 100 W/m2 day and night: 2.4 kWh/m2 a day."""


def no_option(name: str, cost: float) -> SolarOption:
    """An option that changes nothing yet."""
    return SolarOption(
        name=name, cost=cost, panel_w=None, capacity_ah=None, report_period_s=None, spreading_factor=None
    )


def demo() -> tuple[SolarPlan, EnergyBudget]:
    """The demo's panel, and its budget for a sound board."""
    assert PROFILE.solar is not None
    assert PROFILE.energy is not None
    return PROFILE.solar, energy_budget(PROFILE.energy, SOUND)


def year(plan: SolarPlan, budget: EnergyBudget, sun: SunSeries = EVEN, *, always_try: bool = False) -> SolarYear:
    """A year of the demo's energy plan."""
    assert PROFILE.energy is not None
    return solar_year(plan, PROFILE.energy, budget, sun, always_try=always_try)


def test_what_goes_into_the_balance() -> None:
    """By hand: the load has self-discharge in it, the cell its cold, cut-off and age; relative spreads add squared."""
    plan, budget = demo()

    system, spread = (found := year(plan, budget)).system, found.spread

    assert system.load_a == pytest.approx(48e-6 + 0.35 * 0.02 / 730.5, rel=1e-6)
    assert system.capacity_c == pytest.approx(3600 * 0.35 * budget.battery.usable.value * 0.9, rel=1e-9)
    usable_u = 0.04 / budget.battery.usable.value
    assert spread.capacity_u == pytest.approx(((0.01 / 0.35) ** 2 + usable_u**2 + (0.05 / 0.9) ** 2) ** 0.5, rel=0.01)
    assert spread.load_u == pytest.approx(0.35 * 0.006 / 730.5 / system.load_a, rel=0.01)
    assert (spread.dirt, spread.dirt_u, system.start_share) == (0.10, 0.05, None)


def test_enough_sun_wants_no_change() -> None:
    """A panel that gives twice the load leaves no empty day, and no option is tried unless asked."""
    plan, budget = demo()

    found = year(plan, budget)

    assert (found.autonomy.empty_days, found.is_enough, found.fix) == (0.0, True, None)
    assert year_lines(found)[-1] == "no change is needed"
    tried = year(plan, budget, always_try=True).fix
    assert tried is not None
    assert next(one.option.name for one in tried.tried) == "as it is"


def test_too_little_sun_is_told_with_the_cheapest_change() -> None:
    """A panel too small for ever is empty nearly all year; the cheapest of those that are enough is chosen."""
    plan, budget = demo()
    options = (
        replace(no_option("huge panel", 9.0), panel_w=0.1),
        replace(no_option("panel", 2.0), panel_w=0.02),
        replace(no_option("cell", 1.0), capacity_ah=0.5),
    )

    found = year(replace(plan, panel_w=0.0012, options=options), budget)

    assert found.autonomy.low_days > 250.0
    assert not found.is_enough
    assert found.fix is not None
    assert found.fix.best is not None
    assert found.fix.best.option.name == "panel"
    text = "\n".join(year_lines(found, with_months=True))
    assert "cheapest change: 'panel' is the cheapest that leaves 0 empty days a year or less" in text
    assert "cell: costs 1, empty" in text
    assert text.count("2025-") >= 14


def test_options_change_what_they_say() -> None:
    """Half as many reports draw half as much for them; SF12 draws more; a cell of twice the charge holds twice."""
    plan, budget = demo()
    options = (
        replace(no_option("rare", 1.0), report_period_s=1800.0),
        replace(no_option("slow", 2.0), spreading_factor=12),
        replace(no_option("cell", 3.0), capacity_ah=0.7),
    )

    found = year(replace(plan, options=options), budget, always_try=True)

    assert found.fix is not None
    rare, slow, cell = (one.option.system for one in found.fix.tried)
    assert found.system.load_a - rare.load_a == pytest.approx(0.5 * 3.6e-3 / 900.0, rel=1e-6)
    assert slow.load_a > 2.0 * found.system.load_a
    assert cell.capacity_c == pytest.approx(2.0 * found.system.capacity_c)
    assert cell.load_a - found.system.load_a == pytest.approx(0.35 * 0.02 / 730.5, rel=1e-6)  # twice the self-discharge


def test_option_that_cannot_be_reckoned() -> None:
    """Another spreading factor without a measured transmission is refused with the option's name."""
    plan, _ = demo()
    assert PROFILE.energy is not None
    seen = {name: one for name, one in SOUND.items() if name != "transmit_charge_c"}
    slow = replace(plan, options=(replace(no_option("slow", 2.0), spreading_factor=12),))

    with pytest.raises(ConfigError, match=r"option 'slow' of the table solar: spreading factor 12 cannot be reckoned"):
        year(slow, energy_budget(PROFILE.energy, seen), always_try=True)


def test_less_than_a_year_and_no_options_are_said() -> None:
    """Half a year of sun says that the rest is not known; too little sun without options says where to name some."""
    plan, budget = demo()
    half = SunSeries(np.arange(20089, 20089 + 180), np.full((180, 4), 1.0))

    lines = year_lines(year(replace(plan, options=()), budget, half))

    assert "note: less than a year; of the rest nothing is known, and a winter may be missing" in lines
    assert lines[-1] == "too many empty days, and the profile names no change (solar.options)"


def test_dirt_comes_off_the_sun_of_a_month() -> None:
    """By hand: 100 W/m2 for 31 days on 12 mW at 0.75 into 3.7 V, a tenth of it lost to dirt, less the load."""
    plan, budget = demo()

    found = year(plan, budget)

    january = found.autonomy.months[0]
    sun_c = 31 * 86400 * 0.012 * 0.1 * 0.75 / 3.7
    assert january.balance_c == pytest.approx(0.9 * sun_c - 31 * 86400 * found.system.load_a, rel=1e-9)
    assert any("10% of the sun taken off for dirt" in line for line in year_lines(found))


def test_sun_by_the_day_says_what_its_course_is() -> None:
    """Of sums of days the course is assumed: what acts on it is named. Hours that were given need no such words."""
    plan, budget = demo()
    daily = replace(EVEN, from_days=True)

    (note,) = [line for line in year_lines(year(plan, budget, daily)) if line.startswith("note: the sun is given")]
    nothing = replace(plan, least_w=0.0, night_leak_a=0.0, most_charge_a=float("inf"))

    assert all(name in note for name in ("half sine", "least power", "its limit", "leak at night"))
    for lines in (year_lines(year(plan, budget)), year_lines(year(nothing, budget, daily))):
        assert not any("by the day" in line for line in lines)


def test_dark_days_say_what_they_rest_on() -> None:
    """By hand: 3600 x 0.35 Ah x usable x 0.9 over load and leak at night; both stand in the line."""
    plan, budget = demo()
    found = year(plan, budget)

    charge_c = 3600 * 0.35 * budget.battery.usable.value * 0.9
    days = charge_c / (found.system.load_a + plan.night_leak_a) / 86400
    line = year_lines(found)[2]
    assert line == (
        f"{charge_c / 3600:.3g} Ah of a full cell, in the cold and aged as the profile says, carry load and leak at "
        f"night for {days:.0f} dark days"
    )
    still = replace(plan, night_leak_a=0.0)
    assert "carry the load for" in year_lines(year(still, budget))[2]


def test_missing_days_are_counted() -> None:
    """Days that were taken as dark stand in the first line."""
    plan, budget = demo()
    days = np.delete(np.arange(20089, 20089 + 365), [10, 11, 12])
    gappy = SunSeries(days, np.full((362, 4), 100.0), missing_are_dark=True)

    assert "3 days missing, taken as dark" in year_lines(year(plan, budget, gappy))[0]
