"""One report in a current recording: its transmission, the receive windows after it, repetitions, and its charge.

Owns what is picked out of the segments of such a recording. Must not know how segments are found, nor a limit.
Receive delays and repetitions as in `radio_timing`. Currents in ampere, charges in coulomb, times in seconds from
the first sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.segment_table import Label
from benchrig.judge.segments import find_segments
from benchrig.judge.uncertainty import Component

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.judge.radio_timing import ReceiveWindow
    from benchrig.judge.recording import Recording
    from benchrig.judge.segment_table import Segment
    from benchrig.judge.segments import Segmentation

SPIKE_S = 2e-3
"""Whatever is shorter is a spike, no transmission and no receive window. Own choice."""

_RISE = 0.5
"""Of the least current that a transmission should draw: less is an idle radio. Own choice."""

_TOUCH = 1e-9
"""What ends and what begins within this share of a second is at the same sample."""


class Burst(NamedTuple):
    """One transmission. `charge_c` is all that flowed while it lasted, `plateau_a` the mean of its inner half."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Uplink:
    """What a recording of one report shows.

    `transmit` is the first transmission, None when the current shows none; `transmissions` counts all, `repeats`
    those that came soon enough to repeat the one before. `windows` are the receive windows of the first one.
    `report_c` is what flowed above the floor from the first sample to the end of the last receive window (of the
    last transmission if no window was seen), and `report_s` how long that is. `receive_c` is what the first window
    took above the floor, 0 when it was not seen.
    """

    transmit: Burst | None
    transmissions: int
    repeats: int
    windows: tuple[ReceiveWindow, ...]
    report_c: float
    report_s: float
    receive_c: float = 0.0

    def window(self, number: int) -> ReceiveWindow | None:
        """Receive window 1 or 2, None when it was not seen."""
        return next((one for one in self.windows if one.number == number), None)


NO_UPLINK = Uplink(transmit=None, transmissions=0, repeats=0, windows=(), report_c=0.0, report_s=0.0)


def cut_uplink(recording: Recording, *, least_plateau_a: float | None) -> Segmentation:
    """Cut the recording of one report. `least_plateau_a` is the least current that a transmission should draw.

    Without it a transmission is told by the receive windows after it alone.
    """
    above_a = _RISE * least_plateau_a if least_plateau_a else None
    return find_segments(recording, transmit_above_a=above_a, shortest_s=SPIKE_S, margin_s=SPIKE_S)


def read_uplink(found: Segmentation) -> Uplink:
    """Pick the report out of a recording that was cut. Transmissions that touch, such as one that steps, are one."""
    bursts = _bursts(found.segments.of(Label.TRANSMIT))
    if not bursts:
        return NO_UPLINK
    first, *others = bursts
    windows = tuple(
        window
        for one in found.exchanges
        if first.start_s <= one.transmit.start_s < first.end_s
        for window in one.windows
    )
    listening = next((one for one in windows if one.number == 1), None)
    end_s = max([one.end_s for one in bursts] + [one.end_s for one in found.segments.of(Label.RECEIVE)])
    return Uplink(
        transmit=first,
        transmissions=len(bursts),
        repeats=sum(one.attempt > 1 and _begins(one.transmit.start_s, others) for one in found.exchanges),
        windows=windows,
        report_c=_above_floor_c(found, until_s=end_s),
        report_s=end_s,
        receive_c=_above_floor_c(found, from_s=listening.start_s, until_s=listening.start_s + listening.duration_s)
        if listening
        else 0.0,
    )


def _begins(start_s: float, bursts: Iterable[Burst]) -> bool:
    return any(abs(burst.start_s - start_s) < _TOUCH for burst in bursts)


def _bursts(segments: Iterable[Segment]) -> list[Burst]:
    groups: list[list[Segment]] = []
    for segment in segments:
        if groups and segment.start_s - groups[-1][-1].end_s < _TOUCH:
            groups[-1].append(segment)
        else:
            groups.append([segment])
    return [_burst(group) for group in groups]


def _burst(group: list[Segment]) -> Burst:
    first, last = group[0], group[-1]
    longest = max(group, key=lambda one: one.duration_s)
    return Burst(
        start_s=first.start_s,
        duration_s=last.end_s - first.start_s,
        charge_c=math.fsum(one.charge_c for one in group),
        plateau_a=longest.plateau_a,
        peak_a=max(one.peak_a for one in group),
        whole=first.whole and last.whole,
    )


def _above_floor_c(found: Segmentation, *, until_s: float, from_s: float = 0.0) -> float:
    segments = found.segments
    inside = (segments.starts_s > from_s - _TOUCH) & (segments.starts_s < until_s - _TOUCH)
    charge_c = np.nansum(segments.charge_c[inside])
    return float(charge_c - (found.floor_a or 0.0) * segments.durations_s[inside].sum())


def edge_causes(interval_s: float, *, height_a: float = 1.0) -> tuple[Component, ...]:
    """How far the sampling leaves open when something began and ended: each edge lies within one sample.

    For a duration in seconds, or for a charge in coulomb when `height_a` is what flowed more inside than outside.
    The sum of two errors that are even within half a sample is triangular (GUM 4.3.9, section number from memory).
    """
    return (Component.within("edges between samples", half_width=interval_s, shape="triangular", sensitivity=height_a),)
