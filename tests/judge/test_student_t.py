"""Student's t against a printed-table quantity and against scipy."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.student_t import two_sided_quantile
from tests.published import Figure

G2 = "the quantity of JCGM 100:2008 (GUM) table G.2, with scipy 1.17.1 (the table itself not seen)"
TABLE = Path(__file__).with_name("student_t_k.csv")


def table_rows() -> list[Figure[tuple[float, float], float]]:
    """Of degrees of freedom and coverage the k of every cell of the table."""
    with TABLE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [
        Figure(
            f"{column} of {row['dof']}",
            G2,
            row["seen"],
            (float(row["dof"]), float(column.removeprefix("k_")) / 100),
            float(row[column]),
        )
        for row in rows
        for column in ("k_90", "k_95", "k_95.45", "k_99")
    ]


FIGURES = table_rows()


@pytest.mark.parametrize("dof", [1e4, 1e9, 1e78, 1e154, 1e300, math.inf])
def test_very_many_degrees_of_freedom_are_those_of_a_normal(dof: float) -> None:
    """However many there are, the factor is scipy's and never an overflow."""
    expected = stats.t.isf(0.025, dof) if dof <= 1e9 else stats.norm.isf(0.025)

    assert two_sided_quantile(0.95, dof=dof) == pytest.approx(expected, rel=1e-9)


def test_quantile_matches_the_table() -> None:
    """Every k of the table is met to its last printed digit."""
    assert len(FIGURES) == 27 * 4
    for figure in FIGURES:
        dof, coverage = figure.inputs
        assert two_sided_quantile(coverage, dof=dof) == pytest.approx(figure.expected, abs=0.0006), figure


@pytest.mark.parametrize("coverage", [0.5, 0.6827, 0.9, 0.95, 0.9545, 0.99, 0.9973, 0.9999])
@pytest.mark.parametrize("dof", [1, 1.5, 2, 3, 4.3, 10, 16.7, 50, 99.9, 500, 999.9, 1000, 1000.1, 3e4, 1e8, 1e15])
def test_quantile_matches_scipy(dof: float, coverage: float) -> None:
    """The quantile agrees with scipy to 1e-9, whole or broken degrees of freedom, few or many."""
    expected = stats.t.isf((1 - coverage) / 2, dof)

    assert two_sided_quantile(coverage, dof=dof) == pytest.approx(expected, rel=1e-9)


def test_quantile_of_infinite_dof_is_normal() -> None:
    """With infinite degrees of freedom t is the normal quantile."""
    assert two_sided_quantile(0.95, dof=math.inf) == pytest.approx(stats.norm.isf(0.025), rel=1e-14)


@settings(deadline=None)
@given(dof=st.floats(min_value=1, max_value=1e6), coverage=st.floats(min_value=0.5, max_value=0.9999))
def test_quantile_inverts_the_distribution(dof: float, coverage: float) -> None:
    """scipy's distribution function of the quantile gives the coverage back."""
    tail = 2 * stats.t.sf(two_sided_quantile(coverage, dof=dof), dof)

    assert tail == pytest.approx(1 - coverage, rel=1e-9)


@settings(deadline=None)
@given(dofs=st.lists(st.floats(min_value=1, max_value=1e5), min_size=2, max_size=2))
def test_quantile_falls_with_dof(dofs: list[float]) -> None:
    """More degrees of freedom never widen the interval."""
    fewer, more = sorted(dofs)

    assert two_sided_quantile(0.9545, dof=more) <= two_sided_quantile(0.9545, dof=fewer) * (1 + 1e-12)


@pytest.mark.parametrize("coverage", [0.0, 1.0, -0.1, 95.0, math.nan])
def test_quantile_refuses_a_coverage(coverage: float) -> None:
    """A coverage that is no probability is refused by value."""
    with pytest.raises(ValueError, match=f"coverage is {coverage!r}; accepted: above 0 and below 1"):
        two_sided_quantile(coverage, dof=5)


@pytest.mark.parametrize("dof", [0.0, 0.99, -1.0, math.nan])
def test_quantile_refuses_too_few_dof(dof: float) -> None:
    """Fewer than one degree of freedom is refused by value."""
    with pytest.raises(ValueError, match=f"degrees of freedom are {dof!r}; accepted: 1 or more"):
        two_sided_quantile(0.95, dof=dof)
