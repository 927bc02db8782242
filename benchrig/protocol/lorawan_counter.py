"""The 32-bit frame counter out of the 16 bits on air, and whether it is new, a repetition or a replay.

Owns this one rule. Must not know frames, keys or time. A value says what the counter would be; the integrity code,
which covers all 32 bits, then says whether that is true.
Source: LoRaWAN 1.0.x section 4.3.1.5, from memory; MAX_FCNT_GAP 16384 from RP002-1.0.1, table of recommended values
(removed from LoRaWAN 1.0.4 on).
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

MAX_GAP = 16384
"""So many frames may be lost in a row."""

LAST_COUNTER = 0xFFFF_FFFF
"""After this one a session has no counter left."""

_WRAP = 0x1_0000


class Step(StrEnum):
    """What a counter is to the one before."""

    NEW = "new"
    REPEATED = "repeated"
    REFUSED = "refused"


class CounterStep(NamedTuple):
    """`counter` has 32 bits. Of a refused frame it is the earlier one that it would repeat, None where there is none.

    `missed` is how many counters were never heard before a new one, and `reason` is empty unless refused.
    """

    step: Step
    counter: int | None
    missed: int = 0
    reason: str = ""


def next_counter(on_air: int, *, last: int | None, max_gap: int = MAX_GAP) -> CounterStep:
    """What the 16 bits `on_air` mean after the counter `last`; None when the session has heard nothing yet.

    Raises ValueError for numbers that are no counters.
    """
    if not 0 <= on_air < _WRAP:
        raise ValueError(f"counter {on_air!r} on air; accepted: 16 bits")
    if last is not None and not 0 <= last <= LAST_COUNTER:
        raise ValueError(f"last counter {last!r}; accepted: 32 bits, or None")
    if not 0 < max_gap < _WRAP:
        raise ValueError(f"a gap of {max_gap!r}; accepted: 1 to {_WRAP - 1}")
    if last is None:
        return _first(on_air, max_gap)
    ahead = (on_air - last) % _WRAP
    if ahead == 0:
        return CounterStep(Step.REPEATED, last)
    if ahead > max_gap:
        return _refused(on_air, last, ahead, max_gap)
    if last + ahead > LAST_COUNTER:
        return CounterStep(Step.REFUSED, None, reason="the session has used all of its counters; join again")
    return CounterStep(Step.NEW, last + ahead, missed=ahead - 1)


def _first(on_air: int, max_gap: int) -> CounterStep:
    if on_air < max_gap:
        return CounterStep(Step.NEW, on_air, missed=on_air)
    reason = f"the first frame of a session has counter {on_air}; accepted: below {max_gap}"
    return CounterStep(Step.REFUSED, None, reason=reason)


def _refused(on_air: int, last: int, ahead: int, max_gap: int) -> CounterStep:
    earlier = last + ahead - _WRAP
    reason = f"counter {on_air} on air after {last}: {_WRAP - ahead} behind, or {ahead} ahead with {max_gap} allowed"
    return CounterStep(Step.REFUSED, earlier if earlier >= 0 else None, reason=reason)
