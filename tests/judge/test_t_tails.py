"""Tails of Student's t against scipy and, for one degree of freedom, against the arc tangent."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchrig.judge.t_tails import upper_tail

FAR = np.concatenate([-np.logspace(-8, 6, 120), [0.0], np.logspace(-8, 6, 240)])


@pytest.mark.parametrize("dof", [2, 3, 4.5, 10, 59, 200, 1000, 9999])
def test_tail_matches_scipy(dof: float) -> None:
    """The tail agrees with scipy to 1e-10 of itself, from the middle out to 1e-290."""
    expected = stats.t.sf(FAR, dof)
    kept = expected > 1e-290

    found = upper_tail(FAR, dof=dof)

    assert np.abs(found[kept] / expected[kept] - 1.0).max() < 1e-10
    assert (found[~kept] < 1e-289).all()


def test_tail_of_one_degree_of_freedom() -> None:
    """With one degree of freedom the tail is 1/2 - atan(t)/π, or atan(1/t)/π far out (textbook, from memory)."""
    t = np.logspace(0.01, 12, 200)

    assert upper_tail(t, dof=1.0) == pytest.approx(np.arctan(1.0 / t) / math.pi, rel=1e-13)


@pytest.mark.parametrize(("t", "expected"), [(math.inf, 0.0), (-math.inf, 1.0), (1e300, 0.0), (0.0, 0.5)])
def test_tail_at_the_ends(t: float, expected: float) -> None:
    """Infinite and huge t have a tail of 0 or 1, without a warning."""
    assert upper_tail(np.array([t]), dof=5.0)[0] == pytest.approx(expected, abs=1e-200)


def test_tail_of_nothing() -> None:
    """No t has no tail."""
    assert upper_tail(np.empty((0, 3)), dof=5.0).shape == (0, 3)


@pytest.mark.parametrize("dof", [0.0, 0.5, -1.0, math.nan, math.inf])
def test_tail_refuses_degrees_of_freedom(dof: float) -> None:
    """Fewer than one degree of freedom, or none that is a number, is refused."""
    with pytest.raises(ValueError, match="accepted: a finite number from 1 up"):
        upper_tail(np.array([1.0]), dof=dof)


def test_tail_refuses_nan() -> None:
    """NaN is not passed on."""
    with pytest.raises(ValueError, match="a t is NaN"):
        upper_tail(np.array([1.0, math.nan]), dof=5.0)
