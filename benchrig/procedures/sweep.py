"""Battery sweep, up and down: volts measured at the terminals while the board converts, and the bytes it hands over.

The meter integrates while the board's own conversion runs, so that both see the same volts and neither waits
for the other.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from benchrig.procedures.terminals import set_battery

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.board.board import BatteryAnswer, FrameAnswer
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

Direction = Literal["up", "down"]


@dataclass(frozen=True)
class SweepPoint:
    """One point: the terminals during the board's conversion, what it reported, and the frame it handed over."""

    setpoint_v: float
    direction: Direction
    terminals: Reading
    battery: BatteryAnswer
    frame: FrameAnswer

    @property
    def at(self) -> str:
        return f"{self.setpoint_v:.2f} V {self.direction}"


def battery_sweep(on: OnBench) -> Iterator[SweepPoint]:
    """Every point as it is measured, up then down; a board that dies on the way leaves the points before it."""
    points_v = sorted(on.profile.sweep.points_v)
    plan: list[tuple[float, Direction]] = [(point, "up") for point in points_v]
    plan += [(point, "down") for point in reversed(points_v)]
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="meter") as beside:
        for voltage_v, direction in plan:
            yield _point(on, beside, voltage_v, direction)


def _point(on: OnBench, beside: ThreadPoolExecutor, voltage_v: float, direction: Direction) -> SweepPoint:
    at = f"at {voltage_v:.2f} V {direction}"
    set_battery(on, voltage_v, settle_s=on.profile.sweep.settle_s)
    with on.phases("board"):
        # the frame first: one that carries the sample before its own then carries the volts of another point
        frame = on.board.frame()
        meanwhile = beside.submit(on.bench.terminals.read_voltage)
        battery = on.board.battery()
        terminals = on.record(f"terminals {at}", meanwhile.result())
    return SweepPoint(voltage_v, direction, terminals, battery, frame)
