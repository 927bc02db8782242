"""The rail, and the reported battery voltage over the range."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.procedures import sweep as sweeping
from benchrig.procedures.power import ready
from benchrig.procedures.rail import rail_under_load
from benchrig.procedures.stamps import stamp_uncertainty_s
from benchrig.production.converter_findings import judge_sweep
from benchrig.production.series import judge_series
from benchrig.reading import Reading

if TYPE_CHECKING:
    from benchrig.board_run import BoardRun
    from benchrig.check import Check


def check_rail(run: BoardRun, measure: Check) -> None:
    """Every point of the rail plan."""
    on = run.on_bench
    rail = on.bench.rail
    if rail is None:
        measure.undecided(
            "voltage", "no meter of this bench sees the rail", next_action="wire one (slots.N.meters.rail)"
        )
        return
    ready(on)
    for point in rail_under_load(on, rail):
        judge_series(
            measure,
            "voltage",
            point.series,
            at=f"at {point.battery.value:.2f} V",
            next_action="measure the converter's input and output at its pins; look at inductor and feedback divider",
        )


def check_battery_sweep(run: BoardRun, measure: Check) -> None:
    """Sweep, fit, and judge each error by its own limit; the cause shows in which of them fails."""
    on = run.on_bench
    ready(on)
    run.sweep.clear()
    for point in sweeping.battery_sweep(on):
        run.sweep.append(point)
        for quantity, value, unit in (
            ("reported", point.battery.reported_v, "V"),
            ("counts", point.battery.counts, "count"),
        ):
            measure.reading(
                f"{quantity} at {point.at}",
                Reading(value, unit, 0.0, "board console", point.battery.raw, point.battery.at_s),
            )
    judge_sweep(measure, run.sweep, on.profile.converter)
    slowest = max(run.sweep, key=lambda point: point.battery.took_s)
    measure(
        "answer_time",
        slowest.battery.took_s,
        unit="s",
        standard_uncertainty=stamp_uncertainty_s(run.clock, stalled_s=run.stalls.worst_s(run.sweep[0].battery.at_s)),
        at=f"slowest, at {slowest.at}",
        next_action="look at what the firmware does between question and conversion; where a question was repeated, "
        "at noise on the console",
    )
