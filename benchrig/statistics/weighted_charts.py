"""Charts that remember: exponentially weighted moving average (EWMA) and cumulative sum (CUSUM).

Owns both and when they signal. Must not know what is charted. Target and sigma are given: they come from a reference
taken before, such as the control board's first month. Formulas and worked examples: NIST/SEMATECH e-Handbook 6.3.2.3
and 6.3.2.4 (see the tests for how far each was read). Average run lengths by the approximation of D. Siegmund (1985)
for a two-sided CUSUM, from memory, held against simulation in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.statistics.run_rules import Rule, Signal, in_order
from benchrig.statistics.samples import LARGEST, checked_values

if TYPE_CHECKING:
    from benchrig.statistics.samples import Values

LEAST_SIGMA = 1e-100


@dataclass(frozen=True, slots=True, kw_only=True)
class AverageChart:
    """Averages of `n` values with the limits that hold at each, and the points that are beyond."""

    target: float
    weight: float
    averages: tuple[float, ...]
    lows: tuple[float, ...]
    highs: tuple[float, ...]
    signals: tuple[Signal, ...]
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SumChart:
    """Cumulative sums of `n` values above and below the target, in their unit; `limit` is for both.

    `shift_starts` says for the first signal the number of the first point of that excursion, None without one.
    """

    target: float
    slack: float
    limit: float
    above: tuple[float, ...]
    below: tuple[float, ...]
    signals: tuple[Signal, ...]
    shift_starts: int | None
    n: int


def _check(target: float, numbers: dict[str, float]) -> None:
    if not abs(target) <= LARGEST:
        raise ValueError(f"the target is {target!r}; accepted: a finite number")
    for name, number in numbers.items():
        if not LEAST_SIGMA <= number <= LARGEST:
            raise ValueError(f"{name} is {number!r}; accepted: a finite number above 0")


def average_chart(
    values: Values,
    *,
    target: float,
    sigma: float,
    weight: float = 0.3,
    sigmas: float = 3.0,
    settled_limits: bool = False,
) -> AverageChart:
    """EWMA with `weight` (above 0, up to 1) for the newest value.

    Limits are exact at each point; with `settled_limits` those after very many points, as the handbook's example.
    Raises ValueError.
    """
    _check(target, {"sigma": sigma, "sigmas": sigmas})
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"the weight is {weight!r}; accepted: above 0 and up to 1, such as 0.3")
    found = checked_values(values, what="EWMA chart", fewest=1)
    averages, last = [], target
    for value in found.tolist():
        last = weight * value + (1.0 - weight) * last
        averages.append(last)
    steps = np.arange(1, found.size + 1)
    # log1p and expm1 keep the digits of a small weight
    grown = np.ones(found.size) if settled_limits or weight == 1.0 else -np.expm1(2.0 * steps * math.log1p(-weight))
    half = sigmas * sigma * np.sqrt(weight / (2.0 - weight) * grown)
    beyond = np.abs(np.array(averages) - target) > half
    return AverageChart(
        target=target,
        weight=weight,
        averages=tuple(averages),
        lows=tuple((target - half).tolist()),
        highs=tuple((target + half).tolist()),
        signals=in_order({Rule.AVERAGE_BEYOND_LIMIT: beyond}),
        n=found.size,
    )


def sum_chart(values: Values, *, target: float, slack: float, limit: float) -> SumChart:
    """Two-sided CUSUM: `slack` k is half of the shift to be found, `limit` h; both in the unit of the values.

    Raises ValueError.
    """
    _check(target, {"the slack": slack, "the limit": limit})
    found = checked_values(values, what="CUSUM chart", fewest=1)
    off = found - target
    above, below = _sums(off.tolist(), slack), _sums((-off).tolist(), slack)
    fired = {Rule.SUM_ABOVE_LIMIT: np.array(above) > limit, Rule.SUM_BELOW_LIMIT: np.array(below) > limit}
    signals = in_order(fired)
    return SumChart(
        target=target,
        slack=slack,
        limit=limit,
        above=tuple(above),
        below=tuple(below),
        signals=signals,
        shift_starts=_start(above, below, signals[0]) if signals else None,
        n=found.size,
    )


def _sums(off: list[float], slack: float) -> list[float]:
    sums, last = [], 0.0
    for one in off:
        last = max(0.0, last + one - slack)
        sums.append(last)
    return sums


def _start(above: list[float], below: list[float], signal: Signal) -> int:
    """The first point after the last zero of that sum before the signal."""
    sums = above if signal.rule is Rule.SUM_ABOVE_LIMIT else below
    zeros = [at for at, one in enumerate(sums[: signal.number], start=1) if one == 0.0]
    return zeros[-1] + 1 if zeros else 1


def run_length(shift_sigmas: float, *, slack_sigmas: float, limit_sigmas: float) -> float:
    """Points until a two-sided CUSUM signals, on average, when the mean is off by `shift_sigmas`. ValueError."""
    if not abs(shift_sigmas) <= 10.0:
        raise ValueError(f"the shift is {shift_sigmas!r} sigma; accepted: from -10 to 10")
    for name, number in (("slack", slack_sigmas), ("limit", limit_sigmas)):
        if not 0.0 < number <= 20.0:
            raise ValueError(f"the {name} is {number!r} sigma; accepted: above 0 and up to 20")
    up, down = (
        _one_sided_length(drift - slack_sigmas, limit_sigmas + 1.166) for drift in (shift_sigmas, -shift_sigmas)
    )
    return 1.0 / (1.0 / up + 1.0 / down)


def _one_sided_length(drift: float, height: float) -> float:
    if abs(drift) < 1e-4:
        return height * height
    exponent = min(-2.0 * drift * height, 600.0)
    return (math.exp(exponent) + 2.0 * drift * height - 1.0) / (2.0 * drift * drift)
