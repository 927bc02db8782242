"""Whether calibrations cover the day of a run: days in, sentences out."""

from __future__ import annotations

from datetime import date

import pytest

from benchrig.calibration import calibration_problems, day_of

RUN = date(2027, 3, 2)


@pytest.mark.parametrize(
    ("due", "says"),
    [
        pytest.param(date(2027, 3, 2), "", id="on its last day"),
        pytest.param(date(2028, 3, 2), "", id="a year to go"),
        pytest.param(date(2027, 3, 1), "was due on 2027-03-01, 1 day before this run of 2027-03-02", id="a day late"),
        pytest.param(date(2026, 3, 2), "was due on 2026-03-02, 365 days before this run", id="a year late"),
        pytest.param(None, "nothing says until when its calibration holds (calibration_due)", id="no day at all"),
    ],
)
def test_calibration_holds_through_its_last_day(due: date | None, says: str) -> None:
    """An instrument is told from the day after its calibration was due, and where nobody says that day."""
    told = calibration_problems({"meter beside": due}, on=RUN)

    assert len(told) == bool(says)
    assert all(one.startswith("meter beside: ") and says in one for one in told)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        pytest.param("2027-03-01", date(2027, 3, 1), id="a date"),
        pytest.param("2027-03-01T23:59:59+00:00", date(2027, 3, 1), id="a time"),
        pytest.param("", None, id="nothing"),
        pytest.param("next spring", None, id="words"),
    ],
)
def test_day_of_a_record(text: str, day: date | None) -> None:
    """A record's text is a day, or none; never a guess."""
    assert day_of(text) == day
