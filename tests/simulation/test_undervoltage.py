"""What an empty battery does to a board with a weak reset: each mechanism on its own, at its very edges in time."""

from __future__ import annotations

import math

import pytest

from benchrig.simulation.parts import Undervoltage
from benchrig.simulation.undervoltage import LowBattery

NO_DETECTOR = Undervoltage(window_s=0.3)
SLOW_RESET = Undervoltage(hole_least_s=0.02, hole_most_s=0.05)
LATCH = Undervoltage(warm_rising_v=4.0, empty_s=0.0)


def running(traits: Undervoltage) -> LowBattery:
    """A board that came up at 3.7 V."""
    battery = LowBattery(traits)
    battery.follow(3.7, 1.0)
    battery.started(1.0)
    return battery


@pytest.mark.parametrize(
    ("stayed_s", "hangs"),
    [pytest.param(0.31, True, id="just too long"), pytest.param(0.29, False, id="just short enough")],
)
def test_time_in_the_window_decides(stayed_s: float, hangs: bool) -> None:
    """Between 1.6 V and 2.0 V for 0.3 s, and it hangs."""
    battery = running(NO_DETECTOR)

    battery.follow(2.0, 2.0)
    battery.follow(1.8, 2.0 + stayed_s / 2)
    battery.follow(2.1, 2.0 + stayed_s)

    assert battery.is_hung is hangs


@pytest.mark.parametrize(
    ("floor_v", "empty_s", "hangs"),
    [
        pytest.param(0.29, 1.1, False, id="empty long enough"),
        pytest.param(0.29, 0.9, True, id="empty too briefly"),
        pytest.param(0.31, 9.0, True, id="never empty"),
    ],
)
def test_only_an_empty_battery_clears_it(floor_v: float, empty_s: float, hangs: bool) -> None:
    """Below 0.3 V for 1 s it forgets, and then the window does no harm on the way up either: it has not run since."""
    battery = running(NO_DETECTOR)
    battery.follow(1.8, 2.0)
    battery.follow(1.5, 3.0)
    assert battery.is_hung

    battery.follow(floor_v, 4.0)
    battery.follow(1.0, 4.0 + empty_s)
    battery.follow(1.8, 20.0)
    battery.follow(2.5, 25.0)

    assert battery.is_hung is hangs


@pytest.mark.parametrize(
    ("off_s", "hangs"),
    [
        pytest.param(0.019, False, id="held by the capacitor"),
        pytest.param(0.021, True, id="too short for the reset"),
        pytest.param(0.049, True, id="still too short"),
        pytest.param(0.051, False, id="seen by the reset"),
    ],
)
def test_length_of_a_hole_decides(off_s: float, hangs: bool) -> None:
    """Only a hole between the two lengths leaves the microcontroller without state and without reset."""
    battery = running(SLOW_RESET)

    battery.stopped(2.0)
    battery.started(2.0 + off_s)

    assert battery.is_hung is hangs


def test_latched_converter_forgets_with_an_empty_battery() -> None:
    """Warm it restarts at 4.0 V only; once empty, as ever."""
    battery = running(LATCH)
    battery.follow(1.0, 2.0)
    assert battery.restart_v == 4.0

    battery.follow(0.2, 3.0)
    battery.follow(0.5, 3.0)

    assert battery.restart_v == 0.0


def test_sound_board_has_none_of_it() -> None:
    """A board without these weaknesses is told of no voltage, and nothing hangs it."""
    battery = running(Undervoltage())
    for at_s, volts in enumerate((1.8, 1.0, 1.8, 3.7), start=2):
        battery.stopped(float(at_s))
        battery.follow(volts, float(at_s))
        battery.started(at_s + 0.03)

    assert not battery.is_hung
    assert battery.thresholds_v() == ()
    assert battery.restart_v == 0.0
    assert math.inf not in NO_DETECTOR.thresholds_v
