"""Where the bits of a payload of one length stand, and how many payloads are written at once.

Owns byte arrays: one row of bytes for each encoder and point. Must not know values or slips. Bits are numbered
as `benchrig.payload.bits` says; the check value's bytes stay zero in a body, they are looked at apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from benchrig.payload.bits import ByteOrder, occupied, span_bytes
from benchrig.payload.crc import find_crc

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.fields import Placed
    from benchrig.payload.whole_arrays import Whole

Bytes = npt.NDArray[np.uint8]
_BYTE: Final = 0xFF


@dataclass(frozen=True, kw_only=True)
class Spot:
    """Place of a bit pattern: first byte, place of its least significant bit, byte order."""

    offset: int
    bit: int
    order: ByteOrder


@dataclass(frozen=True, eq=False)
class Layout:
    """A field map at one payload length: its fields in order, and the bits that each of them owns."""

    field_map: FieldMap
    length: int
    placed: tuple[Placed, ...]
    homes: Bytes
    check: Bytes

    @staticmethod
    def of(field_map: FieldMap, length: int) -> Layout:
        """The layout of payloads of `length` bytes."""
        placed = field_map.placed(length)
        homes = [_mask(one.field.occupied(start=one.offset - one.field.offset), length) for one in placed]
        return Layout(
            field_map,
            length,
            placed,
            np.array(homes, dtype=np.uint8).reshape(len(placed), length),
            _check_mask(field_map, length),
        )

    def home(self, places: Iterable[int]) -> Bytes:
        """The bits that these fields own."""
        return either(self.homes[[*places]])

    def spot(self, place: int) -> Spot:
        """Where a field stands when it is right."""
        one = self.placed[place]
        return Spot(offset=one.offset, bit=one.field.bit, order=one.field.order)

    def is_inside(self, spot: Spot, width_bits: int) -> bool:
        """Whether a number at this spot lies within the payload."""
        return spot.offset >= 0 and spot.offset + span_bytes(width_bits, bit=spot.bit) <= self.length


def either(masks: Bytes) -> Bytes:
    """The bits that stand in any of the masks, the first axis."""
    return np.asarray(np.bitwise_or.reduce(masks, axis=0, initial=0), dtype=np.uint8)


def spot_mask(spot: Spot, width_bits: int, length: int) -> Bytes:
    """The bits that a number at this spot takes."""
    bits = occupied(offset=spot.offset, width_bits=width_bits, bit=spot.bit, byte_order=spot.order)
    return _mask(bits, length)


def laid_out(patterns: Whole, spot: Spot, *, width_bits: int, length: int) -> Bytes:
    """Bodies that are zero but for these patterns: one more axis, of bytes. The spot is inside."""
    body = np.zeros((*patterns.shape, length), dtype=np.uint8)
    size = span_bytes(width_bits, bit=spot.bit)
    moved = _unsigned(patterns, width_bits)
    low = moved << np.uint64(spot.bit)  # what leaves 64 bits at the top is the ninth byte
    for index in range(size):
        at = spot.offset + (index if spot.order == "little" else size - 1 - index)
        word = low >> np.uint64(8 * index) if index < 8 else moved >> np.uint64(64 - spot.bit)
        body[..., at] = (word & np.uint64(_BYTE)).astype(np.uint8)
    return body


def _unsigned(patterns: Whole, width_bits: int) -> npt.NDArray[np.uint64]:
    mask = (1 << width_bits) - 1
    return (patterns & mask).astype(np.uint64)


def _mask(bits: Iterable[int], length: int) -> Bytes:
    mask = np.zeros(length, dtype=np.uint8)
    for bit in bits:
        mask[bit // 8] |= 1 << bit % 8
    return mask


def _check_mask(field_map: FieldMap, length: int) -> Bytes:
    mask = np.zeros(length, dtype=np.uint8)
    if field_map.crc is not None:
        start = field_map.crc.start(length)
        mask[start : start + find_crc(field_map.crc.name).width_bytes] = _BYTE
    return mask
