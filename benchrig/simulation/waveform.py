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


@dataclass(frozen=True, slots=True)
class Channel:
    """The errors of a recorder channel in its present range."""

    range_a: float
    gain: float
    offset_a: float
    noise_a: float
    seed: int


def true_current(
    stretches: Sequence[Stretch], *, start_s: float, interval_s: float, points: int
) -> NDArray[np.float64]:
    """The lead current in amperes at start_s, start_s + interval_s, ..."""
    times_s = start_s + interval_s * np.arange(points)
    starts_s = np.array([stretch.start_s for stretch in stretches])
    laws = [stretch.lead_current for stretch in stretches]
    index = np.clip(np.searchsorted(starts_s, times_s, side="right") - 1, 0, None)
    elapsed_s = times_s - starts_s[index]
    base, slope, swing, tau_s = (
        np.array([getattr(law, name) for law in laws])[index] for name in ("base", "slope", "swing", "tau_s")
    )
    current_a: NDArray[np.float64] = base + slope * elapsed_s + swing * np.exp(-elapsed_s / tau_s)
    return current_a


def sampled(current_a: NDArray[np.float64], channel: Channel) -> NDArray[np.float32]:
    """What the recorder says for a true current: gain, offset, noise, over range."""
    noise_a = np.random.default_rng(channel.seed).normal(0.0, channel.noise_a, current_a.size)
    read_a = current_a * (1.0 + channel.gain) + channel.offset_a + noise_a
    return np.where(np.abs(read_a) > channel.range_a, OVERLOAD, read_a).astype(np.float32)
