"""Wrong bytes explained: which slips in the encoder would have sent what was seen, at every point.

Owns the answer and its wording. Must not know how bytes are made. The answer is every hypothesis that reproduces
all payloads, the simplest first, in classes that no point within the ranges can tell apart, and the next point
that would split the classes best; never a guess among those that the points leave.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from benchrig.payload.candidates import candidate_cells
from benchrig.payload.encode import encode
from benchrig.payload.hypotheses import (
    evidence_of,
    find_body,
    find_check,
    is_check_right,
    joined,
    wrong_fields,
)
from benchrig.payload.length_slips import length_slips
from benchrig.payload.mutants import DEFAULT_SLIPS
from benchrig.payload.next_point import answers, foretell, payloads_at
from benchrig.payload.points import PointTable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.payload.candidates import Candidates
    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.hypotheses import Evidence, Found
    from benchrig.payload.next_point import Foretold
    from benchrig.payload.points import Follow, ValueRange
    from benchrig.payload.slips import Mutant

    Values = Mapping[str, float | str]

MOST_HYPOTHESES: Final = 1000
"""So many are compared with each other; of a pair of parts that leaves more, the simplest. Own choice."""
_MOST_LISTED: Final = 3
_MOST_ANSWERS: Final = 12


@dataclass(frozen=True, kw_only=True)
class Seen:
    """A payload that came, and what the board had measured, in values as for `encode`.

    `payload` is None for a sample that the board took between two frames: what it carries nobody saw, but a frame
    with the value of the sample before would carry it.
    """

    values: Values
    payload: bytes | None


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """Wrong encoders that together would have sent everything that was seen; a lower rank is simpler."""

    mutants: tuple[Mutant, ...]
    rank: int

    @property
    def text(self) -> str:
        """What the firmware would be doing."""
        return "; ".join(mutant.text for mutant in self.mutants)


@dataclass(frozen=True, kw_only=True)
class HypothesisClass:
    """Hypotheses that foretell the same payload at every candidate point, simplest first."""

    hypotheses: tuple[Hypothesis, ...]

    @property
    def rank(self) -> int:
        """That of its simplest hypothesis."""
        return self.hypotheses[0].rank

    @property
    def needed(self) -> tuple[Hypothesis, ...]:
        """Those of which no part can be left out: another slip that changes nothing is no other explanation."""
        sets = [frozenset((one.part, slip) for one in found.mutants for slip in one.slips) for found in self.hypotheses]
        pairs = zip(self.hypotheses, sets, strict=True)
        return tuple(found for found, slips in pairs if not any(other < slips for other in sets))

    @property
    def text(self) -> str:
        """The simplest hypothesis, and some that cannot be told from it."""
        first, *others = (one.text for one in self.needed)
        if not others:
            return first
        more = f" and {len(others) - _MOST_LISTED} more" if len(others) > _MOST_LISTED else ""
        return f"{first} (not to be told from: {' / '.join(others[:_MOST_LISTED])}{more})"


@dataclass(frozen=True, kw_only=True)
class Answer:
    """A payload that may be seen at the next point, and the classes (by index) that it would leave."""

    payload: bytes
    classes: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class NextPoint:
    """Values to measure next and what each class foretells there; the check value is part of the payload."""

    values: Values
    answers: tuple[Answer, ...]


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """Why the payloads are as they are.

    `is_right` when all of them are as they should be. `classes` are empty when nothing in the family explains
    them; `wrong_parts` then says where they are wrong, and `note` why nothing was found. `omitted` counts
    hypotheses beyond the simplest thousand.
    """

    is_right: bool
    wrong_parts: tuple[str, ...]
    classes: tuple[HypothesisClass, ...]
    next_point: NextPoint | None
    omitted: int
    note: str

    @property
    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """All hypotheses, simplest first."""
        found = (one for group in self.classes for one in group.hypotheses)
        return tuple(sorted(found, key=lambda one: (one.rank, one.text)))

    @property
    def text(self) -> str:
        """The whole answer for people, ending in a newline."""
        return "\n".join([*self._lines(), ""])

    def _lines(self) -> Iterator[str]:
        if self.is_right:
            yield "all payloads are as they should be"
            return
        yield f"wrong: {', '.join(self.wrong_parts)}"
        for number, group in enumerate(self.classes, 1):
            yield f"{number}. {group.text}"
        if self.omitted:
            yield f"and {self.omitted} less simple ones"
        if self.note:
            yield self.note
        if self.next_point is not None:
            yield f"next point: {', '.join(f'{name} {value!r}' for name, value in self.next_point.values.items())}"
            for answer in self.next_point.answers[:_MOST_ANSWERS]:
                numbers = ", ".join(str(index + 1) for index in answer.classes)
                yield f"  {answer.payload.hex(' ')} would leave {numbers}"


def explain(
    field_map: FieldMap,
    seen: Sequence[Seen],
    *,
    ranges: Mapping[str, ValueRange] | None = None,
    follow: Follow | None = None,
    max_slips: int = DEFAULT_SLIPS,
) -> Explanation:
    """All hypotheses that reproduce every payload, in the order in which the frames were sent.

    Single slips (up to `max_slips` in one field) are tried first and two parts wrong at once only when no single
    one will do; a wrong check value is looked for beside either. `ranges` are the values that the bench can set,
    for the next point, which `follow` (see `PointTable`) makes whole. Raises ConfigError when the values cannot be
    encoded; the payloads may be anything.
    """
    table = replace(PointTable.of(field_map, [one.values for one in seen]), follow=follow)
    came = [one for one in seen if one.payload is not None]
    lengths = sorted({len(one.payload or b"") for one in came} - {table.layout.length})
    if lengths:
        return _wrong_length(lengths, table, came)
    rights = (encode(field_map, one.values) if one.payload is None else one.payload for one in seen)
    payloads = np.array([[*payload] for payload in rights], dtype=np.uint8)
    is_frame = np.array([one.payload is not None for one in seen], dtype=np.bool_)
    evidence = evidence_of(field_map, table, payloads, came=is_frame, max_slips=max_slips)
    candidates = candidate_cells(table.layout, ranges or {})
    is_check_wrong, wrong = not is_check_right(evidence), wrong_fields(evidence)
    stray = bool(evidence.wrong.any()) and not wrong
    wrong_parts = (
        *wrong,
        *(["bits that no field owns"] if stray else []),
        *_check_part(evidence, is_wrong=is_check_wrong),
    )
    if not wrong_parts:
        return Explanation(is_right=True, wrong_parts=(), classes=(), next_point=None, omitted=0, note="")
    bodies = find_body(evidence) if evidence.wrong.any() else []
    checks = find_check(evidence) if is_check_wrong else []
    if (evidence.wrong.any() and not bodies) or (is_check_wrong and not checks):
        return _unexplained(wrong_parts)
    found = sorted(joined(bodies, checks), key=lambda one: one.rank)
    return _explained(evidence, found, wrong_parts, candidates)


def _explained(
    evidence: Evidence, found: Sequence[Found], wrong_parts: tuple[str, ...], candidates: Candidates
) -> Explanation:
    kept = found[:MOST_HYPOTHESES]
    foretold = foretell(evidence.family, evidence.table, kept, candidates)
    groups = foretold.classes
    best = foretold.best([2.0**-one.rank for one in kept], groups)
    return Explanation(
        is_right=False,
        wrong_parts=wrong_parts,
        classes=tuple(
            HypothesisClass(
                hypotheses=tuple(Hypothesis(mutants=kept[index].mutants, rank=kept[index].rank) for index in members)
            )
            for members in groups
        ),
        next_point=None if best is None else _next_point(evidence, foretold, best, [kept[one[0]] for one in groups]),
        omitted=len(found) - len(kept),
        note="" if candidates else "give the ranges of values that the bench can set to be told the next point",
    )


def _next_point(evidence: Evidence, foretold: Foretold, best: int, simplest: Sequence[Found]) -> NextPoint:
    row = foretold.first + best
    point = {place: column[row] for place, column in enumerate(foretold.table.columns)}
    longer = evidence.table.with_point(point)
    payloads = payloads_at(evidence.family, longer, simplest)
    return NextPoint(
        values=longer.values(longer.size - 1),
        answers=tuple(Answer(payload=payload, classes=classes) for payload, classes in answers(payloads)),
    )


def _check_part(evidence: Evidence, *, is_wrong: bool) -> tuple[str, ...]:
    return (evidence.family.check.name,) if is_wrong and evidence.family.check is not None else ()


def _unexplained(wrong_parts: tuple[str, ...]) -> Explanation:
    note = (
        "no wrong encoder of the family sends these bytes, nor do two parts wrong at once: more is wrong, or the "
        "values are not those that the board had measured; compare one field after the other"
    )
    return Explanation(is_right=False, wrong_parts=wrong_parts, classes=(), next_point=None, omitted=0, note=note)


def _wrong_length(lengths: Sequence[int], table: PointTable, came: Sequence[Seen]) -> Explanation:
    right = [encode(table.layout.field_map, one.values) for one in came]
    found = length_slips(table.layout, right, [one.payload or b"" for one in came])
    note = (
        f"{', '.join(map(str, lengths))} bytes seen where these values make {table.layout.length}: compare the "
        "structure that is sent with the field map, padding between its members included"
    )
    return Explanation(
        is_right=False,
        wrong_parts=("the length",),
        classes=tuple(HypothesisClass(hypotheses=(Hypothesis(mutants=(one,), rank=one.rank),)) for one in found),
        next_point=None,
        omitted=0,
        note=note,
    )
