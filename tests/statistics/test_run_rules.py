"""Rules of control charts: hand-made series for each, a slow reading of each rule, and their false alarms."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.statistics.run_rules import ALL_RULES, ZONE_RULES, Rule, Signal, signals

CASES = [
    pytest.param([0.5, -0.5, 3.1], [(3, Rule.BEYOND_LIMIT)], id="above the limit"),
    pytest.param([0.5, -0.5, -3.1], [(3, Rule.BEYOND_LIMIT)], id="below the limit"),
    pytest.param([0.5, -0.5, 3.0], [], id="at the limit"),
    pytest.param([2.1, 0.3, 2.2], [(3, Rule.TWO_OF_THREE)], id="two of three"),
    pytest.param([2.1, 2.2, 0.3], [(2, Rule.TWO_OF_THREE)], id="two of two"),
    pytest.param([2.1, 0.3, -0.2, 2.2], [], id="two of four"),
    pytest.param([2.1, 0.3, -2.2], [], id="one on each side"),
    pytest.param([-1.1, -1.2, 0.4, -1.3, -1.1], [(5, Rule.FOUR_OF_FIVE)], id="four of five below"),
    pytest.param([1.1, 1.2, 0.4, 0.3, 1.3, 1.1], [], id="four of six"),
    pytest.param([0.1, 0.2, 0.3, 0.1, 0.2, 0.3, 0.1, 0.2], [(8, Rule.EIGHT_ON_ONE_SIDE)], id="eight above"),
    pytest.param([0.1, 0.2, 0.3, 0.1, 0.0, 0.3, 0.1, 0.2], [], id="one of eight on the centre"),
    pytest.param([-0.5, -0.3, -0.1, 0.1, 0.3, 0.5], [(6, Rule.SIX_IN_ONE_DIRECTION)], id="six rising"),
    pytest.param([0.5, 0.3, 0.1, -0.1, -0.3, -0.5], [(6, Rule.SIX_IN_ONE_DIRECTION)], id="six falling"),
    pytest.param([-0.5, -0.3, -0.1, 0.1, 0.3], [], id="five rising"),
    pytest.param([-0.5, -0.3, -0.1, -0.1, 0.3, 0.5], [], id="a flat step is no rise"),
    pytest.param([0.3, -0.3] * 7, [(14, Rule.FOURTEEN_ALTERNATING)], id="fourteen alternating"),
    pytest.param([0.3, -0.3] * 6 + [0.3], [], id="thirteen alternating"),
]


@pytest.mark.parametrize(("z", "expected"), CASES)
def test_rule_fires_where_it_is_completed(z: list[float], expected: list[tuple[int, Rule]]) -> None:
    """Each rule fires at the point that completes it, and not one point short of it."""
    assert signals(np.array(z), centre=0.0, sigma=1.0) == tuple(Signal(*one) for one in expected)


def slowly(z: list[float]) -> set[tuple[int, Rule]]:
    """The rules as a person reads them, window by window."""
    found = set()
    for end in range(1, len(z) + 1):
        for side in (1.0, -1.0):
            beyond = [[side * one > border for one in z[:end]] for border in (3.0, 2.0, 1.0, 0.0)]
            if beyond[0][-1]:
                found.add((end, Rule.BEYOND_LIMIT))
            if beyond[1][-1] and sum(beyond[1][-3:]) >= 2:
                found.add((end, Rule.TWO_OF_THREE))
            if beyond[2][-1] and sum(beyond[2][-5:]) >= 4:
                found.add((end, Rule.FOUR_OF_FIVE))
            if end >= 8 and all(beyond[3][-8:]):
                found.add((end, Rule.EIGHT_ON_ONE_SIDE))
            if end >= 6 and all(side * b > side * a for a, b in pairwise(z[end - 6 : end])):
                found.add((end, Rule.SIX_IN_ONE_DIRECTION))
        steps = [b - a for a, b in pairwise(z[max(0, end - 14) : end])]
        if len(steps) == 13 and all(a * b < 0 for a, b in pairwise(steps)):
            found.add((end, Rule.FOURTEEN_ALTERNATING))
    return found


steps_of_a_fifth = st.integers(-18, 18).map(lambda number: number / 5.0)


@given(z=st.lists(steps_of_a_fifth, min_size=1, max_size=40))
def test_rules_are_those_of_a_slow_reading(z: list[float]) -> None:
    """Whatever the series, the same points by the same rules as reading window by window."""
    found = signals(np.array(z), centre=0.0, sigma=1.0)

    assert {(one.number, one.rule) for one in found} == slowly(z)
    assert list(found) == sorted(found, key=lambda one: (one.number, list(Rule).index(one.rule)))


@given(z=st.lists(steps_of_a_fifth, min_size=1, max_size=30), power=st.integers(-20, 20))
def test_unit_does_not_matter(z: list[float], power: int) -> None:
    """In another unit the same points are out of control."""
    points = np.array(z)

    assert signals(points * 2.0**power, centre=0.0, sigma=2.0**power) == signals(points, centre=0.0, sigma=1.0)


def test_false_alarms_are_as_rare_as_the_handbook_says() -> None:
    """In control, 1 of 371 points is beyond a limit, and with all four zone rules 1 of 91.75 starts an alarm.

    Both average run lengths: NIST/SEMATECH e-Handbook 6.3.2 (from memory); 3000 series, four standard errors.
    """
    rng = np.random.default_rng(7)
    lengths = []
    for _ in range(3000):
        found = signals(rng.standard_normal(1500), centre=0.0, sigma=1.0, rules=ZONE_RULES)
        lengths.append(found[0].number)
    single = signals(rng.standard_normal(1_000_000), centre=0.0, sigma=1.0, rules=(Rule.BEYOND_LIMIT,))

    assert abs(np.mean(lengths) - 91.75) < 4.0 * np.std(lengths) / 3000**0.5
    assert abs(len(single) - 1_000_000 / 371) < 4.0 * (1_000_000 / 371) ** 0.5


def test_every_rule_is_named_and_used() -> None:
    """No rule of the closed set is left out: six are of plain charts, the others of charts that remember."""
    of_others = {Rule.AVERAGE_BEYOND_LIMIT, Rule.SUM_ABOVE_LIMIT, Rule.SUM_BELOW_LIMIT}

    assert set(ALL_RULES) | of_others == set(Rule)
    with pytest.raises(
        ValueError, match="rule 'weighted average beyond its limit' is none of this chart; accepted: 'be"
    ):
        signals(np.zeros(3), centre=0.0, sigma=1.0, rules=[Rule.AVERAGE_BEYOND_LIMIT])
