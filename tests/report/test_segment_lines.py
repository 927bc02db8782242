"""The table of segments, against rectangles that a hand adds up."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.judge.recording import Recording
from benchrig.judge.segment_table import Label
from benchrig.judge.segments import Segmentation, find_segments
from benchrig.report.segment_lines import segment_lines, segment_sums


def sleep() -> Segmentation:
    """Ten seconds at 20 µA with four wakes of 10 ms at 5 mA."""
    samples = np.full(10_000, 20e-6, dtype=np.float32)
    for start in (1000, 3000, 5000, 7000):
        samples[start : start + 10] = 5e-3
    return find_segments(Recording(samples, interval_s=1e-3))


def test_sums_are_those_of_the_rectangles() -> None:
    """Counts, times, charges and shares by label; the means are quotients of them."""
    floor, wake = segment_sums(sleep())

    assert [(one.label, one.count) for one in (floor, wake)] == [(Label.FLOOR, 5), (Label.WAKE, 4)]
    assert [one.time_s for one in (floor, wake)] == pytest.approx([9.96, 0.04])
    assert floor.charge_c == pytest.approx(9.96 * 20e-6)
    assert wake.charge_c == pytest.approx(4 * 0.01 * 5e-3)
    assert wake.share == pytest.approx(200e-6 / (200e-6 + 199.2e-6))
    assert (wake.each_s, wake.each_c, wake.mean_a) == pytest.approx((0.01, 50e-6, 5e-3))


def test_lines_are_aligned_under_their_headings() -> None:
    """Every line is as long as the heading, and numbers stand at the right."""
    lines = segment_lines(sleep())

    assert lines[0].split() == ["segment", "count", "time", "charge", "share", "mean", "each", "lasts", "current"]
    assert lines[2].split() == [
        "wake",
        "4",
        "40.00",
        "ms",
        "200.0",
        "µC",
        "50.1",
        "%",
        *["50.00", "µC", "10.00", "ms", "5.000", "mA"],
    ]
    assert len({len(line) for line in lines}) == 1


def test_what_was_not_judged_has_no_table() -> None:
    """A recording with gaps gives no lines."""
    samples = np.full(100, 1e-3, dtype=np.float32)
    samples[3] = np.nan

    assert segment_lines(find_segments(Recording(samples, interval_s=1e-3))) == []
