"""The yearly balance against hand sums, a closed form of queueing theory and a plain loop."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.autonomy import (
    Option,
    Spread,
    SunSeries,
    System,
    charge_by_day,
    charge_current_a,
    cheapest_fix,
    live_through,
    panel_w,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

DAY_S = 86400.0
FIRST_OF_2023 = 19358
"""Days from 1970-01-01 to 2023-01-01: 53 years with 13 leap days (arithmetic)."""


class Figure(NamedTuple):
    """A published value, as a failing test prints it."""

    id: str
    source: str
    mark: str
    inputs: dict[str, float]
    expected: float
    tolerance: float


FIGURES = [
    Figure(
        id="solar.psh",
        source="handbook method; arithmetic: Wp = P x 24 / (PSH x eff)",
        mark="memory+recomputed",
        inputs={"load_w": 0.35, "peak_sun_hours": 2.5, "efficiency": 0.75},
        expected=4.48,
        tolerance=0.001,
    ),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_figures_are_met(figure: Figure) -> None:
    """The published panel power is met."""
    inputs = figure.inputs

    found = panel_w(inputs["load_w"], peak_sun_hours=inputs["peak_sun_hours"], efficiency=inputs["efficiency"])

    assert abs(found - figure.expected) <= figure.tolerance, f"{found}; {figure}"


def sun_of(*days_w_m2: list[float], first: int = FIRST_OF_2023) -> SunSeries:
    return SunSeries(np.arange(first, first + len(days_w_m2)), np.array(days_w_m2))


def year_of_sun(seed: int = 1) -> SunSeries:
    """An invented year by the hour: half a sine by day, low in winter, with weather."""
    days, hours = np.arange(365), np.arange(24)
    height = np.maximum(0.0, np.sin((hours - 6.0) / 12.0 * np.pi))
    season = 500.0 - 420.0 * np.cos((days + 10.0) / 365.0 * 2.0 * np.pi)
    weather = np.random.default_rng(seed).uniform(0.1, 1.0, 365)
    return SunSeries(FIRST_OF_2023 + days, (season * weather)[:, None] * height[None, :])


def system_of(**changes: float) -> System:
    """100 mW of panel, 0.7 of it into a 3.7 V cell with 1600 mAh to use; a load of 1 mA."""
    base = {"panel_w": 0.1, "efficiency": 0.7, "battery_v": 3.7, "capacity_c": 5760.0, "load_a": 1e-3}
    return System(**(base | changes))


# ---- against what is known otherwise


def test_a_sunless_month_empties_on_the_day_by_hand() -> None:
    """5760 C at 1 mA last 66.7 days without sun: of 91 days the last 25 are empty."""
    sun = SunSeries(np.arange(FIRST_OF_2023, FIRST_OF_2023 + 91), np.zeros((91, 24)))

    found = live_through(sun, system_of())

    assert system_of().dark_days == pytest.approx(66.67, abs=0.01)
    # days 67 (index 66, in which it stops) to 91
    assert found.empty_days * 91 / 365.25 == pytest.approx(25.0)
    assert [(one.name, one.empty_days) for one in found.months] == [
        ("2023-01", 0.0),
        ("2023-02", 0.0),
        ("2023-03", 24.0),
        ("2023-04", 1.0),
    ]
    assert found.worst_month.name == "2023-03"


def test_the_balance_of_a_month_by_hand() -> None:
    """31 days of 3 h at 500 W/m² give 31 x 10800 x 0.05 x 0.7 / 3.7 C; the load takes 31 x 86.4 C."""
    sun = sun_of(*[[500.0] * 3 + [0.0] * 21] * 31)

    (month,) = live_through(sun, system_of()).months

    assert month.balance_c == pytest.approx(31 * (10800 * 0.05 * 0.7 / 3.7 - 86.4), rel=1e-9)


@settings(deadline=None, max_examples=50)
@given(
    light=st.lists(st.lists(st.floats(0.0, 1000.0), min_size=4, max_size=4), min_size=1, max_size=20),
    load_a=st.floats(1e-4, 5e-3),
)
def test_charge_below_full_is_lindleys_recursion(light: list[list[float]], load_a: float) -> None:
    """With a battery that never empties, what is missing from full is the running sum less its lowest value so far."""
    sun, system = sun_of(*light), system_of(load_a=load_a, capacity_c=1e5)
    taken_c = (load_a - charge_current_a(system, sun.irradiance_w_m2, light=1.0).ravel()) * sun.step_s
    walk = np.concatenate(([0.0], np.cumsum(taken_c)))
    missing_c = walk - np.minimum.accumulate(walk)

    found = live_through(sun, system)

    assert found.empty_days == 0.0
    assert found.worst_month.lowest_share == pytest.approx(1.0 - missing_c.max() / 1e5, abs=1e-9)


def plain_loop(sun: SunSeries, system: System) -> list[bool]:
    """The balance step by step with plain numbers: whether the board stood still on each day."""
    assert system.start_share is not None
    charge_c, stopped, days = system.start_share * system.capacity_c, False, []
    for day in sun.irradiance_w_m2.tolist():
        empty = False
        for irradiance in day:
            watts = system.panel_w * irradiance / 1000.0
            current = min(watts * system.efficiency / system.battery_v, system.most_charge_a)
            if watts < system.least_w:
                current = 0.0
            if irradiance == 0.0:
                current = -system.night_leak_a
            charge_c += (current - (0.0 if stopped else system.load_a)) * sun.step_s
            charge_c = min(charge_c, system.capacity_c)
            if charge_c < 0.0:
                stopped, charge_c = True, 0.0
            elif stopped and charge_c >= system.restart_share * system.capacity_c:
                stopped = False
            empty = empty or stopped
        days.append(empty)
    return days


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"load_a": 1.62e-3}, id="plain"),
        pytest.param({"load_a": 1.62e-3, "restart_share": 0.1}, id="restarts late"),
        pytest.param({"load_a": 1.4e-3, "least_w": 0.02}, id="charger needs light"),
        pytest.param({"load_a": 1.4e-3, "most_charge_a": 6e-3}, id="charger is limited"),
        pytest.param({"load_a": 1.4e-3, "night_leak_a": 300e-6, "start_share": 0.5}, id="leaks at night"),
    ],
)
def test_a_year_agrees_with_a_plain_loop(changes: dict[str, float]) -> None:
    """The empty days of a year are those that a loop over plain numbers counts, with each part of the charger."""
    sun, system = year_of_sun(), system_of(**changes)
    expected = plain_loop(sun, system)

    found = live_through(sun, system)

    assert sum(expected) > 0
    assert found.empty_days * 365 / 365.25 == pytest.approx(sum(expected))
    by_month = {one.name: one.empty_days for one in found.months}
    assert by_month["2023-01"] == sum(expected[:31])


@settings(deadline=None, max_examples=200)
@given(
    light=st.lists(st.lists(st.sampled_from([0.0, 30.0, 400.0]), min_size=6, max_size=6), min_size=1, max_size=12),
    start_share=st.sampled_from([0.0, 0.02, 0.3]),
    restart_share=st.sampled_from([0.0, 0.05, 1.0]),
    night_leak_a=st.sampled_from([0.0, 1e-4]),
)
def test_stopping_and_starting_agree_with_a_plain_loop(
    light: list[list[float]], start_share: float, restart_share: float, night_leak_a: float
) -> None:
    """Near empty, each day stands still or not as a loop over plain numbers has it."""
    sun = sun_of(*light)
    system = system_of(
        capacity_c=150.0, start_share=start_share, restart_share=restart_share, night_leak_a=night_leak_a
    )

    found = live_through(sun, system)

    assert found.empty_days * len(light) / 365.25 == pytest.approx(sum(plain_loop(sun, system)))


def test_a_light_load_never_empties_and_a_heavy_one_does() -> None:
    """With 100 mW and a weak winter 320 µA never empties, 1.62 mA stands still for weeks, worst in winter."""
    spread = Spread(dirt=0.1, dirt_u=0.05, capacity_u=0.1, load_u=0.1)

    light, heavy = (live_through(year_of_sun(), system_of(load_a=load), spread=spread) for load in (320e-6, 1.62e-3))

    assert (light.empty_days, light.high_days, light.never_empty) == (0.0, 0.0, 1.0)
    assert heavy.empty_days > 14.0
    assert heavy.low_days < heavy.empty_days < heavy.high_days
    assert heavy.worst_month.name in {"2023-01", "2023-12", "2023-02"}


def test_the_share_of_empty_draws_is_the_tail_of_the_load() -> None:
    """30 dark days empty a battery for 40 with the probability that a log-normal load is 4/3 of its mean (scipy)."""
    sun = SunSeries(np.arange(FIRST_OF_2023, FIRST_OF_2023 + 30), np.zeros((30, 24)))
    system = system_of(capacity_c=40 * 86.4)
    sigma = math.sqrt(math.log1p(0.2**2))
    expected = stats.lognorm.cdf(4 / 3, s=sigma, scale=math.exp(-0.5 * sigma**2))

    found = live_through(sun, system, spread=Spread(load_u=0.2, draws=20_000))

    assert found.never_empty == pytest.approx(expected, abs=4 * math.sqrt(expected * (1 - expected) / 20_000))


def test_dirt_takes_light() -> None:
    """A fifth of dirt is a fifth less of the panel: the same empty days as a panel of 80 mW."""
    dirty = live_through(year_of_sun(), system_of(load_a=1.62e-3), spread=Spread(dirt=0.2, draws=1))
    small = live_through(year_of_sun(), system_of(load_a=1.62e-3, panel_w=0.08))

    assert dirty.empty_days == small.empty_days > 0.0


def test_the_same_seed_gives_the_same_answer() -> None:
    """Draws are seeded: a judgement can be repeated."""
    spread = Spread(dirt=0.1, dirt_u=0.1, capacity_u=0.1, load_u=0.1, draws=50)
    system = system_of(load_a=1.62e-3)

    assert live_through(year_of_sun(), system, spread=spread) == live_through(year_of_sun(), system, spread=spread)


# ---- the series


def gappy() -> tuple[npt.NDArray[np.int64], Floats]:
    sun = year_of_sun()
    kept = np.delete(np.arange(365), [100, 101, 200])
    return sun.days[kept], sun.irradiance_w_m2[kept]


def test_missing_days_are_refused() -> None:
    """A series with holes is refused with how many and the first one."""
    days, irradiance = gappy()

    with pytest.raises(ValueError, match=rf"3 days are missing, the first is {FIRST_OF_2023 + 100}; complete the"):
        SunSeries(days, irradiance)


def test_missing_days_are_dark_and_stated_if_asked_for() -> None:
    """With the say-so they are days without sun, and their number is in the answer."""
    days, irradiance = gappy()
    dark = year_of_sun().irradiance_w_m2.copy()
    dark[[100, 101, 200]] = 0.0
    system = system_of(load_a=1.62e-3)

    found = live_through(SunSeries(days, irradiance, missing_are_dark=True), system)

    assert found.missing_days == 3
    assert found.empty_days == live_through(SunSeries(year_of_sun().days, dark), system).empty_days


@pytest.mark.parametrize(
    ("days", "irradiance", "text"),
    [
        pytest.param(np.array([1.0]), np.zeros((1, 24)), "day numbers are whole", id="broken days"),
        pytest.param(np.array([], dtype=np.int64), np.zeros((0, 24)), "day numbers are whole", id="no days"),
        pytest.param(np.array([1, 2]), np.zeros((1, 24)), "2 days with irradiance", id="rows"),
        pytest.param(np.array([1]), np.zeros((1, 0)), "a day without a step", id="no steps"),
        pytest.param(np.array([2, 2]), np.zeros((2, 24)), "day 2 comes after day 2", id="twice"),
        pytest.param(np.array([1]), np.full((1, 2), math.nan), "day 1, step 0: nan W/m²", id="NaN"),
        pytest.param(np.array([1]), np.full((1, 2), -1.0), "day 1, step 0: -1.0 W/m²", id="negative"),
        pytest.param(np.array([1]), np.full((1, 2), 5000.0), "accepted: 0 to 2000", id="too bright"),
    ],
)
def test_a_series_must_make_sense(days: npt.NDArray[np.int64], irradiance: Floats, text: str) -> None:
    """Days out of order and irradiance that is none are refused by where and what."""
    with pytest.raises(ValueError, match=text):
        SunSeries(days, irradiance)


# ---- what to change


def test_the_cheapest_fix_that_is_enough_is_chosen() -> None:
    """Of options in any order, the cheapest whose upper end is within the allowed days wins."""
    spread = Spread(dirt=0.1, dirt_u=0.05, capacity_u=0.1, load_u=0.1, draws=100)
    options = [
        Option("far larger panel", 9.0, system_of(load_a=1.62e-3, panel_w=1.0)),
        Option("as it is", 0.0, system_of(load_a=1.62e-3)),
        Option("report less often", 0.5, system_of(load_a=320e-6)),
        Option("twice the battery", 4.0, system_of(load_a=1.62e-3, capacity_c=11520.0)),
    ]

    fix = cheapest_fix(year_of_sun(), options, spread=spread)

    assert fix.best is not None
    assert fix.best.option.name == "report less often"
    assert [one.option.cost for one in fix.tried] == [0.0, 0.5, 4.0, 9.0]
    assert fix.why == "'report less often' is the cheapest that leaves 0 empty days a year or less"


def test_enough_is_judged_by_the_upper_end() -> None:
    """An option whose mean is within the allowed days but not its upper end is not enough."""
    spread = Spread(dirt=0.1, dirt_u=0.05, capacity_u=0.1, load_u=0.1, draws=200)
    option = Option("as it is", 0.0, system_of(load_a=1.62e-3))
    result = live_through(year_of_sun(), option.system, spread=spread)

    fix = cheapest_fix(year_of_sun(), [option], spread=spread, most_empty_days=result.empty_days + 1.0)

    assert result.high_days > result.empty_days + 1.0
    assert fix.best is None


def test_no_fix_that_is_enough_is_said() -> None:
    """When nothing is enough, the nearest one and what it leaves are named."""
    options = [Option("as it is", 0.0, system_of(load_a=5e-3)), Option("a little", 1.0, system_of(load_a=4e-3))]

    fix = cheapest_fix(year_of_sun(), options, spread=Spread(draws=1))

    assert fix.best is None
    assert fix.why.startswith("none of 2 options is enough; nearest is 'a little' with up to ")


@pytest.mark.parametrize(
    ("charge_a", "first_day"),
    [
        pytest.param(4e-3, 1.0 - 86.4 / 5760.0, id="full again at the end"),
        pytest.param(1.5e-3, 1.0 - (5 * 86.4 - 5 * 43.2 + 86.4) / 5760.0, id="lower than it began"),
    ],
)
def test_series_that_begins_as_it_ends(charge_a: float, first_day: float) -> None:
    """By hand: five dark days take 86.4 C each at 1 mA, five light ones bring 3 mA or 0.5 mA more than that."""
    sun = sun_of(*[[0.0] * 4] * 5, *[[200.0] * 4] * 5)
    panel = charge_a * 3.7 / (0.2 * 0.7)

    found = charge_by_day(sun, replace(system_of(panel_w=panel), start_share=None))

    assert found.middle[0] == pytest.approx(first_day, rel=1e-9)


def test_charge_by_day_against_a_hand_sum() -> None:
    """0.2 mA take 17.28 C a day from 5760 C: 99.7 % after a day, 69.7 % after 101; one draw has no spread."""
    dark = SunSeries(np.arange(FIRST_OF_2023, FIRST_OF_2023 + 101), np.zeros((101, 4)))

    found = charge_by_day(dark, system_of(load_a=0.2e-3))

    assert found.middle[[0, -1]].tolist() == pytest.approx([1.0 - 17.28 / 5760.0, 1.0 - 101 * 17.28 / 5760.0])
    assert found.low.tolist() == found.middle.tolist() == found.high.tolist()
    assert found.days.tolist() == list(range(FIRST_OF_2023, FIRST_OF_2023 + 101))


def test_charge_by_day_is_that_of_the_months() -> None:
    """The lowest share that a month is said to reach is not above that of any of its days' lower ends."""
    spread = Spread(dirt=0.1, dirt_u=0.05, capacity_u=0.1, load_u=0.1, draws=200)

    months = live_through(year_of_sun(), system_of(), spread=spread).months
    charge = charge_by_day(year_of_sun(), system_of(), spread=spread)

    month_of = charge.days.astype("datetime64[D]").astype("datetime64[M]").astype(str)
    for month in months:
        assert month.lowest_share <= charge.low[month_of == month.name].min() + 1e-12
    assert np.all(charge.low <= charge.middle)
    assert np.all(charge.middle <= charge.high)


@pytest.mark.parametrize(
    ("build", "text"),
    [
        pytest.param(lambda: system_of(panel_w=0.0), "panel_w is 0.0", id="no panel"),
        pytest.param(lambda: system_of(efficiency=75.0), "efficiency is 75.0; accepted: 0 to 1", id="percent"),
        pytest.param(lambda: system_of(load_a=math.nan), "load_a is nan", id="NaN load"),
        pytest.param(lambda: system_of(capacity_c=math.inf), "capacity_c is inf", id="endless battery"),
        pytest.param(lambda: system_of(night_leak_a=-1.0), "night_leak_a is -1.0", id="leak"),
        pytest.param(lambda: system_of(restart_share=1.5), "restart_share is 1.5", id="restart"),
        pytest.param(lambda: Spread(dirt=1.0), "dirt takes 1.0 of the light", id="all dirt"),
        pytest.param(lambda: Spread(load_u=math.nan), "load_u is nan", id="NaN spread"),
        pytest.param(lambda: Spread(draws=0), "0 draws; accepted: 1 or more", id="no draws"),
        pytest.param(lambda: panel_w(0.35, peak_sun_hours=0.0, efficiency=0.75), "peak sun hours 0.0", id="no sun"),
        pytest.param(lambda: cheapest_fix(year_of_sun(), [], spread=Spread()), "no options", id="no options"),
        pytest.param(
            lambda: cheapest_fix(year_of_sun(), [Option("x", math.nan, system_of())], spread=Spread()),
            "option 'x' costs nan",
            id="NaN cost",
        ),
    ],
)
def test_nonsense_is_refused(build: Callable[[], object], text: str) -> None:
    """What is no system, spread or choice is refused by name and value."""
    with pytest.raises(ValueError, match=text):
        build()
