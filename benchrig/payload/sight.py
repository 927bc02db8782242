"""What a bench notices of wrong bytes: which fields it holds against a reference, and how closely.

Owns the margin of each field. Must not know where a reference comes from. A bench that compares the temperature of
a probe with a thermometer to a degree sees no wrong tenth; one that compares a field with nothing sees nothing of
it, and a plan proves nothing about it. Fields without a margin are compared bit by bit.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from benchrig.errors import ConfigError
from benchrig.payload.bits import span_bytes
from benchrig.payload.fields import FLOAT_WIDTHS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from benchrig.payload.fields import Field, Placed
    from benchrig.payload.layout import Bytes, Layout, Spot

    Numbers = npt.NDArray[np.float64]
    Patterns = npt.NDArray[np.uint64]

NEVER_COMPARED: Final = math.inf


@dataclass(frozen=True, eq=False)
class Sight:
    """Margins by place in the layout, in the field's unit, and bits that nothing is compared with."""

    layout: Layout
    margins: Mapping[int, float]
    blind: Bytes

    @staticmethod
    def of(layout: Layout, margins: Mapping[str, float]) -> Sight:
        """Margins by full name, or by `field.flag` for one flag; infinite for what is never compared.

        Raises ConfigError for an unknown name, and for a margin below zero.
        """
        known = {one.name: place for place, one in enumerate(layout.placed)}
        flags = {name: mask for one in layout.placed for name, mask in _flag_masks(one, layout.length)}
        blind = np.zeros(layout.length, dtype=np.uint8)
        places = {}
        for name, margin in margins.items():
            _check(name, margin, (*known, *flags))
            if name in flags:
                blind |= flags[name]
            elif margin == NEVER_COMPARED:
                blind |= layout.homes[known[name]]
            else:
                places[known[name]] = margin
        return Sight(layout, places, blind)

    def noticed(self, bodies: Bytes, right: Bytes) -> Bytes:
        """Bits in which bodies (the last axis is of bytes) are noticed to differ from the right ones."""
        difference = np.asarray((bodies ^ right) & ~self.blind, dtype=np.uint8)
        rights = np.broadcast_to(right, bodies.shape)
        for place, margin in self.margins.items():
            home = self.layout.homes[place]
            touched = (difference & home).any(axis=-1)
            if touched.any():
                close = self._is_close(place, bodies[touched], rights[touched], margin)
                difference[touched] &= np.where(close[:, None], ~home, np.uint8(0xFF))
        return difference

    def _is_close(self, place: int, bodies: Bytes, right: Bytes, margin: float) -> npt.NDArray[np.bool_]:
        """Whether both are numbers no further apart than the margin; a word is close to nothing but itself."""
        field, spot = self.layout.placed[place].field, self.layout.spot(place)
        found, wanted = (patterns_at(rows, spot, field.width_bits) for rows in (bodies, right))
        words = np.array([*field.invalid], dtype=np.uint64)
        is_word = np.isin(found, words) | np.isin(wanted, words)
        with np.errstate(invalid="ignore"):  # what is no number is close to nothing
            apart = np.abs(_counts(field, found) - _counts(field, wanted)) * abs(float(field.exact_scale))
        # a hair more than the margin: 0.5 mV of 1 mV counts is not to be lost to a binary fraction
        return np.asarray((apart <= margin * (1 + 1e-9)) & ~is_word)


def patterns_at(bodies: Bytes, spot: Spot, width_bits: int) -> Patterns:
    """The bit patterns that stand at a spot; the last axis, of bytes, is gone."""
    size = span_bytes(width_bits, bit=spot.bit)
    found = np.zeros(bodies.shape[:-1], dtype=np.uint64)
    for index in range(size):
        at = spot.offset + (index if spot.order == "little" else size - 1 - index)
        byte, low = bodies[..., at].astype(np.uint64), 8 * index - spot.bit
        found |= byte >> np.uint64(-low) if low < 0 else byte << np.uint64(low)
    return found & np.uint64((1 << width_bits) - 1)


def _counts(field: Field, patterns: Patterns) -> Numbers:
    """Patterns as numbers before the scale."""
    if field.kind in FLOAT_WIDTHS:
        width = FLOAT_WIDTHS[field.kind]
        return patterns.astype(f"u{width // 8}").view(f"f{width // 8}").astype(np.float64)
    numbers = patterns.astype(np.float64)
    if field.kind == "signed":
        numbers -= np.where(patterns >> np.uint64(field.width_bits - 1), 2.0**field.width_bits, 0.0)
    return numbers


def _flag_masks(one: Placed, length: int) -> Iterator[tuple[str, Bytes]]:
    for bit, name in one.field.flags.items():
        mask = np.zeros(length, dtype=np.uint8)
        at = bit + one.field.bit
        index = at // 8 if one.field.order == "little" else one.field.size_bytes - 1 - at // 8
        mask[one.offset + index] = 1 << at % 8
        yield f"{one.name}.{name}", mask


def _check(name: str, margin: float, known: tuple[str, ...]) -> None:
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
        raise ConfigError(f"margin of unknown field {name!r}; the nearest is {', '.join(map(repr, near))}")
    if not margin >= 0.0:
        raise ConfigError(f"margin of {name!r}: {margin} is not accepted; accepted 0 or more, infinite for never")
