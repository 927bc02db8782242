"""Whole numbers in and out of bytes, at any bit position, width and byte order.

Owns the numbering of bits, which is this. A number begins at byte `offset` and spans as many bytes as `bit`
plus its width need. Those bytes, read in its byte order, are one whole number; `bit` is the place of the
wanted number's least significant bit in it, and bit 0 is the least significant. In a single byte this is the
usual bit number (bit 0 has the value 1). In little-endian order `bit` counts within the first byte of the
span, in big-endian order within the last, because there the least significant bits stand.

Must not know fields, units or meaning.
"""

from __future__ import annotations

from typing import Literal

ByteOrder = Literal["little", "big"]


def span_bytes(width_bits: int, *, bit: int) -> int:
    """Number of bytes touched by `width_bits` bits from bit `bit` (0..7) on."""
    return (bit + width_bits + 7) // 8


def extract(payload: bytes, *, offset: int, width_bits: int, bit: int, byte_order: ByteOrder) -> int:
    """The bits of one number as an unsigned whole number. Raises IndexError beyond the payload."""
    end = offset + span_bytes(width_bits, bit=bit)
    _require_inside(payload, offset, end)
    word = int.from_bytes(payload[offset:end], byte_order)
    return word >> bit & ((1 << width_bits) - 1)


def insert(payload: bytearray, pattern: int, *, offset: int, width_bits: int, bit: int, byte_order: ByteOrder) -> None:
    """Write `pattern` (unsigned, at most `width_bits` wide) and leave every other bit as it was.

    Raises ValueError when the pattern does not fit, IndexError beyond the payload.
    """
    mask = (1 << width_bits) - 1
    if pattern != pattern & mask:
        raise ValueError(f"pattern {pattern} does not fit {width_bits} bits; accepted 0..{mask}")
    size = span_bytes(width_bits, bit=bit)
    _require_inside(payload, offset, offset + size)
    word = int.from_bytes(payload[offset : offset + size], byte_order)
    word = word & ~(mask << bit) | pattern << bit
    payload[offset : offset + size] = word.to_bytes(size, byte_order)


def occupied(*, offset: int, width_bits: int, bit: int, byte_order: ByteOrder) -> frozenset[int]:
    """Absolute bit numbers of one number: 8 times the byte's place plus the bit's number within that byte."""
    last = span_bytes(width_bits, bit=bit) - 1
    places = (divmod(position, 8) for position in range(bit, bit + width_bits))
    if byte_order == "little":
        return frozenset(8 * (offset + byte) + within for byte, within in places)
    return frozenset(8 * (offset + last - byte) + within for byte, within in places)


def as_signed(pattern: int, *, width_bits: int) -> int:
    """A bit pattern read as two's complement."""
    return pattern - (1 << width_bits) if pattern >> (width_bits - 1) else pattern


def as_pattern(number: int, *, width_bits: int) -> int:
    """The two's complement pattern of a whole number that is known to fit."""
    return number & ((1 << width_bits) - 1)


def _require_inside(payload: bytes | bytearray, offset: int, end: int) -> None:
    if offset < 0 or end > len(payload):
        raise IndexError(f"bytes {offset}..{end - 1} asked of a payload of {len(payload)} bytes")
