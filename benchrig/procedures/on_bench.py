"""A board on its slot, as every procedure gets it, and where the time of a check goes."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from benchrig.bench.open_bench import SlotBench
    from benchrig.board.air import AirPath
    from benchrig.board.board import Board
    from benchrig.board.profile import BoardProfile
    from benchrig.clock import Clock
    from benchrig.reading import Reading


class Phases:
    """Adds up bench seconds by what they were spent on; an inner phase is taken out of the outer one."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._open: list[str] = []
        self._since_s = 0.0
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, name: str) -> Iterator[None]:
        """Count the time inside the block under `name`."""
        self._count()
        self._open.append(name)
        try:
            yield
        finally:
            self._count()
            self._open.pop()

    def _count(self) -> None:
        now_s = self._clock.now_s()
        if self._open:
            name = self._open[-1]
            self.seconds[name] = self.seconds.get(name, 0.0) + now_s - self._since_s
        self._since_s = now_s

    def take(self) -> dict[str, float]:
        """What was counted since the last take."""
        counted, self.seconds = self.seconds, {}
        return counted


@dataclass
class PowerState:
    """What is known of the board's power: when it was switched on, and how often on purpose."""

    on_since_s: float | None = None
    power_ups: int = 0
    suspect: bool = False


@dataclass(frozen=True)
class OnBench:
    """Everything a procedure works with. `record` writes a reading down at once and returns it.

    `air` is None where nothing of this bench hears the board's radio.
    """

    bench: SlotBench
    board: Board
    profile: BoardProfile
    clock: Clock
    phases: Phases
    record: Callable[[str, Reading], Reading]
    link_release: str = "close"
    power: PowerState = field(default_factory=PowerState)
    air: AirPath | None = None
