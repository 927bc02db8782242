"""Intervals of sums and of differences of mean squares: the modified large sample method.

Owns the method. Must not know what the mean squares are of. F. A. Graybill and C.-M. Wang (1980) for sums, N. Ting and
others (1990) for a difference (from memory; coverage is held against simulation in the tests of the gauge studies).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from benchrig.statistics.incomplete import f_quantile


class MeanSquare(NamedTuple):
    """A sum of squares and its degrees of freedom, which need not be whole."""

    squares: float
    dof: float

    @property
    def mean(self) -> float:
        return self.squares / self.dof


class Term(NamedTuple):
    """A mean square with its weight in a component; the weight is negative where it is taken off."""

    weight: float
    row: MeanSquare


def mean_square_interval(terms: tuple[Term, ...], *, tail: float) -> tuple[float, float]:
    """Interval of a weighted sum of independent mean squares, with `tail` beyond either end.

    One term has its exact interval by chi-square. A term that is taken off stands second of two. Raises ValueError
    for others.
    """
    if any(term.weight < 0.0 for term in terms) and not (len(terms) == 2 and terms[0].weight > 0.0):
        raise ValueError(f"{len(terms)} terms with one that is taken off; accepted: two, of which it is the second")
    value = math.fsum(term.weight * term.row.mean for term in terms)
    down = math.fsum((_shrink(term, tail) * term.weight * term.row.mean) ** 2 for term in terms)
    up = math.fsum((_grow(term, tail) * term.weight * term.row.mean) ** 2 for term in terms)
    if terms[-1].weight < 0.0:
        crossed = abs(terms[0].weight * terms[1].weight) * terms[0].row.mean * terms[1].row.mean
        down += _crossed_down(terms, tail) * crossed
        up += _crossed_up(terms, tail) * crossed
    return value - math.sqrt(max(0.0, down)), value + math.sqrt(max(0.0, up))


def _too_large(row: MeanSquare, tail: float) -> float:
    """By which share of itself a mean square may be too large."""
    return 1.0 - 1.0 / f_quantile(1.0 - tail, dof=row.dof, dof_below=math.inf)


def _too_small(row: MeanSquare, tail: float) -> float:
    return 1.0 / f_quantile(tail, dof=row.dof, dof_below=math.inf) - 1.0


def _shrink(term: Term, tail: float) -> float:
    return _too_large(term.row, tail) if term.weight > 0.0 else _too_small(term.row, tail)


def _grow(term: Term, tail: float) -> float:
    return _too_small(term.row, tail) if term.weight > 0.0 else _too_large(term.row, tail)


def _crossed_down(terms: tuple[Term, ...], tail: float) -> float:
    """The factor of the product of both mean squares of a difference, exact where the true difference is 0."""
    one, other = terms[0].row, terms[1].row
    ratio = f_quantile(1.0 - tail, dof=one.dof, dof_below=other.dof)
    return ((ratio - 1.0) ** 2 - (_too_large(one, tail) * ratio) ** 2 - _too_small(other, tail) ** 2) / ratio


def _crossed_up(terms: tuple[Term, ...], tail: float) -> float:
    one, other = terms[0].row, terms[1].row
    ratio = f_quantile(tail, dof=one.dof, dof_below=other.dof)
    return ((1.0 - ratio) ** 2 - (_too_small(one, tail) * ratio) ** 2 - _too_large(other, tail) ** 2) / ratio
