"""Bad values are refused by every statistic alike, with a sentence; what comes out is finite, whatever goes in."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.statistics.capability import Tolerance, capability
from benchrig.statistics.charts import individuals_charts
from benchrig.statistics.limit_proposal import propose_limits
from benchrig.statistics.normality import normality
from benchrig.statistics.samples import Estimate, checked_share, checked_values
from benchrig.statistics.tolerance import free_interval, normal_interval
from benchrig.statistics.trend import crossing, trend
from benchrig.statistics.weighted_charts import average_chart, sum_chart

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

SCATTERED: dict[str, Callable[[Sequence[float]], object]] = {
    "capability": lambda values: capability(values, tolerance=Tolerance(low=-1.0, high=1.0)),
    "normality": normality,
    "normal interval": normal_interval,
    "individuals": individuals_charts,
    "proposal": lambda values: propose_limits(values, guard=0.0),
}
"""Statistics of values that must scatter."""

EVERY: dict[str, Callable[[Sequence[float]], object]] = SCATTERED | {
    "free interval": free_interval,
    "trend": lambda values: trend([float(at) for at, _ in enumerate(values)], y=values),
    "crossing": lambda values: crossing([float(at) for at, _ in enumerate(values)], y=values, limit=1.0),
    "averages": lambda values: average_chart(values, target=0.0, sigma=1.0),
    "sums": lambda values: sum_chart(values, target=0.0, slack=0.5, limit=4.0),
}


def numbers_in(value: object) -> Iterator[float]:
    """Every number in a result, however deep."""
    if isinstance(value, float):
        yield value
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from numbers_in(getattr(value, field.name))
    elif isinstance(value, tuple):
        for one in value:
            yield from numbers_in(one)


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e101])
def test_value_that_is_no_number_of_a_bench_is_named(name: str, bad: float) -> None:
    """The place of the value among all of them, what it is, and what to do."""
    values = [*np.random.default_rng(1).standard_normal(120).tolist()]
    values[41] = bad

    with pytest.raises(ValueError, match=r"value 42 of 120 is .*; accepted: finite numbers up to 1e\+100; leave"):
        EVERY[name](values)


@pytest.mark.parametrize("name", EVERY)
def test_no_values_are_refused(name: str) -> None:
    """An empty history says nothing, in a sentence."""
    with pytest.raises(ValueError, match=r"0 values say too little, needed are [0-9]+ or more; measure [0-9]+ more"):
        EVERY[name]([])


@pytest.mark.parametrize("name", [one for one in EVERY if one not in ("averages", "sums")])
def test_one_value_is_refused(name: str) -> None:
    """A single board has no statistics; a chart with a given target and sigma alone takes it."""
    with pytest.raises(ValueError, match=r"1 values say too little, needed are [0-9]+ or more; measure [0-9]+ more"):
        EVERY[name]([1.0])


@pytest.mark.parametrize("name", SCATTERED)
@pytest.mark.parametrize("value", [0.0, 3.3, 0.1 + 0.2, -1e-9, 9e99])
def test_constant_values_are_refused(name: str, value: float) -> None:
    """Values that are all the same, but for the last bit, have no scatter to divide by."""
    values = [value] * 60
    values[7] = math.nextafter(value, math.inf) if value else value

    with pytest.raises(ValueError, match=r"all 60 values are .*, so that nothing says how far they scatter; measure"):
        SCATTERED[name](values)


def test_constant_values_have_a_free_interval_and_a_flat_trend() -> None:
    """What needs no scatter takes them: an interval of no width, and a slope of 0 that never reaches a limit."""
    interval = free_interval([3.3] * 100)
    found = crossing(range(20), y=[3.3] * 20, limit=5.0)

    assert (interval.low, interval.high) == (3.3, 3.3)
    assert (found.at, found.earliest, found.latest) == (None, None, None)


def outcome(name: str, values: list[float]) -> object:
    """The result, or the refusal."""
    try:
        return EVERY[name](values)
    except ValueError as refused:
        return refused


@settings(deadline=None, max_examples=60)
@given(
    values=st.lists(st.one_of(st.integers(-5, 5).map(float), st.floats(-1e99, 1e99)), min_size=100, max_size=110),
    name=st.sampled_from(sorted(EVERY)),
)
def test_what_comes_out_is_finite(values: list[float], name: str) -> None:
    """Whatever the values, a result holds finite plain floats alone, or is refused with a ValueError."""
    found = outcome(name, values)

    assert isinstance(found, ValueError) or all(type(one) is float and math.isfinite(one) for one in numbers_in(found))


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("wrong", [["3.3 V"], ["3.3"], [True], [None]], ids=["with unit", "text", "truth", "none"])
def test_what_is_no_number_at_all_is_refused(name: str, wrong: list[float]) -> None:
    """Text that reads like a number, truth values and nothing are not made numbers of without a word."""
    with pytest.raises(ValueError, match=r"values are of the kind .*; accepted: numbers alone, in one unit"):
        EVERY[name](wrong * 120)


def test_more_dimensions_than_one_are_refused() -> None:
    """A table is no series."""
    with pytest.raises(ValueError, match=r"rail: values have the shape \(2, 3\); accepted: one row of values"):
        checked_values(np.zeros((2, 3)), what="rail", fewest=1)


def test_values_are_a_copy() -> None:
    """What the caller does to an array afterwards changes nothing here."""
    given_values = np.arange(3.0)

    kept = checked_values(given_values, what="rail", fewest=1)
    given_values[0] = 9.0

    assert kept[0] == 0.0


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        pytest.param(math.nan, 0.0, 1.0, "the value of an estimate is nan; accepted: a finite number", id="value"),
        pytest.param(0.5, -math.inf, 1.0, "the low of an estimate is -inf", id="low"),
        pytest.param(0.5, None, math.inf, "the high of an estimate is inf", id="high"),
        pytest.param(0.5, 1.0, 0.0, "the interval of an estimate is reversed: 1.0 to 0.0", id="reversed"),
    ],
)
def test_estimate_that_is_none_is_refused(value: float, low: float | None, high: float | None, text: str) -> None:
    """No NaN or infinity leaves in an estimate; an open side is None."""
    with pytest.raises(ValueError, match=text):
        Estimate(value=value, low=low, high=high, confidence=0.95, n=3)


@pytest.mark.parametrize("share", [0.0, 1.0, math.nan, -0.5])
def test_share_that_is_none_is_refused(share: float) -> None:
    """A share is between nothing and all, and the number is named with what it is of."""
    with pytest.raises(ValueError, match=r"the coverage is .*; accepted: above 0 and below 1, such as 0.95"):
        checked_share(share, what="the coverage")
