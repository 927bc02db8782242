"""Monte Carlo propagation against JCGM 101:2008 and against scipy's distributions. A failing figure shows its source.

Marks: memory = nothing read, recomputed = own or outside computation agrees, own = beyond what was published.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.budget import Budget, Component, from_model
from benchrig.judge.monte_carlo import coverage_interval, numerical_tolerance, propagate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

TRIALS = 400_000


class Figure(NamedTuple):
    """A published result: each expected value has its own tolerance, printing and scatter of the trials together."""

    id: str
    source: str
    mark: str
    inputs: Mapping[str, tuple[float, ...]]
    expected: Mapping[str, float]
    tolerance: Mapping[str, float]

    def holds(self, name: str, found: float) -> None:
        """Fail with the source when `found` is not the published value."""
        wanted, tolerance = self.expected[name], self.tolerance[name]
        assert abs(found - wanted) <= tolerance, (
            f"{self.id}, {name}: {found!r}, published {wanted!r} within {tolerance!r}; {self.source} [{self.mark}]"
        )


FIGURES = (
    Figure(
        "jcgm101.9_2_2",
        "JCGM 101:2008 9.2.2, sum of four standard normal inputs",
        "memory+recomputed",
        {"sd": (1.0, 1.0, 1.0, 1.0)},
        {"u": 2.0, "half width": 3.92},
        {"u": 0.01, "half width": 0.02},
    ),
    Figure(
        "jcgm101.9_2_3",
        "JCGM 101:2008 9.2.3, sum of four standardised rectangles: 2 sqrt(3) (2 - (3/5)^(1/4)), printed 3.88",
        "memory+recomputed",
        {"sd": (1.0, 1.0, 1.0, 1.0)},
        {"u": 2.0, "half width": 2.0 * 3.0**0.5 * (2.0 - 0.6**0.25)},
        {"u": 0.01, "half width": 0.02},
    ),
    Figure(
        "jcgm101.9_2_4",
        "JCGM 101:2008 9.2.4, four rectangles, one ten times as wide (first order says 19.9)",
        "memory+recomputed",
        {"sd": (1.0, 1.0, 1.0, 10.0)},
        {"u": 10.1, "half width": 17.0},
        {"u": 0.1, "half width": 0.1},
    ),
    Figure(
        "jcgm101.9_3",
        "JCGM 101:2008 9.3, mass calibration; width of the interval [1.0834, 1.3825]",
        "memory+recomputed; interval memory",
        {"estimates": (100_000.0, 1.234, 1.2, 8000.0, 8000.0), "u": (0.050, 0.020), "half_widths": (0.1, 1000.0, 50.0)},
        {"value": 1.234, "u": 0.0754, "width": 0.2991},
        {"value": 0.0003, "u": 0.0003, "width": 0.0015},
    ),
    Figure(
        "jcgm101.9_5",
        "JCGM 101:2008 9.5, end gauge with t, arc sine and inexactly bounded inputs: u 36 nm, 99 % [745, 932] nm",
        "memory",
        {"t": (25.0, 18.0, 6.0, 24.0, 4.0, 5.0, 7.0, 8.0)},
        {"value": 50_000_838.0, "u": 36.0, "low": 50_000_745.0, "high": 50_000_932.0},
        {"value": 0.5, "u": 0.5, "low": 1.5, "high": 1.5},
    ),
)  # fmt: skip


def figure(name: str) -> Figure:
    """The figure of this id."""
    return next(one for one in FIGURES if one.id == name)


def test_a_figure_that_does_not_hold_shows_its_source_and_mark() -> None:
    """Who sees a failure also sees how well the expected value itself is backed."""
    with pytest.raises(
        AssertionError, match=r"published 17\.0 within 0\.1; JCGM 101:2008 9\.2\.4.*\[memory\+recomputed"
    ):
        figure("jcgm101.9_2_4").holds("half width", 19.9)


def _sum(*, a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    return a + b + c + d


@pytest.mark.parametrize(
    ("name", "shape"),
    [("jcgm101.9_2_2", "normal"), ("jcgm101.9_2_3", "rectangular"), ("jcgm101.9_2_4", "rectangular")],
)
@pytest.mark.parametrize("interval", ["shortest", "symmetric"])
def test_additive_model_of_jcgm_101_9_2(name: str, shape: Any, interval: Any) -> None:
    """Sums of four inputs: the interval ends where JCGM 101 has it, on both sides."""
    published = figure(name)
    inputs = {
        key: Component(key, standard_uncertainty=u, shape=shape)
        for key, u in zip("abcd", published.inputs["sd"], strict=True)
    }

    found = propagate(
        _sum,
        estimates=dict.fromkeys("abcd", 0.0),
        uncertainties=inputs,
        seed=1,
        coverage=0.95,
        interval=interval,
        trials=TRIALS,
    )

    published.holds("u", found.standard_uncertainty)
    published.holds("half width", 0.5 * (found.high - found.low))
    assert found.value == pytest.approx(0.0, abs=0.1)
    assert found.trials == TRIALS


def _mass(*, reference: Floats, added: Floats, air: Floats, weight: Floats, standard: Floats) -> Floats:
    return (reference + added) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)) - 100_000.0


def _mass_inputs() -> tuple[dict[str, float], dict[str, float | Component]]:
    published = figure("jcgm101.9_3")
    names = ("reference", "added", "air", "weight", "standard")
    u: list[float | Component] = [*published.inputs["u"]]
    u += [Component.within("flat", half_width=width) for width in published.inputs["half_widths"]]
    return dict(zip(names, published.inputs["estimates"], strict=True)), dict(zip(names, u, strict=True))


def test_mass_of_jcgm_101_9_3() -> None:
    """Where the first order says 0.0539 mg, the distributions give 0.0754 mg."""
    published = figure("jcgm101.9_3")
    estimates, uncertainties = _mass_inputs()

    found = propagate(_mass, estimates=estimates, uncertainties=uncertainties, seed=2, coverage=0.95, trials=1_000_000)

    published.holds("value", found.value)
    published.holds("u", found.standard_uncertainty)
    published.holds("width", found.high - found.low)


def test_mass_of_jcgm_101_9_3_does_not_confirm_the_first_order() -> None:
    """The comparison of JCGM 101 8.1 refuses the first-order budget and accepts the one with second-order terms."""
    estimates, uncertainties = _mass_inputs()
    # one digit of u = 0.08 mg, tolerance 0.005 mg, as a budget is usually quoted
    found = propagate(_mass, estimates=estimates, uncertainties=uncertainties, seed=2, coverage=0.95, digits=1)
    intervals = {
        order: from_model(_mass, estimates=estimates, uncertainties=uncertainties, second_order=order)
        for order in (False, True)
    }

    confirmed = {
        order: found.confirms(1.234, expanded_uncertainty=budget.expanded(coverage=0.95).uncertainty)
        for order, budget in intervals.items()
    }

    assert found.is_stable
    assert confirmed == {False: False, True: True}


def _end_gauge(
    *,
    standard: Floats,
    mean_d: Floats,
    random_d: Floats,
    system_d: Floats,
    expansion: Floats,
    mean_c: Floats,
    cycle_c: Floats,
    expansion_d: Floats,
    temperature_d: Floats,
) -> Floats:
    thermal = expansion_d * (mean_c + cycle_c) + expansion * temperature_d
    return standard + mean_d + random_d + system_d - standard * thermal


def test_end_gauge_of_jcgm_101_9_5() -> None:
    """Every shape in one model: t of few readings, arc sine of a cycling room, bounds that are not exactly known."""
    published = figure("jcgm101.9_5")
    u = published.inputs["t"]
    parts = [Component("t", standard_uncertainty=s, dof=v, shape="t") for s, v in zip(u[::2], u[1::2], strict=True)]

    found = propagate(
        _end_gauge,
        estimates={
            "standard": 50_000_623.0, "mean_d": 215.0, "random_d": 0.0, "system_d": 0.0, "expansion": 11.5e-6,
            "mean_c": -0.1, "cycle_c": 0.0, "expansion_d": 0.0, "temperature_d": 0.0,
        },
        uncertainties={
            "standard": parts[0], "mean_d": parts[1], "random_d": parts[2], "system_d": parts[3],
            "expansion": Component.within("a", half_width=2e-6),
            "mean_c": 0.2,
            "cycle_c": Component.within("a", half_width=0.5, shape="u-shaped"),
            # bounds known to 10 % and to 50 %: 50 and 2 degrees of freedom by GUM G.3
            "expansion_d": Component.within("a", half_width=1e-6, dof=50),
            "temperature_d": Component.within("a", half_width=0.05, dof=2),
        },
        seed=1,
        coverage=0.99,
        trials=1_000_000,
    )  # fmt: skip

    for name, value in (
        ("value", found.value), ("u", found.standard_uncertainty), ("low", found.low), ("high", found.high)
    ):  # fmt: skip
        published.holds(name, value)


# ---- shapes, one by one


@pytest.mark.parametrize(
    ("part", "outside"),
    [
        pytest.param(Component("x", standard_uncertainty=2.0), stats.norm(5, 2), id="normal"),
        pytest.param(Component("x", standard_uncertainty=2.0, dof=6), stats.t(6, 5, 2), id="normal with dof"),
        pytest.param(Component("x", standard_uncertainty=2.0, dof=3, shape="t"), stats.t(3, 5, 2), id="t"),
        pytest.param(Component.within("x", half_width=2.0), stats.uniform(3, 4), id="rectangular"),
        pytest.param(
            Component.within("x", half_width=2.0, shape="triangular"), stats.triang(0.5, 3, 4), id="triangular"
        ),
        pytest.param(Component.within("x", half_width=2.0, shape="u-shaped"), stats.arcsine(3, 4), id="u-shaped"),
    ],
)
@pytest.mark.parametrize("coverage", [0.5, 0.95])
def test_each_shape_has_the_quantiles_of_its_distribution(part: Component, outside: Any, coverage: float) -> None:
    """Drawn inputs have the interval that scipy's distribution has, within five standard errors of a quantile."""
    found = propagate(
        lambda *, x: x,
        estimates={"x": 5.0},
        uncertainties={"x": part},
        seed=4,
        coverage=coverage,
        interval="symmetric",
        trials=TRIALS,
    )

    for end, probability in ((found.low, 0.5 - coverage / 2), (found.high, 0.5 + coverage / 2)):
        scatter = 5.0 * math.sqrt(probability * (1.0 - probability) / TRIALS)
        assert outside.ppf(probability - scatter) <= end <= outside.ppf(probability + scatter)


def test_inexact_bounds_have_the_variance_of_jcgm_101() -> None:
    """A half width w that is itself within ± d has the variance w²/3 + d²/9 (JCGM 101 6.4.3.3; memory, by hand too)."""
    part = Component.within("x", half_width=3.0, dof=2)  # d = w/sqrt(2 dof) = 1.5 by GUM G.3

    found = propagate(lambda *, x: x, estimates={"x": 0.0}, uncertainties={"x": part}, seed=4, trials=TRIALS)

    assert found.standard_uncertainty**2 == pytest.approx(3.0 + 1.5**2 / 9.0, rel=0.01)


@pytest.mark.parametrize("r", [-1.0, -0.6, 0.0, 0.6, 1.0])
def test_correlated_inputs_match_the_first_order(r: float) -> None:
    """For a straight model the correlated budget is exact, and the draws agree with it, fully correlated too."""
    arguments: dict[str, Any] = {
        "estimates": {"x": 1.0, "y": 2.0, "z": 3.0},
        "uncertainties": {"x": 0.3, "y": 0.3, "z": 0.1},
        "correlations": {("x", "y"): r},
    }

    found = propagate(lambda *, x, y, z: x + y - z, **arguments, seed=8, trials=TRIALS)

    expected = math.sqrt(0.09 + 0.09 + 2 * r * 0.09 + 0.01)
    assert from_model(lambda *, x, y, z: x + y - z, **arguments).standard_uncertainty == pytest.approx(expected)
    assert found.standard_uncertainty == pytest.approx(expected, rel=0.01)
    assert found.value == pytest.approx(0.0, abs=0.01)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("count", [3, 4, 7])
def test_fully_correlated_inputs_move_as_one(count: int) -> None:
    """All coefficients 1: the matrix is singular, and every input is the same draw."""
    names = [f"x{index}" for index in range(count)]

    found = propagate(
        lambda **inputs: np.ptp(np.array(list(inputs.values())), axis=0),
        estimates=dict.fromkeys(names, 0.0),
        uncertainties=dict.fromkeys(names, 1.0),
        correlations={(a, b): 1.0 for a in names for b in names if a < b},
        seed=1,
        trials=20_000,
    )

    assert found.high == pytest.approx(0.0, abs=1e-6)


def test_the_sensitivity_of_a_component_scales_its_draws() -> None:
    """A Component with a sensitivity of its own counts as its contribution, with the sign."""
    part = Component("x", standard_uncertainty=2.0, sensitivity=-3.0)

    found = propagate(lambda *, x: x, estimates={"x": 1.0}, uncertainties={"x": part}, seed=8, trials=TRIALS)

    assert found.standard_uncertainty == pytest.approx(6.0, rel=0.01)


# ---- how many trials


def test_adaptive_stop_knows_its_result() -> None:
    """Repeated with 20 seeds, the true ends lie within the tolerance about as often as two deviations promise."""
    exact = stats.norm(0, 1).ppf(0.975)
    runs = [
        propagate(
            lambda *, x: x, estimates={"x": 0.0}, uncertainties={"x": 1.0}, seed=seed, coverage=0.95, digits=1,
            interval="symmetric",
        )
        for seed in range(20)
    ]  # fmt: skip

    missed = sum(abs(run.high - exact) > run.tolerance for run in runs)

    assert {run.tolerance for run in runs} == {0.5}
    assert all(run.is_stable for run in runs)
    assert missed == 0  # with one digit the least number of trials is already far better


def test_adaptive_stop_takes_more_trials_for_more_digits() -> None:
    """Two digits need more trials than one, and the figures then hold to two digits."""
    arguments: dict[str, Any] = {"estimates": {"x": 0.0}, "uncertainties": {"x": 1.0}, "coverage": 0.95}

    one, two = (propagate(lambda *, x: x, **arguments, seed=5, digits=digits) for digits in (1, 2))

    assert one.is_stable
    assert one.trials == 20_000
    assert two.is_stable
    assert two.trials > one.trials
    assert (two.low, two.high) == pytest.approx((-1.96, 1.96), abs=two.tolerance)
    assert two.tolerance == pytest.approx(0.05)


def test_adaptive_stop_that_gives_up_says_so() -> None:
    """At the bound the result stands, marked as not stable, with what moves."""
    found = propagate(
        lambda *, x: x, estimates={"x": 0.0}, uncertainties={"x": 1.0}, seed=5, digits=3, most_trials=30_000
    )

    assert not found.is_stable
    assert found.trials == 30_000
    assert found.why.startswith("after 30000 trials: ")
    assert found.why.endswith("not known to 0.005")


def test_what_is_not_stable_confirms_nothing() -> None:
    """A single batch may have the ends of the budget by chance."""
    arguments: dict[str, Any] = {"estimates": {"x": 0.0}, "uncertainties": {"x": 1.0}, "seed": 5, "digits": 1}

    once, often = (propagate(lambda *, x: x, **arguments, trials=trials) for trials in (15_000, 60_000))

    assert not once.confirms(0.0, expanded_uncertainty=2.0)
    assert often.confirms(0.0, expanded_uncertainty=2.0)


def test_a_high_coverage_takes_longer_batches() -> None:
    """A batch has 100 results outside the interval (JCGM 101 7.9.4 b): 100 000 trials for 99.9 %."""
    found = propagate(lambda *, x: x, estimates={"x": 0.0}, uncertainties={"x": 1.0}, seed=5, coverage=0.999, digits=1)

    assert found.trials == 200_000
    assert found.high == pytest.approx(3.2905, abs=0.15)  # 100 results are outside


def test_a_single_batch_is_never_called_stable() -> None:
    """What was drawn once says nothing about its own scatter."""
    found = propagate(lambda *, x: x, estimates={"x": 0.0}, uncertainties={"x": 1.0}, seed=5, trials=15_000)

    assert (found.is_stable, found.why) == (False, "after 15000 trials: there is only one batch")


@pytest.mark.parametrize("trials", [1_000, 10_000, 29_999, 30_001])
def test_fixed_trials_are_all_drawn(trials: int) -> None:
    """Any number of trials is drawn as asked, batches or not."""
    sizes: list[int] = []

    def model(*, x: Floats) -> Floats:
        sizes.append(x.size)
        return x

    found = propagate(model, estimates={"x": 0.0}, uncertainties={"x": 1.0}, seed=5, trials=trials)

    assert sum(sizes) == found.trials == trials
    assert max(sizes) - min(sizes) <= 1


def test_one_seed_is_one_result() -> None:
    """The seed repeats a run exactly, another seed does not."""
    arguments: dict[str, Any] = {"estimates": {"x": 0.0}, "uncertainties": {"x": 1.0}, "trials": 20_000}

    first, again, other = (propagate(lambda *, x: x, **arguments, seed=seed) for seed in (7, 7, 8))

    assert first == again
    assert first.seed == 7
    assert first.value != other.value


def test_nothing_uncertain_is_stable_at_once() -> None:
    """Without uncertainty the interval is the value itself."""
    found = propagate(lambda *, x: 2.0 * x, estimates={"x": 1.5}, uncertainties={"x": 0.0}, seed=1)

    assert (found.value, found.standard_uncertainty, found.low, found.high) == (3.0, 0.0, 3.0, 3.0)
    assert found.is_stable
    assert found.tolerance == 0.0


# ---- intervals and tolerance


@settings(deadline=None)
@given(
    values=st.lists(st.floats(min_value=-1e6, max_value=1e6), min_size=20, max_size=200),
    coverage=st.floats(min_value=0.1, max_value=0.9),
)
def test_shortest_interval_is_the_shortest(values: list[float], coverage: float) -> None:
    """No other pair of results that holds as many is closer together, the symmetric one included (all pairs tried)."""
    inside = math.floor(coverage * len(values) + 0.5)
    ordered = sorted(values)

    low, high = coverage_interval(np.array(values), coverage=coverage)

    assert high - low == min(ordered[first + inside] - ordered[first] for first in range(len(values) - inside))
    wide = coverage_interval(np.array(values), coverage=coverage, interval="symmetric")
    assert high - low <= wide[1] - wide[0]


def test_shortest_interval_of_a_skew_distribution() -> None:
    """Of an exponential distribution the shortest 95 % begin at 0 and end at its 95 % quantile."""
    values = np.random.default_rng(3).exponential(size=TRIALS)

    low, high = coverage_interval(values, coverage=0.95)

    assert low == pytest.approx(0.0, abs=0.005)
    assert high == pytest.approx(float(stats.expon.ppf(0.95)), abs=0.03)


@pytest.mark.parametrize(
    ("count", "coverage", "ends"),
    [
        # by JCGM 101 7.7.2: q = 95 of 100, r = (100 - 95 + 1)/2 = 3: the 3rd and the 98th
        pytest.param(100, 0.95, (3.0, 98.0), id="odd rest"),
        # q = 90, r = 10/2 = 5: the 5th and the 95th
        pytest.param(100, 0.90, (5.0, 95.0), id="even rest"),
        # q = 47 of 50 (47.5 rounded up is 48), r = 2/2 = 1: the 1st and the 49th
        pytest.param(50, 0.95, (1.0, 49.0), id="rounded"),
    ],
)
def test_symmetric_interval_by_hand(count: int, coverage: float, ends: tuple[float, float]) -> None:
    """Numbers from 1 to n have the ends that JCGM 101 7.7.2 counts off (memory)."""
    values = np.random.default_rng(3).permutation(np.arange(1.0, count + 1.0))

    assert coverage_interval(values, coverage=coverage, interval="symmetric") == ends


@pytest.mark.parametrize(
    ("u", "digits", "tolerance"),
    [
        pytest.param(0.00035, 2, 0.000005, id="JCGM 101 7.9.2.1 example 1: 35e-5 g"),
        pytest.param(0.0004, 1, 0.00005, id="4e-4"),
        pytest.param(2.0, 1, 0.5, id="example 2: 2 K"),
        pytest.param(0.0996, 2, 0.005, id="carries to 0.10"),
        pytest.param(9.96, 2, 0.5, id="carries to 10"),
        pytest.param(123.0, 3, 0.5, id="123"),
        pytest.param(0.0, 2, 0.0, id="nothing"),
    ],
)
def test_numerical_tolerance(u: float, digits: int, tolerance: float) -> None:
    """Half a unit in the last significant digit of u (JCGM 101 7.9.2, memory; arithmetic)."""
    assert numerical_tolerance(u, digits=digits) == pytest.approx(tolerance, rel=1e-12)


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_few_results_have_no_interval(count: int) -> None:
    """Where no result would be left outside there is no interval to find."""
    with pytest.raises(ValueError, match=rf"{count} results are too few for an interval of 95\.0000% of them"):
        coverage_interval(np.arange(float(count)), coverage=0.95)


# ---- refused


@pytest.mark.parametrize(
    ("change", "text"),
    [
        pytest.param({"seed": -1}, "seed is -1; accepted: a whole number from 0 up", id="seed below 0"),
        pytest.param({"seed": True}, "seed is True; accepted: a whole number", id="seed that is none"),
        pytest.param({"coverage": 1.0}, "coverage is 1.0; accepted: above 0 and below 1", id="coverage"),
        pytest.param({"coverage": math.nan}, "coverage is nan", id="NaN"),
        pytest.param({"interval": "widest"}, "interval is 'widest'; accepted: shortest, symmetric", id="interval"),
        pytest.param({"digits": 4}, "digits is 4; accepted: 1, 2 or 3 digits", id="digits"),
        pytest.param({"trials": 10}, r"10 trials; accepted: 44 or more, so that some lie outside 95\.45", id="trials"),
        pytest.param({"trials": 0}, "0 trials; accepted: 44 or more", id="no trials"),
        pytest.param({"most_trials": 15_000}, "most_trials is 15000; accepted: 20000 or more for a", id="most"),
        pytest.param({"uncertainties": {"y": 1.0}}, "estimates of x, uncertainties of y; accepted", id="names"),
        pytest.param({"estimates": {"x": math.inf}}, "the estimate of 'x' is inf, no finite number", id="estimate"),
        pytest.param({"uncertainties": {"x": -1.0}}, "component 'x': standard uncertainty -1.0", id="negative"),
        pytest.param({"correlations": {("x", "y"): 0.5}}, "'x' with 'y': known components are x", id="correlation"),
        pytest.param(
            {"uncertainties": {"x": Component.within("x", half_width=1.0, shape="triangular", dof=5)}},
            "input 'x' is triangular with 5 degrees of freedom; accepted: infinitely many",
            id="shape",
        ),
    ],
)
def test_propagate_refuses(change: dict[str, Any], text: str) -> None:
    """What cannot be drawn is refused before anything is drawn."""
    arguments: dict[str, Any] = {"estimates": {"x": 0.0}, "uncertainties": {"x": 1.0}, "seed": 1}

    with pytest.raises(ValueError, match=text):
        propagate(lambda *, x: x, **(arguments | change))


@pytest.mark.parametrize(
    "part",
    [Component.within("x", half_width=1.0), Component("x", standard_uncertainty=1.0, dof=4, shape="t")],
    ids=["rectangular", "t"],
)
def test_only_normal_inputs_are_correlated(part: Component) -> None:
    """For other shapes a coefficient does not say how they go together."""
    with pytest.raises(ValueError, match=r"input 'x' is correlated and .*accepted: correlations of normal inputs"):
        propagate(
            lambda *, x, y: x + y,
            estimates={"x": 0.0, "y": 0.0},
            uncertainties={"x": part, "y": 1.0},
            correlations={("x", "y"): 0.5},
            seed=1,
        )


@pytest.mark.parametrize(
    ("model", "text"),
    [
        pytest.param(lambda *, x: 1.0, r"for 10000 draws the model returned shape \(\) of float64", id="one number"),
        pytest.param(lambda *, x: x[:5], r"returned shape \(5,\) of float64; accepted: one real", id="too few"),
        pytest.param(lambda *, x: x + 1j, r"returned shape \(10000,\) of complex128", id="complex"),
        pytest.param(lambda *, x: x > 0, r"returned shape \(10000,\) of bool", id="bool"),
        pytest.param(lambda *, x: np.where(x > 0, x, np.nan), r"no finite value for \d+ of 10000 draws", id="NaN"),
        pytest.param(lambda *, x: np.where(x > 3, np.inf, x), r"no finite value for \d+ of 10000 draws", id="inf"),
    ],
)
def test_model_results_refused(model: Callable[..., object], text: str) -> None:
    """What is not one finite number for each draw is no result."""
    with pytest.raises(ValueError, match=text):
        propagate(model, estimates={"x": 0.0}, uncertainties={"x": 1.0}, seed=1)


def test_monte_carlo_and_budget_agree_where_both_hold() -> None:
    """For a divider with small errors the first-order interval is confirmed by the draws (JCGM 101 8.1)."""
    arguments: dict[str, Any] = {
        "estimates": {"volts": 4.2, "upper": 220e3, "lower": 100e3},
        "uncertainties": {"volts": 1e-3, "upper": 220.0, "lower": 100.0},
    }

    def divided(*, volts: Floats, upper: Floats, lower: Floats) -> Floats:
        return volts * lower / (upper + lower)

    found = propagate(divided, **arguments, seed=1, digits=1)
    budget: Budget = from_model(divided, **arguments)

    assert budget.value is not None
    assert found.confirms(budget.value, expanded_uncertainty=budget.expanded().uncertainty)
    assert not found.confirms(budget.value, expanded_uncertainty=1.5 * budget.expanded().uncertainty)
