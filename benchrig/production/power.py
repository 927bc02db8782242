"""First touch and output off."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import InstrumentUnfit
from benchrig.procedures.first_touch import first_touch
from benchrig.procedures.power import switch_off
from benchrig.procedures.repeated import Repeated, until_certain
from benchrig.production.series import judge_series, readings_plan

if TYPE_CHECKING:
    from benchrig.board_run import BoardRun
    from benchrig.check import Check


def check_first_touch(run: BoardRun, measure: Check) -> None:
    """Short, reversed, open, no contact: none of them; then the current at the low limit."""
    on = run.on_bench
    found = first_touch(on)
    if found.charged_to == "bench":
        run.block("power", f"first touch: {found.finding}")
        raise InstrumentUnfit(f"{found.finding}; {found.next_action}", on.bench.supply.instrument.name)
    measure.fact(
        "polarity and shorts",
        expected="neither short, nor reversed, nor open",
        seen=found.finding or "sound",
        holds=not found.finding,
        why=found.finding,
        next_action=found.next_action,
    )
    if found.finding:
        run.block("power", f"first touch found: {found.finding}")
        series = Repeated(found.current)
    else:
        series = until_certain(
            lambda: on.record("current at the low limit", on.bench.supply.read_current()),
            limit=measure.limits.get("current"),
            plan=readings_plan(on.profile, "first_touch", "current"),
        )
    judge_series(measure, "current", series, next_action="look for a part that gets warm, or one that is missing")


def check_output_off(run: BoardRun, measure: Check) -> None:
    """Switch off, read back, and wait until the terminals are down."""
    last = measure.reading("terminals after output off", switch_off(run.on_bench))
    measure.fact("output", expected="off", seen="off, read back", holds=True)
    measure(
        "terminals",
        last,
        next_action="something still feeds the board: unplug serial adapters and a solar source, then measure again",
    )
