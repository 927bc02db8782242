"""Shares of failing boards with exact and Wilson intervals, and what a lot proves, in plain words.

Owns these alone. Must not know what a failing board is. Exact interval: C. J. Clopper and E. S. Pearson, Biometrika
26 (1934), by beta quantiles; score interval: E. B. Wilson, JASA 22 (1927) (both from memory; held against a
statistics library's table and definition in the tests).
"""

from __future__ import annotations

import math
from statistics import NormalDist

from benchrig.statistics.incomplete import beta_quantile
from benchrig.statistics.samples import CONFIDENCE, Estimate, checked_confidence, checked_share

MOST_BOARDS = 100_000_000


def _checked_counts(count: int, total: int) -> None:
    for name, number in (("count", count), ("total", total)):
        if isinstance(number, bool) or not isinstance(number, int):
            raise ValueError(f"{name} is {number!r}; accepted: a whole number")
    if not 1 <= total <= MOST_BOARDS:
        raise ValueError(f"a share of {total} says nothing; accepted: a total from 1 to {MOST_BOARDS}")
    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share; accepted: a count from 0 to {total}")


def exact_share(count: int, *, total: int, confidence: float = CONFIDENCE) -> Estimate:
    """Share `count` of `total` with its Clopper-Pearson interval, two-sided: never less sure than it says.

    Raises ValueError.
    """
    _checked_counts(count, total)
    tail = 0.5 * (1.0 - checked_confidence(confidence))
    return Estimate(
        value=count / total,
        low=_at_least(count, total, tail),
        high=_at_most(count, total, tail),
        confidence=confidence,
        n=total,
    )


def wilson_share(count: int, *, total: int, confidence: float = CONFIDENCE) -> Estimate:
    """Share `count` of `total` with its Wilson interval, two-sided: as sure as it says, on average. ValueError."""
    _checked_counts(count, total)
    z = NormalDist().inv_cdf(0.5 + 0.5 * checked_confidence(confidence))
    share, weight = count / total, z * z / total
    middle = (share + 0.5 * weight) / (1.0 + weight)
    half = z * math.sqrt(share * (1.0 - share) / total + 0.25 * weight / total) / (1.0 + weight)
    return Estimate(
        value=share,
        low=0.0 if count == 0 else middle - half,
        high=1.0 if count == total else middle + half,
        confidence=confidence,
        n=total,
    )


def _at_least(count: int, total: int, tail: float) -> float:
    return 0.0 if count == 0 else beta_quantile(tail, a=count, b=total - count + 1)


def _at_most(count: int, total: int, tail: float) -> float:
    if count == 0:
        return -math.expm1(math.log(tail) / total)
    return 1.0 if count == total else beta_quantile(1.0 - tail, a=count + 1, b=total - count)


# ---- what a lot proves


def largest_share(failed: int, *, boards: int, confidence: float = CONFIDENCE) -> Estimate:
    """Share that failed, and one-sided up to which share the whole process may fail. Raises ValueError."""
    _checked_counts(failed, boards)
    high = _at_most(failed, boards, 1.0 - checked_confidence(confidence))
    return Estimate(value=failed / boards, low=0.0, high=high, confidence=confidence, n=boards)


def boards_needed(share: float, *, failed: int = 0, confidence: float = CONFIDENCE) -> int:
    """Boards to test so that `failed` among them still prove that no more than `share` of all fail. Raises ValueError.

    With none failing that is the least n with (1 - share)^n <= 1 - confidence.
    """
    checked_share(share, what="the share")
    if failed < 0:
        raise ValueError(f"failed is {failed!r}; accepted: 0 or more")
    tail = 1.0 - checked_confidence(confidence)
    low = high = failed + 1
    while _at_most(failed, high, tail) > share:
        low, high = high, 2 * high
        if high > MOST_BOARDS:
            raise ValueError(f"a share of {share!r} asks for more than {MOST_BOARDS} boards; accept a larger one")
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if _at_most(failed, middle, tail) > share else (low, middle)
    return high


def lot_statement(failed: int, *, boards: int, confidence: float = CONFIDENCE) -> str:
    """What the boards of a lot prove of the process they came from, and under which condition. Raises ValueError."""
    found = largest_share(failed, boards=boards, confidence=confidence)
    sure = f"{confidence * 100:.4g} %"
    if failed == boards:
        return f"{failed} of {boards} boards failed: nothing bounds the share of failing boards at {sure} confidence."
    return (
        f"{failed} of {boards} boards failed: at {sure} confidence (one-sided) up to {_percent(found.high)} of all "
        "boards of this process may fail. This holds if the boards are a random sample of it."
    )


def _percent(share: float | None) -> str:
    return f"{100.0 * (share or 0.0):.3g} %"
