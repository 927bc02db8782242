"""Uncertainty of readings. GUM is JCGM 100:2008."""

from __future__ import annotations

import math
import statistics
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judge.uncertainty import AccuracyTerms, combine, effective_dof, expanded, standard_uncertainty

if TYPE_CHECKING:
    from collections.abc import Callable

# GUM H.1, in nanometre: (standard uncertainty, degrees of freedom). Inputs and u seen in a second file, dof and
# U99 from memory; all recomputed.
GUM_H1 = ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0))


def test_effective_dof_of_gum_h1() -> None:
    """GUM H.1: 16.7 effective degrees of freedom (printed inputs are rounded, hence 0.1), that is 16 whole ones."""
    assert math.hypot(*(u for u, _ in GUM_H1)) == pytest.approx(31.7, abs=0.05)
    assert effective_dof(GUM_H1) == pytest.approx(16.7, abs=0.1)
    assert math.floor(effective_dof(GUM_H1)) == 16


def test_expanded_of_gum_h1() -> None:
    """GUM H.1: t99(16) = 2.92 and U99 = 93 nm."""
    uncertainty, k = expanded(31.7, dof=16, coverage=0.99)

    assert k == pytest.approx(2.92, abs=0.005)
    assert uncertainty == pytest.approx(93, abs=0.5)


def test_quantisation_is_0_288675_of_a_step() -> None:
    """A resolution of q alone is u = q/√12 = 0.288675 q (IEEE 1241, from memory; arithmetic)."""
    u = standard_uncertainty(1.0, range_=10.0, terms=AccuracyTerms(resolution=0.001))

    assert u == pytest.approx(0.288675e-3, rel=1e-5)


@pytest.mark.parametrize(
    ("terms", "half_width"),
    [
        pytest.param(AccuracyTerms(of_reading=0.01), 0.05, id="of reading"),
        pytest.param(AccuracyTerms(of_range=0.01), 0.1, id="of range"),
        pytest.param(AccuracyTerms(floor=0.2), 0.2, id="floor"),
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_each_term_is_rectangular(terms: AccuracyTerms, half_width: float, sign: float) -> None:
    """A half width a is u = a/√3 (GUM 4.3.7), taken on 5 V of a 10 V range, either sign."""
    u = standard_uncertainty(sign * 5.0, range_=10.0, terms=terms)

    assert u == pytest.approx(half_width / 3**0.5, rel=1e-12)


def test_terms_add_like_independent_errors() -> None:
    """The terms together match the scatter of 400 000 simulated readings with all four errors."""
    terms = AccuracyTerms(of_reading=0.002, of_range=0.001, resolution=0.02, floor=0.005)
    rng = np.random.default_rng(5)
    n = 400_000
    simulated = 4.0 * rng.uniform(-0.002, 0.002, n) + 10.0 * rng.uniform(-0.001, 0.001, n)
    simulated += rng.uniform(-0.01, 0.01, n) + rng.uniform(-0.005, 0.005, n)

    u = standard_uncertainty(4.0, range_=10.0, terms=terms)

    assert u == pytest.approx(float(simulated.std()), rel=0.005)


def test_combine_of_a_known_series() -> None:
    """Mean and type A agree with the statistics module, type B adds in quadrature."""
    readings = [3.7001, 3.6998, 3.7004, 3.7001, 3.6995]

    mean, u, n, dof = combine(readings, type_b=2e-4)

    type_a = statistics.stdev(readings) / 5**0.5
    assert mean == pytest.approx(statistics.mean(readings), rel=1e-15)
    assert u == pytest.approx((type_a**2 + 2e-4**2) ** 0.5, rel=1e-12)
    assert n == 5
    assert dof == pytest.approx(4 * (u / type_a) ** 4, rel=1e-12)


def test_combine_without_type_b_keeps_n_minus_1() -> None:
    """With scatter alone the degrees of freedom are n - 1."""
    assert combine([1.0, 2.0, 4.0], type_b=0.0).dof == pytest.approx(2.0, rel=1e-12)


@pytest.mark.parametrize("readings", [[2.5], [2.5, 2.5, 2.5]], ids=["single", "no scatter"])
def test_combine_without_scatter_is_type_b(readings: list[float]) -> None:
    """Without scatter the type B uncertainty stands alone, exactly known."""
    assert combine(readings, type_b=0.1) == (2.5, 0.1, len(readings), math.inf)


@settings(deadline=None)
@given(
    readings=st.lists(st.floats(min_value=-1e3, max_value=1e3), min_size=2, max_size=30),
    type_b=st.floats(min_value=0, max_value=1e3),
    scale=st.sampled_from([1e-9, 1e-100, 1e6]),
)
def test_combine_does_not_depend_on_the_unit(readings: list[float], type_b: float, scale: float) -> None:
    """Nanoamperes keep the degrees of freedom that amperes have: no fourth power vanishes."""
    here = combine(readings, type_b=type_b)
    there = combine([scale * reading for reading in readings], type_b=scale * type_b)

    if here.standard_uncertainty > 1e-9:
        assert there.standard_uncertainty == pytest.approx(scale * here.standard_uncertainty, rel=1e-6)
        assert min(there.dof, 1e9) == pytest.approx(min(here.dof, 1e9), rel=1e-3)


@settings(deadline=None)
@given(
    readings=st.lists(st.floats(min_value=-1e3, max_value=1e3), min_size=2, max_size=30),
    type_b=st.floats(min_value=0, max_value=1e3),
)
def test_combined_uncertainty_is_at_least_type_b(readings: list[float], type_b: float) -> None:
    """More readings never talk the instrument's own accuracy away, and dof never fall below n - 1."""
    combined = combine(readings, type_b=type_b)

    assert combined.standard_uncertainty >= type_b
    assert combined.dof >= (len(readings) - 1) * (1 - 1e-9)


@pytest.mark.parametrize(
    ("readings", "type_b", "text"),
    [
        pytest.param([], 0.1, "no readings to combine", id="empty"),
        pytest.param([1.0, math.nan], 0.1, "reading 2 of 2 is nan, no finite number", id="NaN"),
        pytest.param([math.inf], 0.1, "reading 1 of 1 is inf, no finite number", id="infinity"),
        pytest.param([1.0], -0.1, "type B standard uncertainty is -0.1", id="negative"),
        pytest.param([1.0], math.nan, "type B standard uncertainty is nan", id="NaN type B"),
    ],
)
def test_combine_refuses_what_is_no_reading(readings: list[float], type_b: float, text: str) -> None:
    """What cannot be combined is named."""
    with pytest.raises(ValueError, match=text):
        combine(readings, type_b=type_b)


@pytest.mark.parametrize(
    ("term", "build"),
    [
        ("of_reading", lambda value: AccuracyTerms(of_reading=value)),
        ("of_range", lambda value: AccuracyTerms(of_range=value)),
        ("resolution", lambda value: AccuracyTerms(resolution=value)),
        ("floor", lambda value: AccuracyTerms(floor=value)),
    ],
)
@pytest.mark.parametrize("value", [-1e-9, math.nan, math.inf])
def test_accuracy_terms_refuse_nonsense(term: str, build: Callable[[float], AccuracyTerms], value: float) -> None:
    """An accuracy below 0 or not finite is refused by name and value."""
    with pytest.raises(ValueError, match=f"accuracy term {term} is {value!r}; accepted: a finite number from 0 up"):
        build(value)


@pytest.mark.parametrize(("value", "range_"), [(math.nan, 1.0), (1.0, math.inf)])
def test_standard_uncertainty_refuses_no_number(value: float, range_: float) -> None:
    """A reading that is no number has no uncertainty."""
    with pytest.raises(ValueError, match="both must be finite"):
        standard_uncertainty(value, range_=range_, terms=AccuracyTerms())


def test_expanded_with_infinite_dof_is_twice() -> None:
    """k is 2.00 for 95.45 % and infinite degrees of freedom (GUM Table G.1 prints 2 for 95.45 %)."""
    uncertainty, k = expanded(0.5, dof=math.inf)

    assert k == pytest.approx(2.0, abs=1e-12)
    assert uncertainty == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("dof", "k"), [(2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)])
def test_expanded_coverage_factors(dof: float, k: float) -> None:
    """k at 95.45 % as in GUM Table G.2 (recomputed quantity, table not seen)."""
    assert expanded(1.0, dof=dof)[1] == pytest.approx(k, abs=0.005)


@pytest.mark.parametrize("standard", [-1.0, math.nan, math.inf])
def test_expanded_refuses_nonsense(standard: float) -> None:
    """A standard uncertainty below 0 or not finite is refused by value."""
    with pytest.raises(ValueError, match=f"the standard uncertainty is {standard!r}"):
        expanded(standard, dof=10)


@pytest.mark.parametrize("component", [(-1.0, 2.0), (1.0, 0.0), (1.0, math.nan), (math.nan, 2.0)])
def test_effective_dof_refuses_nonsense(component: tuple[float, float]) -> None:
    """A component that is no uncertainty with degrees of freedom is refused by value."""
    with pytest.raises(ValueError, match="component with standard uncertainty"):
        effective_dof(((1.0, 3.0), component))


def test_effective_dof_of_nothing_uncertain_is_infinite() -> None:
    """When nothing is uncertain, nothing limits the degrees of freedom."""
    assert effective_dof(((0.0, 3.0), (0.0, 1.0))) == math.inf
