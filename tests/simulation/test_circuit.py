"""The closed forms of the circuit against hand values and against numerical integration by scipy."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from benchrig.simulation.battery_node import BatteryNode
from benchrig.simulation.bench_time import Agenda
from benchrig.simulation.converter import StepDown
from benchrig.simulation.laws import Law, settled
from benchrig.simulation.parts import Adc, Converter, Divider, Feed, Shunt
from benchrig.simulation.sampling import BatterySampler
from benchrig.simulation.source import Source, SourceErrors

CAPACITANCE_F = 47e-6


class HandClock:
    """A monotonic clock that moves only by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class ConstantPower:
    """A consumer that draws `watts` above 2.7 V, as a converter with a lockout does."""

    def __init__(self, watts: float) -> None:
        self.watts = watts
        self.seen_v: list[float] = []

    def consumption_a(self, volts: float) -> float:
        return self.watts / volts if volts > 2.7 else 0.0

    def thresholds_v(self) -> tuple[float, ...]:
        return (2.7,)

    def voltage_moved(self, volts: float) -> None:
        self.seen_v.append(volts)

    def stretch_ended(self, voltage: Law, elapsed_s: float) -> None:
        """Nothing settles here."""


class Circuit:
    """A source, a lead and a node, moved through time by hand."""

    def __init__(self, *, watts: float = 0.0, shunts: tuple[Shunt, ...] = (Shunt(1 / 400e3),)) -> None:
        self.clock = HandClock()
        self.agenda = Agenda(scale=1.0, monotonic_s=self.clock)
        self.source = Source(self.agenda, errors=SourceErrors())
        feed = Feed(lead_ohm=0.05, contact_ohm=0.02)
        self.node = BatteryNode(self.agenda, source=self.source, feed=feed, capacitance_f=CAPACITANCE_F, shunts=shunts)
        self.consumer = ConstantPower(watts)
        self.node.connect(self.consumer)

    def run_to(self, at_s: float) -> None:
        self.clock.now_s = at_s
        self.agenda.catch_up()

    def switch_on(self, *, volts: float, limit_a: float) -> None:
        self.source.set_voltage(volts)
        self.source.set_limit(limit_a)
        self.source.switch(is_on=True)


RAMP = Law(3.0, 1000.0)
EXPONENTIAL = Law(1.0, 0.0, 2.0, 0.022)


@pytest.mark.parametrize("fed", [Law(3.7), RAMP, EXPONENTIAL, Law(0.0, 0.0, 4.0, 7.5e-3)])
@pytest.mark.parametrize("elapsed_s", [1e-6, 2e-3, 7.5e-3, 0.1])
def test_settling_equals_numerical_integration(fed: Law, elapsed_s: float) -> None:
    """The closed form of the low-pass output agrees with scipy's integration of tau dy/dt = x - y."""
    tau_s = 7.5e-3

    expected = solve_ivp(lambda t, y: (fed.value(t) - y) / tau_s, (0.0, elapsed_s), [0.5], rtol=1e-10, atol=1e-12).y[0][
        -1
    ]

    assert settled(fed, start=0.5, tau_s=tau_s, elapsed_s=elapsed_s) == pytest.approx(expected, abs=1e-6)


def test_settling_step_reaches_63_percent_after_one_time_constant() -> None:
    """A step settles as 1 - exp(-t / RC) with RC = 75 kohm * 100 nF = 7.5 ms (textbook)."""
    assert Divider().tau_s == pytest.approx(7.5e-3)
    assert settled(Law(1.0), start=0.0, tau_s=7.5e-3, elapsed_s=7.5e-3) == pytest.approx(1 - math.exp(-1))


@pytest.mark.parametrize("law", [RAMP, Law(3.0, -1000.0), EXPONENTIAL])
def test_law_tells_when_it_passes_a_value(law: Law) -> None:
    """seconds_until is the inverse of value."""
    assert law.seconds_until(law.value(1.5e-3)) == pytest.approx(1.5e-3)


@pytest.mark.parametrize(
    ("law", "value"),
    [(Law(3.0), 2.0), (RAMP, 2.0), (EXPONENTIAL, 0.9), (EXPONENTIAL, 3.1)],
    ids=["constant", "behind a ramp", "beyond the end", "before the start"],
)
def test_law_says_never(law: Law, value: float) -> None:
    """A value that is not ahead is never passed."""
    assert law.seconds_until(value) is None


def test_charging_takes_c_times_v_over_i() -> None:
    """From 0 to 3.7 V with 0.1 A into 47 uF takes 1.739 ms, during which the limit is active."""
    circuit = Circuit()
    circuit.switch_on(volts=3.7, limit_a=0.1)

    arrival_s = CAPACITANCE_F * 3.7 / 0.1
    circuit.run_to(arrival_s * 0.99)
    assert circuit.source.is_limiting()
    assert circuit.node.voltage() == pytest.approx(3.7 * 0.99, rel=1e-4)

    circuit.run_to(arrival_s * 1.01)
    assert not circuit.source.is_limiting()
    assert circuit.node.lead_current() == pytest.approx(3.7 / 400e3, rel=1e-3)


def test_discharge_into_the_bleed_is_exponential() -> None:
    """With the output off 47 uF empties into 470 ohm: 3.7 V falls to 1/e of it in 22.09 ms."""
    circuit = Circuit()
    circuit.switch_on(volts=3.7, limit_a=0.5)
    circuit.run_to(0.1)

    circuit.source.switch(is_on=False)
    circuit.run_to(0.1 + 470 * CAPACITANCE_F)

    assert circuit.node.voltage() == pytest.approx(3.7 / math.e, rel=2e-3)
    assert circuit.node.lead_current() == pytest.approx(-3.7 / math.e / 470, rel=3e-3)


@pytest.mark.parametrize("watts", [0.05, 0.30], ids=["light", "heavy"])
def test_charging_against_a_constant_power_equals_integration(watts: float) -> None:
    """Stretch by stretch, charging with a load follows scipy's solution within a part in a thousand."""
    circuit = Circuit(watts=watts)
    circuit.switch_on(volts=6.0, limit_a=0.2)

    def slope(_: float, volts: list[float]) -> list[float]:
        drawn_a = circuit.consumer.consumption_a(volts[0]) + volts[0] / 400e3
        return [(0.2 - drawn_a) / CAPACITANCE_F]

    solution = solve_ivp(slope, (0.0, 1.1e-3), [0.0], rtol=1e-9, max_step=1e-6, dense_output=True)
    for at_s in (0.5e-3, 0.75e-3, 1.1e-3):
        circuit.run_to(at_s)
        assert circuit.node.voltage() == pytest.approx(solution.sol(at_s)[0], rel=1e-3)


def test_short_holds_the_voltage_at_limit_times_resistance() -> None:
    """Across 0.3 ohm the limit of 0.1 A gives 30 mV, and the supply stays in current limit."""
    circuit = Circuit(shunts=(Shunt(1 / 0.3),))
    circuit.switch_on(volts=3.7, limit_a=0.1)
    circuit.run_to(0.01)

    assert circuit.node.voltage() == pytest.approx(0.030, rel=1e-6)
    assert circuit.source.is_limiting()


def test_lead_and_contact_drop_ohms_law() -> None:
    """At 45 mA, 70 mohm of lead and contact take 3.15 mV between supply and pads."""
    circuit = Circuit(watts=0.045 * 3.7)
    circuit.switch_on(volts=3.7, limit_a=0.5)
    circuit.run_to(0.1)

    drop_v = circuit.node.terminal_voltage() - circuit.node.pad_voltage()
    assert drop_v == pytest.approx(3.15e-3, rel=2e-3)


def test_set_point_slews_at_one_volt_per_millisecond() -> None:
    """A step from 3 to 4 V is half way after 0.5 ms and draws C dV/dt = 47 mA on its way."""
    circuit = Circuit()
    circuit.switch_on(volts=3.0, limit_a=0.5)
    circuit.run_to(0.1)
    circuit.source.set_voltage(4.0)

    circuit.run_to(0.1005)
    assert circuit.node.voltage() == pytest.approx(3.5, abs=5e-3)
    assert circuit.node.lead_current() == pytest.approx(0.047, rel=1e-2)

    circuit.run_to(0.1011)
    assert circuit.node.voltage() == pytest.approx(4.0, abs=1e-4)


def test_protection_trips_where_the_ramp_crosses_it() -> None:
    """A ramp from 3 to 4 V trips a level of 3.6 V after 0.6 ms, and the output opens."""
    circuit = Circuit()
    circuit.switch_on(volts=3.0, limit_a=0.5)
    circuit.source.set_protection(3.6)
    circuit.run_to(0.1)
    circuit.source.set_voltage(4.0)

    circuit.run_to(0.10059)
    assert circuit.source.is_on
    circuit.run_to(0.10061)
    assert (circuit.source.is_on, circuit.source.is_tripped) == (False, True)


def test_converter_draws_what_its_efficiency_says() -> None:
    """45 mA at 3.3 V, 90 % from 3.7 V: 44.6 mA plus 4 uA; 3 uA at 67.5 %: 3.96 uA plus 4 uA."""
    converter = StepDown(replace(Converter(), output_ohm=0.0))
    converter.follow(3.7)

    assert converter.input_current(3.7, rail_a=45e-3) == pytest.approx(45e-3 * 3.3 / (0.9 * 3.7), rel=2e-4)
    assert converter.input_current(3.7, rail_a=3e-6) == pytest.approx(3e-6 * 3.3 / (0.675 * 3.7) + 4e-6)


def test_converter_rail_follows_the_input_in_dropout() -> None:
    """Below 3.3 V + I R + 0.10 V the rail is Vin - 0.10 V - I R."""
    converter = StepDown(Converter())
    converter.follow(3.7)

    assert converter.rail_voltage(3.7, rail_a=0.0) == pytest.approx(3.300)
    assert converter.rail_voltage(3.0, rail_a=0.05) == pytest.approx(3.0 - 0.10 - 0.05 * 0.30)


def test_converter_lockout_has_hysteresis() -> None:
    """It starts at 2.90 V rising and stops at 2.70 V falling."""
    converter = StepDown(Converter())

    states = []
    for volts in (2.89, 2.90, 2.71, 2.70, 2.89, 2.90):
        converter.follow(volts)
        states.append(converter.is_running)

    assert states == [False, True, True, False, False, True]


@pytest.mark.parametrize(
    ("volts", "raw"),
    [(3.7, 3444.36), (3.0, 2792.73), (4.2, 3909.82)],
    ids=["3.7 V", "3.0 V", "4.2 V"],
)
def test_conversion_gives_the_hand_value(volts: float, raw: float) -> None:
    """raw = V / 4 / 1.100 V * 4096 for the 300k / 100k divider, within a count and the sampling error of 0.06 %."""
    sampler = BatterySampler(Divider(), Adc(), rng=random.Random(1))
    sampler.follow(Law(volts), elapsed_s=1.0)

    assert sampler.convert() == pytest.approx(raw * (1 - 75e3 * 2000 * 4e-12), abs=1.0)


def test_averaging_leaves_an_eighth_of_the_noise() -> None:
    """64 samples of 240 counts rms average to 30 counts rms."""
    sampler = BatterySampler(Divider(), replace(Adc(), noise_counts=240.0), rng=random.Random(1))
    sampler.follow(Law(3.0), elapsed_s=1.0)
    results = [sampler.convert() for _ in range(400)]

    mean = sum(results) / len(results)
    rms = math.sqrt(sum((result - mean) ** 2 for result in results) / (len(results) - 1))
    assert rms == pytest.approx(30.0, rel=0.15)


def test_agenda_runs_actions_at_their_own_time() -> None:
    """However late the loop comes, each action sees the bench time it was appointed for, in order."""
    clock = HandClock()
    agenda = Agenda(scale=10.0, monotonic_s=clock)
    seen: list[tuple[str, float]] = []
    agenda.at(3.0, lambda: seen.append(("late", agenda.now)))

    def appoint_another() -> None:
        agenda.after(0.5, lambda: seen.append(("between", agenda.now)))

    agenda.at(1.0, appoint_another)
    agenda.at(2.0, lambda: seen.append(("never", agenda.now))).cancel()

    clock.now_s = 0.4
    agenda.catch_up()

    assert seen == [("between", 1.5), ("late", 3.0)]
    assert agenda.now == pytest.approx(4.0)
