"""Wrong check values: another algorithm, other bytes covered, another order, another moment, a constant.

Owns the family of the check value over given bodies. Must not know how the bodies came about: a check value can
be right over wrong bytes and wrong over right ones, so the two are looked at apart. Algorithms and their names
are those of `benchrig.payload.crc`; plain sum and exclusive-or are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from benchrig.payload.crc import CATALOGUE, CrcAlgorithm, compute_crc, find_crc
from benchrig.payload.slips import CHECK_VALUE, Mutant, Slip

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.payload.bits import ByteOrder
    from benchrig.payload.field_mutants import Rows
    from benchrig.payload.layout import Bytes, Layout
    from benchrig.payload.points import PointTable
    from benchrig.payload.whole_arrays import Truth

_Registers = npt.NDArray[np.uint64]
SUM: Final = "sum"
EXCLUSIVE_OR: Final = "exclusive-or"
_ASPECT: Final = "the algorithm"
_COVERED: Final = "which bytes {} covers"


@dataclass(frozen=True, kw_only=True)
class Check:
    """One way to make a check value; `method` is a CRC, "sum", "exclusive-or" or a constant."""

    method: CrcAlgorithm | str | int
    first: int
    end: int
    size: int
    order: ByteOrder
    final_xor: int = 0
    is_previous: bool = False
    is_over_right: bool = False

    def values(self, bodies: Bytes) -> Bytes:
        """The check bytes over bodies; the last axis is of bytes."""
        register = self._register(bodies[..., self.first : self.end]) ^ np.uint64(self.final_xor)
        places = range(self.size) if self.order == "little" else reversed(range(self.size))
        shifts = np.array([8 * place for place in places], dtype=np.uint64)
        return (register[..., None] >> shifts & np.uint64(0xFF)).astype(np.uint8)

    def _register(self, data: Bytes) -> _Registers:
        if isinstance(self.method, CrcAlgorithm):
            return crc_values(self.method, data)
        if isinstance(self.method, int):
            return np.full(data.shape[:-1], self.method, dtype=np.uint64)
        wide = data.astype(np.uint64)
        return np.asarray(wide.sum(axis=-1) if self.method == SUM else np.bitwise_xor.reduce(wide, axis=-1))


@dataclass(frozen=True, eq=False)
class CheckPart:
    """The wrong check values of one layout, and the right one."""

    layout: Layout
    right: Check
    variants: tuple[tuple[tuple[Slip, ...], Check], ...]
    name: str = field(default=CHECK_VALUE)

    @property
    def size(self) -> int:
        """Number of wrong encoders."""
        return len(self.variants)

    @property
    def provable(self) -> Rows:
        """Encoders that can be shown while the body is right: all but the one that is wrong over wrong bytes alone."""
        return np.flatnonzero([not check.is_over_right for _, check in self.variants])

    def mutant(self, row: int) -> Mutant:
        """One encoder in words."""
        return Mutant(part=self.name, slips=self.variants[row][0])

    def values(self, row: int, bodies: Bytes, table: PointTable) -> Bytes:
        """Check bytes of one wrong encoder over the bodies of a table's points."""
        check = self.variants[row][1]
        if check.is_over_right:
            return check.values(np.broadcast_to(table.right, bodies.shape))
        if check.is_previous:
            moments = np.where(table.previous < 0, np.arange(table.size), table.previous)
            return check.values(bodies[..., moments, :])
        return check.values(bodies)

    def unknown(self, rows: Rows, table: PointTable) -> Truth:
        """Where the check value of the frame before the first point would be sent."""
        stale = np.array([self.variants[row][1].is_previous for row in rows], dtype=np.bool_)
        return np.asarray(stale[:, None] & (table.previous < 0))

    def differs(self, rows: Rows, bodies: Bytes, seen: Bytes, table: PointTable) -> Truth:
        """For each encoder and point whether its check bytes over `bodies` are not those seen."""
        found = [(self.values(row, bodies, table) != seen).any(axis=-1) for row in rows.tolist()]
        different = np.array(found, dtype=np.bool_).reshape(rows.size, table.size)
        return different & ~self.unknown(rows, table)


def crc_values(algorithm: CrcAlgorithm, data: Bytes) -> _Registers:
    """The CRC over many rows of bytes at once; the last axis is of bytes."""
    table, initial = _table(algorithm), compute_crc(replace(algorithm, final_xor=0), b"")
    register = np.full(data.shape[:-1], initial, dtype=np.uint64)
    top, mask = np.uint64(algorithm.width_bits - 8), np.uint64((1 << algorithm.width_bits) - 1)
    eight, low = np.uint64(8), np.uint64(0xFF)
    for at in range(data.shape[-1]):
        byte = data[..., at].astype(np.uint64)
        if algorithm.reflected:
            register = register >> eight ^ table[(register ^ byte) & low]
        else:
            register = register << eight & mask ^ table[(register >> top ^ byte) & low]
    return register ^ np.uint64(algorithm.final_xor)


@cache
def _table(algorithm: CrcAlgorithm) -> _Registers:
    """What each byte does to an empty register."""
    plain = replace(algorithm, initial=0, final_xor=0)
    return np.array([compute_crc(plain, bytes([byte])) for byte in range(256)], dtype=np.uint64)


def check_part(layout: Layout) -> CheckPart | None:
    """The family of the check value; None where the map has none."""
    crc = layout.field_map.crc
    if crc is None:
        return None
    algorithm = find_crc(crc.name)
    first, end = crc.covered(layout.length)
    right = Check(method=algorithm, first=first, end=end, size=algorithm.width_bytes, order=crc.byte_order or "big")
    return CheckPart(layout, right, tuple(_variants(right, algorithm, layout)))


def _variants(right: Check, algorithm: CrcAlgorithm, layout: Layout) -> Iterator[tuple[tuple[Slip, ...], Check]]:
    """Every single slip, then another algorithm together with every other slip."""
    methods = [*_methods(right, algorithm)]
    others = [*_orders(right), *_covers(right, layout), *_ends(right)]
    yield from (((slip,), check) for slip, check in (*methods, *others, *_constants(right), _too_early(right)))
    for slip, check in methods:
        for other, changed in others:
            yield (slip, other), replace(changed, method=check.method)


def _methods(right: Check, algorithm: CrcAlgorithm) -> Iterator[tuple[Slip, Check]]:
    for name, other in CATALOGUE.items():
        if other.width_bits == algorithm.width_bits and other != algorithm:
            yield Slip(words=f"{name} instead", aspect=_ASPECT, cost=2), replace(right, method=other)
    everything = (1 << algorithm.width_bits) - 1
    for initial in {0, everything} - {algorithm.initial}:
        changed = replace(algorithm, initial=initial)
        if changed.polynomial != 0 and not _is_listed(changed):
            words = f"it starts with {initial:#x}"
            yield Slip(words=words, aspect=_ASPECT, cost=2), replace(right, method=changed)
    yield Slip(words="the sum of the bytes instead", aspect=_ASPECT, cost=3), replace(right, method=SUM)
    words = "the exclusive-or of the bytes instead"
    yield Slip(words=words, aspect=_ASPECT, cost=3), replace(right, method=EXCLUSIVE_OR)


def _is_listed(algorithm: CrcAlgorithm) -> bool:
    return any(replace(algorithm, name=row.name, check=row.check) == row for row in CATALOGUE.values())


def _orders(right: Check) -> Iterator[tuple[Slip, Check]]:
    if right.size > 1:
        order: ByteOrder = "little" if right.order == "big" else "big"
        slip = Slip(words="bytes in the other order", aspect="the byte order", cost=1)
        yield slip, replace(right, order=order)


def _covers(right: Check, layout: Layout) -> Iterator[tuple[Slip, Check]]:
    rows = (
        ("it leaves out the first byte", right.first + 1, right.end),
        ("it leaves out the last byte", right.first, right.end - 1),
        ("it covers a byte more at the start", right.first - 1, right.end),
        ("it covers a byte more at the end", right.first, right.end + 1),
    )
    for words, first, end in rows:
        is_inside = 0 <= first < end <= layout.length
        if is_inside and not layout.check[first:end].any():
            yield Slip(words=words, aspect=_COVERED, cost=2), replace(right, first=first, end=end)


def _ends(right: Check) -> Iterator[tuple[Slip, Check]]:
    ones = (1 << 8 * right.size) - 1
    yield Slip(words="inverted", aspect=_ASPECT, cost=2), replace(right, final_xor=ones)
    words = "that of the frame before"
    yield Slip(words=words, aspect="that {} is fresh", cost=2), replace(right, is_previous=True)


def _too_early(right: Check) -> tuple[Slip, Check]:
    slip = Slip(words="computed over the right bytes, before they were changed", aspect="the moment", cost=1)
    return slip, replace(right, is_over_right=True)


def _constants(right: Check) -> Iterator[tuple[Slip, Check]]:
    aspect = "that {} is computed at all"
    yield Slip(words="always 0", aspect=aspect, cost=1), replace(right, method=0)
    ones = (1 << 8 * right.size) - 1
    yield Slip(words="always all ones", aspect=aspect, cost=2), replace(right, method=ones)
