"""The pytest plugin: options, markers and fixtures; the work is done by the floors below.

Without a bench file it registers its options and stays out of the way. With one it runs the chosen boards slot
by slot, judges each test's values by the board profile, and gives exit codes of its own (`benchrig.exit_codes`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.errors import ConfigError
from benchrig.pytest_plugin.bench_session import BenchSession
from benchrig.pytest_plugin.options import add_options, is_asked_for, read_options, runs_tests
from benchrig.pytest_plugin.runner import BenchRunner
from benchrig.pytest_plugin.steady_terminal import SteadyTerminal, stand_in
from benchrig.pytest_plugin.workers import BenchController, refuse_too_many_workers, workers_asked_for

if TYPE_CHECKING:
    from collections.abc import Generator

    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.on_bench import OnBench

_MARKERS = (
    "check(name, *, needs=(), always=False): this test is the named check of the board profile; `needs` names what "
    "must not have been lost before it (power, board); `always` runs it even then",
    "board_use(name): the use that these tests serve (production, nightly, signoff); it chooses the required checks",
)

_GIVE_A_BENCH = "give --bench FILE (or bench_file in the ini file) and --board SERIAL"


def pytest_addoption(parser: pytest.Parser) -> None:
    add_options(parser)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_load_initial_conftests() -> Generator[None, None, None]:
    """Before pytest begins to capture: what stands in for a missing standard output must stand there by then."""
    stand_in()
    yield


def pytest_configure(config: pytest.Config) -> None:
    for marker in _MARKERS:
        config.addinivalue_line("markers", marker)
    if not is_asked_for(config):
        return
    try:
        options = read_options(config)
        refuse_too_many_workers(config, options)
        session = BenchSession(options)
    except ConfigError as wrong:
        raise pytest.UsageError(wrong.message) from None
    if not hasattr(config, "workerinput"):  # a worker of xdist speaks to its controller by other ways
        config.pluginmanager.register(SteadyTerminal(), "benchrig-terminal")
    if workers_asked_for(config):
        config.pluginmanager.register(BenchController(options), "benchrig-controller")
    else:
        config.pluginmanager.register(BenchRunner(config, session), "benchrig-runner")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Without a bench, tests of boards are refused as a whole, in one sentence."""
    if is_asked_for(config) or not runs_tests(config):
        return
    boards = [item.nodeid for item in items if "board_run" in getattr(item, "fixturenames", ())]
    if boards:
        raise pytest.UsageError(
            f"{len(boards)} of these tests check a board ({boards[0]} is the first): {_GIVE_A_BENCH}"
        )


def _runner(request: pytest.FixtureRequest) -> BenchRunner:
    runner = request.config.pluginmanager.get_plugin("benchrig-runner")
    if not isinstance(runner, BenchRunner):
        raise pytest.UsageError(f"this test checks a board: {_GIVE_A_BENCH}")
    return runner


@pytest.fixture(scope="session")
def board_run(request: pytest.FixtureRequest) -> BoardRun:
    """The run of the board in this slot: its journal, what was found so far, and `on_bench`."""
    return _runner(request).board_run(request)


@pytest.fixture
def board_on_bench(board_run: BoardRun) -> OnBench:
    """Instruments and board of this slot, for a check of your own: `.bench.supply`, `.board.console`, ..."""
    return board_run.on_bench


@pytest.fixture
def measure(request: pytest.FixtureRequest, board_run: BoardRun) -> Check:
    """The check in progress. `measure("floor", reading)` judges a value by the profile and goes on after a failure."""
    return _runner(request).check(request.node, board_run)
