"""Values as they were judged, and what is reckoned with them: how near to a limit, what changed, who flips. Pure."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from benchrig.errors import ConfigError
from benchrig.judge.decision import Limit, judge
from benchrig.judge.decision_rules import rule_problem
from benchrig.judge.verdicts import worst
from benchrig.records import Verdict
from benchrig.store.answer import Answer

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from benchrig.store.rows import Cell, Row


_NO_LIMIT = "no limit"


class JudgedRow(NamedTuple):
    """A value with its limits as judged, in its base unit."""

    board: str
    run: str
    simulated: int
    check: str
    limit: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    coverage_factor: float
    low: float | None
    high: float | None
    rule: str
    verdict: str

    @property
    def margin(self) -> float | None:
        """Distance to the nearer limit, negative outside; None without a value."""
        sides = [side for side in (self._above_low(), self._below_high()) if side is not None]
        return min(sides) if sides else None

    @property
    def width(self) -> float:
        """Width of the tolerance; of one with an open side, the size of its one limit."""
        if self.low is not None and self.high is not None:
            return self.high - self.low
        one = self.low if self.high is None else self.high
        return abs(one or 0.0)

    @property
    def standard_uncertainty(self) -> float | None:
        return None if self.expanded_uncertainty is None else self.expanded_uncertainty / self.coverage_factor

    def _above_low(self) -> float | None:
        return None if self.value is None or self.low is None else self.value - self.low

    def _below_high(self) -> float | None:
        return None if self.value is None or self.high is None else self.high - self.value


# ---- near a limit


def near_limits(rows: Iterable[JudgedRow], *, share: float | None, within_u: float | None) -> Answer:
    """Values inside their limits, but nearer than `share` of the width, or than so many standard uncertainties."""
    found: list[tuple[float, Row]] = []
    for row in rows:
        margin = row.margin
        if margin is None or margin < 0.0:
            continue
        part = margin / row.width if row.width else 0.0
        u = row.standard_uncertainty
        in_u = margin / u if u else math.inf
        if (share is not None and part <= share) or (within_u is not None and in_u <= within_u):
            in_u_cell = in_u if math.isfinite(in_u) else None
            ends: tuple[Cell, ...] = (row.value, row.unit, row.low, row.high, margin, part, in_u_cell, row.verdict)
            found.append((part, (row.board, row.run, _mark(row), row.check, row.limit, *ends)))
    columns = ("board", "run", "bench kind", "check", "limit", "value", "unit", "low", "high", "margin")
    rest = ("share of width", "margin in u", "verdict")
    return Answer("near a limit", (*columns, *rest), tuple(row for _, row in sorted(found, key=lambda one: one[0])))


# ---- what changed


def changes(
    first: Mapping[str, Cell], second: Mapping[str, Cell], before: Sequence[JudgedRow], after: Sequence[JudgedRow]
) -> tuple[Answer, Answer]:
    """What two runs of a board have different: what they were run with, and what came out of them."""
    same = ("board", "utc", "run", "attempt")
    with_what = tuple(
        (name, first[name], second[name]) for name in first if name not in same and first[name] != second[name]
    )
    olds, news = _numbered(before), _numbered(after)
    rows = [_change(key, olds.get(key), news.get(key)) for key in dict.fromkeys((*olds, *news))]
    columns = (
        "check",
        "limit",
        "before",
        "after",
        "unit",
        "change",
        "change in U",
        "verdict before",
        "verdict after",
        "limits",
    )
    return (
        Answer("run with", ("what", "before", "after"), with_what),
        Answer("values", columns, tuple(row for row in rows if row)),
    )


_Key = tuple[str, str, int]


def _numbered(rows: Sequence[JudgedRow]) -> dict[_Key, JudgedRow]:
    """By check, limit, and which time it was judged under that name."""
    found: dict[_Key, JudgedRow] = {}
    for row in rows:
        time = 1
        while (row.check, row.limit, time) in found:
            time += 1
        found[row.check, row.limit, time] = row
    return found


def _change(key: _Key, old: JudgedRow | None, new: JudgedRow | None) -> Row:
    """One row; () when nothing changed that is not within the uncertainty of both."""
    check, limit, time = key
    name = limit if time == 1 else f"{limit} ({time})"
    unit = (new or old).unit if (new or old) else ""  # type: ignore[union-attr]  # one of the two is there
    if old is None or new is None:
        there = (old.value if old else None, new.value if new else None)
        words = (old.verdict if old else "not judged", new.verdict if new else "not judged")
        return (check, name, *there, unit, None, None, *words, "")
    change = None if old.value is None or new.value is None else new.value - old.value
    in_u = _in_u(change, old, new)
    limits = (
        "" if (old.low, old.high, old.rule) == (new.low, new.high, new.rule) else f"{_limits(old)} -> {_limits(new)}"
    )
    if old.verdict == new.verdict and not limits and change is not None and in_u is not None and abs(in_u) <= 1.0:
        return ()
    if old == new._replace(run=old.run):
        return ()
    return (check, name, old.value, new.value, unit, change, in_u, old.verdict, new.verdict, limits)


def _in_u(change: float | None, old: JudgedRow, new: JudgedRow) -> float | None:
    """The change by the expanded uncertainty of a difference; both have the same bench, so it is an upper bound."""
    if change is None or old.expanded_uncertainty is None or new.expanded_uncertainty is None:
        return None
    together = math.hypot(old.expanded_uncertainty, new.expanded_uncertainty)
    return change / together if together else None


# ---- judge again


def with_other_rules(limits: Mapping[str, Mapping[str, Limit]], rule: str) -> dict[str, dict[str, Limit]]:
    """The same limits under another decision rule. Raises ConfigError for a rule that there is not."""
    if rule and (problem := rule_problem(rule)):
        raise ConfigError(f"--rule: {problem}")
    return {
        check: {name: replace(limit, rule=rule) if rule else limit for name, limit in values.items()}
        for check, values in limits.items()
    }


class Again(NamedTuple):
    """A value under new limits. `after` is None where the new profile does not limit it, and `why` says so."""

    row: JudgedRow
    after: Verdict | None
    why: str
    limit: Limit | None

    @property
    def flips(self) -> bool:
        return self.after is None or self.after.value != self.row.verdict


def judge_again(
    rows: Iterable[JudgedRow], limits: Mapping[str, Mapping[str, Limit]], *, uncertainty_factor: float = 1.0
) -> list[Again]:
    """Every value as it would come out now. The rows, and what they say, are not touched.

    A verdict that did not follow from limit and rule alone - a bench that could not decide - stays as it was.
    """
    return [_again(row, limits, uncertainty_factor) for row in rows]


def _again(row: JudgedRow, limits: Mapping[str, Mapping[str, Limit]], factor: float) -> Again:
    limit = find_limit(limits.get(row.check, {}), row.limit)
    if limit is None:
        return Again(row, None, "the profile limits no such value of this check now", None)
    if _as_judged(row) != row.verdict:
        return Again(row, Verdict(row.verdict), "stays: it had another reason than limit and rule", limit)
    uncertainty = math.nan if row.expanded_uncertainty is None else row.expanded_uncertainty * factor
    try:
        found = judge(
            row.value,
            unit=row.unit,
            expanded_uncertainty=uncertainty,
            limit=limit,
            coverage_factor=row.coverage_factor,
        )
    except ValueError as wrong:
        return Again(row, None, str(wrong), limit)
    return Again(row, found.verdict, found.why, limit)


def _as_judged(row: JudgedRow) -> str:
    """What limit and rule of the record itself give; '' when they give nothing."""
    uncertainty = math.nan if row.expanded_uncertainty is None else row.expanded_uncertainty
    try:
        limit = Limit(row.limit or "?", unit=row.unit, low=row.low, high=row.high, source="as judged", rule=row.rule)
        k = row.coverage_factor
        return judge(
            row.value, unit=row.unit, expanded_uncertainty=uncertainty, limit=limit, coverage_factor=k
        ).verdict.value
    except (ConfigError, ValueError):
        return ""


def find_limit(limits: Mapping[str, Limit], name: str) -> Limit | None:
    """The limit that a judged value is for: 'vbat at 3.60 V' is judged by 'vbat'."""
    fitting = [one for one in limits if name == one or name.startswith(f"{one} ")]
    return limits[max(fitting, key=len)] if fitting else None


def again_answers(found: Sequence[Again]) -> tuple[Answer, Answer]:
    """Who flips, value by value; and the worst of each run's values before and now."""
    columns = (
        "board",
        "run",
        "bench kind",
        "check",
        "limit",
        "value",
        "unit",
        "before",
        "now",
        "limits before",
        "limits now",
    )
    flips = tuple(
        (
            one.row.board,
            one.row.run,
            _mark(one.row),
            one.row.check,
            one.row.limit,
            one.row.value,
            one.row.unit,
            one.row.verdict,
            one.after.value if one.after else _NO_LIMIT,
            _limits(one.row),
            f"{one.limit.text}, {one.limit.rule}" if one.limit else "-",
            one.why,
        )
        for one in found
        if one.flips
    )
    runs: dict[tuple[str, str], list[Again]] = {}
    for one in found:
        runs.setdefault((one.row.board, one.row.run), []).append(one)
    worsts = tuple(
        (board, run, _mark(values[0].row), len(values), sum(one.flips for one in values), *_worst_of(values))
        for (board, run), values in runs.items()
    )
    return (
        Answer("values that flip", (*columns, "why"), flips),
        Answer("runs", ("board", "run", "bench kind", "values", "flips", "worst before", "worst now"), worsts),
    )


def _worst_of(values: Sequence[Again]) -> tuple[str, str]:
    before = worst([Verdict(one.row.verdict) for one in values])
    return before.value, worst([one.after for one in values if one.after is not None]).value


def _mark(row: JudgedRow) -> str:
    return "simulated" if row.simulated else "real"


def _limits(row: JudgedRow) -> str:
    low, high = (None if side is None else f"{side:.9g}" for side in (row.low, row.high))
    if low is None:
        return f"at most {high} {row.unit}, {row.rule}"
    sides = f"at least {low}" if high is None else f"{low} to {high}"
    return f"{sides} {row.unit}, {row.rule}"
