"""The 3.3 V rail over the battery range, under the board's own load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.procedures.repeated import Repeated, until_certain
from benchrig.procedures.terminals import set_battery

if TYPE_CHECKING:
    from benchrig.bench.meter import Meter
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading


@dataclass(frozen=True)
class RailPoint:
    """The rail at one battery voltage, measured at the terminals, and how often it was read."""

    battery: Reading
    series: Repeated

    @property
    def rail(self) -> Reading:
        """The rail, or the mean of its readings."""
        return self.series.reading


def rail_under_load(on: OnBench, rail: Meter) -> tuple[RailPoint, ...]:
    """Switch the board's load on and measure the rail at every battery voltage of the plan."""
    plan = on.profile.rail
    on.board.load(on=True)
    try:
        return tuple(_point(on, rail, voltage_v) for voltage_v in plan.points_v)
    finally:
        if not on.bench.supply.setpoint_v >= on.profile.power.nominal_v:  # a set-point not known is NaN
            on.bench.supply.set_voltage(on.profile.power.nominal_v)
        on.board.load(on=False)


def _point(on: OnBench, rail: Meter, voltage_v: float) -> RailPoint:
    at = f"at {voltage_v:.2f} V"
    battery = on.record(f"battery {at}", set_battery(on, voltage_v, settle_s=on.profile.rail.settle_s))
    with on.phases("measuring"):
        series = until_certain(
            lambda: on.record(f"rail {at}", rail.read_voltage()),
            limit=on.profile.limits.get("rail", {}).get("voltage"),
            plan=on.profile.readings.get("rail", {}).get("voltage"),
        )
    return RailPoint(battery, series)
