"""Time-outs and deadlines of the wires, against the monotonic clock of Python."""

from __future__ import annotations

import time

import pytest

from benchrig.wires.deadlines import checked_s, deadline_s, left_s, whole_ms


@pytest.mark.parametrize("timeout_s", [0.0, -1.0, float("inf"), float("nan")])
def test_timeout_that_would_not_end_or_not_wait_is_refused(timeout_s: float) -> None:
    """Only a finite time-out above zero is accepted, and the refusal shows it."""
    with pytest.raises(ValueError, match=f"above 0 s and finite, not {timeout_s}"):
        checked_s(timeout_s)
    with pytest.raises(ValueError, match="above 0 s and finite"):
        deadline_s(timeout_s)


def test_deadline_lies_a_timeout_ahead() -> None:
    """The deadline is now and the time-out, and the time left counts down from it."""
    before_s = time.monotonic()
    until_s = deadline_s(100.0)
    after_s = time.monotonic()

    assert before_s + 100.0 <= until_s <= after_s + 100.0
    assert 0.0 < left_s(until_s) <= until_s - after_s


def test_passed_deadline_is_a_timeout() -> None:
    """There is never no time left: then it is an error."""
    with pytest.raises(TimeoutError, match="the time is up"):
        left_s(time.monotonic())


@pytest.mark.parametrize(
    ("timeout_s", "milliseconds"),
    [
        pytest.param(1e-9, 1, id="never 0, which some libraries take for no wait"),
        pytest.param(0.0011, 2, id="rounded up"),
        pytest.param(2.0, 2000, id="whole"),
    ],
)
def test_whole_milliseconds_never_fall_short(timeout_s: float, milliseconds: int) -> None:
    """A time-out handed to a library is at least as long as asked."""
    assert whole_ms(timeout_s) == milliseconds
