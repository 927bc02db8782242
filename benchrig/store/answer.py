"""An answer of the history: a title, columns and rows, shown as a table, as JSON or as CSV.

Owns how an answer looks. Everything in it is foreign text: shown as text, never as what it may be to a terminal, or to
a program for tables, which would take a cell that begins with '=' for a formula.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from benchrig.report.columns import column_widths, row_lines
from benchrig.report.text import one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.store.rows import Cell, Row

_FORMULA = ("=", "+", "-", "@")
_WIDTH = 150
_INDENT = "  "
_NOTHING = "-"


@dataclass(frozen=True, slots=True)
class Answer:
    """Rows under columns. A `long` one is shown when it is asked for by name, and always in JSON.

    In a `finding` every row is something that should not be.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    long: bool = False
    finding: bool = False

    def named(self) -> list[dict[str, Cell]]:
        """Each row by its columns."""
        return [dict(zip(self.columns, row, strict=True)) for row in self.rows]


def as_text(answers: Sequence[Answer], *, width: int = _WIDTH) -> str:
    """Tables for people, one below the other; empty ones say so."""
    return "\n\n".join(_table(one, width=width) for one in answers)


def as_json(answers: Sequence[Answer]) -> str:
    """One object: title -> list of rows, numbers as numbers."""
    plain = {one.title: one.named() for one in answers}
    return msgspec.json.format(msgspec.json.encode(plain), indent=2).decode()


def as_csv(answer: Answer) -> str:
    """RFC 4180, a header line first. A text that a program would reckon with gets an apostrophe in front."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(answer.columns)
    writer.writerows([[_csv_cell(cell) for cell in row] for row in answer.rows])
    return out.getvalue()


def _table(answer: Answer, *, width: int) -> str:
    if not answer.rows:
        return f"{answer.title}: none"
    rows = [answer.columns, *(tuple(map(_shown, row)) for row in answer.rows)]
    numbers = frozenset(
        at for at in range(len(answer.columns)) if all(isinstance(row[at], int | float | None) for row in answer.rows)
    )
    # a heading over numbers wraps between its words, so that it takes no more room than they do
    heading = tuple(max(one.split(), key=len) if at in numbers else one for at, one in enumerate(answer.columns))
    widths = column_widths([heading, *rows[1:]], width=width - len(_INDENT), fixed=numbers)
    lines = [line for row in rows for line in row_lines(row, widths, right=numbers)]
    return "\n".join([f"{answer.title} ({len(answer.rows)})", *(f"{_INDENT}{line}" for line in lines)])


def _shown(cell: Cell) -> str:
    if cell is None:
        return _NOTHING
    return f"{cell:.6g}" if isinstance(cell, float) else one_line(str(cell))


def _csv_cell(cell: Cell) -> Cell:
    if not isinstance(cell, str):
        return cell
    shown = one_line(cell)
    harmless = shown == _NOTHING or _is_number(shown)
    return f"'{shown}" if shown.startswith(_FORMULA) and not harmless else shown


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
