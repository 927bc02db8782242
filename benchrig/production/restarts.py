"""Restarts that a check causes on purpose: they are counted as ordered, so that the last check does not hold them
against the board. What a check of this kind thinks of their number it judges itself."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from benchrig.procedures.alive import restore

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.procedures.on_bench import OnBench

_OFF_S = 2.0


@contextmanager
def restarts_are_ordered(on: OnBench, *, alive_above_a: float) -> Iterator[None]:
    """Every restart inside the block is taken as ordered. Raises BoardTimeout when the board is lost at its end."""
    before, power_ups = restore(on, alive_above_a=alive_above_a, off_s=_OFF_S), on.power.power_ups
    yield
    after = restore(on, alive_above_a=alive_above_a, off_s=_OFF_S)
    on.power.power_ups = power_ups + after - before
