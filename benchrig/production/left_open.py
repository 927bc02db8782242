"""What a run leaves open however well it went: what it did not look at, in one sentence each.

Owns the sentences. Each follows from what really ran and from the profile; nothing here judges.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.records import NotProven, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.board.profile import BoardProfile
    from benchrig.board_run import BoardRun
    from benchrig.check import Check

_BY_AIR = ("join", "uplink_hops", "downlink")
_TOUCHES_V = 0.005
"""A rail that was measured this near to a voltage was measured there. Own choice."""


def tell_radio(run: BoardRun, measure: Check) -> None:
    """A current is no proof of a signal: said unless a check heard the board by its radio. Call it at the end."""
    if not any(_ran(run, check) for check in _BY_AIR):
        measure.not_proven(
            "no radio power, frequency or reception was seen: the supply current alone says that it transmits",
            next_action="give the bench a gateway, and require join, uplink_hops and downlink",
        )


def tell_ambient(measure: Check, ambient_c: float) -> None:
    """One temperature proves no slope."""
    measure.not_proven(f"compared at one ambient temperature, {ambient_c:.1f} degC, only")


def tell_rail_range(profile: BoardProfile, measure: Check, measured_v: Sequence[float]) -> None:
    """The battery voltages at which the rail was measured, where the board is used below them."""
    lowest_v, highest_v = min(measured_v), max(measured_v)
    below = [f"{what} {volts:.2f} V" for what, volts in _used_down_to(profile) if volts < lowest_v - _TOUCHES_V]
    if below:
        measure.not_proven(
            f"the rail was measured from {lowest_v:.2f} V to {highest_v:.2f} V at the battery only: {', '.join(below)}",
            next_action="plan points down to there (rail.points_v in the profile)",
        )


def _used_down_to(profile: BoardProfile) -> Iterable[tuple[str, float]]:
    yield "the sweep goes down to", min(profile.sweep.points_v, default=math.inf)
    if profile.energy is not None and profile.energy.cell.cutoff_v:
        yield "the energy budget uses the cell down to", profile.energy.cell.cutoff_v


def tell_untried(run: BoardRun) -> None:
    """What the profile plans and this run neither did nor was required to do: a sign-off does."""
    profile = run.plan.profile
    planned = (
        ("undervoltage", "thresholds", profile.thresholds),
        ("coming back after a dark week", "coming_back", profile.coming_back),
    )
    left = [
        what
        for what, check, plan in planned
        if plan is not None and check not in run.plan.required and not _ran(run, check)
    ]
    if left:
        were = "were" if len(left) > 1 else "was"
        text = f"{' and '.join(left)} {were} not tried (suites/signoff does)"
        run.write(NotProven(text=text, at_s=run.now_s()))


def _ran(run: BoardRun, check: str) -> bool:
    finished = run.checks.get(check)
    return finished is not None and finished.verdict not in (Verdict.NOT_RUN, Verdict.BENCH_ERROR)
