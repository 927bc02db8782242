"""Budgets of model functions: sensitivities, second-order terms, what a model may not return."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import Polynomial
from scipy.differentiate import jacobian

from benchrig.judge.budget import Component, from_model

if TYPE_CHECKING:
    from collections.abc import Callable


def sensitivity(function: Callable[..., object], *, at: float, u: float) -> float:
    """Sensitivity of a function of `x`."""
    return from_model(function, estimates={"x": at}, uncertainties={"x": u}).components[0].sensitivity


@pytest.mark.parametrize(
    ("function", "at", "slope", "tolerance"),
    [
        pytest.param(lambda *, x: x**3, 2.0, 12.0, 1e-14, id="power, complex step"),
        pytest.param(lambda *, x: np.exp(x), 1.5, math.exp(1.5), 1e-14, id="numpy, complex step"),
        pytest.param(lambda *, x: math.log(x), 0.002, 500.0, 1e-7, id="math, central"),
        pytest.param(lambda *, x: abs(x) * 3.0, -2.0, -3.0, 1e-11, id="abs drops the imaginary part"),
        pytest.param(lambda *, x: np.abs(x) ** 2 + x, 2.0, 5.0, 1e-11, id="abs drops a part of it"),
        pytest.param(lambda *, x: np.real(x) * 2.0, 2.0, 2.0, 1e-11, id="real"),
        pytest.param(lambda *, x: float(x) * 2.0, 2.0, 2.0, 1e-11, id="float"),
        pytest.param(lambda *, x: float(np.asarray(x, np.float64)), 2.0, 1.0, 1e-11, id="float of an array"),
        pytest.param(lambda *, x: x * 7.0 if x > 1.0 else x, 2.0, 7.0, 1e-11, id="branch"),
        pytest.param(lambda *, x: 5.0 + 0.0 * round(x), 2.0, 0.0, 1e-11, id="no slope"),
        pytest.param(lambda *, x: np.asarray(2.0 * x), 2.0, 2.0, 1e-11, id="array of no dimension"),
    ],
)
@pytest.mark.filterwarnings("error")
def test_sensitivity_of_a_known_slope(
    function: Callable[..., object], at: float, slope: float, tolerance: float
) -> None:
    """Derivatives known by hand are met, to rounding where the model takes complex numbers."""
    assert sensitivity(function, at=at, u=1e-4) == pytest.approx(slope, rel=tolerance, abs=1e-10)


def test_a_strong_curve_keeps_its_exact_slope() -> None:
    """Where differences are off because the model bends within the uncertainty, the complex step still counts."""
    assert sensitivity(lambda *, x: x**5, at=0.0, u=1.0) == 0.0


@settings(deadline=None)
@given(
    coefficients=st.lists(st.floats(min_value=-10, max_value=10), min_size=2, max_size=6),
    at=st.floats(min_value=-10, max_value=10),
    u=st.floats(min_value=1e-6, max_value=1.0),
)
def test_sensitivity_of_polynomials(coefficients: list[float], at: float, u: float) -> None:
    """The slope of any polynomial is that of numpy, with complex numbers and without."""
    polynomial = Polynomial(coefficients)
    size = float(Polynomial(np.abs(coefficients))(max(1.0, abs(at))))

    by_complex = sensitivity(lambda *, x: polynomial(x), at=at, u=u)
    by_central = sensitivity(lambda *, x: float(polynomial(x)) if isinstance(x, float) else "no", at=at, u=u)

    expected = float(polynomial.deriv()(at))
    assert by_complex == pytest.approx(expected, rel=1e-4, abs=1e-11 * size / u + 1e-9)
    assert by_central == pytest.approx(expected, rel=1e-3, abs=1e-11 * size / u + 1e-3 * size * u**4)


def _divided(*, volts: float, upper: float, lower: float) -> float:
    return volts * lower / (upper + lower)


def test_sensitivities_of_a_divider() -> None:
    """All sensitivities of a battery divider agree with scipy's numerical differentiation and with the formula."""
    at = {"volts": 4.2, "upper": 220e3, "lower": 100e3}
    u = {"volts": 1e-3, "upper": 220.0, "lower": 100.0}

    budget = from_model(_divided, estimates=at, uncertainties=u, unit="V")

    found = [one.sensitivity for one in budget.components]
    outside = jacobian(lambda x: x[0] * x[2] / (x[1] + x[2]), np.array(list(at.values())), initial_step=1e-2)
    assert found == pytest.approx(outside.df.tolist(), rel=1e-6)
    total = 320e3
    assert found == pytest.approx([100e3 / total, -4.2 * 100e3 / total**2, 4.2 * 220e3 / total**2], rel=1e-13)
    assert budget.value == pytest.approx(1.3125, rel=1e-15)


def test_an_exactly_known_input_has_a_sensitivity_all_the_same() -> None:
    """A standard uncertainty of 0 contributes nothing and still shows how the result depends on the input."""
    budget = from_model(
        lambda *, a, b: math.hypot(a, b), estimates={"a": 3.0, "b": 0.0}, uncertainties={"a": 0.0, "b": 0.1}
    )

    assert budget.components[0].contribution == 0.0
    assert budget.components[0].sensitivity == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("at", [1.7e9, -1.7e9, 0.0, 1e-30])
def test_the_step_follows_the_uncertainty_not_the_value(at: float) -> None:
    """A large estimate, such as a time stamp, does not blow the step up beyond where the model is straight."""
    found = sensitivity(lambda *, x: math.sin((x - at) / 0.01), at=at, u=1e-3)

    assert found == pytest.approx(100.0, rel=1e-3)


def test_components_bring_shape_and_degrees_of_freedom() -> None:
    """An input given as a Component keeps what it knows; its own sensitivity is multiplied on."""
    part = Component("any", standard_uncertainty=2.0, sensitivity=3.0, dof=5, shape="t")

    budget = from_model(lambda *, x: 10.0 * x, estimates={"x": 1.0}, uncertainties={"x": part})

    assert budget.components[0] == Component("x", standard_uncertainty=2.0, sensitivity=30.0, dof=5, shape="t")


# ---- second order


def _second_order_u(function: Callable[..., object], estimates: dict[str, float], u: dict[str, float]) -> float:
    return from_model(function, estimates=estimates, uncertainties=u, second_order=True).standard_uncertainty


def test_second_order_of_a_product_about_zero() -> None:
    """x y about 0 has no first order; its variance is u_x² u_y² (exact for independent variables)."""
    found = _second_order_u(lambda *, x, y: x * y, {"x": 0.0, "y": 0.0}, {"x": 0.3, "y": 0.2})

    assert found == pytest.approx(0.06, rel=1e-9)


def test_second_order_of_a_square_about_zero() -> None:
    """x² about 0: the variance of a squared normal variable is 2 u⁴ (chi squared with 1 degree of freedom)."""
    assert _second_order_u(lambda *, x: x**2, {"x": 0.0}, {"x": 0.3}) == pytest.approx(2**0.5 * 0.09, rel=1e-9)


def test_second_order_of_a_cube() -> None:
    """x³: f' = 3x², f'' = 6x, f''' = 6, so that u² = 9x⁴u² + (18x² + 18x²)u⁴ by the note to GUM 5.1.2."""
    x, u = 1.3, 0.1

    found = _second_order_u(lambda *, x: x**3, {"x": x}, {"x": u})

    assert found**2 == pytest.approx(9 * x**4 * u**2 + 36 * x**2 * u**4, rel=1e-9)


def test_second_order_has_the_mixed_third_derivatives() -> None:
    """x y² at (1, 2): f_xy = 2y = 4, f_yy = 2x = 2, f_xyy = 2; f_yxx and the pure third derivatives are 0."""
    u_x, u_y = 0.05, 0.1

    found = _second_order_u(lambda *, x, y: x * y**2, {"x": 1.0, "y": 2.0}, {"x": u_x, "y": u_y})

    # f_xy² counts half for each order of the pair; f_x f_xyy = 4 * 2
    terms = (4.0**2 + 4.0 * 2.0) * u_x**2 * u_y**2 + 0.5 * 2.0**2 * u_y**4
    assert found**2 == pytest.approx(16.0 * u_x**2 + 16.0 * u_y**2 + terms, rel=1e-9)


def test_second_order_never_lowers_the_first() -> None:
    """Where the terms are negative, as at the steepest point of a sine, the first order stands."""
    budget = from_model(lambda *, x: math.sin(x), estimates={"x": 0.0}, uncertainties={"x": 0.3}, second_order=True)

    assert [one.name for one in budget.components] == ["x"]
    assert budget.standard_uncertainty == pytest.approx(0.3, rel=1e-4)


def test_second_order_refuses_correlated_inputs() -> None:
    """The formula holds for independent inputs only."""
    with pytest.raises(ValueError, match=r"independent inputs only; use monte_carlo\.propagate instead"):
        from_model(
            lambda *, x, y: x * y,
            estimates={"x": 1.0, "y": 1.0},
            uncertainties={"x": 0.1, "y": 0.1},
            correlations={("x", "y"): 0.1},
            second_order=True,
        )


# ---- refused


@pytest.mark.parametrize(
    ("function", "text"),
    [
        pytest.param(lambda *, x: math.nan * x, r"the model is nan at x = ", id="NaN"),
        pytest.param(lambda *, x: math.inf if x > 2.0 else x, r"the model is inf at x = 2\.0", id="infinite near by"),
        pytest.param(lambda *, x: x + 1j, r"the model returned \(.*j\); accepted: one real number", id="complex"),
        pytest.param(lambda *, x: np.complex128(x), r"the model returned np\.complex128", id="numpy complex"),
        pytest.param(lambda *, x: str(x), "the model returned '2", id="text"),
        pytest.param(lambda *, x: None if x else x, "the model returned None; accepted: one real number", id="None"),
    ],
)
def test_model_results_refused(function: Callable[..., object], text: str) -> None:
    """What is not one real, finite number is no result."""
    with pytest.raises(ValueError, match=text):
        from_model(function, estimates={"x": 2.0}, uncertainties={"x": 0.1})


def test_model_result_of_many_numbers_is_refused() -> None:
    """An array is not one number."""
    with pytest.raises(ValueError, match=r"the model returned array\(.*\); accepted: one real number"):
        from_model(lambda *, x: np.array([x, x]), estimates={"x": 2.0}, uncertainties={"x": 0.1})


@pytest.mark.parametrize(
    ("estimates", "uncertainties", "text"),
    [
        pytest.param({}, {}, "estimates of nothing, uncertainties of nothing; accepted: the same names", id="empty"),
        pytest.param({"x": 1.0}, {"y": 0.1}, "estimates of x, uncertainties of y", id="other names"),
        pytest.param({"x": math.nan}, {"x": 0.1}, "the estimate of 'x' is nan, no finite number", id="NaN"),
        pytest.param({"x": 1.0}, {"x": -0.1}, "component 'x': standard uncertainty -0.1; accepted", id="negative"),
    ],
)
def test_model_inputs_refused(estimates: dict[str, float], uncertainties: dict[str, float], text: str) -> None:
    """Names must match, numbers be finite."""
    with pytest.raises(ValueError, match=text):
        from_model(lambda *, x: x, estimates=estimates, uncertainties=uncertainties)
