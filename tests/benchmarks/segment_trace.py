"""What cutting a long recording costs, as ratios to x.max(): python tests/benchmarks/segment_trace.py [samples]

Ten minutes at 100 000 samples a second: 60 million float32 samples. Two states are a floor with a wake of 12 ms
every 2 s; five states are a floor with standby, awake, receive and transmit in a report every 10 s, a third of
the time. Rounds of both rivals are interleaved and compared by their medians, in time of this process on a core,
so that other processes do not count. Memory is the peak of all allocations over that of the samples. The charge is
held against math.fsum of every sample. A year of autonomy at hourly steps with 1000 draws is timed as well. Exit
status 1 when a bound is broken.
"""

from __future__ import annotations

import itertools
import math
import statistics
import sys
import time
import tracemalloc
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.autonomy import Spread, SunSeries, System, live_through
from benchrig.judge.recording import Recording
from benchrig.judge.segments import Segmentation, find_segments

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Samples = npt.NDArray[np.float32]

_SAMPLES = 60_000_000
_INTERVAL_S = 1e-5
_ROUNDS = 9
_FLOOR_A = 16e-6

BOUNDS = {"two states": 5.0, "five states": 12.0}
MEMORY_BOUND, CHARGE_BOUND, AUTONOMY_BOUND_S = 1.3, 1e-12, 2.0

_WAKE = ((0.7, 0.012, 4.5e-3),)
_REPORT = (
    (1.0, 0.2, 1.6e-3),
    (1.2, 0.005, 4.5e-3),
    (1.205, 0.056, 44e-3),
    (1.261, 1.0, 4.5e-3),
    (2.261, 0.015, 11e-3),
    (2.276, 0.985, 4.5e-3),
    (3.261, 0.033, 11e-3),
    (3.294, 0.7, 1.6e-3),
)


def _samples(count: int, pulses: tuple[tuple[float, float, float], ...], *, every_s: float) -> Samples:
    samples = np.random.default_rng(1).standard_normal(count, dtype=np.float32)
    samples *= np.float32(0.2e-6)
    samples += np.float32(_FLOOR_A)
    for cycle in range(math.ceil(count * _INTERVAL_S / every_s)):
        for start_s, duration_s, level_a in pulses:
            first = round((cycle * every_s + start_s) / _INTERVAL_S)
            samples[first : first + round(duration_s / _INTERVAL_S)] += np.float32(level_a - _FLOOR_A)
    return samples


def _medians(*calls: Callable[[], object]) -> list[float]:
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(_ROUNDS + 1):
        for own, call in zip(times, calls, strict=True):
            begin_s = time.process_time()
            call()
            own.append(time.process_time() - begin_s)
    return [statistics.median(own[1:]) for own in times]


def _peak_bytes(call: Callable[[], object]) -> int:
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def _charge_error(samples: Samples, found: Segmentation) -> float:
    blocks = (samples[first : first + (1 << 20)].tolist() for first in range(0, samples.size, 1 << 20))
    exact_c = math.fsum(itertools.chain.from_iterable(blocks)) * _INTERVAL_S
    assert found.balance is not None
    return abs(found.balance.total_c - exact_c) / abs(exact_c)


def _judge(name: str, found: float, bound: float) -> bool:
    print(f"{name}: {found:.3g} (bound {bound:g})")
    return found <= bound


def _segmentation(name: str, samples: Samples, *, events: int) -> bool:
    recording = Recording(samples, interval_s=_INTERVAL_S)
    max_s, segments_s = _medians(samples.max, lambda: find_segments(recording))
    found = find_segments(recording)
    peak = (samples.nbytes + _peak_bytes(lambda: find_segments(recording))) / samples.nbytes
    print(
        f"{name}: {samples.size} samples, {len(found.segments)} segments, {len(found.events)} events, levels "
        f"{', '.join(f'{height * 1e3:.3g} mA' for height in found.heights_a)}; max {max_s * 1e3:.1f} ms, "
        f"segments {segments_s * 1e3:.1f} ms"
    )
    kept = [
        _judge(f"  {name} / x.max()", segments_s / max_s, BOUNDS[name]),
        _judge("  peak memory / samples", peak, MEMORY_BOUND),
        _judge("  charge against math.fsum", _charge_error(samples, found), CHARGE_BOUND),
    ]
    if len(found.events) != events:
        print(f"  {len(found.events)} events instead of {events}: what was timed is not what was meant")
    return all(kept) and len(found.events) == events


def _autonomy() -> bool:
    hours = np.maximum(0.0, np.sin((np.arange(24) - 6.0) / 12.0 * np.pi))
    weather = np.random.default_rng(1).uniform(50.0, 900.0, 365)
    sun = SunSeries(np.arange(19358, 19358 + 365), weather[:, None] * hours[None, :])
    system = System(
        panel_w=0.1,
        efficiency=0.7,
        battery_v=3.7,
        capacity_c=5760.0,
        load_a=1.6e-3,
        least_w=1e-3,
        night_leak_a=1e-6,
        restart_share=0.05,
    )
    spread = Spread(dirt=0.1, dirt_u=0.05, capacity_u=0.1, load_u=0.1, draws=1000)
    (year_s,) = _medians(lambda: live_through(sun, system, spread=spread))
    return _judge("a year by the hour with 1000 draws, s", year_s, AUTONOMY_BOUND_S)


def main() -> int:
    """Measure, print, and judge against the bounds."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else _SAMPLES
    seconds = count * _INTERVAL_S
    wakes, reports = math.ceil((seconds - 0.7) / 2.0), math.ceil((seconds - 1.0) / 10.0)
    kept = [_segmentation("two states", _samples(count, _WAKE, every_s=2.0), events=wakes)]
    kept.append(_segmentation("five states", _samples(count, _REPORT, every_s=10.0), events=reports))
    kept.append(_autonomy())
    return 0 if all(kept) else 1


if __name__ == "__main__":
    sys.exit(main())
