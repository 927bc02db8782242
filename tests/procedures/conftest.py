"""A board on slot 1 of a simulated bench, as a procedure gets it."""

from __future__ import annotations

from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import pytest

from benchrig.bench.bench_file import read_bench_file
from benchrig.bench.open_bench import OpenBench
from benchrig.bench.supply import Maxima
from benchrig.board.board import Board
from benchrig.board.console_link import ConsoleLink
from benchrig.board.modem_tap import ModemTap
from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.clock import ScaledClock
from benchrig.procedures.on_bench import OnBench, Phases
from benchrig.wires.serial_port import SerialPort, open_port

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.reading import Reading
    from tests.conftest import Simulation, StartBench

ROOT = Path(__file__).parents[2]
BENCH_FILE = ROOT / "fixtures" / "benches" / "simulated.toml"
PROFILE_FILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
SCALE = "16"


@dataclass(frozen=True)
class Setup:
    """What procedures work with, what they wrote down, and the simulation behind it."""

    on: OnBench
    readings: dict[str, Reading]
    notes: list[tuple[str, str]]
    simulation: Simulation

    def output_is_on(self) -> bool:
        """As a second client of the supply sees it."""
        return self.simulation.ask("supply", "OUTP? (@1)") == "1"

    def limit_supply(self) -> None:
        """Limits of normal work, without which the output stays off."""
        power = self.on.profile.power
        self.on.bench.supply.set_limits(current_limit_a=power.current_limit_a, protection_v=power.protection_v)


class PutOnBench(Protocol):
    """Starts a simulated bench with faults and puts a board on it."""

    def __call__(self, *faults: str) -> Setup: ...


@pytest.fixture
def profile() -> BoardProfile:
    """The demo board's profile."""
    return read_board_profile(PROFILE_FILE)


@pytest.fixture
def put_on_bench(profile: BoardProfile, simulated_bench: StartBench) -> Iterator[PutOnBench]:
    """Everything that is opened is closed with the test."""
    with ExitStack() as stack:

        def put(*faults: str) -> Setup:
            options = [word for fault in faults for word in ("--fault", fault)]
            simulation = simulated_bench(BENCH_FILE, "--scale", SCALE, *options)
            return _setup(simulation, profile, stack)

        yield put


def _setup(simulation: Simulation, profile: BoardProfile, stack: ExitStack) -> Setup:
    clock = ScaledClock(simulation.scale)
    notes: list[tuple[str, str]] = []
    readings: dict[str, Reading] = {}

    def note(kind: str, text: str, *, charged_to: str = "") -> None:
        notes.append((kind, f"{text}{charged_to}"))

    def record(name: str, reading: Reading) -> Reading:
        readings[name] = reading
        return reading

    bench = stack.enter_context(closing(OpenBench(read_bench_file(BENCH_FILE), ("1",), simulation.instruments)))
    bench.open(note)
    maxima = Maxima(profile.maximum_voltage_v, profile.maximum_current_a)
    console = ConsoleLink(
        _port(simulation, "console", profile, stack), profile.grammar, profile.checksum, clock, note, attempts=3
    )
    tap = ModemTap(_port(simulation, "modem_uart", profile, stack), clock)
    on = OnBench(
        bench=bench.slot("1", maxima, clock, guarded=lambda: True),
        board=Board(profile, console, tap, clock),
        profile=profile,
        clock=clock,
        phases=Phases(clock),
        record=record,
    )
    return Setup(on, readings, notes, simulation)


def _port(simulation: Simulation, line: str, profile: BoardProfile, stack: ExitStack) -> SerialPort:
    port = open_port(simulation.serial[f"1.{line}"], name=line, baud=profile.baud, dtr=False, rts=False)
    return stack.enter_context(closing(port))
