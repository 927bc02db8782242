"""Where the time of a check goes: counted once, in the innermost phase."""

from __future__ import annotations

import pytest

from benchrig.clock import FakeClock
from benchrig.procedures.on_bench import Phases


def test_inner_phase_is_taken_out_of_the_outer_one() -> None:
    """Time inside two phases counts for the inner one only; the sum is what passed in any phase."""
    clock = FakeClock()
    phases = Phases(clock)

    clock.sleep(1.0)
    with phases("board"):
        clock.sleep(2.0)
        with phases("measuring"):
            clock.sleep(4.0)
        clock.sleep(8.0)
    clock.sleep(16.0)

    assert phases.take() == {"board": 10.0, "measuring": 4.0}


def test_phase_that_fails_counts_until_then() -> None:
    """An error does not lose the time before it, and the phase is over."""
    clock = FakeClock()
    phases = Phases(clock)

    with pytest.raises(ValueError, match="stop"):
        _fail_after(3.0, clock, phases)
    clock.sleep(5.0)

    assert phases.take() == {"board": 3.0}


def _fail_after(duration_s: float, clock: FakeClock, phases: Phases) -> None:
    with phases("board"):
        clock.sleep(duration_s)
        raise ValueError("stop")


def test_take_begins_anew() -> None:
    """What was taken is not counted twice, and one phase in two places adds up."""
    clock = FakeClock()
    phases = Phases(clock)

    for seconds in (1.0, 2.0):
        with phases("settling"):
            clock.sleep(seconds)
    first = phases.take()

    assert (first, phases.take()) == ({"settling": 3.0}, {})
