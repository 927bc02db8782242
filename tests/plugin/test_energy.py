"""Energy and life in a whole run: what its journal alone gives once more, and a run that did not measure them."""

from __future__ import annotations

import io
from contextlib import redirect_stdout
from typing import TYPE_CHECKING

from benchrig.cli import main
from benchrig.records import Annex, FactJudged, LimitJudged, Verdict

from .runs import PRODUCTION, PROFILE

if TYPE_CHECKING:
    from .production_runs import ProductionRuns
    from .runs import Place


def test_journal_alone_gives_the_same_life(production_runs: ProductionRuns) -> None:
    """A healthy board's run prints energy, life and sun; `benchrig energy` makes the same lines of its journal."""
    run = production_runs.of("")
    place, found = run.place, run.found

    again = io.StringIO()
    with redirect_stdout(again):
        assert main(["energy", str(PROFILE), "--journal", str(place.journals()[-1])]) == 0
    annexes = {one.title: one.lines for one in place.records() if isinstance(one, Annex) and one.check == "energy"}
    assert found.code == 0, found.text
    assert set(annexes) == {"energy and life", "solar autonomy"}
    assert tuple(again.getvalue().splitlines()) == annexes["energy and life"]
    assert "energy and life\n  what draws" in found.out
    assert "solar autonomy\n  sun from 2025-01-01" in found.out
    life = next(one for one in place.records() if isinstance(one, LimitJudged) and one.limit == "life")
    assert (life.unit, life.verdict) == ("d", Verdict.PASS)
    assert place.report().is_a_pass


def test_run_without_the_checks_before_decides_no_life(place: Place) -> None:
    """What nobody measured is undecided, with the checks that should have measured it, and the board is not passed."""
    chosen = "first_touch or identity_start or energy or output_off"

    found = place.run(PRODUCTION, *place.on_bench("--bench-scale", "16", "-k", chosen))

    judged = {one.fact: one for one in place.records() if isinstance(one, FactJudged) and one.check == "energy"}
    assert found.code == 10, found.text
    assert set(judged) == {"average_current", "life"}
    assert {one.verdict for one in judged.values()} == {Verdict.UNDECIDED}
    assert "floor_current: not run; transmit: not run" in judged["life"].why
