"""A place for runs, whose processes must all have ended with the test."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import pytest

from .production_runs import ProductionRuns
from .runs import BENCH, Place, eventually

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.conftest import Simulation, StartBench


@pytest.fixture(scope="session", autouse=True)
def signals_as_in_a_shell() -> Iterator[None]:
    """Runs start with signals as a shell gives them, even when this test run is told to ignore some (nohup, &)."""
    ignored = [number for number in (signal.SIGHUP, signal.SIGINT) if signal.getsignal(number) is signal.SIG_IGN]
    for number in ignored:
        signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)
    yield
    for number in ignored:
        signal.signal(number, signal.SIG_IGN)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """A folder for runs on fast simulated benches; afterwards no process of theirs is left."""
    place = Place(tmp_path)
    yield place
    assert eventually(lambda: not place.processes()), f"still alive: {place.processes()}"


@pytest.fixture(scope="session")
def production_runs(tmp_path_factory: pytest.TempPathFactory) -> ProductionRuns:
    """Whole production runs, each made once for all tests that look at it."""
    return ProductionRuns(tmp_path_factory.mktemp("production"))


@pytest.fixture(scope="module")
def started_by_hand(shared_bench: StartBench, tmp_path_factory: pytest.TempPathFactory) -> tuple[Simulation, Path]:
    """A simulation started by hand, and the file with its addresses."""
    path = tmp_path_factory.mktemp("bench") / "addresses.json"
    return shared_bench(BENCH, "--scale", "16", "--board", "1=HB-0001", "2=HB-0002", "--addresses", str(path)), path


@pytest.fixture
def addresses(started_by_hand: tuple[Simulation, Path]) -> Path:
    """Addresses of a simulation started by hand, for runs whose checks leave the board alone."""
    simulation, path = started_by_hand
    ended = simulation.process.poll()
    said = simulation.process.stderr.read() if ended is not None and simulation.process.stderr else b""
    assert ended is None, f"the simulation ended by itself (exit {ended}): {said.decode()}"
    return path
