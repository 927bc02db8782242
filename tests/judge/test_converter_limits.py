"""Confidence limits of a sweep: seeded boards whose truth is known lie inside them as often as is stated.

The truth is written out here. A board is gain, offset, a bend, noise and 12 bits; the sweep goes up and down.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import numpy as np
import pytest

from benchrig.judge.converter import ConverterFit, Direction, SweepPoint, fit_converter
from benchrig.judge.converter_limits import confidence_limits

COUNT_V = 1.1 * 4 / 4096
SETPOINTS_V = np.linspace(3.3, 4.2, 10).tolist()
REPEATS = 3
NAMES = ("gain_error", "offset_v", "noise_v", "hysteresis_v", "drift_v")


@dataclass(frozen=True)
class Truth:
    """One board: gain error, offset, noise (V), hysteresis and drift over the sweep (V), bend at the middle (V)."""

    gain_error: float
    offset_v: float
    noise_v: float
    hysteresis_v: float = 0.0
    drift_v: float = 0.0
    bend_v: float = 0.0

    def bent_v(self, v: float) -> float:
        """A parabola over the range, 0 at both ends."""
        low_v, high_v = SETPOINTS_V[0], SETPOINTS_V[-1]
        return float(self.bend_v * 4.0 * (v - low_v) * (high_v - v) / (high_v - low_v) ** 2)


def board(seed: int, *, bend_v: float = 0.0) -> Truth:
    rng = random.Random(f"board {seed}")
    return Truth(
        gain_error=rng.uniform(-0.02, 0.02),
        offset_v=rng.uniform(-0.03, 0.03),
        noise_v=rng.uniform(0.6, 4.0) * COUNT_V,
        hysteresis_v=rng.uniform(-0.005, 0.005),
        drift_v=rng.uniform(-0.005, 0.005),
        bend_v=bend_v,
    )


def sweep(truth: Truth, seed: int) -> list[SweepPoint]:
    """Up and down with repeats, a second apart, in whole codes."""
    rng = random.Random(f"sweep {seed}")
    order = [(v, Direction.UP) for v in SETPOINTS_V for _ in range(REPEATS)]
    order += [(v, Direction.DOWN) for v in SETPOINTS_V[::-1] for _ in range(REPEATS)]
    points = []
    for second, (setpoint_v, direction) in enumerate(order):
        true_v = setpoint_v + rng.uniform(-1e-3, 1e-3)
        volts = true_v * (1.0 + truth.gain_error) + truth.offset_v + truth.bent_v(true_v)
        volts += truth.hysteresis_v * (0.5 if direction is Direction.UP else -0.5)
        volts += truth.drift_v * (second / (len(order) - 1) - 0.5) + rng.gauss(0.0, truth.noise_v)
        points.append(
            SweepPoint(true_v, counts=round(volts / COUNT_V), direction=direction, setpoint_v=setpoint_v, at_s=second)
        )
    return points


def fit(points: list[SweepPoint]) -> ConverterFit:
    return fit_converter(points, volts_per_count=COUNT_V, full_scale_counts=4095)


def inside(boards: int) -> dict[str, int]:
    """How many of so many seeded boards lie inside, by value. Gain and offset are of boards that do not drift or lag,
    since those add a bow and a step to the line that no line has."""
    counts = dict.fromkeys(NAMES, 0)
    for seed in range(boards):
        truth = board(seed)
        found = confidence_limits(fit(sweep(truth, seed)))
        for name in ("noise_v", "hysteresis_v", "drift_v"):
            counts[name] += found[name].holds(getattr(truth, name))
        steady = replace(truth, hysteresis_v=0.0, drift_v=0.0)
        found = confidence_limits(fit(sweep(steady, seed)))
        for name in ("gain_error", "offset_v"):
            counts[name] += found[name].holds(getattr(truth, name))
    return counts


def most_off(boards: int) -> float:
    """Four binomial standard deviations at 95.45 %."""
    return 4.0 * math.sqrt(boards * 0.9545 * 0.0455)


def test_of_a_hundred_seeded_boards_ninety_five_are_inside() -> None:
    """Gain, offset, noise, hysteresis and drift: 95 of 100 boards inside, as near as 100 boards can tell (binomial)."""
    for name, count in inside(100).items():
        assert abs(count - 95.45) <= most_off(100), name


def test_limits_are_no_wider_than_they_need_be() -> None:
    """The same over 600 boards, where limits that are too wide, or too narrow, would show."""
    for name, count in inside(600).items():
        assert abs(count - 600 * 0.9545) <= most_off(600), name


@pytest.mark.parametrize("bend_v", [0.0, 0.002, 0.010])
def test_nonlinearity_lies_inside_its_limits(bend_v: float) -> None:
    """At least 95 of 100 boards have their bend inside: the truth is numpy's line through the bent transfer alone."""
    bends = Truth(0.0, 0.0, 0.0, bend_v=bend_v)
    curve = np.array([bends.bent_v(v) for v in SETPOINTS_V])
    true_v = float(np.abs(curve - np.polyval(np.polyfit(SETPOINTS_V, curve, 1), SETPOINTS_V)).max())

    count = sum(
        confidence_limits(fit(sweep(board(seed, bend_v=bend_v), seed)))["nonlinearity_v"].holds(true_v)
        for seed in range(100)
    )

    assert count >= 100 * 0.9545 - most_off(100)


def test_nonlinearity_is_not_the_noise() -> None:
    """A straight noisy board has a large residual and yet limits of nonlinearity that begin at 0."""
    found = fit(sweep(Truth(0.01, 0.0, 5 * COUNT_V), 1))

    assert found.nonlinearity is not None
    assert abs(found.max_residual_v) > 8 * COUNT_V
    assert found.nonlinearity.least_v == 0.0
    assert abs(found.nonlinearity.value_v) < abs(found.max_residual_v)


def test_bend_is_found_with_its_sign_and_place() -> None:
    """A bend of 10 mV upwards in the middle leaves the ends furthest from the least-squares line, below it."""
    found = fit(sweep(Truth(0.0, 0.0, 0.6 * COUNT_V, bend_v=0.010), 1))

    assert found.nonlinearity is not None
    assert found.nonlinearity.least_v > 0.003
    # the ends of a parabola are further from its line than its middle is
    assert found.nonlinearity.value_v < 0.0
    assert found.nonlinearity.at_v in (pytest.approx(3.3, abs=2e-3), pytest.approx(4.2, abs=2e-3))


def test_quantisation_is_a_step_over_root_twelve() -> None:
    """u = 0.288675 q (IEEE 1241 definitions, from memory; arithmetic), and codes and report add up in quadrature."""
    points = [SweepPoint(v, reported_v=round(v, 3), counts=round(v / COUNT_V)) for v in np.linspace(3.0, 4.2, 50)]

    bare, rounded = (fit_converter(points, volts_per_count=COUNT_V, reported_step_v=step_v) for step_v in (0.0, 0.001))

    assert bare.quantisation_u_v == pytest.approx(0.288675 * COUNT_V * bare.line.slope, rel=1e-5)
    assert rounded.quantisation_u_v**2 - bare.quantisation_u_v**2 == pytest.approx((0.288675 * 0.001) ** 2, rel=1e-5)


def test_noise_alone_is_without_quantisation() -> None:
    """A converter whose noise is one code has √(1 + 1/12) codes of scatter, and 1 of noise (Sheppard's correction)."""
    rng = random.Random(5)
    points = [
        SweepPoint(v + rng.uniform(0, 1e-2), counts=round(v / COUNT_V + rng.gauss(0.0, 1.0)), setpoint_v=v)
        for v in np.linspace(3.0, 4.2, 30).tolist()
        for _ in range(200)
    ]
    level = [replace(point, true_v=point.setpoint_v or 0.0) for point in points]

    found = fit(level)

    assert found.noise_v / COUNT_V == pytest.approx(math.sqrt(1.0 + 1.0 / 12.0), rel=0.03)
    assert found.noise_alone_v / COUNT_V == pytest.approx(1.0, rel=0.03)


def test_limits_of_the_noise_are_without_quantisation() -> None:
    """Where the noise is 0.4 codes, and the scatter 0.49, at least 90 of 100 boards have the former inside."""
    truths = [replace(board(seed), noise_v=0.4 * COUNT_V) for seed in range(100)]

    count = sum(
        confidence_limits(fit(sweep(truth, seed)))["noise_v"].holds(truth.noise_v) for seed, truth in enumerate(truths)
    )

    assert count >= 90


def test_drift_does_not_pass_for_noise() -> None:
    """A board that drifts by 30 codes over the sweep has the noise of one that does not."""
    steady, drifting = (Truth(0.0, 0.0, COUNT_V, drift_v=drift_v) for drift_v in (0.0, 30 * COUNT_V))

    one_each = [
        [point for number, point in enumerate(sweep(truth, 3)) if not number % REPEATS] for truth in (steady, drifting)
    ]
    found = [fit(points) for points in one_each]

    assert [one.noise_from for one in found] == ["pairs", "pairs"]
    assert found[1].noise_v == pytest.approx(found[0].noise_v, rel=0.3)
    assert found[1].order.drift_v == pytest.approx(30 * COUNT_V, abs=4 * (found[1].order.drift_u_v or 0.0))


def test_point_that_is_less_certain_counts_less() -> None:
    """A wrong point with a hundred times the uncertainty does not turn the line; numpy's weighted fit agrees."""
    xs = [3.0, 3.3, 3.6, 3.9, 4.2]
    ys = [3.0, 3.3, 3.6, 3.9, 4.5]
    own_u_v = [1e-3] * 4 + [0.1]

    weighted = fit_converter(
        [SweepPoint(x, reported_v=y, u_v=u) for x, y, u in zip(xs, ys, own_u_v, strict=True)], volts_per_count=COUNT_V
    )

    slope, intercept = np.polyfit(xs, ys, 1, w=[1.0 / u for u in own_u_v])
    assert (1.0 + weighted.gain_error, weighted.offset_v) == pytest.approx((slope, intercept), rel=1e-9, abs=1e-9)
    assert abs(weighted.gain_error) < 1e-3


@pytest.mark.parametrize("dead", [(), (3300,), (3290, 3311)])
def test_missing_codes_are_named_where_enough_readings_should_have_had_them(dead: tuple[int, ...]) -> None:
    """A slow ramp through every code names those that never come, and no others."""
    rng = random.Random(7)
    points = []
    for step in range(2000):
        exact = 3280.0 + step / 40.0
        code = round(exact + rng.gauss(0.0, 0.6))
        points.append(SweepPoint(exact * COUNT_V, counts=code + 1 if code in dead else code))

    found = fit(points)

    assert found.codes is not None
    assert found.codes.missing == dead
    assert found.codes.judged > 40


def test_coarse_sweep_says_nothing_of_missing_codes() -> None:
    """A few points visit a few codes: none is called missing, and how many were judged is said to be none."""
    found = fit(sweep(Truth(0.0, 0.0, COUNT_V), 1))

    assert found.codes is not None
    assert (found.codes.judged, found.codes.missing) == (0, ())
    assert found.codes.visited < 0.1 * found.codes.span


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        pytest.param({"u_v": 0.0}, "point 2 of 3: its own uncertainty is 0.0 V", id="no uncertainty"),
        pytest.param({"u_v": math.nan}, "point 2 of 3: its own uncertainty is nan V", id="NaN"),
        pytest.param({"at_s": math.inf}, "point 2 of 3: the time is inf", id="never"),
        pytest.param({"u_v": None}, "some sweep points have an uncertainty of their own and some have not", id="mixed"),
        pytest.param({"at_s": None}, "some sweep points have a time and some have not", id="some times"),
    ],
)
def test_times_and_uncertainties_must_be_whole(changed: dict[str, float | None], text: str) -> None:
    """Each point has a time, and an uncertainty of its own, or none has."""
    points = [SweepPoint(v, reported_v=v, at_s=v, u_v=1e-3) for v in (3.0, 3.5, 4.0)]
    points[1] = replace(points[1], **changed)  # type: ignore[arg-type]

    with pytest.raises(ValueError, match=text):
        fit(points)
