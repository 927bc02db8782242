"""What firmware does wrong with a number before it is bytes: its unit, its rounding, its width, its sign.

Owns the plausible slips of one numeric field, as tables. Must not know other fields, points or payloads.
The slips are common practice, no source; 273.15 and 9/5 with 32 are the definitions of the kelvin and Fahrenheit
scales (SI brochure, 9th edition; from memory).
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Final

import numpy as np

from benchrig.payload.slips import Affine, Choice, Slip
from benchrig.payload.whole_arrays import (
    down,
    last_digit_lost,
    nearest,
    nearest_even,
    truncated,
    truncated_double,
    truncated_single,
    up,
    whole_units_first,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from benchrig.payload.fields import Field
    from benchrig.payload.slips import Rounding, Rule
    from benchrig.payload.whole_arrays import Whole

FLOAT_KINDS: Final = ("float16", "float32")
_FACTORS: Final = (
    ("10 times too large", Fraction(10), 2),
    ("10 times too small", Fraction(1, 10), 2),
    ("100 times too large", Fraction(100), 2),
    ("100 times too small", Fraction(1, 100), 2),
    ("1000 times too large", Fraction(1000), 2),
    ("1000 times too small", Fraction(1, 1000), 2),
    ("doubled, as by one bit shifted up", Fraction(2), 2),
    ("halved, as by one bit shifted down", Fraction(1, 2), 2),
    ("1024 taken for 1000", Fraction(1024, 1000), 3),
    ("1000 taken for 1024", Fraction(1000, 1024), 3),
)
_COUNTS_ADDED: Final = ((1, 2), (-1, 2), (40, 3), (-40, 3), (50, 3), (100, 3), (128, 3), (256, 4))
_DEGREES_ADDED: Final = ((40, 2), (-40, 2), (50, 3), (100, 3))
_NARROW_BITS: Final = (7, 8, 10, 12, 14, 15, 16, 24, 31, 32)
_FITTED_COST: Final = 4


def value_choices(field: Field, fitted_counts: tuple[int, ...] = ()) -> tuple[Choice[Affine], ...]:
    """Wrong factors and wrong constants; `fitted_counts` are constants that observed bytes suggest."""
    found: dict[tuple[Fraction, Fraction], Choice[Affine]] = {}
    for words, aspect, cost, times, plus in _affine_rows(field, fitted_counts):
        if (times, plus) not in found and not (times == 1 and plus == 0):
            slip = Slip(words=words, aspect=aspect, cost=cost)
            found[times, plus] = Choice(slip=slip, act=Affine(times=times, plus=plus))
    return tuple(found.values())


def _affine_rows(field: Field, fitted_counts: tuple[int, ...]) -> Iterator[tuple[str, str, int, Fraction, Fraction]]:
    one, zero, count, add = Fraction(1), Fraction(0), field.exact_scale, field.exact_add
    for words, times, cost in _FACTORS:
        yield words, "the scale", cost, times, zero
    # the count itself is multiplied, so an added constant takes part
    yield "scale forgotten", "the scale", 2, count, add - add * count
    if add:
        yield "constant forgotten", "the constant", 2, one, add
        yield "constant with the wrong sign", "the constant", 2, one, 2 * add
    if field.unit == "degC":
        yield "sent in kelvins", "the unit", 2, one, Fraction("273.15")
        yield "sent in kelvins, 273 taken", "the unit", 3, one, Fraction(273)
        yield "sent in degrees Fahrenheit", "the unit", 2, Fraction(9, 5), Fraction(32)
        yield "degrees Fahrenheit without the 32", "the unit", 4, Fraction(9, 5), zero
        for degrees, cost in _DEGREES_ADDED:
            yield f"{degrees:+d} degC added", "the constant", cost, one, Fraction(degrees)
    for counts, cost in (*_COUNTS_ADDED, *((fitted, _FITTED_COST) for fitted in fitted_counts)):
        if counts % (1 << (field.width_bits - 1)):  # a whole turn changes nothing, half a turn is offset binary
            yield f"{counts:+d} count{'s' if abs(counts) > 1 else ''} added", "the constant", cost, one, counts * count


def rounding_choices(field: Field) -> tuple[Choice[Rounding], ...]:
    """Wrong ways to a whole count; none for a field that carries a floating point number."""
    if field.kind in FLOAT_KINDS:
        return ()
    right: dict[str, Rounding] = {"nearest": nearest, "down": down, "toward zero": truncated}
    rows: list[tuple[Rounding, str, int]] = [
        (truncated, "cut off toward zero", 1),
        (truncated_double, "multiplied in double precision and cut off", 1),
        (truncated_single, "multiplied in single precision and cut off", 1),
        (down, "rounded down", 2),
        (nearest, "rounded to nearest", 2),
        (nearest_even, "a half rounded to the even count", 3),
        (up, "rounded up", 3),
        (last_digit_lost, "last decimal digit lost", 3),
    ]
    if field.exact_scale != 1:
        rows.append((whole_units_first, f"whole {field.unit} before it is scaled", 2))
    return tuple(
        Choice(slip=Slip(words=words, aspect="the rounding", cost=cost), act=rule)
        for rule, words, cost in rows
        if rule is not right[field.rounding]
    )


def width_choices(field: Field) -> tuple[Choice[Rule], ...]:
    """Counts kept in fewer bits than the field has, wrapping or stopping at an end."""
    if field.kind in FLOAT_KINDS:
        return ()
    low, high = field.raw_limits
    slip = Slip(words="stops at the ends of the field", aspect="the width", cost=1)
    stops: Choice[Rule] = Choice(slip=slip, act=_stopping(low, high), alone=False)
    return (stops, *_narrow(field))


def _narrow(field: Field) -> Iterator[Choice[Rule]]:
    rows: list[tuple[str, int, Rule]] = []
    for bits in _NARROW_BITS:
        if bits < field.width_bits:
            cost = 2 if bits % 8 == 0 else 3
            rows.append((f"cut to its low {bits} bits", cost, _cut(bits)))
            if (1 << bits) - 1 < field.raw_limits[1]:
                rows.append((f"stops at {(1 << bits) - 1} counts", cost, _stopping_above((1 << bits) - 1)))
            if field.kind == "signed":
                rows.append((f"kept in {bits} signed bits and wraps", cost, _cut_signed(bits)))
                stops = _stopping(-(1 << (bits - 1)), (1 << (bits - 1)) - 1)
                rows.append((f"stops at the ends of {bits} signed bits", cost, stops))
    for words, cost, rule in rows:
        yield Choice(slip=Slip(words=words, aspect="the width", cost=cost), act=rule)


def code_choices(field: Field) -> tuple[Choice[Rule], ...]:
    """Wrong ways to write a whole count as bits, foremost a negative one."""
    if field.kind in FLOAT_KINDS:
        return ()
    bits = field.width_bits
    half = 1 << (bits - 1)
    rows: list[tuple[str, str, int, Callable[[Whole], Whole]]] = [
        ("with the opposite sign", "the sign", 3, np.negative),
        (f"{half} counts added, as offset binary", "the number code", 3, lambda counts: counts + half),
        ("as decimal digits of four bits", "the number code", 4, _decimal_digits),
    ]
    if field.kind == "signed":
        rows += [
            ("negative numbers sent as 0", "the sign", 1, lambda counts: np.where(counts < 0, 0, counts)),
            ("sign lost", "the sign", 1, np.abs),
            ("sign and magnitude", "the sign", 2, lambda counts: np.where(counts < 0, half - counts, counts)),
            ("ones' complement", "the sign", 3, lambda counts: np.where(counts < 0, counts - 1, counts)),
        ]
        rows += [
            (
                f"negative numbers keep their low {narrow} bits only, sign not extended",
                "the sign",
                2,
                _not_extended(narrow),
            )
            for narrow in (8, 16)
            if narrow < bits
        ]
    return tuple(
        Choice(slip=Slip(words=words, aspect=aspect, cost=cost), act=_numbers_only(change))
        for words, aspect, cost, change in rows
    )


def _numbers_only(change: Callable[[Whole], Whole]) -> Rule:
    return lambda counts, is_word: np.where(is_word, counts, change(counts))


def _cut(bits: int) -> Rule:
    return lambda counts, _: counts & ((1 << bits) - 1)


def _cut_signed(bits: int) -> Rule:
    half = 1 << (bits - 1)
    return lambda counts, _: ((counts + half) & (2 * half - 1)) - half


def _stopping(low: int, high: int) -> Rule:
    return lambda counts, _: np.where(counts < low, low, np.where(counts > high, high, counts))


def _stopping_above(high: int) -> Rule:
    return lambda counts, _: np.where(counts > high, high, counts)


def _not_extended(bits: int) -> Callable[[Whole], Whole]:
    mask = (1 << bits) - 1
    return lambda counts: np.where(counts < 0, counts & mask, counts)


def _decimal_digits(counts: Whole) -> Whole:
    """Binary coded decimal of the size, at most sixteen digits."""
    rest, coded = np.abs(counts), np.zeros_like(counts)
    for digit in range(16):
        coded = coded + (rest % 10 << 4 * digit)
        rest = rest // 10
    return coded
