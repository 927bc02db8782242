"""Uncertainty budgets against published worked examples. A failing figure shows its source and its mark.

Marks: seen-2nd = read in somebody's transcription, memory = nothing read, recomputed = own computation agrees.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import pytest

from benchrig.judge.budget import Budget, Component, from_model
from benchrig.judge.linear import fit_line
from benchrig.judge.uncertainty import expanded, paired_correlation, repeats

if TYPE_CHECKING:
    from collections.abc import Mapping


class Figure(NamedTuple):
    """A published result: each expected value has its own tolerance, half of its last printed digit."""

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
        "gum.h1",
        "JCGM 100:2008 H.1, end gauge: inputs, 32 nm and 34 nm; degrees of freedom, t99 and U99",
        "seen-2nd+recomputed; dof, t99, U99 memory+recomputed",
        {
            "u_nm": (25.0, 9.7, 2.9, 16.6),
            "dof": (18.0, 25.6, 50.0, 2.0),
            "u_d_nm": (5.8, 3.9, 6.7),
            "dof_d": (24, 5, 8),
        },
        {"u_d": 9.68, "dof_d": 25.6, "u": 31.67, "dof": 16.7, "whole dof": 16, "t99": 2.92, "U99": 93},
        # U99 is printed from the rounded 32 nm, hence 1
        {"u_d": 0.01, "dof_d": 0.2, "u": 0.1, "dof": 0.1, "whole dof": 0, "t99": 0.005, "U99": 1},
    ),
    Figure(
        "gum.h1.model",
        "JCGM 100:2008 H.1 as a model function: estimates, half widths; 50000838, 32 and 34 nm",
        "estimates memory; results seen-2nd; recomputed",
        {
            "estimates": (50.000623e-3, 215e-9, 0.0, -0.1, 11.5e-6, 0.0),
            "u": (25e-9, 9.7e-9, 1e-6 / 3**0.5, 0.41, 2e-6 / 3**0.5, 0.05 / 3**0.5),
        },
        {"l_nm": 50_000_838, "u": 31.67, "second order": 34},
        {"l_nm": 0.5, "u": 0.1, "second order": 0.5},
    ),
    Figure(
        "gum.h2",
        "JCGM 100:2008 H.2, resistance and reactance from five simultaneous readings",
        "memory+recomputed; without correlation recomputed",
        {
            "volts": (5.007, 4.994, 5.005, 4.990, 4.999),
            "milliamps": (19.663, 19.639, 19.640, 19.685, 19.678),
            "phase": (1.0456, 1.0438, 1.0468, 1.0428, 1.0433),
        },
        {
            "R": 127.732, "uR": 0.071, "X": 219.847, "uX": 0.295, "Z": 254.260, "uZ": 0.236,
            "r volts-milliamps": -0.355, "r volts-phase": 0.858, "r milliamps-phase": -0.645,
            "r R-X": -0.588, "r R-Z": -0.485, "r X-Z": 0.993,
            "uR independent": 0.1945, "uX independent": 0.2009,
        },
        {
            "R": 0.001, "uR": 0.001, "X": 0.001, "uX": 0.001, "Z": 0.001, "uZ": 0.001,
            "r volts-milliamps": 0.001, "r volts-phase": 0.001, "r milliamps-phase": 0.001,
            "r R-X": 0.001, "r R-Z": 0.001, "r X-Z": 0.001,
            "uR independent": 0.001, "uX independent": 0.001,
        },
    ),
    Figure(
        "gum.h3",
        "JCGM 100:2008 H.3, calibration line of a thermometer about 20 °C and its value at 30 °C",
        "seen-2nd+recomputed",
        {
            "t_c": (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511),
            "b_c": (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160),
        },
        {
            "y1": -0.1712, "u1": 0.0029, "y2": 0.00218, "u2": 0.00067, "r": -0.930, "s": 0.0035,
            "b30": -0.1494, "u30": 0.0041, "u30 independent": 0.0073, "dof": 9,
        },
        {
            "y1": 5e-5, "u1": 5e-5, "y2": 5e-6, "u2": 5e-6, "r": 5e-4, "s": 5e-5,
            "b30": 5e-5, "u30": 5e-5, "u30 independent": 5e-5, "dof": 1e-9,
        },
    ),
    Figure(
        "ea4_02.s9",
        "EA-4/02 M Supplement S9, hand-held multimeter at 100 V: resolution dominates",
        "seen-2nd+recomputed; half widths memory",
        {"u_normal": (0.001,), "half_widths": (0.05, 0.011)},
        {"u_resolution": 0.029, "u_calibrator": 0.0064, "u": 0.030, "k": 1.65, "U": 0.05},
        {"u_resolution": 5e-4, "u_calibrator": 5e-5, "u": 5e-4, "k": 0.01, "U": 0.005},
    ),
    Figure(
        "ea4_02.s10",
        "EA-4/02 M Supplement S10, vernier caliper: two rectangular components dominate",
        "k seen-2nd; half widths and u memory; recomputed",
        {"half_widths_um": (50.0, 25.0), "u_rest_um": (0.46, 2.0)},
        {"u": 33, "k": 1.83, "U": 60},
        {"u": 0.75, "k": 0.01, "U": 5},
    ),
    Figure(
        "ea4_02.s12",
        "EA-4/02 M Supplement S12, household water meter: few degrees of freedom",
        "seen-2nd",
        {"u": (6.0e-4, 6.8e-4), "dof": (2.0, math.inf)},
        {"u": 9.1e-4, "k": 2.28},
        {"u": 5e-6, "k": 0.01},
    ),
    Figure(
        "ea4_02.s2",
        "EA-4/02 M Supplement S2, 10 kg mass (prints k = 2); k with 2 degrees of freedom for the third component",
        "u seen-2nd; k recomputed",
        {"u_g": (0.0225, 0.00895, 0.0144, 0.00577, 0.00577), "dof": (math.inf, math.inf, 2.0, math.inf, math.inf)},
        {"u": 0.0293, "k": 2.08},
        {"u": 5e-5, "k": 0.01},
    ),
    Figure(
        "jcgm101.9_2.gum",
        "JCGM 101:2008 9.2.2 and 9.2.4, first-order half widths of four inputs",
        "memory+recomputed",
        {"equal": (1.0, 1.0, 1.0, 1.0), "unequal": (1.0, 1.0, 1.0, 10.0)},
        {"equal": 3.92, "u": 10.1, "unequal": 19.9},
        {"equal": 0.005, "u": 0.05, "unequal": 0.05},
    ),
    Figure(
        "jcgm101.9_3.gum",
        "JCGM 101:2008 9.3, mass calibration: first and second order; 95 % interval of the first",
        "memory+recomputed; second order memory",
        {"estimates": (100_000.0, 1.234, 1.2, 8000.0, 8000.0), "u": (0.050, 0.020), "half_widths": (0.1, 1000.0, 50.0)},
        {"value": 1.234, "u": 0.0539, "second order": 0.0750, "low": 1.1285, "high": 1.3395},
        {"value": 5e-5, "u": 5e-5, "second order": 5e-5, "low": 1e-4, "high": 1e-4},
    ),
)  # fmt: skip


def figure(name: str) -> Figure:
    """The figure of this id."""
    return next(one for one in FIGURES if one.id == name)


def test_a_figure_that_does_not_hold_shows_its_source_and_mark() -> None:
    """Who sees a failure also sees how well the expected value itself is backed."""
    with pytest.raises(AssertionError, match=r"published 93 within 1; JCGM 100:2008 H\.1.*\[seen-2nd\+recomputed"):
        figure("gum.h1").holds("U99", 91.0)


def test_end_gauge_of_gum_h1() -> None:
    """Combined uncertainty, Welch-Satterthwaite, coverage factor and expanded uncertainty of GUM H.1."""
    published = figure("gum.h1")
    budget = Budget([_exact(n, u, dof) for n, (u, dof) in _numbered(published, "u_nm", "dof")], unit="nm")

    found = budget.expanded(coverage=0.99, whole_dof=True)

    published.holds("u", budget.standard_uncertainty)
    published.holds("dof", budget.dof)
    published.holds("whole dof", found.dof)
    published.holds("t99", found.k)
    published.holds("U99", found.uncertainty)


def test_comparator_of_gum_h1() -> None:
    """A component is itself a budget: the comparison's 9.7 nm with 25.6 degrees of freedom."""
    published = figure("gum.h1")

    budget = Budget([_exact(n, u, dof) for n, (u, dof) in _numbered(published, "u_d_nm", "dof_d")], unit="nm")

    published.holds("u_d", budget.standard_uncertainty)
    published.holds("dof_d", budget.dof)


def _end_gauge(
    *, length_m: float, d_m: float, expansion_d: float, temperature: float, expansion: float, temperature_d: float
) -> float:
    return length_m + d_m - length_m * (expansion_d * temperature + expansion * temperature_d)


@pytest.mark.parametrize("second_order", [False, True])
def test_model_of_gum_h1(second_order: bool) -> None:
    """Sensitivities and second-order terms come from the model function alone: 32 nm, and 34 nm with them."""
    published = figure("gum.h1.model")
    names = ("length_m", "d_m", "expansion_d", "temperature", "expansion", "temperature_d")

    budget = from_model(
        _end_gauge,
        estimates=dict(zip(names, published.inputs["estimates"], strict=True)),
        uncertainties=dict(zip(names, published.inputs["u"], strict=True)),
        unit="m",
        second_order=second_order,
    )

    assert budget.value is not None
    published.holds("l_nm", budget.value * 1e9)
    published.holds("second order" if second_order else "u", budget.standard_uncertainty * 1e9)


def _resistance(*, volts: float, milliamps: float, phase: float) -> float:
    return 1000.0 * volts / milliamps * math.cos(phase)


def _reactance(*, volts: float, milliamps: float, phase: float) -> float:
    return 1000.0 * volts / milliamps * math.sin(phase)


def _impedance(*, volts: float, milliamps: float, phase: float) -> float:
    return 1000.0 * volts / milliamps + 0.0 * phase


def _budgets_of_gum_h2(*, are_correlated: bool) -> dict[str, Budget]:
    readings = figure("gum.h2").inputs
    pairs = (("volts", "milliamps"), ("volts", "phase"), ("milliamps", "phase"))
    correlations = {pair: paired_correlation(readings[pair[0]], readings[pair[1]]) for pair in pairs}
    return {
        name: from_model(
            model,
            estimates={one: math.fsum(values) / len(values) for one, values in readings.items()},
            uncertainties={one: repeats(values) for one, values in readings.items()},
            correlations=correlations if are_correlated else {},
            unit="ohm",
        )
        for name, model in (("R", _resistance), ("X", _reactance), ("Z", _impedance))
    }


@pytest.mark.parametrize("name", ["R", "X", "Z"])
def test_correlated_readings_of_gum_h2(name: str) -> None:
    """Value and uncertainty of R, X and Z; read together five times, they have four degrees of freedom."""
    published = figure("gum.h2")

    budget = _budgets_of_gum_h2(are_correlated=True)[name]

    assert budget.value is not None
    published.holds(name, budget.value)
    published.holds(f"u{name}", budget.standard_uncertainty)
    assert budget.dof == pytest.approx(4.0, abs=1e-12)


@pytest.mark.parametrize("pair", [("volts", "milliamps"), ("volts", "phase"), ("milliamps", "phase")], ids="-".join)
def test_correlation_of_readings_of_gum_h2(pair: tuple[str, str]) -> None:
    """Correlation coefficients of what was read together."""
    published = figure("gum.h2")

    found = paired_correlation(published.inputs[pair[0]], published.inputs[pair[1]])

    published.holds("r " + "-".join(pair), found)


@pytest.mark.parametrize("pair", [("R", "X"), ("R", "Z"), ("X", "Z")], ids="-".join)
def test_correlation_of_results_of_gum_h2(pair: tuple[str, str]) -> None:
    """Results that share their inputs are correlated, and by how much follows from their budgets."""
    budgets = _budgets_of_gum_h2(are_correlated=True)
    one, other = budgets[pair[0]], budgets[pair[1]]

    found = one.covariance(other) / (one.standard_uncertainty * other.standard_uncertainty)

    figure("gum.h2").holds("r " + "-".join(pair), found)


@pytest.mark.parametrize("name", ["R", "X"])
def test_correlations_of_gum_h2_matter(name: str) -> None:
    """Without its correlations the same data give another uncertainty, too large for R and too small for X."""
    budget = _budgets_of_gum_h2(are_correlated=False)[name]

    figure("gum.h2").holds(f"u{name} independent", budget.standard_uncertainty)


@pytest.mark.parametrize("are_correlated", [True, False], ids=["correlated", "independent"])
def test_thermometer_line_of_gum_h3(are_correlated: bool) -> None:
    """A line's value far from its points needs the correlation of intercept and slope."""
    published = figure("gum.h3")
    line = fit_line([t - 20.0 for t in published.inputs["t_c"]], published.inputs["b_c"])
    r = line.covariance / (line.intercept_se * line.slope_se)
    parts = {
        name: Component(name, standard_uncertainty=u, dof=line.dof, shape="t")
        for name, u in (("y1", line.intercept_se), ("y2", line.slope_se))
    }

    budget = from_model(
        lambda *, y1, y2: y1 + 10.0 * y2,
        estimates={"y1": line.intercept, "y2": line.slope},
        uncertainties=parts,
        correlations={("y1", "y2"): r} if are_correlated else {},
        unit="degC",
    )

    assert budget.value is not None
    published.holds("b30", budget.value)
    published.holds("u30" if are_correlated else "u30 independent", budget.standard_uncertainty)
    if are_correlated:
        published.holds("dof", budget.dof)
    for name, found in (("y1", line.intercept), ("y2", line.slope), ("r", r), ("s", line.residual_sd)):
        published.holds(name, found)
    published.holds("u1", line.intercept_se)
    published.holds("u2", line.slope_se)


def test_resolution_dominates_ea4_02_s9() -> None:
    """One rectangular component dominates: k is 1.65, not 2."""
    published = figure("ea4_02.s9")
    resolution, calibrator = (
        Component.within(name, half_width=half_width)
        for name, half_width in zip(("resolution", "calibrator"), published.inputs["half_widths"], strict=True)
    )
    normal = Component("calibration", standard_uncertainty=published.inputs["u_normal"][0])

    budget = Budget([normal, resolution, calibrator], unit="V", value=0.1)

    found = budget.expanded(coverage=0.95)
    published.holds("u_resolution", resolution.standard_uncertainty)
    published.holds("u_calibrator", calibrator.standard_uncertainty)
    published.holds("u", budget.standard_uncertainty)
    published.holds("k", found.k)
    published.holds("U", found.uncertainty)
    assert found.basis == "rectangular: resolution dominates"
    assert budget.dominant is resolution


def test_two_dominate_ea4_02_s10() -> None:
    """Two rectangular components make a trapezoid: k is 1.83."""
    published = figure("ea4_02.s10")
    parts = [Component.within(f"wide {w:g}", half_width=w) for w in published.inputs["half_widths_um"]]
    parts += [Component(f"rest {u:g}", standard_uncertainty=u) for u in published.inputs["u_rest_um"]]

    budget = Budget(parts, unit="um")

    found = budget.expanded(coverage=0.95)
    published.holds("u", budget.standard_uncertainty)
    published.holds("k", found.k)
    published.holds("U", found.uncertainty)
    assert found.basis == "trapezoidal: wide 50 and wide 25 dominate"


@pytest.mark.parametrize(("name", "u", "whole_dof"), [("ea4_02.s12", "u", True), ("ea4_02.s2", "u_g", False)])
def test_few_degrees_of_freedom_of_ea4_02(name: str, u: str, whole_dof: bool) -> None:
    """Few readings raise k above 2, by Welch-Satterthwaite; EA-4/02 takes whole degrees of freedom in S12."""
    published = figure(name)

    budget = Budget([_exact(n, value, dof) for n, (value, dof) in _numbered(published, u, "dof")])

    published.holds("u", budget.standard_uncertainty)
    published.holds("k", budget.expanded(whole_dof=whole_dof).k)


def test_first_order_of_jcgm_101_9_2() -> None:
    """What the first-order budget says where Monte Carlo says something else: 3.92 and 19.9."""
    published = figure("jcgm101.9_2.gum")
    equal = Budget([_exact(n, u) for n, u in enumerate(published.inputs["equal"])])
    unequal = Budget([_exact(n, u) for n, u in enumerate(published.inputs["unequal"])])

    published.holds("equal", equal.expanded(coverage=0.95).uncertainty)
    published.holds("u", unequal.standard_uncertainty)
    published.holds("unequal", expanded(unequal.standard_uncertainty, dof=math.inf, coverage=0.95)[0])


def _mass(*, reference: float, added: float, air: float, weight: float, standard: float) -> float:
    return (reference + added) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)) - 100_000.0


@pytest.mark.parametrize("second_order", [False, True])
def test_mass_of_jcgm_101_9_3(second_order: bool) -> None:
    """Where first order misses the whole effect of the air, the second-order terms bring it in."""
    published = figure("jcgm101.9_3.gum")
    names = ("reference", "added", "air", "weight", "standard")
    shapes = [Component("normal", standard_uncertainty=u) for u in published.inputs["u"]]
    shapes += [Component.within("flat", half_width=w) for w in published.inputs["half_widths"]]

    budget = from_model(
        _mass,
        estimates=dict(zip(names, published.inputs["estimates"], strict=True)),
        uncertainties=dict(zip(names, shapes, strict=True)),
        unit="mg",
        second_order=second_order,
    )

    assert budget.value is not None
    published.holds("value", budget.value)
    published.holds("second order" if second_order else "u", budget.standard_uncertainty)
    if not second_order:
        half_width = budget.expanded(coverage=0.95).uncertainty
        published.holds("low", budget.value - half_width)
        published.holds("high", budget.value + half_width)


def _exact(number: int, u: float, dof: float = math.inf) -> Component:
    return Component(f"input {number}", standard_uncertainty=u, dof=dof)


def _numbered(published: Figure, u: str, dof: str) -> enumerate[tuple[float, float]]:
    return enumerate(zip(published.inputs[u], published.inputs[dof], strict=True))
