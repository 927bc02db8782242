"""Turning the trace of a lead current into samples.

Owns: the arithmetic on arrays.  Must not know commands.  Apart from `recorders` because only this needs numpy, which
takes longer to import than all the rest of the simulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from benchrig.simulation.battery_node import Stretch

OVERLOAD = 9.9e37
CHUNK_POINTS = 1_000_000
"""Twenty million points are allowed; their intermediate arrays would not fit into a small machine."""


@dataclass(frozen=True, slots=True)
class Channel:
    """The errors of a recorder channel in its present range."""

    range_a: float
    gain: float
    offset_a: float
    noise_a: float
    seed: int


def sampled(
    stretches: Sequence[Stretch], channel: Channel, *, start_s: float, interval_s: float, points: int
) -> NDArray[np.float32]:
    """What the recorder says at start_s, start_s + interval_s, ...: gain, offset, noise, over range."""
    rng = np.random.default_rng(channel.seed)
    samples = np.empty(points, dtype=np.float32)
    for first in range(0, points, CHUNK_POINTS):
        indices = np.arange(first, min(first + CHUNK_POINTS, points))
        times_s = start_s + np.float64(interval_s) * indices
        true_a = true_current(stretches, times_s)
        read_a = true_a * (1.0 + channel.gain) + channel.offset_a
        read_a += rng.normal(0.0, channel.noise_a, indices.size)
        samples[indices] = np.where(np.abs(read_a) > channel.range_a, OVERLOAD, read_a)
    return samples


def true_current(stretches: Sequence[Stretch], times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The lead current in amperes at the given bench times."""
    starts_s = np.array([stretch.start_s for stretch in stretches])
    laws = [stretch.lead_current for stretch in stretches]
    index = np.clip(np.searchsorted(starts_s, times_s, side="right") - 1, 0, None)
    elapsed_s = times_s - starts_s[index]
    base, slope, swing, tau_s = (
        np.array([getattr(law, name) for law in laws])[index] for name in ("base", "slope", "swing", "tau_s")
    )
    current_a: NDArray[np.float64] = base + slope * elapsed_s + swing * np.exp(-elapsed_s / tau_s)
    return current_a
