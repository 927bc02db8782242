"""Numbers as they were written: a decimal text or a float becomes the exact fraction of its digits.

Owns the step from 0.001 in a file to 1/1000, and the rounding words of a field. Must not know fields or
bytes. 3554 counts of 0.001 V are then 3.554 V exactly as `float("3.554")`, and a tie is a tie.
"""

from __future__ import annotations

import math
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

Exact = int | float | str | Decimal | Fraction
"""What a number may be written as; a float stands for its shortest decimal text."""

Rounding = Literal["nearest", "down", "toward zero"]

_LARGEST_POWER: Final = 400  # beyond every double; 1e999999999 as a fraction would fill the memory


def exact(number: Exact) -> Fraction:
    """The exact fraction a number was written as. Raises ValueError when it is no finite number."""
    if isinstance(number, Fraction):
        return number
    try:
        # float.__repr__ and not repr(): a number of an array library prints its type as well
        decimal = Decimal(float.__repr__(number) if isinstance(number, float) else number)
    except InvalidOperation:
        raise ValueError(f"{number!r} is not a decimal number") from None
    if not decimal.is_finite() or (decimal and abs(decimal.adjusted()) > _LARGEST_POWER):
        raise ValueError(f"{number!r} is not a finite number")
    return Fraction(decimal)


def round_nearest(number: Fraction) -> int:
    """The nearest whole number; a tie goes away from zero, as a C programmer's round() does."""
    size = math.floor(abs(number) + Fraction(1, 2))
    return size if number >= 0 else -size


ROUNDINGS: Final[Mapping[Rounding, Callable[[Fraction], int]]] = {
    "nearest": round_nearest,
    "down": math.floor,  # toward minus infinity, as an arithmetic shift does
    "toward zero": math.trunc,  # as a C cast from floating point to integer does
}
