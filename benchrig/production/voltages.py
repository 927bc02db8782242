"""The rail, and the reported battery voltage over the range."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.board.profile_roles import lacking
from benchrig.judge.decision import Limit, judge
from benchrig.judge.uncertainty import expanded
from benchrig.procedures import sweep as sweeping
from benchrig.procedures.power import ready
from benchrig.procedures.rail import idle_current, load_step, rail_under_load
from benchrig.procedures.stamps import stamp_uncertainty_s
from benchrig.production.converter_findings import judge_sweep
from benchrig.production.left_open import tell_rail_range
from benchrig.production.series import judge_series
from benchrig.quantity import format_quantity
from benchrig.reading import Reading
from benchrig.records import Verdict
from benchrig.run_plan import Found

if TYPE_CHECKING:
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.rail import LoadStep


def check_rail(run: BoardRun, measure: Check) -> None:
    """Every point of the rail plan, and that the board's load was really on: its own word for that is not enough."""
    on = run.on_bench
    if why := lacking(on.profile, "rail"):
        measure.end_by(Verdict.NOT_RUN, why)
        return
    rail = on.bench.rail
    if rail is None:
        measure.undecided(
            "voltage", "no meter of this bench sees the rail", next_action="wire one (slots.N.meters.rail)"
        )
        return
    ready(on)
    idle = idle_current(on)
    points = rail_under_load(on, rail)
    highest = max((point.rail for point in points), key=lambda one: one.value)
    run.found["rail_v"] = Found(highest.value, highest.standard_uncertainty, "V")
    _judge_load(measure, load_step(idle, points, nominal_v=on.profile.power.nominal_v), on.profile.rail.load_a)
    for point in points:
        judge_series(
            measure,
            "voltage",
            point.series,
            at=f"at {point.battery.value:.2f} V",
            next_action="measure the converter's input and output at its pins; look at inductor and feedback divider",
        )
    tell_rail_range(on.profile, measure, [point.battery.value for point in points])


def _judge_load(measure: Check, step: LoadStep, load_a: float) -> None:
    """The supply must see the load: at least half of what it takes without any loss in the converter."""
    least_a = step.least_a(load_a)
    source = f"half of {load_a * 1e3:g} mA x {step.rail_v:.2f} V / {step.battery_v:.2f} V"
    u_a = step.standard_uncertainty
    uncertainty_a = expanded(u_a, dof=math.inf)[0] if math.isfinite(u_a) else math.nan
    limit = Limit("load", unit="A", low=least_a, source=source, rule="guarded")
    found = judge(step.amperes, unit="A", expanded_uncertainty=uncertainty_a, limit=limit)
    why, next_action = _load_words(found.verdict)
    expected = f"at least {format_quantity(least_a, 'A')} more from the battery with the load on ({source})"
    seen = f"{format_quantity(step.amperes, 'A')} more, expanded uncertainty {format_quantity(uncertainty_a, 'A')}"
    measure.fact(
        "load",
        expected=expected,
        seen=seen,
        holds={Verdict.PASS: True, Verdict.FAIL: False}.get(found.verdict),
        why=f"{why}: expected {expected}, seen {seen}" if why else "",
        next_action=next_action,
    )


def _load_words(verdict: Verdict) -> tuple[str, str]:
    if verdict is Verdict.PASS:
        return "", ""
    if verdict is Verdict.FAIL:
        return (
            "the rail was not measured under its load",
            "look at the load and at what switches it; if both are sound, correct rail.load_a of the profile",
        )
    return (
        "whether the load was on cannot be told by this supply's read-back of its current",
        "use a supply whose read-back is good to a few mA, or state its accuracy in the bench file",
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
