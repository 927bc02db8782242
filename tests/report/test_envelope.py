"""The line that stands for a long recording: few points, and no peak lost."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judge.levels import Stretch
from benchrig.judge.recording import Recording
from benchrig.report.envelope import COLUMNS, line_of


def recording(values: list[float] | np.ndarray[tuple[int], np.dtype[np.float32]], **more: object) -> Recording:
    return Recording(np.asarray(values, dtype=np.float32), interval_s=1e-3, **more)  # type: ignore[arg-type]


def test_a_short_recording_is_drawn_sample_by_sample() -> None:
    """Each sample in the middle of its interval."""
    times_s, values = line_of(recording([1.0, 2.0, 3.0]))

    assert times_s == pytest.approx([0.5e-3, 1.5e-3, 2.5e-3])
    assert values.tolist() == [1.0, 2.0, 3.0]


@pytest.mark.parametrize("size", [3001, 10_000, 1_000_000])
def test_a_long_recording_costs_no_more_points(size: int) -> None:
    """Two points for each column, whatever the length, and a single high sample is among them."""
    samples = np.zeros(size, dtype=np.float32)
    samples[size // 3] = 0.05

    times_s, values = line_of(recording(samples))

    assert times_s.size == values.size == 2 * COLUMNS
    assert values.max() == np.float32(0.05)
    assert times_s[int(values.argmax())] == pytest.approx(size // 3 * 1e-3, abs=size * 1e-3 / COLUMNS)
    assert np.all(np.diff(times_s) > 0.0)


@settings(deadline=None)
@given(
    values=st.lists(st.floats(-1e3, 1e3, width=32) | st.just(math.nan), min_size=1, max_size=200),
    columns=st.integers(1, 20),
)
def test_extremes_match_a_walk_along_the_samples(values: list[float], columns: int) -> None:
    """Each column's pair is the least and the greatest of its samples; NaN stands only where there is nothing else."""
    _, line = line_of(recording(values), columns=columns)
    samples = np.asarray(values, dtype=np.float32)
    if samples.size <= 2 * columns:
        assert np.array_equal(line, samples, equal_nan=True)
        return
    edges = [*np.linspace(0, samples.size, columns + 1).astype(int)]
    for index, (first, end) in enumerate(itertools.pairwise(edges)):
        part = [float(one) for one in samples[first:end] if not math.isnan(one)]
        low, high = line[2 * index : 2 * index + 2]
        assert (low, high) == (min(part), max(part)) if part else (math.isnan(low) and math.isnan(high))


def test_gaps_and_marks_are_holes() -> None:
    """A stated gap, an infinity and SCPI's mark for overload are not drawn."""
    _, values = line_of(recording([1.0, 2.0, math.inf, 9.9e37, 5.0], gaps=(Stretch(0, 1),)))

    assert np.isnan(values).tolist() == [True, False, True, True, False]
