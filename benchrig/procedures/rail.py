"""The 3.3 V rail over the battery range, under the board's own load; what the load takes is seen by the supply."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.parts import difference_u
from benchrig.procedures.repeated import Repeated, until_certain
from benchrig.procedures.terminals import set_battery

if TYPE_CHECKING:
    from benchrig.bench.meter import Meter
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

_LEAST_OF_LOAD = 0.5


@dataclass(frozen=True)
class RailPoint:
    """The rail at one battery voltage, measured at the terminals, and how often it was read.

    `current` is what the supply gave with the load on; it is read at the point nearest to nominal alone.
    """

    battery: Reading
    series: Repeated
    current: Reading | None = None

    @property
    def rail(self) -> Reading:
        """The rail, or the mean of its readings."""
        return self.series.reading


@dataclass(frozen=True)
class LoadStep:
    """What the load took from the battery (A) at battery and rail volts, and its standard uncertainty (A).

    The uncertainty is NaN where nobody states how good the supply's read-back is: exact it never is.
    """

    amperes: float
    standard_uncertainty: float
    battery_v: float
    rail_v: float

    def least_a(self, load_a: float) -> float:
        """The least that a load of `load_a` amperes on the rail must take from the battery.

        A converter carries power: the load's own comes out of the battery, and what the converter loses beside it. Half
        of the power leaves room for a load that the profile states roughly; own choice.
        """
        return _LEAST_OF_LOAD * load_a * self.rail_v / self.battery_v


def idle_current(on: OnBench) -> Reading:
    """What the supply gives to the awake board at nominal voltage, before its load is switched on."""
    with on.phases("measuring"):
        return on.record("current without load", on.bench.supply.read_current())


def load_step(idle: Reading, points: tuple[RailPoint, ...], *, nominal_v: float) -> LoadStep:
    """Current with the load on, less `idle`. Raises ValueError when no point has a current.

    Both come from one instrument, whose gain error they share. What idle current changes from nominal to the volts of
    the point, at the same power, is one more cause (GUM 4.3.7).
    """
    point = next((one for one in points if one.current is not None), None)
    if point is None or point.current is None:
        raise ValueError(
            "no point of the rail was measured with the supply's current beside it; accepted: one at least"
        )
    battery_v = point.battery.value
    moved_a = idle.value * (nominal_v / battery_v - 1.0)
    read_u_a = difference_u(point.current, idle)
    return LoadStep(
        amperes=point.current.value - idle.value,
        standard_uncertainty=math.hypot(read_u_a, moved_a / math.sqrt(3.0)) if read_u_a > 0.0 else math.nan,
        battery_v=battery_v,
        rail_v=point.rail.value,
    )


def rail_under_load(on: OnBench, rail: Meter) -> tuple[RailPoint, ...]:
    """Switch the board's load on and measure the rail at every battery voltage of the plan."""
    plan = on.profile.rail
    nearest_v = min(plan.points_v, key=lambda volts: abs(volts - on.profile.power.nominal_v))
    on.board.load(on=True)
    try:
        return tuple(
            _point(on, rail, volts, sees_current=number == plan.points_v.index(nearest_v))
            for number, volts in enumerate(plan.points_v)
        )
    finally:
        if not on.bench.supply.setpoint_v >= on.profile.power.nominal_v:  # a set-point not known is NaN
            on.bench.supply.set_voltage(on.profile.power.nominal_v)
        on.board.load(on=False)


def _point(on: OnBench, rail: Meter, voltage_v: float, *, sees_current: bool) -> RailPoint:
    at = f"at {voltage_v:.2f} V"
    battery = on.record(f"battery {at}", set_battery(on, voltage_v, settle_s=on.profile.rail.settle_s))
    with on.phases("measuring"):
        current = on.record(f"current {at}, load on", on.bench.supply.read_current()) if sees_current else None
        series = until_certain(
            lambda: on.record(f"rail {at}", rail.read_voltage()),
            limit=on.profile.limits.get("rail", {}).get("voltage"),
            plan=on.profile.readings.get("rail", {}).get("voltage"),
        )
    return RailPoint(battery, series, current)
