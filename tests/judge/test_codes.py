"""Findings on bare codes, each against a few codes that can be judged by eye."""

from __future__ import annotations

import pytest

from benchrig.judge.codes import CodeAt, clipped_codes, dead_bits, repeated_codes


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
