"""What the codes of a sweep say beside the line: clipping, repeated and missing codes, bits that never change.

Owns these findings; the line itself is `converter`. Must not know volts per count of a board: voltages
come in already divided by the nominal count, as `expected`.
"""

from __future__ import annotations

import math
import statistics
from functools import cache
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.linear import fit_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_QUANTISATION_COUNTS = 2.0
"""Two inputs may share a code up to here: half a count of rounding at either end, and as much again."""

_NOISE_SPAN = 6.0
"""... widened by this many standard deviations of a reading (three at either end)."""

_FEWEST_FOR_BITS = 8
_BIT_EVIDENCE = 4.0
"""A bit is called dead when putting it back shrinks the scatter about the line at least so many times."""


_MISSING_EVIDENCE = 14.0
"""Readings that a code should have had before their absence says that it is missing: by luck once in a million."""

_LEAST_SCATTER = 0.5
"""Counts. An input is not known better against the edges of a code than half of one."""

MOST_CODES = 1 << 24
"""Codes of a converter of 24 bits, the widest that there are (common practice, no source)."""

_WIDEST_BITS = 25

_TABLE_ENDS = 10
"""Standard deviations; a reading's chances end 4 of them and 1.5 codes from it, and a code is 2 of them at most."""


class CodeAt(NamedTuple):
    """One converted value: the input in nominal counts, and the code that came (whole for real codes)."""

    expected: float
    code: float
    group: tuple[float, str]
    """Set-point and direction of the sweep: equal groups are repeats of one input."""


def clipped_codes(samples: Sequence[CodeAt], *, full_scale: int | None) -> tuple[bool, bool]:
    """Whether the codes stand still at the bottom and at the top of the sweep, as (low, high).

    Standing still: the same extreme code at two or more inputs that are further apart than rounding explains.
    A code at 0 or at `full_scale` counts at once.
    """
    codes = [sample.code for sample in samples]
    low = _stands_still(samples, min(codes)) or min(codes) <= 0.0
    high = _stands_still(samples, max(codes)) or (full_scale is not None and max(codes) >= full_scale)
    return low, high


def _stands_still(samples: Sequence[CodeAt], extreme: float) -> bool:
    inputs = [sample.expected for sample in samples if sample.code == extreme]
    others = [sample.expected for sample in samples if sample.code != extreme]
    # a code that comes again between other codes is a repeated code, not an end stop
    at_one_end = not others or min(inputs) > max(others) or max(inputs) < min(others)
    return at_one_end and max(inputs) - min(inputs) > _QUANTISATION_COUNTS


def repeated_codes(samples: Sequence[CodeAt], *, noise_counts: float) -> tuple[float, ...]:
    """Codes that came at inputs further apart than rounding and noise explain, within one direction."""
    reach: dict[tuple[str, float], tuple[float, float]] = {}
    for sample in samples:
        key = (sample.group[1], sample.code)
        low, high = reach.get(key, (sample.expected, sample.expected))
        reach[key] = (min(low, sample.expected), max(high, sample.expected))
    apart = _QUANTISATION_COUNTS + _NOISE_SPAN * noise_counts
    return tuple(sorted({code for (_, code), (low, high) in reach.items() if high - low > apart}))


class CodeCover(NamedTuple):
    """Codes between the lowest and the highest that came: how many, how many were seen, how many had so many readings
    that their absence would have been noticed (`judged`), and those of these that never came."""

    span: int
    visited: int
    judged: int
    missing: tuple[int, ...]


def code_cover(expected: Sequence[float], codes: Sequence[int], *, scatter: float) -> CodeCover:
    """Which codes of the range were visited and which are missing.

    `expected` are the codes that a straight converter would give, not rounded; `scatter` is the standard deviation
    of the codes about them, in counts. A code is missing when it never came although 14 or more readings should
    have had it. Ends are left out: what lies beyond was not visited. Raises ValueError for no codes, unequal lengths,
    numbers that are not finite, and codes further apart than a converter of 24 bits has them.
    """
    _check_cover(expected, codes, scatter)
    low, high = min(codes), max(codes)
    seen = np.unique(np.asarray(codes, dtype=np.int64))
    due = _readings_due(expected, max(scatter, _LEAST_SCATTER), low=low, high=high)
    due[[0, -1]] = 0.0
    judged = np.flatnonzero(due >= _MISSING_EVIDENCE) + low
    missing = np.setdiff1d(judged, seen, assume_unique=True)
    return CodeCover(high - low + 1, seen.size, judged.size, tuple(missing.tolist()))


def _check_cover(expected: Sequence[float], codes: Sequence[int], scatter: float) -> None:
    if not codes or len(expected) != len(codes):
        raise ValueError(f"{len(codes)} codes and {len(expected)} expected ones; accepted: as many of each, 1 or more")
    span = max(codes) - min(codes) + 1
    if span > MOST_CODES:
        raise ValueError(
            f"codes from {min(codes)} to {max(codes)} are {span}; accepted: up to {MOST_CODES}, as a converter of 24 "
            "bits has them; look for a code that is no code"
        )
    if not (math.isfinite(scatter) and scatter >= 0.0 and all(map(math.isfinite, expected))):
        raise ValueError(f"a scatter of {scatter!r} counts, or an expected code, is no finite number from 0 up")


def _readings_due(expected: Sequence[float], scatter: float, *, low: int, high: int) -> Floats:
    """How many readings each code from `low` to `high` should have had, as a sum of chances.

    No code has more of a reading than one in the middle of it: where all readings together would not be enough there,
    nothing is added up, so that the work grows with the readings and never with the scatter.
    """
    due = np.zeros(high - low + 1)
    if len(expected) * (2.0 * NormalDist().cdf(0.5 / scatter) - 1.0) < _MISSING_EVIDENCE:
        return due
    reach = math.ceil(4.0 * scatter) + 1
    for exact in expected:
        first, last = max(low, round(exact) - reach), min(high, round(exact) + reach)
        if first <= last:
            edges = (np.arange(first, last + 2) - 0.5 - exact) / scatter
            due[first - low : last - low + 1] += np.diff(_normal_below(edges))
    return due


@cache
def _normal_table() -> tuple[Floats, Floats]:
    """The normal distribution at steps of 1/1024 standard deviation: a straight line between is off by 3e-8 at most."""
    at = np.linspace(-_TABLE_ENDS, _TABLE_ENDS, 2 * 1024 * _TABLE_ENDS + 1)
    return at, np.array([NormalDist().cdf(one) for one in at.tolist()])


def _normal_below(deviations: npt.NDArray[np.floating]) -> Floats:
    return np.asarray(np.interp(deviations, *_normal_table()))


def dead_bits(inputs: Sequence[float], codes: Sequence[int], *, width: int) -> tuple[int, ...] | None:
    """Bits (0 is the lowest) that never change across the sweep although they should have.

    A bit that happens to be equal in all codes proves nothing. So each such bit is put back where a straight
    line wants it, and is dead only if that explains the scatter. A bit worth less than about eight times the
    scatter of the readings cannot be judged in this way and is not reported. None for fewer than 8
    codes. `inputs` in nominal counts. Raises ValueError for a width beyond 25 bits: one more than any converter has.
    """
    if not 1 <= width <= _WIDEST_BITS:
        raise ValueError(f"a converter of {width} bits; accepted: 1 to {_WIDEST_BITS}; look for a code that is no code")
    if len(codes) < _FEWEST_FOR_BITS:
        return None
    found = []
    values = [float(code) for code in codes]
    for bit in reversed(range(width)):
        if len({code >> bit & 1 for code in codes}) == 1:
            # stuck high is stuck low with an offset, and an offset does not change the scatter
            restored = _restore(inputs, values, shift=float(1 << bit))
            if _explains(inputs, values, restored):
                found.append(bit)
                values = restored
    return tuple(sorted(found))


def _restore(inputs: Sequence[float], values: list[float], *, shift: float) -> list[float]:
    """`values` with `shift` added wherever that brings a value nearer to the line through the result."""
    middle = [value + 0.5 * shift for value in values]
    starts = (list(middle), [statistics.fmean(middle) - statistics.fmean(inputs) + x for x in inputs])
    tries = [_settle(inputs, values, start, shift=shift) for start in starts]
    return min(tries, key=lambda restored: _scatter(inputs, restored))


def _settle(inputs: Sequence[float], values: list[float], start: list[float], *, shift: float) -> list[float]:
    restored = start
    for _ in range(20):
        line = fit_line(inputs, restored)
        wanted = [line.intercept + line.slope * x for x in inputs]
        chosen = [
            value + shift if abs(value + shift - want) < abs(value - want) else value
            for value, want in zip(values, wanted, strict=True)
        ]
        if chosen == restored:
            break
        restored = chosen
    return restored


def _explains(inputs: Sequence[float], values: list[float], restored: list[float]) -> bool:
    changed = {x for x, before, after in zip(inputs, values, restored, strict=True) if before != after}
    kept = {x for x, before, after in zip(inputs, values, restored, strict=True) if before == after}
    if min(len(changed), len(kept)) < 2:
        return False  # a bit that is wrong everywhere is an offset; one point alone is no pattern
    return _scatter(inputs, restored) * _BIT_EVIDENCE < _scatter(inputs, values)


def _scatter(inputs: Sequence[float], values: Sequence[float]) -> float:
    return fit_line(inputs, values).residual_sd
