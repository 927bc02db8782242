"""The rail of a sleeping board beside what it is awake: a step-down converter takes nothing back, so a feed lifts it.

Reads while the current is recorded, so that it takes no time of its own. The rail of the awake board, without its load,
is read only where the sleeping one stands out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

LIFTED = 0.03
"""Of the rail: a converter that skips pulses at no load stands up to some 1.5 % higher. Common practice, no source."""

_APART = 0.5
"""Of a wake period: two readings so far apart are not both taken in a wake, when the board uses what feeds it."""


@dataclass
class RailAsleep:
    """`asleep` is the higher of two readings, `awake` one of the board without its load; None until it was taken."""

    asleep: Reading | None = None
    awake: Reading | None = None

    def read_asleep(self, on: OnBench) -> None:
        """Read it twice, once the board sleeps and its console is released; nothing where no meter sees it."""
        meter = on.bench.rail
        if meter is None:
            return
        first = on.record("rail asleep", meter.read_voltage())
        on.clock.sleep(_APART * on.profile.sleep.wake_period_s)
        second = on.record("rail asleep, half a period later", meter.read_voltage())
        self.asleep = max(first, second, key=lambda one: one.value)

    def stands_out(self, under_load_v: float | None) -> bool:
        """Whether it must be held against the awake rail: not when it is no more than what it is under load."""
        if self.asleep is None:
            return False
        return under_load_v is None or self.asleep.value > (1.0 + LIFTED) * under_load_v

    def read_awake(self, on: OnBench) -> None:
        """Read it once more, awake."""
        if on.bench.rail is not None:
            with on.phases("measuring"):
                self.awake = on.record("rail awake", on.bench.rail.read_voltage())
