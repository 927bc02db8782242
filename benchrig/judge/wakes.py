"""The wakes of a sleeping board in a current recording: which are the expected ones, and what else there is.

Owns the choice of the expected kind. Must not know how segments are found, nor a limit. The window rule and the
search for hidden events are those of `charge`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.charge import Expected, close_charge, find_hidden, kinds, mean_current

if TYPE_CHECKING:
    from benchrig.judge.charge import Closure, Hidden, Kind, MeanCurrent
    from benchrig.judge.segments import Segmentation

_ALIKE = 1.3
"""Wakes whose charge and duration are within this factor of the mean are the expected ones. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wakes:
    """What happens in sleep.

    `expected` is the kind of event whose period is nearest to what it should be, None when nothing repeats.
    `hidden` is whatever else came, and what came too often; `mean` the current over whole periods, with its rule.
    """

    expected: Kind | None
    hidden: Hidden
    mean: MeanCurrent
    closure: Closure


def read_wakes(found: Segmentation, *, period_s: float, least_periods: int) -> Wakes:
    """Sort the events of a recording that was judged; `period_s` is how often the board should wake.

    Raises ValueError for a recording that was not judged.
    """
    repeating = [kind for kind in kinds(found) if kind.period_s]
    expected = min(repeating, key=lambda kind: abs(math.log((kind.period_s or period_s) / period_s)), default=None)
    hidden = find_hidden(found, expected=_expectation(found, expected, period_s))
    if hidden is None:
        raise ValueError(f"a recording that was not judged has no wakes: {'; '.join(found.problems)}")
    return Wakes(
        expected=expected,
        hidden=hidden,
        mean=mean_current(found, least_periods=least_periods),
        closure=close_charge(found),
    )


def _expectation(found: Segmentation, kind: Kind | None, period_s: float) -> tuple[Expected, ...]:
    if kind is None:
        return ()
    edges_s = 2.0 * found.recording.interval_s
    charges_c = (kind.charge_c / _ALIKE, kind.charge_c * _ALIKE)
    return (
        Expected(
            name="wake",
            charge_c=(min(charges_c), max(charges_c)),  # a floor below 0 makes the charge of a small event so, too
            duration_s=(kind.duration_s / _ALIKE - edges_s, kind.duration_s * _ALIKE + edges_s),
            period_s=period_s,
        ),
    )
