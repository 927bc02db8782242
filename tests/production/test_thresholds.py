"""A threshold that its search does not reach: known on one side alone, and judged only where that is enough."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.board.thresholds_table import ThresholdsPlan
from benchrig.judge.bisection import Search, SearchPlan, Trial
from benchrig.judge.decision import Limit
from benchrig.production.thresholds import check_thresholds, judge_search
from benchrig.records import Annex, FactJudged, Verdict

from .fake_bench import PROFILE, Table

PLAN = SearchPlan(low_v=2.3, high_v=3.2)


def searched(*, holds: bool) -> Search:
    """A search of a board that holds everywhere, or nowhere."""
    search = Search(PLAN)
    while (asked := search.next()) is not None:
        search = search.after(Trial(asked=asked, volts=asked.volts, standard_uncertainty_v=1e-4, holds=holds))
    return search


@pytest.mark.parametrize(
    ("holds", "low", "high", "verdict"),
    [
        pytest.param(True, None, 2.8, Verdict.PASS, id="at or below 2.3 V, and any is good enough below 2.8 V"),
        pytest.param(True, 2.5, 2.8, Verdict.FAIL, id="at or below 2.3 V, and 2.5 V is the least"),
        pytest.param(True, 2.0, 2.8, Verdict.UNDECIDED, id="at or below 2.3 V, and 2.0 V is the least"),
        pytest.param(False, 2.5, None, Verdict.PASS, id="above 3.2 V, and any is good enough above 2.5 V"),
        pytest.param(False, None, 3.1, Verdict.FAIL, id="above 3.2 V, and 3.1 V is the most"),
        pytest.param(False, None, 3.5, Verdict.UNDECIDED, id="above 3.2 V, and 3.5 V is the most"),
    ],
)
def test_threshold_beyond_its_search(holds: bool, low: float | None, high: float | None, verdict: Verdict) -> None:
    """Passed or failed where every value on that side would be; else undecided, with the end of the search named."""
    table = Table("thresholds")
    table.measure.limits = {"reset": Limit("reset", unit="V", low=low, high=high, source="test", rule="guarded")}

    judge_search(table.measure, "reset", searched(holds=holds))

    (judged,) = table.measure.judged
    assert judged.verdict is verdict
    name = judged.why if isinstance(judged, FactJudged) else judged.limit
    assert ("at or below 2.300 V" if holds else "above 3.200 V") in name


def test_contradictory_board_is_undecided_and_its_trials_are_shown() -> None:
    """No value is made of trials that no threshold explains; the report has every one of them."""
    table, search = Table("thresholds"), Search(PLAN)
    while (asked := search.next()) is not None:
        search = search.after(Trial(asked=asked, volts=asked.volts, holds=asked.volts < 2.5))

    judge_search(table.measure, "reset", search)

    assert table.verdict("reset") is Verdict.UNDECIDED
    (annex,) = [record for record in table.records if isinstance(record, Annex)]
    assert len(annex.lines) == len(search.trials)


def test_profile_without_the_table_says_that_it_is_not_planned() -> None:
    """A required check without a plan never passes."""
    assert isinstance(PROFILE.thresholds, ThresholdsPlan)
    table = Table("thresholds")
    run = table.run()
    run.plan.profile = replace(PROFILE, thresholds=None)

    ended = table.do(check_thresholds, run)

    assert ended.verdict is Verdict.UNDECIDED
    assert "it has no table thresholds" in ended.why
