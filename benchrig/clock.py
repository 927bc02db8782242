"""Bench time. Every wait of the runner goes through a Clock, so that logic can be tested without waiting.

A simulated bench may run faster than life: its scale stands in the bench file, and `ScaledClock` turns bench
seconds into wall seconds. Durations in records are bench time; UTC is always wall time.
"""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable

_GRACE_WALL_S = 0.5
"""Added to every scaled time-out: the operating system's own delays do not shrink with the scale."""


class Clock(Protocol):
    """What the runner asks of time."""

    @property
    def scale(self) -> float:
        """Bench seconds in one wall second."""

    def now_s(self) -> float:
        """Monotonic bench time in seconds."""

    def utc(self) -> datetime:
        """Wall time with its zone, for records."""

    def sleep(self, duration_s: float) -> None:
        """Wait for a bench duration."""

    def wall_timeout_s(self, timeout_s: float) -> float:
        """Wall seconds to grant for a bench time-out."""

    def from_wall_s(self, monotonic_s: float) -> float:
        """Bench time of a stamp that was taken with time.monotonic()."""


class ScaledClock:
    """The operating system's monotonic clock, `scale` times as fast; scale 1 is life."""

    def __init__(self, scale: float = 1.0, *, sleep: Callable[[float], None] = time.sleep) -> None:
        if not 0.0 < scale < math.inf:
            raise ValueError(f"a clock's scale is above 0 and finite, not {scale}")
        self._scale = scale
        self._sleep = sleep
        self._origin_s = time.monotonic()

    @property
    def scale(self) -> float:
        return self._scale

    def now_s(self) -> float:
        return (time.monotonic() - self._origin_s) * self._scale

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, duration_s: float) -> None:
        if duration_s > 0.0:
            self._sleep(duration_s / self._scale)

    def wall_timeout_s(self, timeout_s: float) -> float:
        if self._scale == 1.0:
            return timeout_s
        return timeout_s / self._scale + _GRACE_WALL_S

    def from_wall_s(self, monotonic_s: float) -> float:
        return (monotonic_s - self._origin_s) * self._scale


class FakeClock:
    """Time that passes only when somebody sleeps; for tests of logic."""

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = start_s
        self.slept_s: list[float] = []

    @property
    def scale(self) -> float:
        return 1.0

    def now_s(self) -> float:
        return self._now_s

    def utc(self) -> datetime:
        return datetime.fromtimestamp(self._now_s, UTC)

    def sleep(self, duration_s: float) -> None:
        self.slept_s.append(duration_s)
        self._now_s += max(0.0, duration_s)

    def wall_timeout_s(self, timeout_s: float) -> float:
        return timeout_s

    def from_wall_s(self, monotonic_s: float) -> float:
        return monotonic_s
