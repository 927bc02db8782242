"""Between the parts of a record and the components of a budget: the same causes, one for a journal, one to reckon with.

Owns the translation and nothing else.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.judge.budget import Budget
from benchrig.judge.uncertainty import SHAPES, Component
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


def budget_of(parts: Iterable[Part], *, unit: str, value: float | None = None) -> Budget | None:
    """The budget that parts make; None for none: a value without a known cause has no budget."""
    components = components_of(parts)
    return Budget(components, unit=unit, value=value) if components else None
