"""Between the parts of a record and the components of a budget: the same causes, one for a journal, one to reckon with.

Owns the translation and nothing else.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

from benchrig.judge.budget import Budget
from benchrig.judge.uncertainty import SHAPES, Component, reading_correlation
from benchrig.records import Part

if TYPE_CHECKING:
    from collections.abc import Iterable


def parts_of(components: Iterable[Component]) -> tuple[Part, ...]:
    """What a record keeps of components. Causes that contribute nothing are left out."""
    return tuple(
        Part(
            name=one.name,
            standard_uncertainty=one.standard_uncertainty,
            sensitivity=one.sensitivity,
            dof=one.dof if math.isfinite(one.dof) else None,
            shape=one.shape,
        )
        for one in components
        if one.contribution
    )


def components_of(parts: Iterable[Part]) -> tuple[Component, ...]:
    """The components that a record kept. Raises ValueError for a part that no component can be."""
    return tuple(_component(part) for part in parts)


def _component(part: Part) -> Component:
    shape = next((known for known in SHAPES if known == part.shape), None)
    if shape is None:
        raise ValueError(f"part {part.name!r}: shape {part.shape!r}; accepted: {', '.join(SHAPES)}")
    return Component(
        part.name,
        standard_uncertainty=part.standard_uncertainty,
        sensitivity=part.sensitivity,
        dof=math.inf if part.dof is None else part.dof,
        shape=shape,
    )


class Stated(Protocol):
    """A reading, as far as its uncertainty goes: what it is, and as much of its causes as is known."""

    @property
    def standard_uncertainty(self) -> float: ...
    @property
    def parts(self) -> tuple[Part, ...]: ...


def difference_u(first: Stated, second: Stated) -> float:
    """Standard uncertainty of `first` less `second`, both of one instrument on one range, in their unit (GUM 5.2.2).

    What is the same error in both cancels in part; where no causes are known nothing does. Raises ValueError for parts
    that are none.
    """
    one, other = components_of(first.parts), components_of(second.parts)
    known = math.hypot(*(part.contribution for part in one)) * math.hypot(*(part.contribution for part in other))
    covariance = reading_correlation(one, other) * known
    whole = first.standard_uncertainty**2 + second.standard_uncertainty**2 - 2.0 * covariance
    return math.sqrt(max(0.0, whole))


def budget_of(parts: Iterable[Part], *, unit: str, value: float | None = None) -> Budget | None:
    """The budget that parts make; None for none: a value without a known cause has no budget."""
    components = components_of(parts)
    return Budget(components, unit=unit, value=value) if components else None
