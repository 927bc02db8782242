"""Sets the battery voltage and waits until the terminals really carry it; measured there, never assumed.

A voltage that does not arrive is charged where it belongs: to the board when it holds the supply in its
current limit, to the bench otherwise, with the resistance that lead and contact then have.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import BoardOverload, InstrumentUnfit

if TYPE_CHECKING:
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

ARRIVE_S = 0.5
_READ_BACK_RATIO = 0.01


def set_battery(on: OnBench, voltage_v: float, *, settle_s: float) -> Reading:
    """Set the voltage, wait until the terminals carry it, then let the board settle for `settle_s`.

    Returns the terminal voltage on arrival. Raises BoardOverload, InstrumentUnfit.
    """
    on.bench.supply.set_voltage(voltage_v)
    arrived_s = on.clock.now_s()
    reading = wait_for_terminals(on)
    with on.phases("settling"):
        on.clock.sleep(arrived_s + settle_s - on.clock.now_s())
    return reading


def wait_for_terminals(on: OnBench) -> Reading:
    """Read the terminals until they carry the set-point within the profile's tolerance, or say who is to blame."""
    asked_v = on.bench.supply.setpoint_v
    tolerance_v = on.profile.sweep.terminal_tolerance_v
    deadline_s = on.clock.now_s() + ARRIVE_S
    with on.phases("measuring"):
        while True:
            asked_s = on.clock.now_s()
            reading = on.bench.terminals.read_voltage()
            if abs(reading.value - asked_v) <= tolerance_v:
                _compare_read_back(on, reading)
                return reading
            if asked_s > deadline_s:
                raise _blame(on, reading, asked_v, tolerance_v)


def _compare_read_back(on: OnBench, terminals: Reading) -> None:
    """The supply's own reading must agree with the meter's: two instruments that differ prove nothing."""
    read_back = on.bench.supply.read_voltage()
    allowed_v = on.profile.sweep.terminal_tolerance_v + _READ_BACK_RATIO * terminals.value
    if abs(read_back.value - terminals.value) > allowed_v:
        raise InstrumentUnfit(
            f"supply {on.bench.supply.instrument.name} reads back {read_back.value:.4f} V, "
            f"{on.bench.terminals.name} sees {terminals.value:.4f} V at the terminals (accepted: within "
            f"{allowed_v:.3f} V); one of the two is wrong: check both against a third, and the wiring",
            on.bench.supply.instrument.name,
        )


def _blame(on: OnBench, terminals: Reading, asked_v: float, tolerance_v: float) -> Exception:
    supply = on.bench.supply
    current = supply.read_current()
    read_back = supply.read_voltage()
    seen = (
        f"asked {asked_v:.3f} V, the terminals carry {terminals.value:.3f} V after {ARRIVE_S:g} s (accepted: within "
        f"{tolerance_v:g} V)"
    )
    if supply.is_limiting():
        return BoardOverload(
            f"{seen}: the board holds the supply in its current limit of {supply.current_limit_a:g} A; look for a "
            "part that gets warm, or a load that should be off"
        )
    if abs(read_back.value - asked_v) > tolerance_v:
        return InstrumentUnfit(
            f"supply {supply.instrument.name}: {seen}, it reads back {read_back.value:.3f} V and does not limit; the "
            "supply does not reach its set-point: take it out",
            supply.instrument.name,
        )
    drop_v = read_back.value - terminals.value
    ohm = drop_v / current.value if current.value > 0.0 else float("inf")
    return InstrumentUnfit(
        f"{seen}, the supply reads back {read_back.value:.3f} V at {current.value * 1000:.1f} mA: {drop_v:.3f} V are "
        f"lost in lead and contact ({ohm:.2g} ohm); clean or replace the contact, then run again",
        supply.instrument.name,
    )
