"""Reads a current trace: sleep floor and wakes, or a transmission and the receive windows after it.

Owns the meaning of levels in a current; `levels` finds them. Must not know a recorder, a board or a limit.
Thresholds come from the data, never from what the board should do. A trace with samples missing is not judged.
Currents in ampere, charges in coulomb, times in seconds from the first sample.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import KW_ONLY, dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.levels import Level, Stretch, find_levels, stretches_above, with_one_rest

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_NO_SAMPLE = 1e30
"""A sample beyond this is a mark, not a current: SCPI-99 writes 9.9E37 for infinity, 9.91E37 for no number."""

_BLOCK = 1 << 16
_FEWEST_SAMPLES = 32
_FLOOR_BATCHES = 16

_SAME_HEIGHT = 0.75
"""Levels above this share of the highest are one thing, such as a transmission that droops. Own choice."""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Samples in ampere at a constant interval; `invalid` marks those that were not measured.

    Samples that are not finite, or are SCPI's marks for overload and no number, count as invalid too.
    Raises ValueError for an empty or folded array, an interval not above 0, or a mask of another length.
    """

    samples_a: npt.NDArray[np.float32]
    _: KW_ONLY
    interval_s: float
    invalid: npt.NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        if self.samples_a.ndim != 1 or self.samples_a.size == 0:
            raise ValueError(f"a trace is a row of samples; this one has the shape {self.samples_a.shape}")
        if not (math.isfinite(self.interval_s) and self.interval_s > 0.0):
            raise ValueError(f"the sample interval is {self.interval_s!r} s; accepted: a finite time above 0")
        marks = ~np.isfinite(self.samples_a) | (np.abs(self.samples_a) > _NO_SAMPLE)
        if self.invalid is not None:
            if self.invalid.shape != self.samples_a.shape:
                raise ValueError(f"{self.invalid.size} marks for {self.samples_a.size} samples; give one for each")
            marks |= self.invalid
        object.__setattr__(self, "invalid", marks)

    @property
    def duration_s(self) -> float:
        """Time that the samples stand for."""
        return float(self.samples_a.size * self.interval_s)

    def problems(self) -> tuple[str, ...]:
        """One sentence for each reason not to judge this trace; none if it is sound."""
        assert self.invalid is not None  # set at construction
        found = []
        count = int(np.count_nonzero(self.invalid))
        if count:
            first_s = float(np.argmax(self.invalid)) * self.interval_s
            found.append(f"{count} of {self.samples_a.size} samples were not measured, the first at {first_s:.6g} s")
        if self.samples_a.size < _FEWEST_SAMPLES:
            found.append(f"{self.samples_a.size} samples are too few; {_FEWEST_SAMPLES} or more are needed")
        return tuple(found)


class Event(NamedTuple):
    """A stretch above the resting current, from half of its height to half of its height.

    `charge_c` is all that flowed while it lasted, with samples on its edges counted in part. `plateau_a` is the
    median of its inner half, `peak_a` its largest sample. `whole` is False when the trace begins or ends in it.
    """

    start_s: float
    duration_s: float
    peak_a: float
    plateau_a: float
    charge_c: float
    whole: bool

    @property
    def end_s(self) -> float:
        """When it was over."""
        return self.start_s + self.duration_s


@dataclass(frozen=True, slots=True, kw_only=True)
class SleepWindow:
    """What a trace of a sleeping board shows.

    `floor_a` with its standard uncertainty `floor_u` (scatter only, no instrument accuracy) is the mean outside
    events and their margins. `period_s` is the mean time from wake to wake, `period_spread_s` the difference of
    the longest and the shortest; `mean_a` is over whole periods if there is one, else over the window.
    `enough` says whether the window covers as many whole wake periods as were asked for. With `problems` there is
    no number at all.
    """

    floor_a: float | None
    floor_u: float | None
    wakes: tuple[Event, ...]
    period_s: float | None
    period_spread_s: float | None
    mean_a: float | None
    whole_periods: int
    enough: bool
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmitWindow:
    """What a trace of one report shows.

    `transmit` is the first transmission, None when the current shows none; `later` are the pulses after its end,
    such as receive windows; `transmissions` counts all stretches as high as the first one. `idle_a` is the
    lowest level of the trace that lasts, `charge_c` the charge of the whole trace.
    """

    transmit: Event | None
    later: tuple[Event, ...]
    transmissions: int
    idle_a: float | None
    charge_c: float | None
    problems: tuple[str, ...]


def charge_c(trace: Trace) -> float:
    """Charge of the whole trace in coulomb, summed in float64 blocks.

    Raises ValueError when samples are missing: a sum over a gap is no charge.
    """
    assert trace.invalid is not None  # set at construction
    if trace.invalid.any():
        raise ValueError(f"no charge from this trace: {trace.problems()[0]}")
    return _sum(trace.samples_a) * trace.interval_s


def find_sleep(trace: Trace, *, least_periods: int = 3, margin_s: float = 5e-3, shortest_s: float = 0.0) -> SleepWindow:
    """Separate the floor from the wakes.

    `margin_s` around each event is left out of the floor, for what follows a wake in the board's capacitors.
    An event is at least two samples and `shortest_s` long. A board that never sleeps, or never wakes, has one
    level: that is its floor, and it has no wakes.
    """
    problems = trace.problems()
    if problems:
        return _unjudged_sleep(problems)
    samples = trace.samples_a.astype(np.float64)
    levels = with_one_rest(find_levels(samples))
    found = _stretches(samples, levels, 1, shortest=_in_samples(trace, shortest_s))
    quiet = samples[_outside(samples.size, found, margin=_in_samples(trace, margin_s))]
    if quiet.size < _FEWEST_SAMPLES:
        return _unjudged_sleep((f"only {quiet.size} samples lie outside events and their margins; record longer",))
    floor_a = _mean(quiet)
    stretches = [_trimmed(samples, stretch, resting_a=floor_a) for stretch in found]
    starts = [stretch.first for stretch in stretches if stretch.first > 0]
    steps_s = [(later - earlier) * trace.interval_s for earlier, later in itertools.pairwise(starts)]
    return SleepWindow(
        floor_a=floor_a,
        floor_u=_standard_error(quiet),
        wakes=tuple(_event(trace, samples, stretch) for stretch in stretches),
        period_s=math.fsum(steps_s) / len(steps_s) if steps_s else None,
        period_spread_s=max(steps_s) - min(steps_s) if steps_s else None,
        mean_a=_mean(samples[starts[0] : starts[-1]] if steps_s else samples),
        whole_periods=len(steps_s),
        enough=len(steps_s) >= least_periods,
        problems=(),
    )


def _unjudged_sleep(problems: tuple[str, ...]) -> SleepWindow:
    return SleepWindow(
        floor_a=None,
        floor_u=None,
        wakes=(),
        period_s=None,
        period_spread_s=None,
        mean_a=None,
        whole_periods=0,
        enough=False,
        problems=problems,
    )


def find_transmit(trace: Trace, *, shortest_s: float = 2e-3) -> TransmitWindow:
    """Find the first transmission, which is the first stretch at the highest level, and the pulses after it.

    Whatever is shorter than `shortest_s` is a spike, no transmission and no receive window. A pulse that is cut
    by the end of the trace is not counted.
    """
    problems = trace.problems()
    if problems:
        return TransmitWindow(transmit=None, later=(), transmissions=0, idle_a=None, charge_c=None, problems=problems)
    samples = trace.samples_a.astype(np.float64)
    shortest = _in_samples(trace, shortest_s)
    idle_a = with_one_rest(find_levels(samples))[0].mean
    highest = [_trimmed(samples, one, resting_a=idle_a) for one in _highest(samples, shortest=shortest)]
    return TransmitWindow(
        transmit=_event(trace, samples, highest[0]) if highest else None,
        later=_pulses_after(trace, samples, highest, shortest=shortest),
        transmissions=len(highest),
        idle_a=idle_a,
        charge_c=charge_c(trace),
        problems=(),
    )


def _pulses_after(trace: Trace, samples: Floats, highest: Sequence[Stretch], *, shortest: int) -> tuple[Event, ...]:
    """Events between the end of the first transmission and the next one, or the end of the trace."""
    if not highest:
        return ()
    first = highest[0].end + 1
    end = highest[1].first - 1 if len(highest) > 1 else samples.size
    part = samples[first:end]
    if part.size < _FEWEST_SAMPLES:
        return ()
    resting_a = find_levels(part)[0].mean
    found = (
        _trimmed(samples, Stretch(one.first + first, one.end + first), resting_a=resting_a)
        for one in _highest(part, shortest=shortest)
        if one.end < part.size
    )
    return tuple(_event(trace, samples, stretch) for stretch in found)


# ---- levels and stretches


def _stretches(samples: Floats, levels: Sequence[Level], index: int, *, shortest: int) -> tuple[Stretch, ...]:
    """Stretches at the level `index` or above."""
    if not 0 < index < len(levels):
        return ()
    below, above = levels[index - 1].mean, levels[index].mean
    enter = 0.5 * (below + above)
    return stretches_above(samples, enter=enter, leave=0.5 * (below + enter), shortest=shortest)


def _highest(samples: Floats, *, shortest: int) -> tuple[Stretch, ...]:
    """Stretches at the highest level that holds long enough; none when the current rests all the time."""
    levels = with_one_rest(find_levels(samples))
    index = len(levels)
    while index > 1:
        top_a = levels[index - 1].mean
        index = next(i for i, level in enumerate(levels) if level.mean > _SAME_HEIGHT * top_a)
        found = _stretches(samples, levels, index, shortest=shortest)
        if found:
            return found
    return ()


def _trimmed(samples: Floats, stretch: Stretch, *, resting_a: float) -> Stretch:
    """The stretch between the first and the last sample above half of its own height."""
    inside = samples[stretch.first : stretch.end]
    high = np.flatnonzero(inside > 0.5 * (resting_a + _plateau_a(inside)))
    return Stretch(stretch.first + int(high[0]), stretch.first + int(high[-1]) + 1)


def _outside(size: int, stretches: Iterable[Stretch], *, margin: int) -> npt.NDArray[np.bool_]:
    quiet = np.ones(size, dtype=np.bool_)
    for first, end in stretches:
        quiet[max(0, first - margin) : end + margin] = False
    return quiet


def _in_samples(trace: Trace, duration_s: float) -> int:
    """Samples that a duration spans, two at least; what is a hair above a whole number is that number."""
    return max(2, math.ceil(duration_s / trace.interval_s - 1e-6))


# ---- numbers of a stretch


def _event(trace: Trace, samples: Floats, stretch: Stretch) -> Event:
    first, end = stretch
    inside = samples[first:end]
    # an edge sample that is neither inside nor at the level next to it holds a part of the event
    edges = samples[first - 1] - samples[first - 2] if first >= 2 else 0.0
    edges += samples[end] - samples[end + 1] if end + 1 < samples.size else 0.0
    return Event(
        start_s=first * trace.interval_s,
        duration_s=(end - first) * trace.interval_s,
        peak_a=float(inside.max()),
        plateau_a=_plateau_a(inside),
        charge_c=(_sum(inside) + float(edges)) * trace.interval_s,
        whole=first > 0 and end < samples.size,
    )


def _plateau_a(inside: Floats) -> float:
    trim = inside.size // 4
    return float(np.median(inside[trim : inside.size - trim]))


def _mean(values: Floats) -> float:
    return _sum(values) / values.size


def _standard_error(values: Floats) -> float:
    """Of the mean, from the means of batches: hum and drift count in full, which they do not in s/√n."""
    size = values.size // _FLOOR_BATCHES
    means = values[: size * _FLOOR_BATCHES].reshape(_FLOOR_BATCHES, size).mean(axis=1)
    return float(means.std(ddof=1)) / math.sqrt(_FLOOR_BATCHES)


def _sum(values: npt.NDArray[np.floating]) -> float:
    """Sum in float64: numpy sums a block pairwise, and the block sums are added without rounding."""
    blocks = (values[first : first + _BLOCK] for first in range(0, values.size, _BLOCK))
    return math.fsum(float(block.astype(np.float64).sum()) for block in blocks)
