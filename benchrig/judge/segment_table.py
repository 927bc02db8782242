"""Labelled segments of a current recording, held as columns, and how runs become such segments.

Owns the labels and the shape of the result. Must not know how runs are found. Currents in ampere, charges in
coulomb, times in seconds from the first sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.recording import Atoms, Cells, cut
from benchrig.judge.states import GAP, REST, SPIKE, Runs

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]
    Codes = npt.NDArray[np.uint8]
    Marks = npt.NDArray[np.bool_]


class Label(StrEnum):
    """What a segment is."""

    FLOOR = "floor"
    WAKE = "wake"
    TRANSMIT = "transmit"
    RECEIVE = "receive"
    SPIKE = "spike"
    GAP = "gap"


_LABELS = tuple(Label)


def code_of(label: Label) -> int:
    """The number that stands for a label in a column."""
    return _LABELS.index(label)


class Segment(NamedTuple):
    """A part of the recording. `charge_c` is all that flowed in it, `plateau_a` the mean of its inner half.

    `whole` is False when it touches an end of the recording or a gap. In a gap charge is 0 and currents are NaN.
    """

    label: Label
    start_s: float
    duration_s: float
    charge_c: float
    plateau_a: float
    peak_a: float
    whole: bool

    @property
    def end_s(self) -> float:
        """When it was over."""
        return self.start_s + self.duration_s


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Segments:
    """Segments in order of time, held as columns; one by one they are `Segment`s. Ends are exclusive."""

    interval_s: float
    labels: Codes
    firsts: Ints
    ends: Ints
    charge_c: Floats
    plateau_a: Floats
    peak_a: Floats
    whole: Marks

    def __len__(self) -> int:
        return self.firsts.size

    def __iter__(self) -> Iterator[Segment]:
        return (self[index] for index in range(len(self)))

    def __getitem__(self, index: int) -> Segment:
        first, end = int(self.firsts[index]), int(self.ends[index])
        return Segment(
            _LABELS[self.labels[index]],
            first * self.interval_s,
            (end - first) * self.interval_s,
            float(self.charge_c[index]),
            float(self.plateau_a[index]),
            float(self.peak_a[index]),
            bool(self.whole[index]),
        )

    def marks(self, *labels: Label) -> Marks:
        """Which of the segments have one of these labels."""
        return np.isin(self.labels, [code_of(one) for one in labels])

    def of(self, label: Label) -> tuple[Segment, ...]:
        """All segments with this label."""
        return tuple(self[int(index)] for index in np.flatnonzero(self.marks(label)))

    @property
    def starts_s(self) -> Floats:
        """Start of each segment."""
        return np.asarray(self.firsts * self.interval_s)

    @property
    def durations_s(self) -> Floats:
        """Duration of each segment."""
        return np.asarray((self.ends - self.firsts) * self.interval_s)


def no_segments(interval_s: float) -> Segments:
    """A table without a row."""
    none, nothing = np.zeros(0, dtype=np.int64), np.zeros(0)
    return Segments(
        interval_s=interval_s,
        labels=none.astype(np.uint8),
        firsts=none,
        ends=none,
        charge_c=nothing,
        plateau_a=nothing,
        peak_a=nothing,
        whole=none.astype(np.bool_),
    )


# ---- from runs to segments


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Parts of a recording that follow one another, by their first sample and the one after their last."""

    firsts: Ints
    ends: Ints

    @property
    def sizes(self) -> Ints:
        """Samples in each."""
        return self.ends - self.firsts

    @property
    def centres(self) -> Floats:
        """The middle of each, in samples."""
        return np.asarray(0.5 * (self.firsts + self.ends - 1))

    def split(self, at: Ints) -> Spans:
        """The same parts, cut wherever one of the samples `at` lies inside of one."""
        owner = np.searchsorted(self.firsts, at, side="right") - 1
        at, owner = at[owner >= 0], owner[owner >= 0]
        inside = at[(at > self.firsts[owner]) & (at < self.ends[owner])]
        return Spans(np.sort(np.concatenate((self.firsts, inside))), np.sort(np.concatenate((self.ends, inside))))


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """A recording cut at its runs, at their inner halves, at the margins of events, and at the samples `bends`.

    `quiet` are the runs at rest without the margin beside whatever is above rest.
    """

    cells: Cells
    runs: Spans
    codes: Codes
    inner: Spans
    quiet: Spans
    bends: Ints
    atoms: Atoms

    def sums(self, spans: Spans) -> Floats:
        """Sum of the samples of each of these parts, in ampere."""
        return self.atoms.sums_between(spans.firsts, spans.ends) if spans.firsts.size else np.zeros(0)


def cut_at_runs(cells: Cells, runs: Runs, *, margin: int, bends: Ints) -> Pieces:
    """Cut a recording at its runs; `margin` in samples."""
    size = cells.recording.samples_a.size
    whole = Spans(runs.firsts, np.append(runs.firsts[1:], size))
    inner, quiet = _inner(whole, runs.codes), _quiet(whole, runs.codes, margin)
    at = np.concatenate((whole.firsts, inner.firsts, inner.ends, quiet.firsts, quiet.ends, bends))
    return Pieces(cells, whole, runs.codes, inner, quiet, bends, cut(cells, at[at < size]))


def _inner(whole: Spans, codes: Codes) -> Spans:
    """The inner half of each run above rest; all of the others."""
    trim = np.where((codes == REST) | (codes == GAP), 0, whole.sizes // 4)
    return Spans(whole.firsts + trim, whole.ends - trim)


def _quiet(whole: Spans, codes: Codes, margin: int) -> Spans:
    beside = np.concatenate(([False], (codes != REST) & (codes != GAP), [False]))
    begin = whole.firsts + margin * beside[:-2]
    end = whole.ends - margin * beside[2:]
    kept = (codes == REST) & (begin < end)
    return Spans(begin[kept], end[kept])


def segments_of(pieces: Pieces) -> Segments:
    """Every run as a segment; whatever is above rest is a wake until more is known."""
    codes, runs, inner = pieces.codes, pieces.runs, pieces.inner
    is_gap = codes == GAP
    cut_off = np.concatenate(([True], is_gap, [True]))
    labels = np.full(codes.size, code_of(Label.WAKE), dtype=np.uint8)
    for code, label in ((REST, Label.FLOOR), (SPIKE, Label.SPIKE), (GAP, Label.GAP)):
        labels[codes == code] = code_of(label)
    peak_a = pieces.atoms.highs_between(runs.firsts, runs.ends).astype(np.float64)
    return Segments(
        interval_s=pieces.cells.recording.interval_s,
        labels=labels,
        firsts=runs.firsts,
        ends=runs.ends,
        charge_c=pieces.sums(runs) * pieces.cells.recording.interval_s,
        plateau_a=np.where(is_gap, np.nan, pieces.sums(inner) / inner.sizes),
        peak_a=np.where(is_gap, np.nan, peak_a),
        whole=~(cut_off[:-2] | cut_off[2:]),
    )
