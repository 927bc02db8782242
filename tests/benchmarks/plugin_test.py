"""What the plugin costs for each test, against pytest with --junitxml and record_property. Bound: 1.15 times.

Two suites of equal tests differ in number only, so that the difference of their times is the cost of tests alone and
not of starting; the values are judged and journalled in one, recorded as properties in the other. A check ends with
one fsync, whose time is the disk's: the floor pays for one, too, of a line of the same length.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
FEW, MANY, ROUNDS = 50, 650, 5
BOUND = 1.15

OURS = """
import pytest

@pytest.mark.parametrize("n", [pytest.param(n, marks=pytest.mark.check(f"own{{n}}", needs=[])) for n in range({count})])
def test_value(board_run, measure, n):
    measure("current", 0.0123 + n * 1e-6, unit="A", standard_uncertainty=1e-6)
"""

BARE = """
import os
import pytest

@pytest.fixture(autouse=True)
def synced(kept):
    yield
    os.write(kept, b"x" * 900)
    os.fdatasync(kept)

@pytest.fixture(scope="session")
def kept(tmp_path_factory):
    return os.open("kept", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

@pytest.mark.parametrize("n", range({count}))
def test_value(record_property, n):
    value = 0.0123 + n * 1e-6
    record_property("current", value)
    assert 0.001 <= value <= 0.02
"""


def _prepare(folder: Path) -> None:
    shutil.copytree(ROOT / "fixtures", folder / "fixtures")
    profile = folder / "fixtures/boards/hay-barn-probe.toml"
    checks = [f"own{number}" for number in range(MANY)]
    text = profile.read_text(encoding="utf-8").replace("schema = 1", f"schema = 1\nown_checks = {checks}", 1)
    limit = '{ unit = "mA", low = 1, high = 20, source = "benchmark", rule = "guarded" }'
    limits = "".join(f"[limits.{check}]\ncurrent = {limit}\n" for check in checks)
    profile.write_text(f"{text}\n{limits}", encoding="utf-8")
    for count in (FEW, MANY):
        (folder / f"test_ours_{count}.py").write_text(OURS.format(count=count), encoding="utf-8")
        (folder / f"test_bare_{count}.py").write_text(BARE.format(count=count), encoding="utf-8")
    (folder / "pytest.ini").write_text("[pytest]\njunit_family = xunit1\n", encoding="utf-8")


def _seconds(folder: Path, kind: str, count: int) -> float:
    bench = ["--bench", "fixtures/benches/simulated.toml", "--board", "HB-0001", "--bench-reports", "reports"]
    extra = bench if kind == "ours" else ["--junitxml", "bare.xml", "-p", "no:benchrig"]
    arguments = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", f"test_{kind}_{count}.py", *extra]
    began_s = time.perf_counter()
    subprocess.run(arguments, cwd=folder, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - began_s


def main() -> int:
    """Interleaved rounds; the cost of a test is the slope between the two sizes."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _prepare(folder)
        slopes: dict[str, list[float]] = {"ours": [], "bare": []}
        for _ in range(ROUNDS):
            for kind, found in slopes.items():
                found.append((_seconds(folder, kind, MANY) - _seconds(folder, kind, FEW)) / (MANY - FEW))
    ours_s, bare_s = statistics.median(slopes["ours"]), statistics.median(slopes["bare"])
    ratio = ours_s / bare_s
    print(f"a test: ours {ours_s * 1e6:.0f} us / bare {bare_s * 1e6:.0f} us = {ratio:.2f} (bound {BOUND:g})")
    return 0 if ratio <= BOUND else 1


if __name__ == "__main__":
    sys.exit(main())
