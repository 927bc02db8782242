"""Risks against published figures and against scipy. A failing figure shows its source and its mark.

Marks: seen-2nd = read in somebody's transcription, memory = nothing read, recomputed = own computation agrees.
Published or recomputed elsewhere; none of them comes out of this package.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from benchrig.judge.decision import Limit, zones
from benchrig.judge.risk import (
    Bands,
    GlobalRisks,
    Spread,
    conformance_probability,
    global_risks,
    nonconformance_probability,
    risk_limited_bands,
)

if TYPE_CHECKING:
    from collections.abc import Callable


class Figure(NamedTuple):
    """A published result: `inputs` go into the computation that `compute` names."""

    id: str
    source: str
    mark: str
    compute: str
    inputs: tuple[float, ...]
    expected: float
    tolerance: float

    def holds(self, found: float) -> None:
        """Fail with source and mark when `found` is not the published value."""
        assert abs(found - self.expected) <= self.tolerance, (
            f"{self.id}{self.inputs}: {found!r}, published {self.expected!r} within {self.tolerance!r}; "
            f"{self.source} [{self.mark}]"
        )


G8 = "ILAC-G8:09/2019 4.2 and Table 1, probability of false acceptance at the acceptance limit; Phi(-2 w/U)"
NEEDS = "common practice, no source: test uncertainty ratio T/(2U) with U = 2u, Cp = 1 centred, joint over all boards"

FIGURES = (
    Figure(
        "jcgm106.pc", "JCGM 106:2012, worked example of a breakdown voltage of -5.47 V, u 0.05 V, limit -5.40 V",
        "memory+recomputed", "conformance", (-5.47, 0.05, -5.40), 0.919, 0.001,
    ),
    Figure("ilac_g8 w/U 0", G8, "seen-2nd+recomputed", "pfa", (0.0,), 0.5, 1e-4),
    Figure("ilac_g8 w/U 0.5", G8, "seen-2nd+recomputed", "pfa", (0.5,), 0.1587, 1e-4),
    Figure("ilac_g8 w/U 0.83", G8, "seen-2nd+recomputed", "pfa", (0.83,), 0.0485, 1e-4),
    Figure("ilac_g8 w/U 1", G8, "seen-2nd+recomputed", "pfa", (1.0,), 0.0228, 1e-4),
    Figure("ilac_g8 w/U 1.5", G8, "seen-2nd+recomputed", "pfa", (1.5,), 0.00135, 1e-4),
    Figure("4:1 simple, accept bad", NEEDS, "recomputed", "accepted bad", (4.0, 0.0), 737e-6, 0.5e-6),
    Figure("4:1 simple, reject good", NEEDS, "recomputed", "not accepted good", (4.0, 0.0), 0.0030, 0.00005),
    Figure("4:1 w = U, accept bad", NEEDS, "recomputed", "accepted bad", (4.0, 1.0), 20e-6, 0.5e-6),
    Figure("4:1 w = U, reject good", NEEDS, "recomputed", "not accepted good", (4.0, 1.0), 0.032, 0.0005),
    Figure("1:1 simple, reject good", NEEDS, "recomputed", "not accepted good", (1.0, 0.0), 0.09, 0.005),
)  # fmt: skip


def pfa(share: float) -> float:
    """Risk of a value that the named rule only just accepts; U = 1, far from a second limit."""
    rule = {0.0: "simple", 1.0: "guarded"}.get(share, f"guarded {share}")
    limit = Limit("bound", unit="V", high=10.0, source="invented for the test", rule=rule)
    border = zones(limit, expanded_uncertainty=1.0).accept_high
    return nonconformance_probability(border, standard_uncertainty=0.5, high=10.0)


def at_ratio(ratio: float, share: float) -> GlobalRisks:
    """Tolerance -1 to 1, Cp = 1, so that the process has s = 1/3; U = 1/ratio; guard band `share` of U."""
    expanded = 1.0 / ratio
    bands = Bands(share * expanded, share * expanded)
    return global_risks(Spread(0.0, 1 / 3), standard_uncertainty=expanded / 2, low=-1.0, high=1.0, bands=bands)


COMPUTE: dict[str, Callable[..., float]] = {
    "conformance": lambda y, u, high: conformance_probability(y, standard_uncertainty=u, high=high),
    "pfa": pfa,
    "accepted bad": lambda ratio, share: at_ratio(ratio, share).accepted_bad,
    "not accepted good": lambda ratio, share: at_ratio(ratio, share).not_accepted_good,
}


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_published_figure(figure: Figure) -> None:
    """Each published figure comes out within its last printed digit."""
    figure.holds(COMPUTE[figure.compute](*figure.inputs))


# ---- one value


@pytest.mark.parametrize("z", [-30.0, -8.0, -1.0, 0.0, 1.0, 5.0, 8.0, 30.0])
def test_nonconformance_keeps_its_digits_in_the_tail(z: float) -> None:
    """The specific risk agrees with scipy to 1e-12 of itself, at 1e-197 as at one half."""
    found = nonconformance_probability(10.0 - 0.5 * z, standard_uncertainty=0.5, high=10.0)

    assert found == pytest.approx(stats.norm.sf(z), rel=1e-12, abs=0.0)


@pytest.mark.parametrize("z", [3.0, 9.0, 20.0, 35.0])
@pytest.mark.parametrize("side", [-1.0, 1.0], ids=["below", "above"])
def test_conformance_keeps_its_digits_in_the_tail(z: float, side: float) -> None:
    """The chance that a value far outside is good after all agrees with scipy to 1e-11 of itself, on either side."""
    u = 0.01
    found = conformance_probability(side * (1.0 + u * z), standard_uncertainty=u, low=-1.0, high=1.0)

    assert found == pytest.approx(stats.norm.sf(z), rel=1e-11, abs=0.0)


@settings(deadline=None)
@given(
    value=st.floats(-5, 5),
    u=st.floats(1e-3, 10),
    low=st.none() | st.floats(-3, 0),
    high=st.floats(0.1, 3),
    prior=st.none() | st.builds(Spread, st.floats(-3, 3), st.floats(1e-2, 5)),
)
def test_specific_risk_is_the_integral_of_the_belief(
    value: float, u: float, low: float | None, high: float, prior: Spread | None
) -> None:
    """Inside and outside agree with scipy's normal distribution of the belief, and make up one."""
    mean, variance = value, u**2
    if prior is not None:
        variance = 1 / (1 / u**2 + 1 / prior.standard_deviation**2)
        mean = variance * (value / u**2 + prior.mean / prior.standard_deviation**2)
    belief = stats.norm(mean, math.sqrt(variance))

    inside = conformance_probability(value, standard_uncertainty=u, low=low, high=high, prior=prior)
    outside = nonconformance_probability(value, standard_uncertainty=u, low=low, high=high, prior=prior)

    assert inside == pytest.approx(belief.cdf(high) - (0.0 if low is None else belief.cdf(low)), abs=1e-11)
    assert inside + outside == pytest.approx(1.0, abs=1e-12)


def test_prior_of_two_normals_against_the_integral() -> None:
    """With a prior the belief is the normalised product of prior and error density, integrated by scipy."""
    prior, value, u, high = Spread(3.30, 0.02), 3.36, 0.03, 3.35

    def product(true: float) -> float:
        return float(stats.norm.pdf(true, prior.mean, prior.standard_deviation) * stats.norm.pdf(value, true, u))

    total = integrate.quad(product, 3.0, 3.7, points=[3.3, 3.35], epsabs=1e-13)[0]
    beyond = integrate.quad(product, high, 3.7, epsabs=1e-13)[0]

    found = nonconformance_probability(value, standard_uncertainty=u, high=high, prior=prior)

    assert found == pytest.approx(beyond / total, abs=1e-10)


@pytest.mark.parametrize(("value", "inside"), [(1.0, 1.0), (math.nextafter(1.0, 2), 0.0), (0.0, 1.0), (-1e-9, 0.0)])
def test_exact_value_is_in_or_out(value: float, inside: float) -> None:
    """Without uncertainty a value is in or out, and one that equals a limit is in."""
    assert conformance_probability(value, standard_uncertainty=0.0, low=0.0, high=1.0) == inside
    assert nonconformance_probability(value, standard_uncertainty=0.0, low=0.0, high=1.0) == 1.0 - inside


REFUSED = [
    pytest.param({"value": math.nan}, "the value is nan, no finite number", id="NaN"),
    pytest.param({"value": math.inf}, "the value is inf, no finite number", id="infinite"),
    pytest.param(
        {"standard_uncertainty": -0.1}, "uncertainty is -0.1; accepted: a finite number from 0 up", id="u < 0"
    ),
    pytest.param({"standard_uncertainty": math.nan}, "uncertainty is nan; accepted", id="u NaN"),
    pytest.param({"standard_uncertainty": math.inf}, "uncertainty is inf; accepted", id="u infinite"),
    pytest.param({"high": None}, "neither low nor high", id="no limit"),
    pytest.param({"high": math.nan}, "high is nan, no finite number", id="limit NaN"),
    pytest.param({"low": 2.0}, "low 2.0 is above high 1.0", id="crossed"),
]


@pytest.mark.parametrize(("changed", "text"), REFUSED)
@pytest.mark.parametrize("function", [conformance_probability, nonconformance_probability])
def test_specific_risk_refuses_nonsense(
    function: Callable[..., float], changed: dict[str, float | None], text: str
) -> None:
    """What is no number, or no uncertainty, or no limit has no risk; the message says what is accepted."""
    arguments = {"value": 0.5, "standard_uncertainty": 0.1, "high": 1.0} | changed

    with pytest.raises(ValueError, match=re.escape(text)):
        function(arguments.pop("value"), **arguments)


@pytest.mark.parametrize(
    ("mean", "deviation", "text"),
    [(math.nan, 1.0, "mean of the process is nan"), (0.0, 0.0, "deviation of the process is 0.0")]
    + [(0.0, bad, "deviation of the process") for bad in (-1.0, math.nan, math.inf)],
)
def test_spread_refuses_nonsense(mean: float, deviation: float, text: str) -> None:
    """A process has a finite mean and scatters."""
    with pytest.raises(ValueError, match=text):
        Spread(mean, deviation)


# ---- a limited risk


@pytest.mark.parametrize("risk", [1e-6, 0.001, 0.02, 0.05, 0.2, 0.45])
@pytest.mark.parametrize("width", [4.0, 4.7, 5.0, 6.5, 8.0, 11.0, 40.0, math.inf])
def test_inner_band_is_where_the_risk_is_the_limit(risk: float, width: float) -> None:
    """At the end of acceptance both tails together are the limited risk: scipy's root of scipy's tails."""
    u = 0.3
    inner, outer = risk_limited_bands(risk, standard_uncertainty=u, width=width * u)

    assert outer == pytest.approx(u * stats.norm.isf(risk), rel=1e-9)
    if 2 * stats.norm.sf(width / 2) > risk:
        assert inner > width * u / 2
        return
    if math.isinf(width):
        root = stats.norm.isf(risk)
    else:
        root = optimize.brentq(lambda v: stats.norm.sf(v) + stats.norm.sf(width - v) - risk, 0, width / 2, xtol=1e-13)
    assert inner == pytest.approx(u * root, rel=1e-8)


@settings(deadline=None)
@given(risk=st.floats(1e-6, 0.499), u=st.floats(0, 1e3), more=st.floats(0, 1e3), width=st.floats(0, 1e3))
def test_bands_never_shrink_with_uncertainty(risk: float, u: float, more: float, width: float) -> None:
    """A less certain value is never accepted or rejected further out."""
    small, large = sorted((u, more))
    before = risk_limited_bands(risk, standard_uncertainty=small, width=width)
    after = risk_limited_bands(risk, standard_uncertainty=large, width=width)

    # where both tails meet in the middle the root is double, so good to the square root of a float's digits
    assert after.inner >= before.inner * (1 - 1e-7)
    assert after.outer >= before.outer
    assert after.inner >= after.outer * (1 - 1e-12)


@pytest.mark.parametrize("risk", [0.0, 0.5, -0.1, 1.0, math.nan, math.inf])
def test_bands_refuse_a_risk_that_is_none(risk: float) -> None:
    """A risk from one half up would accept what is more likely bad."""
    with pytest.raises(ValueError, match=r"accepted: above 0 and below 0\.5"):
        risk_limited_bands(risk, standard_uncertainty=0.1, width=1.0)


@pytest.mark.parametrize("width", [-1.0, math.nan])
def test_bands_refuse_a_width_that_is_none(width: float) -> None:
    """A tolerance is not narrower than nothing."""
    with pytest.raises(ValueError, match="width of the tolerance"):
        risk_limited_bands(0.02, standard_uncertainty=0.1, width=width)


# ---- all boards


def by_scipy(prior: Spread, u: float, truth: tuple[float, float], seen: tuple[float, float]) -> float:
    """Probability of a true value in `truth` and a reading in `seen`, by scipy's bivariate normal distribution."""
    s = prior.standard_deviation
    joint = math.hypot(s, u)
    both = stats.multivariate_normal([0, 0], [[1, s / joint], [s / joint, 1]])

    def below(true: float, reading: float) -> float:
        a, b = (true - prior.mean) / s, (reading - prior.mean) / joint
        return float(both.cdf([max(-40, min(40, a)), max(-40, min(40, b))]))

    return below(truth[1], seen[1]) - below(truth[0], seen[1]) - below(truth[1], seen[0]) + below(truth[0], seen[0])


PROCESSES = [
    pytest.param(Spread(0.0, 1 / 3), 0.125, -1.0, 1.0, Bands(0.0, 0.0), id="4:1 simple"),
    pytest.param(Spread(0.0, 1 / 3), 0.125, -1.0, 1.0, Bands(0.25, 0.25), id="4:1 guarded"),
    pytest.param(Spread(0.4, 0.5), 0.5, -1.0, 1.0, Bands(0.2, 0.7), id="off centre, wide"),
    pytest.param(Spread(0.0, 1.0), 0.01, -1.0, 1.0, Bands(0.02, 0.01), id="certain"),
    pytest.param(Spread(0.0, 0.01), 1.0, -1.0, 1.0, Bands(0.5, 0.5), id="tight process"),
    pytest.param(Spread(3.0, 0.2), 0.1, None, 3.2, Bands(0.1, 0.1), id="high alone"),
    pytest.param(Spread(3.0, 0.2), 0.1, 3.1, None, Bands(0.1, 0.2), id="low alone, mean outside"),
    pytest.param(Spread(0.0, 0.3), 0.4, -0.5, 0.5, Bands(0.8, 0.8), id="nothing accepted"),
]


@pytest.mark.parametrize(("prior", "u", "low", "high", "bands"), PROCESSES)
def test_global_risks_match_the_bivariate_normal(
    prior: Spread, u: float, low: float | None, high: float | None, bands: Bands
) -> None:
    """Every share agrees to 1e-9 with scipy's bivariate normal distribution, which integrates in another way."""
    lowest, highest = -math.inf if low is None else low, math.inf if high is None else high
    accept = (lowest + bands.inner, highest - bands.inner)
    outside = ((-math.inf, lowest), (highest, math.inf))
    beyond = ((-math.inf, lowest - bands.outer), (highest + bands.outer, math.inf))

    def share(truths: tuple[tuple[float, float], ...], seens: tuple[tuple[float, float], ...]) -> float:
        return sum(by_scipy(prior, u, truth, seen) for truth in truths for seen in seens if seen[0] < seen[1])

    found = global_risks(prior, standard_uncertainty=u, low=low, high=high, bands=bands)

    good = ((lowest, highest),)
    accepted_good, failed_good = share(good, (accept,)), share(good, beyond)
    everything = ((-math.inf, math.inf),)
    expected = GlobalRisks(
        bad=share(outside, everything),
        accepted=accepted_good + share(outside, (accept,)),
        accepted_bad=share(outside, (accept,)),
        failed_good=failed_good,
        undecided_good=share(good, everything) - accepted_good - failed_good,
        undecided_bad=share(outside, everything) - share(outside, (accept,)) - share(outside, beyond),
    )
    for name in ("bad", "accepted", "accepted_bad", "failed_good", "undecided_good", "undecided_bad"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), abs=1e-9), name


def test_small_global_risk_keeps_its_digits() -> None:
    """20 ppm are right to a millionth of themselves: scipy's adaptive integration of the same double integral."""
    s, u, w = 1 / 3, 0.125, 0.25

    def accepted(true: float) -> float:
        kept = stats.norm.cdf((1 - w - true) / u) - stats.norm.cdf((-1 + w - true) / u)
        return float(stats.norm.pdf(true, 0, s) * kept)

    expected = 2 * integrate.quad(accepted, 1.0, 3.0, epsabs=1e-16, epsrel=1e-11)[0]

    assert at_ratio(4.0, 1.0).accepted_bad == pytest.approx(expected, rel=1e-6)


@settings(deadline=None, max_examples=40)
@given(
    prior=st.builds(Spread, st.floats(-2, 2), st.floats(0.05, 3)),
    u=st.just(0.0) | st.floats(1e-3, 3),
    inner=st.floats(0, 1.5),
    outer=st.floats(0, 1.5),
)
def test_global_shares_make_up_all_boards(prior: Spread, u: float, inner: float, outer: float) -> None:
    """Shares are from 0 to 1 and consistent: a good board passes, fails or is undecided, and so does a bad one."""
    found = global_risks(prior, standard_uncertainty=u, low=-1.0, high=1.0, bands=Bands(inner, outer))

    shares = (found.bad, found.accepted, found.accepted_bad, found.failed_good, found.undecided_good)
    assert all(-1e-15 <= share <= 1.0 + 1e-12 for share in shares)
    assert found.accepted_bad <= found.bad + 1e-12
    good = 1.0 - found.bad
    assert found.accepted - found.accepted_bad + found.not_accepted_good == pytest.approx(good, abs=1e-10)
    assert 0.0 <= found.bad_among_accepted <= 1.0 + 1e-12


def test_exact_measurement_makes_no_mistake() -> None:
    """Without uncertainty no bad board is accepted and no good one rejected."""
    found = global_risks(Spread(0.0, 1.0), standard_uncertainty=0.0, low=-1.0, high=1.0)

    assert (found.accepted_bad, found.failed_good, found.undecided) == (0.0, 0.0, 0.0)
    assert found.accepted == pytest.approx(stats.norm.cdf(1) - stats.norm.cdf(-1), abs=1e-12)


@pytest.mark.parametrize("bands", [Bands(-0.1, 0.0), Bands(0.0, math.nan), Bands(math.inf, 0.0)])
def test_global_risks_refuse_bands_that_are_none(bands: Bands) -> None:
    """A guard band is a finite width from 0 up."""
    with pytest.raises(ValueError, match=r"guard band is .*; accepted: a finite number from 0 up"):
        global_risks(Spread(0.0, 1.0), standard_uncertainty=0.1, high=1.0, bands=bands)
