"""One check in progress: judges values against the profile's limits and writes each down as it happens.

A check goes on after a violated limit and ends once, with everything that was found. What it may say: pass,
fail, undecided, bench error, not run. A limit of the profile that the check never judged makes it undecided:
absence is not success.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.judge.decision import judge
from benchrig.judge.parts import budget_of, parts_of
from benchrig.judge.uncertainty import expanded
from benchrig.judge.verdicts import worst
from benchrig.reading import Reading
from benchrig.records import (
    Annex,
    CheckFinished,
    FactJudged,
    IdentitySeen,
    LimitJudged,
    NotProven,
    ReadingTaken,
    Verdict,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from benchrig.judge.budget import Budget
    from benchrig.judge.decision import Judgement, Limit
    from benchrig.records import Record

_ENDS = frozenset((Verdict.BENCH_ERROR, Verdict.FAIL, Verdict.UNDECIDED, Verdict.NOT_RUN))

_WAIVABLE = frozenset((Verdict.FAIL, Verdict.UNDECIDED))


class Check:
    """Collects what one check found. `write` puts a record into the journal, `now_s` is bench time of the run,
    and `origin_s` the clock's time at which the run began: readings are stamped by the clock. `vain` names values
    that this bench cannot decide, and why: as long as their uncertainty as measured agrees, they stay undecided."""

    def __init__(
        self,
        name: str,
        limits: Mapping[str, Limit],
        *,
        write: Callable[[Record], None],
        now_s: Callable[[], float],
        origin_s: float = 0.0,
        vain: Mapping[str, str] | None = None,
        waiver: str = "",
    ) -> None:
        """`waiver`: who accepted beforehand that this check may fail, why and until when; '' for nobody."""
        self.name = name
        self._waiver = waiver
        self._vain = vain or {}
        self.limits = limits
        self.judged: list[LimitJudged | FactJudged] = []
        self._write = write
        self._now_s = now_s
        self._began_s = now_s()
        self._origin_s = origin_s
        self._settled: set[str] = set()
        self._written: list[Reading] = []
        self._ends: list[tuple[Verdict, str, str]] = []

    def reading(self, name: str, reading: Reading) -> Reading:
        """Write a reading down, judged or not; it survives whatever comes after. Returns it."""
        self._written.append(reading)
        self._write(
            ReadingTaken(
                check=self.name,
                name=name,
                value=_finite(reading.value),
                unit=reading.unit,
                standard_uncertainty=reading.standard_uncertainty,
                count=reading.count,
                source=reading.source,
                raw=reading.raw,
                at_s=reading.at_s - self._origin_s,
                parts=reading.parts,
            )
        )
        return reading

    def __call__(
        self,
        value_name: str,
        value: float | Reading | None,
        *,
        unit: str = "",
        standard_uncertainty: float = 0.0,
        dof: float = math.inf,
        budget: Budget | None = None,
        at: str = "",
        remark: str = "",
        next_action: str = "",
    ) -> Verdict | None:
        """Hold a value (in the base unit `unit`, or a Reading) against the profile's limit of that name.

        Its uncertainty comes from `budget`, from the parts of a Reading, or from `standard_uncertainty` and `dof`.
        `at` tells several values of one name apart ('at 3.60 V'); `remark` is added to the reason. A value without a
        limit is written down and not judged: None is returned. A value or an uncertainty that is no finite number is
        undecided.
        """
        name = f"{value_name} {at}".rstrip()
        limit = self.limits.get(value_name)
        if budget is not None:
            standard_uncertainty = budget.standard_uncertainty
        if limit is None:
            self._keep(name, value, unit, standard_uncertainty)
            return None
        if isinstance(value, Reading):
            unit, standard_uncertainty = value.unit, value.standard_uncertainty
            budget = budget or budget_of(value.parts, unit=unit)
            value = value.value
        uncertainty, k, basis = _expanded(standard_uncertainty, dof, budget)
        found = judge(value, unit=unit or limit.unit, expanded_uncertainty=uncertainty, limit=limit, coverage_factor=k)
        self._settled.add(value_name)
        why_vain = "" if _is_clear_fail(found) else self._vain.get(value_name, "")
        return self._judged(
            LimitJudged(
                check=self.name,
                limit=name,
                value=found.value,
                unit=limit.unit,
                expanded_uncertainty=found.expanded_uncertainty,
                coverage_factor=k,
                low=limit.low,
                high=limit.high,
                rule=limit.rule,
                guard_band=found.guard_band,
                verdict=Verdict.UNDECIDED if why_vain else found.verdict,
                why=_with(f"this bench cannot decide it: {why_vain}" if why_vain else found.why, remark),
                next_action=_next_action(found, next_action, vain=bool(why_vain)),
                limit_source=limit.source,
                at_s=self._now_s(),
                parts=parts_of(budget.components) if budget else (),
                basis=basis,
            )
        )

    def identity(self, said: Mapping[str, str]) -> None:
        """Write down what the board said of itself, by name."""
        self._write(IdentitySeen(check=self.name, said=dict(said), at_s=self._now_s()))

    def not_proven(self, text: str, *, next_action: str = "") -> None:
        """Say what this check leaves open though it may pass. The report lists it beside the verdict."""
        self._write(NotProven(text=text, next_action=next_action, check=self.name, at_s=self._now_s()))

    def annex(self, title: str, lines: Iterable[str]) -> None:
        """Give the report a table, or a few lines, as they stand: nothing in them is judged."""
        self._write(Annex(title=title, lines=tuple(lines), check=self.name, at_s=self._now_s()))

    def fact(
        self, name: str, *, expected: str, seen: str, holds: bool | None, why: str = "", next_action: str = ""
    ) -> Verdict:
        """Judge something without a number. `holds` None: it could not be decided, and `why` says so."""
        verdict = {True: Verdict.PASS, False: Verdict.FAIL, None: Verdict.UNDECIDED}[holds]
        return self._judged(
            FactJudged(
                check=self.name,
                fact=name,
                expected=expected,
                seen=seen,
                verdict=verdict,
                why=why or ("as expected" if holds else f"expected {expected}, seen {seen}"),
                next_action="" if holds else next_action,
                at_s=self._now_s(),
            )
        )

    def undecided(self, value_name: str, why: str, *, next_action: str = "") -> None:
        """Say that this bench cannot decide a value, and why; nothing of it passes."""
        self._settled.add(value_name)
        limit = self.limits.get(value_name)
        expected = limit.text if limit else "a value"
        self._judged(
            FactJudged(
                check=self.name,
                fact=value_name,
                expected=expected,
                seen="not measured",
                verdict=Verdict.UNDECIDED,
                why=why,
                next_action=next_action,
                at_s=self._now_s(),
            )
        )

    def end_by(self, verdict: Verdict, why: str, *, next_action: str = "") -> None:
        """Something other than a limit ended the check: a bench error, a board that broke its protocol.

        A check may be ended more than once; the worst counts and every reason is told. Raises ValueError for a
        verdict that would pass: only what was judged can pass.
        """
        if verdict not in _ENDS:
            raise ValueError(
                f"check {self.name} cannot be ended by {verdict.value!r}; accepted: "
                f"{', '.join(sorted(one.value for one in _ENDS))}; to pass, judge a value or a fact"
            )
        self._ends.append((verdict, why, next_action))

    @property
    def has_ended_early(self) -> bool:
        return bool(self._ends)

    def not_passed(self) -> tuple[LimitJudged | FactJudged, ...]:
        """Everything judged that did not pass."""
        return tuple(one for one in self.judged if one.verdict is not Verdict.PASS)

    def finish(self, phases_s: Mapping[str, float]) -> CheckFinished:
        """End the check and write it down. Limits that were never judged are undecided, and named."""
        if not self.has_ended_early:
            self._name_missing()
        verdicts = [one.verdict for one in self.judged] + [verdict for verdict, _, _ in self._ends]
        reasons = [why for _, why, _ in self._ends] + [f"{_what(one)}: {one.why}" for one in self.not_passed()]
        if not verdicts:
            reasons = ["this check judged nothing: the profile limits none of its values"]
            verdicts = [Verdict.UNDECIDED]
        now_s = self._now_s()
        duration_s = now_s - self._began_s
        verdict, why = self._with_waiver(worst(verdicts), "; ".join(dict.fromkeys(reasons)))
        finished = CheckFinished(
            check=self.name,
            verdict=verdict,
            why=why,
            next_action=next((action for _, _, action in self._ends if action), ""),
            duration_s=duration_s,
            phases_s={**phases_s, "overhead": max(0.0, duration_s - sum(phases_s.values()))},
            at_s=now_s,
        )
        self._write(finished)
        return finished

    def _with_waiver(self, verdict: Verdict, why: str) -> tuple[Verdict, str]:
        """A result that is known and bad can be accepted; what the bench did not find out cannot."""
        if not self._waiver or verdict not in _WAIVABLE:
            return verdict, why
        return Verdict.WAIVED, f"{self._waiver}; it came out {verdict.value}: {why}"

    def _name_missing(self) -> None:
        for name in self.limits:
            if name not in self._settled:
                self.undecided(name, "the profile limits this value and the check never measured it")

    def _keep(self, name: str, value: float | Reading | None, unit: str, standard_uncertainty: float) -> None:
        """Write down what no limit judges, once."""
        if not isinstance(value, Reading):
            number = math.nan if value is None else float(value)
            u = standard_uncertainty if math.isfinite(standard_uncertainty) else 0.0
            self.reading(name, Reading(number, unit, u, "computed", repr(value), self._now_s()))
        elif not any(one is value for one in self._written):
            self.reading(name, value)

    def _judged(self, record: LimitJudged | FactJudged) -> Verdict:
        self.judged.append(record)
        self._write(record)
        return record.verdict


def unless_measured_better(next_action: str) -> str:
    """What to do about a value that is neither good nor bad yet: its measurement comes first, then the board."""
    better = "measure it with a smaller uncertainty"
    return f"{better}; only if it fails then: {next_action}" if next_action else better


def _is_clear_fail(found: Judgement) -> bool:
    """Outside by more than its uncertainty as measured: bad, whatever was expected of this bench before power."""
    if found.verdict is not Verdict.FAIL or found.margin is None or found.expanded_uncertainty is None:
        return False
    return found.limit.rule != "simple" or found.margin < -found.expanded_uncertainty


def _next_action(found: Judgement, next_action: str, *, vain: bool) -> str:
    """What to do about a value that did not pass: look at the board, or where the bench is too coarse, at that."""
    if vain:
        return "measure it with an instrument or range that can decide it, as said before power"
    if found.verdict is Verdict.UNDECIDED and found.margin is not None:
        return unless_measured_better(next_action)
    return "" if found.verdict is Verdict.PASS else next_action


def _with(why: str, remark: str) -> str:
    return f"{why}; {remark}" if remark else why


def _what(one: LimitJudged | FactJudged) -> str:
    return one.limit if isinstance(one, LimitJudged) else one.fact


def _expanded(standard_uncertainty: float, dof: float, budget: Budget | None) -> tuple[float, float, str]:
    """Expanded uncertainty, k, and where k is from; an uncertainty that is none stays none: nothing passes by it."""
    if budget is not None:
        found = budget.expanded()
        return found.uncertainty, found.k, found.basis
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty >= 0.0):
        return math.nan, expanded(0.0, dof=dof)[1], ""
    return (*expanded(standard_uncertainty, dof=dof), "")


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
