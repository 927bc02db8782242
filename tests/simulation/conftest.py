"""Benches for the simulation's own tests: real processes, started from a bench file written for the test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from .bench_process import BenchProcess

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

INSTRUMENT = """
[instruments.{name}]
kind = "{kind}"
resource = "simulated"
maker = "Simulated Instruments"
model = "{name}"
serial = "SIM-{name}-1"
"""
SLOT = """
[slots.{slot}]
profile = "board.toml"
battery = {{ instrument = "supply", channel = {slot}, lead_ohm = 0.05, contact_ohm = 0.02 }}
recorder = {{ instrument = "recorder", channel = {slot} }}
[slots.{slot}.meters]
terminals = {{ instrument = "meter", channel = {slot}01, range = 10.0 }}
rail = {{ instrument = "meter", channel = {slot}02, range = 10.0 }}
temperature = {{ instrument = "meter", channel = {slot}03 }}
[slots.{slot}.serial]
console = {{ port = "simulated" }}
modem_uart = {{ port = "simulated" }}
"""


def bench_text(*, slots: int = 2, scale: float = 20.0, head: str = "") -> str:
    """A bench with one instrument of each kind and the given number of slots."""
    instruments = "".join(INSTRUMENT.format(name=kind, kind=kind) for kind in ("supply", "meter", "recorder"))
    wired = "".join(SLOT.format(slot=slot + 1) for slot in range(slots))
    return f'schema = 1\nname = "test"\n[simulation]\nscale = {scale}\n{head}{instruments}{wired}'


@pytest.fixture(scope="session")
def bench_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench file with two slots."""
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    path.write_text(bench_text(), encoding="utf-8")
    return path


@pytest.fixture
def start(bench_file: Path) -> Iterator[Callable[..., BenchProcess]]:
    """Start benches that end with the test; each must end in order and silently."""
    started: list[BenchProcess] = []

    def start_bench(*options: str, path: Path = bench_file) -> BenchProcess:
        bench = BenchProcess([path, *options])
        started.append(bench)
        return bench

    yield start_bench
    for bench in started:
        if bench.process.returncode is None:
            assert bench.end() == (0, "")
