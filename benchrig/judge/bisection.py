"""A voltage threshold by halving: trials in, the next stimulus out, and what may be said of the threshold at the end.

Owns the order of trials, the bracket, the dwell rule, and when trials contradict each other. Must not know supplies,
boards or time: it says what to apply and for how long, and is told what the terminals really carried.

A trial `holds` when the board worked at that voltage (dropout, lockout, reset) or came to work there (restart), so
above a threshold trials hold and below they fail. Dwell rule: trials are held for `dwell_s`, and both ends of the
final bracket once more for `confirm_dwell_s`; who fails only after a while has a higher threshold than a quick search
finds. Results that no single threshold explains are told as doubts, never averaged.

The uncertainty is that of a value anywhere inside the final bracket (rectangular, JCGM 100:2008 4.3.7, section number
from memory) with the meter's. That a few trials are spread over the range first is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from benchrig.judge.budget import Budget
from benchrig.judge.uncertainty import Component

_SAME_POINT = 2.0
"""Two trials nearer than this many of their common standard uncertainties cannot be put in order."""

_SPARE_TRIALS = 4

Why = Literal["spread", "halve", "confirm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchPlan:
    """Between which terminal voltages a threshold is sought, how finely, and how long each trial is held.

    Raises ValueError for a range, a resolution or a dwell that no search can be made of.
    """

    low_v: float
    high_v: float
    resolution_v: float = 0.005
    dwell_s: float = 0.2
    confirm_dwell_s: float = 1.0
    spread_points: int = 4

    def __post_init__(self) -> None:
        numbers = (self.low_v, self.high_v, self.resolution_v, self.dwell_s, self.confirm_dwell_s)
        sound = all(map(math.isfinite, numbers)) and 0.0 <= self.low_v < self.high_v and self.resolution_v > 0.0
        if not (sound and 0.0 <= self.dwell_s <= self.confirm_dwell_s and self.spread_points >= 2):
            raise ValueError(
                f"{self}: accepted: 0 <= low_v < high_v, resolution_v above 0, 0 <= dwell_s <= confirm_dwell_s, "
                "2 spread points or more"
            )

    @property
    def spread_v(self) -> tuple[float, ...]:
        """The first voltages, highest first, both ends among them."""
        step_v = (self.high_v - self.low_v) / (self.spread_points - 1)
        return tuple(self.high_v - index * step_v for index in range(self.spread_points))

    @property
    def most_trials(self) -> int:
        """More trials than this are never asked for."""
        gap_v = (self.high_v - self.low_v) / (self.spread_points - 1)
        halvings = max(0, math.ceil(math.log2(gap_v / self.resolution_v)))
        return self.spread_points + halvings + 2 + _SPARE_TRIALS


@dataclass(frozen=True, slots=True)
class Stimulus:
    """What to apply next: volts at the terminals, held for so long."""

    volts: float
    dwell_s: float
    why: Why


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What was applied, as measured at the terminals, and whether the board held. `asked` is what it answers."""

    asked: Stimulus
    volts: float
    standard_uncertainty_v: float = 0.0
    holds: bool


class Outcome(StrEnum):
    """What the trials say of the threshold; a closed set."""

    FOUND = "found"
    BELOW = "at or below the range"
    ABOVE = "above the range"
    COARSE = "not found as finely as planned"
    DOUBTFUL = "contradictory"


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """A threshold in volts at the terminals.

    `volts` is the middle of the bracket; where the range does not reach it, the end that it lies beyond. `doubts` say
    which trials no single threshold explains.
    """

    outcome: Outcome
    volts: float
    half_width_v: float
    meter_u_v: float
    doubts: tuple[str, ...] = ()

    @property
    def is_known(self) -> bool:
        """Whether a bracket of trials holds it; a coarse one is known, less well."""
        return self.outcome in (Outcome.FOUND, Outcome.COARSE)

    @property
    def budget(self) -> Budget:
        """Causes of its uncertainty: where in the bracket it lies, and the meter."""
        return Budget(
            (
                Component.within("bracket of the search", half_width=self.half_width_v),
                Component("meter at the terminals", standard_uncertainty=self.meter_u_v),
            ),
            unit="V",
            value=self.volts,
        )


@dataclass(frozen=True)
class Search:
    """A search in progress: a value, of which `after` makes the next one."""

    plan: SearchPlan
    trials: tuple[Trial, ...] = field(default=())

    def after(self, trial: Trial) -> Search:
        """The search with one more trial."""
        return Search(self.plan, (*self.trials, trial))

    @property
    def bracket(self) -> tuple[Trial | None, Trial | None]:
        """The highest trial that failed, and the lowest that held."""
        failed = [one for one in self.trials if not one.holds]
        held = [one for one in self.trials if one.holds]
        return max(failed, key=_volts, default=None), min(held, key=_volts, default=None)

    @property
    def doubts(self) -> tuple[str, ...]:
        """Trials that no single threshold explains: one held although a higher one, or the same one longer, failed."""
        pairs = ((low, high) for low in self.trials if low.holds for high in self.trials if not high.holds)
        return tuple(dict.fromkeys(_doubt(low, high) for low, high in pairs if _contradict(low, high)))

    def next(self) -> Stimulus | None:
        """What to apply next, None when all is said that can be."""
        plan = self.plan
        if len(self.trials) < plan.spread_points:
            return Stimulus(plan.spread_v[len(self.trials)], plan.dwell_s, "spread")
        failed, held = self.bracket
        if failed is None or held is None or self.doubts or len(self.trials) >= plan.most_trials:
            return None
        if held.volts - failed.volts > plan.resolution_v and not self._is_stuck():
            return Stimulus((failed.volts + held.volts) / 2.0, plan.dwell_s, "halve")
        return next((self._confirming(end) for end in (held, failed) if not self._is_confirmed(end)), None)

    def threshold(self) -> Threshold:
        """What may be said now. Raises ValueError before the first trials are all made."""
        plan = self.plan
        if len(self.trials) < plan.spread_points:
            raise ValueError(f"{len(self.trials)} trials; accepted: at least the first {plan.spread_points}")
        failed, held = self.bracket
        meter_u_v = max(one.standard_uncertainty_v for one in self.trials)
        if failed is None or held is None:
            beyond = held or failed
            assert beyond is not None  # a trial either holds or fails
            outcome = Outcome.BELOW if failed is None else Outcome.ABOVE
            return Threshold(outcome=outcome, volts=beyond.volts, half_width_v=0.0, meter_u_v=meter_u_v)
        return Threshold(
            outcome=self._outcome(held.volts - failed.volts),
            volts=(failed.volts + held.volts) / 2.0,
            half_width_v=abs(held.volts - failed.volts) / 2.0,
            meter_u_v=max(failed.standard_uncertainty_v, held.standard_uncertainty_v),
            doubts=self.doubts,
        )

    def _outcome(self, width_v: float) -> Outcome:
        if self.doubts:
            return Outcome.DOUBTFUL
        return Outcome.FOUND if width_v <= self.plan.resolution_v else Outcome.COARSE

    def _confirming(self, end: Trial) -> Stimulus:
        return Stimulus(end.volts, self.plan.confirm_dwell_s, "confirm")

    def _is_confirmed(self, end: Trial) -> bool:
        """Held for the long dwell; a failure at the short one would only fail again, but a fluke would not."""
        same = [one for one in self.trials if one.asked.why == "confirm" and one.holds == end.holds]
        return any(one is end or _cannot_be_ordered(one, end) or one.asked.volts == end.volts for one in same)

    def _is_stuck(self) -> bool:
        """Whether a halving landed on or outside its bracket: the bench cannot set any finer."""
        return any(self._missed(index) for index, one in enumerate(self.trials) if one.asked.why == "halve")

    def _missed(self, index: int) -> bool:
        failed, held = Search(self.plan, self.trials[:index]).bracket
        return failed is not None and held is not None and not failed.volts < self.trials[index].volts < held.volts


def _volts(trial: Trial) -> float:
    return trial.volts


def _cannot_be_ordered(one: Trial, other: Trial) -> bool:
    u_v = math.hypot(one.standard_uncertainty_v, other.standard_uncertainty_v)
    return abs(one.volts - other.volts) <= _SAME_POINT * u_v


def _contradict(held: Trial, failed: Trial) -> bool:
    """Held below a failure; or at the same voltage, which only a change of mind explains."""
    if _cannot_be_ordered(held, failed):
        return failed.asked.volts in (held.asked.volts, held.volts)
    return held.volts < failed.volts


def _doubt(held: Trial, failed: Trial) -> str:
    return (
        f"it held at {held.volts:.4f} V for {held.asked.dwell_s:g} s, and failed at {failed.volts:.4f} V within "
        f"{failed.asked.dwell_s:g} s"
    )


def hysteresis(falling: Threshold, rising: Threshold) -> Budget:
    """Rising minus falling threshold, with its causes. Raises ValueError where one of them is not known.

    The meter is counted twice as if its two errors had nothing in common: on one range and nearly the same volts they
    mostly cancel, so this is on the safe side.
    """
    if not (falling.is_known and rising.is_known):
        raise ValueError(f"falling threshold {falling.outcome}, rising {rising.outcome}; accepted: both known")
    parts = [
        Component.within(f"bracket of the {name} search", half_width=one.half_width_v, sensitivity=sign)
        for name, one, sign in (("falling", falling, -1.0), ("rising", rising, 1.0))
    ]
    parts += [
        Component(f"meter, {name}", standard_uncertainty=one.meter_u_v, sensitivity=sign)
        for name, one, sign in (("falling", falling, -1.0), ("rising", rising, 1.0))
    ]
    return Budget(tuple(parts), unit="V", value=rising.volts - falling.volts)
