"""Uncertainty budget: components of one result added up, with correlations, and what dominates it.

Owns the combined and expanded uncertainty of named components, their table, and the sensitivity coefficients of a
model function. Must not know instruments, readings or limits. `monte_carlo` takes the same arguments as
`from_model` and answers without its approximations.

Formulas, section numbers from memory: JCGM 100:2008 (GUM) 5.1.2 and its note (second-order terms), 5.1.3 (numerical
sensitivities), 5.2.2 (correlations), G.4.1 (effective degrees of freedom), F.1.2.3 (covariance of two results).
Coverage factor: EA-4/02 M:2022, S9.14 (one rectangular component dominates), S10.13 (two, a trapezoid), else
Student's t. EA-4/02 takes the rest as negligible up to 0.3 of what dominates; that leaves a coverage of 0.929 or
more where 0.9545 is stated (computed). It would leave 0.946 of 0.99, and 0.86 for a u-shaped component: so above
0.96, and for other shapes, Student's t answers, which is on the safe side.
"""

from __future__ import annotations

import itertools
import math
import warnings
from dataclasses import KW_ONLY, dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple, SupportsFloat

import numpy as np

from benchrig.judge.student_t import two_sided_quantile
from benchrig.judge.uncertainty import COVERAGE, Component, as_components, effective_dof
from benchrig.quantity import format_quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Correlations = Mapping[tuple[str, str], float]

__all__ = ["Budget", "Component", "Expanded", "correlation_matrix", "from_model"]

_NEGLIGIBLE = 0.3
"""EA-4/02 S9, mathematical note: up to this ratio of the rest to what dominates, the shape is that of the latter."""

_MOST_BY_SHAPE = 0.96
"""Coverage up to which that holds well enough; EA-4/02 states it for 95 %."""

_STEP = 0.1
"""Step of the first derivatives, in standard uncertainties: rounding errors stay below 1e-14 of the result."""

_WIDE_STEP = 0.25
"""The same for the second and third derivatives, whose rounding errors grow with higher powers of the step."""

_COMPLEX_STEP = 1e-100
_SAME_SLOPE = 1e-4
"""Complex step and central difference agree better than this, unless the model drops the imaginary part."""


class Expanded(NamedTuple):
    """Expanded uncertainty U = k u in the result's unit, the coverage probability, and the reason for k."""

    uncertainty: float
    k: float
    coverage: float
    dof: float
    basis: str


@dataclass(frozen=True, slots=True)
class Budget:
    """Components of one result, each named once. `value` is the result itself, both in `unit`.

    `correlations` holds coefficients from -1 to 1 by pairs of names; a pair that is not named is independent.
    Raises ValueError: no components, a name twice, or coefficients that cannot hold together.
    """

    components: Sequence[Component]
    _: KW_ONLY
    unit: str = "1"
    value: float | None = None
    correlations: Correlations = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        keep = object.__setattr__
        keep(self, "components", tuple(self.components))
        keep(self, "correlations", dict(self.correlations))
        names = [one.name for one in self.components]
        if not names:
            raise ValueError("a budget without components; name at least one cause of uncertainty")
        if len(set(names)) != len(names):
            twice = sorted({name for name in names if names.count(name) > 1})
            raise ValueError(f"components named twice: {', '.join(twice)}; accepted: each name once")
        if self.value is not None and not math.isfinite(self.value):
            raise ValueError(f"the value of a budget is {self.value!r}; accepted: a finite number, or None")
        if self.correlations:
            correlation_matrix(names, self.correlations)

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty, in the result's unit."""
        return _combined(self.components, self.correlations)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom, not rounded.

        Components that are correlated with each other count as one, with the fewest degrees of freedom among them:
        exact for quantities that were read together n times (GUM H.2), cautious otherwise. Own choice.
        """
        return effective_dof(
            (_combined(group, self.correlations), min((one.dof for one in group if one.contribution), default=math.inf))
            for group in self._groups()
        )

    @property
    def shares(self) -> tuple[float, ...]:
        """Share of the variance of each component, in their order, 1 in all; below 0 where a correlation relieves."""
        combined = self.standard_uncertainty
        if combined == 0.0:
            return (0.0,) * len(self.components)
        scaled = np.array([one.contribution / combined for one in self.components])
        matrix = correlation_matrix([one.name for one in self.components], self.correlations)
        return tuple(float(share) for share in scaled * (matrix @ scaled))

    @property
    def dominant(self) -> Component:
        """The component with the largest contribution, whichever sign its sensitivity has."""
        return max(self.components, key=lambda one: abs(one.contribution))

    def expanded(self, *, coverage: float = COVERAGE, whole_dof: bool = False) -> Expanded:
        """Expanded uncertainty for a two-sided coverage probability.

        `whole_dof` takes the next lower whole number of degrees of freedom, as the printed tables of Student's t
        do. Raises ValueError for a coverage outside 0 to 1, and for fewer than 1 degree of freedom.
        """
        standard, dof = self.standard_uncertainty, self.dof
        if whole_dof and math.isfinite(dof):
            dof = float(math.floor(dof * (1.0 + 1e-12)))  # 93 of one component comes out a hair below
        k_t = two_sided_quantile(coverage, dof=dof)
        k, basis = self._by_shape(standard, coverage) or (k_t, _student_text(dof))
        return Expanded(k * standard, k, coverage, dof, basis)

    def covariance(self, other: Budget) -> float:
        """Covariance of two results that share causes: components of one name are one cause (GUM F.1.2.3, H.2).

        Raises ValueError when the budgets disagree on a cause's uncertainty or on a correlation.
        """
        mine = {one.name: one for one in self.components}
        for one in other.components:
            if one.name in mine and mine[one.name].standard_uncertainty != one.standard_uncertainty:
                raise ValueError(f"component {one.name!r} has two standard uncertainties; give two causes two names")
        known = _merged(self.correlations, other.correlations)
        return math.fsum(
            a.contribution * b.contribution * (1.0 if a.name == b.name else _coefficient(known, a.name, b.name))
            for a, b in itertools.product(self.components, other.components)
        )

    def table(self) -> str:
        """The budget as text: largest share first, then the combined and the expanded uncertainty."""
        rows = sorted(zip(self.components, self.shares, strict=True), key=lambda row: -abs(row[0].contribution))
        lines = [_HEAD, *(_row(one, share, self.unit) for one, share in rows)]
        return "\n".join([*_columns(lines), *self._closing(rows[0][0], rows[0][1])])

    def _closing(self, first: Component, share: float) -> list[str]:
        found = self.expanded()
        digit = 0.1 * self.standard_uncertainty
        value = "" if self.value is None else f"value {format_quantity(self.value, self.unit, resolution=digit)}; "
        related = ", ".join(f"{a} with {b} {r:+.3g}" for (a, b), r in self.correlations.items() if a != b)
        return [
            f"{value}combined standard uncertainty {format_quantity(self.standard_uncertainty, self.unit)}",
            f"expanded uncertainty {format_quantity(found.uncertainty, self.unit)}, k = {found.k:.2f} for "
            f"{found.coverage:.2%} ({found.basis})",
            f"largest: {first.name}, {share:.0%} of the variance",
            *([f"correlated: {related}"] if related else []),
        ]

    def _groups(self) -> Iterable[tuple[Component, ...]]:
        """Components in groups that are independent of each other."""
        linked = [pair for pair, coefficient in self.correlations.items() if coefficient != 0.0]
        if not linked:
            yield from ((one,) for one in self.components)
            return
        left = {one.name: one for one in self.components}
        while left:
            group = {next(iter(left))}
            while more := {name for pair in linked if group & {*pair} for name in pair} - group:
                group |= more
            yield tuple(left.pop(name) for name in sorted(group))

    def _by_shape(self, standard: float, coverage: float) -> tuple[float, str] | None:
        """Coverage factor of the one or two rectangular components that dominate, if they do."""
        if coverage > _MOST_BY_SHAPE:
            return None
        alone = {one[0].name for one in self._groups() if len(one) == 1}
        flat = [one for one in self.components if one.shape == "rectangular" and math.isinf(one.dof)]
        flat = sorted((one for one in flat if one.name in alone), key=lambda one: -abs(one.contribution))
        if flat and _dominate(flat[:1], standard):
            return coverage * math.sqrt(3.0), f"rectangular: {flat[0].name} dominates"
        if len(flat) > 1 and _dominate(flat[:2], standard):
            wide, narrow = (abs(one.contribution) for one in flat[:2])
            beta = (wide - narrow) / (wide + narrow)
            return _trapezoid_factor(coverage, beta), f"trapezoidal: {flat[0].name} and {flat[1].name} dominate"
        return None


def _dominate(some: Sequence[Component], standard: float) -> bool:
    together = math.hypot(*(one.contribution for one in some))
    # u² of the rest is u² less theirs; compared without taking that difference, which may round below 0
    return 0.0 < standard <= together * math.hypot(1.0, _NEGLIGIBLE)


def _trapezoid_factor(coverage: float, beta: float) -> float:
    """k of a symmetric trapezoid whose top is `beta` times its base (EA-4/02 S10.13), or where it is still flat."""
    unit = math.sqrt((1.0 + beta * beta) / 6.0)
    if coverage <= 2.0 * beta / (1.0 + beta):
        return 0.5 * coverage * (1.0 + beta) / unit
    return (1.0 - math.sqrt((1.0 - coverage) * (1.0 - beta * beta))) / unit


def _student_text(dof: float) -> str:
    return "normal" if math.isinf(dof) else f"Student's t, {dof:.4g} degrees of freedom"


# ---- correlations


def correlation_matrix(names: Sequence[str], correlations: Correlations) -> Floats:
    """Matrix of correlation coefficients in the order of `names`. Raises ValueError, naming the pair."""
    place = {name: index for index, name in enumerate(names)}
    matrix = np.eye(len(names))
    for (one, other), coefficient in correlations.items():
        if one not in place or other not in place:
            raise ValueError(f"correlation of {one!r} with {other!r}: known components are {', '.join(names)}")
        if not -1.0 <= coefficient <= 1.0 or (one == other and coefficient != 1.0):
            raise ValueError(
                f"correlation of {one!r} with {other!r} is {coefficient!r}; accepted: -1 to 1, and 1 with itself"
            )
        if coefficient != correlations.get((other, one), coefficient):
            raise ValueError(f"{one!r} and {other!r} have two correlation coefficients; give the pair once")
        matrix[place[one], place[other]] = matrix[place[other], place[one]] = coefficient
    if correlations and float(np.linalg.eigvalsh(matrix)[0]) < -1e-9 * len(names):
        pairs = ", ".join(f"{one} with {other} {r:+.3g}" for (one, other), r in correlations.items())
        raise ValueError(f"no quantities can be correlated like this: {pairs}; look at the signs")
    return matrix


def _combined(some: Sequence[Component], correlations: Correlations) -> float:
    contributions = [one.contribution for one in some]
    scale = math.hypot(*contributions)
    if scale == 0.0 or not correlations:
        return scale
    known = [one.name for one in some]
    inside = {pair: r for pair, r in correlations.items() if {*pair} <= {*known}}
    scaled = np.array(contributions) / scale
    return scale * math.sqrt(max(0.0, float(scaled @ correlation_matrix(known, inside) @ scaled)))


def _coefficient(correlations: Correlations, one: str, other: str) -> float:
    return correlations.get((one, other), correlations.get((other, one), 0.0))


def _merged(mine: Correlations, theirs: Correlations) -> dict[tuple[str, str], float]:
    for (one, other), coefficient in theirs.items():
        if _coefficient(mine, one, other) not in (0.0, coefficient):
            raise ValueError(f"{one!r} and {other!r} have two correlation coefficients; give the pair once")
    return {**mine, **theirs}


# ---- text

_HEAD = ("component", "shape", "degrees of freedom", "standard uncertainty", "sensitivity", "contribution", "share")


def _row(one: Component, share: float, unit: str) -> tuple[str, ...]:
    return (
        one.name,
        one.shape,
        "exact" if math.isinf(one.dof) else f"{one.dof:.4g}",
        f"{one.standard_uncertainty:.4g}",
        f"{one.sensitivity:.4g}",
        format_quantity(abs(one.contribution), unit),
        f"{share:.1%}",
    )


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.ljust(w) if n < 2 else cell.rjust(w) for n, (cell, w) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]


# ---- a model function


def from_model(
    function: Callable[..., object],
    *,
    estimates: Mapping[str, float],
    uncertainties: Mapping[str, float | Component],
    correlations: Correlations | None = None,
    unit: str = "1",
    second_order: bool = False,
) -> Budget:
    """Budget of `function(**estimates)`, with sensitivities taken from the function itself.

    `uncertainties` holds a standard uncertainty for each estimate, or a Component that also has a shape and
    degrees of freedom. `second_order` adds the terms of the note to GUM 5.1.2 as a component of their own, if they
    add something; they hold for independent inputs. Raises ValueError: names that differ, numbers or results that
    are not finite, second-order terms of correlated inputs.
    """
    parts = as_components(estimates, uncertainties)
    related = dict(correlations or {})
    if second_order and any(one != other and r for (one, other), r in related.items()):
        raise ValueError("second-order terms hold for independent inputs only; use monte_carlo.propagate instead")
    model = _Model(function, estimates)
    slopes = {one.name: model.slope(one) for one in parts}
    found = [replace(one, sensitivity=one.sensitivity * slopes[one.name]) for one in parts]
    if second_order:
        extra = model.second_order_variance(parts, slopes)
        if extra > 0.0:
            found.append(Component("second-order terms", standard_uncertainty=math.sqrt(extra)))
    return Budget(found, unit=unit, value=model.at({}), correlations=related)


class _Model:
    """A model function about its estimates."""

    def __init__(self, function: Callable[..., object], estimates: Mapping[str, float]) -> None:
        self._function = function
        self._estimates = estimates

    def at(self, offsets: Mapping[str, float]) -> float:
        inputs = {name: value + offsets.get(name, 0.0) for name, value in self._estimates.items()}
        result = self._function(**inputs)
        if getattr(result, "ndim", 0) or isinstance(result, complex) or not isinstance(result, SupportsFloat):
            raise ValueError(f"the model returned {result!r}; accepted: one real number")
        number = float(result)
        if not math.isfinite(number):
            where = ", ".join(f"{name} = {value!r}" for name, value in inputs.items())
            raise ValueError(f"the model is {number!r} at {where}; accepted: a finite number near the estimates")
        return number

    def slope(self, one: Component) -> float:
        """Derivative by an input: by complex step, exact to rounding, where central differences come to the same."""
        step = self._step(one, _STEP)
        central = self._central_slope(one.name, step)
        exact = self._complex_slope(one.name)
        if exact is None:
            return central
        rounding = 1e-13 * abs(self.at({})) / step
        error = abs(exact - central)
        if error <= _SAME_SLOPE * abs(central) + rounding:
            return exact
        # a strong curve moves the difference towards the slope as the step shrinks, a dropped imaginary part does not
        closer = abs(exact - self._central_slope(one.name, 0.1 * step))
        return exact if closer <= 0.01 * error + 10.0 * rounding else central

    def _central_slope(self, name: str, step: float) -> float:
        near, far = (self.at({name: n * step}) - self.at({name: -n * step}) for n in (1, 2))
        return (8.0 * near - far) / (12.0 * step)

    def _complex_slope(self, name: str) -> float | None:
        inputs: dict[str, complex] = {**self._estimates}
        inputs[name] = complex(self._estimates[name], _COMPLEX_STEP)
        try:
            with warnings.catch_warnings():
                # a model that drops the imaginary part only warns; here that is an answer: no complex step
                warnings.simplefilter("error")
                result = self._function(**inputs)
        except Exception:  # whatever the model says to a complex number, central differences do without
            return None
        return result.imag / _COMPLEX_STEP if isinstance(result, complex) else None

    def _step(self, one: Component, share: float) -> float:
        """Step as an exact difference of two floats; an exactly known input gets a step by its own size."""
        centre = self._estimates[one.name]
        step = share * one.standard_uncertainty * abs(one.sensitivity) or 1e-3 * (abs(centre) or 1.0)
        return (centre + step) - centre or math.ulp(centre)

    def second_order_variance(self, parts: Sequence[Component], slopes: Mapping[str, float]) -> float:
        """The sum over i, j of (f_ij²/2 + f_i f_ijj) u_i² u_j² (GUM 5.1.2, note)."""
        uncertain = [one for one in parts if one.contribution]
        return math.fsum(
            self._second_order_term(one, other, slopes[one.name])
            for one, other in itertools.product(uncertain, repeat=2)
        )

    def _second_order_term(self, one: Component, other: Component, slope: float) -> float:
        h, k = self._step(one, _WIDE_STEP), self._step(other, _WIDE_STEP)
        if one.name == other.name:
            values = [self.at({one.name: n * h}) for n in (-2, -1, 0, 1, 2)]
            second = (values[3] - 2.0 * values[2] + values[1]) / (h * h)
            third = (values[4] - 2.0 * values[3] + 2.0 * values[1] - values[0]) / (2.0 * h**3)
        else:
            up, down = ([self.at({one.name: side, other.name: n * k}) for n in (-1, 0, 1)] for side in (h, -h))
            second = (up[2] - up[0] - down[2] + down[0]) / (4.0 * h * k)
            third = (up[2] - 2.0 * up[1] + up[0] - down[2] + 2.0 * down[1] - down[0]) / (2.0 * h * k * k)
        scale = (one.contribution * other.contribution) ** 2
        return (0.5 * second**2 + slope * third) * scale
