"""Traces as text: one or more columns, with or without headings.

Owns delimiters, decimal marks and words for no number. Must not know what the columns mean beyond `columns`. A
decimal comma is read where columns are divided by semicolon or tab. Lines that begin with # are comments.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import ConfigError
from benchrig.trace_readers.columns import Picked, pick, pick_by_place

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_NO_NUMBER = frozenset(("", "nan", "na", "n/a", "null", "none", "-", "--", "---", "ol", "ovld", "overload", "ovrflw"))
_ACCEPTED = "a number, such as 1.7e-05, or nothing where none was measured"


@dataclass(frozen=True, slots=True)
class TextTable:
    """The columns that were picked, as numbers; NaN where there was none. `first_line` is that of the first row."""

    picked: Picked
    current: Floats
    time: Floats | None
    first_line: int


def read_text(data: bytes, *, column: str | None, file: str) -> TextTable:
    """Read columns of text. Raises ConfigError that names line and column."""
    lines = [(number, line) for number, line in enumerate(_decoded(data, file).splitlines(), 1) if _counts(line)]
    if not lines:
        raise ConfigError(f"trace {file}: no line of it holds a sample")
    delimiter = _delimiter(lines[0][1])
    head = _cells(lines[0][1], delimiter)
    if _is_heading(head):
        picked, rows = pick(head, column=column, file=file), lines[1:]
    else:
        picked, rows = pick_by_place(len(head), file=file), lines
    if not rows:
        raise ConfigError(f"trace {file}: headings and no sample")
    wanted = [picked.current] if picked.time is None else [picked.current, picked.time]
    numbers = _fast(rows, wanted, delimiter)
    if numbers is None:
        numbers = _slow(rows, wanted, delimiter, heads=head if rows is not lines else (), file=file)
    current = numbers[:, 0] * picked.current_factor
    time = numbers[:, 1] * picked.time_factor if picked.time is not None else None
    return TextTable(picked, current, time, rows[0][0])


def _decoded(data: bytes, file: str) -> str:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # every byte is a character there: the µ of an old spreadsheet
    if "\0" in text:
        raise ConfigError(f"trace {file}: neither text nor a form that is known by its first bytes")
    return text


def _counts(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _delimiter(line: str) -> str:
    """What divides the first line; the semicolon first, since a comma beside it is a decimal mark."""
    return next((mark for mark in (";", "\t", ",") if mark in line), ",")


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def _is_heading(cells: Sequence[str]) -> bool:
    return any(_number(cell) is None for cell in cells)


def _number(cell: str) -> float | None:
    """The number in a cell, NaN for a word that says there is none, None for what is neither."""
    text = cell.strip()
    if text.lower() in _NO_NUMBER:
        return math.nan
    if "_" in text or not text.isascii():
        return None  # float() would read them, nobody writes them
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _fast(rows: Sequence[tuple[int, str]], wanted: Sequence[int], delimiter: str) -> Floats | None:
    """All rows at once by NumPy; None when one of them needs a closer look."""
    body: Iterator[str] = (line for _, line in rows)
    if delimiter != ",":
        body = (line.replace(",", ".") for line in body)
    try:
        numbers = np.loadtxt(
            body, delimiter=delimiter, usecols=wanted, comments=None, ndmin=2, quotechar='"', dtype=np.float64
        )
    except (ValueError, IndexError):
        return None
    return numbers if len(numbers) == len(rows) else None


def _slow(
    rows: Sequence[tuple[int, str]], wanted: Sequence[int], delimiter: str, *, heads: Sequence[str], file: str
) -> Floats:
    numbers = np.empty((len(rows), len(wanted)))
    for row, (line, text) in enumerate(rows):
        cells = _cells(text, delimiter)
        for place, index in enumerate(wanted):
            where = f"trace {file}, line {line}, column {heads[index].strip()!r}" if heads else ""
            where = where or f"trace {file}, line {line}, column {index + 1}"
            if index >= len(cells):
                raise ConfigError(f"{where}: the line has {len(cells)} columns; accepted: as many as the first line")
            number = _number(cells[index])
            if number is None:
                raise ConfigError(
                    f"{where}: {io.StringIO(cells[index]).read(40)!r} is no number; accepted: {_ACCEPTED}"
                )
            numbers[row, place] = number
    return numbers
