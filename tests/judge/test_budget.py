"""Uncertainty budgets: adding up, correlations, degrees of freedom, coverage factor, table."""

from __future__ import annotations

import itertools
import math
import pickle
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from benchrig.judge.budget import Budget, Component, correlation_matrix
from benchrig.judge.uncertainty import COVERAGE

if TYPE_CHECKING:
    from random import Random

SIZES = st.floats(min_value=1e-12, max_value=1e6)
SENSITIVITIES = st.sampled_from([-1.0, 0.0, 1.0]) | st.floats(min_value=1e-9, max_value=1e3)
CONTRIBUTIONS = st.lists(st.tuples(SIZES, SENSITIVITIES), min_size=1, max_size=8)


def parts_of(pairs: list[tuple[float, float]]) -> list[Component]:
    """Normal components of (standard uncertainty, sensitivity) pairs."""
    return [Component(f"part {n}", standard_uncertainty=u, sensitivity=c) for n, (u, c) in enumerate(pairs)]


def flat(name: str, u: float) -> Component:
    """A rectangular component."""
    return Component(name, standard_uncertainty=u, shape="rectangular")


@settings(deadline=None)
@given(CONTRIBUTIONS)
def test_independent_components_add_in_quadrature(pairs: list[tuple[float, float]]) -> None:
    """Without correlations the combined uncertainty is the length of the contributions (GUM 5.1.2, by numpy)."""
    contributions = np.array([u * c for u, c in pairs])
    largest = float(np.abs(contributions).max()) or 1.0

    found = Budget(parts_of(pairs)).standard_uncertainty

    assert found == pytest.approx(largest * float(np.linalg.norm(contributions / largest)), rel=1e-12, abs=0.0)


@settings(deadline=None)
@given(CONTRIBUTIONS)
def test_fully_correlated_components_add_linearly(pairs: list[tuple[float, float]]) -> None:
    """With all coefficients 1 the contributions add with their signs (GUM 5.2.2, note 1)."""
    parts = parts_of(pairs)
    correlations = {(a.name, b.name): 1.0 for a, b in itertools.combinations(parts, 2)}

    found = Budget(parts, correlations=correlations).standard_uncertainty

    largest = max(abs(u * c) for u, c in pairs)
    assert found == pytest.approx(abs(math.fsum(u * c for u, c in pairs)), rel=1e-6, abs=1e-6 * largest)


@settings(deadline=None)
@given(
    rows=st.lists(st.lists(st.floats(min_value=-1, max_value=1), min_size=3, max_size=3), min_size=3, max_size=3),
    sensitivities=st.lists(st.floats(min_value=-10, max_value=10), min_size=3, max_size=3),
)
def test_any_correlations_give_the_quadratic_form(rows: list[list[float]], sensitivities: list[float]) -> None:
    """The combined variance is c V c of the covariance matrix, and shares of the variance sum to 1."""
    covariance = np.array(rows) @ np.array(rows).T + 0.1 * np.eye(3)
    deviations = np.sqrt(np.diag(covariance))
    names = ("a", "b", "c")
    budget = Budget(
        [
            Component(name, standard_uncertainty=float(u), sensitivity=c)
            for name, u, c in zip(names, deviations, sensitivities, strict=True)
        ],
        correlations={
            (names[i], names[j]): float(covariance[i, j] / (deviations[i] * deviations[j]))
            for i, j in itertools.combinations(range(3), 2)
        },
    )

    found = budget.standard_uncertainty

    assert found == pytest.approx(math.sqrt(np.array(sensitivities) @ covariance @ np.array(sensitivities)), rel=1e-9)
    assert math.fsum(budget.shares) == pytest.approx(1.0 if found else 0.0, abs=1e-9)


@settings(deadline=None)
@given(CONTRIBUTIONS, st.randoms(use_true_random=False), st.sampled_from([1e-9, 1e-150, 1e3]))
def test_order_and_unit_do_not_matter(pairs: list[tuple[float, float]], random: Random, scale: float) -> None:
    """Another order gives the same uncertainty, another unit the scaled one; no square of a small number vanishes."""
    parts = parts_of(pairs)
    shuffled = random.sample(parts, len(parts))
    scaled = parts_of([(scale * u, c) for u, c in pairs])

    assert Budget(shuffled).standard_uncertainty == pytest.approx(Budget(parts).standard_uncertainty, rel=1e-12)
    expected = scale * Budget(parts).standard_uncertainty
    assert Budget(scaled).standard_uncertainty == pytest.approx(expected, rel=1e-9, abs=0.0)


def test_opposite_signs_cancel_what_is_common() -> None:
    """The difference of two fully correlated readings of equal size has no uncertainty left."""
    parts = [Component("here", standard_uncertainty=0.1), Component("there", standard_uncertainty=0.1, sensitivity=-1)]

    assert Budget(parts, correlations={("there", "here"): 1.0}).standard_uncertainty == 0.0


def test_shares_name_what_a_correlation_relieves() -> None:
    """A share below 0 says that a component lowers the uncertainty, as 1 and -3 fully correlated: -0.5 and 1.5."""
    parts = [Component("back", standard_uncertainty=1.0), Component("gain", standard_uncertainty=3.0, sensitivity=-1)]

    budget = Budget(parts, correlations={("gain", "back"): 1.0})

    assert budget.standard_uncertainty == pytest.approx(2.0, rel=1e-12)
    assert budget.shares == pytest.approx((-0.5, 1.5), rel=1e-12)
    assert budget.dominant.name == "gain"


@pytest.mark.parametrize(
    ("r", "dof"),
    [
        # two of u = 1 with 4 and 8: independent 4/(1/4 + 1/8) by Welch-Satterthwaite; linked they count as one of 4
        pytest.param(0.0, 32.0 / 3.0, id="independent"),
        pytest.param(0.5, 4.0, id="correlated"),
    ],
)
def test_correlated_components_count_as_one(r: float, dof: float) -> None:
    """Quantities read together do not add up their degrees of freedom (GUM H.2 has n - 1)."""
    parts = [Component("a", standard_uncertainty=1.0, dof=4), Component("b", standard_uncertainty=1.0, dof=8)]

    assert Budget(parts, correlations={("a", "b"): r}).dof == pytest.approx(dof, rel=1e-12)


@pytest.mark.parametrize(("dof", "whole"), [(93.0, 93.0), (93.999, 93.0), (2.5, 2.0), (math.inf, math.inf)])
def test_whole_degrees_of_freedom_are_the_next_lower(dof: float, whole: float) -> None:
    """Rounding of the arithmetic takes no degree of freedom away; what is beyond it is cut off."""
    budget = Budget([Component("a", standard_uncertainty=1.0, dof=dof)])

    assert budget.expanded(whole_dof=True).k == pytest.approx(stats.t.ppf(0.5 + 0.5 * COVERAGE, whole), rel=1e-9)


def test_a_chain_of_correlations_is_one_group() -> None:
    """a with b, b with c: all three count as one, d by itself."""
    parts = [Component(name, standard_uncertainty=1.0, dof=dof) for name, dof in zip("abcd", (9, 7, 5, 3), strict=True)]

    found = Budget(parts, correlations={("a", "b"): 0.3, ("c", "b"): -0.3}).dof

    # by hand: the group has the variance 3 and 5 degrees of freedom, d has 1 and 3
    assert found == pytest.approx(4.0**2 / (3.0**2 / 5 + 1.0**2 / 3), rel=1e-12)


def test_what_contributes_nothing_has_no_say() -> None:
    """A component of 0 does not limit the degrees of freedom, alone or in a group."""
    parts = [
        Component("a", standard_uncertainty=1.0, dof=9),
        Component("b", standard_uncertainty=1.0, sensitivity=0.0, dof=1),
        Component("c", standard_uncertainty=0.0, dof=1),
    ]

    assert Budget(parts, correlations={("a", "b"): 0.9}).dof == pytest.approx(9.0, rel=1e-12)


def test_nothing_uncertain_is_certain() -> None:
    """Where all components are 0, the expanded uncertainty is 0, and the table shows no share."""
    budget = Budget([Component("a", standard_uncertainty=0.0), flat("b", 0.0)], unit="V")

    assert budget.expanded().uncertainty == 0.0
    assert budget.expanded().basis == "normal"
    assert budget.shares == (0.0, 0.0)
    assert "largest: a, 0% of the variance" in budget.table()


# ---- coverage factor


@pytest.mark.parametrize(
    ("others", "basis"),
    [
        pytest.param([flat("x", 0.29)], "rectangular: main dominates", id="0.29, one flat"),
        pytest.param([flat("x", 0.20), flat("y", 0.20)], "rectangular: main dominates", id="0.28, two flat"),
        pytest.param([Component("x", standard_uncertainty=0.29, dof=3)], "rectangular: main dominates", id="0.29, t"),
        pytest.param([flat("x", 0.31)], "trapezoidal: main and x dominate", id="0.31, one flat"),
        pytest.param([flat("x", 1.0), flat("y", 0.42)], "trapezoidal: main and x dominate", id="two of three"),
        pytest.param([flat("x", 1.0), flat("y", 0.43)], "normal", id="three alike"),
        pytest.param([Component("x", standard_uncertainty=0.31)], "normal", id="0.31, normal"),
        pytest.param([Component("x", standard_uncertainty=1.0, dof=4)], "Student's t, 16 degrees of freedom", id="t"),
    ],
)
def test_dominance_ends_at_0_3(others: list[Component], basis: str) -> None:
    """A rectangle, or two, dominate while the rest is at most 0.3 of them (EA-4/02 S9, mathematical note; memory)."""
    assert Budget([flat("main", 1.0), *others]).expanded(coverage=0.95).basis == basis


@pytest.mark.parametrize(
    ("shape", "dof"),
    [("triangular", math.inf), ("u-shaped", math.inf), ("rectangular", 50.0)],
)
def test_other_shapes_go_by_student(shape: str, dof: float) -> None:
    """Where the shape or its width is less sure than a plain rectangle, the wider factor is taken."""
    part = Component("main", standard_uncertainty=1.0, shape=shape, dof=dof)  # type: ignore[arg-type]

    assert Budget([part]).expanded(coverage=0.95).k == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-9)


def test_a_correlated_rectangle_does_not_dominate() -> None:
    """What is correlated with something else is not a shape by itself."""
    parts = [flat("main", 1.0), flat("x", 0.05)]

    assert Budget(parts, correlations={("main", "x"): 0.5}).expanded().basis == "normal"


@settings(deadline=None, max_examples=40)
@given(
    wide=st.floats(min_value=0.5, max_value=1.0),
    narrow=st.floats(min_value=0.2, max_value=0.5),
    coverage=st.floats(min_value=0.05, max_value=0.959),
)
def test_trapezoid_factor_is_the_quantile_of_a_trapezoid(wide: float, narrow: float, coverage: float) -> None:
    """k of two rectangles alone is the quantile of their sum (scipy's trapezoid), flat top or not."""
    total = wide + narrow
    beta = (wide - narrow) / total
    trapezoid = stats.trapezoid((1 - beta) / 2, (1 + beta) / 2, loc=-total, scale=2 * total)

    found = Budget([Component.within("a", half_width=wide), Component.within("b", half_width=narrow)])

    k = found.expanded(coverage=coverage)
    if k.basis.startswith("trapezoidal"):
        assert k.uncertainty == pytest.approx(float(trapezoid.ppf(0.5 + coverage / 2)), rel=1e-9)
    else:
        assert k.k == pytest.approx(float(stats.uniform(-(3**0.5), 2 * 3**0.5).ppf(0.5 + coverage / 2)), rel=1e-9)


@pytest.mark.parametrize("ratio", [0.01, 0.1, 0.2, 0.2999])
def test_the_dominance_rule_costs_little_coverage(ratio: float) -> None:
    """With a normal rest the stated 95.45 % is kept to 92.9 % at the worst (convolution by scipy)."""
    half_width = math.sqrt(3.0)
    budget = Budget([flat("main", 1.0), Component("rest", standard_uncertainty=ratio)])

    found = budget.expanded()

    def inside(error: float) -> float:
        ends = stats.norm.cdf([(found.uncertainty - error) / ratio, (-found.uncertainty - error) / ratio])
        return float(ends[0] - ends[1]) / (2.0 * half_width)

    assert found.basis.startswith("rectangular")
    assert integrate.quad(inside, -half_width, half_width, limit=200)[0] >= 0.929


def test_no_shape_rule_above_96_percent() -> None:
    """At 99 % the rule would lose 4 %, so that Student's t answers: 2.576."""
    assert Budget([flat("main", 1.0)]).expanded(coverage=0.99).k == pytest.approx(2.576, abs=5e-4)


@settings(deadline=None)
@given(CONTRIBUTIONS, st.lists(st.floats(min_value=1.0, max_value=1e6), min_size=8, max_size=8))
def test_welch_satterthwaite_by_its_definition(pairs: list[tuple[float, float]], dofs: list[float]) -> None:
    """Degrees of freedom are those of GUM G.2b written out, and never below the smallest that contributes."""
    parts = [
        Component(f"part {n}", standard_uncertainty=u, sensitivity=c, dof=dof)
        for n, ((u, c), dof) in enumerate(zip(pairs, dofs, strict=False))
    ]
    contributions = np.array([one.contribution for one in parts])
    largest = np.abs(contributions).max()

    found = Budget(parts).dof

    if largest > 0.0:
        y = contributions / largest
        expected = float((y @ y) ** 2 / np.sum(y**4 / np.array([one.dof for one in parts])))
        assert found == pytest.approx(expected, rel=1e-9)
        assert found >= min(one.dof for one in parts) * (1 - 1e-9)


# ---- results that share causes


def test_covariance_of_results_that_share_a_cause() -> None:
    """Two results with the meter's gain in both: covariance c1 c2 u², by the simulated scatter of 400 000 pairs."""
    gain = 0.001
    first = Budget(
        [Component("gain", standard_uncertainty=gain, sensitivity=5), Component("a", standard_uncertainty=2e-3)]
    )
    second = Budget(
        [Component("gain", standard_uncertainty=gain, sensitivity=-3), Component("b", standard_uncertainty=1e-3)]
    )
    rng = np.random.default_rng(11)
    shared, here, there = rng.standard_normal((3, 400_000))
    simulated = np.cov(5 * gain * shared + 2e-3 * here, -3 * gain * shared + 1e-3 * there)[0, 1]

    assert first.covariance(second) == pytest.approx(-15e-6, rel=1e-12)
    assert first.covariance(second) == pytest.approx(float(simulated), rel=0.02)


def test_covariance_with_itself_is_the_variance() -> None:
    """Correlations inside a budget count too."""
    parts = [Component("a", standard_uncertainty=2.0), Component("b", standard_uncertainty=1.0, sensitivity=-4)]
    budget = Budget(parts, correlations={("b", "a"): 0.4})

    assert budget.covariance(budget) == pytest.approx(budget.standard_uncertainty**2, rel=1e-12)


def test_covariance_refuses_one_name_for_two_causes() -> None:
    """Two budgets that disagree on a cause do not share it."""
    one = Budget([Component("gain", standard_uncertainty=1.0)])
    other = Budget([Component("gain", standard_uncertainty=2.0)])

    with pytest.raises(ValueError, match="'gain' has two standard uncertainties; give two causes two names"):
        one.covariance(other)


def test_covariance_refuses_two_coefficients_for_a_pair() -> None:
    """Two budgets that disagree on a correlation cannot be told what holds."""
    parts = parts_of([(1.0, 1.0), (1.0, 1.0)])
    one = Budget(parts, correlations={("part 0", "part 1"): 0.5})
    other = Budget(parts, correlations={("part 1", "part 0"): 0.4})

    with pytest.raises(ValueError, match="'part 1' and 'part 0' have two correlation coefficients"):
        one.covariance(other)


# ---- table


def test_table_shows_what_dominates() -> None:
    """The printed budget: largest first, contributions with their unit, k with its reason."""
    budget = Budget(
        [
            Component("repeats", standard_uncertainty=0.2e-3, dof=4, shape="t"),
            Component("gain", standard_uncertainty=0.0005, sensitivity=-3.7),
            Component.within("resolution", half_width=0.5e-3),
        ],
        unit="V",
        value=3.7004,
        correlations={("gain", "resolution"): 0.0},
    )

    # shares by hand: 1.85², 0.2887², 0.2² mV² of 3.546 mV²; degrees of freedom 4 / (0.04 / 3.546)² = 31 436
    assert budget.table().splitlines() == [
        "component   shape        degrees of freedom  standard uncertainty  sensitivity  contribution  share",
        "gain        normal                    exact                0.0005         -3.7      1.850 mV  96.5%",
        "resolution  rectangular               exact             0.0002887            1      288.7 µV   2.4%",
        "repeats     t                             4                0.0002            1      200.0 µV   1.1%",
        "value 3.7004 V; combined standard uncertainty 1.883 mV",
        "expanded uncertainty 3.766 mV, k = 2.00 for 95.45% (Student's t, 3.143e+04 degrees of freedom)",
        "largest: gain, 97% of the variance",
        "correlated: gain with resolution +0",
    ]


# ---- refused


@pytest.mark.parametrize(
    ("parts", "text"),
    [
        pytest.param([], "a budget without components", id="empty"),
        pytest.param(
            [flat("a", 1.0), flat("b", 1.0), flat("a", 2.0)], "components named twice: a; accepted", id="twice"
        ),
    ],
)
def test_budget_refuses_components(parts: list[Component], text: str) -> None:
    """No budget of nothing, and no name for two causes."""
    with pytest.raises(ValueError, match=text):
        Budget(parts)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_budget_refuses_a_value_that_is_no_number(value: float) -> None:
    """A result that is no number has no uncertainty."""
    with pytest.raises(ValueError, match=f"the value of a budget is {value!r}; accepted: a finite number, or None"):
        Budget([flat("a", 1.0)], value=value)


@pytest.mark.parametrize(
    ("correlations", "text"),
    [
        pytest.param({("a", "z"): 0.1}, "'a' with 'z': known components are a, b, c", id="unknown"),
        pytest.param({("a", "b"): 1.01}, "'a' with 'b' is 1.01; accepted: -1 to 1", id="above 1"),
        pytest.param({("a", "b"): math.nan}, "'a' with 'b' is nan; accepted: -1 to 1", id="NaN"),
        pytest.param({("a", "a"): 0.5}, "'a' with 'a' is 0.5; accepted: -1 to 1, and 1 with itself", id="itself"),
        pytest.param({("a", "b"): 0.5, ("b", "a"): 0.4}, "'a' and 'b' have two correlation coefficients", id="two"),
        pytest.param(
            {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9},
            r"no quantities can be correlated like this: a with b \+0.9",
            id="impossible",
        ),
    ],
)
def test_correlations_refused(correlations: dict[tuple[str, str], float], text: str) -> None:
    """A coefficient that cannot be is refused with the pair it is of."""
    with pytest.raises(ValueError, match=text):
        correlation_matrix(["a", "b", "c"], correlations)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        pytest.param(
            {"standard_uncertainty": -1.0}, "standard uncertainty -1.0; accepted: a finite number", id="below 0"
        ),
        pytest.param({"standard_uncertainty": math.nan}, "standard uncertainty nan", id="NaN"),
        pytest.param({"standard_uncertainty": math.inf}, "standard uncertainty inf", id="infinite"),
        pytest.param({"sensitivity": math.nan}, "sensitivity nan; accepted: a finite number", id="sensitivity"),
        pytest.param({"dof": 0.0}, "degrees of freedom 0.0; accepted: above 0", id="dof"),
        pytest.param({"dof": math.nan}, "degrees of freedom nan", id="NaN dof"),
        pytest.param({"shape": "square"}, "shape 'square'; accepted: normal, rectangular, triangular", id="shape"),
    ],
)
def test_component_refuses_nonsense(change: dict[str, float], text: str) -> None:
    """A component that is none is refused by name, value and accepted set."""
    with pytest.raises(ValueError, match=f"component 'gain': {text}"):
        Component("gain", **{"standard_uncertainty": 1.0, **change})  # type: ignore[arg-type]


def test_component_needs_a_name() -> None:
    """A report cannot show what has no name."""
    with pytest.raises(ValueError, match="a component of uncertainty has no name"):
        Component(" ", standard_uncertainty=1.0)


@pytest.mark.parametrize("coverage", [0.0, 1.0, math.nan])
def test_expanded_refuses_a_coverage(coverage: float) -> None:
    """A coverage probability is between 0 and 1, whatever shape dominates."""
    with pytest.raises(ValueError, match=f"coverage is {coverage!r}; accepted: above 0 and below 1"):
        Budget([flat("a", 1.0)]).expanded(coverage=coverage)


@pytest.mark.parametrize(
    ("shape", "variance"),
    [
        pytest.param("rectangular", stats.uniform(-1, 2).var(), id="rectangular"),
        pytest.param("triangular", stats.triang(0.5, -1, 2).var(), id="triangular"),
        pytest.param("u-shaped", stats.arcsine(-1, 2).var(), id="u-shaped"),
    ],
)
def test_half_widths_have_the_standard_deviation_of_their_shape(shape: str, variance: float) -> None:
    """u of a bounded shape is scipy's standard deviation of that distribution, and gives the half width back."""
    part = Component.within("a", half_width=2.5, shape=shape)  # type: ignore[arg-type]

    assert part.standard_uncertainty == pytest.approx(2.5 * float(variance) ** 0.5, rel=1e-12)
    assert part.half_width == pytest.approx(2.5, rel=1e-12)


def test_a_normal_has_no_half_width() -> None:
    """A shape without ends cannot be given by them, and has none to show."""
    with pytest.raises(ValueError, match="'normal' shape has no ends; accepted: rectangular, triangular, u-shaped"):
        Component.within("a", half_width=1.0, shape="normal")

    assert Component("a", standard_uncertainty=1.0).half_width == math.inf
    assert Component("a", standard_uncertainty=0.0).half_width == 0.0


def test_a_budget_survives_pickling() -> None:
    """Parallel workers hand budgets to each other."""
    budget = Budget(parts_of([(1.0, 2.0), (3.0, 4.0)]), unit="V", correlations={("part 0", "part 1"): 0.5})

    assert pickle.loads(pickle.dumps(budget)) == budget
