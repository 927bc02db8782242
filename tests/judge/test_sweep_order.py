"""Hysteresis and drift put into synthetic sweeps, told apart where the order of the points allows it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchrig.judge.sweep_order import OrderedPoint, order_effects
from benchrig.judge.uncertainty import expanded

SETPOINTS_V = np.linspace(3.3, 4.2, 7).tolist()
UP_DOWN = [(v, True) for v in SETPOINTS_V] + [(v, False) for v in SETPOINTS_V[::-1]]
UP_DOWN_TWICE = UP_DOWN + UP_DOWN
UP_DOWN_DOWN_UP = UP_DOWN + UP_DOWN[::-1]


def sweep(
    order: list[tuple[float, bool]], *, hysteresis_v: float, drift_v: float, noise_v: float = 0.0, seed: int = 1
) -> list[OrderedPoint]:
    """Points a second apart of a converter with gain 1.01; `drift_v` is the change from the first to the last."""
    rng = np.random.default_rng(seed)
    last = len(order) - 1
    return [
        OrderedPoint(
            true_v=v,
            setpoint_v=v,
            reported_v=1.01 * v
            + 0.05 * (v - 3.7) ** 2
            + (0.5 if rising else -0.5) * hysteresis_v
            + drift_v * k / last
            + rng.normal() * noise_v,
            rising=rising,
            at_s=100.0 + k,
        )
        for k, (v, rising) in enumerate(order)
    ]


@pytest.mark.parametrize("order", [UP_DOWN, UP_DOWN_TWICE, UP_DOWN_DOWN_UP], ids=["once", "twice", "mirrored"])
@pytest.mark.parametrize(("hysteresis_v", "drift_v"), [(0.01, 0.0), (0.0, 0.01), (0.004, -0.02)])
def test_each_is_found_for_itself(order: list[tuple[float, bool]], hysteresis_v: float, drift_v: float) -> None:
    """Pure hysteresis shows no drift, pure drift no hysteresis, both come back as put in, and a bend is neither."""
    found = order_effects(sweep(order, hysteresis_v=hysteresis_v, drift_v=drift_v))

    assert found.told_apart
    assert found.hysteresis_v == pytest.approx(hysteresis_v, abs=1e-12)
    assert found.drift_v == pytest.approx(drift_v, abs=1e-12)
    assert found.duration_s == len(order) - 1


def test_plain_up_and_down_leaves_them_correlated() -> None:
    """Up then down evenly spaced: a ramp against a step, √3/2 in the limit of many points (own arithmetic)."""
    fine_v = np.linspace(3, 4, 200).tolist()
    many = [(v, True) for v in fine_v] + [(v, False) for v in fine_v[::-1]]

    coarse, fine = (order_effects(sweep(order, hysteresis_v=0, drift_v=0, noise_v=1e-3)) for order in (UP_DOWN, many))

    assert fine.correlation is not None
    assert abs(fine.correlation) == pytest.approx(math.sqrt(3) / 2, abs=1e-3)
    assert coarse.correlation == pytest.approx(fine.correlation, abs=0.01)


def test_mirrored_order_is_better_than_repeating() -> None:
    """Up, down, down, up makes the two independent: drift is as well known as it can be."""
    repeated, mirrored = (
        order_effects(sweep(order, hysteresis_v=0, drift_v=0, noise_v=1e-3))
        for order in (UP_DOWN_TWICE, UP_DOWN_DOWN_UP)
    )

    assert repeated.correlation is not None
    assert mirrored.correlation == pytest.approx(0.0, abs=1e-12)
    assert 0.3 < abs(repeated.correlation) < 0.6


def test_uncertainties_hold_the_truth_as_often_as_they_say() -> None:
    """Of 500 noisy sweeps 95.45 % have hysteresis, and drift, inside the expanded uncertainty (binomial, 4 sigma)."""
    inside_hysteresis = inside_drift = 0
    for seed in range(500):
        found = order_effects(sweep(UP_DOWN, hysteresis_v=0.003, drift_v=-0.005, noise_v=0.002, seed=seed))
        assert found.hysteresis_v is not None
        assert found.hysteresis_u_v is not None
        assert found.drift_v is not None
        assert found.drift_u_v is not None
        inside_hysteresis += abs(found.hysteresis_v - 0.003) <= expanded(found.hysteresis_u_v, dof=found.dof)[0]
        inside_drift += abs(found.drift_v + 0.005) <= expanded(found.drift_u_v, dof=found.dof)[0]

    for inside in (inside_hysteresis, inside_drift):
        assert abs(inside - 500 * 0.9545) < 4 * math.sqrt(500 * 0.9545 * 0.0455)


def _with_a_break(points: list[OrderedPoint], pause_s: float) -> list[OrderedPoint]:
    half = len(points) // 2
    return points[:half] + [replace(point, at_s=point.at_s + pause_s) for point in points[half:]]


NOT_TOLD = [
    pytest.param(sweep([*UP_DOWN[:7]], hysteresis_v=0, drift_v=0), "went one way only", id="one way"),
    pytest.param(
        sweep(UP_DOWN[:4], hysteresis_v=0, drift_v=0), "4 points tell nothing of their order; take 5 or more", id="few"
    ),
    pytest.param(
        [replace(point, at_s=0.0) for point in sweep(UP_DOWN, hysteresis_v=0, drift_v=0)],
        "no times of their own",
        id="no times",
    ),
    pytest.param(
        _with_a_break(sweep(UP_DOWN, hysteresis_v=0, drift_v=0), 1000.0),
        "are correlated by 1.000 in this order of points (accepted: up to 0.97); take the points up, down, down and up",
        id="a long break between up and down",
    ),
    pytest.param([], "0 points", id="none"),
]


@pytest.mark.parametrize(("points", "why"), NOT_TOLD)
def test_plan_that_cannot_tell_them_apart_is_named(points: list[OrderedPoint], why: str) -> None:
    """Without what it takes there are no numbers, and the sentence says what the plan lacks."""
    found = order_effects(points)

    assert not found.told_apart
    assert (found.hysteresis_v, found.drift_v) == (None, None)
    assert why in found.why


def test_set_points_seen_once_are_held_against_a_line() -> None:
    """Up at some voltages and down at others: a straight converter's hysteresis is still found."""
    order = [(v, True) for v in (3.3, 3.5, 3.7, 3.9, 4.1)] + [(v, False) for v in (4.0, 3.8, 3.6, 3.4, 3.2)]
    straight = [
        replace(point, reported_v=1.02 * point.true_v + (0.002 if point.rising else -0.002))
        for point in sweep(order, hysteresis_v=0, drift_v=0)
    ]

    found = order_effects(straight)

    assert found.hysteresis_v == pytest.approx(0.004, abs=1e-12)
    assert found.drift_v == pytest.approx(0.0, abs=1e-12)


def test_equal_codes_prove_no_more_than_their_step() -> None:
    """Up and down that round to the same codes hide a hysteresis within a step: its uncertainty is not 0."""
    points = sweep(UP_DOWN, hysteresis_v=0.0, drift_v=0.0)
    step_u_v = 1e-3 / math.sqrt(12.0)

    found = order_effects(points, quantisation_u_v=step_u_v)

    assert found.hysteresis_v == pytest.approx(0.0, abs=1e-9)
    # two means of seven readings, and twice that for being told from drift (correlation 0.87): own arithmetic
    assert found.hysteresis_u_v == pytest.approx(2.0 * step_u_v * math.sqrt(2.0 / 7.0), rel=0.05)
