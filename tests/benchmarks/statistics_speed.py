"""What statistics of many limits over many boards cost, from an array that is already prepared.

20 000 boards by 60 limits: n, mean, deviation, extremes, index with its interval, and the count outside of each limit.
Bounds, budgets of this project's own: 30 ms, and 5 times what numpy takes for mean, std, min and max alone on the same
array in the same run. The fastest round counts; both are timed by turns, so that what else runs on the machine meets
both. Printed beside it and not bounded: with holes in the array, and an array that is laid out limit by limit.
Run it alone: `python tests/benchmarks/statistics_speed.py`; it ends with 1 when a bound is broken.
"""

from __future__ import annotations

import math
import sys
import time
from typing import TYPE_CHECKING

import numpy as np

from benchrig.statistics.capability import Tolerance
from benchrig.statistics.limit_statistics import limit_statistics

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BOARDS, LIMITS, ROUNDS = 20_000, 60, 15
LONGEST_S, LARGEST_RATIO = 30e-3, 5.0


def lot() -> tuple[Floats, list[Tolerance]]:
    """An invented lot; every third limit has one side alone, and a few boards are outside of each."""
    rng = np.random.default_rng(60)
    middle, deviation = rng.uniform(-5.0, 5.0, LIMITS), rng.uniform(0.01, 2.0, LIMITS)
    values = rng.normal(middle, deviation, (BOARDS, LIMITS))
    tolerances = [
        Tolerance(low=None if number % 3 == 2 else float(mean - 3.2 * sd), high=float(mean + 3.2 * sd))
        for number, (mean, sd) in enumerate(zip(middle, deviation, strict=True))
    ]
    return values, tolerances


def numpy_alone(values: Floats) -> tuple[Floats, ...]:
    """The floor: four statistics by numpy's own calls."""
    return values.mean(axis=0), values.std(axis=0, ddof=1), values.min(axis=0), values.max(axis=0)


def agree(values: Floats, tolerances: list[Tolerance]) -> bool:
    """Whether the figures that are timed are numpy's, and every limit has its index and its boards outside."""
    found = limit_statistics(values, tolerances=tolerances)
    mean, deviation, least, most = numpy_alone(values)
    mine = [[one.mean or 0.0, one.deviation or 0.0, one.least or 0.0, one.most or 0.0] for one in found]
    same = np.allclose(mine, np.transpose([mean, deviation, least, most]), rtol=1e-11, atol=1e-13)
    return bool(same) and all(one.index is not None and one.outside > 0 for one in found)


def fastest_s(steps: list[Callable[[], object]]) -> list[float]:
    """Seconds of each step in its fastest round, taken by turns."""
    best_s = [math.inf] * len(steps)
    for _ in range(ROUNDS):
        for at, step in enumerate(steps):
            start_s = time.perf_counter()
            step()
            best_s[at] = min(best_s[at], time.perf_counter() - start_s)
    return best_s


def main() -> int:
    """Measure, print, and say whether both bounds hold."""
    values, tolerances = lot()
    if not agree(values, tolerances):
        print("the statistics that would be timed are not those of numpy")
        return 1
    measured = np.random.default_rng(1).uniform(size=values.shape) < 0.99
    columns = np.asfortranarray(values)
    ours_s, floor_s, holed_s, columns_s = fastest_s(
        [
            lambda: limit_statistics(values, tolerances=tolerances),
            lambda: numpy_alone(values),
            lambda: limit_statistics(values, tolerances=tolerances, measured=measured),
            lambda: limit_statistics(columns, tolerances=tolerances),
        ]
    )
    print(f"{BOARDS} boards by {LIMITS} limits: {ours_s * 1e3:.1f} ms, bound {LONGEST_S * 1e3:.0f} ms")
    print(f"ratio to numpy's mean, std, min and max ({floor_s * 1e3:.1f} ms): {ours_s / floor_s:.2f}, bound 5")
    print(f"with holes: {holed_s * 1e3:.1f} ms; laid out limit by limit: {columns_s * 1e3:.1f} ms")
    return 0 if ours_s <= LONGEST_S and ours_s <= LARGEST_RATIO * floor_s else 1


if __name__ == "__main__":
    sys.exit(main())
