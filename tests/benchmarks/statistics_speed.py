"""What statistics of many limits over many boards cost, from an array that is already prepared.

20 000 boards by 60 limits: n, mean, deviation, extremes, index with its interval, and the count outside of each limit.
Bounds, budgets of this project's own: 30 ms, and 5 times what numpy takes for mean, std, min and max alone on the same
array in the same run. The fastest round counts; both are timed by turns, so that what else runs on the machine meets
both. A million boards (6e7 readings) lie in a file that is mapped and read in blocks: 3 s, and no more memory of its
own than a lot of twenty thousand takes. Printed beside it and not bounded: with holes in the array, and an array that
is laid out limit by limit.
Run it alone: `python tests/benchmarks/statistics_speed.py`; it ends with 1 when a bound is broken.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from pathlib import Path
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
MANY_BOARDS, MANY_LONGEST_S, MOST_GROWN_BYTES = 1_000_000, 3.0, 16 << 20


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


def large_file(path: Path, tolerances: list[Tolerance]) -> None:
    """A million invented boards on disk, written block by block."""
    rng = np.random.default_rng(61)
    middle = np.array([one.high or 0.0 for one in tolerances])
    out = np.lib.format.open_memmap(path, mode="w+", dtype=np.float64, shape=(MANY_BOARDS, LIMITS))
    for start in range(0, MANY_BOARDS, BOARDS):
        out[start : start + BOARDS] = rng.normal(middle - 1.0, 0.3, (BOARDS, LIMITS))
    out.flush()


def own_memory_bytes() -> int:
    """What this process alone holds; pages of a mapped file are the kernel's to take back (Linux: proc(5), RssAnon)."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return 1024 * next(int(line.split()[1]) for line in status.splitlines() if line.startswith("RssAnon:"))


def a_million_boards(tolerances: list[Tolerance]) -> bool:
    """Whether a million boards stay within their bounds."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "values.npy"
        large_file(path, tolerances)
        before_bytes = own_memory_bytes()
        start_s = time.perf_counter()
        found = limit_statistics(np.load(path, mmap_mode="r"), tolerances=tolerances)
        took_s = time.perf_counter() - start_s
        grown_bytes = own_memory_bytes() - before_bytes
    print(f"{MANY_BOARDS} boards from a mapped file: {took_s:.2f} s, bound {MANY_LONGEST_S:g} s")
    print(f"memory of its own: {grown_bytes / 2**20:+.1f} MiB, bound {MOST_GROWN_BYTES / 2**20:.0f} MiB")
    return all(one.n == MANY_BOARDS for one in found) and took_s <= MANY_LONGEST_S and grown_bytes <= MOST_GROWN_BYTES


def main() -> int:
    """Measure, print, and say whether all bounds hold."""
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
    many = a_million_boards(tolerances)
    return 0 if many and ours_s <= LONGEST_S and ours_s <= LARGEST_RATIO * floor_s else 1


if __name__ == "__main__":
    sys.exit(main())
