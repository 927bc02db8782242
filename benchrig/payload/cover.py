"""The fewest further points that show every wrong encoder which the planned points leave.

Owns the search. Must not know wording. The fewest is a set cover, for which greedy choice (always the point that
shows most) is the usual answer: at most 1 + ln(n) times the fewest for n encoders (V. Chvatal, 1979, from memory).
A point sets every field at once, so the best value is chosen for each field and the values are joined to one
point.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from benchrig.payload.candidates import random_points, thinned
from benchrig.payload.mutants import wrong_at

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from benchrig.payload.candidates import Candidates
    from benchrig.payload.field_mutants import Rows
    from benchrig.payload.mutants import Family
    from benchrig.payload.points import Cell, Column, PointTable
    from benchrig.payload.whole_arrays import Truth

    Alive = tuple[Rows, ...]
    """Rows of each part that no point has shown yet; those of the check value last."""
    Cells = Mapping[int, Cell]
    Propose = Callable[[Family, Alive, PointTable], Cells]
    """Offers one more point for encoders that are left, after the points of a table; empty for none."""

_AT_ONCE: Final = 4096
_TOGETHER: Final = 256
_MOST_POINTS: Final = 64


@dataclass(frozen=True, eq=False)
class Cover:
    """Further points, and the encoders that no candidate shows."""

    points: tuple[Cells, ...]
    left: Alive


def everyone(family: Family) -> Alive:
    """All encoders of a family."""
    checks = np.zeros(0, dtype=np.intp) if family.check is None else family.check.provable
    return (*(np.arange(part.size) for part in family.parts), checks)


def still_alive(family: Family, alive: Alive, table: PointTable, *, first: int = 0) -> Alive:
    """Those that send the right bytes at every point of the table from `first` on."""
    shown = _shown(family, alive, table, first=first)
    return tuple(rows[~wrong.any(axis=1)] for rows, wrong in zip(alive, shown, strict=True))


def count_of(alive: Alive) -> int:
    """Number of encoders."""
    return sum(rows.size for rows in alive)


def find_cover(family: Family, alive: Alive, table: PointTable, candidates: Candidates) -> Cover:
    """Points in the order in which they show most, taken after the points of the table."""
    points: list[Cells] = []
    left, grown = alive, table
    for propose in (_best_values(family, alive, table, candidates), _random_values(candidates), _any_value(candidates)):
        while count_of(left) and len(points) < _MOST_POINTS:
            point = propose(family, left, grown)
            after = still_alive(family, left, grown.with_point(point), first=grown.size) if point else left
            if count_of(after) == count_of(left):
                break
            points.append(point)
            left, grown = after, grown.with_point(point)
    return Cover(tuple(points), left)


def _shown(family: Family, alive: Alive, table: PointTable, *, first: int) -> list[Truth]:
    found = [wrong_at(part, rows, table, first=first) for part, rows in zip(family.parts, alive[:-1], strict=True)]
    if family.check is None:
        return [*found, np.zeros((0, table.size - first), dtype=np.bool_)]
    seen = family.check.right.values(table.right)
    return [*found, family.check.differs(alive[-1], table.right, seen, table)[:, first:]]


def _best_values(family: Family, alive: Alive, table: PointTable, candidates: Candidates) -> Propose:
    """Proposes, for each field, the value that shows most of its own routines' encoders."""
    shows = {
        place: _shows(family, alive, table, place, thinned(cells, most=_AT_ONCE)) for place, cells in candidates.items()
    }

    def propose(_: Family, left: Alive, __: PointTable) -> Cells:
        point = {}
        for place, cells in candidates.items():
            counts = sum(
                (table_of[np.searchsorted(alive[part], left[part])].sum(axis=0) for part, table_of in shows[place]),
                start=np.zeros(1, dtype=np.int64),
            )
            best = int(np.argmax(counts))
            if counts[best]:
                point[place] = thinned(cells, most=_AT_ONCE)[best]
        return point

    return propose


def _shows(family: Family, alive: Alive, table: PointTable, place: int, cells: Column) -> list[tuple[int, Truth]]:
    """For each routine with this field which encoder is shown by which value."""
    longer = table.with_candidates({place: cells})
    return [
        (index, wrong_at(part, alive[index], longer, first=table.size))
        for index, part in enumerate(family.routines)
        if place in part.places
    ]


def _random_values(candidates: Candidates) -> Propose:
    """Proposes the best of many random points, for encoders that one field alone does not show."""
    pool = random_points(candidates, _TOGETHER)

    def propose(family: Family, left: Alive, grown: PointTable) -> Cells:
        return _best_of(family, left, grown, pool)

    return propose


def _any_value(candidates: Candidates) -> Propose:
    """Proposes from every value of the long ranges, so that what is left is left by all of them."""

    def propose(family: Family, left: Alive, grown: PointTable) -> Cells:
        for place, cells in candidates.items():
            if len(cells) > _AT_ONCE:
                for start in range(0, len(cells), _AT_ONCE):
                    point = _best_of(family, left, grown, {place: cells[start : start + _AT_ONCE]})
                    if point:
                        return point
        return {}

    return propose


def _best_of(family: Family, left: Alive, grown: PointTable, pool: Candidates) -> Cells:
    """The point of the pool that shows most encoders; empty when none shows any."""
    if not pool:
        return {}
    longer = grown.with_candidates(pool)
    counts = sum(shown.sum(axis=0) for shown in _shown(family, left, longer, first=grown.size))
    best = int(np.argmax(counts))
    return {place: cells[best] for place, cells in pool.items()} if np.any(counts) else {}
