"""Arrays of whole numbers that never overflow, and the ways firmware makes counts of a value.

Owns exact arithmetic on many values at once and the rounding rules, right and wrong. Must not know fields by
name or payload bytes. Numbers are int64 while every intermediate result stays below 2**53, else Python's own
whole numbers in an object array: slower, and as exact. 2**53 is the largest size below which every whole number
is a double (IEEE 754), so that one division of two of them rounds once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from fractions import Fraction

    from benchrig.payload.exact import Rounding
    from benchrig.payload.fields import Field

Whole = npt.NDArray[np.int64]
"""Whole numbers; an object array of Python's own stands in for it where 64 bits are too few."""
Truth = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]

_EXACT: Final = 2**53
_LARGEST_CAST: Final = 2.0**62
_WIDEST_BITS: Final = 52


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How a value in a field's unit becomes counts: (value * p - q) / d, and the same in floating point."""

    p: int
    q: int
    d: int
    factor: float
    add: float

    @staticmethod
    def of(field: Field) -> Scale:
        """The scale of a field, exact; `factor` is the inverse of its scale, as firmware multiplies."""
        scale, add = field.exact_scale, field.exact_add
        sign = -1 if scale < 0 else 1
        return Scale(
            p=sign * add.denominator * scale.denominator,
            q=sign * add.numerator * scale.denominator,
            d=sign * add.denominator * scale.numerator,
            factor=float(1 / scale),
            add=float(add),
        )


@dataclass(frozen=True, kw_only=True)
class Amount:
    """Values `above / below` in a field's unit, with `below` positive, about to become counts."""

    above: Whole
    below: Whole
    scale: Scale

    def part(self, rows: npt.NDArray[np.intp]) -> Amount:
        """The same for some rows."""
        return Amount(above=self.above[rows], below=self.below[rows], scale=self.scale)

    @property
    def ratio(self) -> tuple[Whole, Whole]:
        """Counts before rounding, as a fraction with a positive denominator."""
        return self.above * self.scale.p - self.below * self.scale.q, self.below * self.scale.d

    def doubles(self) -> Doubles:
        """The values, each rounded once to a double."""
        return np.asarray(self.above / self.below).astype(np.float64)


def fits_int64(largest: Iterable[int], *, width_bits: int) -> bool:
    """Whether int64 does for intermediate results of these sizes and patterns of this width."""
    return width_bits <= _WIDEST_BITS and max(largest, default=0) < _EXACT


def whole(numbers: Iterable[int], *, small: bool) -> Whole:
    """An array of whole numbers, of int64 when they are known to stay small."""
    return np.array([*numbers], dtype=np.int64 if small else object)


def toward_zero(above: Whole, below: Whole) -> Whole:
    """The whole part of a fraction."""
    size = np.abs(above) // below
    return np.where(above < 0, -size, size)


def nearest(amount: Amount) -> Whole:
    """The nearest count, a tie away from zero."""
    above, below = amount.ratio
    size = (2 * np.abs(above) + below) // (2 * below)
    return np.where(above < 0, -size, size)


def nearest_even(amount: Amount) -> Whole:
    """The nearest count, a tie to the even one, as floating point units round."""
    above, below = amount.ratio
    low = above // below
    twice = 2 * (above - low * below)
    up = (twice > below) | ((twice == below) & (low % 2 == 1))
    return np.where(up, low + 1, low)


def down(amount: Amount) -> Whole:
    """The count below."""
    above, below = amount.ratio
    return above // below


def up(amount: Amount) -> Whole:
    """The count above."""
    above, below = amount.ratio
    return -((-above) // below)


def truncated(amount: Amount) -> Whole:
    """The count toward zero, computed without an error."""
    above, below = amount.ratio
    return toward_zero(above, below)


def truncated_double(amount: Amount) -> Whole:
    """`(int)(value * 1000)` in double precision, which falls short where the product comes out just below."""
    return cast_to_whole((amount.doubles() - amount.scale.add) * amount.scale.factor)


def truncated_single(amount: Amount) -> Whole:
    """The same in single precision."""
    with np.errstate(over="ignore"):  # a value too large for it is infinite there, and a cast takes the end
        value = amount.doubles().astype(np.float32)
        product = (value - np.float32(amount.scale.add)) * np.float32(amount.scale.factor)
    return cast_to_whole(product.astype(np.float64))


def whole_units_first(amount: Amount) -> Whole:
    """The value is a whole number before it is scaled: 12.7 in tenths becomes 120."""
    units = toward_zero(amount.above, amount.below)
    return nearest(Amount(above=units, below=np.ones_like(units), scale=amount.scale))


def last_digit_lost(amount: Amount) -> Whole:
    """Divided by ten and multiplied by ten in whole numbers."""
    counts = nearest(amount)
    return toward_zero(counts, np.full_like(counts, 10)) * 10


def cast_to_whole(values: Doubles) -> Whole:
    """A C cast; beyond 62 bits it takes the end, as processors with saturating casts do."""
    return np.trunc(np.clip(np.nan_to_num(values), -_LARGEST_CAST, _LARGEST_CAST)).astype(np.int64)


def exact_doubles(amount: Amount) -> Doubles:
    """Unrounded counts, for fields that carry a floating point number."""
    above, below = amount.ratio
    return np.asarray(above / below).astype(np.float64)


def single_pattern(values: Doubles) -> Whole:
    """IEEE 754 binary32 bit patterns, rounded to nearest even."""
    with np.errstate(over="ignore"):  # too large is infinity, as in C
        return values.astype(np.float32).view(np.uint32).astype(np.int64)


def half_pattern(values: Doubles) -> Whole:
    """IEEE 754 binary16 bit patterns, rounded to nearest even."""
    with np.errstate(over="ignore"):
        return values.astype(np.float16).view(np.uint16).astype(np.int64)


RIGHT_ROUNDING: Final[Mapping[Rounding, Callable[[Amount], Whole]]] = {
    "nearest": nearest,
    "down": down,
    "toward zero": truncated,
}


def right_counts(field: Field) -> Callable[[Amount], Whole]:
    """The rule by which a right encoder makes the counts, or the bit pattern of a float, of this field."""
    if field.kind == "float32":
        return lambda amount: single_pattern(exact_doubles(amount))
    if field.kind == "float16":
        return lambda amount: half_pattern(exact_doubles(amount))
    return RIGHT_ROUNDING[field.rounding]


def largest_results(scale: Scale, *, above: int, below: int) -> tuple[int, ...]:
    """Sizes of the intermediate results for values up to `above` over up to `below`."""
    return 2 * (above * abs(scale.p) + below * abs(scale.q)) + below * scale.d, 2 * below * scale.d, above


def common_denominator(fractions: Iterable[Fraction]) -> int:
    """The least common denominator."""
    return math.lcm(*(fraction.denominator for fraction in fractions))
