"""The floor of a recording, and where its charge went.

Owns the robust floor and the balance. Must not know labels other than which parts are quiet. The floor is a
median over batches of the quiet parts, on top of the baseline: a mean would take in whatever is hidden there,
and the balance could then never fail to close.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.baseline import Baseline, range_of
from benchrig.judge.segment_table import Label, Segments, Spans

if TYPE_CHECKING:
    import numpy.typing as npt

    from benchrig.judge.recording import Recording
    from benchrig.judge.segment_table import Pieces

    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]
    Marks = npt.NDArray[np.bool_]

FEWEST_QUIET = 32

_MAD_TO_SD = 1.4826
_MEDIAN_PENALTY = 1.2533
"""Of Gaussian numbers: standard deviation over the median deviation, and of the median over that of the mean."""


class Floor(NamedTuple):
    """The floor over all the time outside events.

    `charge_c` over `time_s`; `mean_a` their quotient, `u_a` its standard uncertainty from scatter. `excess_c` is
    what the quiet parts hold besides the floor, with its standard uncertainty `excess_u`.
    """

    charge_c: float
    time_s: float
    mean_a: float
    u_a: float
    excess_c: float
    excess_u: float


class Balance(NamedTuple):
    """Where the charge went; the parts add up to `total_c` exactly.

    `floor_c` is the floor over all the time outside events. `events_c` is all that flowed in events. `tails_c` is
    what flowed above the floor within the margin of an event, `spikes_c` in spikes. What is left is
    `unexplained_c`; if nothing but floor and noise is in it, it lies within a few of its standard uncertainty
    `unexplained_u` about 0.
    """

    total_c: float
    floor_c: float
    events_c: float
    tails_c: float
    spikes_c: float
    unexplained_c: float
    unexplained_u: float


class _Batches(NamedTuple):
    """Mean excess over the baseline in each stretch between two bends of it, with the samples it is from."""

    mean_a: Floats
    sizes: Floats


def find_floor(pieces: Pieces, baseline: Baseline, segments: Segments) -> Floor | None:
    """The floor; None when too few samples lie outside events and their margins."""
    recording = pieces.cells.recording
    quiet = pieces.quiet.split(pieces.bends)
    used = range_of(recording, quiet.firsts)
    is_rest = baseline.is_rest[used]
    if quiet.sizes[is_rest].sum() < FEWEST_QUIET:
        return None
    excess = pieces.sums(quiet) - baseline.over(quiet.centres) * quiet.sizes
    batches = _batches(quiet, excess, is_rest, pieces.bends)
    shift_a = _weighted_median(batches)
    spread_a = _spread(batches, shift_a, baseline.noise_a)
    u_a = _MEDIAN_PENALTY * spread_a / math.sqrt(batches.sizes.size)
    total = float(quiet.sizes.sum())
    excess_u = math.hypot(
        spread_a * math.sqrt(float((batches.sizes**2).sum())),
        u_a * total,
        _zero_errors(recording, used[~is_rest], quiet.sizes[~is_rest]),
    )
    rest = _outside_events(segments).split(pieces.bends)
    samples = float(rest.sizes.sum())
    floor = float(((baseline.over(rest.centres) + shift_a) * rest.sizes).sum())
    dt = recording.interval_s
    return Floor(
        floor * dt, samples * dt, floor / samples, u_a, (float(excess.sum()) - shift_a * total) * dt, excess_u * dt
    )


def _outside_events(segments: Segments) -> Spans:
    marks = segments.marks(Label.FLOOR, Label.SPIKE)
    return Spans(segments.firsts[marks], segments.ends[marks])


def _batches(quiet: Spans, excess: Floats, is_rest: Marks, bends: Ints) -> _Batches:
    batch = np.searchsorted(bends, quiet.firsts[is_rest], side="right")
    sizes = np.bincount(batch, weights=quiet.sizes[is_rest]).astype(np.float64)
    sums = np.bincount(batch, weights=excess[is_rest])
    filled = sizes > 0.0
    return _Batches(sums[filled] / sizes[filled], sizes[filled])


def _weighted_median(batches: _Batches) -> float:
    order = np.argsort(batches.mean_a, kind="stable")
    reached = np.cumsum(batches.sizes[order])
    return float(batches.mean_a[order][np.searchsorted(reached, 0.5 * reached[-1])])


def _spread(batches: _Batches, centre_a: float, noise_a: float) -> float:
    """Robust standard deviation of a batch; of few batches no less than noise would make it."""
    white = noise_a / math.sqrt(float(np.median(batches.sizes)))
    return max(_MAD_TO_SD * float(np.median(np.abs(batches.mean_a - centre_a))), white)


def _zero_errors(recording: Recording, used: Ints, sizes: Ints) -> float:
    """Standard uncertainty, in ampere times samples, from the zero errors of ranges that the floor is not from."""
    weights: dict[float, float] = {}
    for use in np.unique(used):
        entry = recording.ranges[use]
        error_a = entry.accuracy.of_range * entry.range_a + entry.accuracy.floor
        # uses of one range share one zero error; different ranges have their own
        weights[entry.range_a] = weights.get(entry.range_a, 0.0) + error_a * float(sizes[used == use].sum())
    return math.hypot(*weights.values()) / math.sqrt(3.0)


def balance_of(total_c: float, floor: Floor, segments: Segments, *, events_c: float, edges_c: float) -> Balance:
    """Split a charge. `edges_c` is what events count that flowed in the samples beside them."""
    quiet = segments.marks(Label.FLOOR, Label.SPIKE)
    spikes = segments.marks(Label.SPIKE)
    spikes_c = float(segments.charge_c[spikes].sum()) - floor.mean_a * float(segments.durations_s[spikes].sum())
    above_floor_c = float(segments.charge_c[quiet].sum()) - floor.charge_c
    tails_c = above_floor_c - floor.excess_c - spikes_c - edges_c
    unexplained_c = total_c - floor.charge_c - events_c - tails_c - spikes_c
    return Balance(total_c, floor.charge_c, events_c, tails_c, spikes_c, unexplained_c, floor.excess_u)
