"""Bench time: as fast as its scale says, and standing still in the fake."""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime

import pytest

from benchrig.clock import FakeClock, ScaledClock


@pytest.mark.parametrize("scale", [0.5, 1.0, 8.0, 20.0])
def test_scaled_clock_runs_at_its_scale(scale: float) -> None:
    """Bench seconds pass `scale` times as fast as the monotonic clock of the system."""
    clock = ScaledClock(scale)

    before_s, wall_before_s, wall_s = clock.now_s(), time.monotonic(), time.monotonic()
    while wall_s - wall_before_s < 0.02:
        wall_s = time.monotonic()
    after_s, wall_after_s = clock.now_s(), time.monotonic()

    assert 0.02 * scale <= after_s - before_s <= (wall_after_s - wall_before_s + 0.02) * scale + 1e-9
    assert clock.scale == scale


@pytest.mark.parametrize(
    ("scale", "asked_s", "slept_s"),
    [
        pytest.param(1.0, 2.0, [2.0], id="life"),
        pytest.param(8.0, 2.0, [0.25], id="eight times"),
        pytest.param(8.0, 0.0, [], id="nothing"),
        pytest.param(8.0, -1.0, [], id="the past"),
    ],
)
def test_scaled_clock_sleeps_wall_time(scale: float, asked_s: float, slept_s: list[float]) -> None:
    """A bench duration is slept as the wall time that it takes; what is over is not slept."""
    slept: list[float] = []

    ScaledClock(scale, sleep=slept.append).sleep(asked_s)

    assert slept == slept_s


def test_scaled_clock_places_wall_stamps() -> None:
    """A stamp of time.monotonic() is put on the bench's time line."""
    clock = ScaledClock(4.0)
    now_s, stamp_s = clock.now_s(), time.monotonic()

    assert clock.from_wall_s(stamp_s) - now_s == pytest.approx(0.0, abs=0.2)
    assert clock.from_wall_s(stamp_s + 1.0) - clock.from_wall_s(stamp_s) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("scale", "wall_s"),
    [
        pytest.param(1.0, 2.0, id="life: as it is"),
        pytest.param(8.0, 0.75, id="a quarter, and half a second of grace"),
        pytest.param(0.5, 4.5, id="slow motion"),
    ],
)
def test_time_out_is_granted_in_wall_time(scale: float, wall_s: float) -> None:
    """A scaled time-out keeps half a second for the system, whose own delays do not shrink."""
    assert ScaledClock(scale).wall_timeout_s(2.0) == wall_s


@pytest.mark.parametrize("scale", [0.0, -1.0, math.nan, math.inf])
def test_clock_with_an_impossible_scale_is_refused(scale: float) -> None:
    """Time that stands still, runs back or is over at once is no bench time."""
    with pytest.raises(ValueError, match=f"a clock's scale is above 0 and finite, not {scale}"):
        ScaledClock(scale)


def test_utc_is_wall_time_with_its_zone() -> None:
    """UTC does not follow the scale."""
    before, seen, after = datetime.now(UTC), ScaledClock(20.0).utc(), datetime.now(UTC)

    assert before <= seen <= after
    assert seen.utcoffset() == UTC.utcoffset(None)


def test_fake_clock_moves_only_when_somebody_sleeps() -> None:
    """A ten-minute wait costs nothing and is written down."""
    clock = FakeClock(start_s=5.0)

    clock.sleep(600.0)
    clock.sleep(-1.0)

    assert clock.now_s() == 605.0
    assert clock.slept_s == [600.0, -1.0]
    assert clock.utc() == datetime(1970, 1, 1, 0, 10, 5, tzinfo=UTC)
    assert (clock.scale, clock.wall_timeout_s(2.0), clock.from_wall_s(7.0)) == (1.0, 2.0, 7.0)
