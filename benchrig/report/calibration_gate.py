"""Whether the instruments of a run were calibrated on its day, as its records say; a sign-off needs that.

Owns what follows from it: any use carries it as not proven, a sign-off stays undecided. Knows no bench file.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.calibration import NEXT_ACTION, calibration_problems, day_of
from benchrig.records import NotProven

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from benchrig.records import InstrumentRecord, RunStarted

SIGN_OFF = "signoff"


def uncalibrated(instruments: Iterable[InstrumentRecord], *, on: date) -> tuple[str, ...]:
    """One sentence for each instrument whose calibration does not cover the day `on`."""
    dues = {f"{one.kind} {one.name} (serial {one.serial})": day_of(one.calibration_due) for one in instruments}
    return calibration_problems(dues, on=on)


def not_proven_by(instruments: Iterable[InstrumentRecord], *, on: date, at_s: float) -> tuple[NotProven, ...]:
    """What a run leaves open because of that, as records."""
    return tuple(NotProven(text=text, next_action=NEXT_ACTION, at_s=at_s) for text in uncalibrated(instruments, on=on))


def why_not_signed_off(started: RunStarted | None, instruments: Iterable[InstrumentRecord]) -> str:
    """Why this run cannot sign a board off by its instruments; '' when it can, or is no sign-off."""
    if started is None or started.use != SIGN_OFF:
        return ""
    day = day_of(started.utc)
    if day is None:
        return f"the record does not say on which day the run was ({started.utc!r}), so that no calibration is shown"
    used = tuple(instruments)
    problems = uncalibrated(used, on=day) if used else ("the record names no instrument",)
    return f"a sign-off needs calibrated instruments: {'; '.join(problems)}; {NEXT_ACTION}" if problems else ""
