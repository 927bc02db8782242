"""Sweep, rail, sleep and uplink: what is measured while the board does something."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.errors import BoardError, BoardTimeout
from benchrig.procedures.power import power_cycle
from benchrig.procedures.rail import rail_under_load
from benchrig.procedures.sleep_current import record_sleep, wake
from benchrig.procedures.sweep import SweepPoint, battery_sweep
from benchrig.procedures.transmit import record_uplink

if TYPE_CHECKING:
    from .conftest import PutOnBench, Setup


def _powered(put_on_bench: PutOnBench, *faults: str) -> Setup:
    bench = put_on_bench(*faults)
    bench.limit_supply()
    power_cycle(bench.on)
    return bench


def test_sweep_goes_up_and_down(put_on_bench: PutOnBench) -> None:
    """Every point of the plan twice; at each one meter, console and frame speak of the same volts."""
    bench = _powered(put_on_bench)
    plan = bench.on.profile.sweep

    points = list(battery_sweep(bench.on))

    upwards = sorted(plan.points_v)
    assert [point.setpoint_v for point in points] == [*upwards, *reversed(upwards)]
    assert [point.direction for point in points] == ["up"] * len(upwards) + ["down"] * len(upwards)
    for point in points:
        assert point.terminals.value == pytest.approx(point.setpoint_v, abs=plan.terminal_tolerance_v)
        assert point.battery.reported_v == pytest.approx(point.terminals.value, abs=0.05)
        assert point.frame.handed is not None
        # battery millivolts, unsigned, least significant byte first (common practice, no source)
        assert int.from_bytes(point.frame.handed[:2], "little") / 1000 == pytest.approx(point.frame.reported_v)
        assert bench.readings[f"terminals at {point.at}"] is point.terminals


def test_sweep_keeps_the_points_before_the_board_died(put_on_bench: PutOnBench) -> None:
    """A board that locks out at a low battery leaves every point until then."""
    bench = _powered(put_on_bench, "lockout_high")
    points: list[SweepPoint] = []

    with pytest.raises(BoardError, match="no complete answer that began after"):
        points.extend(battery_sweep(bench.on))

    assert len(points) < 2 * len(bench.on.profile.sweep.points_v)


def test_rail_is_measured_under_load(put_on_bench: PutOnBench) -> None:
    """At every battery voltage of the plan the load is on; afterwards it is off, at no less than nominal voltage."""
    bench = _powered(put_on_bench)
    meter = bench.on.bench.rail
    assert meter is not None

    points = rail_under_load(bench.on, meter)

    assert [point.battery.value for point in points] == pytest.approx(list(bench.on.profile.rail.points_v), abs=0.02)
    assert all(point.rail.value == pytest.approx(3.3, abs=0.07) for point in points)
    assert bench.on.bench.supply.setpoint_v >= bench.on.profile.power.nominal_v
    assert bench.on.bench.supply.read_current().value < 0.02  # 45 mA of load are gone


def test_rail_that_sags_is_seen_only_under_load(put_on_bench: PutOnBench) -> None:
    """2 ohm more cost about 90 mV at 45 mA: the load was really on."""
    bench = _powered(put_on_bench, "rail_sags_under_load")
    meter = bench.on.bench.rail
    assert meter is not None

    idle = meter.read_voltage().value
    points = rail_under_load(bench.on, meter)

    assert idle - points[-1].rail.value == pytest.approx(2.05 * 0.045, rel=0.15)


def test_sleep_window_holds_whole_periods_and_is_recorded_asleep(put_on_bench: PutOnBench) -> None:
    """One period more than asked, each as long as it may be; the median is the floor, and the board wakes if asked."""
    bench = _powered(put_on_bench)
    recorder, plan = bench.on.bench.recorder, bench.on.profile.sleep
    assert recorder is not None

    trace = record_sleep(bench.on, recorder)
    wake(bench.on)

    longest_s = bench.on.profile.limits["floor_current"]["wake_period"].high
    assert longest_s == 2.1
    assert trace.duration_s == pytest.approx((plan.wake_periods + 1) * longest_s)
    assert trace.range_a == recorder.wiring.sleep_range_a
    assert 5e-6 < float(np.median(trace.samples.values)) < 40e-6
    assert bench.on.board.identity().serial


def test_board_that_never_wakes_is_charged_to_the_board(put_on_bench: PutOnBench) -> None:
    """No answer to the question that should wake it is a BoardTimeout."""
    bench = _powered(put_on_bench, "never_wakes")
    bench.on.board.console.ask("sleep")
    bench.on.board.release_links()
    bench.on.clock.sleep(bench.on.profile.sleep.fall_asleep_s)

    with pytest.raises(BoardTimeout, match="woke"):
        wake(bench.on)


def test_uplink_is_recorded_from_before_it_begins(put_on_bench: PutOnBench) -> None:
    """The whole window is there, with transmit current in it (44 mA of radio), and the frame it sent."""
    bench = _powered(put_on_bench)
    recorder, plan = bench.on.bench.recorder, bench.on.profile.transmit
    assert recorder is not None

    trace, frame = record_uplink(bench.on, recorder)

    assert trace.duration_s == pytest.approx(plan.window_s)
    assert float(trace.samples.values[:5].max()) < 0.02
    assert float(trace.samples.values.max()) > 0.04
    assert frame.handed is not None
    assert len(frame.handed) == frame.length


def test_uplink_that_fails_leaves_the_recorder_free(put_on_bench: PutOnBench) -> None:
    """A board that resets while it transmits is told, and the recorder does not go on measuring."""
    bench = _powered(put_on_bench, "resets_on_transmit")
    recorder = bench.on.bench.recorder
    assert recorder is not None

    with pytest.raises(BoardError, match="reset=watchdog"):
        record_uplink(bench.on, recorder)

    assert bench.simulation.ask("recorder", "STAT:OPER:COND?") == "0"
