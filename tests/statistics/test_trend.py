"""The robust trend against scipy and certified data, and its crossing against its own promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.trend import crossing, trend
from tests.published import Figure
from tests.statistics.published_tables import column_of

NORRIS = Figure(
    "slope of Norris",
    "NIST Statistical Reference Datasets, linear regression, Norris, certified value (file shipped with scipy)",
    "seen-2nd + recomputed",
    "B1, with its standard deviation 0.429796848199937e-3",
    1.00211681802045,
)
SLOPE_DEVIATION = 0.429796848199937e-3


def series(n: int, *, slope: float, noise: float, seed: int) -> tuple[list[float], list[float]]:
    """Contact resistance of an invented contact fixture: 50 mohm at first, `slope` ohm a day."""
    rng = np.random.default_rng(seed)
    x = np.arange(n, dtype=float)
    return x.tolist(), (0.05 + slope * x + rng.normal(0.0, noise, n)).tolist()


def test_slope_meets_the_certified_figures_of_norris() -> None:
    """The certified slope is in the interval, and the robust one within three of its standard deviations."""
    found = trend(column_of("../judge/nist_norris.csv", "x"), y=column_of("../judge/nist_norris.csv", "y")).slope

    assert found.low is not None
    assert found.high is not None
    assert found.low < NORRIS.expected < found.high
    assert abs(found.value - NORRIS.expected) < 3.0 * SLOPE_DEVIATION
    assert found.n == 36


numbers = st.integers(-20, 20).map(float)


@settings(deadline=None)
@given(points=st.lists(st.tuples(numbers, numbers), min_size=8, max_size=30), confidence=st.floats(0.6, 0.99))
def test_slope_and_interval_are_those_of_scipy(points: list[tuple[float, float]], confidence: float) -> None:
    """With many equal x and y, too, the slope and both ends are scipy's."""
    x, y = (list(column) for column in zip(*points, strict=True))
    if len(set(x)) < 4:
        return
    expected = stats.theilslopes(y, x, alpha=confidence)

    found = trend(x, y=y, confidence=confidence).slope

    assert found.value == pytest.approx(expected.slope, abs=1e-12)
    if found.low is not None:
        assert found.low == pytest.approx(expected.low_slope, abs=1e-12)
    if found.high is not None:
        assert found.high == pytest.approx(expected.high_slope, abs=1e-12)


def test_fifth_of_wild_readings_does_not_move_it() -> None:
    """Six of thirty readings a hundred times too large: the slope stays in the interval of the sound ones."""
    x, y = series(30, slope=1e-4, noise=2e-4, seed=1)
    sound = trend(x, y=y).slope
    wild = [100.0 * value if number % 5 == 2 else value for number, value in enumerate(y)]

    found = trend(x, y=wild)

    assert abs(found.slope.value - 1e-4) < 1e-4
    assert abs(stats.linregress(x, wild).slope) > 1e-3  # least squares is carried away by them
    assert sound.low is not None
    assert found.rises is None or found.rises


def test_slope_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Of 1000 series of 20 points 95 % hold the true slope (binomial, 4 sigma; 1 % for whole order statistics)."""
    held = 0
    for seed in range(1000):
        x, y = series(20, slope=1e-4, noise=5e-4, seed=seed)
        slope = trend(x, y=y).slope
        assert slope.low is not None
        assert slope.high is not None
        held += slope.low <= 1e-4 <= slope.high

    assert abs(held / 1000 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 1000) + 0.01


@pytest.mark.parametrize("n", [12, 30])
def test_crossing_is_at_least_as_sure_as_it_says(n: int) -> None:
    """Of 500 series the day at which the true line reaches its limit is inside at 95 % or more (binomial, 4 sigma)."""
    true_day = (0.1 - 0.05) / 5e-4
    held = 0
    for seed in range(500):
        x, y = series(n, slope=5e-4, noise=5e-4, seed=seed)
        found = crossing(x, y=y, limit=0.1)
        held += (found.earliest or -math.inf) <= true_day <= (found.latest or math.inf)

    assert held / 500 > 0.95 - 4 * math.sqrt(0.95 * 0.05 / 500)


def test_crossing_is_told_in_words() -> None:
    """The day, both of its bounds, the confidence, and the condition."""
    x, y = series(30, slope=5e-4, noise=1e-4, seed=2)

    found = crossing(x, y=y, limit=0.1)

    assert found.at is not None
    assert found.at == pytest.approx(100.0, abs=5.0)
    assert found.earliest is not None
    assert found.latest is not None
    assert found.earliest < found.at < found.latest
    assert found.words == (
        f"the trend reaches 0.1 at {found.at:.6g}, no sooner than {found.earliest:.6g}, no later than "
        f"{found.latest:.6g} (at 95 % confidence, if it goes on as it is)"
    )


def test_limit_that_was_passed_is_reached_already() -> None:
    """A limit between the first and the last point was reached, and the words say so."""
    x, y = series(30, slope=5e-4, noise=1e-4, seed=2)

    assert crossing(x, y=y, limit=0.055).words.startswith("the trend reached 0.055 at ")


def test_falling_trend_does_not_go_to_a_limit_above() -> None:
    """No day is made up for a limit that the trend moves away from."""
    x, y = series(30, slope=-5e-4, noise=1e-4, seed=2)

    found = crossing(x, y=y, limit=0.1)

    assert (found.at, found.earliest, found.latest) == (None, None, None)
    assert found.words == "the trend does not go to 0.1 (at 95 % confidence, if it goes on as it is)"


def test_trend_whose_sign_is_not_proven_may_never_come() -> None:
    """With a slope that may be 0 there is an earliest day and no latest."""
    x, y = series(20, slope=1e-6, noise=1e-3, seed=4)

    found = crossing(x, y=y, limit=0.2)

    assert trend(x, y=y).rises is None
    assert found.earliest is not None
    assert found.latest is None


def test_level_at_the_limit_may_be_there_at_any_time() -> None:
    """A flat series about its limit: it may have been there from the first point on, and nothing ends that."""
    x, y = series(20, slope=0.0, noise=1e-3, seed=6)

    found = crossing(x, y=y, limit=float(np.median(y)))

    assert trend(x, y=y).rises is None
    assert (found.earliest, found.latest) == (0.0, None)


def test_limit_behind_a_sure_trend_is_not_reached_again() -> None:
    """A rise that began above the limit moves away from it: no bound of the past is handed out."""
    x, y = series(30, slope=5e-4, noise=1e-5, seed=2)

    found = crossing(x, y=y, limit=0.04)

    assert (found.at, found.earliest, found.latest) == (None, None, None)


def test_bounds_are_the_outermost_lines_that_fit() -> None:
    """Of 10 000 slopes and levels within their intervals none meets the limit outside of the bounds, some near them."""
    x, y = series(25, slope=5e-4, noise=3e-3, seed=9)
    found, within = crossing(x, y=y, limit=0.1), trend(x, y=y, confidence=0.975)
    rng = np.random.default_rng(1)
    sides = [(one.low or 0.0, one.high or 0.0) for one in (within.slope, within.level)]

    slopes, levels = (rng.uniform(*side, 10_000) for side in sides)
    meets = within.middle + (0.1 - levels) / slopes

    assert found.earliest is not None
    assert found.latest is not None
    assert found.earliest <= meets.min() < found.earliest + 0.05 * (found.latest - found.earliest)
    assert found.latest >= meets.max() > found.latest - 0.05 * (found.latest - found.earliest)


def test_confidence_that_so_few_points_cannot_give_has_no_bounds() -> None:
    """Eight points bound no level at 99.5 %, so that the crossing at 99 % is open on both sides, and says so."""
    found = crossing(range(8), y=[float(one) for one in range(8)], limit=20.0, confidence=0.99)

    assert found.at == pytest.approx(20.0)
    assert (found.earliest, found.latest) == (None, None)
    assert "with no bound before it, with no bound after it: it may never come" in found.words


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 1000), x_power=st.integers(-10, 17), y_power=st.integers(-20, 20))
def test_units_and_order_do_not_matter(seed: int, x_power: int, y_power: int) -> None:
    """Days or seconds, ohms or milliohms, in any order: the same crossing."""
    x, y = series(15, slope=5e-4, noise=5e-4, seed=seed)
    order = np.random.default_rng(seed).permutation(15)

    one = crossing(x, y=y, limit=0.1)
    other = crossing(
        [x[at] * 2.0**x_power for at in order], y=[y[at] * 2.0**y_power for at in order], limit=0.1 * 2.0**y_power
    )

    for name in ("at", "earliest", "latest"):
        first, second = getattr(one, name), getattr(other, name)
        assert second == (None if first is None else pytest.approx(first * 2.0**x_power, rel=1e-9))


def test_line_without_noise_is_found_whole() -> None:
    """Points on a line have its slope and level, with no interval left."""
    x = [float(one) for one in range(10)]

    found = trend(x, y=[3.0 + 0.25 * one for one in x])

    assert (found.slope.low, found.slope.value, found.slope.high) == (0.25, 0.25, 0.25)
    assert found.at(100.0) == pytest.approx(28.0)
    assert found.rises is True
    assert crossing(x, y=x, limit=4.5).at == 4.5
    assert trend(x, y=[-one for one in x]).rises is False


def test_points_that_make_no_trend_are_refused() -> None:
    """Too few points, unequal numbers of them, one x, too many, and a limit that is none."""
    ten = [float(one) for one in range(10)]
    with pytest.raises(ValueError, match="trend, x: 7 values say too little, needed are 8 or more; measure 1 more"):
        trend(ten[:7], y=ten[:7])
    with pytest.raises(ValueError, match="trend: 10 x and 9 y; accepted: one y for each x"):
        trend(ten, y=ten[:9])
    with pytest.raises(ValueError, match="trend: fewer than 4 different x; measure at more times"):
        trend([1.0, 2.0] * 5, y=ten)
    with pytest.raises(ValueError, match="2001 points make too many pairs; accepted: up to 2000: take means"):
        trend(range(2001), y=range(2001))
    with pytest.raises(ValueError, match="trend: the limit is nan; accepted: a finite number"):
        crossing(ten, y=ten, limit=math.nan)
    with pytest.raises(ValueError, match="two x differ so little that no slope between them is a number"):
        trend([0.0, 5e-324, *ten[1:]], y=[0.0, 1e90, *ten[1:]])
