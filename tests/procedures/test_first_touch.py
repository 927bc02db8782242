"""A strange board is told apart at a low limit, charged where it belongs, and left without power."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from benchrig.errors import InstrumentRefusal, InstrumentUnfit
from benchrig.procedures.first_touch import first_touch

if TYPE_CHECKING:
    from .conftest import PutOnBench

FINDINGS = [
    pytest.param("battery_short", "short circuit: the terminals are held at", "board", id="short"),
    pytest.param(
        "battery_reversed", "reversed polarity: the terminals are held at a diode's voltage", "board", id="reversed"
    ),
    pytest.param("battery_open", "open: the terminals carry", "board", id="open"),
    pytest.param("contact_open", "no contact: the terminals carry", "bench", id="no contact"),
]


@pytest.mark.parametrize(("fault", "finding", "charged_to"), FINDINGS)
def test_strange_board_is_told_and_left_off(
    fault: str, finding: str, charged_to: str, put_on_bench: PutOnBench
) -> None:
    """Finding, whom it is charged to and what to do; the output is off afterwards."""
    bench = put_on_bench(fault)

    found = first_touch(bench.on)

    assert found.finding.startswith(finding)
    assert found.charged_to == charged_to
    assert found.next_action
    assert not bench.output_is_on()
    assert bench.on.power.on_since_s is None


def test_sound_board_stays_powered_at_the_low_limit(put_on_bench: PutOnBench) -> None:
    """Input capacitor charged, current flowing, terminals at their voltage: the board may be powered."""
    bench = put_on_bench()
    plan = bench.on.profile.first_touch

    found = first_touch(bench.on)

    assert (found.finding, found.next_action, found.charged_to) == ("", "", "")
    assert bench.output_is_on()
    assert bench.simulation.ask("supply", "CURR? (@1)") == "+2.00000000E-02"
    assert 0.0 <= found.inrush_s < plan.inrush_s
    assert set(bench.readings) == {"terminals at the low limit", "current at the low limit"}
    assert bench.on.power.power_ups == 1


def test_heavy_board_is_told_by_its_current(put_on_bench: PutOnBench) -> None:
    """A board that wants more than the low limit, at no short's voltage, is told as too much current."""
    bench = put_on_bench("radio_standby", "sleep_leak")
    plan = bench.on.profile.first_touch
    object.__setattr__(plan, "current_limit_a", 0.002)  # less than the board takes awake

    found = first_touch(bench.on)

    assert found.finding.startswith(f"too much current: still at the limit of 0.002 A after {plan.inrush_s:g} s")
    assert found.charged_to == "board"
    assert not bench.output_is_on()


@pytest.mark.parametrize(
    ("fault", "error", "sentence"),
    [
        pytest.param("supply_ignores_limit", InstrumentUnfit, r"asked 'CURR 0\.0200,\(@1\)', read back", id="limit"),
        pytest.param("supply_refuses_voltage", InstrumentRefusal, r"asked 'VOLT 3\.7000,\(@1\)'.*-222", id="voltage"),
    ],
)
def test_supply_that_does_not_obey_never_powers_a_board(
    fault: str, error: type[Exception], sentence: str, put_on_bench: PutOnBench
) -> None:
    """What the supply does not do as told is found before the output closes."""
    bench = put_on_bench(fault)

    with pytest.raises(error, match=sentence):
        first_touch(bench.on)

    assert not bench.output_is_on()
    assert bench.on.power.power_ups == 0
    assert bench.readings == {}
    assert math.isnan(bench.on.bench.supply.setpoint_v) or bench.on.bench.supply.setpoint_v == 0.0
