"""What a dossier holds, as frozen value objects: sections of a few kinds of blocks, the same for every form of it.

Owns the kinds of blocks. Must not know HTML, PDF, or what a run is. All text is foreign text, as it came: whoever
writes a form makes it safe there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from benchrig.records import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One cell of a table. A `verdict` is shown as mark and word before the text; `code` is set in equal widths.

    `note` stands below, smaller.
    """

    text: str = ""
    note: str = ""
    verdict: Verdict | None = None
    code: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its heading, and its share of the width."""

    title: str
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; the first cell of each row names the row."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names and what they are."""

    facts: tuple[tuple[str, Cell], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A paragraph; `strong` where nobody may miss it."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """An item of a list, and what to do about it."""

    text: str
    next_action: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Items:
    """A list."""

    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Lines in columns, as a check laid them out."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A picture as SVG, and the same in words. One that was `kept` came from a file and is not of this project's hand.

    A `tall` one goes over the whole width of a page.
    """

    title: str
    svg: str
    alt: str
    kept: bool = False
    tall: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SignatureLine:
    """Room for a name, a date and a signature."""

    role: str


def in_columns(line: str) -> bool:
    """Whether a line of `Lines` keeps columns by its spaces; one that does not is a sentence, and may be wrapped."""
    return "  " in line.strip()


Block = Table | Facts | Text | Items | Lines | Figure | SignatureLine


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A section; `key` names it within the document."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dossier:
    """A whole dossier.

    `made` is when the run ended: a dossier that is made again is the same. `alarms` stand on top. `blockers` say why
    nobody may sign it; none: it can be signed.
    """

    board: str
    subtitle: str
    made: datetime | None
    simulated: bool
    verdict: Verdict
    headline: str
    words: tuple[str, ...]
    alarms: tuple[str, ...]
    blockers: tuple[str, ...]
    footer: str
    sections: tuple[Section, ...]

    @property
    def can_be_signed(self) -> bool:
        return not self.blockers
