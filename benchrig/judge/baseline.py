"""The resting current of a long recording against time, and how far above it something is an event.

Owns the search for the quietest parts. Must not know events. The levels between which a quiet part switches come
from `levels`; the thresholds in standard deviations and shares are own choices, each said where it stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.levels import find_levels, with_one_rest

if TYPE_CHECKING:
    import numpy.typing as npt

    from benchrig.judge.recording import Cells, Recording

    Samples = npt.NDArray[np.float32]
    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]

_GROUPS = 64
_CELLS_IN_GROUP = 4
"""The resting current is looked for once in each group of cells, and is a straight line in between."""

_RISE_SD = 8.0
"""An event is so many standard deviations above rest: noise alone gets there once in 10^15 samples."""

_RISE_SHARE = 0.25
"""What is higher than rest by no more than this share of it is rest. Own choice, as in `levels`."""

_STEPS = 4.0
"""Nor is it an event when a display or converter goes back and forth by a few steps. Own choice."""

_SEEN_SHARE = 0.05
"""A range that serves less of the time than this is not the one on which the floor is measured. Own choice."""

_KEPT_STEPS, _KEPT_VARIANCE = 0.75, 0.3685
"""Mean square of the smallest 75 % of Gaussian numbers, over that of all of them (arithmetic)."""

_LOWER_SD = 0.1587
"""Share of Gaussian numbers below minus one standard deviation (arithmetic)."""

_SAMPLES_SEEN, _STEPS_SEEN = 1024, 257
_PROBES = 64
_DRIFT_PARTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """Resting current `level_a` at the samples `at`, straight lines between, and what counts as a rise above it.

    `noise_a` is the standard deviation of a sample at rest, hum included. `rise_a` has one threshold for each
    entry of the recording's ranges (a single one if it has none), as height above the resting current: on a range
    other than the one the floor was measured on, its stated zero error is no event. `is_rest` says which of them
    the floor was measured on.
    """

    at: Floats
    level_a: Floats
    noise_a: float
    rise_a: Floats
    is_rest: npt.NDArray[np.bool_]

    def over(self, samples: npt.NDArray[np.integer] | npt.NDArray[np.floating]) -> Floats:
        """Resting current at these samples."""
        return np.asarray(np.interp(samples, self.at, self.level_a), dtype=np.float64)

    @property
    def drift_a(self) -> float:
        """Highest less lowest resting current, of means over an eighth of the points each."""
        parts = np.array_split(self.level_a, min(_DRIFT_PARTS, self.level_a.size))
        return float(np.ptp([part.mean() for part in parts]))


def find_baseline(cells: Cells) -> Baseline | None:
    """The quietest cell of each group gives the resting current there; None if no cell was measured as a whole.

    Groups in which the board never rests are left out: they stand apart from the rest as a higher level does.
    """
    rest_a = _rest_range_a(cells)
    usable = _usable(cells, rest_a)
    if usable.size == 0:
        return None
    groups = np.array_split(usable, min(_GROUPS, max(1, usable.size // _CELLS_IN_GROUP)))
    picked = np.array([group[np.argmin(cells.highs[group])] for group in groups], dtype=np.int64)
    level_a, noise_a = _rests(cells.rows(picked)[:, :_SAMPLES_SEEN])
    at = np.asarray(picked * float(cells.size) + 0.5 * min(cells.size, _SAMPLES_SEEN), dtype=np.float64)
    resting = _at_rest(level_a)
    noise = float(np.median(noise_a[resting]))
    floor_a = float(np.median(level_a[resting]))
    common = max(_RISE_SD * noise, _RISE_SHARE * abs(floor_a), _last_digit(floor_a))
    rise_a = _rises(cells.recording, common, rest_a)
    is_rest = np.array([use.range_a == rest_a for use in cells.recording.ranges] or [True])
    return Baseline(at[resting], level_a[resting], noise, rise_a, is_rest)


def range_of(recording: Recording, samples: npt.NDArray[np.integer]) -> Ints:
    """The index of the range on which each of these samples was taken, 0 throughout if none is known."""
    firsts = np.array([use.first for use in recording.ranges] or [0], dtype=np.int64)
    return np.asarray(np.searchsorted(firsts, samples, side="right") - 1)


def _rest_range_a(cells: Cells) -> float | None:
    """The lowest range that serves for a fair share of the time; None if nothing is known of ranges."""
    ranges = cells.recording.ranges
    if not ranges:
        return None
    firsts = [use.first for use in ranges]
    served: dict[float, int] = {}
    for use, end in zip(ranges, [*firsts[1:], cells.recording.samples_a.size], strict=True):
        served[use.range_a] = served.get(use.range_a, 0) + end - use.first
    least = min(_SEEN_SHARE * cells.recording.samples_a.size, max(served.values()))
    return min(range_a for range_a, samples in served.items() if samples >= least)


def _usable(cells: Cells, rest_a: float | None) -> Ints:
    """Whole cells without gaps, on the range of the floor throughout; on any if none of them is."""
    whole = cells.recording.samples_a.size // cells.size
    sound = np.flatnonzero(~cells.holed[:whole])
    if rest_a is None:
        return sound
    used, until = (range_of(cells.recording, sound * cells.size + shift) for shift in (0, cells.size - 1))
    range_a = np.array([use.range_a for use in cells.recording.ranges])
    on_rest = (used == until) & (range_a[used] == rest_a)
    return sound[on_rest] if on_rest.any() else sound


def _rests(rows: Samples) -> tuple[Floats, Floats]:
    """Resting level and noise in each row of samples."""
    ordered = np.sort(rows, axis=1).astype(np.float64)
    level_a, noise_a = _middle(ordered)
    steps = np.abs(np.diff(rows[:, :_STEPS_SEEN].astype(np.float64), axis=1))
    for row in np.flatnonzero(np.ptp(ordered, axis=1) > 2.0 * _RISE_SD * np.median(steps, axis=1)):
        lowest, *higher = with_one_rest(find_levels(rows[row].astype(np.float64)))
        if higher:
            below = ordered[row : row + 1, ordered[row] < 0.5 * (lowest.mean + higher[0].mean)]
            level_a[row], noise_a[row] = (float(one[0]) for one in _middle(below))
    return level_a, noise_a


def _middle(ordered: Floats) -> tuple[Floats, Floats]:
    """Median and lower standard deviation of sorted rows: events are above, so what is below is rest alone."""
    last = ordered.shape[1] - 1
    median = ordered[:, last // 2]
    return median.copy(), median - ordered[:, round(last * _LOWER_SD)]


def _at_rest(level_a: Floats) -> npt.NDArray[np.bool_]:
    """What stands apart is taken off from above, level by level.

    So few points are not split twice at one go, and each counts double, so that a lone one can be a level: in a
    recording of one report, the transmission is seen by a single group.
    """
    resting = np.ones(level_a.size, dtype=np.bool_)
    while True:
        lowest, *higher = with_one_rest(find_levels(np.tile(level_a[resting], 2)))
        if not higher:
            return resting
        resting = np.asarray(level_a < 0.5 * (lowest.mean + higher[0].mean))


# ---- what counts as a rise


def _rises(recording: Recording, common: float, rest_a: float | None) -> Floats:
    if rest_a is None:
        return np.array([common])
    steps = {use.range_a: _STEPS * use.accuracy.resolution for use in recording.ranges}
    by_range = {
        range_a: max(common, step, 0.0 if range_a == rest_a else _zero_error_a(recording, range_a))
        for range_a, step in steps.items()
    }
    return np.array([by_range[use.range_a] for use in recording.ranges])


def _last_digit(level_a: float) -> float:
    """A few steps of float32 at this level: what is constant to the last bit makes no events by rounding."""
    return float(4.0 * np.spacing(np.float32(abs(level_a))))


def _zero_error_a(recording: Recording, range_a: float) -> float:
    """Stated zero error of a range and the noise of its samples, as the largest height that says nothing."""
    uses = [index for index, use in enumerate(recording.ranges) if use.range_a == range_a]
    terms = recording.ranges[uses[0]].accuracy
    zero_a = 2.0 * (terms.of_range * range_a + terms.floor)
    return zero_a + _RISE_SD * _sample_noise_a(recording, uses[:: max(1, len(uses) // _PROBES)])


def _sample_noise_a(recording: Recording, uses: list[int]) -> float:
    """Standard deviation of a sample as its neighbour sees it, whatever the level, from short probes."""
    ends = [use.first for use in recording.ranges[1:]] + [recording.samples_a.size]
    steps = [
        np.diff(recording.samples_a[recording.ranges[use].first : min(ends[use], recording.ranges[use].first + 512)])
        for use in uses
    ]
    squares = np.sort(np.concatenate(steps).astype(np.float64) ** 2)
    kept = squares[np.isfinite(squares)][: max(1, int(squares.size * _KEPT_STEPS))]
    return math.sqrt(float(kept.mean()) / (2.0 * _KEPT_VARIANCE)) if kept.size else 0.0
