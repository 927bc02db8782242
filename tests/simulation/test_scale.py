"""How fast a simulated bench may run: the same range wherever it is given, and in what is said of it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from benchrig.bench.bench_file import SCALES, read_bench_file
from benchrig.errors import ConfigError
from benchrig.pytest_plugin import options
from benchrig.simulation import config

SHIPPED = Path(__file__).parents[2] / "fixtures/benches/simulated.toml"


def simulate(*arguments: str) -> subprocess.CompletedProcess[str]:
    """The program that starts a bench by hand."""
    return subprocess.run(
        [sys.executable, "-m", "benchrig.simulation", *arguments],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )


def test_one_range_for_all() -> None:
    """Bench file, runner and simulator, which share no code, accept the same, and the help says it."""
    said = " ".join(simulate("--help").stdout.split())
    found = re.search(r"bench seconds in one wall second, (\S+) to (\S+) ", said)

    assert found is not None
    assert (float(found[1]), float(found[2])) == SCALES == config.SCALES == options._SCALES


@pytest.mark.parametrize("scale", ["0.009", "100.1", "1000", "0", "-1", "nan", "inf", "fast"])
def test_scale_outside_is_refused_everywhere(scale: str, tmp_path: Path) -> None:
    """What one of them refuses the others refuse, with the range; none of them starts."""
    path = tmp_path / "bench.toml"
    path.write_text(SHIPPED.read_text(encoding="utf-8").replace("scale = 8.0", f"scale = {scale}"), encoding="utf-8")

    by_option = simulate(str(SHIPPED), "--scale", scale)
    by_file = simulate(str(path))

    assert by_option.returncode == 2
    assert f"{scale} is not a number from 0.01 to 100" in by_option.stderr
    assert by_file.returncode != 0
    assert "Traceback" not in by_file.stderr
    with pytest.raises(ConfigError, match=r"simulation\.scale|is not TOML"):
        read_bench_file(path)
