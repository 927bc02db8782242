"""Fits of several terms against certified values and numpy."""

from __future__ import annotations

import csv
import math
import pickle
from pathlib import Path

import numpy as np
import pytest

from benchrig.judge.least_squares import NotToldApartError, design_correlation, fit_terms

NORRIS = Path(__file__).with_name("nist_norris.csv")


def test_line_meets_the_certified_values_of_norris() -> None:
    """NIST StRD Norris (certified values as in the file shipped with scipy): ten digits of each."""
    with NORRIS.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    x = [float(row["x"]) for row in rows]

    fit = fit_terms({"1": [1.0] * len(x), "x": x}, [float(row["y"]) for row in rows])

    found = (*fit.estimate("1"), *fit.estimate("x"), fit.residual_sd)
    certified = (-0.262323073774029, 0.232818234301152, 1.00211681802045, 0.429796848199937e-3, 0.884796396144373)
    assert found == pytest.approx(certified, rel=1e-10)
    assert fit.dof == 34


@pytest.mark.parametrize(
    "expected",
    [pytest.param([1.0] * 6, id="Wampler1"), pytest.param([1, 0.1, 0.01, 0.001, 0.0001, 0.00001], id="Wampler2")],
)
def test_fifth_degree_of_wampler(expected: list[float]) -> None:
    """NIST StRD Wampler1 and 2 (definitions seen in public test suites): x 0 to 20, exact data, rel 1e-7."""
    x = np.arange(21.0)
    columns = {f"x^{power}": (x**power).tolist() for power in range(6)}

    fit = fit_terms(columns, np.polynomial.polynomial.polyval(x, expected).tolist())

    assert fit.estimates == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("weighted", [False, True])
def test_plane_matches_numpy(*, weighted: bool) -> None:
    """Estimates, errors and correlations of a random plane agree with numpy's normal equations."""
    rng = np.random.default_rng(11)
    a, b, noise = rng.normal(size=(3, 40))
    y = 2.0 + 3.0 * a - 0.5 * b + 0.1 * noise
    weights = rng.uniform(0.2, 4.0, 40) if weighted else np.ones(40)
    matrix = np.column_stack([np.ones(40), a, b])
    inverse = np.linalg.inv(matrix.T @ (weights[:, None] * matrix))
    expected = inverse @ matrix.T @ (weights * y)
    covariance = inverse * (weights * (y - matrix @ expected) ** 2).sum() / 37

    fit = fit_terms(
        {"1": [1.0] * 40, "a": a.tolist(), "b": b.tolist()},
        y.tolist(),
        weights=weights.tolist() if weighted else None,
    )

    assert fit.estimates == pytest.approx(expected, rel=1e-9)
    assert np.allclose(fit.covariance, covariance, rtol=1e-9)
    spread = math.sqrt(covariance[1, 1] * covariance[2, 2])
    assert fit.correlation("a", "b") == pytest.approx(covariance[1, 2] / spread, rel=1e-9)


def test_correlation_of_the_plan_is_that_of_the_fit() -> None:
    """Before any reading the plan says how the estimates will be correlated, and the fit agrees."""
    rng = np.random.default_rng(13)
    columns = {"1": [1.0] * 12, "a": rng.normal(size=12).tolist(), "b": np.arange(12.0).tolist()}

    fit = fit_terms(columns, rng.normal(size=12).tolist())

    assert design_correlation(columns, one="a", other="b") == pytest.approx(fit.correlation("a", "b"), rel=1e-9)
    doubled = design_correlation({**columns, "c": columns["b"]}, one="b", other="c")
    assert abs(doubled) == pytest.approx(1.0, abs=1e-9)


def test_terms_that_follow_from_others_are_named() -> None:
    """A column that is a sum of those before it is refused by its name, and the error survives a process border."""
    columns = {"1": [1.0] * 5, "up": [0.0, 1.0, 2.0, 3.0, 4.0], "time": [1.0, 3.0, 5.0, 7.0, 9.0]}

    with pytest.raises(NotToldApartError, match="cannot tell 'time' from 1, up") as caught:
        fit_terms(columns, [1.0] * 5)

    assert (caught.value.term, caught.value.others) == ("time", ("1", "up"))
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


REFUSED = [
    pytest.param({}, [1.0], None, "a fit without terms", id="no terms"),
    pytest.param({"1": [1.0] * 3}, [1.0] * 2, None, "3 points, 2 values", id="lengths"),
    pytest.param({"1": [1.0] * 2, "x": [0.0, 1.0]}, [1.0, 2.0], None, "2 points for 2 terms", id="too few"),
    pytest.param({"1": [1.0] * 3}, [1.0, math.nan, 1.0], None, "a value of a point is no finite number", id="NaN"),
    pytest.param({"1": [1.0, 1.0, math.inf]}, [1.0] * 3, None, "a term of a point is no finite", id="infinity"),
    pytest.param({"1": [1.0] * 3}, [1.0] * 3, [1.0, 0.0, 1.0], "point is 0 or less: point 2 has 0;", id="no weight"),
    pytest.param({"1": [1.0] * 3}, [1.0] * 3, [1.0, 1.0, -4.0], "0 or less: point 3 has -4; accepted", id="below 0"),
    pytest.param({"1": [1.0] * 3}, [1.0] * 3, [1.0, math.nan, 1.0], "weight of a point is no finite", id="NaN weight"),
    pytest.param({"0": [0.0] * 3}, [1.0] * 3, None, "cannot tell '0' from nothing", id="nothing"),
]


@pytest.mark.parametrize(("columns", "y", "weights", "text"), REFUSED)
def test_what_is_no_fit_is_refused(
    columns: dict[str, list[float]], y: list[float], weights: list[float] | None, text: str
) -> None:
    """Input that cannot be fitted is refused by what is wrong with it."""
    with pytest.raises(ValueError, match=text):
        fit_terms(columns, y, weights=weights)


def test_unknown_term_is_named() -> None:
    """Asking for a term that is not there lists those that are."""
    fit = fit_terms({"1": [1.0] * 3}, [1.0, 2.0, 3.0])

    with pytest.raises(KeyError, match="no term 'x' in this fit; known: 1"):
        fit.estimate("x")
