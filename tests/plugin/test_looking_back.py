"""Looking back at a run that did not pass: an annex before the end record, and a failure in it costs no verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.production.diagnosis import TITLE
from benchrig.records import Annex, Happening, RunFinished, RunState

if TYPE_CHECKING:
    from pathlib import Path

    from .runs import Finished, Place

PASSED, NOT_PASSED = 0, 10

FAILS = """
@pytest.mark.check("own", needs=[])
def test_own(board_run, measure):
    measure.fact("a fact", expected="so", seen="otherwise", holds=False)
"""

BREAKS = FAILS.replace(
    "    measure.fact(",
    """
    def breaks(run):
        raise ValueError("made to break")
    board_run.before_end = breaks
    measure.fact(""",
)

PASSES = FAILS.replace("holds=False", "holds=True")


def run_of(place: Place, suite: str, addresses: Path) -> Finished:
    """One run of an own check."""
    profile = place.profile(required=["own"])
    options = ("--bench-profile", str(profile), "--bench-simulation", str(addresses))
    return place.run(place.suite(suite), *place.on_bench(*options))


def annexes(place: Place) -> list[Annex]:
    """The annexes of causes in the newest journal."""
    return [record for record in place.records() if isinstance(record, Annex) and record.title == TITLE]


def test_failed_run_has_an_annex_of_causes_before_its_end(place: Place, addresses: Path) -> None:
    """The causes are written before the last record, and the terminal shows them; a cause of no list is called that."""
    found = run_of(place, FAILS, addresses)

    (annex,) = annexes(place)
    assert isinstance(place.records()[-1], RunFinished)
    assert "a cause that is not in this list" in next(line for line in annex.lines if line.startswith("1. "))
    assert not any("nothing is wrong" in line for line in annex.lines)
    assert found.code == NOT_PASSED
    assert TITLE in found.text


def test_failure_in_looking_back_costs_no_verdict(place: Place, addresses: Path) -> None:
    """What breaks in there becomes an event; the run is complete, its verdict and exit code those of the checks."""
    found = run_of(place, BREAKS, addresses)

    end = place.records()[-1]
    (event,) = [one for one in place.records() if isinstance(one, Happening) and one.kind == "looking back failed"]
    assert isinstance(end, RunFinished)
    assert end.state is RunState.COMPLETE
    assert found.code == NOT_PASSED
    assert "made to break" in event.text
    assert annexes(place) == []


def test_run_that_passes_is_not_looked_back_at(place: Place, addresses: Path) -> None:
    """A passed board has no annex of causes."""
    assert run_of(place, PASSES, addresses).code == PASSED
    assert annexes(place) == []
