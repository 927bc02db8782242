"""Noise for tests: stationary first-order autoregressive series of standard deviation 1."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def autoregressive(rng: np.random.Generator, *, boards: int, readings: int, correlation: float) -> NDArray[np.float64]:
    """Rows of readings about zero; neighbours are correlated, the first is as scattered as the rest."""
    noise = rng.standard_normal((boards, readings))
    noise[:, 1:] *= (1.0 - correlation**2) ** 0.5
    for number in range(1, readings):
        noise[:, number] += correlation * noise[:, number - 1]
    return noise
