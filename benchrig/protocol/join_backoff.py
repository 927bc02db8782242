"""How often a board asks to join while nobody answers, held against the published caps on its time on air.

Owns the caps, what a row of requests makes of them, and how a power cut must change nothing. Must not know how requests
are heard. Times are seconds on the caller's clock.

Source: LoRaWAN link layer 1.0.4, section 7 "Retransmissions back-off" (1.0.3 alike), from memory: after a power-up or
reset, requests that need an answer and get none may be on air for less than 36 s in the first hour, for less than 36 s
in the ten hours after it, and then for less than 8.7 s in any 24 hours. How far a row of requests is carried on is own
choice, and so is the share by which a gap after a power cut may be shorter than the last one before it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

_HOUR_S = 3600.0
_GROWS = 1.2
"""By so much the last gap must be longer than the first, for gaps to be growing still."""

LEAST_SHARE = 0.8


class Cap(NamedTuple):
    """So long at most on air, between two times after power-up."""

    name: str
    from_s: float
    to_s: float
    limit_s: float


CAPS = (
    Cap("the first hour", 0.0, _HOUR_S, 36.0),
    Cap("hours 1 to 11", _HOUR_S, 11 * _HOUR_S, 36.0),
    Cap("24 hours after that", 11 * _HOUR_S, 35 * _HOUR_S, 8.7),
)


class Asked(NamedTuple):
    """A request: when it was heard, and how long it was on air."""

    at_s: float
    airtime_s: float


class State(StrEnum):
    """What is known of a cap. `open`: requests still become rarer, and nobody watched for long enough."""

    KEPT = "kept"
    BROKEN = "broken"
    OPEN = "open"


class CapRead(NamedTuple):
    """A cap, what was on air within it, what that becomes at the last gap, and the gap that would keep it."""

    cap: Cap
    observed_s: float
    projected_s: float
    needed_gap_s: float
    state: State


@dataclass(frozen=True, slots=True)
class Backoff:
    """What a row of requests says. `grows`: the last gap is clearly longer than the first."""

    gaps_s: tuple[float, ...]
    grows: bool
    caps: tuple[CapRead, ...]


class AcrossCut(NamedTuple):
    """The gap from the last request before a power cut to the first after it, and the longest gap until then."""

    cut_s: float
    gap_s: float
    longest_s: float

    @property
    def holds(self) -> bool:
        """Whether the board did not hurry."""
        return self.gap_s >= LEAST_SHARE * self.longest_s


def read_backoff(asked: Sequence[Asked], *, began_s: float, ended_s: float) -> Backoff:
    """Requests after a power-up at `began_s`, watched until `ended_s`. Raises ValueError without one."""
    if not asked:
        raise ValueError("no request; accepted: one at least")
    gaps_s = tuple(after.at_s - before.at_s for before, after in pairwise(asked))
    grows = len(gaps_s) < 2 or gaps_s[-1] >= _GROWS * gaps_s[0]
    caps = tuple(_read(cap, asked, gaps_s, grows=grows, began_s=began_s, ended_s=ended_s) for cap in CAPS)
    return Backoff(gaps_s, grows, caps)


def _read(
    cap: Cap, asked: Sequence[Asked], gaps_s: Sequence[float], *, grows: bool, began_s: float, ended_s: float
) -> CapRead:
    observed_s = sum(one.airtime_s for one in asked if cap.from_s <= one.at_s - began_s < cap.to_s)
    mean_s = sum(one.airtime_s for one in asked) / len(asked)
    left_s = max(0.0, cap.to_s - max(cap.from_s, ended_s - began_s))
    more_s = left_s / gaps_s[-1] * mean_s if gaps_s else 0.0
    projected_s = observed_s + more_s
    room_s = cap.limit_s - observed_s
    needed_s = left_s * mean_s / room_s if room_s > 0.0 else math.inf
    if observed_s >= cap.limit_s:
        state = State.BROKEN
    elif left_s and not gaps_s:
        state = State.OPEN
    elif projected_s < cap.limit_s:
        state = State.KEPT
    else:
        state = State.OPEN if grows else State.BROKEN
    return CapRead(cap, observed_s, projected_s, needed_s, state)


def across_cuts(asked: Sequence[Asked], cuts_s: Sequence[float]) -> tuple[AcrossCut, ...]:
    """Each power cut that lies between two requests, with two requests at least before it."""
    found: list[AcrossCut] = []
    for cut_s in cuts_s:
        before = [one.at_s for one in asked if one.at_s <= cut_s]
        after = [one.at_s for one in asked if one.at_s > cut_s]
        if len(before) >= 2 and after:
            longest_s = max(later - earlier for earlier, later in pairwise(before))
            found.append(AcrossCut(cut_s, after[0] - before[-1], longest_s))
    return tuple(found)
