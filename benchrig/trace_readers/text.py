"""Traces as text: one or more columns, with or without headings.

Owns delimiters, decimal marks, words for no number, and whether a file was cut. Must not know what the columns mean
beyond `columns`. A decimal comma is read where columns are divided by semicolon or tab. Lines that begin with # are
comments. A line ends with a line break (POSIX.1-2017, 3.206 "Line", from memory), the last one, too: without it, its
last number may be half of one.
"""

from __future__ import annotations

import codecs
import csv
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.decimal_mark import WRITE_IT, comma_doubt, until_sure
from benchrig.errors import ConfigError
from benchrig.trace_readers.columns import Picked, pick, pick_by_place, shortened

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Rows = Sequence[tuple[int, str]]

_NO_NUMBER = frozenset(("", "nan", "na", "n/a", "null", "none", "-", "--", "---", "ol", "ovld", "overload", "ovrflw"))
_ACCEPTED = "a number, such as 1.7e-05, or nothing where none was measured"
_DIVIDED = "with decimal commas, divide the columns by semicolon or tab"

_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_GZIP = b"\x1f\x8b"


@dataclass(frozen=True, slots=True)
class TextTable:
    """The columns that were picked, as numbers; NaN where there was none. `lines` says where each row stands."""

    picked: Picked
    current: Floats
    time: Floats | None
    lines: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Form:
    """How a file divides its columns, what its first row holds, and which of the columns are wanted."""

    file: str
    delimiter: str
    head: Sequence[str]
    has_headings: bool
    wanted: Sequence[int]

    @property
    def comma_is_decimal(self) -> bool:
        return self.delimiter != ","

    def place(self, line: int, index: int) -> str:
        """Where a cell stands, in words."""
        name = repr(shortened(self.head[index].strip())) if self.has_headings else f"{index + 1}"
        return f"trace {self.file}, line {line}, column {name}"


def read_text(data: bytes, *, column: str | None, file: str) -> TextTable:
    """Read columns of text. Raises ConfigError that names line and column."""
    text = _decoded(data, file)
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if _counts(line)]
    if not lines:
        raise ConfigError(f"trace {file}: no line of it holds a sample; accepted: columns of numbers")
    delimiter = _delimiter(lines[0][1])
    head = _cells(lines[0][1], delimiter)
    has_headings = _is_heading(head)
    picked = pick(head, column=column, file=file) if has_headings else pick_by_place(len(head), file=file)
    rows = lines[1:] if has_headings else lines
    if not rows:
        raise ConfigError(f"trace {file}: headings and no sample; accepted: a row for each sample below them")
    _refuse_cut(text, rows[-1], file)
    wanted = [picked.current] if picked.time is None else [picked.current, picked.time]
    form = _Form(file, delimiter, head, has_headings, wanted)
    _refuse_doubtful(rows, form)
    numbers = _fast(rows, form)
    if numbers is None:
        numbers = _slow(rows, form)
    current = numbers[:, 0] * picked.current_factor
    time = numbers[:, 1] * picked.time_factor if picked.time is not None else None
    return TextTable(picked, current, time, tuple(number for number, _ in rows))


def _decoded(data: bytes, file: str) -> str:
    if data.startswith(_GZIP):
        raise ConfigError(f"trace {file}: is packed (gzip); unpack it first (gunzip), and give what comes out")
    if data.startswith(_UTF_16):
        return _of_utf_16(data, file)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # every byte is a character there: the µ of an old spreadsheet
    if "\0" in text:
        raise ConfigError(
            f"trace {file}: neither text nor a form that is known by its first bytes, which are {data[:8].hex(' ')}; "
            "accepted: text with columns in UTF-8, NumPy (.npy, .npz), Parquet, or an IEEE 488.2 block"
        )
    return text


def _of_utf_16(data: bytes, file: str) -> str:
    """Text of a spreadsheet that calls this "Unicode text"."""
    try:
        return data.decode("utf-16")
    except UnicodeDecodeError as wrong:
        raise ConfigError(
            f"trace {file}: begins as UTF-16 and is none at byte {wrong.start}; it is damaged or cut: export it again"
        ) from wrong


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
    return any(_number(cell, comma_is_decimal=True) is None for cell in cells)


def _number(cell: str, *, comma_is_decimal: bool) -> float | None:
    """The number in a cell, NaN for a word that says there is none, None for what is neither."""
    text = cell.strip()
    if text.lower() in _NO_NUMBER:
        return math.nan
    if "_" in text or not text.isascii():
        return None  # float() would read them, nobody writes them
    try:
        return float(text.replace(",", ".") if comma_is_decimal else text)
    except ValueError:
        return None


# ---- what would give a wrong number


def _refuse_cut(text: str, last: tuple[int, str], file: str) -> None:
    if not _counts(text[max(text.rfind("\n"), text.rfind("\r")) + 1 :]):
        return
    line, row = last
    raise ConfigError(
        f"trace {file}, line {line}: {shortened(row.strip())!r} is the end of the file, without a line break: its last "
        "number may be cut; accepted: a line break behind every row; take the whole file, or, if the row is whole, add "
        "one"
    )


def _refuse_doubtful(rows: Rows, form: _Form) -> None:
    """A comma that may stand between thousands, where a comma can be a decimal mark at all."""
    if not form.comma_is_decimal or not any("," in line for _, line in rows):
        return
    columns = [_column(rows, index, form) for index in form.wanted]
    if not any("." in line for _, line in rows):  # a million rows need not all be asked
        columns = [until_sure(cells) for cells in columns]
    doubt = comma_doubt(*columns)
    if doubt is not None:
        raise ConfigError(f"trace {form.file}, line {doubt.line}: {shortened(doubt.cell)!r} {doubt.why}; {WRITE_IT}")


def _column(rows: Rows, index: int, form: _Form) -> Iterator[tuple[int, str]]:
    for line, text in rows:
        cells = _cells(text, form.delimiter) if '"' in text else text.split(form.delimiter, index + 1)
        if index < len(cells):
            yield line, cells[index]


# ---- numbers


def _fast(rows: Rows, form: _Form) -> Floats | None:
    """All rows at once by NumPy; None when one of them needs a closer look."""
    most = len(form.head) - 1
    if any(line.count(form.delimiter) > most for _, line in rows):
        return None
    body: Iterator[str] = (line for _, line in rows)
    if form.comma_is_decimal:
        body = (line.replace(",", ".") for line in body)
    try:
        numbers = np.loadtxt(
            body,
            delimiter=form.delimiter,
            usecols=form.wanted,
            comments=None,
            ndmin=2,
            quotechar='"',
            dtype=np.float64,
        )
    except (ValueError, IndexError):
        return None
    return numbers if len(numbers) == len(rows) else None


def _slow(rows: Rows, form: _Form) -> Floats:
    numbers = np.empty((len(rows), len(form.wanted)))
    for row, (line, text) in enumerate(rows):
        cells = _cells(text, form.delimiter)
        _refuse_more(cells, line, form)
        for place, index in enumerate(form.wanted):
            numbers[row, place] = _of_cell(cells, line, index, form)
    return numbers


def _refuse_more(cells: Sequence[str], line: int, form: _Form) -> None:
    """More cells than the first line has are halves of numbers; blank ones at the end are a habit of some exports."""
    count = len(form.head)
    if not any(cell.strip() for cell in itertools.islice(cells, count, None)):
        return
    row = shortened(form.delimiter.join(cells))
    raise ConfigError(
        f"trace {form.file}, line {line}: {len(cells)} columns, {row!r}; accepted: as many as the first line has, "
        f"{count}; {_DIVIDED}"
    )


def _of_cell(cells: Sequence[str], line: int, index: int, form: _Form) -> float:
    if index >= len(cells):
        raise ConfigError(
            f"{form.place(line, index)}: the line has {len(cells)} columns; accepted: as many as the first line has, "
            f"{len(form.head)}"
        )
    number = _number(cells[index], comma_is_decimal=form.comma_is_decimal)
    if number is None:
        hint = f"; {WRITE_IT if form.comma_is_decimal else _DIVIDED}" if "," in cells[index] else ""
        shown = shortened(cells[index])
        raise ConfigError(f"{form.place(line, index)}: {shown!r} is no number; accepted: {_ACCEPTED}{hint}")
    return number
