"""The gauge of this computer's own stalls, and what a stall makes of a stamp."""

from __future__ import annotations

import sys
import threading
import time

import pytest

from benchrig.clock import FakeClock, ScaledClock
from benchrig.procedures.stamps import stamp_uncertainty_s
from benchrig.stall_gauge import StallGauge

PATIENCE_S = 20.0


def hold_everybody(duration_s: float) -> None:
    """Keep every other Python thread waiting: the interpreter's lock is not let go in between."""
    usual_s = sys.getswitchinterval()
    sys.setswitchinterval(10.0 * duration_s)
    try:
        until_s = time.monotonic() + duration_s
        while time.monotonic() < until_s:
            pass
    finally:
        sys.setswitchinterval(usual_s)


def test_a_stall_is_seen_in_bench_time() -> None:
    """A computer that does nothing for 0.2 s is known to have been late by about that, times the scale."""
    clock = ScaledClock(4.0)
    gauge = StallGauge(clock)
    gauge.start()
    try:
        began_s = clock.now_s()
        threading.Event().wait(0.05)
        hold_everybody(0.2)
        deadline_s = time.monotonic() + PATIENCE_S
        while gauge.worst_s(began_s) < 4.0 * 0.15 and time.monotonic() < deadline_s:
            threading.Event().wait(0.005)
        assert gauge.worst_s(began_s) >= 4.0 * 0.15
        assert gauge.worst_s(clock.now_s() + 3600.0) == 0.0
    finally:
        gauge.stop()


def test_stop_without_start() -> None:
    """A gauge that never began can be stopped, twice."""
    gauge = StallGauge(ScaledClock())
    gauge.stop()
    gauge.stop()


def test_a_stamp_is_worth_no_more_than_the_stall() -> None:
    """A stall is a rectangular doubt (GUM 4.3.7, width over root 12); a quiet computer keeps the usual one."""
    clock = FakeClock()

    assert stamp_uncertainty_s(clock) == pytest.approx(0.005 / 12**0.5)
    assert stamp_uncertainty_s(clock, stalled_s=0.6) == pytest.approx(0.6 / 12**0.5)
    assert stamp_uncertainty_s(clock, stalled_s=0.001) == stamp_uncertainty_s(clock)
