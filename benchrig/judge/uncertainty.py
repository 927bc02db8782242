"""Measurement uncertainty: accuracy terms of an instrument, repeated readings, coverage factor.

Owns the step from an instrument's stated accuracy and a few readings to named components and to an expanded
uncertainty; `budget` adds components up. Must not know instruments by name, nor limits.

Formulas: JCGM 100:2008 (GUM) 4.2 (type A), 4.2.4 (pooled), 4.3.7 and 4.3.8 (rectangular distribution), 4.3.9
(triangular), F.2.2.1 (resolution), 5.1.2 (quadrature), 5.2.2 and 5.2.3 (correlation), F.1.2.3 (errors that two
readings share), G.4.1 equation G.2b (Welch-Satterthwaite), G.3 (Student's t); section numbers from memory.
Degrees of freedom are not rounded: with the rounded uncertainty in G.2b, GUM example H.1 comes out as 17 instead
of 16. How an instrument's temperature coefficient, drift and leads are stated is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass, fields, replace
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

from benchrig.judge.student_t import two_sided_quantile

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

COVERAGE = math.erf(math.sqrt(2.0))
"""Coverage probability of two standard deviations of a normal distribution: 95.45 %."""

Shape = Literal["normal", "rectangular", "triangular", "u-shaped", "t"]
"""What an error is distributed like; `u-shaped` is the arc sine of a cycling room temperature or of mismatch."""

SHAPES: tuple[Shape, ...] = get_args(Shape)

COMMON_GAIN = ("of reading", "temperature, of reading", "calibration age")
"""Errors that two readings of one instrument on one range share because they are a share of the reading."""

_SQRT3 = math.sqrt(3.0)
_SQRT12 = math.sqrt(12.0)

_HALF_WIDTH = {"rectangular": _SQRT3, "triangular": math.sqrt(6.0), "u-shaped": math.sqrt(2.0)}
"""Half width of a bounded shape over its standard deviation (GUM 4.3.7, 4.3.9; the arc sine from memory)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One cause of uncertainty.

    `standard_uncertainty` is in the unit of the cause, `sensitivity` in the result's unit per unit of the cause.
    A result that falls when the cause rises has a sensitivity below 0; that counts where causes are correlated.
    `dof` says how well the uncertainty itself is known: infinity for exactly. Raises ValueError by name.
    """

    name: str
    _: KW_ONLY
    standard_uncertainty: float
    sensitivity: float = 1.0
    dof: float = math.inf
    shape: Shape = "normal"

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ValueError("a component of uncertainty has no name; give it one that a report can show")
        if self.shape not in SHAPES:
            raise self._wrong("shape", self.shape, ", ".join(SHAPES))
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0.0):
            raise self._wrong("standard uncertainty", self.standard_uncertainty, "a finite number from 0 up")
        if not math.isfinite(self.sensitivity):
            raise self._wrong("sensitivity", self.sensitivity, "a finite number")
        if not self.dof > 0.0:
            raise self._wrong("degrees of freedom", self.dof, "above 0, infinity for exactly known")

    def _wrong(self, what: str, value: object, accepted: str) -> ValueError:
        return ValueError(f"component {self.name!r}: {what} {value!r}; accepted: {accepted}")

    @classmethod
    def within(
        cls,
        name: str,
        *,
        half_width: float,
        shape: Shape = "rectangular",
        sensitivity: float = 1.0,
        dof: float = math.inf,
    ) -> Component:
        """A cause that stays within ± `half_width` and has a bounded shape. Raises ValueError."""
        if shape not in _HALF_WIDTH:
            raise ValueError(f"component {name!r}: a {shape!r} shape has no ends; accepted: {', '.join(_HALF_WIDTH)}")
        standard = half_width / _HALF_WIDTH[shape]
        return cls(name, standard_uncertainty=standard, sensitivity=sensitivity, dof=dof, shape=shape)

    @property
    def half_width(self) -> float:
        """Largest error of the cause, in its unit; infinite for a shape without ends."""
        return self.standard_uncertainty * _HALF_WIDTH.get(self.shape, math.inf) if self.standard_uncertainty else 0.0

    @property
    def contribution(self) -> float:
        """Standard uncertainty in the result's unit, with the sign of the sensitivity."""
        return self.sensitivity * self.standard_uncertainty


def as_components(
    estimates: Mapping[str, float], uncertainties: Mapping[str, float | Component]
) -> tuple[Component, ...]:
    """A Component for each estimate, under the estimate's name. Raises ValueError."""
    if not estimates or estimates.keys() != uncertainties.keys():
        given, known = (", ".join(names) or "nothing" for names in (estimates, uncertainties))
        raise ValueError(
            f"estimates of {given}, uncertainties of {known}; accepted: the same names in both, at least one"
        )
    for name, value in estimates.items():
        if not math.isfinite(value):
            raise ValueError(f"the estimate of {name!r} is {value!r}, no finite number")
    return tuple(
        replace(given, name=name) if isinstance(given, Component) else Component(name, standard_uncertainty=given)
        for name, given in ((name, uncertainties[name]) for name in estimates)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AccuracyTerms:
    """Stated accuracy of an instrument on one range: the half widths that its maker does not exceed.

    `of_reading` and `of_range` are ratios (0.05 % is 0.0005); `resolution` is one step of the display or
    converter, `floor` an absolute half width, both in the base unit. The other terms need the `Conditions` of
    the reading: `of_reading_per_k` and `of_range_per_k` are ratios for each kelvin outside `band_c`;
    `drift_per_year` is a ratio of the reading for each year since calibration; `lead_ohm` is what is not known
    of the resistance that drops volts between the board and the terminals. Raises ValueError below 0 or not finite.
    """

    of_reading: float = 0.0
    of_range: float = 0.0
    resolution: float = 0.0
    floor: float = 0.0
    of_reading_per_k: float = 0.0
    of_range_per_k: float = 0.0
    band_c: tuple[float, float] = (18.0, 28.0)
    drift_per_year: float = 0.0
    lead_ohm: float = 0.0

    def __post_init__(self) -> None:
        for term in fields(self):
            value = getattr(self, term.name)
            if term.name != "band_c" and not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"accuracy term {term.name} is {value!r}; accepted: a finite number from 0 up")
        low, high = self.band_c
        if not (math.isfinite(low) and math.isfinite(high) and low <= high):
            raise ValueError(f"accuracy term band_c is {self.band_c!r}; accepted: two finite numbers, low first")

    def beyond_band_k(self, ambient_c: float) -> float:
        """How far `ambient_c` is outside the band without a temperature coefficient, in kelvin."""
        low, high = self.band_c
        return max(0.0, low - ambient_c, ambient_c - high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What a reading was taken under, as far as it is known.

    Air at the instrument in °C, age of its calibration in years, current in the leads in ampere. Raises ValueError.
    """

    ambient_c: float | None = None
    calibration_age_years: float | None = None
    current_a: float | None = None

    def __post_init__(self) -> None:
        for condition in fields(self):
            value = getattr(self, condition.name)
            if value is not None and not math.isfinite(value):
                raise ValueError(f"condition {condition.name} is {value!r}; accepted: a finite number, or None")
        if self.calibration_age_years is not None and self.calibration_age_years < 0.0:
            raise ValueError(
                f"condition calibration_age_years is {self.calibration_age_years!r}: the calibration lies ahead; "
                "accepted: from 0 up; look at the date of the bench file and of this computer"
            )


NOT_KNOWN = Conditions()


class Combined(NamedTuple):
    """Mean of `n` readings with its standard uncertainty and effective degrees of freedom."""

    mean: float
    standard_uncertainty: float
    n: int
    dof: float


class Pooled(NamedTuple):
    """Standard deviation of a single reading, from several series, and its degrees of freedom."""

    standard_deviation: float
    dof: float


def standard_uncertainty(
    value: float, *, range_: float, terms: AccuracyTerms, conditions: Conditions = NOT_KNOWN
) -> float:
    """Type B standard uncertainty of one reading, in the unit of `value`.

    All terms are taken as independent errors, each rectangular over its own width, and are added in quadrature.
    Raises ValueError when the value or the range is not finite, or a term needs a condition that is not known.
    """
    return math.hypot(*(u * sensitivity for _, u, sensitivity in _terms(value, range_, terms, conditions)))


def components(
    value: float, *, range_: float, terms: AccuracyTerms, conditions: Conditions = NOT_KNOWN
) -> tuple[Component, ...]:
    """The type B components of one reading, by name; a term of 0 is left out. Raises as `standard_uncertainty`."""
    return tuple(
        Component(name, standard_uncertainty=u, sensitivity=sensitivity, shape="rectangular")
        for name, u, sensitivity in _terms(value, range_, terms, conditions)
        if u > 0.0
    )


def _terms(value: float, range_: float, terms: AccuracyTerms, conditions: Conditions) -> list[tuple[str, float, float]]:
    """(name, standard uncertainty, sensitivity) of each term. A share of the reading keeps the reading's sign."""
    if not (math.isfinite(value) and math.isfinite(range_)):
        raise ValueError(f"no uncertainty for value {value!r} on range {range_!r}: both must be finite")
    found = [
        ("of reading", terms.of_reading / _SQRT3, value),
        ("of range", terms.of_range / _SQRT3, range_),
        ("resolution", terms.resolution / _SQRT12, 1.0),
        ("floor", terms.floor / _SQRT3, 1.0),
    ]
    if terms.of_reading_per_k or terms.of_range_per_k:
        ambient_c = _needed(conditions.ambient_c, "ambient_c", "a temperature coefficient")
        beyond_k = terms.beyond_band_k(ambient_c)
        found.append(("temperature, of reading", beyond_k * terms.of_reading_per_k / _SQRT3, value))
        found.append(("temperature, of range", beyond_k * terms.of_range_per_k / _SQRT3, range_))
    if terms.drift_per_year:
        years = _needed(conditions.calibration_age_years, "calibration_age_years", "a drift per year")
        found.append(("calibration age", years * terms.drift_per_year / _SQRT3, value))
    if terms.lead_ohm:
        current_a = _needed(conditions.current_a, "current_a", "a lead resistance")
        found.append(("lead drop", terms.lead_ohm / _SQRT3, current_a))
    return found


def _needed(condition: float | None, name: str, term: str) -> float:
    if condition is None:
        raise ValueError(f"the instrument has {term}, and {name} of the reading is not known; say it in its Conditions")
    return condition


def reading_correlation(
    first: Sequence[Component], second: Sequence[Component], *, common: Collection[str] = COMMON_GAIN
) -> float:
    """Correlation coefficient of two readings of one instrument on one range, from their components.

    `common` names the errors that are the same one in both; their contributions add with their signs, all else
    is independent (GUM F.1.2.3). 0 where a reading has no uncertainty: its covariance is 0 then. Raises ValueError
    when a reading has two components of one common name.
    """
    shared_first, shared_second = _shared(first, common), _shared(second, common)
    total_first = math.hypot(*(one.contribution for one in first))
    total_second = math.hypot(*(one.contribution for one in second))
    if total_first == 0.0 or total_second == 0.0:
        return 0.0
    both = shared_first.keys() & shared_second.keys()
    return math.fsum(shared_first[name] / total_first * (shared_second[name] / total_second) for name in sorted(both))


def _shared(parts: Sequence[Component], common: Collection[str]) -> dict[str, float]:
    shared = [one for one in parts if one.name in common]
    by_name = {one.name: one.contribution for one in shared}
    if len(by_name) != len(shared):
        names = ", ".join(repr(one.name) for one in shared)
        raise ValueError(f"a reading has common components {names}; accepted: each name once")
    return by_name


def paired_correlation(first: Sequence[float], second: Sequence[float]) -> float:
    """Correlation coefficient of two quantities read together, pair by pair, and of their means (GUM 5.2.3).

    0 where one shows no scatter: its covariance is 0 then. Raises ValueError for fewer than 2 pairs.
    """
    _check_readings(first)
    _check_readings(second)
    if len(first) != len(second) or len(first) < 2:
        raise ValueError(f"{len(first)} and {len(second)} readings; accepted: 2 or more pairs, taken together")
    mean_first, mean_second = math.fsum(first) / len(first), math.fsum(second) / len(second)
    away_first, away_second = [one - mean_first for one in first], [one - mean_second for one in second]
    scale_first, scale_second = math.hypot(*away_first), math.hypot(*away_second)
    if scale_first == 0.0 or scale_second == 0.0:
        return 0.0
    product = math.fsum(a / scale_first * (b / scale_second) for a, b in zip(away_first, away_second, strict=True))
    return max(-1.0, min(1.0, product))


def pooled_scatter(series: Iterable[Sequence[float]]) -> Pooled:
    """Standard deviation of a single reading from several series with one scatter, each about its own mean.

    A series of one reading adds nothing. Raises ValueError when no series has 2 readings.
    """
    deviations: list[float] = []
    dof = 0
    for readings in series:
        _check_readings(readings)
        mean = math.fsum(readings) / len(readings)
        deviations.extend(reading - mean for reading in readings)
        dof += len(readings) - 1
    if dof == 0:
        raise ValueError("no series has 2 readings or more, so none shows a scatter to pool")
    return Pooled(math.hypot(*deviations) / math.sqrt(dof), float(dof))


def repeats(readings: Sequence[float], *, pooled: Pooled | None = None, name: str = "repeats") -> Component:
    """Type A component of the mean of `readings`: from their own scatter, or from `pooled` of earlier series.

    Raises ValueError for readings that are not finite, for none, and for a single one without `pooled`.
    """
    _check_readings(readings)
    count = len(readings)
    if pooled is None and count == 1:
        raise ValueError("a single reading shows no scatter; take 2 or more, or give a pooled scatter")
    deviation, dof = pooled if pooled is not None else pooled_scatter([readings])
    return Component(name, standard_uncertainty=deviation / math.sqrt(count), dof=dof, shape="t")


def combine(readings: Sequence[float], *, type_b: float, pooled: Pooled | None = None) -> Combined:
    """Mean of repeated readings; its uncertainty from their scatter (type A) and from `type_b`.

    `type_b` is a standard uncertainty common to all readings, taken as exactly known (infinite degrees of
    freedom). `pooled` is a scatter known from earlier series, used in place of these readings' own; without it a
    single reading shows no scatter, and its uncertainty is `type_b` alone. Raises ValueError.
    """
    _check_readings(readings)
    if not (math.isfinite(type_b) and type_b >= 0.0):
        raise ValueError(f"the type B standard uncertainty is {type_b!r}; accepted: a finite number from 0 up")
    count = len(readings)
    mean = math.fsum(readings) / count
    if count == 1 and pooled is None:
        return Combined(mean, float(type_b), 1, math.inf)
    type_a = repeats(readings, pooled=pooled)
    dof = effective_dof(((type_a.standard_uncertainty, type_a.dof), (type_b, math.inf)))
    return Combined(mean, math.hypot(type_a.standard_uncertainty, type_b), count, dof)


def _check_readings(readings: Sequence[float]) -> None:
    if not len(readings):
        raise ValueError("no readings to combine; at least one is needed")
    for index, reading in enumerate(readings):
        if not math.isfinite(reading):
            raise ValueError(f"reading {index + 1} of {len(readings)} is {reading!r}, no finite number")


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
