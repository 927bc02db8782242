"""Correction constants of boards whose truth is known, and the boards that get none.

The board's own arithmetic is written out here: reported = code · step · (1 + gain) + offset, in whole millivolts.
"""

from __future__ import annotations

import math
import random
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.judge.converter import ConverterFit, Direction, SweepPoint, fit_converter
from benchrig.judge.correction import Correction, CorrectionBounds, CorrectionForm, Refusal, find_correction

if TYPE_CHECKING:
    from collections.abc import Callable

COUNT_V = 1.1 * 4 / 4096
SETPOINTS_V = [3.30, 3.45, 3.60, 3.75, 3.90, 4.05, 4.20]
BETWEEN_V = [3.375, 3.525, 3.675, 3.825, 3.975, 4.125]
FORM = CorrectionForm(gain_step=1e-6, offset_step_v=1e-6, least=-2_000_000, most=2_000_000)
BOUNDS = CorrectionBounds(gain=0.02, offset_v=0.04, residual_v=0.008, hysteresis_v=0.006, noise_v=0.005)


class Board:
    """Gain and offset errors of its codes, noise in counts, and whatever a fault does to a code."""

    def __init__(
        self,
        gain: float = 0.0,
        offset_v: float = 0.0,
        *,
        noise_counts: float = 0.3,
        seed: int = 1,
        fault: Callable[[int], int] = int,
    ) -> None:
        self._gain, self._offset_v, self._noise, self._fault = gain, offset_v, noise_counts, fault
        self._rng = random.Random(seed)

    def code(self, volts: float) -> int:
        exact = (volts * (1.0 + self._gain) + self._offset_v) / COUNT_V + self._rng.gauss(0.0, self._noise)
        return self._fault(round(exact))

    def reported_v(self, volts: float, found: Correction) -> float:
        gain, offset_v = found.gain_number * 1e-6, found.offset_number * 1e-6
        return round(1000.0 * (self.code(volts) * COUNT_V * (1.0 + gain) + offset_v)) / 1000.0


def fit(board: Board, *, lag_v: float = 0.0) -> ConverterFit:
    order = [(v, Direction.UP, -lag_v) for v in SETPOINTS_V] + [(v, Direction.DOWN, lag_v) for v in SETPOINTS_V[::-1]]
    rng = random.Random(2)
    points = []
    for second, (setpoint_v, direction, late_v) in enumerate(order):
        true_v = setpoint_v + rng.uniform(-5e-4, 5e-4)
        code = board.code(true_v + late_v)
        points.append(SweepPoint(true_v, counts=code, direction=direction, setpoint_v=setpoint_v, at_s=float(second)))
    return fit_converter(points, volts_per_count=COUNT_V, full_scale_counts=4095)


def find(codes: ConverterFit, form: CorrectionForm = FORM, bounds: CorrectionBounds = BOUNDS) -> Correction | Refusal:
    return find_correction(codes, form=form, bounds=bounds, low_v=3.30, high_v=4.20)


def corrected(board: Board, bounds: CorrectionBounds = BOUNDS) -> Correction:
    found = find(fit(board), bounds=bounds)
    assert isinstance(found, Correction), found
    return found


@pytest.mark.parametrize(("gain", "offset_v"), [(0.007, 0.0), (-0.012, 0.02), (0.0, -0.03), (0.01, -0.025)])
def test_board_that_is_off_is_put_right(gain: float, offset_v: float) -> None:
    """Between the points of the sweep the corrected board is right within what its constants' uncertainty allows."""
    board = Board(gain, offset_v)

    found = corrected(board)

    for volts in BETWEEN_V:
        error_v = board.reported_v(volts, found) - volts
        assert abs(error_v) <= found.error_within(volts)
        assert abs(error_v) < 0.003


def test_constants_are_the_inverse_of_the_line() -> None:
    """By hand for a board of +1 % and 20 mV: gain 1/1.01 - 1, offset -0.02/1.01 V."""
    found = corrected(Board(0.01, 0.02, noise_counts=0.05))

    assert found.gain == pytest.approx(1 / 1.01 - 1, abs=4 * found.gain_u)
    assert found.offset_v == pytest.approx(-0.02 / 1.01, abs=4 * found.offset_u_v)


@pytest.mark.parametrize("offset_v", [0.01, -1.5])
def test_uncertainty_of_the_constants_is_their_scatter(offset_v: float) -> None:
    """Over 300 sweeps of one noisy board the constants scatter by what each sweep says they do."""
    noisy = replace(BOUNDS, offset_v=2.0, hysteresis_v=0.1, noise_v=0.1)
    found = [corrected(Board(0.01, offset_v, noise_counts=2.0, seed=seed), noisy) for seed in range(300)]

    for value, stated in (("gain", "gain_u"), ("offset_v", "offset_u_v")):
        scatter = float(np.std([getattr(one, value) for one in found], ddof=1))
        typical = math.sqrt(float(np.mean([getattr(one, stated) ** 2 for one in found])))
        assert typical == pytest.approx(scatter, rel=0.15)


def test_predicted_error_holds_the_error() -> None:
    """Of 200 boards 95 % or more have a new reading within what is predicted: noise, rounding and line together."""
    inside = 0
    for seed in range(200):
        board = Board(0.012, -0.01, noise_counts=1.5, seed=seed)
        found = corrected(board)
        inside += abs(board.reported_v(3.825, found) - 3.825) <= found.error_within(3.825)

    assert inside >= 190 - 4 * math.sqrt(200 * 0.95 * 0.05)


@pytest.mark.parametrize("gain_step", [1e-6, 1e-4, 1e-3])
def test_rounding_to_coarse_numbers_leaves_what_is_said(gain_step: float) -> None:
    """A board that holds its gain coarsely is off by at most the stated error at both ends, less in the middle."""
    form = replace(FORM, gain_step=gain_step, offset_step_v=1e-4)
    codes = fit(Board(0.0123, 0.004, noise_counts=0.05))
    found = find(codes, form)
    assert isinstance(found, Correction)

    left = []
    for volts in (3.30, 3.75, 4.20):
        code_v = codes.line.at(volts)[0]
        left.append(abs(code_v * (1 + found.gain_number * gain_step) + found.offset_number * 1e-4 - volts))

    assert max(left) == pytest.approx(found.rounding_v, rel=1e-6, abs=1e-12)
    assert found.rounding_v <= 0.5 * gain_step * 0.46 + 1e-4
    assert left[1] <= 0.5e-4 + 1e-9


FAULTY = [
    pytest.param(Board(fault=lambda code: min(code, 3600)), "codes stand still at the high end", id="clipped high"),
    pytest.param(Board(fault=lambda code: max(code, 3300)), "codes stand still at the low end", id="clipped low"),
    pytest.param(Board(fault=lambda code: code & ~32), r"bits \[5\] of the converter never change", id="dead bit"),
    pytest.param(Board(fault=lambda _: 4095), "codes stand still at the low end", id="open divider"),
    pytest.param(Board(noise_counts=30.0), "the noise of a reading of", id="noise"),
    pytest.param(
        Board(fault=lambda code: code + (15 if 3450 < code < 3550 else 0)),
        r"the largest residual of .* \(accepted: up to 8\.000 mV\)",
        id="bent",
    ),
    pytest.param(Board(0.025), r"a gain constant of -2\.\d+ % would be needed \(accepted: up to 2 %\)", id="gain"),
    pytest.param(Board(0.0, 0.05), r"an offset constant of -5.* mV would be needed", id="offset"),
]


@pytest.mark.parametrize(("board", "reason"), FAULTY)
def test_faulty_board_is_refused_with_the_reason(board: Board, reason: str) -> None:
    """What is faulty rather than off gets no constants, and a sentence with the value and what is accepted."""
    found = find(fit(board))

    assert isinstance(found, Refusal)
    assert any(re.search(reason, one) for one in found.reasons), found.reasons


def test_board_that_lags_is_refused() -> None:
    """Up and down that differ by 10 mV are a divider that has not settled, not a constant."""
    found = find(fit(Board(), lag_v=0.005))

    assert isinstance(found, Refusal)
    assert len(found.reasons) == 1
    assert re.search(r"hysteresis of (9|10)\.\d+ mV \(accepted: up to 6\.000 mV\)", found.reasons[0])


def test_numbers_that_the_board_cannot_hold_are_refused() -> None:
    """A constant beyond the board's memory is not cut off."""
    found = find(fit(Board(0.015)), replace(FORM, least=-1000, most=1000))

    assert isinstance(found, Refusal)
    assert "the board cannot hold -14" in found.reasons[0]
    assert "as its gain constant (accepted: -1000 to 1000)" in found.reasons[0]
