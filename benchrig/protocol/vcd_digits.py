"""Decimal numbers out of a text, many at once: eight digits in each step of a 64 bit word. Knows no file form.

Own arithmetic: eight ASCII digits in a little-endian word become pairs, then fours, then one number of eight.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Indexes = npt.NDArray[np.intp]
    Words = npt.NDArray[np.uint64]

MOST_DIGITS = 18
"""What 64 bits hold for sure."""

_U = np.uint64
_ZEROS, _HIGH, _SIX = _U(0x3030303030303030), _U(0xF0F0F0F0F0F0F0F0), _U(0x0606060606060606)
_PAIRS, _FOURS, _EIGHT = _U(0x00FF00FF00FF00FF), _U(0x0000FFFF0000FFFF), _U(0xFFFFFFFF)
_LAST = np.array([((1 << 64) - 1) ^ ((1 << (8 * (8 - count))) - 1) for count in range(9)], np.uint64)
"""Keeps the last so many characters of eight: they stand in the upper bytes."""


def read_numbers(
    data: bytes, *, ends: Indexes, lengths: Indexes
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """The numbers of so many digits before these ends, up to MOST_DIGITS, and whether they are numbers at all."""
    numbers = np.zeros(ends.size, np.uint64)
    wrong = np.zeros(ends.size, np.uint64)
    longest = int(lengths.max(initial=0))
    padded = b"0" * 24 + data  # so that eight characters stand before each digit
    views: Words = np.ndarray((len(padded) - 7,), "<u8", padded, strides=(1,))
    for done in range(0, longest, 8):
        eight = views[ends + (16 - done)] ^ _ZEROS
        eight &= _LAST[np.clip(lengths - done, 0, 8)] if lengths.size and lengths.min() < done + 8 else _LAST[8]
        wrong |= (eight | (eight + _SIX)) & _HIGH
        numbers += _value(eight) * _U(10**done)
    return numbers.view(np.int64), wrong == 0


def _value(eight: Words) -> Words:
    pairs = (eight * _U(10) + (eight >> _U(8))) & _PAIRS
    fours = (pairs * _U(100) + (pairs >> _U(16))) & _FOURS
    found: Words = (fours * _U(10000) + (fours >> _U(32))) & _EIGHT
    return found
