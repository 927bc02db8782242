"""What planned points prove about an encoder, and which further points would prove the rest.

Owns the mutation score of a plan and its wording: which slips in an encoder the points would not show. Must not
know how bytes are made, nor what the board really sent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from benchrig.payload.candidates import candidate_cells
from benchrig.payload.cover import count_of, everyone, find_cover, still_alive
from benchrig.payload.mutants import DEFAULT_SLIPS, mutant_family
from benchrig.payload.points import PointTable
from benchrig.payload.sight import Sight

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from benchrig.payload.cover import Alive
    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.mutants import Family
    from benchrig.payload.points import Follow, ValueRange
    from benchrig.payload.slips import Mutant, Slip

    Values = Mapping[str, float | str]


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """One thing that is not proven: wrong encoders of a part that are wrong in the same respect, simplest first."""

    part: str
    aspect: str
    mutants: tuple[Mutant, ...]

    @property
    def claim(self) -> str:
        """What is in doubt, such as "the sign of temperature"."""
        return self.aspect.format(self.part) if "{}" in self.aspect else f"{self.aspect} of {self.part}"

    @property
    def example(self) -> str:
        """The simplest wrong encoder in words."""
        return " and ".join(slip.words for slip in self.mutants[0].slips)


@dataclass(frozen=True, kw_only=True)
class Proof:
    """What a plan proves.

    `score` is the share of the wrong encoders that the points show. `doubts` are what they leave open. With
    ranges, `extra_points` are few further points, in order, that show every wrong encoder which any candidate
    point can show, and `never` is what no candidate shows. `is_exact` when every bit is compared at every point.
    """

    name: str
    points: int
    encoders: int
    survivors: tuple[Mutant, ...]
    doubts: tuple[Doubt, ...]
    extra_points: tuple[Values, ...]
    never: tuple[Doubt, ...]
    has_ranges: bool
    is_exact: bool = True

    @property
    def score(self) -> float:
        """Share of the wrong encoders that at least one point shows, 0 to 1."""
        return 1 - len(self.survivors) / self.encoders

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is not proven, one sentence each."""
        sent = "the right bytes" if self.is_exact else "bytes that pass"
        return tuple(
            f"these points do not prove {doubt.claim}: {_encoders(len(doubt.mutants))} {sent} at all of "
            f"them, such as {doubt.example!r}"
            for doubt in self.doubts
        )

    @property
    def text(self) -> str:
        """The whole answer for people, ending in a newline."""
        return "\n".join([*self._lines(), ""])

    def _lines(self) -> Iterator[str]:
        shown = self.encoders - len(self.survivors)
        yield f"{self.name}: {self.points} points show {shown} of {self.encoders} wrong encoders ({self.score:.2%})"
        yield from self.sentences
        if not self.has_ranges:
            if self.doubts:
                yield "give the ranges of values that the bench can set, and further points will be proposed"
            return
        for number, point in enumerate(self.extra_points, 1):
            yield f"further point {number}: {_listed(point)}"
        for doubt in self.never:
            yield f"no point within the ranges can prove {doubt.claim}: {doubt.example!r} is never seen there"


def prove(
    field_map: FieldMap,
    points: Sequence[Values],
    *,
    ranges: Mapping[str, ValueRange] | None = None,
    margins: Mapping[str, float] | None = None,
    follow: Follow | None = None,
    max_slips: int = DEFAULT_SLIPS,
) -> Proof:
    """Which wrong encoders would pass all these points, each in values as for `encode`, in the order of the plan.

    `ranges` are the values that the bench can set, by field name in the field's unit; other fields stay as they
    were at the last point. `margins` say how far a field may be off its reference unnoticed (`Sight.of`); a field
    without one is compared bit by bit. `follow` (see `PointTable`) makes further points whole. A value from before
    the first point is not known, so it shows nothing. Raises ConfigError for points that cannot be encoded, and for
    unknown or unfit ranges or margins.
    """
    table = replace(PointTable.of(field_map, points), follow=follow)
    if margins:
        table = replace(table, sight=Sight.of(table.layout, margins))
    family = mutant_family(field_map, length_bytes=table.layout.length, max_slips=max_slips)
    candidates = candidate_cells(table.layout, ranges or {})
    alive = still_alive(family, everyone(family), table)
    cover = find_cover(family, alive, table, candidates)
    grown = table
    for point in cover.points:
        grown = grown.with_point(point)
    survivors = _mutants(family, alive)
    return Proof(
        name=field_map.name,
        points=len(points),
        encoders=count_of(everyone(family)),
        survivors=survivors,
        doubts=doubts_of(survivors),
        extra_points=tuple(grown.values(row) for row in range(table.size, grown.size)),
        never=doubts_of(_mutants(family, cover.left)) if ranges else (),
        has_ranges=bool(ranges),
        is_exact=table.sight is None,
    )


def doubts_of(survivors: Iterable[Mutant]) -> tuple[Doubt, ...]:
    """Wrong encoders grouped by what they are wrong in, the simplest group first.

    An encoder with two slips is left out when one of them alone is a survivor too, and a member of a group when
    the whole group has the same doubt.
    """
    survivors = tuple(survivors)
    alone = {(one.part, one.slips[0]) for one in survivors if len(one.slips) == 1}
    groups: dict[tuple[str, str], list[Mutant]] = {}
    for one in survivors:
        if len(one.slips) == 1 or not any((one.part, slip) in alone for slip in one.slips):
            groups.setdefault((one.part, _aspects(one.slips)), []).append(one)
    doubts = [
        Doubt(part=part, aspect=aspect, mutants=tuple(sorted(found, key=lambda one: (one.rank, one.text))))
        for (part, aspect), found in groups.items()
        if (_group_of(part), aspect) not in groups or _group_of(part) == part
    ]
    return tuple(sorted(doubts, key=lambda doubt: (doubt.mutants[0].rank, doubt.part, doubt.aspect)))


def _mutants(family: Family, alive: Alive) -> tuple[Mutant, ...]:
    found = [part.mutant(row) for part, rows in zip(family.parts, alive[:-1], strict=True) for row in rows.tolist()]
    if family.check is not None:
        found += [family.check.mutant(row) for row in alive[-1].tolist()]
    return tuple(found)


def _aspects(slips: tuple[Slip, ...]) -> str:
    return " and ".join(sorted({slip.aspect for slip in slips}))


def _group_of(part: str) -> str:
    """The routine of a member's group: `bale[*].temperature` of `bale[0].temperature`."""
    before, bracket, after = part.partition("[")
    return f"{before}[*]{after.partition(']')[2]}" if bracket else part


def _encoders(count: int) -> str:
    return "1 wrong encoder sends" if count == 1 else f"{count} wrong encoders send"


def _listed(point: Values) -> str:
    return ", ".join(f"{name} {value!r}" for name, value in point.items())
