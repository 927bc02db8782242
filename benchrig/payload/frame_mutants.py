"""Wrong encoders of a whole payload: old frames, bytes moved together, two fields exchanged, every order wrong.

Owns slips that no single field can make. Must not know what the fields mean. The slips are common practice, no
source; a byte inserted before a field is what a compiler's padding does to a structure sent as it lies in memory.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np

from benchrig.payload.layout import either
from benchrig.payload.slips import ORDER, SOURCE, WHOLE_PAYLOAD, Mutant, Slip

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.payload.field_mutants import FieldPart, Rows
    from benchrig.payload.layout import Bytes, Layout
    from benchrig.payload.points import PointTable
    from benchrig.payload.slips import When
    from benchrig.payload.whole_arrays import Truth

_EMPTY: Final = -1
_MOST_PAIRS: Final = 60
_Item = TypeVar("_Item")
_PLACE: Final = "the place of the bytes"
_OWN: Final = "that every value of {} has its own place"


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """The right frame of some moment with its bytes taken from elsewhere, or several routines wrong at once."""

    slip: Slip
    take: tuple[int, ...] = ()
    when: When = "now"
    joint: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, eq=False)
class FramePart:
    """The wrong encoders of the whole payload."""

    layout: Layout
    routines: tuple[FieldPart, ...]
    frames: tuple[_Frame, ...]
    name: str = field(default=WHOLE_PAYLOAD)

    @property
    def size(self) -> int:
        """Number of wrong encoders."""
        return len(self.frames)

    @property
    def home(self) -> Bytes:
        """Every bit of the body."""
        return ~self.layout.check

    def mutant(self, row: int) -> Mutant:
        """One encoder in words."""
        return Mutant(part=self.name, slips=(self.frames[row].slip,))

    def is_confined(self, rows: Rows) -> Truth:
        """None of them stays within one routine's bits."""
        return np.zeros(rows.size, dtype=np.bool_)

    def unknown(self, rows: Rows, table: PointTable) -> Truth:
        """Where the frame before the first point would be sent."""
        stale = np.array([self.frames[row].when == "previous" for row in rows], dtype=np.bool_)
        return np.asarray(stale[:, None] & (table.previous < 0))

    def footprint(self, rows: Rows) -> Bytes:
        """The bits that each encoder writes."""
        masks = [self._footprint(self.frames[row]) for row in rows.tolist()]
        return np.array(masks, dtype=np.uint8).reshape(rows.size, self.layout.length)

    def bodies(self, rows: Rows, table: PointTable) -> Bytes:
        """The payload of each encoder at each point, its check value left zero."""
        bodies = [self._body(self.frames[row], table) for row in rows.tolist()]
        return np.array(bodies, dtype=np.uint8).reshape(rows.size, *table.right.shape)

    def _footprint(self, frame: _Frame) -> Bytes:
        if frame.joint:
            return either(np.array([self.routines[part].home for part, _ in frame.joint], dtype=np.uint8))
        return self.home

    def _body(self, frame: _Frame, table: PointTable) -> Bytes:
        if frame.joint:
            return self._joint(frame, table)
        moments = {
            "now": np.arange(table.size),
            "previous": np.where(table.previous < 0, np.arange(table.size), table.previous),
            "first": np.zeros(table.size, dtype=np.intp),
        }
        body: Bytes = table.right[moments[frame.when]]
        if not frame.take:
            return body
        padded = np.concatenate([body, np.zeros((table.size, 1), dtype=np.uint8)], axis=1)
        return np.asarray(padded[:, [*frame.take]], dtype=np.uint8)  # -1 takes the zero

    def _joint(self, frame: _Frame, table: PointTable) -> Bytes:
        body = table.right.copy()
        for part, row in frame.joint:
            body ^= self.routines[part].bodies(np.array([row]), table)[0] ^ table.right
        return body


def frame_part(layout: Layout, routines: Sequence[FieldPart]) -> FramePart:
    """The family of the whole payload; `routines` are those of the single fields and groups."""
    frames = (
        *_stale_frames(),
        *_joint_order(routines),
        *_exchanged_values(routines),
        *_exchanged_places(layout),
        *_moved_bytes(layout),
    )
    return FramePart(layout, tuple(routines), frames)


def _stale_frames() -> Iterator[_Frame]:
    fresh = "that {} is fresh"
    yield _Frame(slip=Slip(words="the frame of the point before", aspect=fresh, cost=2), when="previous")
    yield _Frame(slip=Slip(words="the frame of the first point for ever", aspect=fresh, cost=2), when="first")


def _joint_order(routines: Sequence[FieldPart]) -> Iterator[_Frame]:
    """Every multi-byte field in the other order, each field once: a group by its routine for all members."""
    chosen, taken = [], set[int]()
    for index, part in enumerate(routines):
        words = [choice.slip.words for choice in part.stages.orders]
        if "bytes in the other order" in words and not taken & set(part.places):
            taken |= set(part.places)
            chosen.append((index, part.row_of(ORDER, words.index("bytes in the other order"))))
    if len(chosen) > 1:
        slip = Slip(words="every field with its bytes in the other order", aspect="the byte order", cost=1)
        yield _Frame(slip=slip, joint=tuple(chosen))


def _exchanged_values(routines: Sequence[FieldPart]) -> Iterator[_Frame]:
    """Two fields that each send the other's value, encoded as their own."""
    single = {part.places[0]: index for index, part in enumerate(routines) if len(part.places) == 1}
    for low, high in _near_pairs(sorted(single)):
        rows = [_source_row(routines[single[one]], other) for one, other in ((low, high), (high, low))]
        if None not in rows:
            names = f"{routines[single[low]].name} and {routines[single[high]].name}"
            slip = Slip(words=f"values of {names} exchanged", aspect=_OWN, cost=2)
            joint = tuple((single[one], row) for one, row in zip((low, high), rows, strict=True) if row is not None)
            yield _Frame(slip=slip, joint=joint)


def _source_row(part: FieldPart, other: int) -> int | None:
    for index, choice in enumerate(part.stages.sources):
        if choice.act.when == "now" and choice.act.places == (other,):
            return part.row_of(SOURCE, index)
    return None


def _exchanged_places(layout: Layout) -> Iterator[_Frame]:
    """Two whole-byte fields in each other's bytes: of one size, or neighbours of any size."""
    spans = [
        (one.name, one.offset, one.end) for one in layout.placed if one.field.bit == 0 and one.field.width_bits % 8 == 0
    ]
    for (name, start, end), (other, begin, last) in _near_pairs(sorted(spans, key=lambda one: one[1])):
        if end - start == last - begin or end == begin:
            order = [*range(begin, last), *range(end, begin), *range(start, end)]
            take = [*range(start), *order, *range(last, layout.length)]
            slip = Slip(words=f"{name} and {other} in each other's place", aspect=_PLACE, cost=2)
            yield _Frame(slip=slip, take=tuple(take))


def _near_pairs(ordered: Sequence[_Item]) -> list[tuple[_Item, _Item]]:
    """Pairs, nearest first; in a long group there would be thousands of them."""
    pairs = itertools.combinations(range(len(ordered)), 2)
    nearest = sorted(pairs, key=lambda pair: pair[1] - pair[0])[:_MOST_PAIRS]
    return [(ordered[low], ordered[high]) for low, high in nearest]


def _moved_bytes(layout: Layout) -> Iterator[_Frame]:
    body = [index for index in range(layout.length) if not layout.check[index]]
    if len(body) > 1:
        yield _moved(layout, body, [*reversed(body)], words="all bytes in the other order", cost=3)
    for start in sorted({one.offset for one in layout.placed}):
        at = body.index(start)
        name = next(one.name for one in layout.placed if one.offset == start)
        later = [*body[:at], _EMPTY, *body[at:-1]]
        yield _moved(layout, body, later, words=f"a byte too many before {name}, the last one lost", cost=2)
        if at:
            earlier = [*body[: at - 1], *body[at:], _EMPTY]
            yield _moved(layout, body, earlier, words=f"the byte before {name} missing", cost=2)


def _moved(layout: Layout, body: Sequence[int], sources: Sequence[int], *, words: str, cost: int) -> _Frame:
    take = [_EMPTY] * layout.length  # the check value's bytes stay zero
    for target, source in zip(body, sources, strict=True):
        take[target] = source
    return _Frame(slip=Slip(words=words, aspect=_PLACE, cost=cost), take=tuple(take))
