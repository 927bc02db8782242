"""Every bench fault is visible from outside, and a healthy bench does not show it.

Instruments are shared by all slots, so each fault has a process of its own; the healthy bench is one process.  Each
check is a predicate over a slot that must hold with the fault and must not hold without it.
"""

from __future__ import annotations

import subprocess
import sys
import time
from statistics import correlation, median, stdev
from typing import TYPE_CHECKING

import pytest

from .bench_process import BenchProcess, Slot
from .test_radio_faults import BENCH_CHECKS as AIR

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

CHECKS: dict[str, Callable[[Slot], bool]] = {}
LATE_WALL_S = 1.5
IDENTITY = "Simulated Instruments,supply,SIM-supply-1,1.0"


def shows(check: Callable[[Slot], bool]) -> Callable[[Slot], bool]:
    """Register a check under the fault's name."""
    CHECKS[check.__name__] = check
    return check


def voltage_reply(slot: Slot) -> float:
    """One reading of the meter at the pads of an unpowered board."""
    return slot.meter.ask_number("MEAS:VOLT? 10,(@101)")


@shows
def contact_open(slot: Slot) -> bool:
    slot.set_up()
    output_v = slot.supply.ask_number("MEAS:VOLT? (@1)")
    slot.record(range_a=1e-3, interval_s=1e-3, points=100)
    return output_v > 3.6 and slot.terminals() < 0.01 and max(map(abs, slot.samples())) < 1e-6


@shows
def contact_worn(slot: Slot) -> bool:
    slot.power_up()
    slot.console.ask("load on")
    return 0.10 < slot.supply.ask_number("MEAS:VOLT? (@1)") - slot.terminals() < 0.20


@shows
def supply_ignores_limit(slot: Slot) -> bool:
    return slot.supply.ask_number("*RST;:CURR 0.25,(@1);CURR? (@1)") == 0.1


@shows
def supply_ignores_protection(slot: Slot) -> bool:
    return slot.supply.ask_number("*RST;:VOLT:PROT 4.5,(@1);PROT? (@1)") == 6.6


@shows
def supply_stuck_on(slot: Slot) -> bool:
    slot.power_up()
    slot.supply.send("OUTP OFF,(@1)")
    return slot.supply.ask("OUTP? (@1)") == "1" and slot.terminals() > 3.6


@shows
def supply_refuses_voltage(slot: Slot) -> bool:
    slot.supply.send("*CLS;*RST;:VOLT 3.7,(@1)")
    error, volts = slot.supply.ask("SYST:ERR?;:VOLT? (@1)").split(";")
    return (error, float(volts)) == ('-222,"Data out of range"', 0.0)


@shows
def supply_reads_wrong(slot: Slot) -> bool:
    slot.power_up()
    return 1.07 < slot.supply.ask_number("MEAS:VOLT? (@1)") / slot.terminals() < 1.09


@shows
def supply_stuck_slew(slot: Slot) -> bool:
    slot.power_up()
    return 3.28 < slot.terminals() < 3.32 and slot.supply.ask_number("VOLT? (@1)") == 3.7


@shows
def wrong_serial(slot: Slot) -> bool:
    return slot.supply.ask("*IDN?") != IDENTITY


@shows
def meter_overload(slot: Slot) -> bool:
    return voltage_reply(slot) == 9.9e37


@shows
def meter_not_a_number(slot: Slot) -> bool:
    return voltage_reply(slot) == 9.91e37


@shows
def meter_silent(slot: Slot) -> bool:
    for _ in range(3):
        slot.meter.ask("*IDN?")
    try:
        slot.meter.ask("*IDN?", timeout_s=0.3)
    except TimeoutError:
        return True
    return False


@shows
def meter_late(slot: Slot) -> bool:
    def seconds() -> float:
        start_s = time.monotonic()
        slot.meter.ask("*IDN?")
        return time.monotonic() - start_s

    return [seconds() >= LATE_WALL_S for _ in range(8)] == [False] * 6 + [True, False]


@shows
def meter_drops_connection(slot: Slot) -> bool:
    replies = [slot.meter.ask("*IDN?") for _ in range(4)]
    try:
        return all(replies) and slot.meter.ask("*IDN?") == ""
    except ConnectionError:
        return True


@shows
def meter_garbage(slot: Slot) -> bool:
    return [slot.meter.ask("*IDN?").isascii() for _ in range(7)] == [True] * 5 + [False, True]


def rail_noise(slot: Slot) -> tuple[float, float]:
    """Standard deviation of 60 readings of the rail in volts, and the correlation of neighbours."""
    slot.power_up()
    readings = [slot.rail() for _ in range(60)]
    return stdev(readings), correlation(readings[:-1], readings[1:])


@shows
def meter_noisy(slot: Slot) -> bool:
    rms_v, alike = rail_noise(slot)
    return 3e-3 < rms_v < 7e-3 and alike < 0.3


@shows
def meter_noisy_slow(slot: Slot) -> bool:
    rms_v, alike = rail_noise(slot)
    return 2e-3 < rms_v < 9e-3 and alike > 0.3


@shows
def thermometer_broken(slot: Slot) -> bool:
    return slot.meter.ask_number("MEAS:TEMP? (@103)") == 9.91e37 and abs(voltage_reply(slot)) < 0.1


@shows
def recorder_short_block(slot: Slot) -> bool:
    slot.record(range_a=0.1, interval_s=1e-3, points=100)
    assert slot.recorder.ask("*OPC?") == "1"
    try:
        slot.recorder.ask_block("FETC:ARR:CURR?", timeout_s=0.3)
    except TimeoutError:
        return True
    return False


@shows
def recorder_overload(slot: Slot) -> bool:
    slot.record(range_a=0.1, interval_s=1e-3, points=100)
    return min(slot.samples()) == pytest.approx(9.9e37)


@shows
def recorder_never_done(slot: Slot) -> bool:
    slot.record(range_a=0.1, interval_s=1e-3, points=100)
    slot.meter.ask("VOLT:NPLC 100;:MEAS:VOLT? 10,(@101)")  # 2 s of bench time
    return slot.recorder.ask("STAT:OPER:COND?") == "16"


@shows
def console_vanishes(slot: Slot) -> bool:
    slot.power_up()
    slot.meter.ask("VOLT:NPLC 100;:MEAS:VOLT? 10,(@101,101)")  # 4 s of bench time
    try:
        return not slot.console.ask("boots?")
    except OSError as error:
        return not isinstance(error, TimeoutError)


@shows
def adapter_leaks_always(slot: Slot) -> bool:
    slot.power_up()
    slot.console.ask("sleep")
    slot.release_console()
    slot.record(range_a=0.01, interval_s=1e-3, points=3000)
    floor_a = median(slot.samples())
    return 0.0 < floor_a < 14e-6 and max(slot.rail() for _ in range(3)) > 3.4  # of three one may be in a wake


@pytest.fixture(scope="module")
def healthy(bench_file: Path) -> Iterator[BenchProcess]:
    """A bench without a fault."""
    bench = BenchProcess([bench_file])
    yield bench
    assert bench.end() == (0, "")


@pytest.mark.parametrize("name", CHECKS)
def test_bench_fault_is_visible(start: Callable[..., BenchProcess], name: str) -> None:
    """The faulty bench shows the fault's effect."""
    assert CHECKS[name](Slot(start("--fault", name)))


@pytest.mark.parametrize("name", CHECKS)
def test_healthy_bench_does_not_show_the_fault(healthy: BenchProcess, name: str) -> None:
    """The same check does not hold on a bench without the fault."""
    slot = Slot(healthy)
    slot.meter.send("*RST")
    slot.power_down()

    assert not CHECKS[name](slot)
    slot.close()


def test_fault_of_another_slot_leaves_the_first_alone(start: Callable[..., BenchProcess]) -> None:
    """A fault written 2:name is the second slot's."""
    bench = start("--fault", "2:contact_open")
    first, second = Slot(bench), Slot(bench, number=2)
    first.power_up()
    second.set_up()

    assert first.terminals() > 3.6
    assert second.terminals() < 0.01


def test_every_bench_fault_has_a_check() -> None:
    """The bench faults that the command lists are those checked here and, for the air, in their own file."""
    listing = subprocess.run(
        [sys.executable, "-m", "benchrig.simulation", "--list-faults"], check=True, capture_output=True, text=True
    ).stdout
    listed = {line.split()[0] for line in listing.splitlines() if line.split()[1] == "bench"}

    assert set(CHECKS) | set(AIR) == listed
