"""Which wrong encoders would have sent the bytes that were seen: single ones, else two parts wrong at once.

Owns the search. Must not know wording, nor which point to measure next. Bits that nobody can foretell (a stale
value from before the first point) contradict nothing, and a hypothesis that rests on such bits alone ranks lower.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from benchrig.payload.bits import as_signed, extract
from benchrig.payload.layout import either
from benchrig.payload.mutants import Family, mutant_family, routines_of
from benchrig.payload.points import NO_WORD
from benchrig.payload.slips import ANOTHER_SLIP

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.field_mutants import FieldPart, Rows
    from benchrig.payload.layout import Bytes
    from benchrig.payload.mutants import Part
    from benchrig.payload.points import PointTable
    from benchrig.payload.slips import Mutant
    from benchrig.payload.whole_arrays import Truth

RESTS_ON_UNKNOWN: Final = 3
"""Added to the rank of a hypothesis that nothing known speaks for. Own choice."""

MOST_OF_EACH: Final = 100
"""Of two parts that are wrong at once, so many of the simplest encoders of each are paired. Own choice."""

Key = tuple[int, int]
"""A wrong encoder of the body: number of the part, and row in it."""


@dataclass(frozen=True, kw_only=True)
class Found:
    """Wrong encoders that together sent what was seen; `check` is a row of the check value's, or None for right."""

    keys: tuple[Key, ...]
    check: int | None
    mutants: tuple[Mutant, ...]
    rank: int


@dataclass(frozen=True, eq=False)
class Evidence:
    """The payloads seen at the points of a table, and the family that is asked about them.

    `came` says at which points a payload was seen; at the others, samples between frames, any would do.
    """

    family: Family
    table: PointTable
    seen: Bytes
    came: Truth

    @property
    def body(self) -> Bytes:
        """What was seen, with the check value zero."""
        return self.seen & ~self.table.layout.check

    @property
    def wrong(self) -> Bytes:
        """Bits of the body that are not the right ones, by point."""
        return np.asarray((self.body ^ self.table.right) * self.came[:, None], dtype=np.uint8)


@dataclass(frozen=True, eq=False)
class _Left:
    """For each encoder of a part the bits that it leaves unexplained, and whether it rests on the unknown."""

    bits: Bytes
    rests_on_unknown: Truth


def evidence_of(field_map: FieldMap, table: PointTable, seen: Bytes, *, came: Truth, max_slips: int) -> Evidence:
    """The family for these payloads, with the constants that their numbers suggest."""
    fitted = {
        name: (counts,)
        for name, places, _ in routines_of(table.layout)
        if (counts := _constant_difference(table, seen, came, places)) is not None
    }
    family = mutant_family(field_map, length_bytes=table.layout.length, max_slips=max_slips, fitted_counts=fitted)
    return Evidence(family, table, seen, came)


def find_body(evidence: Evidence) -> list[Found]:
    """Single wrong encoders that sent these bodies; where nothing known speaks for one, two parts at once as well."""
    left = [_left(evidence, part) for part in evidence.family.parts]
    singles = [
        _found(evidence, ((index, row),), left)
        for index, one in enumerate(left)
        for row in np.flatnonzero(~one.bits.any(axis=1)).tolist()
    ]
    if any(not left[part].rests_on_unknown[row] for one in singles for part, row in one.keys):
        return singles
    return [*singles, *_pairs(evidence, left)]


def find_check(evidence: Evidence) -> list[Found]:
    """Wrong check values over the bodies as they were seen."""
    part = evidence.family.check
    if part is None:
        return []
    seen = evidence.seen[:, evidence.table.layout.check != 0]
    rows = np.arange(part.size)
    right = (part.right.values(evidence.body) == seen).all(axis=-1)
    unknown = part.unknown(rows, evidence.table)
    found = []
    differs = part.differs(rows, evidence.body, seen, evidence.table) & evidence.came
    for row in np.flatnonzero(~differs.any(axis=1)).tolist():
        mutant = part.mutant(row)
        penalty = 0 if (~right & ~unknown[row]).any() else RESTS_ON_UNKNOWN
        found.append(Found(keys=(), check=row, mutants=(mutant,), rank=mutant.rank + penalty))
    return found


def is_check_right(evidence: Evidence) -> bool:
    """Whether every check value is right over the body that came with it."""
    part = evidence.family.check
    if part is None:
        return True
    right = (part.right.values(evidence.body) == evidence.seen[:, evidence.table.layout.check != 0]).all(axis=-1)
    return bool(right[evidence.came].all())


def wrong_fields(evidence: Evidence) -> tuple[str, ...]:
    """Names of the fields with a wrong bit at any point."""
    wrong, layout = either(evidence.wrong), evidence.table.layout
    return tuple(one.name for one, home in zip(layout.placed, layout.homes, strict=True) if (wrong & home).any())


def joined(bodies: Sequence[Found], checks: Sequence[Found]) -> list[Found]:
    """Every pair of a body's and a check value's hypothesis; either may be absent."""
    if not bodies or not checks:
        return [*bodies, *checks]
    return [
        Found(
            keys=body.keys,
            check=check.check,
            mutants=(*body.mutants, *check.mutants),
            rank=body.rank + check.rank + ANOTHER_SLIP,
        )
        for body in bodies
        for check in checks
    ]


def _left(evidence: Evidence, part: Part) -> _Left:
    rows = np.arange(part.size)
    footprint = part.footprint(rows)
    hidden = part.unknown(rows, evidence.table)[:, :, None] * footprint[:, None, :]
    unexplained = (part.bodies(rows, evidence.table) ^ evidence.body) & ~hidden * evidence.came[:, None]
    speaks = np.asarray((evidence.wrong & footprint[:, None, :] & ~hidden).any(axis=(1, 2)))
    return _Left(np.bitwise_or.reduce(unexplained, axis=1), ~speaks)


def _found(evidence: Evidence, keys: tuple[Key, ...], left: Sequence[_Left]) -> Found:
    mutants = tuple(evidence.family.parts[part].mutant(row) for part, row in keys)
    penalty = sum(RESTS_ON_UNKNOWN for part, row in keys if left[part].rests_on_unknown[row])
    rank = sum(mutant.rank for mutant in mutants) + ANOTHER_SLIP * (len(mutants) - 1) + penalty
    return Found(keys=keys, check=None, mutants=mutants, rank=rank)


def _pairs(evidence: Evidence, left: Sequence[_Left]) -> Iterator[Found]:
    """One encoder of any part, and one that stays in a routine's own bits and explains all that is left."""
    parts = evidence.family.parts
    for (first, part), (second, routine) in itertools.product(enumerate(parts), enumerate(evidence.family.routines)):
        if first == second:
            continue
        rows, others = _halves(part, left[first], routine, left[second])
        if first > second:  # two confined ones are met in both orders
            rows = rows[~part.is_confined(rows)]
        rows, others = _simplest(part, rows), _simplest(routine, others)
        for row, other in itertools.product(rows.tolist(), others.tolist()):
            yield _found(evidence, ((first, row), (second, other)), left)


def _halves(part: Part, left: _Left, routine: FieldPart, left_of_routine: _Left) -> tuple[Rows, Rows]:
    rows = np.arange(part.size)
    explains_rest = ~(left.bits & ~routine.home).any(axis=1)
    stays_away = ~(part.footprint(rows) & routine.home).any(axis=1)
    others = np.arange(routine.size)
    explains_own = ~(left_of_routine.bits & routine.home).any(axis=1)
    return rows[explains_rest & stays_away], others[explains_own & routine.is_confined(others)]


def _simplest(part: Part, rows: Rows) -> Rows:
    ranks = [part.mutant(row).rank for row in rows.tolist()]
    return rows[np.argsort(ranks, kind="stable")[:MOST_OF_EACH]]


def _constant_difference(table: PointTable, seen: Bytes, came: Truth, places: tuple[int, ...]) -> int | None:
    """Counts by which numbers are off everywhere alike, the shorter way round; None when there is no such."""
    field = table.layout.placed[places[0]].field
    if field.kind not in {"unsigned", "signed"}:
        return None
    found = {difference for place in places for difference in _differences(table, seen, came, place)}
    if len(found) != 1 or found == {0}:
        return None
    return as_signed(found.pop(), width_bits=field.width_bits)


def _differences(table: PointTable, seen: Bytes, came: Truth, place: int) -> Iterator[int]:
    """Seen less right, in counts, wherever a number and no word was meant."""
    one = table.layout.placed[place]
    width, spot = one.field.width_bits, table.layout.spot(place)
    rights, codes = table.right_patterns(place).tolist(), table.numbers(place).codes
    for payload, right, code, has_come in zip(seen, rights, codes, came.tolist(), strict=True):
        if code == NO_WORD and has_come:
            found = extract(
                payload.tobytes(), offset=spot.offset, width_bits=width, bit=spot.bit, byte_order=spot.order
            )
            yield (found - right) % (1 << width)
