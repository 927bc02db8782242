"""The annexes of a run, sorted: hop by hop as a table, energy and autonomy apart, all others as they stand.

Owns which annex goes where. Must not know who wrote one: it is told by its title, and one that looks otherwise than
expected is shown line by line.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from benchrig.dossier.content import Cell, Column, Lines, Table, Text
from benchrig.report import energy_annex, solar_annex

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.dossier.content import Block
    from benchrig.records import Annex

HOPS = "uplinks hop by hop"
"""Title of the annex of the check `uplink_hops`."""

_ENERGY = frozenset((energy_annex.TITLE, solar_annex.TITLE))
_GAP = re.compile(r" {2,}")
_HOP_COLUMNS = (
    Column(title="frame", share=1.3),
    Column(title="hop", share=1.7),
    Column(title="seen there", share=4.0),
    Column(title="to the hop before", share=1.6),
)


def is_set_apart(annex: Annex) -> bool:
    """Whether an annex has a section of its own."""
    return annex.title == HOPS or annex.title in _ENERGY


def has_energy(annexes: Sequence[Annex]) -> bool:
    return any(one.title in _ENERGY for one in annexes)


def energy_blocks(annexes: Sequence[Annex]) -> Iterator[Block]:
    """The annexes about charge, life and sun."""
    yield from (Lines(title=one.title, lines=one.lines) for one in annexes if one.title in _ENERGY)


def annex_blocks(annexes: Sequence[Annex]) -> Iterator[Block]:
    """Everything that has no section of its own; one without lines is a sentence."""
    for one in annexes:
        if not is_set_apart(one):
            yield Lines(title=one.title, lines=one.lines) if one.lines else Text(text=one.title)


def hop_blocks(annexes: Sequence[Annex]) -> Iterator[Block]:
    """A table of hops for each annex that holds one."""
    for one in annexes:
        if one.title == HOPS:
            yield from _hop_table(one)


def _hop_table(annex: Annex) -> Iterator[Block]:
    """The rows in columns, then the sentences behind them. A frame is named in the first of its rows alone."""
    rows: list[tuple[Cell, ...]] = []
    frame, sentences = "", []
    for line in annex.lines:
        parts = _GAP.split(line.rstrip())
        if len(parts) == len(_HOP_COLUMNS):
            frame = parts[0] or frame
            rows.append(tuple(Cell(text=text) for text in (frame, *parts[1:])))
        else:
            sentences.append(line.strip())
    if not rows:
        yield Lines(title=annex.title, lines=annex.lines)
        return
    yield Table(caption="Uplinks from the terminals to the decoded value", columns=_HOP_COLUMNS, rows=tuple(rows))
    yield from (Text(text=one) for one in sentences)
