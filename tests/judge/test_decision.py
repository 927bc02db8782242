"""Limits and the one comparator. Rules after ILAC-G8:09/2019, 4.2 (seen as quoted by laboratories, not the text)."""

from __future__ import annotations

import math
import re
import timeit

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.errors import ConfigError
from benchrig.judge.decision import RULES, Limit, judge
from benchrig.records import Verdict

PASS, FAIL, UNDECIDED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED

numbers = st.floats(allow_nan=False, allow_infinity=False)
anything = st.floats() | st.none() | st.text() | st.booleans()
not_finite = st.sampled_from([math.nan, math.inf, -math.inf, None, "", "3.3", True, 10**400])
uncertainties = st.floats(min_value=0.0, allow_nan=False, allow_infinity=False)
# numbers that meet each other and the limits often
near = st.integers(min_value=-40, max_value=40).map(lambda n: n / 8)
widths = st.integers(min_value=0, max_value=40).map(lambda n: n / 8)


def make_limit(low: float | None = 3.2, high: float | None = 3.3, *, rule: str = "guarded", unit: str = "V") -> Limit:
    return Limit("rail", unit=unit, low=low, high=high, source="invented for the test", rule=rule)


def verdict_of(value: float | None, uncertainty: float, limit: Limit) -> Verdict:
    return judge(value, unit=limit.unit, expanded_uncertainty=uncertainty, limit=limit).verdict


@st.composite
def limits(draw: st.DrawFn, rules: tuple[str, ...] = RULES) -> Limit:
    low, high = draw(st.none() | near), draw(st.none() | near)
    if low is None and high is None:
        low = draw(near)
    if low is not None and high is not None:
        low, high = min(low, high), max(low, high)
    return make_limit(low, high, rule=draw(st.sampled_from(rules)))


# Hand sums with numbers that are exact in binary: limit 3.0 .. 4.0, U = 0.25.
CASES = [
    pytest.param(3.5, "simple", PASS, id="inside"),
    pytest.param(4.0, "simple", PASS, id="equal to high is inside"),
    pytest.param(3.0, "simple", PASS, id="equal to low is inside"),
    pytest.param(math.nextafter(4.0, 5.0), "simple", FAIL, id="one float above high"),
    pytest.param(math.nextafter(3.0, 2.0), "simple", FAIL, id="one float below low"),
    pytest.param(3.75, "guarded", PASS, id="equal to high less U is accepted"),
    pytest.param(3.25, "guarded", PASS, id="equal to low plus U is accepted"),
    pytest.param(math.nextafter(3.75, 4.0), "guarded", UNDECIDED, id="one float into the upper guard band"),
    pytest.param(math.nextafter(3.25, 3.0), "guarded", UNDECIDED, id="one float into the lower guard band"),
    pytest.param(4.0, "guarded", UNDECIDED, id="at high"),
    pytest.param(4.25, "guarded", UNDECIDED, id="beyond high by exactly U"),
    pytest.param(2.75, "guarded", UNDECIDED, id="beyond low by exactly U"),
    pytest.param(math.nextafter(4.25, 5.0), "guarded", FAIL, id="beyond high by more than U"),
    pytest.param(math.nextafter(2.75, 2.0), "guarded", FAIL, id="beyond low by more than U"),
]


@pytest.mark.parametrize(("value", "rule", "expected"), CASES)
def test_judge_matches_the_hand_sum(value: float, rule: str, expected: Verdict) -> None:
    """Every zone and every border of a rule gives the verdict of the hand sum."""
    assert verdict_of(value, 0.25, make_limit(3.0, 4.0, rule=rule)) is expected


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None, "", "3.25", True, False, 10**400, 3 + 0j])
def test_judge_of_no_finite_number_is_undecided(value: float | None, rule: str) -> None:
    """What is no finite number is undecided, says so, and leaves no number behind."""
    judgement = judge(value, unit="V", expanded_uncertainty=0.01, limit=make_limit(rule=rule))

    assert (judgement.verdict, judgement.value, judgement.margin) == (UNDECIDED, None, None)
    assert "no finite number" in judgement.why


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("uncertainty", [math.nan, math.inf, -math.inf, -1e-9, None])
def test_judge_with_unusable_uncertainty_is_undecided(uncertainty: float, rule: str) -> None:
    """An uncertainty that is below 0 or no finite number decides nothing, under every rule."""
    judgement = judge(3.25, unit="V", expanded_uncertainty=uncertainty, limit=make_limit(rule=rule))

    assert (judgement.verdict, judgement.expanded_uncertainty) == (UNDECIDED, None)
    assert "uncertainty" in judgement.why


def test_judge_takes_numpy_numbers() -> None:
    """A numpy number is a number, and becomes a plain float that a record can hold."""
    judgement = judge(np.float64(3.25), unit="V", expanded_uncertainty=np.float64(0.0), limit=make_limit())

    assert judgement.verdict is PASS
    assert type(judgement.value) is float
    assert type(judgement.expanded_uncertainty) is float


@pytest.mark.parametrize("unit", ["A", "ohm", "1", "ppm"])
def test_judge_refuses_another_unit(unit: str) -> None:
    """Holding amperes against volts is a programming error and raises."""
    with pytest.raises(ValueError, match=re.escape(f"'{unit}' cannot be held against limit 'rail' in 'V'")):
        judge(3.25, unit=unit, expanded_uncertainty=0.0, limit=make_limit())


def test_judge_refuses_an_unknown_unit() -> None:
    """A misspelt unit raises even when the value is no number."""
    with pytest.raises(ValueError, match="unknown unit 'volt'"):
        judge(None, unit="volt", expanded_uncertainty=0.0, limit=make_limit())


@pytest.mark.parametrize(
    ("value", "unit", "uncertainty"),
    [(3300, "mV", 0.0), (3.3e6, "uV", 0.0), (3.3, "V", 0.0), (0.0033, "kV", 0.0)],
    ids=["millivolt", "microvolt", "volt", "kilovolt"],
)
def test_judge_compares_in_the_base_unit(value: float, unit: str, uncertainty: float) -> None:
    """3300 mV is exactly 3.3 V: equal to the limit in whatever prefix both were written."""
    limit = make_limit(3200, 3300, unit="mV", rule="simple")
    judgement = judge(value, unit=unit, expanded_uncertainty=uncertainty, limit=limit)

    assert (limit.unit, limit.low, limit.high) == ("V", 3.2, 3.3)
    assert (judgement.verdict, judgement.value) == (PASS, 3.3)


def test_judge_converts_the_uncertainty_with_the_value() -> None:
    """The uncertainty is in the unit of the value: 20 mV of it are a guard band of 0.02 V."""
    judgement = judge(3290, unit="mV", expanded_uncertainty=20, limit=make_limit())

    assert judgement.guard_band == 0.02
    assert judgement.verdict is UNDECIDED


def test_margin_is_the_distance_to_the_nearer_limit() -> None:
    """The margin is positive inside, negative outside, and knows open sides."""
    margins = [
        judge(value, unit="V", expanded_uncertainty=0.0, limit=make_limit(low, high)).margin
        for value, low, high in [
            (3.5, 3.0, 3.75),
            (4.0, 3.0, 3.75),
            (2.0, 3.0, 3.75),
            (2.0, None, 3.0),
            (2.0, 1.5, None),
        ]
    ]

    assert margins == [0.25, -0.25, -1.0, 1.0, 0.5]


def test_guarded_rule_bounds_false_acceptance() -> None:
    """At the acceptance limit of w = U a bad value is accepted with 2.28 % (ILAC-G8:09/2019, < 2.5 % as quoted)."""
    limit = make_limit(None, 1.0)
    accepted = max(x / 1000 for x in range(1001) if verdict_of(x / 1000, 0.25, limit) is PASS)

    # k = 2, so one standard uncertainty is U / 2
    assert stats.norm.sf((1.0 - accepted) / 0.125) == pytest.approx(0.0228, abs=1e-4)


# ---- properties


@settings(deadline=None)
@given(limit=limits(), value=not_finite, uncertainty=anything)
def test_nothing_but_a_finite_number_passes(limit: Limit, value: float, uncertainty: float) -> None:
    """NaN, infinity, None, text and booleans never pass, whatever the limit and the uncertainty."""
    assert verdict_of(value, uncertainty, limit) is UNDECIDED


@settings(deadline=None)
@given(limit=limits(), value=anything, uncertainty=anything)
def test_a_pass_is_a_finite_number_inside_the_limit(limit: Limit, value: float, uncertainty: float) -> None:
    """Whatever comes in, a pass means a finite value inside the limit with a finite uncertainty."""
    judgement = judge(value, unit="V", expanded_uncertainty=uncertainty, limit=limit)

    if judgement.verdict is PASS:
        assert type(value) is float
        assert math.isfinite(value)
        assert (
            (-math.inf if limit.low is None else limit.low) <= value <= (math.inf if limit.high is None else limit.high)
        )
        assert math.isfinite(uncertainty)


@settings(deadline=None)
@given(limit=limits(), value=near | numbers, small=widths | uncertainties, more=widths | uncertainties)
def test_widening_uncertainty_never_helps(limit: Limit, value: float, small: float, more: float) -> None:
    """A larger uncertainty turns nothing into a pass, and nothing into a fail that was none."""
    wide = max(small, more)
    before, after = verdict_of(value, min(small, more), limit), verdict_of(value, wide, limit)

    assert after is before or (limit.rule == "guarded" and after is UNDECIDED)


@settings(deadline=None)
@given(limit=limits(), values=st.lists(near | numbers, min_size=2, max_size=2), uncertainty=widths | uncertainties)
def test_verdicts_are_monotone_in_the_value(limit: Limit, values: list[float], uncertainty: float) -> None:
    """Moving away from the middle of a limit never improves the verdict."""
    order = [PASS, UNDECIDED, FAIL]
    low = limit.low if limit.low is not None else -math.inf
    high = limit.high if limit.high is not None else math.inf
    centre = low if high == math.inf else high if low == -math.inf else (low + high) / 2
    one, other = sorted(values)

    ranks = [order.index(verdict_of(value, uncertainty, limit)) for value in (one, other)]

    if one >= centre and high < math.inf:
        assert ranks[0] <= ranks[1]
    if other <= centre and low > -math.inf:
        assert ranks[0] >= ranks[1]
    if (low == -math.inf and other <= high) or (high == math.inf and one >= low):
        assert FAIL not in (order[ranks[0]], order[ranks[1]])


@settings(deadline=None)
@given(limit=limits(), value=near | numbers, uncertainty=widths)
def test_simple_passes_whatever_guarded_passes(limit: Limit, value: float, uncertainty: float) -> None:
    """The guarded rule accepts a part of what simple acceptance accepts, and rejects a part of what it rejects."""
    guarded = verdict_of(value, uncertainty, make_limit(limit.low, limit.high, rule="guarded"))
    simple = verdict_of(value, uncertainty, make_limit(limit.low, limit.high, rule="simple"))

    assert guarded in (simple, UNDECIDED)


# ---- texts


WHY = [
    pytest.param(3.3004, "simple", 0.0, "3.3004 V is above the high limit 3.3000 V", id="hidden by rounding"),
    pytest.param(3.30004, "simple", 0.0, "3.30004 V is above the high limit 3.30000 V", id="hidden by more rounding"),
    pytest.param(3.1, "simple", 0.0, "3.100 V is below the low limit 3.200 V", id="plain"),
    pytest.param(
        math.nextafter(3.3, 4), "simple", 0.0, "3.3000000000000003 V is above the high limit 3.3 V", id="one float"
    ),
    pytest.param(
        3.4, "guarded", 0.01, "3.400 V is above the high limit 3.300 V by more than the guard band", id="guarded"
    ),
    pytest.param(
        3.2995,
        "guarded",
        0.001,
        "3.2995 V is in the guard band of the high limit 3.3000 V: acceptance ends at 3.2990 V",
        id="in the guard band",
    ),
    pytest.param(
        3.25,
        "guarded",
        0.06,
        "the uncertainty of this value asks for a guard band of 60.00 mV, wider than half of the tolerance 3.2 V",
        id="vain",
    ),
    pytest.param(3.25, "guarded", 0.01, "inside the limit, 3.2 V to 3.3 V", id="pass"),
]


@pytest.mark.parametrize(("value", "rule", "uncertainty", "text"), WHY)
def test_why_names_value_and_limit(value: float, rule: str, uncertainty: float, text: str) -> None:
    """The reason names the value, the limit and what decided."""
    judgement = judge(value, unit="V", expanded_uncertainty=uncertainty, limit=make_limit(rule=rule))

    assert judgement.why.startswith(text)


SHARES = [
    pytest.param(0.0123, 0.01, "1.230 % is above the high limit 1.000 %", id="percent"),
    pytest.param(2.0, 0.5, "200.0 % is above the high limit 50.0 %", id="more than the whole"),
    pytest.param(2.0, 1.0, "2.000 is above the high limit 1.000", id="a number of something"),
    pytest.param(1e300, 0.5, "1e+300 is above the high limit 50 %", id="too large for digits"),
]


@pytest.mark.parametrize(("value", "high", "why"), SHARES)
def test_share_is_told_in_percent(value: float, high: float, why: str) -> None:
    """A share with a limit below 1 is told in percent, as a reader of 0.01 would have to guess of what."""
    limit = make_limit(None, high, rule="simple", unit="1")

    assert judge(value, unit="1", expanded_uncertainty=0.0, limit=limit).why == why


@settings(deadline=None)
@given(
    high=st.floats(min_value=-1e12, max_value=1e12),
    step=st.floats(min_value=1e-15, max_value=1e3) | st.just(0.0),
    unit=st.sampled_from(["V", "A", "degC", "1", "s"]),
)
@example(high=2.2250738585e-313, step=0.0, unit="1")
def test_a_violated_limit_never_reads_as_met(high: float, step: float, unit: str) -> None:
    """The value and the limit it violates are never printed with the same digits, however close they are."""
    value = max(high + step, math.nextafter(high, math.inf))
    judgement = judge(
        value, unit=unit, expanded_uncertainty=0.0, limit=make_limit(None, high, rule="simple", unit=unit)
    )

    shown, limit_shown = judgement.why.split(" is above the high limit ")
    assert judgement.verdict is FAIL
    assert shown != limit_shown


@pytest.mark.parametrize(("value", "high"), [(1e308, -1e308), (5e-324, 0.0), (1e-300, 0.0)])
def test_why_survives_extreme_numbers(value: float, high: float) -> None:
    """Numbers at the ends of the float range are judged and explained, not tripped over."""
    judgement = judge(value, unit="V", expanded_uncertainty=0.0, limit=make_limit(None, high, rule="simple"))

    assert judgement.verdict is FAIL
    assert "above the high limit" in judgement.why


# ---- limits


BAD_LIMITS = [
    pytest.param({"low": 2.0, "high": 1.0}, "low 2.0 is above high 1.0", id="crossed"),
    pytest.param({"low": None, "high": None}, "neither low nor high", id="open on both sides"),
    pytest.param({"low": math.nan}, "low is nan, no finite number", id="NaN"),
    pytest.param({"high": math.inf}, "high is inf, no finite number", id="infinite"),
    pytest.param({"high": True}, "high is True, no finite number", id="boolean"),
    pytest.param({"high": 1e308, "unit": "GV"}, "high is 1e\\+308, no finite number", id="infinite in the base unit"),
    pytest.param({"unit": "volt"}, "unknown unit 'volt'; known: V, A", id="unit"),
    pytest.param({"rule": "generous"}, "unknown decision rule 'generous'; known: simple, guarded", id="rule"),
]


@pytest.mark.parametrize(("changed", "text"), BAD_LIMITS)
def test_limit_refuses_nonsense_by_name(changed: dict[str, object], text: str) -> None:
    """A limit that cannot be meant is refused with its name, the value and what is accepted."""
    fields: dict[str, object] = {"low": 1.0, "high": 2.0, "rule": "simple", "unit": "V"} | changed

    with pytest.raises(ConfigError, match=f"limit 'rail': .*{text}"):
        make_limit(**fields)  # type: ignore[arg-type]  # wrong on purpose


def test_limit_names_every_problem_at_once() -> None:
    """All that is wrong with a limit comes in one error, a sentence each."""
    with pytest.raises(ConfigError, match="unknown unit") as caught:
        Limit(" ", unit="x", low=None, high=None, source="", rule="y")

    assert len(caught.value.problems) == 4


def test_limit_equal_sides_are_a_point() -> None:
    """low equal to high is a limit that one value meets."""
    limit = make_limit(2.0, 2.0, rule="simple")

    assert [verdict_of(value, 0.0, limit) for value in (1.9, 2.0, 2.1)] == [FAIL, PASS, FAIL]


def test_judge_is_cheap() -> None:
    """A value inside its limit is judged in less than 10 µs (the project's own budget), best of many rounds."""
    limit = make_limit()

    rounds = timeit.repeat(
        lambda: judge(3.25, unit="V", expanded_uncertainty=1e-3, limit=limit), number=1000, repeat=20
    )

    assert min(rounds) / 1000 < 10e-6


@pytest.mark.parametrize("rule", [*RULES, "risk 2 %"])
@pytest.mark.parametrize("factor", [0.0, -2.0, math.nan, math.inf, -math.inf, 0.49, 20.1, 100.0])
def test_coverage_factor_that_there_cannot_be(rule: str, factor: float) -> None:
    """A k that turns U into nonsense is refused with the limit and what is accepted, whichever rule asks for it."""
    with pytest.raises(ValueError, match=r"coverage factor for limit 'rail' is .*; accepted: 0.5 to 20; give the k by"):
        judge(3.25, unit="V", expanded_uncertainty=0.01, limit=make_limit(rule=rule), coverage_factor=factor)


@pytest.mark.parametrize("factor", [stats.norm.isf(0.25), 1.0, math.sqrt(3.0), stats.t.isf(0.02275, 1.0)])
def test_coverage_factors_that_there_are(factor: float) -> None:
    """Half of all, one standard uncertainty, a rectangle's ends, and one degree of freedom (scipy) are all judged."""
    found = judge(3.25, unit="V", expanded_uncertainty=0.01, limit=make_limit(), coverage_factor=float(factor))

    assert found.verdict is PASS
