"""Points at which an encoder is looked at: what the board measured there, and which bytes are right.

Owns the table of points, ranges of values and the order of points (a stale encoder sends the point before).
Must not know slips. Every planned point goes through `encode` once, so that a plan with a value missing or out
of range is refused with its number.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from benchrig.errors import ConfigError
from benchrig.payload.bits import extract
from benchrig.payload.encode import encode
from benchrig.payload.exact import Exact, exact
from benchrig.payload.layout import Bytes, Layout, laid_out
from benchrig.payload.whole_arrays import (
    Amount,
    Scale,
    common_denominator,
    fits_int64,
    largest_results,
    right_counts,
    whole,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.fields import Placed
    from benchrig.payload.sight import Sight
    from benchrig.payload.whole_arrays import Whole

Cell = Fraction | str
"""What one field is at one point: a number in its unit, the pattern of its flags, or the word of a code."""
Column = tuple[Cell, ...]
Follow = Callable[[Mapping[str, Cell]], Mapping[str, Cell]]
"""The cells of one point, by full name, to those of them that must be others."""

NO_WORD: Final = -1
MOST_VALUES: Final = 100_000


@dataclass(frozen=True, kw_only=True)
class ValueRange:
    """Values that the bench can set: `low`, `low + step`, ... up to `high`, in the field's unit, and words.

    Raises ConfigError for an empty range, a step that is not positive, or more than 100 000 values.
    """

    low: Exact
    high: Exact
    step: Exact
    words: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        try:
            low, high, step = exact(self.low), exact(self.high), exact(self.step)
        except ValueError as error:
            raise ConfigError(f"range of values: {error}; write decimal numbers") from None
        if step <= 0 or high < low:
            raise ConfigError(
                f"range {self.low} to {self.high} in steps of {self.step}; accepted low <= high, step > 0"
            )
        if (high - low) / step >= MOST_VALUES:
            raise ConfigError(
                f"range {self.low} to {self.high} in steps of {self.step} has more than {MOST_VALUES} values; "
                "take a larger step"
            )

    @cached_property
    def cells(self) -> Column:
        """Every value, lowest first, then the words."""
        low, step = exact(self.low), exact(self.step)
        count = int((exact(self.high) - low) / step) + 1
        return (*(low + index * step for index in range(count)), *self.words)


@dataclass(frozen=True, eq=False)
class Numbers:
    """One field at all points: values `above / below`; where a word is meant, its code, else -1."""

    above: tuple[int, ...]
    below: int
    codes: tuple[int, ...]

    @cached_property
    def largest(self) -> int:
        """Size of the largest numerator."""
        return max(map(abs, self.above), default=0)


@dataclass(frozen=True, eq=False)
class PointTable:
    """Points in a row. `previous` is the row of the point before, -1 where it is not known.

    `sight` is what is noticed of wrong bytes at these points; without one every bit is. `follow` tells which cells
    of a further point go with its others, such as a flag that says that the battery is low.
    """

    layout: Layout
    columns: tuple[Column, ...]
    previous: npt.NDArray[np.intp]
    sight: Sight | None = None
    follow: Follow | None = None
    _numbers: dict[int, Numbers] = field(default_factory=dict)

    @staticmethod
    def of(field_map: FieldMap, points: Sequence[Mapping[str, float | str]]) -> PointTable:
        """The table of a plan. Raises ConfigError naming the point that cannot be encoded."""
        if not points:
            raise ConfigError(f"no points for {field_map.name!r}; give at least one")
        payloads = [_encoded(field_map, point, number) for number, point in enumerate(points, 1)]
        lengths = sorted({len(payload) for payload in payloads})
        if len(lengths) > 1:
            raise ConfigError(
                f"points of {field_map.name!r} have payloads of {', '.join(map(str, lengths))} bytes; "
                "look at each length apart"
            )
        layout = Layout.of(field_map, lengths[0])
        columns = tuple(
            tuple(_cell(one, point, payload) for point, payload in zip(points, payloads, strict=True))
            for one in layout.placed
        )
        return PointTable(layout, columns, np.arange(-1, len(points) - 1))

    @property
    def size(self) -> int:
        """Number of points."""
        return int(self.previous.size)

    def with_candidates(self, candidates: Mapping[int, Column]) -> PointTable:
        """The table with further points, each as if it came next; a field without a column stays as it was last."""
        count = max(map(len, candidates.values()), default=0)
        added = [candidates.get(place, (column[-1],) * count) for place, column in enumerate(self.columns)]
        if self.follow is not None:
            added = self._followed(added, self.follow)
        columns = tuple(column + more for column, more in zip(self.columns, added, strict=True))
        previous = np.concatenate([self.previous, np.full(count, self.size - 1, dtype=np.intp)])
        return PointTable(self.layout, columns, previous, self.sight, self.follow)

    def _followed(self, added: list[Column], follow: Follow) -> list[Column]:
        names = [one.name for one in self.layout.placed]
        rows = [dict(zip(names, row, strict=True)) for row in zip(*added, strict=True)]
        rows = [{**row, **follow(row)} for row in rows]
        return [tuple(row[name] for row in rows) for name in names]

    def with_point(self, cells: Mapping[int, Cell]) -> PointTable:
        """The table with one more point, in which at least one cell is given."""
        return self.with_candidates({place: (cell,) for place, cell in cells.items()})

    def numbers(self, place: int) -> Numbers:
        """One field at all points, over a common denominator."""
        if place not in self._numbers:
            self._numbers[place] = _numbers(self.layout.placed[place], self.columns[place])
        return self._numbers[place]

    @cached_property
    def right(self) -> Bytes:
        """The bodies that are right: payloads whose check value is left zero."""
        body = np.zeros((self.size, self.layout.length), dtype=np.uint8)
        for place, one in enumerate(self.layout.placed):
            body |= laid_out(
                self.right_patterns(place),
                self.layout.spot(place),
                width_bits=one.field.width_bits,
                length=self.layout.length,
            )
        return body

    def right_patterns(self, place: int) -> Whole:
        """What a right encoder sends for one field, as unsigned bit patterns."""
        one, numbers = self.layout.placed[place], self.numbers(place)
        scale, width = Scale.of(one.field), one.field.width_bits
        largest = largest_results(scale, above=numbers.largest, below=numbers.below)
        small = fits_int64(largest, width_bits=width)
        above, codes = whole(numbers.above, small=small), whole(numbers.codes, small=small)
        below = np.full_like(above, numbers.below)
        counts = right_counts(one.field)(Amount(above=above, below=below, scale=scale))
        return np.where(codes >= 0, codes, counts) & ((1 << width) - 1)

    def values(self, row: int) -> dict[str, float | str]:
        """One point as values for `encode`."""
        cells = ((one.name, column[row]) for one, column in zip(self.layout.placed, self.columns, strict=True))
        return {name: cell if isinstance(cell, str) else float(cell) for name, cell in cells}


def _encoded(field_map: FieldMap, point: Mapping[str, float | str], number: int) -> bytes:
    try:
        return encode(field_map, point)
    except ConfigError as error:
        raise ConfigError(f"point {number}: {error}", error.problems) from None


def _cell(one: Placed, point: Mapping[str, float | str], payload: bytes) -> Cell:
    if one.field.kind == "flags":
        spot = one.field
        raw = extract(payload, offset=one.offset, width_bits=spot.width_bits, bit=spot.bit, byte_order=spot.order)
        return Fraction(raw)
    value = point[one.name]
    return value if isinstance(value, str) else exact(value)


def _numbers(one: Placed, column: Column) -> Numbers:
    code_of = {word: code for code, word in one.field.invalid.items()}
    values = [Fraction(0) if isinstance(cell, str) else cell for cell in column]
    below = common_denominator(values)
    return Numbers(
        above=tuple(value.numerator * (below // value.denominator) for value in values),
        below=below,
        codes=tuple(code_of[cell] if isinstance(cell, str) else NO_WORD for cell in column),
    )
