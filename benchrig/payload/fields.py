"""The parts of a field map as value objects: a field, a repeating group, a check value.

Owns what can be said about a place in a payload. A part alone is not checked: `benchrig.payload.checks` looks
at all of them together, so that one message tells every problem of a map. Must not know ports or transport.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final, Literal

from benchrig.payload.bits import ByteOrder, occupied, span_bytes
from benchrig.payload.exact import Exact, Rounding, exact

if TYPE_CHECKING:
    from collections.abc import Mapping
    from fractions import Fraction

Kind = Literal["unsigned", "signed", "float16", "float32", "flags", "bool"]
Count = int | Literal["to end"]

TO_END: Final = "to end"
FLOAT_WIDTHS: Final[Mapping[str, int]] = {"float16": 16, "float32": 32}


@dataclass(frozen=True, kw_only=True)
class Field:
    """One number in a payload. Its value is `raw * scale + add`, in `unit`, a base unit.

    `offset` is in bytes, from the start of the payload or of the group member. `bit` (0..7) is the place of
    the least significant bit, numbered as `benchrig.payload.bits` says: bit 0 is the least significant of the
    byte. `byte_order` must be stated when the field touches more than one byte. `invalid` maps a bit pattern
    to a word ("no probe"); `flags` maps a bit of the field to a name. `rounding` is how the board makes whole
    counts: "nearest" (a tie away from zero), "down" (toward minus infinity) or "toward zero".
    """

    name: str
    offset: int
    width_bits: int
    kind: Kind
    bit: int = 0
    byte_order: ByteOrder | None = None
    scale: Exact = 1
    add: Exact = 0
    unit: str = "1"
    invalid: Mapping[int, str] = field(default_factory=dict, hash=False)
    flags: Mapping[int, str] = field(default_factory=dict, hash=False)
    rounding: Rounding = "nearest"

    def __post_init__(self) -> None:
        # own copies: a caller's dict that changes later must not change what was checked
        object.__setattr__(self, "invalid", dict(self.invalid))
        object.__setattr__(self, "flags", dict(self.flags))

    @property
    def order(self) -> ByteOrder:
        """The byte order, where a field within one byte has no need of one."""
        return self.byte_order or "big"

    @property
    def size_bytes(self) -> int:
        """Number of bytes the field touches."""
        return span_bytes(self.width_bits, bit=self.bit)

    @property
    def raw_limits(self) -> tuple[int, int]:
        """Least and greatest whole number that the width can carry; for a float kind, of its pattern."""
        if self.kind == "signed":
            return -(1 << (self.width_bits - 1)), (1 << (self.width_bits - 1)) - 1
        return 0, 1 if self.kind == "bool" else (1 << self.width_bits) - 1

    @cached_property
    def exact_scale(self) -> Fraction:
        """The scale as it was written."""
        return exact(self.scale)

    @cached_property
    def exact_add(self) -> Fraction:
        """The added constant as it was written, in `unit`."""
        return exact(self.add)

    @cached_property
    def ratio(self) -> tuple[int, int, int]:
        """Whole numbers p, q, d with value = (raw * p + q) / d, which Python divides with one rounding."""
        scale, add = self.exact_scale, self.exact_add
        return (
            scale.numerator * add.denominator,
            add.numerator * scale.denominator,
            scale.denominator * add.denominator,
        )

    def occupied(self, *, start: int = 0) -> frozenset[int]:
        """Absolute numbers of the bits it owns, when its offsets count from byte `start`."""
        return occupied(offset=start + self.offset, width_bits=self.width_bits, bit=self.bit, byte_order=self.order)


@dataclass(frozen=True, kw_only=True)
class Group:
    """Fields that repeat every `stride_bytes` from byte `offset` on; field offsets count from the member.

    `count` is the number of members, or "to end" for as many whole members as the payload has room for.
    """

    name: str
    offset: int
    stride_bytes: int
    count: Count
    fields: tuple[Field, ...]


@dataclass(frozen=True, kw_only=True)
class Crc:
    """A check value in the payload.

    A negative `offset` counts from the end of the payload, and so does a negative end in `covers`, which is
    (first byte, byte after the last). `byte_order` must be stated when the value has more than one byte.
    """

    name: str
    offset: int
    covers: tuple[int, int]
    byte_order: ByteOrder | None = None

    def start(self, length_bytes: int) -> int:
        """Byte where the check value begins in a payload of this length."""
        return self.offset if self.offset >= 0 else length_bytes + self.offset

    def covered(self, length_bytes: int) -> tuple[int, int]:
        """First covered byte and the byte after the last, in a payload of this length."""
        first, end = self.covers
        return first, end if end >= 0 else length_bytes + end


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A field with its full name, such as `bale[0].temperature`, and the byte its offset lands on."""

    name: str
    field: Field
    offset: int

    @property
    def end(self) -> int:
        """The byte after the last one it touches."""
        return self.offset + self.field.size_bytes
