"""Every shipped command table drives the simulated instrument whose dialect it is written for.

The second opinion comes from a plain socket that asks the instrument in its own words.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.bench.bench_file import read_bench_file
from benchrig.bench.command_table import shipped_tables
from benchrig.bench.open_bench import OpenBench, SlotBench
from benchrig.bench.supply import Maxima
from benchrig.clock import ScaledClock
from benchrig.errors import InstrumentRefusal

from .dialect_bench import SLOTS, dialect_bench

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.conftest import Simulation, StartBench

PATIENCE_S = 10.0
MAXIMA = Maxima(voltage_v=50.0, current_a=0.5)
SHORTED = ("battery_short", "2:battery_short", "3:battery_short")

# The same question in each dialect, by a client of its own.
OUTPUT = {"1": "OUTP? (@2)", "2": "INST:NSEL 2;:OUTP?", "3": "OUTP?"}
VOLTAGE = {"1": "VOLT? (@2)", "2": "INST:NSEL 2;:VOLT?", "3": "VOLT?"}
LIMIT = {"1": "CURR? (@2)", "2": "INST:NSEL 2;:CURR?", "3": "CURR?"}
PROTECTION = {"1": "VOLT:PROT? (@2)", "2": "INST:NSEL 2;:VOLT:PROT?", "3": "VOLT:PROT?"}


def _wait_until(condition: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline_s, "the condition was not met in time"


class Bench:
    """An open bench of every dialect, and the simulation behind it."""

    def __init__(self, path: Path, simulation: Simulation) -> None:
        self.simulation = simulation
        self.clock = ScaledClock(simulation.scale)
        self._open = OpenBench(read_bench_file(path), tuple(SLOTS), simulation.instruments)
        self.records = self._open.open(lambda _kind, _text: None)

    def slot(self, name: str) -> SlotBench:
        return self._open.slot(name, MAXIMA, self.clock, guarded=lambda: True)

    def close(self) -> None:
        self._open.close()


def _opened(folder: Path, start: StartBench, *, faults: tuple[str, ...] = ()) -> Iterator[Bench]:
    path = folder / "bench.toml"
    path.write_text(dialect_bench(faults=faults), encoding="utf-8")
    bench = Bench(path, start(path))
    yield bench
    bench.close()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, shared_bench: StartBench) -> Iterator[Bench]:
    """A sound bench."""
    yield from _opened(tmp_path_factory.mktemp("sound"), shared_bench)


@pytest.fixture(scope="module")
def shorted_bench(tmp_path_factory: pytest.TempPathFactory, shared_bench: StartBench) -> Iterator[Bench]:
    """A bench with a shorted board in every slot."""
    yield from _opened(tmp_path_factory.mktemp("shorted"), shared_bench, faults=SHORTED)


@pytest.fixture(params=SLOTS)
def slot(request: pytest.FixtureRequest, bench: Bench) -> Iterator[SlotBench]:
    """Each slot in turn, with its limits set; its output is off afterwards."""
    parts = bench.slot(request.param)
    parts.supply.set_limits(current_limit_a=0.15, protection_v=5.0)
    yield parts
    parts.supply.output_off()


def test_every_shipped_table_is_driven_here(bench: Bench) -> None:
    """No shipped table stays without an instrument that it was tried on, and every instrument identified itself."""
    assert {record.table for record in bench.records} == set(shipped_tables())
    assert all(record.serial == f"SN-{record.name}" for record in bench.records)


def test_supply_settings_arrive(bench: Bench, slot: SlotBench) -> None:
    """Voltage, limit and protection stand in the instrument as they were asked, and read back so."""
    supply, name = slot.supply, slot.slot
    supply.set_voltage(3.65)

    told = {
        question: bench.simulation.ask(supply.instrument.name, question)
        for question in (VOLTAGE[name], LIMIT[name], PROTECTION[name])
    }

    spelling = {
        "1": ["+3.65000000E+00", "+1.50000000E-01", "+5.00000000E+00"],
        "2": ["3.6500V", "0.1500A", "5.0000V"],
        "3": ["VOLT 3.65000E+00", "CURR 1.50000E-01", "VOLT 5.00000E+00"],
    }
    assert list(told.values()) == spelling[name]
    assert (supply.setpoint_v, supply.current_limit_a, supply.protection_v) == pytest.approx((3.65, 0.15, 5.0))


def test_supply_output_is_switched_and_read_back(bench: Bench, slot: SlotBench) -> None:
    """On means on and off means off, as a second client sees it, even one that selects another channel between."""
    supply = slot.supply

    seen = []
    for switch in (supply.output_on, supply.output_off):
        if slot.slot == "2":
            bench.simulation.ask(supply.instrument.name, "INST:NSEL 1")
        switch()
        seen.append(bench.simulation.ask(supply.instrument.name, OUTPUT[slot.slot]))

    assert seen in (["1", "0"], ["ON", "OFF"], ["OUTP 1", "OUTP 0"])
    assert supply.may_be_on is False


def test_supply_leaves_the_other_output_alone(bench: Bench) -> None:
    """What is set on channel 2 does not move channel 1 of a supply whose channel is selected."""
    supply = bench.slot("2").supply
    before = bench.simulation.ask("supply-2", "INST:NSEL 1;:VOLT?;:OUTP?")

    supply.set_limits(current_limit_a=0.1, protection_v=5.0)
    supply.set_voltage(3.1)

    assert bench.simulation.ask("supply-2", "INST:NSEL 1;:VOLT?;:OUTP?") == before
    assert bench.simulation.ask("supply-2", "INST:NSEL 2;:VOLT?") == "3.1000V"


def test_supply_refusal_carries_its_own_words(slot: SlotBench) -> None:
    """A voltage that the supply cannot give is a refusal with command and error queue text."""
    slot.supply.set_limits(current_limit_a=0.1, protection_v=6.5)
    slot.supply.protection_v = 40.0

    with pytest.raises(InstrumentRefusal, match=r"asked '.*VOLT 20\.0000.*', its error queue says: -222, Data out"):
        slot.supply.set_voltage(20.0)

    assert math.isnan(slot.supply.setpoint_v)  # not known any more


def test_supply_and_meter_read_what_the_board_sees(slot: SlotBench) -> None:
    """Read-back and meter agree with the set-point within what the simulated instruments state."""
    supply = slot.supply
    supply.set_voltage(3.7)
    supply.output_on()
    _wait_until(lambda: not supply.is_limiting() and slot.terminals.read_voltage().value > 3.69)

    voltage, current, terminals = supply.read_voltage(), supply.read_current(), slot.terminals.read_voltage(count=3)

    assert voltage.value == pytest.approx(3.7, abs=0.0005 * 3.7 * 2 + 0.005)  # set and read-back error
    assert voltage.unit == "V"
    assert 3.0e-3 < current.value < 7.0e-3  # a board awake: 4.5 mA from the rail
    assert current.unit == "A"
    assert terminals.value == pytest.approx(3.7, abs=0.0005 * 3.7 + 0.003 + 0.07 * current.value + 1e-3)
    assert terminals.count == 3
    assert terminals.source == f"meter-{slot.slot} at terminals"


def test_meter_reads_temperature(slot: SlotBench) -> None:
    """The thermometer of each dialect reads the ambient temperature in degrees Celsius."""
    assert slot.thermometer is not None

    reading = slot.thermometer.read_temperature()

    assert reading.unit == "degC"
    assert reading.value == pytest.approx(21.0, abs=0.15)


def test_recorder_records_a_window(slot: SlotBench) -> None:
    """A whole window comes back in amperes; its mean agrees with the supply's own read-back."""
    supply, recorder = slot.supply, slot.recorder
    assert recorder is not None
    supply.set_voltage(3.7)
    supply.output_on()
    _wait_until(lambda: not supply.is_limiting() and slot.terminals.read_voltage().value > 3.69)

    recorder.start(window_s=0.5, interval_s=1e-3, range_a=0.1)
    trace = recorder.finish()

    assert trace.samples.values.shape == (500,)
    assert trace.samples.values.dtype == np.float32
    assert not trace.samples.invalid.any()
    assert trace.duration_s == pytest.approx(0.5)
    assert float(np.median(trace.samples.values)) == pytest.approx(supply.read_current().value, abs=1e-3)


def test_recorder_abort_ends_the_window(bench: Bench, slot: SlotBench) -> None:
    """After an abort the instrument says that it does not measure any more."""
    recorder = slot.recorder
    assert recorder is not None
    recorder.start(window_s=60.0, interval_s=1e-3, range_a=0.1)
    before = bench.simulation.ask(recorder.instrument.name, "STAT:OPER:COND?")

    recorder.abort()

    assert (before, bench.simulation.ask(recorder.instrument.name, "STAT:OPER:COND?")) == ("16", "0")


@pytest.mark.parametrize("name", SLOTS)
def test_supply_tells_that_it_limits(name: str, shorted_bench: Bench) -> None:
    """Against a shorted board every supply is seen in its limit, and not once its output is off."""
    supply = shorted_bench.slot(name).supply
    supply.set_limits(current_limit_a=0.02, protection_v=5.0)
    supply.set_voltage(3.7)
    supply.output_on()

    try:
        _wait_until(supply.is_limiting)
    finally:
        supply.output_off()

    assert not supply.is_limiting()
