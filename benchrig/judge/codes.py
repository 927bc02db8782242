"""What the codes of a sweep say beside the line: clipping, repeated and missing codes, bits that never change.

Owns these findings; the line itself is `converter`. Must not know volts per count of a board: voltages
come in already divided by the nominal count, as `expected`.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter, defaultdict
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.linear import fit_line

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    have had it. Ends are left out: what lies beyond was not visited.
    """
    seen, low, high = Counter(codes), min(codes), max(codes)
    due = _readings_due(expected, max(scatter, _LEAST_SCATTER))
    judged = [code for code in range(low + 1, high) if due[code] >= _MISSING_EVIDENCE]
    return CodeCover(high - low + 1, len(seen), len(judged), tuple(code for code in judged if not seen[code]))


def _readings_due(expected: Sequence[float], scatter: float) -> defaultdict[int, float]:
    """How many readings each code should have had, as a sum of chances."""
    due: defaultdict[int, float] = defaultdict(float)
    normal, reach = NormalDist(0.0, scatter), math.ceil(4.0 * scatter) + 1
    for exact in expected:
        middle = round(exact)
        below = normal.cdf(middle - reach - 0.5 - exact)
        for code in range(middle - reach, middle + reach + 1):
            above = normal.cdf(code + 0.5 - exact)
            due[code] += above - below
            below = above
    return due


def dead_bits(inputs: Sequence[float], codes: Sequence[int], *, width: int) -> tuple[int, ...] | None:
    """Bits (0 is the lowest) that never change across the sweep although they should have.

    A bit that happens to be equal in all codes proves nothing. So each such bit is put back where a straight
    line wants it, and is dead only if that explains the scatter. A bit worth less than about eight times the
    scatter of the readings cannot be judged in this way and is not reported. None for fewer than 8
    codes. `inputs` in nominal counts.
    """
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
