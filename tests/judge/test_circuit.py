"""The circuit model against Kirchhoff's laws solved another way, a step-by-step simulation, and published figures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchrig.judge.circuit import (
    BenchPlan,
    asleep_a,
    divider_v,
    predict,
    rail_under_load_v,
    rail_v,
    sampling_loss,
    sweep_codes,
)
from benchrig.judge.circuit_parts import (
    Circuit,
    CodeParts,
    CurrentParts,
    DividerParts,
    RailParts,
    TimingParts,
)
from benchrig.judge.signature import Converted

DIVIDER = DividerParts(top_ohm=300e3, bottom_ohm=100e3, node_f=100e-9, stray_f=20e-12)
CODES = CodeParts(
    reference_v=1.1, bits=12, hold_f=5e-12, acquire_s=2e-6, sample_rate_hz=2000.0, noise_counts=0.3, convert_s=0.04
)
RAIL = RailParts(
    feedback_v=0.6,
    feedback_top_ohm=450e3,
    feedback_bottom_ohm=100e3,
    output_ohm=0.05,
    dropout_v=0.1,
    dropout_ohm=0.3,
    efficiency=0.9,
    quiescent_a=5e-6,
    lockout_v=2.7,
)
CURRENTS = CurrentParts(awake_a=4.5e-3, load_a=45e-3, sleep_a=3e-6, transmit_a=44e-3, standby_a=1.6e-3)
TIMING = TimingParts(boot_s=0.25, wake_period_s=2.0, wake_length_s=0.012, spreading_factor=7, frame_bytes=22)
SOUND = Circuit(DIVIDER, CODES, RAIL, CURRENTS, TIMING)


def up_and_down(*, since_s: float = 0.2) -> tuple[Converted, ...]:
    """A sweep from 3.3 V to 4.2 V and back, metered without error."""
    volts = (3.30, 3.45, 3.60, 3.75, 3.90, 4.05, 4.20)
    up = [Converted(one, one, 0, "up", since_s) for one in volts]
    return (up[0]._replace(since_s=1e6), *up[1:], *(Converted(one, one, 0, "down", since_s) for one in reversed(volts)))


PLAN = BenchPlan(
    sweep=up_and_down(), rail_v=(3.6, 4.2), nominal_v=3.7, lowest_v=3.3, volts_per_count=4.4 / 4096, probes=("bale",)
)


@pytest.mark.parametrize(
    ("ohm", "expected_v"),
    [
        pytest.param(1e6, 0.050, id="1 Mohm and 1 Mohm"),
        pytest.param(100e3, 0.005, id="100 kohm and 100 kohm"),
    ],
)
def test_leak_of_50_na_shows_at_the_battery(ohm: float, expected_v: float) -> None:
    """50 nA into a divider of two equal resistors is an error of 50 nA times one of them, referred to the battery.

    Source: Ohm's law; the two figures are arithmetic.
    """
    divider = replace(DIVIDER, top_ohm=ohm, bottom_ohm=ohm)
    leaky = replace(divider, leak_a=50e-9)

    assert 2.0 * (divider_v(divider, 3.7) - divider_v(leaky, 3.7)) == pytest.approx(expected_v)


@pytest.mark.parametrize(("ratio", "worst"), [(1.0, 0.010), (3.0, 0.015)], ids=["1:2", "1:4"])
def test_resistors_of_one_percent_move_the_gain_as_arithmetic_says(ratio: float, worst: float) -> None:
    """Two 1 % resistors against each other: 1.0 % on a divider by 2, 1.5 % on a divider by 4 (arithmetic)."""
    nominal = replace(DIVIDER, top_ohm=ratio * 100e3)
    low = replace(nominal, top_ohm=nominal.top_ohm * 1.01, bottom_ohm=99e3)

    assert 1.0 - divider_v(low, 4.0) / divider_v(nominal, 4.0) == pytest.approx(worst, rel=0.02)


def test_divider_solves_kirchhoffs_node_equations() -> None:
    """The middle's voltage is the one that a nodal matrix gives (numpy.linalg.solve), leak included."""
    divider = replace(DIVIDER, leak_a=2e-7)
    g_top, g_bottom = 1.0 / divider.top_ohm, 1.0 / divider.bottom_ohm
    # unknowns: battery node, middle, current of the ideal source
    matrix = np.array([[g_top, -g_top, -1.0], [-g_top, g_top + g_bottom, 0.0], [1.0, 0.0, 0.0]])
    expected = np.linalg.solve(matrix, np.array([0.0, -divider.leak_a, 3.7]))[1]

    assert divider_v(divider, 3.7) == pytest.approx(float(expected), rel=1e-9)


@pytest.mark.parametrize("node_f", [25e-12, 1e-9, 100e-9], ids=["no capacitor", "1 nF", "100 nF"])
def test_sampling_loss_is_where_a_long_row_of_samples_ends(node_f: float) -> None:
    """Sharing charge and refilling through the divider, sample after sample, ends at the closed form."""
    ohm, missing = 75e3, 0.0
    divider = replace(DIVIDER, node_f=node_f)
    for _ in range(20_000):
        missing *= math.exp(-(1 / CODES.sample_rate_hz - CODES.acquire_s) / (ohm * node_f))
        kept_v = (1.0 - missing) * node_f / (node_f + CODES.hold_f)
        missing = (1.0 - kept_v) * math.exp(-CODES.acquire_s / (ohm * (node_f + CODES.hold_f)))

    assert sampling_loss(divider, CODES) == pytest.approx(missing, rel=1e-6)


def test_sweep_settles_as_the_differential_equation_does() -> None:
    """With 8 uF the codes of a sweep are those of RC dV/dt = V0 - V, solved numerically by SciPy."""
    divider, points = replace(DIVIDER, node_f=8e-6), up_and_down(since_s=0.25)
    node_v = divider_v(divider, points[0].terminals_v)
    expected = [node_v]
    for point in points[1:]:
        target_v = divider_v(divider, point.terminals_v)
        solved = solve_ivp(lambda _, v, goal=target_v: (goal - v) / (75e3 * 8e-6), (0.0, 0.25), [node_v], rtol=1e-9)
        node_v = float(solved.y[0, -1])
        expected.append(node_v)
    loss = 1.0 - sampling_loss(divider, CODES)

    codes = sweep_codes(divider, CODES, points)

    assert codes == [pytest.approx(volts * loss / 1.1 * 4096, abs=0.51) for volts in expected]


def test_rail_follows_its_feedback_divider_and_falls_in_dropout() -> None:
    """0.6 V times (1 + 450/100) is 3.3 V; with 3.2 V in, dropout takes 0.1 V and 0.3 ohm and 0.05 ohm their share."""
    assert rail_v(SOUND, 4.0, rail_a=0.0) == pytest.approx(3.3)
    assert rail_v(SOUND, 3.2, rail_a=0.1) == pytest.approx(3.2 - 0.1 - 0.03 - 0.005)
    assert rail_v(SOUND, 2.6, rail_a=0.0) == 0.0


def test_sleep_current_is_power_through_the_converter_and_ohms_law_beside_it() -> None:
    """3 uA at 3.3 V through 90 % from 3.7 V, the converter's own 5 uA, and 3.7 V over 400 kohm."""
    assert asleep_a(SOUND, 3.7) == pytest.approx(3e-6 * 3.3 / (0.9 * 3.7) + 5e-6 + 3.7 / 400e3, rel=1e-6)


def test_sound_circuit_shows_no_error() -> None:
    """A sound circuit follows the voltage within rounding and what sampling takes, every word as on a sound board."""
    found = predict(SOUND, PLAN)

    assert abs(found.numbers["gain"].value) < 1.5e-3
    assert abs(found.numbers["middle error"].value) < 4e-3
    assert found.words == {"codes": "follow", "bits": "all move"}
    assert math.exp(found.numbers["airtime"].value) == pytest.approx(0.056576)  # SF7, 22 bytes: Semtech AN1200.13


@pytest.mark.parametrize(
    ("path", "value", "feature", "relative"),
    [
        pytest.param("divider.top_ohm", 312e3, "gain", -0.0291, id="top resistor 4 % high"),
        pytest.param("codes.reference_v", 1.133, "gain", -0.0291, id="reference 3 % high"),
        pytest.param("divider.bottom_ohm", 106e3, "gain", 0.0443, id="bottom resistor 6 % high"),
    ],
)
def test_gain_fault_moves_the_gain_by_the_divider_rule(path: str, value: float, feature: str, relative: float) -> None:
    """By hand: 400/412 - 1, 1.1/1.133 - 1, (106/406)/(1/4) - 1."""
    moved = predict(SOUND.put(path, value), PLAN).numbers[feature].value - predict(SOUND, PLAN).numbers[feature].value

    assert moved == pytest.approx(relative, abs=1e-3)


def test_stuck_bit_is_seen_as_dead() -> None:
    """Bit 5 always 0 is found again in the predicted codes."""
    assert predict(SOUND.put("codes.stuck_low", 32), PLAN).words["bits"] == "dead 5"


def test_open_bottom_resistor_stands_at_the_top_code() -> None:
    """Without it the whole battery voltage is at the input, far above the reference."""
    found = predict(SOUND.put("divider.bottom_ohm", 1e12), PLAN)

    assert found.words["codes"] in ("stand high", "stand")
    assert sweep_codes(replace(DIVIDER, bottom_ohm=1e12), CODES, up_and_down())[0] == 4095


def test_lockout_inside_the_sweep_leaves_nothing_to_measure_there() -> None:
    """A board that is locked out at the lowest point falls silent, and no code is predicted."""
    found = predict(SOUND.put("rail.lockout_v", 3.4), PLAN)

    assert found.words["over the sweep"] == "falls silent"
    assert "gain" not in found.numbers
    assert rail_under_load_v(SOUND.put("rail.lockout_v", 3.7), 3.6) == 0.0
