"""Board profiles that somebody made mean: no number without a bound, no plan that proves nothing, no traceback."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, changed, places_of_numbers, shipped, write_toml

if TYPE_CHECKING:
    from pathlib import Path


def problems(folder: Path, *edits: tuple[str, object]) -> list[str]:
    """What is wrong with the demo profile once some places are changed, without the file's name."""
    table = shipped()
    for place, value in edits:
        changed(table, place, value)
    with pytest.raises(ConfigError, match=r"board profile .*: (1 problem|\d+ problems)\n") as caught:
        read_board_profile(write_toml(folder, table))
    return [problem.removeprefix(f"{folder / 'probe.toml'}: ") for problem in caught.value.problems]


@pytest.mark.parametrize("place", places_of_numbers(shipped()))
@pytest.mark.parametrize("value", [1e300, -1e300])
def test_every_number_has_a_bound(tmp_path: Path, place: str, value: float) -> None:
    """A number that no board has is refused at its own key, before anything is reckoned with it."""
    told = problems(tmp_path, (place, value))

    # an array is told as a whole, and a table of several keys by that which they are together
    table = re.sub(r"(\[\d+\])?(\.[a-z0-9_]+)?(\[\d+\])?$", "", place, count=1)
    assert [one for one in told if one.startswith((place, table))], told


MEAN = [
    pytest.param("sweep.points_v", [], "sweep.points_v: 0 different points; at least 3 are needed", id="no sweep"),
    pytest.param("rail.points_v", [], "rail.points_v: 0 different points; at least 1 are needed", id="no rail"),
    # by hand: 100 counts of 1.07421875 mV are 107.4 mV
    pytest.param(
        "sweep.points_v",
        [3.6, 3.65, 3.7],
        "sweep.points_v: the points span 0.1 V; accepted: at least 0.107422 V from the lowest to the highest (0.1 V "
        "and 100 counts of the converter): over less, a gain of 1 % is lost in one count",
        id="sweep that spans nothing",
    ),
    pytest.param(
        "limits.transmit.duration.low", -50, "limits.transmit.duration.low: -50 ms: no time is below 0", id="ago"
    ),
    pytest.param(
        "limits.transmit.duration",
        {"unit": "ms", "low": -65, "high": -50, "source": "invented"},
        "limits.transmit.duration.low: -65 ms: no time is below 0",
        id="before it began",
    ),
    pytest.param(
        "limits.battery_sweep.gain_error.unit",
        "1",
        "limits.battery_sweep.gain_error.low: -1 in unit '1' is -100 % and lets everything pass; accepted: up to 50 %",
        id="one per cent that is all of it",
    ),
    pytest.param(
        "limits.floor_current.unexplained_charge.high",
        51,
        "limits.floor_current.unexplained_charge.high: 51 in unit '%' is 51 % and lets everything pass",
        id="half of all",
    ),
    pytest.param("limits.energy.life.low", -1, "limits.energy.life.low: -1 d: no time is below 0", id="past life"),
    pytest.param(
        "limits.transmit.peak.high",
        700,
        "limits.transmit.peak.high: 0.7 A is above the absolute maximum of 0.5 A (table maxima), so that nothing could",
        id="limit that judges nothing",
    ),
    pytest.param(
        "first_touch.open_below_a",
        0.02,
        "first_touch.open_below_a: 0.02 A is not below current_limit_a = 0.02 A: every board would count as open",
        id="every board is open",
    ),
    pytest.param(
        "power.off_below_v", 3.0, "power.off_below_v: 3.0 is not a number above 0 and at most 1", id="off is on"
    ),
    pytest.param("sweep.terminal_tolerance_v", 4.0, "sweep.terminal_tolerance_v: 4.0 is not", id="any volts will do"),
    pytest.param("converter.volts_per_count", 1e-300, "converter.volts_per_count: 1e-300 is not", id="step of nothing"),
    pytest.param("sleep.interval_s", 1e-9, "sleep.interval_s: 1e-09 is not a number at least 1e-07", id="gigasamples"),
    # by hand: 5 periods of 7200 s at 100 us are 3.6e8 samples
    pytest.param(
        "sleep",
        {"wake_period_s": 7200.0, "wake_periods": 4, "interval_s": 0.0001},
        "sleep.interval_s: 4 + 1 wake periods are 3.6e+08 samples of 0.0001 s; accepted: at most 200,000,000",
        id="window beyond memory",
    ),
    pytest.param(
        "transmit.interval_s", 0.9, "transmit.interval_s: 0.9 s; accepted: at most a tenth of window_s", id="blink"
    ),
    pytest.param(
        "coming_back.least_made", 0.0, "coming_back.least_made: 0.0 is not a number at least 0.1", id="no ramp"
    ),
    pytest.param(
        "coming_back.dwells_s",
        [float(second) for second in range(51)],
        "coming_back.dwells_s: 51 numbers; accepted: at most 50, since each is tried with each",
        id="plan without an end",
    ),
    pytest.param("air.pin.on", " ", "air.pin.on: ' ' is not a text that says something", id="switched by nothing"),
    pytest.param("solar.series", "", "solar.series: '' is not a text that says something", id="sun of no file"),
    pytest.param("correction.gain_step", 1e-300, "correction.gain_step: 1e-300 is not a number", id="gain of no step"),
    pytest.param("circuit.divider.bottom_ohm", 1e-300, "circuit.divider.bottom_ohm: 1e-300 is not", id="short divider"),
    pytest.param("energy.cell.capacity_ah", 1e-300, "energy.cell.capacity_ah: 1e-300 is not", id="empty cell"),
    pytest.param("energy.report_period_s", 1e-300, "energy.report_period_s: 1e-300 is not", id="always reporting"),
    pytest.param(
        "maxima.voltage_v", 230.0, "maxima.voltage_v: 230.0 is not a number above 0 and at most 60", id="mains"
    ),
    pytest.param(
        "maxima.current_a", 100.0, "maxima.current_a: 100.0 is not a number above 0 and at most 10", id="welder"
    ),
]


@pytest.mark.parametrize(("place", "value", "starts"), MEAN)
def test_mean_edit_is_refused(tmp_path: Path, place: str, value: object, starts: str) -> None:
    """What would pass everything, nothing, or end in a number beyond a float is told with key, value and what to do."""
    told = problems(tmp_path, (place, value))

    assert [one for one in told if one.startswith(starts)], told


def test_span_is_asked_of_the_sweep_alone(tmp_path: Path) -> None:
    """One rail point is enough, and so is a sweep that spans just what is needed."""
    table = changed(changed(shipped(), "rail.points_v", [3.7]), "sweep.points_v", [3.60, 3.65, 3.71])
    for place in ("requirements",):
        if place in table:
            changed(table, place, GONE)

    assert read_board_profile(write_toml(tmp_path, table)).sweep.points_v == (3.60, 3.65, 3.71)
