"""The mean of correlated readings: closed forms against the matrices they stand for, and against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import linalg, stats

from benchrig.judge.correlated_mean import Sums, add_to_sums, believe, correlation_grid, start_sums
from tests.judge.noise import autoregressive


def sums_of(table: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> Sums:
    """Sums of all readings of each row."""
    sums = start_sums(table[:, 0])
    for column in table.T[1:]:
        sums = add_to_sums(sums, column)
    return sums


@pytest.mark.parametrize("count", [2, 3, 7, 40])
def test_belief_is_the_one_of_the_matrices(count: int) -> None:
    """Means, scales and weights agree with generalised least squares by the full covariance matrix."""
    readings = 3.3 + 0.01 * autoregressive(np.random.default_rng(11), boards=1, readings=count, correlation=0.6)
    grid = correlation_grid(0.8)

    belief = believe(sums_of(readings), correlations=grid)

    log_weights = []
    for column, phi in enumerate(grid):
        covariance = linalg.toeplitz(phi ** np.arange(count)) / (1 - phi**2)
        inverse = linalg.inv(covariance)
        ones = np.ones(count)
        information = ones @ inverse @ ones
        mean = ones @ inverse @ readings[0] / information
        rest = readings[0] - mean
        residual = rest @ inverse @ rest
        scale = math.sqrt(residual / (count - 1) / information)
        assert belief.means[0, column] == pytest.approx(mean, rel=1e-12)
        assert belief.scales[0, column] == pytest.approx(scale, rel=1e-9)
        log_weights.append(
            -0.5 * float(np.linalg.slogdet(covariance)[1])
            - 0.5 * math.log(information)
            - 0.5 * (count - 1) * math.log(residual)
        )
    weights = np.exp(np.array(log_weights) - max(log_weights))
    assert belief.weights[0] == pytest.approx(weights / weights.sum(), rel=1e-7)


def test_uncorrelated_belief_is_students() -> None:
    """With no correlation possible the chance is that of the one-sample t test of scipy."""
    readings = np.random.default_rng(3).normal(3.3, 0.02, (6, 9))

    below, above = believe(sums_of(readings), correlations=correlation_grid(0.0)).chances(3.31)

    expected = stats.ttest_1samp(readings, 3.31, axis=1, alternative="less").pvalue
    assert above == pytest.approx(expected, rel=1e-9)
    assert below == pytest.approx(1 - expected, rel=1e-9)


def test_chances_mix_students_by_weight() -> None:
    """The chance is the weighted one of scipy's Student distributions, small ones to 1e-9 of themselves."""
    readings = autoregressive(np.random.default_rng(5), boards=4, readings=12, correlation=0.5)
    belief = believe(sums_of(readings), correlations=correlation_grid(0.8))

    for border in (-20.0, -1.0, 0.0, 30.0):
        below, above = belief.chances(border)
        t = (border - belief.means) / belief.scales
        assert below == pytest.approx((belief.weights * stats.t.cdf(t, 11)).sum(axis=1), rel=1e-9)
        assert above == pytest.approx((belief.weights * stats.t.sf(t, 11)).sum(axis=1), rel=1e-9)


@pytest.mark.parametrize(("border", "below"), [(math.inf, 1.0), (-math.inf, 0.0)])
def test_open_side_is_never_beyond(border: float, below: float) -> None:
    """No mean is beyond an open side."""
    belief = believe(sums_of(np.array([[1.0, 2.0, 3.0]])), correlations=correlation_grid(0.8))

    assert tuple(float(part[0]) for part in belief.chances(border)) == (below, 1.0 - below)


def test_a_large_common_value_does_not_cancel() -> None:
    """A megavolt of offset leaves scatter and chances as they are, to what its own last digit can say."""
    readings = np.round(np.random.default_rng(7).normal(0.0, 1.0, (3, 20)), 3)
    grid = correlation_grid(0.8)
    plain, moved = (believe(sums_of(readings + offset), correlations=grid) for offset in (0.0, 1e6))

    assert moved.scales == pytest.approx(plain.scales, rel=1e-8)
    assert moved.chances(1e6 + 2.0)[1] == pytest.approx(plain.chances(2.0)[1], rel=1e-6)


@pytest.mark.parametrize("true", [0.0, 0.4, 0.8])
def test_correlation_is_found_from_the_readings(true: float) -> None:
    """From 400 readings the correlation comes out within five of its own standard errors, sqrt((1 - φ²)/n)."""
    readings = autoregressive(np.random.default_rng(13), boards=1, readings=400, correlation=true)
    belief = believe(sums_of(readings), correlations=correlation_grid(0.8))

    assert float(belief.correlation()[0]) == pytest.approx(true, abs=5 * math.sqrt((1 - true**2) / 400) + 0.02)
    assert float(belief.effective_count()[0]) == pytest.approx(400 * (1 - true) / (1 + true), rel=0.35)


def test_few_readings_leave_the_correlation_open() -> None:
    """Three readings say next to nothing of their correlation: every one of the grid keeps a share."""
    belief = believe(sums_of(np.array([[1.0, 1.2, 0.9]])), correlations=correlation_grid(0.8))

    assert belief.weights.min() > 0.01


def test_standard_uncertainty_covers_the_scatter_of_means() -> None:
    """Over 4000 rows the mean scatters by what its standard uncertainty says or, for an unknown correlation, less."""
    for true in (0.0, 0.6):
        readings = autoregressive(np.random.default_rng(17), boards=4000, readings=150, correlation=true)
        belief = believe(sums_of(readings), correlations=correlation_grid(0.8))

        said, seen = float(np.sqrt(np.mean(belief.standard_uncertainty() ** 2))), float(belief.mean().std())
        assert 0.97 < said / seen < 1.25


def test_resolution_stands_in_for_scatter() -> None:
    """Equal readings scatter by a step's q/√12, so that the mean of n is uncertain by q/√(12 n)."""
    belief = believe(sums_of(np.full((1, 9), 3.7)), correlations=correlation_grid(0.0), resolution=0.001)

    assert float(belief.standard_uncertainty()[0]) == pytest.approx(0.001 / math.sqrt(12 * 9), rel=1e-12)


def test_believe_refuses_what_shows_no_scatter() -> None:
    """One reading, or equal ones without a resolution, say nothing of how far the mean may be."""
    with pytest.raises(ValueError, match="at least two are needed"):
        believe(start_sums(np.array([1.0])), correlations=correlation_grid(0.8))
    with pytest.raises(ValueError, match="give the resolution of the instrument"):
        believe(sums_of(np.array([[1.0, 1.0, 1.0], [1.0, 2.0, 3.0]])), correlations=correlation_grid(0.8))
