"""Which hypotheses no further point can tell apart, and the point that would split the others best.

Owns the comparison of what hypotheses foretell. Must not know wording. A foretold payload is kept as a number
of 64 bits, a sum of its bytes times fixed random odd numbers: two different ones agree by chance once in 2**64.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from benchrig.payload.candidates import random_points, thinned

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.payload.candidates import Candidates
    from benchrig.payload.hypotheses import Found, Key
    from benchrig.payload.layout import Bytes
    from benchrig.payload.mutants import Family
    from benchrig.payload.points import Column, PointTable

Marks = npt.NDArray[np.uint64]

_SEED: Final = 20_240
_MOST_CELLS: Final = 4096
_TOGETHER: Final = 64
_MOST_BYTES: Final = 48 << 20


@dataclass(frozen=True, eq=False)
class Foretold:
    """What each hypothesis foretells for each candidate point, and the table with these points at its end."""

    table: PointTable
    first: int
    marks: Marks

    @property
    def classes(self) -> list[list[int]]:
        """Hypotheses that agree at every candidate, in the order in which their first member stands."""
        return _alike(_mixed(self.marks))

    def best(self, weights: Sequence[float], classes: Sequence[Sequence[int]]) -> int | None:
        """The candidate that leaves the least expected weight of hypotheses together; None if none splits."""
        if len(classes) < 2:
            return None
        marks = self.marks[[members[0] for members in classes]]
        share = np.array([weights[members[0]] for members in classes])
        together = [_together(column, share) for column in marks.T]
        return int(np.argmin(together))


def foretell(family: Family, table: PointTable, found: Sequence[Found], candidates: Candidates) -> Foretold:
    """What every hypothesis foretells at every candidate point, each as if it came right after the table's last."""
    keys = {key for one in found for key in one.keys}
    longer = _with_all(table, candidates, _budget(table, len(keys) + len(found)))
    changes = _changes(family, found, longer)
    marks = [_marks(_foretold(family, one, longer, changes)[table.size :]) for one in found]
    return Foretold(longer, table.size, np.array(marks, dtype=np.uint64).reshape(len(found), -1))


def payloads_at(family: Family, table: PointTable, found: Sequence[Found]) -> list[bytes]:
    """What each hypothesis foretells for the last point of a table, check value included."""
    changes = _changes(family, found, table)
    foretold = ((one, _foretold(family, one, table, changes)) for one in found)
    return [bytes((family.payloads(body) if one.check is None else body)[-1]) for one, body in foretold]


def _budget(table: PointTable, count: int) -> int:
    """Number of candidates for which the arrays stay small."""
    return max(_TOGETHER, min(_MOST_CELLS, _MOST_BYTES // (table.layout.length * max(1, count))))


def _with_all(table: PointTable, candidates: Candidates, most: int) -> PointTable:
    """Candidates with one field changed, then some with all of them changed."""
    columns: dict[int, Column] = dict.fromkeys(candidates, ())
    each = max(2, most // max(1, len(candidates)))
    for place, cells in candidates.items():
        some = thinned(cells, most=each)
        for other in columns:
            stays = (table.columns[other][-1],) * len(some)
            columns[other] += some if other == place else stays
    for place, cells in random_points(candidates, _TOGETHER).items():
        columns[place] += cells
    return table.with_candidates(columns)


def _changes(family: Family, found: Sequence[Found], table: PointTable) -> dict[Key, Bytes]:
    """Bits that each encoder of the hypotheses changes, at every point."""
    changes: dict[Key, Bytes] = {}
    keys = sorted({key for one in found for key in one.keys})
    for part, group in itertools.groupby(keys, key=lambda key: key[0]):
        some = [*group]
        bodies = family.parts[part].bodies(np.array([row for _, row in some]), table)
        changes |= zip(some, bodies ^ table.right, strict=True)
    return changes


def _foretold(family: Family, one: Found, table: PointTable, changes: dict[Key, Bytes]) -> Bytes:
    """Bodies that a hypothesis foretells, with the check value where that is wrong too and zero where it is right.

    A right check value tells nothing that the body does not. Parts wrong at once change different bits.
    """
    bodies = table.right.copy()
    for key in one.keys:
        bodies ^= changes[key]
    if one.check is not None and family.check is not None:
        bodies[:, table.layout.check != 0] = family.check.values(one.check, bodies, table)
    return bodies


def _marks(payloads: Bytes) -> Marks:
    marks = np.zeros(payloads.shape[:-1], dtype=np.uint64)
    for at, number in enumerate(_numbers(payloads.shape[-1])):
        marks += payloads[..., at].astype(np.uint64) * number
    return marks


def _mixed(marks: Marks) -> Marks:
    return np.asarray((marks * _numbers(marks.shape[1])).sum(axis=1, dtype=np.uint64))


def _numbers(count: int) -> Marks:
    return np.random.default_rng(_SEED).integers(1 << 64, size=count, dtype=np.uint64) | np.uint64(1)


def _alike(marks: Marks) -> list[list[int]]:
    groups: dict[int, list[int]] = {}
    for index, mark in enumerate(marks.tolist()):
        groups.setdefault(mark, []).append(index)
    return [*groups.values()]


def _together(column: Marks, share: npt.NDArray[np.float64]) -> float:
    """Expected share that stays together with the true hypothesis when this point has been measured."""
    _, group = np.unique(column, return_inverse=True)
    return float((np.bincount(group, weights=share) ** 2).sum() / share.sum() ** 2)


def answers(marks: Sequence[bytes]) -> Iterator[tuple[bytes, tuple[int, ...]]]:
    """Payloads that may be seen, and which hypotheses foretell each of them."""
    groups: dict[bytes, list[int]] = {}
    for index, mark in enumerate(marks):
        groups.setdefault(mark, []).append(index)
    for payload, members in groups.items():
        yield payload, tuple(members)
