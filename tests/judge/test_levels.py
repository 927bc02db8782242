"""Levels and stretches of signals that are built here, so that the truth is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.judge.levels import find_levels

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


def mixture(parts: list[tuple[float, int]], *, noise: float, seed: int = 1) -> Floats:
    """Stretches of (level, samples), one after the other, with Gaussian noise."""
    rng = np.random.default_rng(seed)
    clean = np.concatenate([np.full(count, level) for level, count in parts])
    return clean + rng.normal(0.0, noise, clean.size)


ONE_LEVEL: dict[str, Callable[[np.random.Generator, int], Floats]] = {
    "gauss": lambda rng, n: rng.normal(0, 1, n),
    "uniform": lambda rng, n: rng.uniform(0, 1, n),
    "exponential": lambda rng, n: rng.exponential(1, n),
    "ramp": lambda rng, n: np.linspace(0, 20, n) + rng.normal(0, 1, n),
    "hum": lambda rng, n: np.sin(np.arange(n) / 50) + rng.normal(0, 0.1, n),
    "wander": lambda rng, n: np.cumsum(rng.normal(0, 1, n)),
    "coarse steps": lambda rng, n: np.round(rng.normal(0, 0.6, n)),
    "constant": lambda rng, n: np.zeros(n),
}


@pytest.mark.parametrize("kind", ONE_LEVEL)
@pytest.mark.parametrize("seed", range(10))
def test_noise_drift_and_hum_are_one_level(kind: str, seed: int) -> None:
    """Samples that do not switch are one level, however they scatter."""
    samples = 16e-6 + 0.2e-6 * ONE_LEVEL[kind](np.random.default_rng(seed), 5000)

    levels = find_levels(samples)

    assert len(levels) == 1
    assert levels[0].mean == pytest.approx(float(samples.mean()), rel=1e-9)
    assert levels[0].share == 1.0


@pytest.mark.parametrize(
    "parts",
    [
        pytest.param([(16e-6, 9940), (4.5e-3, 60)], id="rare pulses"),
        pytest.param([(5e-3, 9000), (11e-3, 480), (44e-3, 560)], id="idle, receive, transmit"),
        pytest.param([(16e-6, 21850), (4.5e-3, 7060), (11e-3, 480), (12e-3, 50), (22e-3, 560)], id="five levels"),
        pytest.param([(-0.2e-3, 5000), (4.5e-3, 5000)], id="below zero"),
        pytest.param([(0.0, 50), (1e-3, 9950)], id="rare dips"),
    ],
)
@pytest.mark.parametrize("noise", [0.0, 2e-6])
def test_levels_are_those_put_in(parts: list[tuple[float, int]], noise: float) -> None:
    """Each level comes back with its mean and its share, whatever the mixture."""
    levels = find_levels(mixture(parts, noise=noise))

    total = sum(count for _, count in parts)
    assert [level.mean for level in levels] == pytest.approx([mean for mean, _ in parts], abs=1e-6)
    assert [level.share for level in levels] == pytest.approx([count / total for _, count in parts], abs=1e-12)


def test_level_that_wanders_does_not_hide_a_tight_one() -> None:
    """A processor that takes anything from 1 to 8 mA does not hide a transmission at 22 mA."""
    rng = np.random.default_rng(1)
    samples = np.concatenate([rng.uniform(1e-3, 8e-3, 5000), rng.normal(22e-3, 2e-6, 500)])
    samples[:5000].sort()  # it wanders slowly: neighbours are alike

    assert [level.mean for level in find_levels(samples)] == pytest.approx([4.5e-3, 22e-3], rel=0.05)


def test_samples_caught_between_two_levels_do_not_join_them() -> None:
    """Three in a hundred samples on edges may make small levels of their own, but the two real ones remain."""
    samples = np.concatenate([np.zeros(1000), np.linspace(0.0, 1.0, 62), np.ones(1000)])

    levels = find_levels(samples)

    assert (levels[0].mean, levels[-1].mean) == pytest.approx((0.0, 1.0), abs=0.03)
    assert min(levels[0].share, levels[-1].share) > 1000 / 2062
    assert sum(level.share for level in levels[1:-1]) < 62 / 2062


def test_levels_need_samples() -> None:
    """Nothing has no level."""
    with pytest.raises(ValueError, match="no samples"):
        find_levels(np.array([]))
