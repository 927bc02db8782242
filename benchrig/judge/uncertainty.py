"""Measurement uncertainty: accuracy terms of an instrument, repeated readings, coverage factor.

Owns the step from an instrument's stated accuracy and a few readings to an expanded uncertainty. Must not know
instruments by name, nor limits.

Formulas: JCGM 100:2008 (GUM) 4.2 (type A), 4.3.7 and 4.3.8 (rectangular distribution), F.2.2.1 (resolution),
5.1.2 (quadrature), G.4.1 equation G.2b (Welch-Satterthwaite), G.3 (Student's t). Degrees of freedom are not
rounded: with the rounded uncertainty in G.2b, GUM example H.1 comes out as 17 instead of 16.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.student_t import two_sided_quantile

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

COVERAGE = math.erf(math.sqrt(2.0))
"""Coverage probability of two standard deviations of a normal distribution: 95.45 %."""

_SQRT3 = math.sqrt(3.0)
_SQRT12 = math.sqrt(12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class AccuracyTerms:
    """Stated accuracy of an instrument on one range: the half widths that its maker does not exceed.

    `of_reading` and `of_range` are ratios (0.05 % is 0.0005); `resolution` is one step of the display or
    converter, `floor` an absolute half width, both in the base unit. Raises ValueError below 0 or not finite.
    """

    of_reading: float = 0.0
    of_range: float = 0.0
    resolution: float = 0.0
    floor: float = 0.0

    def __post_init__(self) -> None:
        for term in fields(self):
            value = getattr(self, term.name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"accuracy term {term.name} is {value!r}; accepted: a finite number from 0 up")


class Combined(NamedTuple):
    """Mean of `n` readings with its standard uncertainty and effective degrees of freedom."""

    mean: float
    standard_uncertainty: float
    n: int
    dof: float


def standard_uncertainty(value: float, *, range_: float, terms: AccuracyTerms) -> float:
    """Type B standard uncertainty of one reading, in the unit of `value`.

    Gain, range, resolution and floor are taken as independent errors, each rectangular over its own width, and
    are added in quadrature. Raises ValueError when the value or the range is not finite.
    """
    if not (math.isfinite(value) and math.isfinite(range_)):
        raise ValueError(f"no uncertainty for value {value!r} on range {range_!r}: both must be finite")
    return math.hypot(
        terms.of_reading * value / _SQRT3,
        terms.of_range * range_ / _SQRT3,
        terms.resolution / _SQRT12,
        terms.floor / _SQRT3,
    )


def combine(readings: Sequence[float], *, type_b: float) -> Combined:
    """Mean of repeated readings; its uncertainty from their scatter (type A) and from `type_b`.

    `type_b` is a standard uncertainty common to all readings, taken as exactly known (infinite degrees of
    freedom). A single reading shows no scatter, so its uncertainty is `type_b` alone. Raises ValueError.
    """
    for index, reading in enumerate(readings):
        if not math.isfinite(reading):
            raise ValueError(f"reading {index + 1} of {len(readings)} is {reading!r}, no finite number")
    if not (math.isfinite(type_b) and type_b >= 0.0):
        raise ValueError(f"the type B standard uncertainty is {type_b!r}; accepted: a finite number from 0 up")
    count = len(readings)
    if count == 0:
        raise ValueError("no readings to combine; at least one is needed")
    mean = math.fsum(readings) / count
    if count == 1:
        return Combined(mean, float(type_b), 1, math.inf)
    scatter = math.sqrt(math.fsum((reading - mean) ** 2 for reading in readings) / (count - 1))
    type_a = scatter / math.sqrt(count)
    dof = effective_dof(((type_a, count - 1.0), (type_b, math.inf)))
    return Combined(mean, math.hypot(type_a, type_b), count, dof)


def effective_dof(components: Iterable[tuple[float, float]]) -> float:
    """Effective degrees of freedom of (standard uncertainty, degrees of freedom) pairs, not rounded.

    Infinite when no component with finite degrees of freedom contributes. Raises ValueError.
    """
    pairs = tuple(components)
    for uncertainty, dof in pairs:
        if not (math.isfinite(uncertainty) and uncertainty >= 0.0 and dof > 0.0):
            raise ValueError(
                f"component with standard uncertainty {uncertainty!r} and {dof!r} degrees of freedom; "
                "accepted: finite and from 0 up, above 0"
            )
    combined = math.hypot(*(uncertainty for uncertainty, _ in pairs))
    if combined == 0.0:
        return math.inf
    # shares first: the fourth power of a nanoampere would lose digits or vanish
    spread = math.fsum((uncertainty / combined) ** 4 / dof for uncertainty, dof in pairs)
    return 1.0 / spread if spread > 0.0 else math.inf


def expanded(standard: float, *, dof: float, coverage: float = COVERAGE) -> tuple[float, float]:
    """Expanded uncertainty and its coverage factor k, by Student's t; k is 2 for infinite dof by default.

    `standard` is a standard uncertainty, `coverage` the two-sided coverage probability. Raises ValueError.
    """
    if not (math.isfinite(standard) and standard >= 0.0):
        raise ValueError(f"the standard uncertainty is {standard!r}; accepted: a finite number from 0 up")
    factor = two_sided_quantile(coverage, dof=dof)
    return factor * standard, factor
