"""Whether the calibrations of a run's instruments cover the day of the run. Dates in, sentences out.

Owns that rule: a calibration holds through the day on which it is due, and one without such a day holds for none that
anybody could show. Must not know today's date, nor what follows: that is the use's business.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

NEXT_ACTION = "have it calibrated and put the days of its certificate into the bench file, or use another instrument"


def calibration_problems(dues: Mapping[str, date | None], *, on: date) -> tuple[str, ...]:
    """One sentence for each instrument whose calibration does not cover the day `on`, by what messages call it."""
    return tuple(problem for name, due in dues.items() if (problem := _problem(name, due, on)))


def _problem(name: str, due: date | None, on: date) -> str:
    if due is None:
        return f"{name}: nothing says until when its calibration holds (calibration_due), so that none of it is proven"
    if on > due:
        days = (on - due).days
        late = "1 day" if days == 1 else f"{days} days"
        return f"{name}: its calibration was due on {due}, {late} before this run of {on}: no reading of it is proven"
    return ""


def day_of(text: str) -> date | None:
    """The day of a text such as '2027-03-01' or '2027-03-01T10:00:00+00:00'; None when it begins with none."""
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None
