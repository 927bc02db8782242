"""A bench whose calibrations are over: production says it and goes on, a sign-off does not pass by it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from benchrig.records import NotProven

from .runs import BENCH, BOARD
from .test_outcomes import LIMITS, NOT_PASSED, PASSED, TWO

if TYPE_CHECKING:
    from pathlib import Path

    from .runs import Finished, Place

LATE = "its calibration was due on 2026-03-03"


def run_late(place: Place, addresses: Path, *, use: str, due: str) -> Finished:
    """Run an own suite of two checks that pass, for a use, on a bench that was due on a day."""
    suite = place.suite(TWO.format(level=3.0))
    suite.write_text(suite.read_text(encoding="utf-8").replace("board_use('production')", f"board_use('{use}')"))
    profile = place.profile(required=["blink", "hum"], limits=LIMITS)
    text = re.sub(r"signoff = \[[^]]*\]", 'signoff = ["blink", "hum"]', profile.read_text(encoding="utf-8"), count=1)
    profile.write_text(text, encoding="utf-8")
    old = "calibration_due = 2036-03-01"
    folder = BENCH.parent.parent
    bench = (
        BENCH.read_text(encoding="utf-8")
        .replace(old, f"calibration_due = {due}")
        .replace("../boards", f"{folder}/boards")
    )
    path = place.write("late.toml", bench)
    options = ("--bench-profile", str(profile), "--bench-simulation", str(addresses))
    return place.run(suite, *place.on_bench(*options, bench=path))


def open_sentences(place: Place) -> list[str]:
    """What the journal carries as not proven."""
    return [record.text for record in place.records() if isinstance(record, NotProven)]


def test_production_says_that_a_calibration_is_over(place: Place, addresses: Path) -> None:
    """The board passes, and the header, the table and the journal say of each instrument that nothing is proven."""
    found = run_late(place, addresses, use="production", due="2026-03-03")

    told = " ".join(found.out.split())
    assert found.code == PASSED, found.text
    assert [text for text in open_sentences(place) if LATE in text]
    assert f"meter meter: {LATE}" in told.partition("test_own.py")[0]
    assert f"meter meter (serial SIM-DM-0001): {LATE}" in told
    assert "not proven by this run" in told


@pytest.mark.parametrize(
    ("due", "code"), [pytest.param("2026-03-03", NOT_PASSED, id="over"), pytest.param("2036-03-01", PASSED, id="holds")]
)
def test_sign_off_needs_calibrations_that_hold(place: Place, addresses: Path, due: str, code: int) -> None:
    """With every check passed, the calibrations alone decide whether a board is signed off."""
    found = run_late(place, addresses, use="signoff", due=due)

    told = " ".join(found.out.split())
    assert found.code == code, found.text
    assert ("NOT PASSED (undecided): a sign-off needs calibrated instruments" in told) is (code == NOT_PASSED)
    assert (LATE in told) is (code == NOT_PASSED)
    assert place.report(BOARD).is_a_pass is (code == PASSED)
