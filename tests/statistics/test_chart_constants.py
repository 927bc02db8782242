"""Constants of control charts against printed values, and against simulation where nothing is printed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchrig.statistics.chart_constants import constants, equivalent_dof, mean_deviation, range_divisor
from tests.published import Figure
from tests.statistics.published_tables import rows_of, source_of

TABLE = "spc_constants.csv"
FIGURES = [
    Figure(f"{name} of {row['n']}", source_of(TABLE), row["seen"], (int(row["n"]), name), float(row[name]))
    for row in rows_of(TABLE)
    for name in ("d2", "d3", "c4", "A2", "D3", "D4", "A3", "B3", "B4")
]
DUNCAN = [
    Figure(
        f"degrees of freedom of one range of {size}",
        "A. J. Duncan, Quality Control and Industrial Statistics, table D3",
        "memory",
        size,
        expected,
    )
    for size, expected in ((2, 1.0), (3, 2.0), (4, 2.9), (5, 3.8), (6, 4.7), (7, 5.5))
]
AIAG = "average-range method of the measurement systems analysis manual, 4th edition, as transcribed in public code"
FACTORS = [
    Figure("K1, 3 trials", AIAG, "seen-2nd + recomputed", (3, 1_000_000_000), 0.5908),
    Figure("K2, 3 appraisers", AIAG, "seen-2nd + recomputed", (3, 1), 0.5231),
    Figure("K3, 10 parts", AIAG, "seen-2nd + recomputed", (10, 1), 0.3146),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_constants_meet_the_figures_of_the_table(figure: Figure[tuple[int, str], float]) -> None:
    """Every constant to a unit of the fourth decimal: D4 of 2 is one too high there, for it is B4 of 2 exactly."""
    size, name = figure.inputs

    assert getattr(constants(size), name) == pytest.approx(figure.expected, abs=1e-4), figure


@pytest.mark.parametrize("figure", DUNCAN, ids=lambda figure: figure.id)
def test_equivalent_freedom_meets_the_figures_of_duncan(figure: Figure[int, float]) -> None:
    """Degrees of freedom of a single range, to the decimal that is printed."""
    assert equivalent_dof(figure.inputs, subgroups=1) == pytest.approx(figure.expected, abs=0.05), figure


@pytest.mark.parametrize("figure", FACTORS, ids=lambda figure: figure.id)
def test_divisor_meets_the_figures_of_a_gauge_study(figure: Figure[tuple[int, int], float]) -> None:
    """The factors K of the average-range method are one by our divisor."""
    size, subgroups = figure.inputs

    assert 1.0 / range_divisor(size, subgroups=subgroups) == pytest.approx(figure.expected, abs=5e-5), figure


@pytest.mark.parametrize("size", [11, 15, 25])
def test_large_subgroups_agree_with_scipy(size: int) -> None:
    """Beyond the table d2 is twice the mean of the largest of n, which scipy integrates in another way."""
    largest = stats.norm.expect(lambda x: x * size * stats.norm.cdf(x) ** (size - 1))

    assert constants(size).d2 == pytest.approx(2.0 * largest, rel=1e-8)
    assert constants(size).c4 == pytest.approx(stats.chi.mean(size - 1) / (size - 1) ** 0.5, rel=1e-12)


def test_square_of_a_mean_range_has_no_bias() -> None:
    """Of 200 000 mean ranges of 3 subgroups of 4 the mean square by the divisor is 1 (four standard errors)."""
    ranges = np.ptp(np.random.default_rng(1).standard_normal((200_000, 3, 4)), axis=2).mean(axis=1)

    squares = (ranges / range_divisor(4, subgroups=3)) ** 2

    assert abs(squares.mean() - 1.0) < 4.0 * squares.std() / 200_000**0.5


@pytest.mark.parametrize("subgroups", [1, 3, 30, 100_000])
def test_equivalent_freedom_scatters_as_the_ranges_do(subgroups: int) -> None:
    """The deviation with these degrees of freedom has the relative scatter of the mean range."""
    found = constants(5)
    dof = equivalent_dof(5, subgroups=subgroups)

    scatter = stats.chi.std(dof) / stats.chi.mean(dof)

    assert scatter == pytest.approx(found.d3 / found.d2 / subgroups**0.5, rel=1e-3)


def test_mean_deviation_is_c4() -> None:
    """With one degree of freedom less than values it is c4."""
    assert mean_deviation(4) == constants(5).c4


def test_sizes_that_have_no_constants_are_refused() -> None:
    """Subgroups hold from 2 to 25 values, and there is one or more."""
    for size in (1, 26):
        with pytest.raises(ValueError, match=f"subgroups of {size} values; accepted: from 2 to 25"):
            constants(size)
    with pytest.raises(ValueError, match="subgroups are 0; accepted: 1 or more"):
        range_divisor(3, subgroups=0)
    with pytest.raises(ValueError, match="subgroups are 0; accepted: 1 or more"):
        equivalent_dof(3, subgroups=0)
