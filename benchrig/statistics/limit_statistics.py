"""Statistics of many limits over many boards at once, from an array that is already prepared.

Owns n, mean, deviation, extremes, index and the count outside, for each limit of the table. Must not know where the
array is kept. Deviations are taken about the mean in a second pass, so that a small scatter on a large value keeps
its digits. Rows are taken in blocks that stay in the processor's cache: the same sums, in a third of the time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.statistics.capability import Spread, Tolerance, actual_index
from benchrig.statistics.samples import CONFIDENCE, LARGEST, Estimate, checked_confidence

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from benchrig.statistics.samples import Floats

    Counts = npt.NDArray[np.int64]
    Flags = npt.NDArray[np.bool_]

FEWEST_FOR_INDEX = 25
"""As in `capability`: an index from fewer is not told."""

_BLOCK_VALUES = 1 << 15
"""Values in a block: 256 KiB, which a second-level cache holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitStatistics:
    """What `n` boards say of one limit. `deviation` is None below 2 values, `index` where it says nothing.

    `index` is the Cpk of the trade with the deviation of all boards, which `capability` calls Ppk, with Bissell's
    interval; `lacking` says why something is None, '' otherwise. `outside` counts boards beyond either limit.
    """

    n: int
    mean: float | None
    deviation: float | None
    least: float | None
    most: float | None
    outside: int
    index: Estimate | None
    lacking: str


class _Columns(NamedTuple):
    boards: Counts
    mean: Floats
    squares: Floats
    least: Floats
    most: Floats
    outside: Counts


def limit_statistics(
    values: Floats,
    *,
    tolerances: Sequence[Tolerance],
    measured: Flags | None = None,
    confidence: float = CONFIDENCE,
) -> tuple[LimitStatistics, ...]:
    """Statistics of every column of `values` (boards by limits), one tolerance for each column.

    `measured` marks what was measured, where something was not; the rest is not looked at. Raises ValueError for
    shapes that do not agree, no boards, and measured values that are no finite numbers.
    """
    _check_shapes(values, tolerances, measured)
    checked_confidence(confidence)
    low = np.array([-math.inf if one.low is None else one.low for one in tolerances])
    high = np.array([math.inf if one.high is None else one.high for one in tolerances])
    table = np.asarray(values, dtype=np.float64)
    found = _whole(table, low, high) if measured is None else _partly(table, measured, low, high)
    return tuple(_of_limit(_row(found, at), tolerance, confidence) for at, tolerance in enumerate(tolerances))


def _check_shapes(values: Floats, tolerances: Sequence[Tolerance], measured: Flags | None) -> None:
    if values.ndim != 2 or not values.shape[0] or values.shape[1] != len(tolerances) or not len(tolerances):
        raise ValueError(
            f"values have the shape {values.shape}; accepted: one or more boards by {len(tolerances)} limits"
        )
    if measured is not None and (measured.shape != values.shape or measured.dtype != np.bool_):
        raise ValueError(
            f"measured has the shape {measured.shape} of {measured.dtype}; accepted: {values.shape} of truth values"
        )


def _blocks(table: Floats) -> list[Floats]:
    rows = max(1, _BLOCK_VALUES // table.shape[1])
    return [table[start : start + rows] for start in range(0, len(table), rows)]


def _whole(table: Floats, low: Floats, high: Floats) -> _Columns:
    least, most, total, outside = _first_pass(table, low, high)
    if not (np.maximum(np.abs(least), np.abs(most)) <= LARGEST).all():
        raise _strange(table)
    boards = len(table)
    mean = np.clip(total / boards, least, most)
    squares, rest = np.zeros_like(mean), np.zeros_like(mean)
    for block in _blocks(table):
        off = block - mean
        squares += np.einsum("ij,ij->j", off, off)
        rest += off.sum(axis=0)
    # what rounding of the mean left over is taken off again
    mean = np.clip(mean + rest / boards, least, most)
    squares = np.maximum(squares - rest * rest / boards, 0.0)
    return _Columns(np.full(mean.size, boards), mean, squares, least, most, outside)


def _first_pass(table: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats, Counts]:
    least, most, total = np.full(low.size, math.inf), np.full(low.size, -math.inf), np.zeros(low.size)
    outside = np.zeros(low.size, dtype=np.int64)
    for block in _blocks(table):
        np.minimum(least, block.min(axis=0), out=least)  # minimum and maximum hand a NaN on, which is found after
        np.maximum(most, block.max(axis=0), out=most)
        total += block.sum(axis=0)
        outside += np.count_nonzero((block < low) | (block > high), axis=0)
    return least, most, total, outside


def _partly(table: Floats, measured: Flags, low: Floats, high: Floats) -> _Columns:
    """Column by column over what was measured; slower, and right about columns that nothing was measured of."""
    nothing = _Columns(*(np.zeros(low.size, dtype=one) for one in ("i8", "f8", "f8", "f8", "f8", "i8")))
    for at in range(low.size):
        column = table[measured[:, at], at][:, np.newaxis]
        if column.size:
            one = _whole(column, low[at : at + 1], high[at : at + 1])
            for whole, part in zip(nothing, one, strict=True):
                whole[at] = part[0]
    return nothing


def _strange(table: Floats) -> ValueError:
    board, column = (int(one) for one in np.argwhere(~(np.abs(table) <= LARGEST))[0])
    return ValueError(
        f"board {board + 1}, limit {column + 1} is {float(table[board, column])!r}; accepted: finite numbers up to "
        f"{LARGEST:g}; mark what was not measured in `measured`"
    )


class _Row(NamedTuple):
    n: int
    mean: float
    squares: float
    least: float
    most: float
    outside: int


def _row(found: _Columns, at: int) -> _Row:
    return _Row(*(column[at].item() for column in found))


def _of_limit(row: _Row, tolerance: Tolerance, confidence: float) -> LimitStatistics:
    deviation = math.sqrt(row.squares / (row.n - 1)) if row.n > 1 else None
    lacking = _lacking(row, deviation)
    index = None
    if not lacking and deviation is not None:
        spread = Spread(row.mean, deviation, row.n - 1, row.n)
        index = actual_index(spread, tolerance=tolerance, confidence=confidence, exact=False)
    return LimitStatistics(
        n=row.n,
        mean=row.mean if row.n else None,
        deviation=deviation,
        least=row.least if row.n else None,
        most=row.most if row.n else None,
        outside=row.outside,
        index=index,
        lacking=lacking,
    )


def _lacking(row: _Row, deviation: float | None) -> str:
    if row.n < FEWEST_FOR_INDEX:
        return f"{row.n} boards measured; an index needs {FEWEST_FOR_INDEX}: measure {FEWEST_FOR_INDEX - row.n} more"
    if not deviation or row.most - row.least <= 8.0 * math.ulp(max(abs(row.least), abs(row.most))):
        return f"all {row.n} values are {row.least!r}; an index needs scatter: measure with a finer resolution"
    return ""
