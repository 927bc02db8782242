"""Which points of a control chart are out of control, and by which rule.

Owns the rules. Must not know how centre and sigma were found. The rules are those that the NIST/SEMATECH e-Handbook
gives in 6.3.2 (from memory): four about zones of one, two and three sigma, and two about trends. Each fires at the
point that completes it, and only where that point is itself part of it. A point exactly on a border is not beyond it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    import numpy.typing as npt

    from benchrig.statistics.samples import Floats

    Flags = npt.NDArray[np.bool_]


class Rule(StrEnum):
    """Why a point is out of control."""

    BEYOND_LIMIT = "beyond a control limit"
    TWO_OF_THREE = "2 of 3 beyond 2 sigma on one side"
    FOUR_OF_FIVE = "4 of 5 beyond 1 sigma on one side"
    EIGHT_ON_ONE_SIDE = "8 in a row on one side of the centre"
    SIX_IN_ONE_DIRECTION = "6 in a row rising or falling"
    FOURTEEN_ALTERNATING = "14 in a row alternating up and down"
    AVERAGE_BEYOND_LIMIT = "weighted average beyond its limit"
    SUM_ABOVE_LIMIT = "cumulative sum above the target beyond its limit"
    SUM_BELOW_LIMIT = "cumulative sum below the target beyond its limit"


ZONE_RULES = (Rule.BEYOND_LIMIT, Rule.TWO_OF_THREE, Rule.FOUR_OF_FIVE, Rule.EIGHT_ON_ONE_SIDE)
TREND_RULES = (Rule.SIX_IN_ONE_DIRECTION, Rule.FOURTEEN_ALTERNATING)
ALL_RULES = ZONE_RULES + TREND_RULES


@dataclass(frozen=True, slots=True, order=True)
class Signal:
    """Point `number` (1 for the first) is out of control by `rule`."""

    number: int
    rule: Rule


def signals(points: Floats, *, centre: float, sigma: float, rules: Iterable[Rule] = ALL_RULES) -> tuple[Signal, ...]:
    """Every point that is out of control, by points, then by rules. `sigma` is that of a point. Raises ValueError."""
    z = (points - centre) / sigma
    wanted = tuple(rules)
    for rule in wanted:
        if rule not in _RULES:
            accepted = ", ".join(repr(one.value) for one in ALL_RULES)
            raise ValueError(f"rule {str(rule)!r} is none of this chart; accepted: {accepted}")
    return in_order({rule: _RULES[rule](z) for rule in wanted})


def in_order(fired: Mapping[Rule, Flags]) -> tuple[Signal, ...]:
    """Signals of the points at which each rule fired."""
    order = list(Rule)
    found = [Signal(int(at) + 1, rule) for rule, flags in fired.items() for at in np.flatnonzero(flags)]
    return tuple(sorted(found, key=lambda one: (one.number, order.index(one.rule))))


def _count_in(flags: Flags, length: int) -> npt.NDArray[np.int64]:
    """How many of the last `length` points are flagged, at each point."""
    so_far = np.cumsum(flags)
    so_far[length:] = so_far[length:] - so_far[:-length]
    return np.asarray(so_far, dtype=np.int64)


def _of_last(z: Floats, *, beyond: float, count: int, length: int) -> Flags:
    fired = np.zeros(z.size, dtype=np.bool_)
    for side in (z, -z):
        flags = side > beyond
        fired |= flags & (_count_in(flags, length) >= count)
    return fired


def _one_direction(z: Floats) -> Flags:
    """Six points, each above (or below) the one before it: five steps of one sign."""
    steps = np.sign(np.diff(z, prepend=z[0]))
    return np.asarray((_count_in(steps > 0, 5) == 5) | (_count_in(steps < 0, 5) == 5))


def _alternating(z: Floats) -> Flags:
    """Fourteen points, thirteen steps, of which the last twelve turn round each time."""
    steps = np.sign(np.diff(z, prepend=z[0]))
    turns = np.zeros(z.size, dtype=np.bool_)
    turns[1:] = steps[1:] * steps[:-1] < 0
    return np.asarray(_count_in(turns, 12) == 12)


_RULES: dict[Rule, Callable[[Floats], Flags]] = {
    Rule.BEYOND_LIMIT: lambda z: _of_last(z, beyond=3.0, count=1, length=1),
    Rule.TWO_OF_THREE: lambda z: _of_last(z, beyond=2.0, count=2, length=3),
    Rule.FOUR_OF_FIVE: lambda z: _of_last(z, beyond=1.0, count=4, length=5),
    Rule.EIGHT_ON_ONE_SIDE: lambda z: _of_last(z, beyond=0.0, count=8, length=8),
    Rule.SIX_IN_ONE_DIRECTION: _one_direction,
    Rule.FOURTEEN_ALTERNATING: _alternating,
}
