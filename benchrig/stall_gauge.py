"""How late this computer wakes a thread that asked to be woken: a stamp is worth no more than that.

A bench computer that is busy with something else stamps what arrives too late, and a slow computer must not make a
slow board. Owns the gauge; what a doubt does to a verdict is for others.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.clock import Clock

_STEP_WALL_S = 0.01
_WORTH_KEEPING_WALL_S = 0.002
_KEPT = 20_000


class StallGauge:
    """A thread that sleeps in small steps and writes down by how much it was woken too late."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._late: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="stall gauge", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def stop(self) -> None:
        """End the watch; safe to call twice, or without a start."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()

    def worst_s(self, since_s: float) -> float:
        """The longest stall, in bench seconds, that ended after `since_s` (bench time); 0 where none was seen."""
        return max((late_s for ended_s, late_s in tuple(self._late) if ended_s >= since_s), default=0.0)

    def _watch(self) -> None:
        step_s = _STEP_WALL_S * self._clock.scale
        due_s = self._clock.now_s() + step_s
        while not self._over.wait(_STEP_WALL_S):
            now_s = self._clock.now_s()
            if now_s - due_s > _WORTH_KEEPING_WALL_S * self._clock.scale:
                self._late.append((now_s, now_s - due_s))
            due_s = now_s + step_s
