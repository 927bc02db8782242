"""Repeats a reading until the verdict is certain, at stated rates of wrong verdicts and within a bounded number.

Owns the plan of such a series, what is known after each reading, and the same for many boards at once. Must not
know how a reading is taken, nor wait for one.

A series passes as soon as the chance that the mean is outside of the acceptance zone is below a level, and fails as
soon as the chance that it is inside of the fail borders is. Looking again after every reading would find a wrong
verdict sooner or later, so that the level is the stated rate divided by the number of looks that count as separate:
for a normal random walk looked at from reading a to reading b, 1 + (z² - 1)/2 ln(b/a) at the level's quantile z, and
never more than there are looks (boundary crossing of Brownian motion over a square root; D. Siegmund, Sequential
Analysis, 1985, from memory; held against simulation in the tests). At the last reading what is not certain is
undecided.

The rates are for boards whose mean is anywhere, a limit included, with normal noise whose scatter is unknown and
whose correlation is estimated (see `correlated_mean`). They are about the mean that the instrument would show
after very many readings; what is common to all readings (gain, offset) is left to the limit's decision rule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from benchrig.judge.correlated_mean import MeanBelief, Sums, add_to_sums, believe, correlation_grid, start_sums
from benchrig.judge.decision import Limit, Zones, zones
from benchrig.quantity import format_quantity, to_base

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FEWEST_READINGS = 3
MOST_READINGS = 10_000
LARGEST_RATE = 0.01
LEAST_RATE = 1e-9
LARGEST_CORRELATION = 0.8
_LARGEST_READING = 1e100
"""Its square is still a finite number; no quantity of a bench comes near."""


class Outcome(StrEnum):
    """What may be said after a reading."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    GO_ON = "go on"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How a series is decided. Numbers are in the unit of `limit`.

    `wrong_fail` and `wrong_pass` are the largest rates of failing a good board and of passing a bad one.
    `expanded_uncertainty` is what the readings have in common; the limit's rule makes its zones from it.
    `resolution` is one step of the display: half of it is kept off every border, for equal readings hide as much.
    `correlation_up_to` is the largest correlation of neighbouring readings for which the rates hold; with 0 they
    are known to be uncorrelated, which saves readings. Readings must have settled: a drift is not noise, and three
    that crawl in step look like three that agree. Raises ValueError for what cannot be kept.
    """

    limit: Limit
    expanded_uncertainty: float = 0.0
    wrong_fail: float = 0.001
    wrong_pass: float = 0.001
    most_readings: int = 60
    resolution: float = 0.0
    correlation_up_to: float = LARGEST_CORRELATION
    borders: Zones = field(init=False, repr=False)
    pass_level: float = field(init=False, repr=False)
    fail_level: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        _check_plan(self)
        keep = object.__setattr__
        keep(self, "borders", _borders(self))
        # a mean at one limit could fail beyond either of the two
        sides = (self.limit.low is not None) + (self.limit.high is not None)
        keep(self, "pass_level", level_of_a_look(self.wrong_pass, most_readings=self.most_readings))
        keep(self, "fail_level", level_of_a_look(self.wrong_fail / sides, most_readings=self.most_readings))


def _check_plan(plan: Plan) -> None:
    for name in ("wrong_fail", "wrong_pass"):
        rate = getattr(plan, name)
        if not LEAST_RATE <= rate <= LARGEST_RATE:
            raise ValueError(f"{name} is {rate!r}; accepted: from {LEAST_RATE:g} to {LARGEST_RATE:g}")
    if not FEWEST_READINGS <= plan.most_readings <= MOST_READINGS:
        raise ValueError(
            f"most_readings is {plan.most_readings!r}; accepted: from {FEWEST_READINGS} to {MOST_READINGS}"
        )
    if not 0.0 <= plan.correlation_up_to <= LARGEST_CORRELATION:
        raise ValueError(
            f"correlation_up_to is {plan.correlation_up_to!r}; accepted: from 0 to {LARGEST_CORRELATION:g}; "
            "wait longer between readings that are more alike"
        )
    if not 0.0 <= plan.resolution <= _LARGEST_READING:
        raise ValueError(f"the resolution is {plan.resolution!r}; accepted: a finite number from 0 up")


def _borders(plan: Plan) -> Zones:
    found = zones(plan.limit, expanded_uncertainty=plan.expanded_uncertainty)
    hidden = 0.5 * plan.resolution
    borders = Zones(
        found.accept_low + hidden, found.accept_high - hidden, found.fail_low - hidden, found.fail_high + hidden
    )
    if borders.accept_low >= borders.accept_high:
        raise ValueError(
            f"limit {plan.limit.name!r}: no mean can pass, for the guard band and half a step of the display take all "
            f"of {plan.limit.text}; use an instrument or range with a smaller uncertainty, more readings do not help"
        )
    if not all(abs(border) <= _LARGEST_READING or math.isinf(border) for border in borders):
        raise ValueError(f"limit {plan.limit.name!r} is {plan.limit.text}; accepted: up to {_LARGEST_READING:g}")
    return borders


def level_of_a_look(rate: float, *, most_readings: int) -> float:
    """Chance below which a verdict is certain at any one look, so that all looks together are wrong at `rate`."""
    looks = most_readings - FEWEST_READINGS + 1
    span = math.log(most_readings / FEWEST_READINGS)
    level = rate / looks
    for _ in range(100):  # the count of looks depends on the level a little; this settles in ten rounds or so
        z = NormalDist().inv_cdf(level)
        level = rate / min(looks, 1.0 + 0.5 * (z * z - 1.0) * span)
    return level


def fixed_readings(margin: float, *, wrong_fail: float, wrong_pass: float) -> int:
    """Readings of a series of fixed length that tells a mean at a limit from one `margin` inside of it.

    `margin` is in standard deviations of one reading, which are known here, as is that noise is uncorrelated: the
    least number that any fixed series needs. Raises ValueError.
    """
    if not (math.isfinite(margin) and margin > 0.0):
        raise ValueError(f"the margin is {margin!r} standard deviations; accepted: finite and above 0")
    for name, rate in (("wrong_fail", wrong_fail), ("wrong_pass", wrong_pass)):
        if not 0.0 < rate < 0.5:
            raise ValueError(f"{name} is {rate!r}; accepted: above 0 and below 0.5")
    quantiles = NormalDist().inv_cdf(wrong_fail) + NormalDist().inv_cdf(wrong_pass)
    return max(1, math.ceil((quantiles / margin) ** 2))


# ---- one board


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """What is known after `count` readings; numbers in the unit of the plan's limit, None until they can be told.

    `wrong_pass_chance` is the chance, after these readings, that the mean is outside of the acceptance zone;
    `wrong_fail_chance` that it is within the fail borders. `correlation` is that of neighbouring readings.
    """

    plan: Plan
    outcome: Outcome
    why: str
    count: int = 0
    mean: float | None = None
    standard_uncertainty: float | None = None
    correlation: float | None = None
    effective_count: float | None = None
    wrong_pass_chance: float | None = None
    wrong_fail_chance: float | None = None
    sums: Sums | None = field(default=None, repr=False, compare=False)


def start_series(plan: Plan) -> Progress:
    """Nothing is known before the first reading."""
    return Progress(plan=plan, outcome=Outcome.GO_ON, why="no reading yet")


def add_reading(progress: Progress, reading: float, *, unit: str) -> Progress:
    """What is known with one more reading, in `unit`.

    Raises ValueError for a reading that is no finite number (take it again), for a unit of another quantity and
    after the series has ended.
    """
    plan = progress.plan
    if progress.outcome is not Outcome.GO_ON:
        raise ValueError(f"the series ended with {progress.outcome.value!r} after {progress.count} readings")
    number = np.array([_in_unit_of(plan.limit, reading, unit, progress.count + 1)])
    sums = start_sums(number) if progress.sums is None else add_to_sums(progress.sums, number)
    if sums.readings < FEWEST_READINGS or not _tells(sums, plan).all():
        return _too_early(plan, sums)
    return _known(plan, sums)


def _in_unit_of(limit: Limit, reading: float, unit: str, number: int) -> float:
    value, base = to_base(reading, unit)
    if base != limit.unit:
        raise ValueError(f"a reading in {unit!r} cannot be held against limit {limit.name!r} in {limit.unit!r}")
    if not abs(value) <= _LARGEST_READING:
        raise ValueError(f"reading {number} is {reading!r} {unit}, no finite number of a bench; take it again")
    return float(value)


def _too_early(plan: Plan, sums: Sums) -> Progress:
    if sums.readings < FEWEST_READINGS:
        why = f"{sums.readings} of at least {FEWEST_READINGS} readings"
    else:
        why = (
            f"all {sums.readings} readings are equal, so that nothing says how far the mean may be; "
            "give the resolution of the instrument"
        )
    ended = sums.readings >= plan.most_readings
    return Progress(
        plan=plan,
        outcome=Outcome.UNDECIDED if ended else Outcome.GO_ON,
        why=why,
        count=sums.readings,
        mean=float(sums.mean()[0]),
        sums=sums,
    )


def _known(plan: Plan, sums: Sums) -> Progress:
    belief = _believe(sums, plan)
    wrong_pass, wrong_fail = (float(chance[0]) for chance in _wrong_chances(belief, plan.borders))
    outcome = _outcome(plan, sums.readings, wrong_pass, wrong_fail)
    mean, u = float(belief.mean()[0]), float(belief.standard_uncertainty()[0])
    correlation = float(belief.correlation()[0])
    return Progress(
        plan=plan,
        outcome=outcome,
        why=_why(plan, outcome, sums.readings, mean=mean, u=u, correlation=correlation, wrong=(wrong_pass, wrong_fail)),
        count=sums.readings,
        mean=mean,
        standard_uncertainty=u,
        correlation=correlation,
        effective_count=float(belief.effective_count()[0]),
        wrong_pass_chance=wrong_pass,
        wrong_fail_chance=wrong_fail,
        sums=sums,
    )


def _outcome(plan: Plan, count: int, wrong_pass: float, wrong_fail: float) -> Outcome:
    if wrong_pass <= plan.pass_level:
        return Outcome.PASS
    if wrong_fail <= plan.fail_level:
        return Outcome.FAIL
    return Outcome.UNDECIDED if count >= plan.most_readings else Outcome.GO_ON


def _why(
    plan: Plan, outcome: Outcome, count: int, *, mean: float, u: float, correlation: float, wrong: tuple[float, float]
) -> str:
    unit = plan.limit.unit
    shown = f"mean {format_quantity(mean, unit, resolution=0.1 * u)}, standard uncertainty {format_quantity(u, unit)}"
    text = f"{shown} after {count} readings (correlation {correlation:.2f})"
    if outcome is Outcome.PASS:
        return f"{text}: a pass is wrong with a chance of {wrong[0]:.1e}, certain from {plan.pass_level:.1e} down"
    if outcome is Outcome.FAIL:
        return f"{text}: a fail is wrong with a chance of {wrong[1]:.1e}, certain from {plan.fail_level:.1e} down"
    text = f"{text}: a pass would be wrong with a chance of {wrong[0]:.1e}, a fail with {wrong[1]:.1e}"
    if outcome is Outcome.GO_ON:
        return text
    return f"{text}; these are all the readings of the plan: allow more, or use an instrument with less noise"


# ---- many boards


class Decisions(NamedTuple):
    """One entry for each board: whether it passed, whether it failed (else undecided), and the readings it took."""

    passed: NDArray[np.bool_]
    failed: NDArray[np.bool_]
    counts: NDArray[np.int64]


def decide_many(readings: Floats, *, plan: Plan) -> Decisions:
    """Decide each row of `readings` (boards by readings, in the limit's base unit) as `add_reading` would.

    Each row holds the plan's most readings; those after its end are not looked at. Raises ValueError.
    """
    table = np.asarray(readings, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] != plan.most_readings:
        raise ValueError(f"readings have the shape {table.shape}; accepted: boards by {plan.most_readings} readings")
    if not (np.abs(table) <= _LARGEST_READING).all():
        raise ValueError("a reading is no finite number of a bench; leave that board out or take it again")
    boards = len(table)
    found = Decisions(np.zeros(boards, bool), np.zeros(boards, bool), np.full(boards, plan.most_readings))
    if not boards:
        return found
    open_boards, sums = np.arange(boards), start_sums(table[:, 0])
    for number in range(1, plan.most_readings):
        sums = add_to_sums(sums, table[open_boards, number])
        if sums.readings < FEWEST_READINGS:
            continue
        going_on = _settle(found, open_boards, sums, plan)
        open_boards, sums = open_boards[going_on], sums.rows(going_on)
        if not open_boards.size:
            break
    return found


def _settle(found: Decisions, boards: NDArray[np.int64], sums: Sums, plan: Plan) -> NDArray[np.bool_]:
    """Write down which boards end with this reading; those that go on are returned."""
    wrong_pass, wrong_fail = np.ones_like(sums.first), np.ones_like(sums.first)
    tells = _tells(sums, plan)
    if tells.any():
        wrong_pass[tells], wrong_fail[tells] = _wrong_chances(_believe(sums.rows(tells), plan), plan.borders)
    passes = wrong_pass <= plan.pass_level
    fails = ~passes & (wrong_fail <= plan.fail_level)
    found.passed[boards[passes]] = True
    found.failed[boards[fails]] = True
    found.counts[boards[passes | fails]] = sums.readings
    return ~(passes | fails)


def _tells(sums: Sums, plan: Plan) -> NDArray[np.bool_]:
    """Rows that say how far the mean may be."""
    return sums.scattered() | (plan.resolution > 0.0)


def _believe(sums: Sums, plan: Plan) -> MeanBelief:
    return believe(sums, correlations=correlation_grid(plan.correlation_up_to), resolution=plan.resolution)


def _wrong_chances(belief: MeanBelief, borders: Zones) -> tuple[Floats, Floats]:
    """Chance that a pass, and that a fail, would be wrong."""
    chances = {border: belief.chances(border) for border in set(borders)}
    wrong_pass = np.maximum(chances[borders.accept_low][0], chances[borders.accept_high][1])
    return wrong_pass, np.minimum(chances[borders.fail_low][1], chances[borders.fail_high][0])
