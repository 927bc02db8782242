"""The order of a gauge study: whole, balanced, random, and the same for the same seed for ever."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.statistics.study_order import Step, study_plan

PARTS = [f"HB-{number:04d}" for number in range(1, 11)]
APPRAISERS = ["Ash", "Birch", "Cedar"]


@given(seed=st.integers(0, 2**32), parts=st.integers(5, 12), appraisers=st.integers(2, 4), trials=st.integers(2, 4))
def test_every_reading_is_asked_for_once(seed: int, parts: int, appraisers: int, trials: int) -> None:
    """Every part by every appraiser as often as there are trials, numbered from 1, and each trial before the next."""
    names = [f"p{number}" for number in range(parts)], [f"a{number}" for number in range(appraisers)]

    plan = study_plan(names[0], appraisers=names[1], trials=trials, seed=seed)

    assert [step.number for step in plan] == list(range(1, parts * appraisers * trials + 1))
    assert set(Counter((step.part, step.appraiser, step.trial) for step in plan).values()) == {1}
    assert len(plan) == parts * appraisers * trials
    assert [step.trial for step in plan] == sorted(step.trial for step in plan)


def test_same_seed_is_the_same_plan_for_ever() -> None:
    """The first steps of one seed, written down; the order in which names are given is of no account."""
    plan = study_plan(PARTS, appraisers=APPRAISERS, trials=3, seed=2026)

    assert plan == study_plan(PARTS[::-1], appraisers=APPRAISERS[::-1], trials=3, seed=2026)
    assert plan[:3] == (
        Step(1, "HB-0002", "Ash", 1),
        Step(2, "HB-0003", "Ash", 1),
        Step(3, "HB-0007", "Ash", 1),
    )


def test_every_place_is_taken_by_every_part() -> None:
    """Over 2000 seeds each part stands first about equally often (chi-square, one in a hundred thousand)."""
    firsts = Counter(study_plan(PARTS, appraisers=APPRAISERS, trials=2, seed=seed)[0].part for seed in range(2000))

    chi_square = sum((firsts[part] - 200) ** 2 / 200 for part in PARTS)

    assert chi_square < 39.3  # upper 1e-5 quantile of chi-square with 9 degrees of freedom, scipy


def test_two_appraisers_do_not_follow_one_order() -> None:
    """Within a trial the order of parts is drawn anew for each appraiser."""
    plan = study_plan(PARTS, appraisers=APPRAISERS, trials=2, seed=5)

    orders = {tuple(step.part for step in plan[start : start + 10]) for start in range(0, 60, 10)}

    assert len(orders) == 6


def test_plan_that_tells_nothing_is_refused() -> None:
    """Too few names, a name twice and too few trials are named."""
    with pytest.raises(ValueError, match="4 parts; needed are 5 or more: name 1 more"):
        study_plan(PARTS[:4], appraisers=APPRAISERS, trials=3, seed=1)
    with pytest.raises(ValueError, match="appraisers: 'Ash' is named twice; give each name once"):
        study_plan(PARTS, appraisers=["Ash", "Ash"], trials=3, seed=1)
    with pytest.raises(ValueError, match="trials are 1; accepted: from 2 to 25"):
        study_plan(PARTS, appraisers=APPRAISERS, trials=1, seed=1)
