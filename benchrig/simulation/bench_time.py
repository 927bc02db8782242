"""Bench time and the agenda of what happens next in it.

Owns: the clock (wall time multiplied by the scale) and the ordered list of future actions.  Must not know what
the actions do.  Every action runs with `Agenda.now` at its appointed instant, however late the event loop was,
so that the physics depends on bench time alone and never on the load of the machine.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import time
from collections.abc import Callable
from typing import Final

Action = Callable[[], None]

# An action that keeps appointing itself at the same instant would hang the process without a word.
MAX_ACTIONS_PER_CATCH_UP: Final = 2_000_000


class Appointment:
    """One future action; `cancel` makes it void."""

    __slots__ = ("action", "at_s")

    def __init__(self, at_s: float, action: Action) -> None:
        self.at_s = at_s
        self.action: Action | None = action

    def cancel(self) -> None:
        """Void the appointment; harmless when it has already taken place."""
        self.action = None


class Agenda:
    """Future actions in order of bench time.

    Whoever brings something in from outside (a message, a byte) calls `catch_up` first.
    """

    def __init__(self, *, scale: float, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        """Start bench time at 0; `scale` is bench seconds per wall second."""
        self.scale = scale
        self.now = 0.0
        self._monotonic_s = monotonic_s
        self._started_s = monotonic_s()
        self._heap: list[tuple[float, int, Appointment]] = []
        self._order = itertools.count()
        self._timer: asyncio.TimerHandle | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._is_catching_up = False

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Let the event loop wake the agenda whenever an action falls due."""
        self._loop = loop
        self._arm()

    def at(self, at_s: float, action: Action) -> Appointment:
        """Appoint `action` for the bench time `at_s` (never earlier than now)."""
        appointment = Appointment(max(at_s, self.now), action)
        heapq.heappush(self._heap, (appointment.at_s, next(self._order), appointment))
        if self._heap[0][2] is appointment:
            self._arm()
        return appointment

    def after(self, delay_s: float, action: Action) -> Appointment:
        """Appoint `action` for `delay_s` bench seconds from now."""
        return self.at(self.now + delay_s, action)

    def catch_up(self) -> None:
        """Carry out, in order, everything that is due by the present bench time."""
        if self._is_catching_up:
            return
        self._is_catching_up = True
        try:
            self._run_until((self._monotonic_s() - self._started_s) * self.scale)
        finally:
            self._is_catching_up = False
            self._arm()

    async def wait_until(self, at_s: float) -> None:
        """Return when bench time has reached `at_s`."""
        reached = asyncio.get_running_loop().create_future()
        appointment = self.at(at_s, lambda: None if reached.done() else reached.set_result(None))
        try:
            await reached
        finally:
            appointment.cancel()

    def _run_until(self, limit_s: float) -> None:
        actions = 0
        while self._heap and self._heap[0][0] <= limit_s:
            at_s, _, appointment = heapq.heappop(self._heap)
            if appointment.action is None:
                continue
            self.now = max(self.now, at_s)
            appointment.action()
            actions += 1
            if actions > MAX_ACTIONS_PER_CATCH_UP:
                raise RuntimeError(f"simulation stuck at {self.now} s: actions keep appointing each other")
        self.now = max(self.now, limit_s)

    def _arm(self) -> None:
        if self._loop is None or self._is_catching_up:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        while self._heap and self._heap[0][2].action is None:
            heapq.heappop(self._heap)
        if self._heap:
            wall_s = self._started_s + self._heap[0][0] / self.scale - self._monotonic_s()
            self._timer = self._loop.call_later(max(0.0, wall_s), self.catch_up)
