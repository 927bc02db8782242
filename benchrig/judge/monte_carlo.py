"""Propagation of distributions by Monte Carlo: what a model function does to whole distributions, no first order.

Owns drawing the inputs, the adaptive number of trials and the coverage interval. Must not know where the inputs
come from, nor limits. The arguments are those of `budget.from_model`; the function gets arrays instead of numbers.

Formulas: JCGM 101:2008, from memory: 6.4 (drawing; 6.4.3 bounds that are not exactly known), 7.2 and 7.9 (number
of trials, adaptive stop), 7.7 (coverage intervals), 7.9.2 (numerical tolerance), 8.1 (validating a first-order
budget). The draws come from numpy's default generator: one seed gives one result with one version of numpy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

from benchrig.judge.budget import correlation_matrix
from benchrig.judge.uncertainty import COVERAGE, as_components

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    import numpy.typing as npt

    from benchrig.judge.uncertainty import Component

    Floats = npt.NDArray[np.float64]
    Draw = Callable[[np.random.Generator, int], Floats]

Interval = Literal["shortest", "symmetric"]
INTERVALS: tuple[Interval, ...] = get_args(Interval)

_LEAST_BATCH = 10_000
"""Trials of one batch, unless the coverage asks for more (JCGM 101 7.9.4 b)."""

MOST_TRIALS = 4_000_000
"""Where the adaptive stop gives up by default: 32 MB of results, three times over while they are sorted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Propagated:
    """Result of a Monte Carlo propagation, in the unit of the model's result.

    `low` to `high` holds the result with the probability `coverage`. `tolerance` is half a unit in the last of the
    significant digits of the standard uncertainty that were asked for; `is_stable` says that everything here is
    good to it (two standard deviations of its own scatter), `why` what is not. `seed` and `trials` repeat the run.
    """

    value: float
    standard_uncertainty: float
    low: float
    high: float
    coverage: float
    interval: Interval
    trials: int
    seed: int
    tolerance: float
    is_stable: bool
    why: str

    def confirms(self, value: float, *, expanded_uncertainty: float) -> bool:
        """Whether the first-order interval `value` ± `expanded_uncertainty` has the same ends, to the tolerance.

        Asked for the coverage of this result (JCGM 101 8.1). Never confirms when this result itself is not stable.
        """
        ends = (abs(value - expanded_uncertainty - self.low), abs(value + expanded_uncertainty - self.high))
        return self.is_stable and max(ends) <= self.tolerance


def propagate(
    function: Callable[..., object],
    *,
    estimates: Mapping[str, float],
    uncertainties: Mapping[str, float | Component],
    seed: int,
    correlations: Mapping[tuple[str, str], float] | None = None,
    coverage: float = COVERAGE,
    interval: Interval = "shortest",
    digits: int = 2,
    trials: int | None = None,
    most_trials: int = MOST_TRIALS,
) -> Propagated:
    """Distribution of `function(**inputs)`, which is called with one array for each input and returns an array.

    A bare number in `uncertainties` stands for a normal distribution. Without `trials` batches are drawn until
    value, standard uncertainty and both ends are known to `digits` digits of the standard uncertainty, or
    `most_trials` would be passed. Raises ValueError: names that differ, numbers out of range, a shape that cannot
    be drawn, correlations other than of normal inputs, results of another length or not finite.
    """
    _check(
        seed=seed, coverage=coverage, interval=interval, digits=digits, limit=most_trials if trials is None else trials
    )
    batch = max(_LEAST_BATCH, math.ceil(100.0 / (1.0 - coverage)))
    if trials is None and most_trials < 2 * batch:
        raise ValueError(
            f"most_trials is {most_trials}; accepted: {2 * batch} or more for a coverage of {coverage:.4%}"
        )
    draw = _Inputs(as_components(estimates, uncertainties), estimates, correlations or {})
    run = _Run(coverage=coverage, interval=interval, digits=digits)
    rng = np.random.default_rng(seed)
    for size in _fixed_batches(trials, batch) if trials is not None else _until_stable(run, batch, most_trials):
        run.add(_evaluate(function, draw(rng, size), size))
    return run.result(seed=seed)


def _fixed_batches(trials: int, batch: int) -> Iterator[int]:
    """Batches as equal as can be, none shorter than `batch` unless there is one only."""
    count = max(1, trials // batch)
    return (trials // count + (index < trials % count) for index in range(count))


def _until_stable(run: _Run, batch: int, most_trials: int) -> Iterator[int]:
    while run.trials + batch <= most_trials and (run.trials < 2 * batch or run.moves()):
        yield batch


def _evaluate(function: Callable[..., object], inputs: Mapping[str, Floats], size: int) -> Floats:
    values = np.asarray(function(**inputs))
    if values.shape != (size,) or values.dtype.kind not in "fiu":
        raise ValueError(
            f"for {size} draws the model returned shape {values.shape} of {values.dtype}; accepted: one real number "
            "for each draw; write it with functions of arrays, such as numpy.exp instead of math.exp"
        )
    bad = int(np.count_nonzero(~np.isfinite(values)))
    if bad:
        raise ValueError(
            f"the model has no finite value for {bad} of {size} draws; narrow the inputs to where it is defined"
        )
    return values.astype(np.float64)


def _check(*, seed: int, coverage: float, interval: str, digits: int, limit: int) -> None:
    if type(seed) is not int or seed < 0:
        raise ValueError(f"seed is {seed!r}; accepted: a whole number from 0 up, which then repeats the run")
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage is {coverage!r}; accepted: above 0 and below 1, such as 0.9545")
    if interval not in INTERVALS:
        raise ValueError(f"interval is {interval!r}; accepted: {', '.join(INTERVALS)}")
    if digits not in (1, 2, 3):
        raise ValueError(f"digits is {digits!r}; accepted: 1, 2 or 3 digits of the standard uncertainty")
    fewest = math.ceil(2.0 / (1.0 - coverage))
    if limit < fewest:
        raise ValueError(f"{limit!r} trials; accepted: {fewest} or more, so that some lie outside {coverage:.4%}")


# ---- drawing


class _Inputs:
    """Draws all inputs at once: normal ones that are correlated together, the others one by one."""

    def __init__(
        self,
        parts: tuple[Component, ...],
        estimates: Mapping[str, float],
        correlations: Mapping[tuple[str, str], float],
    ) -> None:
        linked = {name for pair, r in correlations.items() if r and pair[0] != pair[1] for name in pair}
        matrix = correlation_matrix([one.name for one in parts], correlations)
        for one in parts:
            if one.name in linked and not (one.shape == "normal" and math.isinf(one.dof)):
                raise ValueError(
                    f"input {one.name!r} is correlated and {one.shape} with {one.dof:g} degrees of freedom; "
                    "accepted: correlations of normal inputs that are exactly known"
                )
        self._alone = {one.name: _drawing(one) for one in parts if one.name not in linked}
        together = [index for index, one in enumerate(parts) if one.name in linked]
        self._together = tuple(parts[index].name for index in together)
        self._root = _square_root(matrix[np.ix_(together, together)])
        self._about = {one.name: (estimates[one.name], one.contribution) for one in parts}

    def __call__(self, rng: np.random.Generator, size: int) -> dict[str, Floats]:
        errors = {name: draw(rng, size) for name, draw in self._alone.items()}
        if self._together:
            rows = self._root @ rng.standard_normal((len(self._together), size))
            errors |= dict(zip(self._together, rows, strict=True))
        return {name: centre + scale * errors[name] for name, (centre, scale) in self._about.items()}


def _drawing(one: Component) -> Draw:
    """How the error of an input is drawn, in its standard uncertainties."""
    if one.shape == "rectangular":
        return _rectangular(one.dof)
    if one.shape in ("normal", "t"):
        return _student(one.dof)
    if math.isfinite(one.dof):
        raise ValueError(
            f"input {one.name!r} is {one.shape} with {one.dof:g} degrees of freedom; accepted: infinitely many, "
            "or one of the shapes normal, t, rectangular"
        )
    return _triangular if one.shape == "triangular" else _arc_sine


def _student(dof: float) -> Draw:
    """Normal, or Student's t: of repeated readings, or of a certificate that gives degrees of freedom (6.4.9)."""
    if math.isinf(dof):
        return lambda rng, size: rng.standard_normal(size)
    return lambda rng, size: rng.standard_t(dof, size)


def _rectangular(dof: float) -> Draw:
    """Rectangular; with finite degrees of freedom its bounds are themselves uncertain (JCGM 101 6.4.3).

    GUM G.4.2 equation G.3 ties the two: a relative uncertainty of the half width of 1/sqrt(2 dof).
    """
    unsure = min(1.0, 1.0 / math.sqrt(2.0 * dof))

    def draw(rng: np.random.Generator, size: int) -> Floats:
        half_width = math.sqrt(3.0) * (1.0 + (rng.uniform(-unsure, unsure, size) if unsure else 0.0))
        return half_width * rng.uniform(-1.0, 1.0, size)

    return draw


def _triangular(rng: np.random.Generator, size: int) -> Floats:
    half_width = math.sqrt(6.0)
    return rng.triangular(-half_width, 0.0, half_width, size)


def _arc_sine(rng: np.random.Generator, size: int) -> Floats:
    return math.sqrt(2.0) * np.sin(rng.uniform(-math.pi, math.pi, size))


def _square_root(matrix: Floats) -> Floats:
    """A root of a matrix that may be singular, as fully correlated inputs make it; Cholesky's would fail there."""
    values, vectors = np.linalg.eigh(matrix)
    root: Floats = vectors * np.sqrt(np.clip(values, 0.0, None))
    return root


# ---- results so far


@dataclass(slots=True)
class _Run:
    """Results so far, and what each batch says about them (JCGM 101 7.9.4)."""

    coverage: float
    interval: Interval
    digits: int
    trials: int = 0
    _batches: list[Floats] = field(default_factory=list, init=False)
    _figures: list[tuple[float, float, float, float]] = field(default_factory=list, init=False)

    def add(self, values: Floats) -> None:
        low, high = coverage_interval(values, coverage=self.coverage, interval=self.interval)
        self._figures.append((float(values.mean()), float(values.std(ddof=1)), low, high))
        self._batches.append(values)
        self.trials += values.size

    def moves(self) -> str:
        """Which figures are not yet known to the tolerance; empty when all are."""
        if len(self._figures) < 2:
            return "there is only one batch"
        figures = np.array(self._figures)
        scatter = 2.0 * figures.std(axis=0, ddof=1) / math.sqrt(len(figures))
        tolerance = numerical_tolerance(self._pooled(figures), digits=self.digits)
        names = ("value", "standard uncertainty", "low end", "high end")
        moving = [name for name, one in zip(names, scatter, strict=True) if one > tolerance]
        return f"{', '.join(moving)} not known to {tolerance:g}" if moving else ""

    def _pooled(self, figures: Floats) -> float:
        """Standard deviation of all trials, from the equally long batches."""
        return math.sqrt(float((figures[:, 1] ** 2).mean() + figures[:, 0].var()))

    def result(self, *, seed: int) -> Propagated:
        values = np.concatenate(self._batches)
        low, high = coverage_interval(values, coverage=self.coverage, interval=self.interval)
        standard = float(values.std(ddof=1))
        moving = self.moves()
        return Propagated(
            value=float(values.mean()),
            standard_uncertainty=standard,
            low=low,
            high=high,
            coverage=self.coverage,
            interval=self.interval,
            trials=self.trials,
            seed=seed,
            tolerance=numerical_tolerance(standard, digits=self.digits),
            is_stable=not moving,
            why=f"after {self.trials} trials: {moving or 'all figures are stable'}",
        )


def coverage_interval(values: Floats, *, coverage: float, interval: Interval = "shortest") -> tuple[float, float]:
    """Ends of the shortest or the probabilistically symmetric interval of results (JCGM 101 7.7).

    Raises ValueError when there are too few results for a share `coverage` of them to leave one out.
    """
    ordered = np.sort(values)
    inside = math.floor(coverage * ordered.size + 0.5)
    left = ordered.size - inside
    if left < 1 or inside < 1:
        raise ValueError(f"{ordered.size} results are too few for an interval of {coverage:.4%} of them")
    first = (left - 1) // 2 if interval == "symmetric" else int(np.argmin(ordered[inside:] - ordered[:left]))
    return float(ordered[first]), float(ordered[first + inside])


def numerical_tolerance(standard_uncertainty: float, *, digits: int) -> float:
    """Half a unit in the last of `digits` significant digits of a standard uncertainty (JCGM 101 7.9.2)."""
    if standard_uncertainty == 0.0:
        return 0.0
    # through the text, since rounding may carry into the next decade: 0.0996 is 0.10
    exponent = int(f"{standard_uncertainty:.{digits - 1}e}".partition("e")[2])
    return 0.5 * 10.0 ** (exponent - digits + 1)
