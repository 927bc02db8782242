"""A long current recording, its cells, and sums over any parts of it: one pass, in blocks that stay in the cache.

Owns what was recorded (samples, gaps, ranges) and how it is added up. Must not know floors, wakes or charges.
Nothing here is as large as the recording: a cell is 32 to 2048 samples, with its sum in float64 and its highest
sample; what is added later is put together from whole cells and from the samples of those that are cut.
"""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.levels import Stretch
from benchrig.judge.uncertainty import AccuracyTerms

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    Samples = npt.NDArray[np.float32]
    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]
    Marks = npt.NDArray[np.bool_]

NO_SAMPLE = 1e30
"""A sample beyond this is a mark, not a current: SCPI-99 writes 9.9E37 for infinity, 9.91E37 for no number."""

BLOCK = 1 << 16
"""Samples that are looked into at a time: what comes of them stays in the cache."""

_WIDE_BLOCK = 1 << 18
"""Samples that are added up at a time: two megabytes in float64, which is one large page of memory."""

_SMALLEST_CELL, _LARGEST_CELL = 32, 2048
_CELLS_WANTED = 2048

_EXACT = AccuracyTerms()


@dataclass(frozen=True, slots=True)
class RangeUse:
    """From sample `first` on the recorder measured on a range of `range_a` ampere, with this stated accuracy."""

    first: int
    _: KW_ONLY
    range_a: float
    accuracy: AccuracyTerms = _EXACT

    def __post_init__(self) -> None:
        if not (math.isfinite(self.range_a) and self.range_a > 0.0):
            raise ValueError(f"a range of {self.range_a!r} A; accepted: finite and above 0")


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """Samples in ampere at a constant interval.

    `gaps` are stretches that were not measured, whatever number stands there; samples that are not finite, or are
    SCPI's marks for overload and no number, count as such without being listed. `ranges` in order of their first
    sample; none says that nothing is known of the recorder. Raises ValueError.
    """

    samples_a: Samples
    _: KW_ONLY
    interval_s: float
    gaps: tuple[Stretch, ...] = ()
    ranges: tuple[RangeUse, ...] = ()

    def __post_init__(self) -> None:
        size = self.samples_a.size
        if self.samples_a.ndim != 1 or size == 0:
            raise ValueError(f"a recording is a row of samples; this one has the shape {self.samples_a.shape}")
        if self.samples_a.dtype != np.float32:
            raise ValueError(f"samples of type {self.samples_a.dtype}; accepted: float32")
        if not (math.isfinite(self.interval_s) and self.interval_s > 0.0):
            raise ValueError(f"the sample interval is {self.interval_s!r} s; accepted: a finite time above 0")
        for gap in self.gaps:
            if not 0 <= gap.first < gap.end <= size:
                raise ValueError(f"gap from {gap.first} to {gap.end} in {size} samples; accepted: 0 <= first < end")
        firsts = [use.first for use in self.ranges]
        if firsts and (firsts[0] != 0 or firsts[-1] >= size or firsts != sorted(set(firsts))):
            raise ValueError(f"ranges begin at samples {firsts} of {size}; accepted: 0 first, then rising")

    @classmethod
    def of_marks(
        cls, samples_a: Samples, invalid: Marks, *, interval_s: float, ranges: tuple[RangeUse, ...] = ()
    ) -> Recording:
        """Samples with a mark for each that was not measured: every run of marks is a gap. Raises ValueError."""
        if invalid.shape != samples_a.shape:
            raise ValueError(f"{invalid.size} marks for {samples_a.size} samples; give one for each")
        edges = np.flatnonzero(np.diff(invalid, prepend=False, append=False))
        gaps = tuple(Stretch(int(first), int(end)) for first, end in edges.reshape(-1, 2))
        return cls(samples_a, interval_s=interval_s, gaps=gaps, ranges=ranges)

    @property
    def duration_s(self) -> float:
        """Time that the samples stand for."""
        return float(self.samples_a.size * self.interval_s)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A recording cut into cells of `size` samples, the last one shorter if it does not divide evenly.

    `sums` and `highs` leave out what is in a gap; a cell that is all gap has the high -inf. `gaps` is a row of
    first and end for every stretch without a measurement, in order and apart. `holed` marks the cells with one.
    """

    recording: Recording
    size: int
    sums: Floats
    highs: Samples
    gaps: Ints
    holed: Marks

    @property
    def firsts(self) -> Ints:
        """The first sample of each cell."""
        return np.arange(self.sums.size, dtype=np.int64) * self.size

    @property
    def missing(self) -> int:
        """How many samples were not measured."""
        return int((self.gaps[:, 1] - self.gaps[:, 0]).sum())

    def rows(self, cells: Ints, *, blank: float = 0.0) -> Samples:
        """A copy of the samples of these cells, a row for each; `blank` stands in gaps and after the last sample."""
        samples, whole = self.recording.samples_a, self.recording.samples_a.size // self.size
        if whole:
            table = samples[: whole * self.size].reshape(whole, self.size)
            rows = table.take(cells, axis=0, mode="clip")
        else:
            rows = np.empty((cells.size, self.size), dtype=np.float32)
        for row in np.flatnonzero(cells == whole):
            rest = samples[whole * self.size :]
            rows[row, : rest.size] = rest
            rows[row, rest.size :] = blank
        for row in np.flatnonzero(self.holed[cells]):
            rows[row, self._in_gap(int(cells[row]))] = blank
        return rows

    def gap_marks(self, cells: Ints) -> Marks:
        """A row for each of these cells that marks what is in a gap."""
        marks = np.zeros((cells.size, self.size), dtype=np.bool_)
        for row in np.flatnonzero(self.holed[cells]):
            marks[row] = self._in_gap(int(cells[row]))
        return marks

    def _in_gap(self, cell: int) -> Marks:
        first = cell * self.size
        begin = np.searchsorted(self.gaps[:, 1], first, side="right")
        end = np.searchsorted(self.gaps[:, 0], first + self.size, side="left")
        marks = np.zeros(self.size, dtype=np.bool_)
        for gap_first, gap_end in self.gaps[begin:end] - first:
            marks[max(0, gap_first) : max(0, gap_end)] = True
        return marks


def cells_of(recording: Recording) -> Cells:
    """Cut into cells and add up: the one pass over every sample."""
    samples = recording.samples_a
    size = _cell_size(samples.size)
    count = -(-samples.size // size)
    sums, highs = np.empty(count), np.empty(count, dtype=np.float32)
    _add_up(samples, size, sums, highs)
    unmeasured = ~((np.abs(sums) < NO_SAMPLE) & (highs < NO_SAMPLE))
    gaps = _all_gaps(recording, size, np.flatnonzero(unmeasured))
    cells = Cells(recording, size, sums, highs, gaps, _holed(gaps, size, count))
    for chunk in _chunks(np.flatnonzero(cells.holed), BLOCK // size):
        sums[chunk] = cells.rows(chunk).sum(axis=1, dtype=np.float64)
        highs[chunk] = cells.rows(chunk, blank=-math.inf).max(axis=1)
    return cells


def _cell_size(samples: int) -> int:
    exponent = math.ceil(math.log2(max(1.0, samples / _CELLS_WANTED)))
    return int(min(_LARGEST_CELL, max(_SMALLEST_CELL, 2**exponent)))


def _add_up(samples: Samples, size: int, sums: Floats, highs: Samples) -> None:
    whole, step = samples.size // size, _WIDE_BLOCK // size
    rows = samples[: whole * size].reshape(whole, size)
    wide = np.empty((min(step, whole), size))
    # infinities of both signs and NaN are looked for in the results; they are what a warning would be about
    with np.errstate(invalid="ignore"):
        for first in range(0, whole, step):
            end = min(first + step, whole)
            block, part = rows[first:end], wide[: end - first]
            np.copyto(part, block)
            np.einsum("ij->i", part, out=sums[first:end])
            np.maximum.reduce(block, axis=1, out=highs[first:end])
        if whole < sums.size:
            rest = samples[whole * size :]
            sums[whole], highs[whole] = rest.sum(dtype=np.float64), rest.max()


def _all_gaps(recording: Recording, size: int, suspects: Ints) -> Ints:
    """The gaps that were stated and those that bad samples make, in order, and as one where they touch."""
    found = [np.asarray(recording.gaps, dtype=np.int64).reshape(-1, 2)]
    for cell in suspects:
        part = recording.samples_a[cell * size : (cell + 1) * size]
        bad = ~(np.abs(part) < NO_SAMPLE)
        found.append(np.flatnonzero(np.diff(bad, prepend=False, append=False)).reshape(-1, 2) + cell * size)
    gaps = np.concatenate(found)
    gaps = gaps[np.argsort(gaps[:, 0], kind="stable")]
    if len(gaps) < 2:
        return gaps
    reach = np.maximum.accumulate(gaps[:, 1])
    begins = np.flatnonzero(np.concatenate(([True], gaps[1:, 0] > reach[:-1])))
    return np.stack((gaps[begins, 0], np.maximum.reduceat(reach, begins)), axis=1)


def _holed(gaps: Ints, size: int, count: int) -> Marks:
    steps = np.zeros(count + 1, dtype=np.int64)
    np.add.at(steps, gaps[:, 0] // size, 1)
    np.add.at(steps, (gaps[:, 1] - 1) // size + 1, -1)
    return np.asarray(np.cumsum(steps[:-1]) > 0)


def _chunks(indices: Ints, step: int) -> Iterator[Ints]:
    return (indices[first : first + step] for first in range(0, indices.size, step))


# ---- sums over parts


@dataclass(frozen=True, slots=True, eq=False)
class Atoms:
    """A recording cut at some samples and at the edges of all cells: the sum and the highest sample of each piece."""

    firsts: Ints
    sums: Floats
    highs: Samples

    def sums_between(self, firsts: Ints, ends: Ints) -> Floats:
        """The sum of each part from first to end - 1. The parts follow one another; their edges are among the cuts."""
        return np.asarray(np.add.reduceat(np.append(self.sums, 0.0), self._edges(firsts, ends))[::2])

    def highs_between(self, firsts: Ints, ends: Ints) -> Samples:
        """The highest sample of each part."""
        return np.asarray(np.maximum.reduceat(np.append(self.highs, self.highs[-1:]), self._edges(firsts, ends))[::2])

    def _edges(self, firsts: Ints, ends: Ints) -> Ints:
        return np.searchsorted(self.firsts, np.stack((firsts, ends), axis=1).ravel())


def cut(cells: Cells, at: Ints) -> Atoms:
    """Cut at the samples `at`. Costs a second look at those cells that a cut goes through, and at no other."""
    edges = cells.firsts
    firsts = np.sort(np.concatenate((edges, at)), kind="stable")
    firsts = firsts[np.diff(firsts, prepend=-1) > 0]
    owner = firsts // cells.size
    through = np.zeros(edges.size, dtype=np.bool_)
    through[at[at % cells.size != 0] // cells.size] = True
    sums, highs = cells.sums[owner], cells.highs[owner]
    pieces = np.flatnonzero(through[owner])
    row = (np.cumsum(through) - 1)[owner[pieces]]
    step = BLOCK // cells.size
    for number, chunk in enumerate(_chunks(np.flatnonzero(through), step)):
        mine = slice(*np.searchsorted(row, [number * step, (number + 1) * step]))
        offsets = (row[mine] - number * step) * cells.size + firsts[pieces[mine]] % cells.size
        rows = cells.rows(chunk)
        sums[pieces[mine]] = np.add.reduceat(rows.astype(np.float64).ravel(), offsets)
        if chunk[-1] * cells.size + cells.size > cells.recording.samples_a.size or cells.holed[chunk].any():
            rows = cells.rows(chunk, blank=-math.inf)
        highs[pieces[mine]] = np.maximum.reduceat(rows.ravel(), offsets)
    return Atoms(firsts, sums, highs)
