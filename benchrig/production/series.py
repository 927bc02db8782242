"""Judges a value that was read until it was certain: by its limit, or as undecided when the bound came first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.check import unless_measured_better

if TYPE_CHECKING:
    from benchrig.board.profile import BoardProfile
    from benchrig.board.readings_table import ReadingsPlan
    from benchrig.check import Check
    from benchrig.procedures.repeated import Repeated


def readings_plan(profile: BoardProfile, check: str, value: str) -> ReadingsPlan | None:
    """What the profile asks for in `limits.<check>.<value>.readings`; None for a single reading."""
    return profile.readings.get(check, {}).get(value)


def judge_series(measure: Check, value_name: str, found: Repeated, *, at: str = "", next_action: str = "") -> None:
    """One limit. A series that is not certain is undecided, however near its mean may be to either side."""
    name = f"{value_name} {at}".rstrip()
    if found.outcome is not None:
        measure.reading(f"{name}, {found.remark}", found.reading)
    if found.is_undecided:
        measure.undecided(
            value_name, f"{name}: {found.remark}; {found.why}", next_action=unless_measured_better(next_action)
        )
        return
    measure(value_name, found.reading, at=at, remark=found.remark, next_action=next_action)
