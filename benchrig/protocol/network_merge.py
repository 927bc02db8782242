"""One packet that several gateways heard becomes one, and a copy that comes too late is known as such.

Owns the collecting of copies. Must not know what the bytes mean. Copies have the same bytes and come within a short
time; the same bytes later are the board's own repetition. Times in seconds on the caller's clock.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from typing import NamedTuple

from benchrig.protocol.network_events import Reception  # noqa: TC001 - of a NamedTuple's fields

_REMEMBERED = 64

LATE_S = 1.0
"""A board repeats no frame sooner: its second window opens 2 s after the first time (RP002-1.0.1), so that the same
bytes within this time are a copy on a slow way."""


class Merged(NamedTuple):
    """A packet with all its receptions, the strongest first. `heard_s` is when the first came in."""

    data: bytes
    heard_s: float
    receptions: tuple[Reception, ...]


class _Given(NamedTuple):
    """What is remembered of a packet that was given out: when it came, and by which clocks of which gateways."""

    heard_s: float
    clocks: frozenset[tuple[int, int]]


@dataclass(slots=True)
class Merger:
    """Collects copies for `wait_s` after the first."""

    wait_s: float
    _open: OrderedDict[bytes, list[Reception]] = field(default_factory=OrderedDict)
    _closed: OrderedDict[bytes, _Given] = field(default_factory=OrderedDict)

    @property
    def due_s(self) -> float | None:
        """When `take` has something to give; None while nothing waits."""
        return min((heard[0].at_s + self.wait_s for heard in self._open.values()), default=None)

    def add(self, data: bytes, reception: Reception) -> bool:
        """Keeps a copy. False: it came after its packet was given out.

        A gateway that hands the same packet over once more, however late, is known by its own clock.
        """
        heard = self._open.get(data)
        if heard is not None:
            heard.append(reception)
            return True
        given = self._closed.get(data)
        if given is not None:
            same = (reception.gateway, reception.counter_us) in given.clocks
            if same or reception.at_s - given.heard_s < LATE_S:
                return False
        self._open[data] = [reception]
        return True

    def take(self, at_s: float) -> tuple[Merged, ...]:
        """Every packet whose time is over, in the order in which they came."""
        over = [data for data, heard in self._open.items() if heard[0].at_s + self.wait_s <= at_s]
        return tuple(self._close(data) for data in over)

    def _close(self, data: bytes) -> Merged:
        heard = self._open.pop(data)
        self._closed[data] = _Given(heard[0].at_s, frozenset((one.gateway, one.counter_us) for one in heard))
        self._closed.move_to_end(data)
        if len(self._closed) > _REMEMBERED:
            self._closed.popitem(last=False)
        best: dict[int, Reception] = {}
        for one in sorted(heard, key=lambda reception: reception.strength):
            best[one.gateway] = one  # a gateway may hear a strong packet on a neighbouring channel as well
        receptions = tuple(sorted(best.values(), key=lambda one: one.strength, reverse=True))
        return Merged(data, heard[0].at_s, receptions)
