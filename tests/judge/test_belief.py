"""Readings with every cause of their uncertainty, and the way of these causes into a record and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.judge.belief import believed
from benchrig.judge.parts import budget_of, components_of, parts_of
from benchrig.judge.uncertainty import SHAPES, AccuracyTerms, Component, Conditions
from benchrig.records import Part

TERMS = AccuracyTerms(of_reading=3.5e-5, of_range=7e-6, resolution=1e-6)

components = st.builds(
    Component,
    st.text(min_size=1, max_size=8).filter(str.strip),
    standard_uncertainty=st.floats(1e-12, 1e3),
    sensitivity=st.floats(-1e3, 1e3).filter(bool),
    dof=st.one_of(st.just(math.inf), st.floats(1.0, 1e6)),
    shape=st.sampled_from(SHAPES),
)


def test_one_reading_has_the_stated_accuracy_alone() -> None:
    """A single reading shows no scatter; its causes are those of the instrument (GUM 4.3.7: half width by root 3)."""
    found = believed([3.3], range_=10.0, terms=TERMS)

    assert [part.name for part in found.parts] == ["of reading", "of range", "resolution"]
    assert found.standard_uncertainty == pytest.approx(math.hypot(3.3 * 3.5e-5, 10 * 7e-6, 0.5e-6) / math.sqrt(3))


def test_repeats_add_their_scatter() -> None:
    """The mean of readings carries the scatter with its degrees of freedom (GUM 4.2.3)."""
    found = believed([1.0, 1.2, 1.1, 1.3], range_=10.0, terms=AccuracyTerms())
    (scatter,) = found.parts

    assert found.mean == pytest.approx(1.15)
    assert (scatter.name, scatter.dof) == ("repeats", 3.0)
    assert found.standard_uncertainty == pytest.approx(math.sqrt(0.05 / 3) / 2)


def test_conditions_are_asked_for() -> None:
    """A term that needs to know the room is not quietly left out."""
    terms = AccuracyTerms(of_reading_per_k=1e-5)

    with pytest.raises(ValueError, match=r"ambient_c of the reading is not known"):
        believed([1.0], range_=1.0, terms=terms)
    assert believed([1.0], range_=1.0, terms=terms, conditions=Conditions(ambient_c=38.0)).standard_uncertainty > 0.0


@pytest.mark.parametrize("values", [pytest.param([], id="none"), pytest.param([math.nan], id="no number")])
def test_no_readings(values: list[float]) -> None:
    """Nothing, and what is no number, is believed by nobody."""
    with pytest.raises(ValueError, match=r"must be finite"):
        believed(values, range_=1.0, terms=TERMS)


@given(st.lists(components, min_size=1, max_size=6, unique_by=lambda one: one.name))
def test_a_record_keeps_the_budget(causes: list[Component]) -> None:
    """Components survive the way through a record, and their budget with them."""
    kept = parts_of(causes)
    budget = budget_of(kept, unit="V", value=1.0)

    assert components_of(kept) == tuple(causes)
    assert budget is not None
    assert budget.standard_uncertainty == pytest.approx(math.hypot(*(one.contribution for one in causes)))


def test_no_causes_no_budget() -> None:
    """A value whose causes are not known has no budget, rather than one of zero."""
    assert budget_of((), unit="V") is None


def test_a_part_of_no_shape_is_refused() -> None:
    """A record of another hand cannot smuggle in a shape that nobody can reckon with."""
    with pytest.raises(ValueError, match=r"part 'x': shape 'square'; accepted: normal, rectangular"):
        components_of([Part(name="x", standard_uncertainty=1.0, shape="square")])
