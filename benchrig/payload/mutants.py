"""The family of plausible wrong encoders of a field map, evaluated all at once.

Owns how routines, whole payload and check value make one family. Must not know plans, observed bytes or wording.
A group's fields are sent wrong by one routine for all members, and each member alone with a single slip.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from benchrig.errors import ConfigError
from benchrig.payload.check_mutants import CheckPart, check_part
from benchrig.payload.field_mutants import FieldPart, field_part
from benchrig.payload.frame_mutants import FramePart, frame_part
from benchrig.payload.layout import Bytes, Layout
from benchrig.payload.slips import Mutant, Slip

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.field_mutants import Rows
    from benchrig.payload.points import PointTable
    from benchrig.payload.whole_arrays import Truth

__all__ = ["Family", "Mutant", "Part", "Slip", "mutant_family", "routines_of", "wrong_at"]

DEFAULT_SLIPS: Final = 2
MOST_SLIPS: Final = 3
_BLOCK_BYTES: Final = 4 << 20


class Part(Protocol):
    """Wrong encoders of one part of the body."""

    @property
    def name(self) -> str:
        """The part in words."""

    @property
    def size(self) -> int:
        """Number of wrong encoders."""

    @property
    def home(self) -> Bytes:
        """The bits that the part owns when it is right."""

    def mutant(self, row: int) -> Mutant:
        """One encoder in words."""

    def is_confined(self, rows: Rows) -> Truth:
        """Which encoders change no bit outside the home."""

    def unknown(self, rows: Rows, table: PointTable) -> Truth:
        """Where an encoder sends what no point tells."""

    def footprint(self, rows: Rows) -> Bytes:
        """The bits that each encoder writes."""

    def bodies(self, rows: Rows, table: PointTable) -> Bytes:
        """Payloads by encoder and point, check value zero."""


@dataclass(frozen=True, eq=False)
class Family:
    """Wrong encoders of a field map at one payload length."""

    layout: Layout
    routines: tuple[FieldPart, ...]
    frame: FramePart
    check: CheckPart | None

    @property
    def parts(self) -> tuple[Part, ...]:
        """Everything that makes a body wrong."""
        return (*self.routines, self.frame)

    @property
    def size(self) -> int:
        """Number of wrong encoders."""
        return sum(part.size for part in self.parts) + (0 if self.check is None else self.check.size)

    def mutants(self) -> Iterator[Mutant]:
        """Every wrong encoder in words."""
        for part in self.parts:
            yield from (part.mutant(row) for row in range(part.size))
        if self.check is not None:
            yield from (self.check.mutant(row) for row in range(self.check.size))

    def payloads(self, bodies: Bytes) -> Bytes:
        """Bodies with the right check value; the last axis is of bytes."""
        if self.check is None:
            return bodies
        sealed = bodies.copy()
        sealed[..., self.layout.check != 0] = self.check.right.values(bodies)
        return sealed


def mutant_family(
    field_map: FieldMap,
    *,
    length_bytes: int,
    max_slips: int = DEFAULT_SLIPS,
    fitted_counts: Mapping[str, Sequence[int]] | None = None,
) -> Family:
    """The wrong encoders of payloads of this length, with up to `max_slips` (1 to 3) slips in one field.

    `fitted_counts` adds constants, by the name of a routine. Raises ConfigError.
    """
    if max_slips not in range(1, MOST_SLIPS + 1):
        raise ConfigError(f"max_slips {max_slips} is not accepted; accepted 1 to {MOST_SLIPS}")
    layout = Layout.of(field_map, length_bytes)
    fitted = fitted_counts or {}
    routines = tuple(
        field_part(layout, places, name=name, max_slips=min(max_slips, most), fitted_counts=tuple(fitted.get(name, ())))
        for name, places, most in routines_of(layout)
    )
    return Family(layout, routines, frame_part(layout, routines), check_part(layout))


def wrong_at(part: Part, rows: Rows, table: PointTable, *, first: int = 0) -> Truth:
    """For each encoder of `rows` and point from `first` on whether its bytes are certainly noticed to be wrong."""
    found = np.zeros((rows.size, table.size - first), dtype=np.bool_)
    block = max(1, _BLOCK_BYTES // table.right.size)
    for start in range(0, rows.size, block):
        some = rows[start : start + block]
        difference = _noticed(part.bodies(some, table)[:, first:], table, first=first)
        hidden = part.unknown(some, table)[:, first:, None] * part.footprint(some)[:, None, :]
        found[start : start + block] = (difference & ~hidden.astype(np.uint8)).any(axis=-1)
    return found


def _noticed(bodies: Bytes, table: PointTable, *, first: int) -> Bytes:
    right = table.right[first:]
    return bodies ^ right if table.sight is None else table.sight.noticed(bodies, right)


def routines_of(layout: Layout) -> Iterator[tuple[str, tuple[int, ...], int]]:
    """Name, places and most slips of every routine: fields, groups, and members of groups."""
    place = {one.name: index for index, one in enumerate(layout.placed)}
    for one in layout.field_map.fields:
        yield one.name, (place[one.name],), MOST_SLIPS
    for group in layout.field_map.groups:
        for one in group.fields:
            members = [index for name, index in place.items() if _is_member(name, group.name, one.name)]
            if len(members) > 1:
                yield f"{group.name}[*].{one.name}", tuple(members), MOST_SLIPS
            most = 1 if len(members) > 1 else MOST_SLIPS
            for index in members:
                yield layout.placed[index].name, (index,), most


def _is_member(name: str, group: str, field: str) -> bool:
    return name.startswith(f"{group}[") and name.endswith(f"].{field}")
