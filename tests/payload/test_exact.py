"""Written numbers and rounding, against Python's decimal module."""

from __future__ import annotations

from decimal import ROUND_DOWN, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.payload.exact import ROUNDINGS, Exact, Rounding, exact

decimals = st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-(10**9), max_value=10**9)


@pytest.mark.parametrize(
    "number",
    [0.001, "0.001", Decimal("0.001"), Fraction(1, 1000), np.float64(0.001)],
    ids=["float", "text", "decimal", "fraction", "number of an array"],
)
def test_exact_takes_the_digits_as_written(number: Exact) -> None:
    """0.001 is one thousandth however it was written, not the binary number next to it."""
    assert exact(number) == Fraction(1, 1000)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), "1e99999", "nan"])
def test_exact_not_finite_is_refused(number: Exact) -> None:
    """No number, infinity and absurd powers of ten are refused, at once."""
    with pytest.raises(ValueError, match="is not a finite number"):
        exact(number)


def test_exact_text_without_number_is_refused() -> None:
    """A word is refused and named."""
    with pytest.raises(ValueError, match="'a thousandth' is not a decimal number"):
        exact("a thousandth")


@pytest.mark.parametrize(
    ("word", "mode"),
    [("nearest", ROUND_HALF_UP), ("down", ROUND_FLOOR), ("toward zero", ROUND_DOWN)],
)
@given(number=decimals)
def test_roundings_agree_with_decimal(word: Rounding, mode: str, number: Decimal) -> None:
    """The three roundings are those of decimal: half up in size, floor, down in size (outside: decimal)."""
    assert ROUNDINGS[word](Fraction(number)) == int(number.to_integral_value(rounding=mode))


@pytest.mark.parametrize(("tie", "rounded"), [("0.5", 1), ("-0.5", -1), ("2.5", 3), ("-2.5", -3)])
def test_round_nearest_tie_goes_away_from_zero(tie: str, rounded: int) -> None:
    """A tie goes away from zero, also where Python's own round() goes to the even number."""
    assert ROUNDINGS["nearest"](exact(tie)) == rounded
