"""The production check at real-time scale, against what the board's own periods impose. Bound: 1.05 times.

The bound is the critical path of `benchrig.procedures.critical_path`: every wait that the board itself imposes, with
all that can overlap overlapped. The time is that of the checks; opening the bench before the first one and
closing it after the last are the same for one board as for forty, and are printed beside it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from benchrig.journal import read_journal
from benchrig.report.board_report import board_report

BOUND = 1.05
ROOT = Path(__file__).parents[2]


def main() -> int:
    """One run at scale 1."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [
                *(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "suites/production"),
                *("--bench", "fixtures/benches/simulated.toml", "--board", "HB-0001"),
                *("--bench-scale", "1", "--bench-reports", folder),
            ],
            cwd=ROOT,
            check=True,
            stdout=subprocess.DEVNULL,
        )
        (journal,) = Path(folder).rglob("*.jsonl")
        report = board_report(read_journal(journal))
    assert report.critical_path_s is not None
    assert report.duration_s is not None
    checks_s = sum(check.duration_s or 0.0 for check in report.checks)
    for check in report.checks:
        print(f"  {check.name:16} {check.duration_s or 0.0:7.3f} s")
    ratio = checks_s / report.critical_path_s
    print(
        f"checks {checks_s:.2f} s / board's own periods {report.critical_path_s:.2f} s = {ratio:.3f} (bound {BOUND:g})"
    )
    print(f"whole run with opening and closing the bench: {report.duration_s:.2f} s")
    return 0 if ratio <= BOUND else 1


if __name__ == "__main__":
    sys.exit(main())
