"""A voltage typed wrong in a profile: the run is refused before anything is touched."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from .profile_edits import ROOT, changed, shipped, write_toml

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Simulation, StartBench

BENCH = ROOT / "fixtures" / "benches" / "simulated.toml"
SETTINGS = ("VOLT? (@1)", "CURR? (@1)", "VOLT:PROT? (@1)", "OUTP? (@1)")


@pytest.fixture(scope="module")
def simulation(shared_bench: StartBench, tmp_path_factory: pytest.TempPathFactory) -> tuple[Simulation, Path]:
    """A bench started by hand, and the file of its addresses."""
    addresses = tmp_path_factory.mktemp("bench") / "addresses.json"
    return shared_bench(BENCH, "--board", "1=HB-0001", "--addresses", str(addresses)), addresses


TYPED = [
    pytest.param("power.nominal_v", 5.5, id="nominal voltage"),
    pytest.param("power.protection_v", 5.5, id="protection"),
    pytest.param("first_touch.voltage_v", 5.5, id="first touch"),
    pytest.param("sweep.points_v", [3.3, 3.6, 5.5], id="sweep point"),
    pytest.param("rail.points_v", [5.5], id="rail point"),
]


@pytest.mark.parametrize(("place", "value"), TYPED)
def test_too_high_a_voltage_is_refused(
    simulation: tuple[Simulation, Path], tmp_path: Path, place: str, value: object
) -> None:
    """5.5 V typed for a 4.2 V board: exit code 4, the place and the maximum are said, no instrument was told."""
    bench, addresses = simulation
    before = [bench.ask("supply", query) for query in SETTINGS]
    profile = write_toml(tmp_path, changed(shipped(), place, value))

    done = _production(profile, addresses, tmp_path / "reports")

    assert done.returncode == 4, done.stdout + done.stderr
    assert f"{place}: 5.5 V is above the absolute maximum of 4.3 V (table maxima)" in done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert [bench.ask("supply", query) for query in SETTINGS] == before
    assert before[-1] == "0"
    assert not (tmp_path / "reports").exists()


def _production(profile: Path, addresses: Path, reports: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "suites/production", "-q", "-p", "no:cacheprovider"]
    command += ["--bench", str(BENCH), "--bench-simulation", str(addresses), "--board", "HB-0001"]
    command += ["--bench-profile", str(profile), "--bench-reports", str(reports)]
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("PYTEST_", "BENCHRIG_"))}
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=60, check=False)
