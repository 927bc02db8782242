"""The rail of a sleeping board beside what it is awake: a step-down converter takes nothing back, so a feed lifts it.

Reads while the current is recorded, so that it takes no time of its own; one reading more while the board is awake.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

_APART = 0.5
"""Of a wake period: two readings so far apart are not both taken in a wake, when the board uses what feeds it."""


@dataclass
class RailAsleep:
    """Both readings; `asleep` is the higher of two, None until they were taken."""

    awake: Reading
    asleep: Reading | None = None


def rail_awake(on: OnBench) -> RailAsleep | None:
    """Read the rail of an awake board; None where no meter sees it."""
    meter = on.bench.rail
    if meter is None:
        return None
    with on.phases("measuring"):
        return RailAsleep(on.record("rail awake", meter.read_voltage()))


def read_asleep(on: OnBench, rail: RailAsleep | None) -> None:
    """Read it twice, once the board sleeps and its console is released."""
    meter = on.bench.rail
    if rail is None or meter is None:
        return
    first = on.record("rail asleep", meter.read_voltage())
    on.clock.sleep(_APART * on.profile.sleep.wake_period_s)
    second = on.record("rail asleep, half a period later", meter.read_voltage())
    rail.asleep = max(first, second, key=lambda one: one.value)
