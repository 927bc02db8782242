"""Decision rules with a number in their name: a factor of U, or a limited risk. Checked against scipy."""

from __future__ import annotations

import math
import pickle
import re
import timeit

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.errors import ConfigError
from benchrig.judge.decision import RULE_FORMS, RULES, Limit, judge, rule_problem, zones
from benchrig.records import LimitJudged, Verdict, decode_record, encode_record

PASS, FAIL, UNDECIDED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED
ORDER = [PASS, UNDECIDED, FAIL]

rules = st.sampled_from(["simple", "guarded", "guarded 0.83", "guarded 1.5", "risk 2 %", "risk 20 %", "risk 0.01%"])
near = st.integers(min_value=-40, max_value=40).map(lambda n: n / 8)
widths = st.integers(min_value=0, max_value=40).map(lambda n: n / 8)
uncertainties = widths | st.floats(min_value=0.0, allow_nan=False, allow_infinity=False)
not_finite = st.sampled_from([math.nan, math.inf, -math.inf, None, "", "3.3", True, 10**400])


def make_limit(low: float | None, high: float | None, rule: str) -> Limit:
    return Limit("rail", unit="V", low=low, high=high, source="invented for the test", rule=rule)


def verdict_of(value: float | None, uncertainty: float, limit: Limit) -> Verdict:
    return judge(value, unit="V", expanded_uncertainty=uncertainty, limit=limit).verdict


@st.composite
def limits(draw: st.DrawFn) -> Limit:
    low, high = draw(st.none() | near), draw(st.none() | near)
    if low is None and high is None:
        low = draw(near)
    if low is not None and high is not None:
        low, high = min(low, high), max(low, high)
    return make_limit(low, high, draw(rules))


# Hand sums with numbers that are exact in binary: limit 3.0 .. 4.0, U = 0.25, so that w of "guarded 0.5" is 0.125.
CASES = [
    pytest.param(3.875, PASS, id="equal to high less half of U"),
    pytest.param(3.125, PASS, id="equal to low plus half of U"),
    pytest.param(math.nextafter(3.875, 4), UNDECIDED, id="one float into the upper guard band"),
    pytest.param(math.nextafter(3.125, 3), UNDECIDED, id="one float into the lower guard band"),
    pytest.param(4.125, UNDECIDED, id="beyond high by half of U"),
    pytest.param(2.875, UNDECIDED, id="beyond low by half of U"),
    pytest.param(math.nextafter(4.125, 5), FAIL, id="beyond high by more"),
    pytest.param(math.nextafter(2.875, 2), FAIL, id="beyond low by more"),
]


@pytest.mark.parametrize(("value", "expected"), CASES)
def test_factor_rule_matches_the_hand_sum(value: float, expected: Verdict) -> None:
    """ "guarded 0.5" has a guard band of half of U on either side of either limit."""
    assert verdict_of(value, 0.25, make_limit(3.0, 4.0, "guarded 0.5")) is expected


def test_factor_one_is_the_guarded_rule() -> None:
    """ "guarded 1" and "guarded" draw the same borders."""
    one, whole = (zones(make_limit(3.0, 4.0, rule), expanded_uncertainty=0.2) for rule in ("guarded 1", "guarded"))

    assert one == whole


RISKS = [(0.02, "risk 2 %"), (0.05, "risk 5%"), (0.001, "risk 0.1 %"), (0.3, "risk 30 %")]


@pytest.mark.parametrize(("risk", "rule"), RISKS, ids=[rule for _, rule in RISKS])
@pytest.mark.parametrize(("low", "high"), [(3.0, 4.0), (3.0, 3.3), (None, 4.0), (3.0, None)])
def test_risk_rule_is_what_it_says(risk: float, rule: str, low: float | None, high: float | None) -> None:
    """Pass where scipy's chance of being outside is the limit at most, fail where that of being inside is."""
    u, limit = 0.08, make_limit(low, high, rule)
    belief = stats.norm(0.0, u)
    seen = set()
    for step in range(-400, 1401):
        value = 3.0 + step / 1000
        below = 0.0 if low is None else belief.cdf(low - value)
        above = 0.0 if high is None else belief.sf(high - value)
        outside, inside = below + above, 1.0 - below - above
        if min(abs(outside - risk), abs(inside - risk)) < 1e-9:
            continue  # at the border itself rounding decides
        expected = PASS if outside <= risk else FAIL if inside <= risk else UNDECIDED

        assert verdict_of(value, 2 * u, limit) is expected, (value, outside)
        seen.add(expected)

    assert {FAIL, UNDECIDED} <= seen


def test_risk_rule_of_a_hopeless_bench_decides_nothing() -> None:
    """With an uncertainty far wider than the tolerance nothing is accepted, and nothing rejected for that alone."""
    limit = make_limit(3.0, 3.1, "risk 2 %")

    assert {verdict_of(value, 200.0, limit) for value in (3.05, 2.0, 10.0, -100.0, 200.0)} == {UNDECIDED}
    why = judge(3.05, unit="V", expanded_uncertainty=200.0, limit=limit).why
    assert "wider than half of the tolerance 3 V to 3.1 V: no value can pass; see what it is made of" in why
    assert "bench" not in why  # the scatter of a board is part of it, too


@pytest.mark.parametrize("rule", ["guarded 0.83", "risk 2 %"])
@pytest.mark.parametrize("uncertainty", [math.nan, math.inf, -0.1, None])
def test_numbered_rule_without_uncertainty_is_undecided(rule: str, uncertainty: float) -> None:
    """An uncertainty that is none decides nothing, and says so."""
    judgement = judge(3.5, unit="V", expanded_uncertainty=uncertainty, limit=make_limit(3.0, 4.0, rule))

    assert judgement.verdict is UNDECIDED
    assert "no finite number from 0 up" in judgement.why


@pytest.mark.parametrize(
    ("rule", "value", "text"),
    [
        ("guarded 0.5", 3.9, "3.900 V is in the guard band of the high limit 4.000 V: acceptance ends at 3.875 V"),
        ("guarded 0.5", 4.2, "4.200 V is above the high limit 4.000 V by more than the guard band"),
        ("risk 2 %", 2.5, "2.500 V is below the low limit 3.000 V by more than the guard band"),
        ("risk 2 %", 3.5, "inside the limit, 3 V to 4 V"),
    ],
)
def test_why_of_a_numbered_rule(rule: str, value: float, text: str) -> None:
    """The reason names the value, the limit and the border that decided."""
    assert judge(value, unit="V", expanded_uncertainty=0.25, limit=make_limit(3.0, 4.0, rule)).why == text


# ---- names of rules


@pytest.mark.parametrize("rule", [*RULES, "guarded 3", "guarded 0.83", "risk 2 %", "risk 2%", "risk 0.0001 %"])
def test_rule_names_that_are_taken(rule: str) -> None:
    """A rule is a name, or a name with a plain decimal number."""
    assert rule_problem(rule) == ""
    assert make_limit(1.0, 2.0, rule).rule == rule


FACTOR = "accepted: 'guarded R' with R above 0 and up to 3, such as 'guarded 0.83'"
RISK = "accepted: 'risk P %' with P from 0.0001 and below 50, such as 'risk 2 %'"
BAD_RULES = [
    pytest.param("guarded 0", f"the factor of U is 0; {FACTOR}", id="factor zero"),
    pytest.param("guarded 3.01", f"the factor of U is 3.01; {FACTOR}", id="factor too large"),
    pytest.param("guarded -1", f"cannot be read; {FACTOR}", id="factor negative"),
    pytest.param("guarded nan", f"cannot be read; {FACTOR}", id="factor NaN"),
    pytest.param("guarded inf", f"cannot be read; {FACTOR}", id="factor infinite"),
    pytest.param("guarded 1e-3", f"cannot be read; {FACTOR}", id="factor with exponent"),
    pytest.param("guarded 0,83", f"cannot be read; {FACTOR}", id="factor with comma"),
    pytest.param("guarded ", f"cannot be read; {FACTOR}", id="factor missing"),
    pytest.param("risk 2", f"cannot be read; {RISK}", id="risk without percent"),
    pytest.param("risk", f"cannot be read; {RISK}", id="risk missing"),
    pytest.param("risk 0 %", f"the risk is 0; {RISK}", id="risk zero"),
    pytest.param("risk 50 %", f"the risk is 50; {RISK}", id="risk of one half"),
    pytest.param("Guarded", "unknown decision rule 'Guarded'; known: simple, guarded, ", id="capital"),
    pytest.param("", "unknown decision rule ''; known: simple, guarded, ", id="empty"),
]


@pytest.mark.parametrize(("rule", "text"), BAD_RULES)
def test_bad_rule_is_refused_with_the_accepted_form(rule: str, text: str) -> None:
    """A rule that cannot be meant is refused with its name, what is wrong and the form that is accepted."""
    with pytest.raises(ConfigError, match=f"limit 'rail': .*{re.escape(text)}"):
        make_limit(1.0, 2.0, rule)


def test_unknown_rule_lists_every_form() -> None:
    """Whoever misspells a rule is shown all of them."""
    assert all(form in rule_problem("garded") for form in RULE_FORMS)


def test_limit_with_a_numbered_rule_travels() -> None:
    """A limit can be sent to another process and judges there alike."""
    limit = make_limit(3.0, 4.0, "risk 2 %")

    again = pickle.loads(pickle.dumps(limit))

    assert again == limit
    assert zones(again, expanded_uncertainty=0.2) == zones(limit, expanded_uncertainty=0.2)


@pytest.mark.parametrize("uncertainty", [-1.0, math.nan, math.inf])
def test_zones_refuse_an_uncertainty_that_is_none(uncertainty: float) -> None:
    """There are no borders without an uncertainty."""
    with pytest.raises(ValueError, match="accepted: a finite number from 0 up"):
        zones(make_limit(3.0, 4.0, "guarded"), expanded_uncertainty=uncertainty)


# ---- properties of the one comparator, under every rule


@settings(deadline=None)
@given(limit=limits(), value=not_finite, uncertainty=uncertainties)
def test_nothing_but_a_finite_number_is_decided(limit: Limit, value: float, uncertainty: float) -> None:
    """NaN, infinity, None, text and booleans are undecided under every rule."""
    assert verdict_of(value, uncertainty, limit) is UNDECIDED


@settings(deadline=None)
@given(limit=limits(), value=near, small=uncertainties, more=uncertainties)
def test_more_uncertainty_never_decides(limit: Limit, value: float, small: float, more: float) -> None:
    """A larger uncertainty turns nothing into a pass, and nothing into a fail that was none."""
    before, after = (verdict_of(value, u, limit) for u in sorted((small, more)))

    assert after in (before, UNDECIDED)


@settings(deadline=None)
@given(limit=limits(), values=st.tuples(near, near).map(sorted), uncertainty=uncertainties)
def test_moving_outwards_never_improves(limit: Limit, values: list[float], uncertainty: float) -> None:
    """Away from the middle of a limit the verdict gets worse or stays."""
    low = -math.inf if limit.low is None else limit.low
    high = math.inf if limit.high is None else limit.high
    centre = low if high == math.inf else high if low == -math.inf else (low + high) / 2
    inner, outer = (ORDER.index(verdict_of(value, uncertainty, limit)) for value in values)

    if values[0] >= centre and high < math.inf:
        assert inner <= outer
    if values[1] <= centre and low > -math.inf:
        assert inner >= outer


@settings(deadline=None)
@given(limit=limits(), value=near, uncertainty=uncertainties)
def test_a_verdict_is_on_its_side_of_the_limit(limit: Limit, value: float, uncertainty: float) -> None:
    """A pass is inside the limit and a fail outside, whatever the rule; the guard band is a finite width."""
    judgement = judge(value, unit="V", expanded_uncertainty=uncertainty, limit=limit)
    inside = (
        (-math.inf if limit.low is None else limit.low) <= value <= (math.inf if limit.high is None else limit.high)
    )

    assert judgement.verdict is not (FAIL if inside else PASS)
    assert 0.0 <= judgement.guard_band < math.inf


@settings(deadline=None)
@given(limit=limits(), value=near, uncertainty=uncertainties)
def test_a_judgement_survives_the_journal(limit: Limit, value: float, uncertainty: float) -> None:
    """The numbers of every rule are finite, so that a record of them reads back as it was written."""
    found = judge(value, unit="V", expanded_uncertainty=uncertainty, limit=limit)
    record = LimitJudged(
        check="rail", limit=limit.name, value=found.value, unit=limit.unit,
        expanded_uncertainty=found.expanded_uncertainty, coverage_factor=2.0, low=limit.low, high=limit.high,
        rule=limit.rule, guard_band=found.guard_band, verdict=found.verdict, why=found.why,
        limit_source=limit.source, at_s=0.0,
    )  # fmt: skip

    assert decode_record(encode_record(record)) == record


@pytest.mark.parametrize("rule", ["guarded 0.83", "risk 2 %"])
@pytest.mark.parametrize("uncertainty", [1e-3, 3e-2], ids=["narrow", "both tails count"])
def test_numbered_rules_are_cheap(rule: str, uncertainty: float) -> None:
    """A value is judged in less than 10 µs under these rules, too (the project's own budget), best of many rounds."""
    limit = make_limit(3.2, 3.3, rule)

    rounds = timeit.repeat(
        lambda: judge(3.25, unit="V", expanded_uncertainty=uncertainty, limit=limit), number=1000, repeat=20
    )

    assert min(rounds) / 1000 < 10e-6
