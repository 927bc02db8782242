"""Converter fits of synthetic sweeps whose truth is known, the formulas of the truth written out here."""

from __future__ import annotations

import math
import random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.judge.converter import ConverterFit, Direction, SweepPoint, fit_converter
from benchrig.judge.uncertainty import expanded

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

# An invented board: 12 bits, reference 1.1 V, divider 1:4.
COUNT_V = 1.1 * 4 / 4096
SETPOINTS_V = [3.0 + 0.1 * step for step in range(13)]


def sweep(
    code: Callable[[float], int] = round,
    *,
    noise_counts: float = 0.3,
    lag_v: float = 0.0,
    seed: int = 1,
    setpoints_v: Sequence[float] = SETPOINTS_V,
    repeats: int = 1,
) -> list[SweepPoint]:
    """Up and down again; the measured voltage scatters by 0.2 mV, the converter sees it `lag_v` late."""
    rng = random.Random(seed)
    both = [(v, Direction.UP, -lag_v) for v in setpoints_v] + [(v, Direction.DOWN, lag_v) for v in setpoints_v[::-1]]
    points = []
    for setpoint_v, direction, late_v in both:
        for _ in range(repeats):
            true_v = setpoint_v + rng.gauss(0.0, 2e-4)
            counts = code((true_v + late_v) / COUNT_V + rng.gauss(0.0, noise_counts))
            points.append(SweepPoint(true_v, counts=counts, direction=direction, setpoint_v=setpoint_v))
    return points


def fit(points: Sequence[SweepPoint]) -> ConverterFit:
    return fit_converter(points, volts_per_count=COUNT_V, full_scale_counts=4095)


def test_healthy_converter_has_nothing_wrong() -> None:
    """A rounding 12 bit converter shows no gain error, offset, hysteresis, clipping, repeated or dead codes."""
    found = fit(sweep())

    assert abs(found.gain_error) < 5e-4
    assert abs(found.offset_v) < 2e-3
    assert abs(found.max_residual_v) < 1.5 * COUNT_V
    assert found.hysteresis_v is not None
    assert abs(found.hysteresis_v) < 0.5 * COUNT_V
    assert (found.clipped_low, found.clipped_high, found.repeated_codes, found.dead_bits) == (False, False, (), ())


def test_gain_and_offset_are_those_put_in() -> None:
    """+4 % and +40 counts come back as a gain error of 0.04 and an offset of 40 counts in volts."""
    found = fit(sweep(lambda counts: round(0.9 * counts + 40)))

    assert found.gain_error == pytest.approx(-0.1, abs=5e-4)
    assert found.offset_v == pytest.approx(40 * COUNT_V, abs=2e-3)
    error_v, u_v = found.error_at(3.7)
    assert error_v == pytest.approx(-0.1 * 3.7 + 40 * COUNT_V, abs=3 * u_v)
    assert u_v < 0.2e-3


def test_exact_line_has_no_scatter() -> None:
    """Points exactly on a line (numbers exact in binary) give it back with no residual, noise or uncertainty."""
    points = [SweepPoint(v, reported_v=1.25 * v - 0.5) for v in (1.0, 2.0, 3.0, 4.0)]

    found = fit_converter(points, volts_per_count=0.001)

    assert (found.gain_error, found.offset_v, found.max_residual_v, found.noise_v) == (0.25, -0.5, 0.0, 0.0)
    assert (found.gain_error_u, found.offset_u_v, found.max_residual_u_v) == (0.0, 0.0, 0.0)
    assert (found.hysteresis_v, found.hysteresis_u_v, found.dead_bits) == (None, None, None)


def test_noise_is_known_no_better_than_a_step() -> None:
    """The same code up and down at each point: no noise seen, q/sqrt(12) of it not known (IEEE 1241, from memory)."""
    ways = [(volts, way) for way in (Direction.UP, Direction.DOWN) for volts in (3.3, 3.45, 3.6, 3.75, 3.9, 4.05, 4.2)]
    points = [SweepPoint(volts, counts=round(volts / COUNT_V), direction=way) for volts, way in ways]

    found = fit_converter(points, volts_per_count=COUNT_V)

    assert found.noise_from == "pairs"
    assert found.noise_v < 1e-3 * COUNT_V
    assert found.noise_u_v == pytest.approx(COUNT_V / math.sqrt(12.0), rel=0.01)


def test_intervals_cover_the_truth_as_often_as_they_say() -> None:
    """Of 300 sweeps about 95.45 % have the true gain and offset inside the expanded uncertainty (binomial, 4 sigma)."""
    inside_gain = inside_offset = 0
    for seed in range(300):
        found = fit(sweep(lambda counts: round(1.01 * counts + 20), noise_counts=1.5, seed=seed))
        k = expanded(1.0, dof=found.line.dof)[1]
        inside_gain += abs(found.gain_error - 0.01) <= k * found.gain_error_u
        inside_offset += abs(found.offset_v - 20 * COUNT_V) <= k * found.offset_u_v

    for inside in (inside_gain, inside_offset):
        assert abs(inside - 300 * 0.9545) < 4 * math.sqrt(300 * 0.9545 * 0.0455)


def test_reference_uncertainty_does_not_average_out() -> None:
    """What the voltmeter is uncertain by is common to all points, so it stays whole in gain, offset and error."""
    points = [SweepPoint(v, reported_v=v) for v in np.linspace(3.0, 4.2, 200)]

    found = fit_converter(points, volts_per_count=1e-3, reference_gain_u=3e-4, reference_offset_u_v=4e-3)

    assert found.gain_error_u == pytest.approx(3e-4, rel=1e-6)
    assert found.offset_u_v == pytest.approx(4e-3, rel=1e-6)
    assert found.error_at(10.0)[1] == pytest.approx(5e-3, rel=1e-6)


def test_hysteresis_is_up_less_down() -> None:
    """A converter that lags by 20 mV reads 40 mV less going up than going down, within its uncertainty."""
    found = fit(sweep(lag_v=0.02, noise_counts=1.0))

    assert found.hysteresis_v is not None
    assert found.hysteresis_u_v is not None
    assert found.hysteresis_v == pytest.approx(-0.04, abs=4 * found.hysteresis_u_v)
    # two readings of 1 count, and rounding, over 13 pairs
    assert found.hysteresis_u_v == pytest.approx(COUNT_V * math.sqrt(2 * (1 + 1 / 12) / 13), rel=0.5)


@pytest.mark.parametrize(("repeats", "lag_v", "source"), [(4, 0.0, "repeats"), (1, 0.02, "pairs")])
def test_noise_is_the_scatter_of_one_reading(repeats: int, lag_v: float, source: str) -> None:
    """30 counts of noise are found as such, from repeats or from pairs, and lag does not pass for noise."""
    setpoints_v = np.linspace(3.0, 4.0, 101).tolist()

    found = fit(sweep(noise_counts=30, repeats=repeats, lag_v=lag_v, setpoints_v=setpoints_v))

    assert found.noise_from == source
    assert found.noise_v == pytest.approx(30 * COUNT_V, abs=3 * found.noise_u_v)
    assert found.noise_u_v == pytest.approx(30 * COUNT_V / math.sqrt(2 * (606 if repeats > 1 else 100)), rel=0.2)


def test_noise_falls_back_to_the_residuals() -> None:
    """A single sweep up has neither repeats nor pairs: the scatter about the line stands for the noise."""
    points = [point for point in sweep(noise_counts=30) if point.direction is Direction.UP]

    found = fit(points)

    assert found.noise_from == "residuals"
    assert found.noise_v == found.line.residual_sd
    assert found.hysteresis_v is None


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_largest_residual_keeps_its_sign_and_place(sign: float) -> None:
    """One point 30 mV off the line, high or low, is the largest residual, and is said where."""
    points = [SweepPoint(v, reported_v=v + (sign * 0.03 if v == 20.0 else 0.0)) for v in np.arange(0.0, 41.0)]

    found = fit_converter(points, volts_per_count=1e-3)

    assert found.max_residual_at_v == 20.0
    # the line follows the point by its leverage, which is 1/n in the middle
    assert found.max_residual_v == pytest.approx(sign * 0.03 * (1 - 1 / 41), rel=1e-9)


def test_clipping_is_found_where_codes_stop() -> None:
    """Codes that stop at 3600 are clipped at the top and not at the bottom, and 3600 is a repeated code."""
    found = fit(sweep(lambda counts: min(3600, round(counts))))

    assert (found.clipped_low, found.clipped_high) == (False, True)
    assert found.repeated_codes == (3600,)
    assert found.dead_bits == ()


def test_clipping_at_the_bottom() -> None:
    """Codes that do not go below 3000 are clipped at the bottom only."""
    found = fit(sweep(lambda counts: max(3000, round(counts))))

    assert (found.clipped_low, found.clipped_high) == (True, False)


def test_full_scale_everywhere_is_a_finding() -> None:
    """A converter that says full scale whatever the voltage is fitted: gain -100 %, clipped; not an error."""
    found = fit(sweep(lambda _: 4095))

    assert found.gain_error == pytest.approx(-1.0, abs=1e-12)
    assert found.clipped_high


def test_one_full_scale_code_is_clipped() -> None:
    """A single code at full scale may be any higher voltage, so it counts as clipped."""
    found = fit(sweep(lambda counts: min(4095, round(counts * 1.0475))))

    assert max(point.counts or 0 for point in sweep(lambda counts: min(4095, round(counts * 1.0475)))) == 4095
    assert found.clipped_high


@pytest.mark.parametrize(
    ("code", "bits"),
    [
        pytest.param(lambda c: round(c) & ~(1 << 5), (5,), id="bit 5 low"),
        pytest.param(lambda c: round(c) | 1 << 4, (4,), id="bit 4 high"),
        pytest.param(lambda c: round(c) & ~(1 << 9), (9,), id="bit 9 low"),
        pytest.param(lambda c: round(c) & ~(1 << 5 | 1 << 7), (5, 7), id="bits 5 and 7 low"),
        pytest.param(lambda c: round(c) & ~(1 << 6) | 1 << 3, (3, 6), id="bit 6 low, bit 3 high"),
    ],
)
@pytest.mark.parametrize("seed", range(5))
def test_dead_bits_are_named(code: Callable[[float], int], bits: tuple[int, ...], seed: int) -> None:
    """A bit that is stuck where the line wants it to change is named."""
    assert fit(sweep(code, seed=seed)).dead_bits == bits


@pytest.mark.parametrize("noise_counts", [0.1, 0.8, 3.0, 30.0])
@pytest.mark.parametrize("points", [4, 7, 13])
def test_no_false_findings_on_healthy_converters(noise_counts: float, points: int) -> None:
    """Fifty healthy converters of any noise, with few or many points, have no clipped, repeated or dead codes."""
    setpoints_v = np.linspace(3.0, 4.2, points).tolist()
    for seed in range(50):
        found = fit(sweep(noise_counts=noise_counts, seed=seed, setpoints_v=setpoints_v))
        assert (found.clipped_low, found.clipped_high, found.repeated_codes) == (False, False, ())
        assert not found.dead_bits


def test_stale_code_is_a_repeated_code() -> None:
    """A sample that repeats the one before, 0.1 V away, is named as a repeated code."""
    points = sweep()
    stale = points[5]
    points[6] = SweepPoint(points[6].true_v, counts=stale.counts, setpoint_v=points[6].setpoint_v)

    assert fit(points).repeated_codes == (stale.counts,)


def test_reported_volts_are_fitted_and_counts_tell_the_codes() -> None:
    """With both given, the line is that of the reported volts and the bits are those of the counts."""
    points = [
        SweepPoint(p.true_v, reported_v=(p.counts or 0) * COUNT_V * 1.03, counts=p.counts, direction=p.direction)
        for p in sweep(lambda counts: round(counts) & ~(1 << 5), setpoints_v=SETPOINTS_V)
    ]

    found = fit(points)

    assert found.gain_error == pytest.approx(0.03, abs=0.025)
    assert found.dead_bits == (5,)


GOOD = [SweepPoint(3.0, counts=2793), SweepPoint(3.5, counts=3258), SweepPoint(4.0, counts=3724)]

DEGENERATE = [
    pytest.param([], "sweep of 0 points cannot be fitted; 3 or more", id="none"),
    pytest.param(GOOD[:2], "sweep of 2 points cannot be fitted; 3 or more", id="two"),
    pytest.param([SweepPoint(3.7, counts=c) for c in (1, 2, 3)], "true voltage is constant at 3.7 V", id="constant"),
    pytest.param([*GOOD, SweepPoint(math.nan, counts=1)], "point 4 of 4: the true voltage is nan", id="NaN"),
    pytest.param(
        [SweepPoint(v, reported_v=r) for v, r in ((3.0, 3.0), (3.5, math.inf), (4.0, 4.0))],
        "point 2 of 3: the reported voltage is inf",
        id="infinity",
    ),
    pytest.param([*GOOD, SweepPoint(3.7, counts=-1)], "point 4 of 4: counts are -1", id="negative"),
    pytest.param(
        [*GOOD, SweepPoint(3.7, counts=1 << 24)],
        "point 4 of 4: counts are 16777216; accepted: 0 to 16777215, the last of 24 bits",
        id="beyond 24 bits",
    ),
    pytest.param([*GOOD, SweepPoint(3.7)], "point 4 of 4 has neither a reported voltage nor counts", id="empty"),
    pytest.param([*GOOD, SweepPoint(3.7, reported_v=3.7)], "some sweep points have a reported voltage", id="mixed"),
    pytest.param([*GOOD, SweepPoint(3.7, counts=1, setpoint_v=math.nan)], "the set voltage is nan", id="set-point"),
]


@pytest.mark.parametrize(("points", "text"), DEGENERATE)
def test_degenerate_sweeps_are_refused_by_name(points: list[SweepPoint], text: str) -> None:
    """A sweep that cannot be fitted is refused with the point and the value."""
    with pytest.raises(ValueError, match=text):
        fit(points)


@pytest.mark.parametrize("volts_per_count", [0.0, -1e-3, math.nan])
def test_volts_per_count_must_be_a_size(volts_per_count: float) -> None:
    """A count that is worth nothing is refused."""
    with pytest.raises(ValueError, match="volts per count is"):
        fit_converter(GOOD, volts_per_count=volts_per_count)
