"""Points that could be measured next: the values that the bench can set, field by field and together.

Owns which values are candidates. Must not know encoders. Random points come from a fixed seed, so that the same
plan gets the same advice every time.
"""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING, Final

import numpy as np

from benchrig.errors import ConfigError
from benchrig.payload.encode import value_limits
from benchrig.payload.exact import ROUNDINGS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from benchrig.payload.fields import Field, Placed
    from benchrig.payload.layout import Layout
    from benchrig.payload.points import Cell, Column, ValueRange

    Candidates = dict[int, Column]

_SEED: Final = 20_240
_INDEX: Final = re.compile(r"\[\d+\]")


def candidate_cells(layout: Layout, ranges: Mapping[str, ValueRange]) -> Candidates:
    """Values for each field that has a range, by place; values that would be sent as an invalid code are left out.

    A range goes by full name, or by the name without indexes for all members of a group. Raises ConfigError for
    an unknown name or word, and for a value that does not fit the field.
    """
    known = {one.name for one in layout.placed} | {_INDEX.sub("", one.name) for one in layout.placed}
    for name in sorted(set(ranges) - known):
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
        raise ConfigError(f"range of unknown field {name!r}; the nearest is {', '.join(map(repr, near))}")
    found = {}
    for place, one in enumerate(layout.placed):
        wanted = ranges.get(one.name, ranges.get(_INDEX.sub("", one.name)))
        if wanted is not None:
            found[place] = _cells(one, wanted)
    return found


def thinned(cells: Column, *, most: int) -> Column:
    """At most `most` of them, evenly spread, with both ends."""
    if len(cells) <= most:
        return cells
    chosen = np.unique(np.linspace(0, len(cells) - 1, most).round().astype(int))
    return tuple(cells[index] for index in chosen.tolist())


def random_points(candidates: Candidates, count: int) -> Candidates:
    """`count` points with every candidate field at a value of its own."""
    rng = np.random.default_rng(_SEED)
    return {
        place: tuple(cells[index] for index in rng.integers(len(cells), size=count).tolist())
        for place, cells in candidates.items()
    }


def _cells(one: Placed, wanted: ValueRange) -> Column:
    words = set(one.field.invalid.values())
    cells = tuple(cell for cell in wanted.cells if isinstance(cell, str) or not _is_code(one.field, cell))
    for cell in cells:
        if isinstance(cell, str) and cell not in words:
            raise ConfigError(f"range of {one.name!r}: unknown word {cell!r}; accepted {sorted(words) or 'no word'}")
    for cell in (wanted.cells[0], wanted.cells[-1 - len(wanted.words)]):
        if not _fits(one.field, cell):
            low, high = value_limits(one.field)
            raise ConfigError(
                f"range of {one.name!r}: {cell} does not fit; accepted {low!r} to {high!r} {one.field.unit}"
            )
    if one.field.kind == "flags":
        cells = tuple(_named_only(one.field, cells))
    if not cells:
        raise ConfigError(f"range of {one.name!r} has no value that can be sent; widen it or take a smaller step")
    return cells


def _counts(field: Field, cell: Cell) -> int | None:
    if isinstance(cell, str) or field.kind.startswith("float"):
        return None
    return ROUNDINGS[field.rounding]((cell - field.exact_add) / field.exact_scale)


def _fits(field: Field, cell: Cell) -> bool:
    counts = _counts(field, cell)
    if counts is None:
        low, high = value_limits(field)
        return isinstance(cell, str) or low <= cell <= high
    least, most = field.raw_limits
    return least <= counts <= most


def _is_code(field: Field, cell: Cell) -> bool:
    counts = _counts(field, cell) if field.invalid else None
    return counts is not None and counts & ((1 << field.width_bits) - 1) in field.invalid


def _named_only(field: Field, cells: Column) -> Iterator[Cell]:
    """Patterns of flags with named bits alone."""
    named = sum(1 << bit for bit in field.flags)
    for cell in cells:
        if not isinstance(cell, str) and cell.denominator == 1 and not cell.numerator & ~named:
            yield cell
