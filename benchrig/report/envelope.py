"""A long row of samples as few points that look the same: the lowest and the highest of each column.

Owns the reduction. Must not know what is drawn with it. No peak is lost, however short: it is the highest of its
column. What was not measured is a hole.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from benchrig.judge.recording import Recording

    Floats = npt.NDArray[np.float64]

COLUMNS = 1500
"""More than a page or a screen can show beside each other."""


def line_of(
    recording: Recording, *, columns: int = COLUMNS, first: int = 0, end: int | None = None
) -> tuple[Floats, Floats]:
    """Times in seconds and currents in ampere of a line through samples `first` to `end` - 1.

    Every sample while there are no more than two for each column; else the two extremes of each column.
    """
    samples = recording.samples_a[first:end]
    if samples.size <= 2 * columns:
        values = samples.astype(np.float64)
        at = np.arange(samples.size, dtype=np.float64) + 0.5
    else:
        values, at = _extremes(samples, columns)
    values = np.where(np.abs(values) < 1e30, values, np.nan)
    times_s = np.asarray((at + first) * recording.interval_s, dtype=np.float64)
    return times_s, _without_gaps(recording, times_s, values)


def _extremes(samples: npt.NDArray[np.float32], columns: int) -> tuple[Floats, Floats]:
    """Lowest and highest of each column, side by side, and where they are drawn. NaN counts only where it is alone."""
    edges = np.linspace(0, samples.size, columns + 1).astype(np.int64)[:-1]
    # marks of overload are as far off as infinity; they are blanked afterwards, and would hide what is beside them
    with np.errstate(invalid="ignore"):
        low, high = np.fmin.reduceat(samples, edges), np.fmax.reduceat(samples, edges)
    width = samples.size / columns
    at = np.repeat(edges.astype(np.float64), 2) + np.tile([0.25 * width, 0.75 * width], columns)
    return np.stack((low, high), axis=1).astype(np.float64).ravel(), at


def _without_gaps(recording: Recording, times_s: Floats, values: Floats) -> Floats:
    """Blank where a stated gap is; one that is narrower than a column shows in the segments, not in the line."""
    for gap in recording.gaps:
        begin, end = np.searchsorted(times_s, [gap.first * recording.interval_s, gap.end * recording.interval_s])
        values[begin:end] = np.nan
    return values
