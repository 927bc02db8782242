"""Readings until a verdict is certain: how many, what is said, and what one reading comes out of them.

The readings are lists or seeded noise; verdicts of the series itself are tested where it is decided.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.board.readings_table import ReadingsPlan
from benchrig.judge.decision import Limit
from benchrig.judge.sequential import Outcome
from benchrig.procedures.repeated import resolution_of, until_certain, written_step
from benchrig.reading import Reading
from benchrig.records import Part
from tests.judge.noise import autoregressive

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

PLAN = ReadingsPlan(at_most=40, wrong_pass=0.001, wrong_fail=0.01, correlation_up_to=0.8)
RAIL = Limit("voltage", unit="V", low=3.2, high=3.4, source="invented", rule="simple")
METER = (Part(name="of range", standard_uncertainty=1e-4), Part(name="resolution", standard_uncertainty=1e-6))


def reader(values: Iterable[float], parts: tuple[Part, ...] = METER, u: float = 1e-4) -> Callable[[], Reading]:
    upcoming = iter(values)
    return lambda: Reading(next(upcoming), "V", u, "meter", "", 0.0, parts=parts)


def noisy(mean_v: float, rms_v: float, *, correlation: float = 0.0, seed: int = 1) -> list[float]:
    noise = autoregressive(np.random.default_rng(seed), boards=1, readings=60, correlation=correlation)
    return [float(value) for value in mean_v + rms_v * noise[0]]


def test_without_a_plan_one_reading_is_taken() -> None:
    """A limit that asks for no series is judged by one reading, as it came."""
    found = until_certain(reader([3.3]), limit=RAIL, plan=None)

    assert (found.reading.value, found.reading.count, found.outcome, found.remark) == (3.3, 1, None, "")


def test_without_a_limit_one_reading_is_taken() -> None:
    """There is nothing to be certain of."""
    assert until_certain(reader([3.3]), limit=None, plan=PLAN).reading.count == 1


def test_far_from_the_limits_three_readings_are_enough() -> None:
    """A quiet rail in the middle passes at once, and the remark says how often it was read."""
    found = until_certain(reader(noisy(3.3, 1e-5)), limit=RAIL, plan=PLAN)

    assert found.outcome is Outcome.PASS
    assert found.reading.count == 3
    assert found.remark.startswith("certain after 3 of at most 40 readings, correlation 0.")


@pytest.mark.parametrize("correlation", [0.0, 0.6])
def test_nearer_to_a_limit_more_readings_are_taken(correlation: float) -> None:
    """Over thirty seeds the count grows from 10 to 2 standard deviations of margin, and more so for alike readings."""
    counts = {}
    for margin_v in (0.050, 0.010):
        series = [
            until_certain(
                reader(noisy(3.4 - margin_v, 0.005, correlation=correlation, seed=seed)), limit=RAIL, plan=PLAN
            )
            for seed in range(30)
        ]
        counts[margin_v] = sum(one.reading.count for one in series) / len(series)

    assert counts[0.050] < 12
    assert counts[0.010] > 1.5 * counts[0.050]


def test_at_the_limit_the_bound_ends_it_undecided() -> None:
    """A mean at the limit is neither passed nor failed by luck."""
    found = until_certain(reader(noisy(3.4, 0.005)), limit=RAIL, plan=PLAN)

    assert found.is_undecided
    assert found.reading.count == 40
    assert found.remark.startswith("not certain after 40 of at most 40 readings")


def test_outside_it_fails() -> None:
    """A rail that is certainly low fails without being read to the bound."""
    found = until_certain(reader(noisy(3.1, 0.005)), limit=RAIL, plan=PLAN)

    assert found.outcome is Outcome.FAIL
    assert found.reading.count < 20


def test_mean_keeps_what_is_common_and_adds_the_scatter() -> None:
    """The judged reading has the meter's causes unchanged beside the scatter of the mean (numpy's, if white)."""
    values = noisy(3.3, 0.005)
    white = ReadingsPlan(at_most=40, wrong_pass=0.001, wrong_fail=0.01, correlation_up_to=0.0)

    reading = until_certain(reader(values), limit=RAIL, plan=white).reading

    taken = np.array(values[: reading.count])
    scatter = float(np.std(taken, ddof=1)) / math.sqrt(reading.count)
    assert reading.value == pytest.approx(float(taken.mean()), rel=1e-9)
    assert reading.parts[:2] == METER
    assert reading.parts[2].name == f"scatter of {reading.count} readings"
    assert reading.parts[2].standard_uncertainty == pytest.approx(scatter, rel=1e-3)
    assert reading.parts[2].dof == reading.count - 1


def test_equal_readings_of_a_meter_that_states_no_resolution() -> None:
    """They are not taken as exact: the steps may be as wide as the meter's uncertainty."""
    coarse = Limit("voltage", unit="V", low=3.2999, high=3.4, source="invented", rule="simple")

    wide = until_certain(reader([3.3] * 60, parts=()), limit=RAIL, plan=PLAN)
    near = until_certain(reader([3.3] * 60, parts=()), limit=coarse, plan=PLAN)

    assert wide.outcome is Outcome.PASS
    assert near.is_undecided
    assert resolution_of(reader([3.3], parts=())()) == pytest.approx(1e-4 * math.sqrt(12.0))


def test_limit_that_no_number_of_readings_decides_is_read_once() -> None:
    """Where the guard band takes the whole tolerance the limit's own rule says so, without a series."""
    narrow = Limit("voltage", unit="V", low=3.2999, high=3.3001, source="invented", rule="guarded")

    found = until_certain(reader([3.3]), limit=narrow, plan=PLAN)

    assert (found.reading.count, found.outcome) == (1, None)


@pytest.mark.parametrize(
    ("value", "raw", "step"),
    [
        pytest.param(21.0, "TEMP n=3 raw=2100 c=21.0", 0.1, id="a zero that was written"),
        pytest.param(21.0, "TEMP n=3 c=21", 1.0, id="whole"),
        pytest.param(-0.5, "TEMP n=1 c=-0.50", 0.01, id="negative, two decimals"),
        pytest.param(21.1, "no number", 0.1, id="not in the text"),
    ],
)
def test_step_with_which_a_board_writes(value: float, raw: str, step: float) -> None:
    """The last decimal that stands in the board's answer is its step."""
    assert written_step(value, raw) == pytest.approx(step)
