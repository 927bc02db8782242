"""The straight line against certified values and general libraries."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.linear import fit_line
from tests.published import Figure

NORRIS = Path(__file__).with_name("nist_norris.csv")

STRD = "NIST Statistical Reference Datasets, linear regression, Norris, certified values (file shipped with scipy)"
FIGURES = tuple(
    Figure(f"Norris {name}", STRD, "seen-2nd + recomputed", field, certified)
    for name, field, certified in (
        ("B0", "intercept", -0.262323073774029),
        ("B1", "slope", 1.00211681802045),
        ("standard deviation of B0", "intercept_se", 0.232818234301152),
        ("standard deviation of B1", "slope_se", 0.429796848199937e-3),
        ("residual standard deviation", "residual_sd", 0.884796396144373),
    )
)

# JCGM 100:2008 H.3: thermometer readings (°C) and corrections (°C); data seen in a public file, recomputed.
GUM_H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
GUM_H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def norris() -> tuple[list[float], list[float]]:
    with NORRIS.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [float(row["x"]) for row in rows], [float(row["y"]) for row in rows]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_fit_meets_the_figures_of_norris(figure: Figure[str, float]) -> None:
    """Ten digits of each certified value."""
    fit = fit_line(*norris())

    assert getattr(fit, figure.inputs) == pytest.approx(figure.expected, rel=1e-10), figure
    assert fit.dof == 34


def test_fit_of_gum_h3() -> None:
    """GUM H.3: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, s = 0.0035, b(30 °C) = -0.1494(41)."""
    fit = fit_line([t - 20.0 for t in GUM_H3_T], GUM_H3_B)

    correction, u = fit.at(10.0)
    assert (fit.intercept, fit.intercept_se) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (fit.slope, fit.slope_se) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert fit.covariance / (fit.intercept_se * fit.slope_se) == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert (correction, u) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_fit_keeps_digits_far_from_zero() -> None:
    """A line far from x = 0 keeps its slope: sums about the mean, not about 0."""
    x = [1e9 + step for step in range(10)]

    fit = fit_line(x, [3.0 + 0.25 * (value - 1e9) for value in x])

    assert fit.slope == pytest.approx(0.25, rel=1e-13)
    assert fit.at(1e9 + 4)[0] == pytest.approx(4.0, rel=1e-7)


points = st.lists(
    st.tuples(st.integers(-50, 50), st.floats(-10, 10), st.floats(0.1, 10)),
    min_size=4,
    max_size=20,
    unique_by=lambda point: point[0],
)


@settings(deadline=None)
@given(points=points)
def test_weighted_fit_matches_numpy(points: list[tuple[int, float, float]]) -> None:
    """Weighted coefficients and covariance agree with numpy.polyfit, whose weights are square roots of ours."""
    x, y, weights = (np.array(column, dtype=float) for column in zip(*points, strict=True))
    (slope, intercept), covariance = np.polyfit(x, y, 1, w=np.sqrt(weights), cov=True)

    fit = fit_line(list(x), list(y), weights=list(weights))

    assert (fit.slope, fit.intercept) == pytest.approx((slope, intercept), rel=1e-7, abs=1e-7)
    found = [[fit.slope_se**2, fit.covariance], [fit.covariance, fit.intercept_se**2]]
    assert np.allclose(found, covariance, rtol=1e-6, atol=1e-9)


@settings(deadline=None)
@given(points=points)
def test_fit_matches_scipy(points: list[tuple[int, float, float]]) -> None:
    """Unweighted coefficients and standard errors agree with scipy.stats.linregress."""
    x, y = [float(point[0]) for point in points], [point[1] for point in points]
    expected = stats.linregress(x, y)

    fit = fit_line(x, y)

    assert (fit.slope, fit.intercept) == pytest.approx((expected.slope, expected.intercept), rel=1e-7, abs=1e-7)
    # scipy takes the errors from 1 - r², which loses them on a nearly perfect line
    assert fit.slope_se == pytest.approx(expected.stderr, rel=1e-5, abs=1e-7)
    assert fit.intercept_se == pytest.approx(expected.intercept_stderr, rel=1e-5, abs=1e-6)


def test_residuals_are_what_is_left() -> None:
    """Residuals keep the order of the points and are y less the line."""
    x, y = [3.0, 1.0, 2.0, 5.0], [1.0, 4.0, 2.0, 2.0]
    fit = fit_line(x, y)

    left = [value - fit.at(at)[0] for at, value in zip(x, y, strict=True)]
    assert fit.residuals == pytest.approx(left, abs=1e-12)
    assert sum(fit.residuals) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("x", "y", "weights", "text"),
    [
        pytest.param([1, 2], [1, 2], None, "3 points or more, not 2", id="two points"),
        pytest.param([1, 2, 3], [1, 2], None, r"as many y \(2\)", id="lengths"),
        pytest.param([1, 2, 3], [1, 2, 3], [1, 1], r"weights \(2\)", id="weights"),
        pytest.param([4, 4, 4], [1, 2, 3], None, "same x, 4.0", id="constant"),
        pytest.param([1, math.nan, 3], [1, 2, 3], None, "x of point 2 of 3 is nan", id="NaN in x"),
        pytest.param([1, 2, 3], [1, 2, math.inf], None, "y of point 3 of 3 is inf", id="infinity in y"),
        pytest.param([1, 2, 3], [1, 2, 3], [1, 0, 1], "smallest weight is 0.0; accepted: above 0", id="no weight"),
        pytest.param([0, 1e-200, 2e-200], [1, 2, 3], None, "differ too little in x", id="too near"),
    ],
)
def test_fit_refuses_what_is_no_line(x: list[float], y: list[float], weights: list[float] | None, text: str) -> None:
    """Input that no line goes through is refused by what is wrong with it."""
    with pytest.raises(ValueError, match=text):
        fit_line(x, y, weights=weights)
