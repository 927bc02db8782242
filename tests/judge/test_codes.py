"""Findings on bare codes, each against a few codes that can be judged by eye."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchrig.judge.codes import MOST_CODES, CodeAt, clipped_codes, code_cover, dead_bits, repeated_codes


def samples_of(pairs: list[tuple[float, int]], direction: str = "up") -> list[CodeAt]:
    return [CodeAt(expected, code, (expected, direction)) for expected, code in pairs]


CLIPPED = [
    pytest.param([(10, 10), (20, 20), (30, 30)], (False, False), id="none"),
    pytest.param([(10, 10), (20, 20), (30, 20)], (False, True), id="stands still at the top"),
    pytest.param([(10, 20), (20, 20), (30, 30)], (True, False), id="stands still at the bottom"),
    pytest.param([(10, 20), (20, 20), (30, 20)], (True, True), id="stands still everywhere"),
    pytest.param([(10, 10), (20, 20), (22, 20)], (False, False), id="inputs as near as rounding allows"),
    pytest.param([(10, 30), (20, 20), (30, 30)], (False, False), id="the same code with others between"),
    pytest.param([(-5, 0), (20, 20), (30, 30)], (True, False), id="one code at 0"),
    pytest.param([(10, 10), (20, 20), (30, 255)], (False, True), id="one code at full scale"),
    pytest.param([(10, 30), (20, 20), (30, 10)], (False, False), id="falling"),
]


@pytest.mark.parametrize(("pairs", "expected"), CLIPPED)
def test_clipped_codes(pairs: list[tuple[float, int]], expected: tuple[bool, bool]) -> None:
    """Each short sweep is clipped where an eye sees it."""
    assert clipped_codes(samples_of(pairs), full_scale=255) == expected


def test_repeated_codes_within_one_direction_only() -> None:
    """The same code at far inputs counts when the sweep went one way; up and down may meet by hysteresis."""
    up, down = samples_of([(10, 10), (40, 10)]), samples_of([(80, 80), (40, 10)], "down")

    assert repeated_codes([*up, *down], noise_counts=0.0) == (10,)
    assert repeated_codes([up[0], *down], noise_counts=0.0) == ()


@pytest.mark.parametrize(("noise_counts", "expected"), [(4.6, (10,)), (4.7, ())])
def test_repeated_codes_allow_for_noise(noise_counts: float, expected: tuple[float, ...]) -> None:
    """Inputs 30 counts apart may share a code once rounding and six standard deviations reach as far."""
    assert repeated_codes(samples_of([(10, 10), (40, 10)]), noise_counts=noise_counts) == expected


@pytest.mark.parametrize(("count", "judged"), [(7, False), (8, True)])
def test_dead_bits_need_enough_codes(count: int, judged: bool) -> None:
    """From a handful of codes nothing is said of bits: None, not an empty finding."""
    inputs = [10.0 * index for index in range(count)]

    assert (dead_bits(inputs, [int(value) for value in inputs], width=8) is not None) is judged


def test_bit_that_is_wrong_everywhere_is_no_dead_bit() -> None:
    """Codes that all lack the same bit are an offset; whether a bit is dead cannot be told."""
    inputs = [2048.0 + 50 * index for index in range(20)]

    assert dead_bits(inputs, [int(value) & ~2048 for value in inputs], width=12) == ()


def test_single_code_without_its_bit_is_no_dead_bit() -> None:
    """One code that lacks bit 5, where no other code needs it, is one wrong code and no pattern."""
    inputs = [64.0 * index for index in range(10, 25)]
    inputs[7] += 32

    assert dead_bits(inputs, [int(value) & ~32 for value in inputs], width=12) == ()


# ---- which codes came


@pytest.mark.parametrize("scatter", [0.0, 0.3, 0.5, 2.0, 7.5])
def test_codes_that_should_have_come_are_those_of_scipy(scatter: float) -> None:
    """Readings due at each code, added up one by one with scipy's normal distribution, decide what is missing."""
    rng = np.random.default_rng(7)
    expected = rng.uniform(100.0, 120.0, 900)
    codes = np.rint(expected + rng.normal(0.0, max(scatter, 0.1), 900)).astype(int)
    codes[np.isin(codes, (105, 112))] += 1  # two codes that this converter does not have
    between = np.arange(codes.min() + 1, codes.max())
    spread = max(scatter, 0.5)
    due = sum(
        stats.norm.cdf(between + 0.5, one, spread) - stats.norm.cdf(between - 0.5, one, spread) for one in expected
    )
    judged = between[due >= 14.0]

    found = code_cover(expected.tolist(), codes.tolist(), scatter=scatter)

    assert (found.span, found.visited) == (codes.max() - codes.min() + 1, np.unique(codes).size)
    assert found.judged == judged.size
    assert found.missing == tuple(sorted(set(judged.tolist()) - set(codes.tolist())))
    assert {105, 112} <= set(found.missing)


def test_a_wide_converter_costs_its_codes_and_no_more() -> None:
    """All of 24 bits with a scatter of a tenth of them is answered at once: too few readings to judge any code."""
    found = code_cover([0.0, 5e5, MOST_CODES - 1.0], [0, 500_000, MOST_CODES - 1], scatter=MOST_CODES / 10)

    assert found == (MOST_CODES, 3, 0, ())


NO_COVER = [
    pytest.param(
        [0.0, 1.0], [0, MOST_CODES], 0.5, "codes from 0 to 16777216 are 16777217; accepted: up to 167", id="wide"
    ),
    pytest.param([0.0, 1.0], [0, 1 << 60], 0.5, "look for a code that is no code", id="far too wide"),
    pytest.param([], [], 0.5, "0 codes and 0 expected ones", id="none"),
    pytest.param([1.0], [1, 2], 0.5, "2 codes and 1 expected ones", id="lengths"),
    pytest.param([1.0, math.inf], [1, 2], 0.5, "is no finite number from 0 up", id="infinite"),
    pytest.param([1.0, 2.0], [1, 2], math.nan, "a scatter of nan counts", id="no scatter"),
]


@pytest.mark.parametrize(("expected", "codes", "scatter", "words"), NO_COVER)
def test_codes_that_no_converter_has(expected: list[float], codes: list[int], scatter: float, words: str) -> None:
    """More codes than 24 bits hold are refused before anything is counted, as are numbers that are none."""
    with pytest.raises(ValueError, match=words):
        code_cover(expected, codes, scatter=scatter)


@pytest.mark.parametrize("width", [0, 26, 60])
def test_bits_that_no_converter_has(width: int) -> None:
    """A width that no converter has is refused."""
    with pytest.raises(ValueError, match=f"a converter of {width} bits; accepted: 1 to 25"):
        dead_bits([float(one) for one in range(10)], list(range(10)), width=width)
