"""What a field with a rough reference may have been, when its bytes are far from that reference.

Owns the search for values that some wrong encoder would have sent as the bytes that were seen. Must not know where a
reference comes from. A probe known to a degree has one of some dozens of values; an encoder is worth a thought only
when one of these, sent by it, makes the very bytes. Each answer is a set of values, which `explain` then takes.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import numpy as np

from benchrig.payload.candidates import thinned
from benchrig.payload.encode import value_limits
from benchrig.payload.exact import exact
from benchrig.payload.mutants import mutant_family
from benchrig.payload.points import PointTable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.field_mutants import FieldPart
    from benchrig.payload.fields import Field
    from benchrig.payload.layout import Bytes
    from benchrig.payload.points import Cell, Column
    from benchrig.payload.whole_arrays import Truth

    Values = Mapping[str, float | str]

MOST_ANSWERS: Final = 4
_MOST_CELLS: Final = 400


@dataclass(frozen=True, eq=False)
class _Question:
    """Fields (by place) whose bytes are far off, the values that each may have had, and the bodies seen."""

    table: PointTable
    places: tuple[int, ...]
    cells: Mapping[int, Column]
    seen: Bytes


def likely_values(
    field_map: FieldMap, points: Sequence[Values], payloads: Sequence[bytes], *, margins: Mapping[str, float]
) -> tuple[tuple[dict[str, float], ...], ...]:
    """For the fields of `margins`, answers of one set of values for each point, the simplest explanation first.

    `points` hold the references, as for `encode`; the payloads have the map's length, and a margin is how far a value
    may be from its reference, in the field's unit. At most four answers; none when no wrong encoder of one field makes
    the bytes.
    """
    question = _question(field_map, points, payloads, margins)
    family = mutant_family(field_map, length_bytes=question.table.layout.length)
    ranked = sorted(
        (answer for part in family.routines for answer in _answers(question, part)), key=lambda answer: answer[0]
    )
    found: list[dict[int, tuple[Cell, ...]]] = []
    for answer in _whole([answer for _, answer in ranked], question.places):
        if answer not in found:
            found.append(answer)
    return tuple(_by_point(question, answer) for answer in found[:MOST_ANSWERS])


def _question(
    field_map: FieldMap, points: Sequence[Values], payloads: Sequence[bytes], margins: Mapping[str, float]
) -> _Question:
    table = PointTable.of(field_map, points)
    places = {place: margins[one.name] for place, one in enumerate(table.layout.placed) if one.name in margins}
    cells = {place: _cells(table, place, margin) for place, margin in places.items()}
    seen = np.array([[*payload] for payload in payloads], dtype=np.uint8) & ~table.layout.check
    return _Question(table, tuple(places), cells, seen)


def _cells(table: PointTable, place: int, margin: float) -> Column:
    """What a field may have been: its counts around the references, the nearest first."""
    field = table.layout.placed[place].field
    references = [cell for cell in table.columns[place] if isinstance(cell, Fraction)]
    if not references:
        return ()
    middle, step = sum(references, Fraction(0)) / len(references), _step(field, margin)
    low, high = min(references) - exact(margin), max(references) + exact(margin)
    least, most = value_limits(field)
    first = int(low // step)
    counts = range(first, int(high // step) + 1)
    found = [step * count for count in counts if least <= step * count <= most]
    return thinned((*sorted(found, key=lambda value: abs(value - middle)),), most=_MOST_CELLS)


def _step(field: Field, margin: float) -> Fraction:
    return max(abs(field.exact_scale), exact(margin) * 2 / _MOST_CELLS)


def _answers(question: _Question, part: FieldPart) -> Iterator[tuple[int, dict[int, tuple[Cell, ...]]]]:
    """Values of the far-off fields that this routine sends, by place and point, for each encoder that makes them."""
    mine = [place for place in question.places if place in part.places and question.cells[place]]
    if not mine:
        return
    fits = {place: _fits(question, part, place) for place in mine}
    possible = np.ones(part.size, dtype=np.bool_)
    for fit in fits.values():
        possible &= np.all(np.any(fit, axis=2), axis=1)
    rows = sorted(np.flatnonzero(possible).tolist(), key=lambda row: part.mutant(row).rank)
    for row in rows[: MOST_ANSWERS * MOST_ANSWERS]:
        choice = {
            place: tuple(question.cells[place][index] for index in fit[row].argmax(axis=1).tolist())
            for place, fit in fits.items()
        }
        yield part.mutant(row).rank, choice


def _fits(question: _Question, part: FieldPart, place: int) -> Truth:
    """For each encoder, point and possible value whether it would send the field's bits as they were seen."""
    cells, home = question.cells[place], part.layout.homes[place]
    longer = question.table.with_candidates(dict.fromkeys(part.places, cells))
    sent = part.bodies(np.arange(part.size), longer)[:, question.table.size :] & home
    wanted = question.seen & home
    patterns, which = np.unique(wanted, axis=0, return_inverse=True)
    equal = (sent[:, None, :, :] == patterns[None, :, None, :]).all(axis=-1)
    return np.asarray(equal[:, which.reshape(-1)])


def _whole(
    answers: Sequence[dict[int, tuple[Cell, ...]]], places: tuple[int, ...]
) -> Iterator[dict[int, tuple[Cell, ...]]]:
    """Answers that say something of every far-off field; those of single ones are put together, the first of each."""
    yield from (answer for answer in answers if len(answer) == len(places))
    joined: dict[int, tuple[Cell, ...]] = {}
    for answer in answers:
        joined |= {place: cells for place, cells in answer.items() if place not in joined}
    if len(joined) == len(places):
        yield joined


def _by_point(question: _Question, answer: Mapping[int, tuple[Cell, ...]]) -> tuple[dict[str, float], ...]:
    names = {place: question.table.layout.placed[place].name for place in answer}
    return tuple(
        {names[place]: float(cells[row]) for place, cells in answer.items() if not isinstance(cells[row], str)}
        for row in range(question.table.size)
    )
