"""Statistics of many limits at once against numpy, a certified hard case, and one column at a time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.statistics.capability import Tolerance, capability
from benchrig.statistics.limit_statistics import limit_statistics
from tests.published import Figure

NUMACC4 = [
    Figure(name, "NIST Statistical Reference Datasets, NumAcc4", "memory + recomputed", field, expected)
    for name, field, expected in (("mean", "mean", 10000000.2), ("standard deviation", "deviation", 0.1))
]
WIDE = Tolerance(low=-1e9, high=1e9)


def lot(boards: int, limits: int, seed: int = 0) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    rng = np.random.default_rng(seed)
    return rng.normal(rng.uniform(-5, 5, limits), rng.uniform(0.1, 2.0, limits), (boards, limits))


@pytest.mark.parametrize("figure", NUMACC4, ids=lambda figure: figure.id)
def test_small_scatter_on_a_large_value_meets_the_figures(figure: Figure[str, float]) -> None:
    """1001 values about ten million that differ by 0.1: eight digits, where sums of squares have none."""
    values = np.array([10000000.2] + [10000000.1, 10000000.3] * 500)[:, np.newaxis]

    (found,) = limit_statistics(values, tolerances=[WIDE])

    assert getattr(found, figure.inputs) == pytest.approx(figure.expected, rel=1e-8), figure


@pytest.mark.parametrize(("boards", "limits"), [(2, 1), (30, 3), (1000, 60), (5000, 7)])
def test_every_column_is_that_of_numpy(boards: int, limits: int) -> None:
    """n, mean, deviation, extremes and count outside, over one block of rows and over many."""
    values = lot(boards, limits)
    tolerances = [Tolerance(low=float(column.min()) + 0.3, high=float(column.max()) + 1.0) for column in values.T]

    found = limit_statistics(values, tolerances=tolerances)

    for one, column, tolerance in zip(found, values.T, tolerances, strict=True):
        assert one.n == boards
        assert one.mean == pytest.approx(column.mean(), rel=1e-13)
        assert one.deviation == pytest.approx(column.std(ddof=1), rel=1e-13)
        assert (one.least, one.most) == (column.min(), column.max())
        assert tolerance.low is not None
        assert one.outside == int((column < tolerance.low).sum())


def test_index_is_that_of_capability() -> None:
    """The index of each column is the Ppk of that column alone, with the same interval where both limits stand."""
    values = lot(200, 4)
    both, low, high = (Tolerance(low=-9.0, high=9.0), Tolerance(low=-9.0), Tolerance(high=9.0))

    found = limit_statistics(values, tolerances=[both, low, high, both])

    for one, column, tolerance in zip(found, values.T, (both, low, high, both), strict=True):
        expected = capability(column, tolerance=tolerance).ppk
        assert one.index is not None
        assert one.index.value == pytest.approx(expected.value, rel=1e-12)
        assert one.index.low == pytest.approx(expected.low, rel=0.01)
        assert one.lacking == ""


def test_value_at_a_limit_is_inside() -> None:
    """Outside is beyond a limit; one that is equal to it is not."""
    values = np.array([[1.0], [2.0], [3.0], [4.0]])

    (found,) = limit_statistics(values, tolerances=[Tolerance(low=2.0, high=3.0)])

    assert found.outside == 2


@settings(deadline=None)
@given(seed=st.integers(0, 1000), share=st.floats(0.0, 1.0))
def test_what_was_not_measured_is_not_looked_at(seed: int, share: float) -> None:
    """With holes, each column is that of its measured values, and NaN in a hole does no harm."""
    values, rng = lot(40, 5, seed), np.random.default_rng(seed)
    measured = rng.uniform(size=values.shape) < share
    holed = np.where(measured, values, math.nan)
    tolerances = [Tolerance(low=-2.0, high=2.0)] * 5

    found = limit_statistics(holed, tolerances=tolerances, measured=measured)

    for one, column, mask in zip(found, values.T, measured.T, strict=True):
        kept = column[mask]
        assert one.n == kept.size
        assert one.outside == int(((kept < -2.0) | (kept > 2.0)).sum())
        assert one.mean == (pytest.approx(kept.mean(), rel=1e-12) if kept.size else None)
        assert one.deviation == (pytest.approx(kept.std(ddof=1), rel=1e-12) if kept.size > 1 else None)
        assert (one.index is None) == bool(one.lacking)


@settings(deadline=None)
@given(seed=st.integers(0, 1000), power=st.integers(-20, 20))
def test_unit_and_order_do_not_matter(seed: int, power: int) -> None:
    """In another unit, boards shuffled: the same index and count, everything else scaled."""
    values, unit = lot(60, 3, seed), 2.0**power
    shuffled = np.random.default_rng(seed).permutation(values, axis=0)

    one = limit_statistics(values, tolerances=[Tolerance(low=-3.0, high=3.0)] * 3)
    other = limit_statistics(shuffled * unit, tolerances=[Tolerance(low=-3.0 * unit, high=3.0 * unit)] * 3)

    for first, second in zip(one, other, strict=True):
        assert (second.n, second.outside) == (first.n, first.outside)
        assert first.deviation is not None
        assert second.deviation == pytest.approx(first.deviation * unit, rel=1e-11)
        assert first.index is not None
        assert second.index is not None
        assert second.index.value == pytest.approx(first.index.value, rel=1e-9, abs=1e-12)


def test_index_that_cannot_be_told_says_why() -> None:
    """Too few boards, and boards that are all the same, have no index and a reason."""
    few, same = lot(24, 1), np.full((30, 1), 3.3)

    (of_few,) = limit_statistics(few, tolerances=[WIDE])
    (of_same,) = limit_statistics(same, tolerances=[WIDE])

    assert of_few.index is None
    assert of_few.lacking == "24 boards measured; an index needs 25: measure 1 more"
    assert of_same.index is None
    assert of_same.lacking == "all 30 values are 3.3; an index needs scatter: measure with a finer resolution"
    assert of_same.mean == 3.3


def test_rounding_of_the_last_bit_is_no_scatter() -> None:
    """Values that differ by a bit have no index: rounding would make one of a million."""
    values = np.full((30, 1), 3.3)
    values[3] = np.nextafter(3.3, 4.0)

    (found,) = limit_statistics(values, tolerances=[Tolerance(low=3.0, high=4.0)])

    assert found.index is None
    assert "an index needs scatter" in found.lacking


def test_one_board_has_no_deviation() -> None:
    """A single board has a value and nothing that says how far boards scatter."""
    (found,) = limit_statistics(np.array([[3.3]]), tolerances=[WIDE])

    assert (found.n, found.mean, found.deviation, found.index) == (1, 3.3, None, None)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e200])
def test_value_that_is_no_number_is_named(value: float) -> None:
    """Board and limit of the value are named, with where a hole is marked."""
    values = lot(50, 3)
    values[41, 2] = value

    with pytest.raises(ValueError, match=r"board 42, limit 3 is .*; mark what was not measured in `measured`"):
        limit_statistics(values, tolerances=[WIDE] * 3)


def test_shapes_that_do_not_agree_are_refused() -> None:
    """The shape that came and the one that is wanted are named."""
    with pytest.raises(ValueError, match=r"values have the shape \(5, 2\); accepted: one or more boards by 3 limits"):
        limit_statistics(lot(5, 2), tolerances=[WIDE] * 3)
    with pytest.raises(ValueError, match=r"values have the shape \(0, 3\)"):
        limit_statistics(np.empty((0, 3)), tolerances=[WIDE] * 3)
    with pytest.raises(ValueError, match=r"measured has the shape \(5,\) of bool; accepted: \(5, 2\) of truth values"):
        limit_statistics(lot(5, 2), tolerances=[WIDE] * 2, measured=np.ones(5, dtype=bool))
