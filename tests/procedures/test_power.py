"""The board is brought to its working state, and off again, by what is measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.errors import BoardOverload, BoardTimeout, InstrumentUnfit
from benchrig.procedures.power import power_cycle, ready, switch_off
from benchrig.procedures.terminals import set_battery
from tests.production.fake_bench import FakeMeter, Table

if TYPE_CHECKING:
    from .conftest import PutOnBench


def test_power_cycle_boots_the_board(put_on_bench: PutOnBench) -> None:
    """Off until the terminals are down, on again, and the boot notice is waited for."""
    bench = put_on_bench()
    bench.limit_supply()

    power_cycle(bench.on)
    first = bench.on.board.identity().boots
    power_cycle(bench.on)

    assert bench.on.board.identity().boots == first + 1
    assert bench.on.power.power_ups == 2
    assert bench.output_is_on()


def test_switch_off_waits_until_the_terminals_are_down(put_on_bench: PutOnBench) -> None:
    """The last reading is below the profile's level, and the output is off."""
    bench = put_on_bench()
    bench.limit_supply()
    power_cycle(bench.on)

    terminals = switch_off(bench.on)

    assert terminals.value < bench.on.profile.power.off_below_v
    assert not bench.output_is_on()
    assert bench.on.power.on_since_s is None


@pytest.mark.parametrize(
    ("u_v", "stops_at_v"),
    [
        # by hand: 0.200 V less twice the standard uncertainty, and the first of these readings below that
        pytest.param(0.000034, 0.199, id="a fine meter stops at once"),
        pytest.param(0.0145, 0.150, id="a coarse one waits until it is sure"),
        pytest.param(0.120, 0.199, id="one that is never sure is taken at its word"),
    ],
)
def test_switch_off_waits_until_the_reading_is_surely_down(u_v: float, stops_at_v: float) -> None:
    """The last reading is below the level by more than its expanded uncertainty: its verdict is not by chance."""
    table = Table("output_off").powered()
    falls_v = iter([3.0, 0.2001, 0.199, 0.180, 0.172, 0.150, 0.01])
    table.terminals = FakeMeter(table.clock, lambda: next(falls_v), u=u_v)

    assert switch_off(table.run().on_bench).value == stops_at_v


def test_stuck_output_is_charged_to_the_supply(put_on_bench: PutOnBench) -> None:
    """An output that stays on is told at once, with what to do by hand."""
    bench = put_on_bench("supply_stuck_on")
    bench.limit_supply()
    bench.on.bench.supply.set_voltage(3.7)
    bench.on.bench.supply.output_on()

    with pytest.raises(InstrumentUnfit, match=r"asked 'OUTP OFF,\(@1\)', read back ON; the board is still powered"):
        switch_off(bench.on)


def test_ready_restores_limits_and_voltage(put_on_bench: PutOnBench) -> None:
    """After a check at other limits and another voltage the next one begins at the normal ones, without a reset."""
    bench = put_on_bench()
    bench.limit_supply()
    power_cycle(bench.on)
    boots = bench.on.board.identity().boots
    bench.on.bench.supply.set_limits(current_limit_a=0.1, protection_v=4.2)
    set_battery(bench.on, 3.3, settle_s=0.0)

    ready(bench.on)

    power = bench.on.profile.power
    assert bench.on.bench.supply.current_limit_a == pytest.approx(power.current_limit_a)
    assert bench.on.bench.supply.setpoint_v == pytest.approx(power.nominal_v)
    assert bench.on.bench.terminals.read_voltage().value == pytest.approx(power.nominal_v, abs=0.02)
    assert bench.on.board.identity().boots == boots


def test_ready_sets_a_voltage_that_is_not_known(put_on_bench: PutOnBench) -> None:
    """After a set-point that failed, nominal voltage is set again instead of being assumed."""
    bench = put_on_bench()
    bench.limit_supply()
    power_cycle(bench.on)
    bench.on.bench.supply.setpoint_v = float("nan")
    bench.simulation.ask("supply", "VOLT 3.2,(@1)")

    ready(bench.on)

    assert bench.on.bench.terminals.read_voltage().value == pytest.approx(3.7, abs=0.02)


def test_suspect_board_is_power_cycled_once(put_on_bench: PutOnBench) -> None:
    """A check that lost the board costs one power cycle, and then the board is trusted again."""
    bench = put_on_bench()
    bench.limit_supply()
    power_cycle(bench.on)
    bench.on.power.suspect = True

    ready(bench.on)
    ready(bench.on)

    assert bench.on.power.power_ups == 2
    assert bench.on.power.suspect is False


def test_board_that_does_not_boot_is_charged_to_the_board(put_on_bench: PutOnBench) -> None:
    """No boot notice in its time is a BoardTimeout."""
    bench = put_on_bench("hang_at_boot")
    bench.limit_supply()

    with pytest.raises(BoardTimeout, match="boot"):
        power_cycle(bench.on)


def test_voltage_is_there_when_it_is_set(put_on_bench: PutOnBench) -> None:
    """The reading that comes back was taken at the terminals and carries the set-point."""
    bench = put_on_bench()
    bench.limit_supply()
    power_cycle(bench.on)
    before_s = bench.on.clock.now_s()

    reading = set_battery(bench.on, 3.35, settle_s=0.2)

    assert reading.source == "meter at terminals"
    assert reading.value == pytest.approx(3.35, abs=bench.on.profile.sweep.terminal_tolerance_v)
    assert bench.on.clock.now_s() - before_s >= 0.2


def test_overload_is_charged_to_the_board(put_on_bench: PutOnBench) -> None:
    """A board that holds the supply in its limit is told by voltage and limit."""
    bench = put_on_bench("battery_short")
    bench.on.bench.supply.set_limits(current_limit_a=0.02, protection_v=4.3)
    bench.on.bench.supply.set_voltage(3.7)
    bench.on.bench.supply.output_on()

    with pytest.raises(BoardOverload, match=r"the board holds the supply in its current limit of 0\.02 A; look for a"):
        set_battery(bench.on, 3.9, settle_s=0.0)


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        pytest.param(
            "supply_stuck_slew", "does not limit; the supply does not reach its set-point: take it out", id="set"
        ),
        pytest.param(
            "supply_reads_wrong", r"reads back 3\.9\d+ V, meter meter sees 3\.[67]\d+ V .*check both", id="read"
        ),
    ],
)
def test_supply_that_is_wrong_is_charged_to_the_bench(fault: str, sentence: str, put_on_bench: PutOnBench) -> None:
    """Set-point, read-back and meter together tell which of them is wrong."""
    bench = put_on_bench(fault)
    bench.limit_supply()
    bench.on.bench.supply.set_voltage(3.7)
    bench.on.bench.supply.output_on()

    with pytest.raises(InstrumentUnfit, match=sentence):
        set_battery(bench.on, 3.7, settle_s=0.0)


def test_worn_contact_is_told_in_ohms(put_on_bench: PutOnBench) -> None:
    """Volts lost between supply and terminals are told as the resistance that they amount to: 3 ohm were put in."""
    bench = put_on_bench("contact_worn")
    bench.limit_supply()
    power_cycle(bench.on)
    bench.on.board.console.ask("load_on")

    with pytest.raises(InstrumentUnfit, match=r"V are lost in lead and contact \((2\.[89]|3|3\.[0-3]) ohm\); clean"):
        set_battery(bench.on, 3.7, settle_s=0.0)
