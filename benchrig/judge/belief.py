"""Readings of one instrument with every known cause of their uncertainty, ready for a record.

Owns the step from stated accuracy and scatter to the parts that a reading keeps (GUM 4.2, 4.3, 5.1.2, section
numbers from memory). Must not know instruments or limits.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.parts import parts_of
from benchrig.judge.uncertainty import NOT_KNOWN, AccuracyTerms, Component, Conditions, components, repeats

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.records import Part


class Believed(NamedTuple):
    """Mean of readings, its combined standard uncertainty, and the causes of that."""

    mean: float
    standard_uncertainty: float
    parts: tuple[Part, ...]


def believed(
    values: Sequence[float],
    *,
    range_: float,
    terms: AccuracyTerms,
    conditions: Conditions = NOT_KNOWN,
    beside: Iterable[Component] = (),
) -> Believed:
    """What readings of one quantity are worth: `beside` holds causes that the instrument's accuracy does not know.

    A single reading shows no scatter and gets none. Raises ValueError: no readings, one that is not finite, or a
    term that needs a condition that is not known.
    """
    scatter = [repeats(values)] if len(values) > 1 else []
    mean = math.fsum(values) / len(values) if values else math.nan
    causes = [*components(mean, range_=range_, terms=terms, conditions=conditions), *scatter, *beside]
    return Believed(mean, math.hypot(*(one.contribution for one in causes)), parts_of(causes))
