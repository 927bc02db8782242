"""What the commas in a column of numbers are: decimal marks, marks between thousands, or not to be told.

Owns that one question, for every reader of columns that may be written with a decimal comma. Must not know files,
columns or units. `1,234` is 1.234 in one country and 1234 in another (ISO 80000-1:2009, 7.3.1, takes comma and point
alike as the decimal mark and no mark between thousands but a small space; from memory): such a cell is read only
beside others of its column that leave no doubt, and nothing is guessed.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_NUMBER_LIKE = re.compile(r"\s*[-+]?[0-9][-+0-9.,eE]*\s*|\s*[-+]?[.,][0-9][-+0-9.,eE]*\s*")
_MAY_BE_THOUSANDS = re.compile(r"[-+]?[1-9][0-9]{0,2},[0-9]{3}")
"""One comma, with as many digits before and behind it as a mark between thousands has."""

WRITE_IT = "write 1.5 or 1,5 for one and a half, and 1234 for a thousand and more, without a mark between thousands"


class Doubt(NamedTuple):
    """A cell that cannot be read for certain: its line, what stands there, and why."""

    line: int
    cell: str
    why: str


class _Use(NamedTuple):
    """The first cell of a column, with its line, of each kind; None where there is none."""

    point: tuple[int, str] | None
    comma: tuple[int, str] | None
    unsure: tuple[int, str] | None
    """With a comma that may stand between thousands."""
    double: tuple[int, str] | None
    """With more than one mark."""


def comma_doubt(*columns: Iterable[tuple[int, str]]) -> Doubt | None:
    """The first cell of (line, text) that a decimal comma does not explain; None when every comma is one.

    Each column has one decimal mark of its own, but a decimal comma in one of them explains those of the others, too.
    What is no number at all is passed over: whoever reads it tells so.
    """
    uses = [_use(cells) for cells in columns]
    is_proven = any(use.comma and not use.point for use in uses)
    return next((doubt for use in uses if (doubt := _doubt(use, is_proven=is_proven))), None)


def until_sure(cells: Iterable[tuple[int, str]]) -> Iterator[tuple[int, str]]:
    """The cells up to the first whose comma is a decimal mark: enough for a column in which no point stands."""
    for line, text in cells:
        yield line, text
        if "," in text and _NUMBER_LIKE.fullmatch(text) and not _MAY_BE_THOUSANDS.fullmatch(text.strip()):
            return


def _use(cells: Iterable[tuple[int, str]]) -> _Use:
    point: tuple[int, str] | None = None
    comma: tuple[int, str] | None = None
    unsure: tuple[int, str] | None = None
    for line, text in cells:
        if ("," not in text and "." not in text) or not _NUMBER_LIKE.fullmatch(text):
            continue
        cell = text.strip()
        if cell.count(",") + cell.count(".") > 1:
            return _Use(point, comma, unsure, double=(line, cell))
        if "." in cell:
            point = point or (line, cell)
        elif _MAY_BE_THOUSANDS.fullmatch(cell):
            unsure = unsure or (line, cell)
        else:
            comma = comma or (line, cell)
    return _Use(point, comma, unsure, None)


def _doubt(use: _Use, *, is_proven: bool) -> Doubt | None:
    if use.double:
        return Doubt(*use.double, "has more than one mark, so one of them stands between thousands")
    with_comma = use.comma or use.unsure
    if use.point and with_comma:
        line, cell = use.point
        return Doubt(*with_comma, f"has a comma, while line {line} has {cell!r}: one of them is no decimal mark")
    if use.unsure and not use.comma and not is_proven:
        return Doubt(*use.unsure, "may have three decimals, or be a thousand and more: nothing beside it tells which")
    return None
