"""Starts simulated benches for tests: real processes with real sockets, each ended with the test that asked for it."""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Protocol, cast

import pytest

from tests.published import figures_of, note_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

ROOT = Path(__file__).parents[1]
SHIPPED_BENCH = ROOT / "fixtures" / "benches" / "simulated.toml"
_READY_S = 20.0
_END_S = 5.0


@pytest.fixture(scope="session", autouse=True)
def bytecode_outside_the_sources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Where no bytecode may be written beside the sources, it goes to a folder of this run.

    Tests start some hundred Pythons: each would compile the whole tool, which takes longer than most checks.
    """
    with pytest.MonkeyPatch.context() as patched:
        if os.environ.get("PYTHONDONTWRITEBYTECODE"):
            patched.delenv("PYTHONDONTWRITEBYTECODE")
            if "PYTHONPYCACHEPREFIX" not in os.environ:
                patched.setenv("PYTHONPYCACHEPREFIX", str(tmp_path_factory.mktemp("bytecode")))
        yield


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Every test that holds something against a published figure is found by `-k figures`."""
    for item in items:
        if isinstance(item, pytest.Function) and figures_of(item):
            item.extra_keyword_matches.add("figures")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> None:
    """Such a test shows its figures with their sources and marks, whether it fails or `-rA` shows what passed."""
    if isinstance(item, pytest.Function) and (found := figures_of(item)):
        item.add_report_section("call", "published figures", "\n".join(map(note_of, found)))


class Simulation:
    """A simulator process. It dies with this one however that ends, since its standard input is a pipe from here."""

    def __init__(self, bench: Path, *options: str) -> None:
        """Start it and wait until it is ready."""
        self.bench = bench
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchrig.simulation", str(bench), "--end-with-stdin", *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        try:
            ready = json.loads(self._first_line())
        except BaseException:
            self.process.kill()
            self.process.communicate()
            raise
        self.instruments: Mapping[str, str] = ready["instruments"]
        self.serial: Mapping[str, str] = ready["serial"]
        self.scale: float = ready["scale"]

    def _first_line(self) -> bytes:
        stdout = cast("IO[bytes]", self.process.stdout)
        deadline_s = time.monotonic() + _READY_S
        line = b""
        while not line.endswith(b"\n"):
            if not select.select([stdout], [], [], max(0.0, deadline_s - time.monotonic()))[0]:
                raise TimeoutError(f"the simulation was not ready within {_READY_S:g} s")
            if not (chunk := os.read(stdout.fileno(), 65536)):
                said = cast("IO[bytes]", self.process.stderr).read().decode("utf-8", "replace")
                raise RuntimeError(f"the simulation ended before it was ready: {said}")
            line += chunk
        return line

    def address(self, instrument: str) -> tuple[str, int]:
        """Host and port of an instrument."""
        _, host, port, _ = self.instruments[instrument].split("::")
        return host, int(port)

    def ask(self, instrument: str, message: str, *, timeout_s: float = 5.0) -> str:
        """One question on a connection of its own, by nothing but a socket.

        '' for a message that asks nothing; it has been carried out then (*OPC?, IEEE 488.2 10.19, from memory).
        """
        sent = message if "?" in message else f"{message};*OPC?"
        with socket.create_connection(self.address(instrument), timeout=timeout_s) as connection:
            connection.sendall(sent.encode("ascii") + b"\n")
            with connection.makefile("rb") as answers:
                answer = answers.readline().decode("ascii").rstrip("\n")
        return answer if sent == message else ""

    def end(self) -> None:
        """Close its standard input and wait for it; a second call does nothing."""
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            if stream is not None:
                with suppress(OSError):
                    stream.close()
        try:
            self.process.wait(timeout=_END_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


class StartBench(Protocol):
    """Starts a simulation of a bench file; options are those of the simulator's command line."""

    def __call__(self, bench: Path = SHIPPED_BENCH, *options: str) -> Simulation: ...


def _factory() -> Iterator[StartBench]:
    started: list[Simulation] = []

    def start(bench: Path = SHIPPED_BENCH, *options: str) -> Simulation:
        started.append(Simulation(bench, *options))
        return started[-1]

    yield start
    for simulation in started:
        simulation.end()


@pytest.fixture
def simulated_bench() -> Iterator[StartBench]:
    """Start simulated benches that end with the test."""
    yield from _factory()


@pytest.fixture(scope="module")
def shared_bench() -> Iterator[StartBench]:
    """Start simulated benches that end with the module, for tests that leave no trace on them."""
    yield from _factory()
