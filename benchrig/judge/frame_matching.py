"""Which uplink carried which frame: what a board handed to its modem, matched with what was heard on the air.

Owns the matching, by order, counter, bytes and time; every uplink is matched once at most. Must not know what bytes
mean, nor how they travelled. Times in seconds on one clock.

Of all ways to match in order, the one with the highest sum is taken: a pair counts for itself, more when its bytes
are the same, a little less the later the uplink came, and more when the counter went on by as much as the frames
did. So a lost frame does not shift its successors, and a modem that spoils every byte is still matched by time and
counter. The weights are own choices.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

_PAIR: Final = 1.0
_SAME_BYTES: Final = 2.0
_IN_STEP: Final = 1.0
_LATENESS: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedFrame:
    """A frame that the modem was given. `at_s` is when."""

    at_s: float
    port: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardFrame:
    """A frame that was heard, in the clear. `session` tells one join's counters from another's."""

    at_s: float
    counter: int
    port: int | None
    payload: bytes
    session: int = 0


class Pair(NamedTuple):
    """A frame handed over and the one heard, by their places in the two lists."""

    handed: int
    heard: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Who belongs to whom, by places in the two lists.

    `lost` were handed over and never heard, `strange` were heard and never handed over. `duplicates` are copies of a
    frame heard before, `replays` come with a counter that is not above the last one of their session and are no
    such copy. `missing` counters of the sessions were never heard, between the first and the last.
    """

    pairs: tuple[Pair, ...]
    lost: tuple[int, ...]
    strange: tuple[int, ...]
    duplicates: tuple[int, ...]
    replays: tuple[int, ...]
    missing: int

    def heard_of(self, handed: int) -> int | None:
        """The place of the uplink that carried a frame; None when it was lost."""
        return next((pair.heard for pair in self.pairs if pair.handed == handed), None)


def match_frames(handed: Sequence[HandedFrame], heard: Sequence[HeardFrame], *, within_s: float) -> Matching:
    """Match frames, both lists in order of time. An uplink may come up to `within_s` after its hand-over.

    Raises ValueError for a `within_s` that is not above 0.
    """
    if not within_s > 0.0:
        raise ValueError(f"within_s {within_s!r}; accepted: seconds above 0")
    fresh, duplicates, replays = _sorted_out(heard)
    pairs = _best(_candidates(handed, heard, fresh, within_s=within_s), handed, heard, within_s=within_s)
    carried, used = {pair.handed for pair in pairs}, {pair.heard for pair in pairs}
    return Matching(
        pairs=pairs,
        lost=tuple(place for place in range(len(handed)) if place not in carried),
        strange=tuple(place for place in fresh if place not in used),
        duplicates=tuple(duplicates),
        replays=tuple(replays),
        missing=_missing(heard, fresh),
    )


def _sorted_out(heard: Sequence[HeardFrame]) -> tuple[list[int], list[int], list[int]]:
    """Places of new frames, of copies, and of frames whose counter was used or passed before."""
    last: dict[int, int] = {}
    seen: dict[tuple[int, int], HeardFrame] = {}
    fresh: list[int] = []
    duplicates: list[int] = []
    replays: list[int] = []
    for place, frame in enumerate(heard):
        key = (frame.session, frame.counter)
        before = seen.get(key)
        if before is not None and (before.port, before.payload) == (frame.port, frame.payload):
            duplicates.append(place)
        elif frame.counter <= last.get(frame.session, -1):
            replays.append(place)
        else:
            fresh.append(place)
            last[frame.session] = frame.counter
            seen[key] = frame
    return fresh, duplicates, replays


def _missing(heard: Sequence[HeardFrame], fresh: Sequence[int]) -> int:
    counters: dict[int, list[int]] = {}
    for place in fresh:
        counters.setdefault(heard[place].session, []).append(heard[place].counter)
    return sum(max(one) - min(one) + 1 - len(one) for one in counters.values())


def _candidates(
    handed: Sequence[HandedFrame], heard: Sequence[HeardFrame], fresh: Sequence[int], *, within_s: float
) -> list[Pair]:
    return [
        Pair(place, other)
        for place, frame in enumerate(handed)
        for other in fresh
        if 0.0 <= heard[other].at_s - frame.at_s <= within_s
    ]


def _best(
    candidates: Sequence[Pair], handed: Sequence[HandedFrame], heard: Sequence[HeardFrame], *, within_s: float
) -> tuple[Pair, ...]:
    """The chain of candidates, rising in both places, with the highest sum; found from its last pair backwards."""
    sums: list[float] = []
    before: list[int | None] = []
    for index, pair in enumerate(candidates):
        best, way = 0.0, None
        for other in range(index):
            last = candidates[other]
            if last.handed < pair.handed and last.heard < pair.heard:
                through = sums[other] + _IN_STEP * _is_in_step(last, pair, heard)
                if through > best:
                    best, way = through, other
        sums.append(best + _weight(handed[pair.handed], heard[pair.heard], within_s=within_s))
        before.append(way)
    chain: list[Pair] = []
    at = max(range(len(sums)), key=sums.__getitem__, default=None)
    while at is not None:
        chain.append(candidates[at])
        at = before[at]
    return tuple(reversed(chain))


def _weight(handed: HandedFrame, heard: HeardFrame, *, within_s: float) -> float:
    same = (handed.port, handed.payload) == (heard.port, heard.payload)
    return _PAIR + _SAME_BYTES * same - _LATENESS * (heard.at_s - handed.at_s) / within_s


def _is_in_step(last: Pair, pair: Pair, heard: Sequence[HeardFrame]) -> bool:
    one, two = heard[last.heard], heard[pair.heard]
    return one.session == two.session and two.counter - one.counter == pair.handed - last.handed
