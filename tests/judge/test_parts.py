"""Causes of uncertainty as a record keeps them, and what two readings of one instrument share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.judge.belief import believed
from benchrig.judge.parts import budget_of, components_of, difference_u, parts_of
from benchrig.judge.uncertainty import AccuracyTerms, Component
from benchrig.records import Part

if TYPE_CHECKING:
    from collections.abc import Sequence

VALUES = st.floats(-1e3, 1e3).filter(lambda value: value == 0.0 or abs(value) > 1e-6)


class Stated(NamedTuple):
    """A reading and its causes."""

    standard_uncertainty: float
    parts: tuple[Part, ...]


def read(value: float, **terms: float) -> Stated:
    found = believed([value], range_=10.0, terms=AccuracyTerms(**terms))  # type: ignore[arg-type]
    return Stated(found.standard_uncertainty, found.parts)


def test_gum_5_2_2_the_same_standard_in_every_comparison() -> None:
    """Ten resistors of 1000 ohm against one standard of u = 100 milliohm: their sum has 1 ohm, their difference none.

    GUM (JCGM 100:2008) 5.2.2, example; from memory. The difference of two of them follows from its formula.
    """
    resistor = Stated(0.1, (Part(name="of reading", standard_uncertainty=1e-4, sensitivity=1000.0, shape="normal"),))

    assert difference_u(resistor, resistor) == pytest.approx(0.0, abs=1e-9)
    assert difference_u(resistor, Stated(0.1, ())) == pytest.approx(0.1 * math.sqrt(2.0))


@given(first=VALUES, second=VALUES)
def test_common_gain_leaves_that_of_the_difference(first: float, second: float) -> None:
    """A gain error alone is worth in a difference what it is worth in a reading of that size."""
    found = difference_u(read(first, of_reading=1e-3), read(second, of_reading=1e-3))

    assert found == pytest.approx(1e-3 / math.sqrt(3.0) * abs(first - second), rel=1e-6, abs=1e-6)


@given(first=VALUES, second=VALUES, gain=st.floats(0.0, 0.1), floor=st.floats(0.0, 1.0))
def test_difference_lies_between_all_common_and_all_added(
    first: float, second: float, gain: float, floor: float
) -> None:
    """Never below what is not common, never above the sum of both uncertainties."""
    one, other = (read(value, of_reading=gain, floor=floor) for value in (first, second))
    alone = floor / math.sqrt(3.0) * math.sqrt(2.0)

    assert alone - 1e-6 <= difference_u(one, other) <= one.standard_uncertainty + other.standard_uncertainty + 1e-6


def test_causes_come_back_from_a_record() -> None:
    """What a record keeps makes the same budget; a cause that contributes nothing is not kept."""
    causes: Sequence[Component] = [
        Component("of reading", standard_uncertainty=1e-4, sensitivity=3.3, shape="rectangular"),
        Component("repeats", standard_uncertainty=2e-4, dof=9.0),
        Component("nothing", standard_uncertainty=0.0),
    ]

    kept = parts_of(causes)

    assert components_of(kept) == tuple(causes[:2])
    budget = budget_of(kept, unit="V", value=3.3)
    assert budget is not None
    assert budget.standard_uncertainty == pytest.approx(math.hypot(3.3e-4, 2e-4))
    assert budget_of((), unit="V") is None


def test_part_of_no_known_shape_is_refused() -> None:
    """A journal by another hand: the shape is named with those that there are."""
    with pytest.raises(ValueError, match=r"part 'odd': shape 'round'; accepted: normal"):
        components_of([Part(name="odd", standard_uncertainty=1.0, sensitivity=1.0, shape="round")])
