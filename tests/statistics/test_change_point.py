"""One step in a series: found where a published series has it, as sure as a search of all places may be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.change_point import LEAST_NIGHTS, change_point, critical_ratio

FIRST_YEAR = 1871
NILE = (
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
)  # fmt: skip
"""Annual flow of the Nile at Aswan, 1871 to 1970, in 1e8 m3: G. W. Cobb, Biometrika 65 (1978), an open series in many
collections of data; from memory. Cobb's own result: a step after 1898."""


def test_step_of_the_nile() -> None:
    """The last year of the old flow is 1898, and the means on both sides are those that are published."""
    found = change_point(NILE)

    assert found is not None
    assert FIRST_YEAR + found.first_after - 1 == 1898
    assert found.before == pytest.approx(1097.75, abs=0.005)
    assert found.after == pytest.approx(849.97, abs=0.005)
    assert found.step == pytest.approx(found.after - found.before)
    assert found.chance < 1e-10
    assert FIRST_YEAR + found.earliest - 1 >= 1896
    assert FIRST_YEAR + found.latest - 1 <= 1900


@pytest.mark.parametrize(("confidence", "published"), [(0.8, 4.50), (0.9, 5.94), (0.95, 7.35), (0.99, 10.59)])
def test_critical_ratio_of_hansen(confidence: float, published: float) -> None:
    """Asymptotic critical values: B. E. Hansen, Econometrica 68 (2000), table I; from memory."""
    assert critical_ratio(confidence) == pytest.approx(published, abs=0.005)


def test_place_and_chance_by_another_library() -> None:
    """The best place is that of the largest t of all two-sample tests, its chance that of t times the places."""
    values = np.random.default_rng(3).normal(0.0, 1.0, 25) + np.where(np.arange(25) < 11, 0.0, 1.2)
    tests = [stats.ttest_ind(values[:place], values[place:]) for place in range(1, 25)]
    best = int(np.argmax([abs(one.statistic) for one in tests]))

    found = change_point(values)

    assert found is not None
    assert found.first_after == best + 1
    assert found.chance == pytest.approx(min(1.0, 24 * tests[best].pvalue), rel=1e-9)


def test_series_without_a_step_is_seldom_called_one() -> None:
    """Of 2000 seeded series of 30 nights without a step at most 5 % have a chance below 5 %."""
    draws = np.random.default_rng(11).normal(0.0, 1.0, (2000, 30))

    below = sum(found.chance < 0.05 for row in draws if (found := change_point(row)) is not None)

    assert below <= 0.05 * len(draws)


@pytest.mark.parametrize(("step", "place"), [(2.0, 15), (3.0, 7), (5.0, 24)])
def test_true_place_is_among_those_named(step: float, place: int) -> None:
    """In at least 95 % of 1000 seeded series the range of places holds the true one."""
    draws = np.random.default_rng(place).normal(0.0, 1.0, (1000, 30)) + step * (np.arange(30) >= place)

    hits = 0
    for row in draws:
        found = change_point(row)
        assert found is not None
        hits += found.earliest <= place <= found.latest

    assert hits >= 950


@given(
    values=st.lists(st.floats(-1e3, 1e3).map(lambda value: round(value, 3)), min_size=LEAST_NIGHTS, max_size=40),
    factor=st.sampled_from([-2.0, 0.5, 4.0]),
    offset=st.sampled_from([-8.0, 0.0, 16.0]),
)
def test_unit_and_zero_do_not_matter(values: list[float], factor: float, offset: float) -> None:
    """Another unit and another zero move the means, and neither the place nor the chance."""
    one, other = change_point(values), change_point([factor * value + offset for value in values])

    if one is None or other is None or one.chance > 0.5:  # without a step the best place is rounding's
        return
    assert other.first_after == one.first_after
    assert other.chance == pytest.approx(one.chance, rel=1e-6, abs=1e-12)
    assert other.step == pytest.approx(factor * one.step, rel=1e-6)


def test_constant_series_has_no_step() -> None:
    """Without any scatter there is nothing to compare a step with."""
    assert change_point([3.3] * LEAST_NIGHTS) is None


def test_clean_step_is_certain() -> None:
    """Two levels without scatter: one place, and no chance."""
    found = change_point([1.0] * 5 + [2.0] * 5)

    assert found is not None
    assert (found.first_after, found.earliest, found.latest) == (5, 5, 5)
    assert found.chance == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        pytest.param([1.0] * (LEAST_NIGHTS - 1), "7 values say too little, needed are 8 or more", id="too few"),
        pytest.param([1.0] * LEAST_NIGHTS + [float("nan")], "value 9 of 9 is nan", id="no number"),
    ],
)
def test_bad_series_is_refused(values: list[float], words: str) -> None:
    """What cannot be searched is named."""
    with pytest.raises(ValueError, match=words):
        change_point(values)
