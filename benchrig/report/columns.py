"""Text in aligned columns of a given total width: long cells are wrapped, nothing is cut off.

Knows nothing of what the cells mean. Widths count characters, so East Asian wide ones may stand out.
"""

from __future__ import annotations

import re
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_GAP = "  "
_BETWEEN_CELLS = re.compile(r"(?<=\S) {2,}(?=\S)")
_NARROWEST = 8
"""A column that may shrink keeps this many characters, whatever the width asked for."""


def width_for(columns: int, *, otherwise: int) -> int:
    """How wide a report is for a terminal of so many columns: from 80 to 150; 0 columns are no terminal."""
    return max(80, min(columns, 150)) if columns else otherwise


def column_widths(rows: Sequence[Sequence[str]], *, width: int, fixed: frozenset[int]) -> list[int]:
    """Widths that hold the cells; when the sum passes `width`, the widest column that is not `fixed` gives way."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    room = width - len(_GAP) * (len(widths) - 1)
    flexible = [index for index in range(len(widths)) if index not in fixed and widths[index] > _NARROWEST]
    while flexible and sum(widths) > room:
        widest = max(flexible, key=lambda index: widths[index])
        widths[widest] -= 1
        flexible = [index for index in flexible if widths[index] > _NARROWEST]
    return widths


def row_lines(
    cells: Sequence[str],
    widths: Sequence[int],
    *,
    right: frozenset[int] = frozenset(),
    paint: Callable[[str, int], str] = lambda text, _: text,
) -> list[str]:
    """The lines of one row. `paint` gets each padded cell and its column; what it adds takes up no width."""
    wrapped = [_wrapped(cell, width) for cell, width in zip(cells, widths, strict=True)]
    return [
        _GAP.join(
            paint(_padded(parts[line] if line < len(parts) else "", width, right=index in right), index)
            for index, (parts, width) in enumerate(zip(wrapped, widths, strict=True))
        ).rstrip()
        for line in range(max(len(parts) for parts in wrapped))
    ]


def paragraph(text: str, *, width: int, indent: str) -> list[str]:
    """Running text under an indent; following lines go in two more."""
    return textwrap.wrap(text, max(20, width), initial_indent=indent, subsequent_indent=indent + "  ")


def fitted(text: str, columns: int) -> str:
    """The same text on a terminal of so many columns: sentences wrap at words, below where their text begins.

    Rows of a table, with more than one gap between cells, stay as they are; 0 columns are no terminal.
    """
    return "\n".join(_fitted_line(line, columns) for line in text.split("\n")) if columns else text


def _fitted_line(line: str, columns: int) -> str:
    body = line.lstrip(" ")
    gaps = list(_BETWEEN_CELLS.finditer(body))
    if len(line) <= columns or len(gaps) > 1:
        return line
    indent = len(line) - len(body)
    hanging = indent + (gaps[0].end() if gaps else 2)
    if 2 * hanging > columns:
        hanging = indent + 2
    lines = textwrap.wrap(
        line, columns, subsequent_indent=" " * hanging, break_long_words=False, break_on_hyphens=False
    )
    return "\n".join(lines)


def _wrapped(cell: str, width: int) -> list[str]:
    indent = cell[: len(cell) - len(cell.lstrip(" "))]
    if len(cell) <= width:
        return [cell]
    # a name such as HB-BARN is one word
    return textwrap.wrap(cell, max(width, len(indent) + 1), subsequent_indent=indent, break_on_hyphens=False)


def _padded(text: str, width: int, *, right: bool) -> str:
    return text.rjust(width) if right else text.ljust(width)
