"""Can this bench decide this limit? Hand sums, and risks against scipy. A failing figure shows its source and mark."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.decision import Limit, judge
from benchrig.judge.fitness import Fitness, Targets, Usefulness, fitness, fitness_table
from benchrig.judge.risk import Spread
from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable

USEFUL, DOUBTFUL, VAIN = Usefulness.USEFUL, Usefulness.DOUBTFUL, Usefulness.VAIN


def make_limit(low: float | None = -1.0, high: float | None = 1.0, *, rule: str = "guarded", unit: str = "V") -> Limit:
    return Limit("rail", unit=unit, low=low, high=high, source="invented for the test", rule=rule)


def fit(
    u: float | Callable[[float], float],
    limit: Limit | None = None,
    *,
    prior: Spread | None = None,
    targets: Targets | None = None,
    alternatives: dict[str, float | Callable[[float], float]] | None = None,
) -> Fitness:
    used = limit or make_limit()
    return fitness(
        used, unit=used.unit, standard_uncertainty=u, prior=prior, targets=targets, alternatives=alternatives
    )


class Figure(NamedTuple):
    """A published figure of one measurement; `inputs` are ratio, rule and name of the figure."""

    id: str
    source: str
    mark: str
    inputs: tuple[float, str, str]
    expected: float
    tolerance: float


CP1 = "common practice, no source: T/(2U) with U = 2u, Cp = 1 centred, joint over all boards"
G8 = "ILAC-G8:09/2019 4.2: w = U accepts at its limit with 2.28 %, w = 0.83 U with 4.85 %, w = 0 with 50 %"
FIGURES = (
    Figure("4:1 accept bad", CP1, "recomputed", (4.0, "simple", "accepted_bad"), 737e-6, 0.5e-6),
    Figure("4:1 reject good", CP1, "recomputed", (4.0, "simple", "not_accepted_good"), 0.0030, 0.00005),
    Figure("4:1 accept bad, w = U", CP1, "recomputed", (4.0, "guarded", "accepted_bad"), 20e-6, 0.5e-6),
    Figure("4:1 reject good, w = U", CP1, "recomputed", (4.0, "guarded", "not_accepted_good"), 0.032, 0.0005),
    Figure("1:1 reject good", CP1, "recomputed", (1.0, "simple", "not_accepted_good"), 0.09, 0.005),
    Figure("w = 0", G8, "seen-2nd+recomputed", (10.0, "simple", "at limit"), 0.5, 1e-4),
    Figure("w = U", G8, "seen-2nd+recomputed", (10.0, "guarded", "at limit"), 0.0228, 1e-4),
    Figure("w = 0.83 U", G8, "seen-2nd+recomputed", (10.0, "guarded 0.83", "at limit"), 0.0485, 1e-4),
    Figure("risk 2 %", "by definition of the rule", "recomputed", (10.0, "risk 2 %", "at limit"), 0.02, 1e-9),
)  # fmt: skip


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_published_figure(figure: Figure) -> None:
    """Ratio, rule and process give the published risk, within its last digit."""
    ratio, rule, name = figure.inputs
    found = fit(1.0 / ratio / 2, make_limit(rule=rule), prior=Spread(0.0, 1 / 3))
    value = found.risk_at_limit if name == "at limit" else getattr(found.risks, name)
    assert value is not None

    assert found.ratio == pytest.approx(ratio, rel=1e-12)
    assert abs(value - figure.expected) <= figure.tolerance, (
        f"{figure.id}: {value!r}, published {figure.expected!r}; {figure.source} [{figure.mark}]"
    )


def test_figures_of_a_hand_sum() -> None:
    """Tolerance 2 V, U = 0.25 V: ratio 4:1, bands take a quarter, values from -0.75 V to 0.75 V pass."""
    found = fit(0.125)

    assert (found.ratio, found.band_share, found.zone_share, found.zone_width) == (4.0, 0.25, 0.75, 1.5)
    assert found.accepted == ((-0.75, 0.75),)
    assert found.expanded_uncertainty == 0.25
    assert (found.usefulness, found.basis) == (USEFUL, "half the tolerance")
    assert found.wanted_uncertainty is None


@pytest.mark.parametrize(
    ("u", "expected"),
    [
        pytest.param(0.0, USEFUL, id="exact"),
        pytest.param(0.125, USEFUL, id="4:1"),
        pytest.param(math.nextafter(0.125, 1), DOUBTFUL, id="just below 4:1"),
        pytest.param(0.49, DOUBTFUL, id="just above 1:1"),
        pytest.param(0.5, VAIN, id="1:1"),
        pytest.param(50.0, VAIN, id="hopeless"),
    ],
)
@pytest.mark.parametrize("rule", ["simple", "guarded"])
def test_word_for_a_ratio(u: float, expected: Usefulness, rule: str) -> None:
    """From 4:1 useful, down to 1:1 doubtful, from there vain: also where the rule would still pass something."""
    assert fit(u, make_limit(rule=rule)).usefulness is expected


def test_ampere_class_read_back_is_vain_for_microamperes() -> None:
    """A 20 µA limit on a read-back good to 1 mA is vain, and what would do is said in microamperes."""
    limit = make_limit(None, 20e-6, unit="A")

    found = fit(1e-3 / math.sqrt(3), limit, alternatives={"200 µA range": 20e-9, "20 mA range": 20e-6})

    assert found.usefulness is VAIN
    assert found.zone_width == 0.0
    assert found.risk_at_limit is None
    assert found.basis == "distance of zero"
    # 20 µA over 4, over k = 2; a rectangular half width is √3 wider
    assert found.wanted_uncertainty == pytest.approx(2.5e-6, rel=2e-3)
    assert found.why.endswith(
        "wanted: a standard uncertainty of at most 2.500 µA, such as an instrument or range that is good to ±4.330 µA; "
        "would do: 200 µA range"
    )


@pytest.mark.parametrize(
    ("low", "high", "mean", "basis"),
    [(None, 1.0, 0.5, 0.5), (3.0, None, 3.5, 0.5), (None, 1.0, 1.5, 0.5), (None, 1.0, 1.0, 0.1)],
    ids=["high", "low", "mean outside", "mean on the limit"],
)
def test_single_limit_is_held_against_the_process(
    low: float | None, high: float | None, mean: float, basis: float
) -> None:
    """With one limit the distance of the process mean counts, and at least one deviation of the process."""
    found = fit(0.01, make_limit(low, high), prior=Spread(mean, 0.1))

    assert found.ratio == pytest.approx(basis / 0.02, rel=1e-12)
    assert found.basis == "distance of the process mean"


def test_missed_risks_are_named() -> None:
    """A ratio that is kept does not hide a process that is not: each missed risk is named with its figure."""
    found = fit(0.12, prior=Spread(0.9, 0.3))

    assert found.ratio > 4.0
    assert found.usefulness is DOUBTFUL
    assert re.match(r"\d+(\.\d+)? % of all boards are good and not accepted, above 5 %; wanted: ", found.why)


@pytest.mark.parametrize("rule", ["simple", "guarded", "guarded 0.83", "risk 2 %"])
@pytest.mark.parametrize("prior", [None, Spread(0.0, 1 / 3), Spread(0.6, 0.3)], ids=["no process", "centred", "off"])
def test_wanted_uncertainty_is_the_largest_that_is_useful(rule: str, prior: Spread | None) -> None:
    """What is wanted is useful, and one hundredth more is not."""
    limit = make_limit(rule=rule)
    wanted = fit(0.45, limit, prior=prior).wanted_uncertainty

    assert wanted is not None
    assert fit(wanted, limit, prior=prior).usefulness is USEFUL
    assert fit(1.01 * wanted, limit, prior=prior).usefulness is DOUBTFUL


def test_uncertainty_may_depend_on_the_value() -> None:
    """Acceptance ends where each value's own U says: x + 0.1 x = 1.1 at 1, and 0.1 + 0.1 x = x at 1/9."""
    found = fit(lambda value: 0.05 * abs(value), make_limit(0.1, 1.1))

    assert found.accepted[0] == pytest.approx((1 / 9, 1.0), rel=1e-9)
    assert found.standard_uncertainty == pytest.approx(0.055, rel=1e-12)
    assert found.band_share == pytest.approx((0.01 + 0.11) / 1.0, rel=1e-9)


def test_a_range_change_may_leave_a_hole() -> None:
    """Where a coarse range has a stretch of its own in the middle, what passes is in two pieces."""
    found = fit(lambda value: 0.6 if 0.1 < value < 0.3 else 0.05)

    assert len(found.accepted) == 2
    assert found.accepted[0] == pytest.approx((-0.9, 0.1), abs=1e-9)
    assert found.accepted[1] == pytest.approx((0.3, 0.9), abs=1e-9)
    assert found.zone_share == pytest.approx(0.8, abs=1e-9)


@settings(deadline=None)
@given(
    u=st.floats(0.0, 2.0),
    rule=st.sampled_from(["simple", "guarded", "guarded 0.83", "risk 2 %"]),
    value=st.floats(-1.5, 1.5),
)
def test_what_is_accepted_is_what_the_comparator_passes(u: float, rule: str, value: float) -> None:
    """A value within the accepted stretches is one that `judge` passes, and one outside of them is not."""
    limit = make_limit(rule=rule)
    found = fit(u, limit)
    edges = [edge for stretch in found.accepted for edge in stretch]
    if any(abs(value - edge) < 1e-9 for edge in edges):
        return
    inside = any(start <= value <= end for start, end in found.accepted)
    passed = judge(value, unit="V", expanded_uncertainty=2 * u, limit=limit).verdict is Verdict.PASS

    # a stretch that is narrower than the scan's step may be missed, and is then less than a hundredth wide
    assert inside == passed or (passed and not found.accepted and abs(value) < 0.01)


@settings(deadline=None)
@given(small=st.floats(0.0, 2.0), more=st.floats(0.0, 2.0), rule=st.sampled_from(["simple", "guarded", "risk 2 %"]))
def test_more_uncertainty_is_never_more_useful(small: float, more: float, rule: str) -> None:
    """Without a process, a larger uncertainty never gives a better word."""
    order = [USEFUL, DOUBTFUL, VAIN]
    before, after = (fit(u, make_limit(rule=rule)) for u in sorted((small, more)))

    assert order.index(before.usefulness) <= order.index(after.usefulness)
    assert after.zone_share <= before.zone_share + 1e-12


def test_risk_at_the_limit_counts_both_tails() -> None:
    """Where the tolerance is narrow, both tails are in the specific risk: scipy's normal distribution at the border."""
    found = fit(0.45)

    assert found.risk_at_limit == pytest.approx(stats.norm.sf(0.9 / 0.45) + stats.norm.sf(1.1 / 0.45), rel=1e-9)


# ---- what is refused


@pytest.mark.parametrize("u", [-0.1, math.nan, math.inf])
@pytest.mark.parametrize("of_value", [False, True])
def test_fitness_refuses_an_uncertainty_that_is_none(u: float, of_value: bool) -> None:
    """An uncertainty that is none is refused with the value that it was asked for."""
    with pytest.raises(
        ValueError, match=r"uncertainty of rail is .* at -1\.000 V; accepted: a finite number from 0 up"
    ):
        fit((lambda value: u) if of_value else u)


@pytest.mark.parametrize(
    ("unit", "text"),
    [
        ("A", "an uncertainty in 'A' cannot be held against limit 'rail' in 'V'"),
        ("mV", "the uncertainty is in 'mV'; accepted: the base unit 'V'"),
        ("volt", "unknown unit 'volt'"),
    ],
)
def test_fitness_refuses_another_unit(unit: str, text: str) -> None:
    """Uncertainties come in the limit's base unit, so that a prefix cannot be lost."""
    with pytest.raises(ValueError, match=re.escape(text)):
        fitness(make_limit(), unit=unit, standard_uncertainty=0.1)


def test_fitness_of_a_limit_at_zero_asks_for_the_process() -> None:
    """A single limit at zero has nothing to be held against but the process."""
    with pytest.raises(ValueError, match="limit 'rail' is at most 0 V alone: give the process"):
        fit(0.1, make_limit(None, 0.0))


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({"ratio": 1.0}, "the wanted ratio is 1.0; accepted: finite and above 1"),
        ({"ratio": math.nan}, "the wanted ratio is nan"),
        ({"accepted_bad": 0.0}, "the wanted risk accepted_bad is 0.0; accepted: above 0 and below 1"),
        ({"not_accepted_good": math.nan}, "the wanted risk not_accepted_good is nan"),
    ],
)
def test_targets_refuse_nonsense(changed: dict[str, float], text: str) -> None:
    """Targets that nothing or everything meets are refused."""
    with pytest.raises(ValueError, match=re.escape(text)):
        Targets(**changed)


def test_point_limit_leaves_no_room() -> None:
    """A limit of a single value is decided by an exact measurement alone."""
    point = make_limit(1.0, 1.0)

    assert fit(0.0, point).usefulness is USEFUL
    assert fit(0.1, point).usefulness is VAIN
    assert fit(0.1, point).why.endswith("no uncertainty would do: the limit leaves no room")


# ---- the table


def test_table_of_measurements() -> None:
    """A line for each measurement with its figures, and below it why those not useful are not, and what would do.

    Both risks recomputed with scipy's quad over the process density: 0.3551 ppm and 352.4 ppm.
    """
    rows = [
        fitness(make_limit(), unit="V", standard_uncertainty=0.05, prior=Spread(0.0, 0.25), name="4 V range"),
        fitness(make_limit(), unit="V", standard_uncertainty=0.25, name="40 V range", alternatives={"4 V range": 0.05}),
    ]

    assert fitness_table(rows) == (
        "measurement  limit        U         ratio  guard bands  accepts  bad passed  good not passed  verdict\n"
        "4 V range    -1 V to 1 V  100.0 mV  10:1   10 %         90 %     0.355 ppm   352 ppm          adequate\n"
        "40 V range   -1 V to 1 V  500.0 mV  2:1    50 %         50 %     -           -                marginal\n"
        "\n"
        "40 V range: ratio 2:1 is below 4:1; wanted: a standard uncertainty of at most 125.0 mV, "
        "such as an instrument or range that is good to ±216.5 mV; would do: 4 V range\n"
    )


def test_shares_are_told_in_percent() -> None:
    """The uncertainty of a share stands in percent, as its limit does, and so does what is wanted."""
    limit = Limit("gain", unit="%", low=-1.0, high=1.0, source="invented", rule="guarded")

    text = fitness_table([fitness(limit, unit="1", standard_uncertainty=0.004, name="gain")])

    assert re.search(r"^gain +-1 % to 1 % +0\.8 % ", text, re.MULTILINE)
    assert "a standard uncertainty of at most 0.125 %, such as an instrument or range that is good to ±0.2165 %" in text


def test_table_of_nothing_is_its_heading() -> None:
    """No measurement leaves the heading alone; without a spread of boards there are no columns of risks."""
    assert fitness_table([]).splitlines() == ["measurement  limit  U  ratio  guard bands  accepts  verdict"]


def test_fitness_is_a_plain_value() -> None:
    """An answer can be compared and changed as any frozen value."""
    found = fit(0.1)

    assert found == replace(found)
    assert found != replace(found, name="another")
