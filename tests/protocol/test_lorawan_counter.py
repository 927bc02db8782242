"""The 32-bit counter: rollover, gaps, repetitions and replays, and a model that counts the long way."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.lorawan_counter import LAST_COUNTER, MAX_GAP, Step, next_counter

counters = st.integers(0, LAST_COUNTER)


def test_the_gap_is_that_of_the_regional_parameters() -> None:
    """MAX_FCNT_GAP: RP002-1.0.1, table of recommended values [seen]."""
    assert MAX_GAP == 16384


@pytest.mark.parametrize(
    ("on_air", "last", "step", "counter", "missed"),
    [
        pytest.param(0, None, Step.NEW, 0, 0, id="first"),
        pytest.param(3, None, Step.NEW, 3, 3, id="first-with-losses"),
        pytest.param(16383, None, Step.NEW, 16383, 16383, id="first-at-the-gap"),
        pytest.param(16384, None, Step.REFUSED, None, 0, id="first-beyond-the-gap"),
        pytest.param(8, 7, Step.NEW, 8, 0, id="next"),
        pytest.param(10, 7, Step.NEW, 10, 2, id="two-lost"),
        pytest.param(7, 7, Step.REPEATED, 7, 0, id="same"),
        pytest.param(6, 7, Step.REFUSED, 6, 0, id="one-behind"),
        pytest.param(0, 0xFFFF, Step.NEW, 0x10000, 0, id="rollover"),
        pytest.param(1, 0xFFFF, Step.NEW, 0x10001, 1, id="rollover-with-a-loss"),
        pytest.param(0xFFFF, 0x10000, Step.REFUSED, 0xFFFF, 0, id="behind-a-rollover"),
        pytest.param(7 + 16384, 7, Step.NEW, 7 + 16384, 16383, id="greatest-gap"),
        pytest.param(8 + 16384, 7, Step.REFUSED, None, 0, id="beyond-the-gap"),
        pytest.param(0, LAST_COUNTER, Step.REFUSED, None, 0, id="no-counter-left"),
        pytest.param(0xFFFF, LAST_COUNTER, Step.REPEATED, LAST_COUNTER, 0, id="last-repeated"),
    ],
)
def test_a_counter_is_told_apart(on_air: int, last: int | None, step: Step, counter: int | None, missed: int) -> None:
    """New, repeated and refused counters, around every edge."""
    found = next_counter(on_air, last=last)

    assert (found.step, found.counter, found.missed) == (step, counter, missed)
    assert bool(found.reason) is (step is Step.REFUSED)


@settings(deadline=None)
@given(counters, st.integers(1, MAX_GAP))
def test_a_sender_that_counts_is_followed(last: int, ahead: int) -> None:
    """Whatever 32-bit counter comes within the gap, its lower half is enough."""
    if last + ahead > LAST_COUNTER:
        assert next_counter((last + ahead) % 65536, last=last).step is Step.REFUSED
    else:
        found = next_counter((last + ahead) % 65536, last=last)
        assert (found.step, found.counter, found.missed) == (Step.NEW, last + ahead, ahead - 1)


@settings(deadline=None)
@given(counters, st.integers(1, 65535 - MAX_GAP))
def test_what_was_heard_before_is_refused(last: int, behind: int) -> None:
    """An old counter is never taken for a new one, and is named where it exists."""
    found = next_counter((last - behind) % 65536, last=last)

    assert found.step is Step.REFUSED
    assert found.counter == (last - behind if behind <= last else None)


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        pytest.param(lambda: next_counter(65536, last=0), "counter 65536 on air; accepted: 16 bits", id="on-air"),
        pytest.param(lambda: next_counter(0, last=-1), "last counter -1; accepted: 32 bits, or None", id="last"),
        pytest.param(lambda: next_counter(0, last=0, max_gap=0), "a gap of 0; accepted: 1 to 65535", id="gap"),
    ],
)
def test_what_is_no_counter_is_refused(call: object, complaint: str) -> None:
    """Numbers outside of their bits are an error of the caller."""
    assert callable(call)
    with pytest.raises(ValueError, match=complaint):
        call()
