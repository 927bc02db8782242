"""Evidence from elsewhere: the slots for it, and the files that somebody put into them.

Owns which slots there are and what each asks for. Must not read files: it is given their names and hashes. Nothing in a
slot was tested here, and an empty one says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from benchrig.dossier.content import Cell, Column, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

NOT_TESTED = "not tested here"

SLOTS: Mapping[str, str] = MappingProxyType({
    "radio": "emission, receiver and spectrum of the product with its antenna, by the rules of each country it goes to",
    "transport": "test summary of the cell or battery, UN Manual of Tests and Criteria, sub-section 38.3",
    "environment": "temperature, humidity, ingress of water and dust, shock and vibration of the product as it is sold",
})  # fmt: skip
"""Name of each slot, and what belongs there. The kinds are common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attached:
    """A file in a slot: its name without a folder, its size and the hash of its bytes."""

    slot: str
    name: str
    size_bytes: int
    sha256: str


def evidence_table(attached: Sequence[Attached]) -> Table:
    """Every slot, filled or open."""
    return Table(
        caption="Evidence from elsewhere, none of it judged here",
        columns=(Column(title="slot", share=1.0), Column(title="what belongs there", share=2.2),
                 Column(title="file and SHA-256", share=2.6)),
        rows=tuple(_rows(attached)),
    )  # fmt: skip


def _rows(attached: Sequence[Attached]) -> Iterator[tuple[Cell, ...]]:
    for slot, asks in SLOTS.items():
        files = [one for one in attached if one.slot == slot]
        if not files:
            yield Cell(text=slot), Cell(text=asks), Cell(text=NOT_TESTED)
        for one in files:
            told = f"{one.name}, {one.size_bytes} bytes, {one.sha256}"
            yield Cell(text=slot), Cell(text=asks), Cell(text=told, code=True)
