"""Series of readings that stop when certain: error rates by simulation, plans and answers.

The rates are held against a binomial bound of scipy: with that many simulated boards a rate that is kept passes it
in all but one of ten thousand tries, and the seeds are fixed.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.decision import Limit
from benchrig.judge.sequential import (
    Outcome,
    Plan,
    Progress,
    add_reading,
    decide_many,
    fixed_readings,
    level_of_a_look,
    start_series,
)
from tests.judge.noise import autoregressive

if TYPE_CHECKING:
    from collections.abc import Iterable

RATE, BOARDS = 0.01, 3000


def make_limit(low: float | None = None, high: float | None = 0.0, *, rule: str = "simple") -> Limit:
    return Limit("rail", unit="V", low=low, high=high, source="invented for the test", rule=rule)


def make_plan(limit: Limit | None = None, /, **changed: float) -> Plan:
    chosen: dict[str, float] = {"wrong_fail": RATE, "wrong_pass": RATE} | changed
    return Plan(limit=limit or make_limit(), **chosen)  # type: ignore[arg-type]  # most_readings is whole


def most_wrong(boards: int, rate: float) -> int:
    """So many of `boards` go wrong at most, but once in ten thousand times, when the rate is kept."""
    return int(stats.binom.isf(1e-4, boards, rate))


def answer_to(plan: Plan, readings: Iterable[float], *, unit: str = "V") -> Progress:
    """What is known when the series ends, or when the readings do."""
    progress = start_series(plan)
    for reading in readings:
        progress = add_reading(progress, reading, unit=unit)
        if progress.outcome is not Outcome.GO_ON:
            break
    return progress


# ---- error rates


class Case(NamedTuple):
    """Boards whose mean is on a limit, where a wrong verdict is likeliest."""

    up_to: float
    correlation: float
    most_readings: int


CASES = [
    pytest.param(Case(0.0, 0.0, 60), id="white, known to be"),
    pytest.param(Case(0.8, 0.0, 40), id="white"),
    pytest.param(Case(0.8, 0.4, 40), id="correlation 0.4"),
    pytest.param(Case(0.8, 0.8, 40), id="correlation 0.8"),
    pytest.param(Case(0.8, 0.8, 12), id="correlation 0.8, few readings"),
    pytest.param(Case(0.5, 0.5, 40), id="correlation 0.5 of at most 0.5"),
    pytest.param(Case(0.8, -0.5, 40), id="correlation below 0"),
]


@pytest.mark.parametrize("case", CASES)
def test_error_rates_hold_on_the_limit(case: Case) -> None:
    """A mean on the limit passes and fails at the stated rates at most, whatever the noise."""
    plan = make_plan(correlation_up_to=case.up_to, most_readings=case.most_readings)
    noise = autoregressive(
        np.random.default_rng(23), boards=BOARDS, readings=case.most_readings, correlation=case.correlation
    )

    found = decide_many(0.02 * noise, plan=plan)

    assert int(found.passed.sum()) <= most_wrong(BOARDS, RATE)
    assert int(found.failed.sum()) <= most_wrong(BOARDS, RATE)


@pytest.mark.parametrize("correlation", [0.0, 0.8])
@pytest.mark.parametrize("half_width", [0.25, 1.0], ids=["a quarter of the noise", "one of the noise"])
@pytest.mark.parametrize("at", [-1.0, 0.0, 1.0], ids=["on low", "in the middle", "on high"])
def test_error_rates_hold_between_two_close_limits(half_width: float, correlation: float, at: float) -> None:
    """With a tolerance no wider than the noise, failing beyond either side together keeps the rate."""
    plan = make_plan(make_limit(-half_width, half_width), most_readings=30)
    noise = autoregressive(np.random.default_rng(29), boards=1000, readings=30, correlation=correlation)

    found = decide_many(at * half_width + noise, plan=plan)

    assert int(found.failed.sum()) <= most_wrong(1000, RATE)
    if at:
        assert int(found.passed.sum()) <= most_wrong(1000, RATE)


@pytest.mark.parametrize("scatter", [0.0, 0.2, 0.5])
@pytest.mark.parametrize("mean", [3.30, 3.3024, 3.3049])
def test_error_rates_hold_on_a_coarse_display(scatter: float, mean: float) -> None:
    """A display of 10 mV steps that hides most of the noise passes and fails nothing that is on the limit."""
    step = 0.01
    plan = make_plan(make_limit(high=mean), most_readings=40, resolution=step)
    noise = autoregressive(np.random.default_rng(31), boards=1000, readings=40, correlation=0.0)

    found = decide_many(step * np.round((mean + scatter * step * noise) / step), plan=plan)

    assert int(found.passed.sum()) <= most_wrong(1000, RATE)
    assert int(found.failed.sum()) <= most_wrong(1000, RATE)


def test_guarded_rule_moves_the_borders() -> None:
    """With U = 0.5 the borders of pass and fail are half a unit off the limit, and there the rates hold."""
    plan = make_plan(make_limit(rule="guarded"), expanded_uncertainty=0.5, correlation_up_to=0.0)
    noise = autoregressive(np.random.default_rng(37), boards=BOARDS, readings=60, correlation=0.0)

    passes, fails = (decide_many(at + noise, plan=plan) for at in (-0.5, 0.5))

    assert int(passes.passed.sum()) <= most_wrong(BOARDS, RATE)
    assert int(fails.failed.sum()) <= most_wrong(BOARDS, RATE)
    assert int(passes.failed.sum()) == int(fails.passed.sum()) == 0


def test_rate_is_used_and_not_wasted() -> None:
    """White noise known to be white uses more than half of the rate that is allowed: the level is no wild guess."""
    noise = autoregressive(np.random.default_rng(41), boards=40_000, readings=60, correlation=0.0)

    found = decide_many(noise, plan=make_plan(correlation_up_to=0.0))

    assert found.passed.mean() > 0.5 * RATE


# ---- fewer readings


@pytest.mark.parametrize(
    ("margin", "up_to", "most_mean"),
    # the known-sigma, uncorrelated fixed series needs 22 readings at a margin of 1, 6 at 2, 3 at 3 (by its formula)
    [(1.0, 0.0, 22), (2.0, 0.0, 22), (10.0, 0.8, 22), (3.0, 0.8, 22)],
)
def test_series_is_shorter_than_a_fixed_one(margin: float, up_to: float, most_mean: float) -> None:
    """Boards inside by their margin pass, all but the rate of them, with fewer readings than a fixed series at 1."""
    noise = autoregressive(np.random.default_rng(43), boards=2000, readings=60, correlation=0.0)

    found = decide_many(noise - margin, plan=make_plan(correlation_up_to=up_to))

    assert found.counts.mean() < most_mean
    assert found.passed.mean() > 1 - RATE
    assert int(found.failed.sum()) <= most_wrong(2000, RATE)


def test_bad_boards_fail() -> None:
    """A mean two standard deviations outside fails, on either side."""
    noise = autoregressive(np.random.default_rng(47), boards=500, readings=60, correlation=0.3)
    plan = make_plan(make_limit(-10.0, 10.0))

    for side in (-12.0, 12.0):
        found = decide_many(side + noise, plan=plan)
        assert found.failed.mean() > 0.98
        assert not found.passed.any()


@pytest.mark.parametrize(
    ("margin", "readings"),
    [pytest.param(1.0, 39, id="one"), pytest.param(3.0, 5, id="three")],
)
def test_fixed_readings_of_known_noise(margin: float, readings: int) -> None:
    """At 0.1 % either way a margin of 1 sigma needs 39 readings and 3 sigma 5 (recomputed: ((2 · 3.0902)/d)²)."""
    assert fixed_readings(margin, wrong_fail=0.001, wrong_pass=0.001) == readings
    assert readings == math.ceil((2 * stats.norm.isf(0.001) / margin) ** 2)


# ---- one series


def test_one_series_is_decided_as_many_are() -> None:
    """Reading by reading a board gets the verdict, after as many readings, that it gets among others."""
    readings = autoregressive(np.random.default_rng(53), boards=40, readings=25, correlation=0.3)
    readings += np.linspace(-4, 4, 40)[:, np.newaxis]
    plan = make_plan(make_limit(-2.5, 2.5), most_readings=25)

    many = decide_many(readings, plan=plan)

    for row, values in enumerate(readings):
        one = answer_to(plan, values.tolist())
        expected = Outcome.PASS if many.passed[row] else Outcome.FAIL if many.failed[row] else Outcome.UNDECIDED
        assert (one.outcome, one.count) == (expected, many.counts[row])
    assert many.passed.any()
    assert many.failed.any()
    assert not (many.passed | many.failed).all()


def test_every_reading_has_its_answer() -> None:
    """After each reading the answer says how it stands, and at the bound what is not certain is undecided."""
    plan = make_plan(most_readings=6)
    progress = start_series(plan)
    outcomes = []
    for reading in (0.3, -0.2, 0.1, -0.4, 0.2, 0.05):
        progress = add_reading(progress, reading, unit="V")
        outcomes.append(progress.outcome)

    assert outcomes == [Outcome.GO_ON] * 5 + [Outcome.UNDECIDED]
    assert progress.mean == pytest.approx(0.0, abs=0.2)
    assert "all the readings of the plan: allow more, or use an instrument with less noise" in progress.why


def test_answer_names_what_is_known() -> None:
    """A pass comes with mean, uncertainty, correlation and the chance that it is wrong, below the level."""
    progress = answer_to(make_plan(make_limit(3.2, 3.4)), [3301.0, 3299.5, 3300.5, 3300.0, 3299.0], unit="mV")

    assert progress.outcome is Outcome.PASS
    assert progress.mean == pytest.approx(3.3, abs=1e-3)
    assert progress.wrong_pass_chance is not None
    assert progress.wrong_pass_chance <= progress.plan.pass_level
    assert progress.effective_count is not None
    assert 0.0 < progress.effective_count <= progress.count
    assert re.search(
        r"mean 3\.300\d* V, standard uncertainty .* after \d readings \(correlation 0\.\d\d\)", progress.why
    )


def test_equal_readings_prove_nothing_without_a_resolution() -> None:
    """Readings that are all equal go on, and end undecided, until the step of the display is known."""
    blind = answer_to(make_plan(make_limit(3.2, 3.4), most_readings=5), [3.3] * 5)
    told = answer_to(make_plan(make_limit(3.2, 3.4), most_readings=5, resolution=0.001), [3.3] * 5)

    assert blind.outcome is Outcome.UNDECIDED
    assert "give the resolution of the instrument" in blind.why
    assert told.outcome is Outcome.PASS


def test_correlated_readings_take_longer() -> None:
    """Readings that are alike say less: the same mean and scatter take more of them until they are certain."""
    plan = make_plan()
    counts = []
    for correlation in (0.0, 0.6):
        noise = autoregressive(np.random.default_rng(59), boards=400, readings=60, correlation=correlation)
        counts.append(decide_many(noise - 2.0, plan=plan).counts.mean())

    assert counts[1] > 1.3 * counts[0]


@pytest.mark.parametrize("reading", [math.nan, math.inf, -math.inf, 1e200])
def test_reading_that_is_no_number_is_refused(reading: float) -> None:
    """NaN, infinity and the absurd are refused by their place; the series is left as it was."""
    progress = answer_to(make_plan(), [1.0, -1.0])

    with pytest.raises(ValueError, match=r"reading 3 is .*, no finite number of a bench; take it again"):
        add_reading(progress, reading, unit="V")


@pytest.mark.parametrize(
    ("unit", "text"), [("A", "'A' cannot be held against limit 'rail' in 'V'"), ("volt", "unknown unit")]
)
def test_reading_of_another_unit_is_refused(unit: str, text: str) -> None:
    """Amperes are not held against volts."""
    with pytest.raises(ValueError, match=text):
        add_reading(start_series(make_plan()), 1.0, unit=unit)


def test_series_that_has_ended_takes_no_more() -> None:
    """A verdict is not measured away."""
    progress = answer_to(make_plan(), [-100.0, -100.5, -99.5, -100.2, -100.1, -99.7, -99.9, -100.3])

    assert progress.outcome is Outcome.PASS
    with pytest.raises(ValueError, match="the series ended with 'pass' after"):
        add_reading(progress, 5.0, unit="V")


# ---- plans


BAD_PLANS = [
    pytest.param({"wrong_pass": 0.0}, "wrong_pass is 0.0; accepted: from 1e-09 to 0.01", id="no error"),
    pytest.param({"wrong_fail": 0.05}, "wrong_fail is 0.05; accepted: from 1e-09 to 0.01", id="too much error"),
    pytest.param({"wrong_fail": math.nan}, "wrong_fail is nan; accepted", id="NaN"),
    pytest.param({"most_readings": 2}, "most_readings is 2; accepted: from 3 to 10000", id="too few"),
    pytest.param({"most_readings": 20_000}, "most_readings is 20000; accepted: from 3 to 10000", id="too many"),
    pytest.param({"correlation_up_to": 0.9}, "wait longer between readings that are more alike", id="correlated"),
    pytest.param({"correlation_up_to": -0.1}, "correlation_up_to is -0.1; accepted: from 0 to 0.8", id="negative"),
    pytest.param({"resolution": -1.0}, "the resolution is -1.0; accepted: a finite number from 0 up", id="resolution"),
    pytest.param({"expanded_uncertainty": math.nan}, "accepted: a finite number from 0 up", id="U NaN"),
]


@pytest.mark.parametrize(("changed", "text"), BAD_PLANS)
def test_plan_refuses_what_it_cannot_keep(changed: dict[str, float], text: str) -> None:
    """A plan whose rates cannot be kept is refused with what is accepted."""
    with pytest.raises(ValueError, match=re.escape(text)):
        make_plan(**changed)


@pytest.mark.parametrize(
    ("rule", "uncertainty", "resolution"), [("guarded", 0.06, 0.0), ("simple", 0.0, 0.1), ("risk 2 %", 0.1, 0.0)]
)
def test_plan_refuses_a_limit_that_nothing_passes(rule: str, uncertainty: float, resolution: float) -> None:
    """No number of readings helps when the guard band, or a step of the display, takes the whole tolerance."""
    with pytest.raises(ValueError, match=r"no mean can pass.*3\.2 V to 3\.3 V; use an instrument or range"):
        make_plan(make_limit(3.2, 3.3, rule=rule), expanded_uncertainty=uncertainty, resolution=resolution)


@settings(deadline=None)
@given(rate=st.floats(1e-9, 0.01), most=st.integers(3, 10_000), more=st.integers(3, 10_000))
def test_level_is_between_one_look_and_all(rate: float, most: int, more: int) -> None:
    """A look has at least its even share of the rate and never more than all; more readings leave less for each."""
    few, many = sorted((most, more))
    levels = [level_of_a_look(rate, most_readings=count) for count in (few, many)]

    for count, level in zip((few, many), levels, strict=True):
        assert rate / (count - 2) * (1 - 1e-12) <= level <= rate * (1 + 1e-12)
    assert levels[1] <= levels[0] * (1 + 1e-9)


@pytest.mark.parametrize("margin", [0.0, -1.0, math.nan, math.inf])
def test_fixed_readings_refuse_a_margin_that_is_none(margin: float) -> None:
    """Without a margin no number of readings tells good from bad."""
    with pytest.raises(ValueError, match="accepted: finite and above 0"):
        fixed_readings(margin, wrong_fail=0.001, wrong_pass=0.001)


@pytest.mark.parametrize(
    ("readings", "text"),
    [
        (np.zeros((3, 5)), "readings have the shape (3, 5); accepted: boards by 60 readings"),
        (np.zeros(60), "readings have the shape (60,); accepted"),
        (np.full((1, 60), math.nan), "a reading is no finite number of a bench"),
    ],
    ids=["short", "flat", "NaN"],
)
def test_many_refuse_another_shape(readings: np.ndarray[tuple[int, ...], np.dtype[np.float64]], text: str) -> None:
    """Each board brings the most readings of the plan, all of them numbers."""
    with pytest.raises(ValueError, match=re.escape(text)):
        decide_many(readings, plan=make_plan())


def test_no_boards_are_decided_at_once() -> None:
    """Nothing to decide is no error."""
    assert decide_many(np.empty((0, 60)), plan=make_plan()).counts.shape == (0,)
