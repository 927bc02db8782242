"""How long `benchrig --help` takes, against a bare interpreter that imports argparse and json. Bound: 3 times."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 15
BOUND = 3.0


def _seconds(arguments: list[str]) -> float:
    began_s = time.perf_counter()
    subprocess.run(arguments, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began_s


def main() -> int:
    """Interleaved rounds, medians, one line."""
    bare = [sys.executable, "-c", "import argparse, json"]
    ours = [sys.executable, "-m", "benchrig", "--help"]
    for arguments in (bare, ours):
        _seconds(arguments)
    pairs = [(_seconds(ours), _seconds(bare)) for _ in range(ROUNDS)]
    ours_s, bare_s = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(
        f"benchrig --help {ours_s * 1e3:.1f} ms / bare {bare_s * 1e3:.1f} ms = {ours_s / bare_s:.2f} (bound {BOUND:g})"
    )
    return 0 if ours_s / bare_s <= BOUND else 1


if __name__ == "__main__":
    sys.exit(main())
