"""Wakes of a sleeping board, built from rectangles: the expected kind, and what nobody ordered."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.judge.recording import Recording
from benchrig.judge.segments import find_segments
from benchrig.judge.wakes import Wakes, read_wakes

FLOOR_A, WAKE_A, WAKE_S = 17e-6, 4.5e-3, 0.012


def sleep(*pulses: tuple[float, float, float], duration_s: float = 20.0) -> Wakes:
    """A sleep with these pulses (start, length, level), read with a wake every 2 s in mind."""
    times_s = (np.arange(round(duration_s * 1000)) + 0.5) * 1e-3
    current_a = FLOOR_A + np.random.default_rng(1).normal(0.0, 0.2e-6, times_s.size)
    for start_s, length_s, level_a in pulses:
        current_a[(times_s >= start_s) & (times_s < start_s + length_s)] = level_a
    found = find_segments(Recording(current_a.astype(np.float32), interval_s=1e-3))
    return read_wakes(found, period_s=2.0, least_periods=4)


def every(period_s: float, *, first_s: float = 0.7, length_s: float = WAKE_S) -> list[tuple[float, float, float]]:
    return [(float(start_s), length_s, WAKE_A) for start_s in np.arange(first_s, 20.0, period_s)]


def test_a_healthy_sleep_has_nothing_hidden() -> None:
    """Wakes every 2 s are the expected ones: their charge is the rectangle's, and nothing else is there."""
    wakes = sleep(*every(2.0))

    assert wakes.expected is not None
    assert wakes.expected.charge_c == pytest.approx(WAKE_A * WAKE_S, rel=1e-3)
    assert wakes.expected.period_s == pytest.approx(2.0, abs=1e-3)
    assert (wakes.hidden.share, wakes.hidden.notes) == (0.0, ())
    assert wakes.closure.closes is True
    assert wakes.mean.certain
    assert wakes.mean.mean_a == pytest.approx(FLOOR_A + (WAKE_A - FLOOR_A) * WAKE_S / 2.0, rel=2e-3)


def test_a_hidden_wake_is_told_with_its_share() -> None:
    """A wake of 50 ms every 6 s beside the timer's is hidden charge, as large as its rectangles."""
    wakes = sleep(*every(2.0), *every(6.0, first_s=1.5, length_s=0.05))

    assert wakes.expected is not None
    assert wakes.expected.duration_s == pytest.approx(WAKE_S)
    extra_c = 4 * 0.05 * (WAKE_A - FLOOR_A)
    total_c = FLOOR_A * 20.0 + (10 * WAKE_S + 4 * 0.05) * (WAKE_A - FLOOR_A)
    assert wakes.hidden.hidden_c == pytest.approx(extra_c, rel=1e-2)
    assert wakes.hidden.share == pytest.approx(extra_c / total_c, rel=1e-2)
    assert "unexplained: 4 x wake" in wakes.hidden.notes[0]


def test_the_expected_wake_is_the_one_whose_period_is_right() -> None:
    """A dearer event with another period is not taken for the timer's wake."""
    wakes = sleep(*every(2.0), *every(5.0, first_s=1.5, length_s=0.3))

    assert wakes.expected is not None
    assert wakes.expected.period_s == pytest.approx(2.0, abs=1e-3)


def test_wakes_that_come_too_often_are_hidden_charge() -> None:
    """Eight wakes where one is due: the charge of the others is nobody's order."""
    wakes = sleep(*every(0.25, first_s=0.1))

    assert wakes.expected is not None
    assert wakes.hidden.surplus["wake"] == pytest.approx(80 - 10, abs=1)
    assert wakes.hidden.share > 0.7


def test_an_event_that_comes_once_leaves_the_mean_uncertain() -> None:
    """Its period is not known, so a mean over this window says nothing of the next one."""
    wakes = sleep(*every(2.0), (5.1, 0.4, WAKE_A))

    assert not wakes.mean.certain
    assert "only once" in wakes.mean.why


def test_a_board_that_never_wakes_has_no_expected_kind() -> None:
    """Nothing repeats, nothing is hidden, and the mean is not certain."""
    wakes = sleep()

    assert wakes.expected is None
    assert wakes.hidden.kinds == ()
    assert not wakes.mean.certain


def test_what_was_not_judged_has_no_wakes() -> None:
    """A recording with gaps is refused by its own reason."""
    samples = np.full(1000, 17e-6, dtype=np.float32)
    samples[5] = np.nan
    found = find_segments(Recording(samples, interval_s=1e-3))

    with pytest.raises(ValueError, match="1 of 1000 samples were not measured"):
        read_wakes(found, period_s=2.0, least_periods=4)
