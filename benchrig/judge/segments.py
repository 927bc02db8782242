"""Cuts a current recording of any length into labelled segments: floor, wake, transmit, receive, spike, gap.

Owns the meaning of the states and the stretches from floor to floor. Must not know a recorder, a board or a limit.
How states are found stands in `baseline` and `states`, class A timing in `radio_timing`, the split of the charge
in `floor`. The floor may drift and carry noise and hum. A recording with more samples missing than allowed, or at
the end of its range, is not judged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.baseline import find_baseline
from benchrig.judge.floor import FEWEST_QUIET, Balance, balance_of, find_floor
from benchrig.judge.radio_timing import RX_DELAYS_S, Exchange, Pulse, find_exchanges
from benchrig.judge.recording import Cells, Recording, cells_of, cut
from benchrig.judge.segment_table import Label, Segment, Segments, code_of, cut_at_runs, no_segments, segments_of
from benchrig.judge.states import find_runs

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]
    Codes = npt.NDArray[np.uint8]
    Marks = npt.NDArray[np.bool_]

__all__ = ["Label", "Recording", "Segment", "Segmentation", "Segments", "find_segments"]

_FEWEST_SAMPLES = 32

_SIGNED_BY_WINDOWS, _SIGNATURES = 0.5, 64
"""The highest level is a transmission if after half of its runs, of which so many are looked at, a receive window
follows where class A puts it. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segmentation:
    """What a recording shows.

    `segments` cover it without a hole. `events` are the stretches from floor to floor, with the segments in them
    as one; the label is transmit if they hold a transmission, else that of the first segment; their charge counts
    samples on their edges in part. `exchanges` are the transmissions with their receive windows. `floor_a` is the
    mean floor, `floor_u` its standard uncertainty (scatter only, no instrument accuracy), `drift_a` the highest
    less the lowest floor. `heights_a` are the levels above the floor. With `problems` there is no number at all.
    """

    cells: Cells
    segments: Segments
    events: Segments
    exchanges: tuple[Exchange, ...]
    floor_a: float | None
    floor_u: float | None
    drift_a: float | None
    heights_a: tuple[float, ...]
    balance: Balance | None
    problems: tuple[str, ...]

    @property
    def recording(self) -> Recording:
        """What was cut."""
        return self.cells.recording


def find_segments(
    recording: Recording,
    *,
    transmit_above_a: float | None = None,
    shortest_s: float = 0.0,
    margin_s: float = 5e-3,
    most_missing: float = 0.0,
    delays_s: Sequence[float] = RX_DELAYS_S,
) -> Segmentation:
    """Cut a recording into segments and split its charge.

    What lasts less than two samples or `shortest_s` is a spike or an edge. `margin_s` around each event is left
    out of the floor. `most_missing` is the share of samples that may be missing; then they are gaps of which
    nothing is said. A transmission is what draws `transmit_above_a` or more; without that number, the highest
    level, if receive windows follow it after `delays_s`.
    """
    cells = cells_of(recording)
    problems = _problems(cells, most_missing)
    baseline = find_baseline(cells)
    if problems or baseline is None:
        return _unjudged(cells, *(problems or ("no part of the recording is free of gaps; record again",)))
    runs, heights = find_runs(cells, baseline, shortest=_in_samples(recording, shortest_s))
    pieces = cut_at_runs(cells, runs, margin=_in_samples(recording, margin_s), bends=_bends(recording, baseline.at))
    segments = segments_of(pieces)
    exchanges = _exchanges(segments, runs.codes, transmit_above_a, delays_s)
    segments = replace(segments, labels=_labels(segments, exchanges))
    events, edges_c = _events(segments, recording.samples_a)
    floor = find_floor(pieces, baseline, segments)
    if floor is None:
        few = f"less than {FEWEST_QUIET} samples lie outside events and their margins; record longer"
        return _unjudged(cells, few)
    total_c = float(cells.sums.sum()) * recording.interval_s  # pairwise: good to a few units of the last place
    return Segmentation(
        cells=cells,
        segments=segments,
        events=events,
        exchanges=exchanges,
        floor_a=floor.mean_a,
        floor_u=floor.u_a,
        drift_a=baseline.drift_a,
        heights_a=tuple(heights.tolist()),
        balance=balance_of(total_c, floor, segments, events_c=float(events.charge_c.sum()), edges_c=edges_c),
        problems=(),
    )


def _unjudged(cells: Cells, *problems: str) -> Segmentation:
    empty = no_segments(cells.recording.interval_s)
    return Segmentation(
        cells=cells,
        segments=empty,
        events=empty,
        exchanges=(),
        floor_a=None,
        floor_u=None,
        drift_a=None,
        heights_a=(),
        balance=None,
        problems=problems,
    )


def _in_samples(recording: Recording, duration_s: float) -> int:
    """Samples that a duration spans, two at least; what is a hair above a whole number is that number."""
    return max(2, math.ceil(duration_s / recording.interval_s - 1e-6))


def _bends(recording: Recording, at: Floats) -> Ints:
    """Samples at which the baseline bends or the range changes."""
    begins = np.array([use.first for use in recording.ranges], dtype=np.int64)
    return np.union1d(at.astype(np.int64), begins)


def _problems(cells: Cells, most_missing: float) -> tuple[str, ...]:
    recording, size = cells.recording, cells.recording.samples_a.size
    found = []
    if cells.missing > most_missing * size:
        first_s = float(cells.gaps[0, 0]) * recording.interval_s
        found.append(
            f"{cells.missing} of {size} samples were not measured, the first at {first_s:.6g} s; "
            f"accepted: a share of {most_missing:g}"
        )
    if size < _FEWEST_SAMPLES:
        found.append(f"{size} samples are too few; {_FEWEST_SAMPLES} or more are needed")
    return (*found, *_clipped(cells))


def _clipped(cells: Cells) -> tuple[str, ...]:
    """One sentence for the first range that the current reaches the end of."""
    uses, size = cells.recording.ranges, cells.recording.samples_a.size
    if not uses:
        return ()
    begins = np.array([use.first for use in uses], dtype=np.int64)
    highs = cut(cells, begins).highs_between(begins, np.append(begins[1:], size))
    for use, high in zip(uses, highs, strict=True):
        if high >= use.range_a:
            since_s = use.first * cells.recording.interval_s
            return (
                f"the current reaches the end of the {use.range_a:g} A range in use from {since_s:.6g} s on: what is "
                "beyond is lost; record on a higher range",
            )
    return ()


# ---- transmissions and receive windows


def _exchanges(
    segments: Segments, codes: Codes, transmit_above_a: float | None, delays_s: Sequence[float]
) -> tuple[Exchange, ...]:
    above = segments.marks(Label.WAKE)
    if not above.any():
        return ()
    if transmit_above_a is None:
        is_transmit = above & (codes == codes[above].max())
    else:
        is_transmit = above & (segments.plateau_a >= transmit_above_a)
    transmits = np.flatnonzero(is_transmit)
    pulses = _pulses(segments, np.flatnonzero(above & ~is_transmit & _rises(segments)))
    if transmit_above_a is None and not _has_windows(_pulses(segments, transmits[:_SIGNATURES]), pulses, delays_s):
        return ()
    return find_exchanges(_pulses(segments, transmits), pulses, delays_s=delays_s)


def _rises(segments: Segments) -> Marks:
    """Which segments are higher than the one before; after a gap nobody knows."""
    before = np.concatenate(([-np.inf], segments.plateau_a[:-1]))
    return np.asarray(segments.plateau_a > before)


def _pulses(segments: Segments, picked: npt.NDArray[np.intp]) -> list[Pulse]:
    starts_s, durations_s = segments.starts_s[picked], segments.durations_s[picked]
    return [Pulse(*one) for one in zip(starts_s.tolist(), durations_s.tolist(), strict=True)]


def _has_windows(transmits: list[Pulse], pulses: list[Pulse], delays_s: Sequence[float]) -> bool:
    if not (transmits and pulses):
        return False
    found = find_exchanges(transmits, pulses, delays_s=delays_s)
    return sum(bool(one.windows) for one in found) >= _SIGNED_BY_WINDOWS * len(found)


def _labels(segments: Segments, exchanges: tuple[Exchange, ...]) -> Codes:
    """The labels with transmissions and windows written in; their start times are whole samples, found again."""
    labels = segments.labels.copy()
    windows = [window.start_s for one in exchanges for window in one.windows]
    for starts_s, label in (
        ([one.transmit.start_s for one in exchanges], Label.TRANSMIT),
        (windows, Label.RECEIVE),
    ):
        firsts = np.rint(np.array(starts_s) / segments.interval_s).astype(np.int64)
        labels[np.searchsorted(segments.firsts, firsts)] = code_of(label)
    return labels


# ---- from floor to floor


def _events(segments: Segments, samples_a: npt.NDArray[np.float32]) -> tuple[Segments, float]:
    """The stretches from floor to floor, and the charge that they count of the samples beside them."""
    above = segments.marks(Label.WAKE, Label.TRANSMIT, Label.RECEIVE)
    spans = np.flatnonzero(np.diff(above, prepend=False, append=False))
    if spans.size == 0:
        return no_segments(segments.interval_s), 0.0
    begin, last = spans[::2], spans[1::2] - 1
    beside_c = _beside(segments, samples_a, begin, last) * segments.interval_s
    charge_c = np.add.reduceat(np.append(segments.charge_c, 0.0), spans)[::2]
    sends = np.maximum.reduceat(np.append(segments.marks(Label.TRANSMIT), False), spans)[::2]
    events = Segments(
        interval_s=segments.interval_s,
        labels=np.where(sends, code_of(Label.TRANSMIT), segments.labels[begin]).astype(np.uint8),
        firsts=segments.firsts[begin],
        ends=segments.ends[last],
        charge_c=charge_c + beside_c,
        plateau_a=np.maximum.reduceat(np.append(segments.plateau_a, -np.inf), spans)[::2],
        peak_a=np.maximum.reduceat(np.append(segments.peak_a, -np.inf), spans)[::2],
        whole=segments.whole[begin] & segments.whole[last],
    )
    return events, float(beside_c.sum())


def _beside(segments: Segments, samples_a: npt.NDArray[np.float32], begin: Ints, last: Ints) -> Floats:
    """What the samples next to an event hold more than the ones after next, where both are floor."""
    is_floor = np.append(segments.marks(Label.FLOOR) & (segments.ends - segments.firsts >= 2), False)
    excess_a = np.zeros(begin.size)
    before = np.flatnonzero(is_floor[begin - 1])
    near = segments.firsts[begin[before]] - 1
    excess_a[before] += samples_a[near].astype(np.float64) - samples_a[near - 1]
    after = np.flatnonzero(is_floor[last + 1])
    near = segments.ends[last[after]]
    excess_a[after] += samples_a[near].astype(np.float64) - samples_a[near + 1]
    return excess_a
