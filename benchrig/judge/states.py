"""Cuts a long recording into runs of one state each: rest, or one of the levels above it.

Owns the levels above rest and the boundaries between them. Must not know what a state is for. A run that is too
short is an edge between two states, a flicker inside one, or a spike out of rest, and is settled as such.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.levels import find_levels
from benchrig.judge.recording import BLOCK

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from benchrig.judge.baseline import Baseline
    from benchrig.judge.recording import Cells

    Samples = npt.NDArray[np.float32]
    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]
    Codes = npt.NDArray[np.uint8]
    Marks = npt.NDArray[np.bool_]

REST, SPIKE, GAP = 0, 254, 255
"""Codes of runs; every code between REST and SPIKE is the number of a level above rest."""

_SAME_HEIGHT = 0.75
"""Levels above this share of the next higher one are one thing, such as a transmission that droops. Own choice."""

_POOL = 1 << 13
_FEWEST_CELLS = 16
"""The levels are read off at most so many samples, from at least so many cells of each class of cells."""


class Runs(NamedTuple):
    """Where each run begins, and its code; it ends where the next one begins."""

    firsts: Ints
    codes: Codes


@dataclass(frozen=True, slots=True, eq=False)
class _Thresholds:
    """What each cell is held against: resting current, and the least height of an event."""

    rest_a: Floats
    rise_a: Floats


def find_runs(cells: Cells, baseline: Baseline, *, shortest: int) -> tuple[Runs, Floats]:
    """The runs of a recording, and the heights above rest of its levels in the order of their codes.

    `shortest` is the fewest samples of a run that counts, and at least two.
    """
    limits = _thresholds(cells, baseline)
    is_high = cells.highs > limits.rest_a + limits.rise_a
    heights = _heights(cells, limits, np.flatnonzero(is_high))
    active = np.flatnonzero(is_high | cells.holed)
    runs = _compressed(*_raw_runs(cells, limits, heights, active))
    return _settled(runs, heights, end=cells.recording.samples_a.size, shortest=shortest), heights


def _thresholds(cells: Cells, baseline: Baseline) -> _Thresholds:
    firsts = cells.firsts
    begins = np.array([use.first for use in cells.recording.ranges] or [0], dtype=np.int64)
    rise_a = baseline.rise_a[np.searchsorted(begins, firsts, side="right") - 1]
    np.maximum.at(rise_a, begins // cells.size, baseline.rise_a)
    return _Thresholds(baseline.over(firsts + 0.5 * cells.size), rise_a)


# ---- levels above rest


def _heights(cells: Cells, limits: _Thresholds, high: Ints) -> Floats:
    """Heights of the levels above rest, lowest first, of which none is near the next one."""
    if high.size == 0:
        return np.zeros(0)
    least = float(limits.rise_a[high].min())
    peaks = cells.highs[high] - limits.rest_a[high]
    classes = [level.mean for level in find_levels(peaks)]
    pool = _pool(cells, limits, high[np.argsort(peaks, kind="stable")], np.sort(peaks), classes)
    pooled = [level.mean for level in find_levels(pool) if level.mean > least]
    # a state that is short and rare may be missing from the pool, but cells reach it
    missed = [one for one in classes if not any(_SAME_HEIGHT * one <= level <= one / _SAME_HEIGHT for level in pooled)]
    return np.array(_apart(sorted(pooled + [one for one in missed if one > least])) or [2.0 * least])


def _pool(cells: Cells, limits: _Thresholds, ordered: Ints, peaks: Floats, classes: list[float]) -> Floats:
    """Samples, as heights above rest, from cells of each class."""
    cuts = np.searchsorted(peaks, [0.5 * (a + b) for a, b in itertools.pairwise(classes)])
    wanted = max(_FEWEST_CELLS, _POOL // (cells.size * len(classes)))
    picked = [part[:: max(1, part.size // wanted)] for part in np.split(ordered, cuts) if part.size]
    chosen = np.sort(np.concatenate(picked))
    heights = cells.rows(chosen, blank=np.nan) - limits.rest_a[chosen, None]
    flat = heights.ravel()[:: max(1, heights.size // _POOL)]
    return flat[np.isfinite(flat)]


def _apart(heights: list[float]) -> list[float]:
    """The heights, with each group of near ones as their mean."""
    groups: list[list[float]] = []
    for height in heights:
        if groups and groups[-1][-1] > _SAME_HEIGHT * height:
            groups[-1].append(height)
        else:
            groups.append([height])
    return [sum(group) / len(group) for group in groups]


# ---- runs


def _raw_runs(cells: Cells, limits: _Thresholds, heights: Floats, active: Ints) -> tuple[Ints, Codes]:
    """Where the state may change, in order: every change, and the edges of the cells that were looked into."""
    is_active = np.zeros(cells.sums.size, dtype=np.bool_)
    is_active[active] = True
    passive = np.flatnonzero(~is_active & np.concatenate(([True], is_active[:-1]))) * cells.size
    found = [(passive, np.zeros(passive.size, dtype=np.uint8)), *_changes(cells, limits, heights, active)]
    firsts, codes = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.argsort(firsts, kind="stable")
    return firsts[order], codes[order]


def _changes(cells: Cells, limits: _Thresholds, heights: Floats, active: Ints) -> Iterator[tuple[Ints, Codes]]:
    step = BLOCK // cells.size
    for first in range(0, active.size, step):
        chunk = active[first : first + step]
        codes = _codes(cells.rows(chunk), limits.rest_a[chunk], limits.rise_a[chunk], heights)
        if cells.holed[chunk].any():
            codes[cells.gap_marks(chunk)] = GAP
        flat = codes.ravel()
        begins = np.concatenate(([True], flat[1:] != flat[:-1]))
        begins[:: cells.size] = True
        at = np.flatnonzero(begins)
        firsts = chunk[at // cells.size] * cells.size + at % cells.size
        inside = firsts < cells.recording.samples_a.size
        yield firsts[inside], flat[at[inside]]


def _codes(rows: Samples, rest_a: Floats, rise_a: Floats, heights: Floats) -> Codes:
    """How many thresholds each sample is above: half of the lowest height, and the middle between the others."""
    codes = np.zeros(rows.shape, dtype=np.uint8)
    lower = 0.0
    for height in heights:
        threshold = rest_a + np.maximum(rise_a, 0.5 * (lower + height))
        codes += (rows > threshold.astype(np.float32)[:, None]).view(np.uint8)
        lower = height
    return codes


def _compressed(firsts: Ints, codes: Codes) -> Runs:
    kept = np.concatenate(([True], codes[1:] != codes[:-1]))
    return Runs(firsts[kept], codes[kept])


# ---- short runs


def _settled(runs: Runs, heights: Floats, *, end: int, shortest: int) -> Runs:
    """Every group of runs that are too short is given to the longer runs beside it, or becomes a spike or a run."""
    lengths = np.diff(runs.firsts, append=end)
    is_short = (lengths < max(2, shortest)) & (runs.codes != GAP)
    short = np.flatnonzero(is_short)
    if short.size == 0:
        return runs
    starts = np.flatnonzero(np.concatenate(([True], np.diff(short) > 1)))
    left, right = _neighbours(runs.codes, short[starts], short[np.append(starts[1:], short.size) - 1])
    codes = runs.codes.copy()
    codes[short] = _given(runs.codes[short], starts, left, right, np.append(0.0, heights))
    alone = (left == REST) & (right == REST)
    sizes = np.add.reduceat(lengths[short], starts)
    longest = (np.maximum.reduceat(lengths[short] * 256 + runs.codes[short], starts) % 256).astype(np.uint8)
    out_of_rest = np.where(sizes >= max(2, shortest), longest, SPIKE)
    group = np.repeat(np.arange(starts.size), np.diff(starts, append=short.size))
    codes[short] = np.where(alone[group], out_of_rest[group], codes[short])
    return _compressed(runs.firsts, codes)


def _neighbours(codes: Codes, first: Ints, last: Ints) -> tuple[Codes, Codes]:
    """Codes of the long runs before and after each group; the other one, or rest, where there is none."""
    around = np.concatenate(([GAP], codes, [GAP])).astype(np.uint8)
    left, right = around[first], around[last + 2]
    left, right = np.where(left == GAP, right, left), np.where(right == GAP, left, right)
    return np.where(left == GAP, REST, left).astype(np.uint8), np.where(right == GAP, REST, right).astype(np.uint8)


def _given(codes: Codes, starts: Ints, left: Codes, right: Codes, heights: Floats) -> Codes:
    """For each short run the code of the longer run it goes to: from the first that is nearer to the right one."""
    group = np.repeat(np.arange(starts.size), np.diff(starts, append=codes.size))
    height, before, after = heights[codes], heights[left][group], heights[right][group]
    nearer = np.where(np.abs(height - after) < np.abs(height - before), np.arange(codes.size), -1)
    past = np.maximum.accumulate(nearer) >= starts[group]
    return np.where(past, right[group], left[group]).astype(np.uint8)
