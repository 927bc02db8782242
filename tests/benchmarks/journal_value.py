"""What it costs to build the record of one judged value and to append it to the journal.

Bound: 40 µs a value without the sync, a budget of this project's own.
The share of the sync, one for each check of 20 values, is printed and not bounded: it is the disk's.
Run it alone: `python tests/benchmarks/journal_value.py`; it ends with 1 when the bound is broken.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from benchrig.journal import JournalWriter
from benchrig.records import LimitJudged, Verdict

BOUND_S = 40e-6
BATCHES, VALUES_PER_CHECK = 200, 20


def judged(number: int) -> LimitJudged:
    """A record as a sweep makes it, with a text of usual length."""
    value = 3.3 + number * 1e-6
    return LimitJudged(
        check="battery_sweep",
        limit="vbat at 3.3 V",
        value=value,
        unit="V",
        expanded_uncertainty=0.0012,
        coverage_factor=2.0,
        low=3.29,
        high=3.31,
        rule="guarded",
        guard_band=0.0012,
        verdict=Verdict.PASS,
        why=f"{value:.4f} V lies within 3.2912 V to 3.3088 V",
        limit_source="profile",
        at_s=float(number),
    )


def batch_times_s(journal: JournalWriter) -> tuple[float, float]:
    """Seconds for the values of one check, and for its sync."""
    start_s = time.perf_counter()
    for number in range(VALUES_PER_CHECK):
        journal.append(judged(number))
    written_s = time.perf_counter()
    journal.sync()
    return written_s - start_s, time.perf_counter() - written_s


def main() -> int:
    """Measure, print, and say whether the bound holds."""
    with (
        tempfile.TemporaryDirectory() as folder,
        JournalWriter(Path(folder) / "journal.jsonl") as journal,
    ):
        times_s = [batch_times_s(journal) for _ in range(BATCHES)]
    value_s = statistics.median(append_s for append_s, _ in times_s) / VALUES_PER_CHECK
    sync_s = statistics.median(sync_s for _, sync_s in times_s)
    share = sync_s / (sync_s + value_s * VALUES_PER_CHECK)
    print(f"one judged and journalled value: {value_s * 1e6:.1f} µs, bound {BOUND_S * 1e6:.0f} µs")
    print(f"ratio to the bound: {value_s / BOUND_S:.2f}")
    print(f"one sync: {sync_s * 1e6:.0f} µs, {share:.0%} of a check of {VALUES_PER_CHECK} values")
    return 0 if value_s <= BOUND_S else 1


if __name__ == "__main__":
    sys.exit(main())
