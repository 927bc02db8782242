"""Requirements against what a run judged: each with what covers it, what was found, and whether it is met.

Owns how a requirement's verdict follows from its covers. Must not know where requirements are written down. The worst
of what covers it is the verdict of a requirement; what nothing covers is met by nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.verdicts import worst
from benchrig.records import LimitJudged, Verdict

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from benchrig.records import FactJudged, RequirementNamed
    from benchrig.report.board_report import BoardReport, CheckReport

EVIDENCE = "evidence"
"""`evidence.SLOT` covers by a file from elsewhere, which nothing here has judged."""

_MET = frozenset((Verdict.PASS, Verdict.WAIVED))


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One judged thing that covers a requirement, and the check that judged it."""

    check: str
    judged: LimitJudged | FactJudged
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """A requirement with all that covers it. `verdict` is None where evidence from elsewhere alone does."""

    id: str
    text: str
    covered_by: tuple[str, ...]
    found: tuple[Found, ...]
    verdict: Verdict | None
    why: str

    @property
    def is_met(self) -> bool:
        return self.verdict is None or self.verdict in _MET


@dataclass(frozen=True, slots=True)
class _Part:
    """What one cover of a requirement comes to."""

    found: tuple[Found, ...]
    verdict: Verdict | None
    why: str


def cover(
    requirements: Sequence[RequirementNamed], report: BoardReport, *, attached: Collection[str]
) -> tuple[Covered, ...]:
    """Every requirement with what was found. `attached` are the slots of evidence that hold a file."""
    return tuple(_covered(one, report, attached) for one in requirements)


def _covered(named: RequirementNamed, report: BoardReport, attached: Collection[str]) -> Covered:
    parts = [_part(cover, report, attached) for cover in named.covered_by]
    verdict, why = _whole(parts)
    found = tuple(one for part in parts for one in part.found)
    return Covered(id=named.id, text=named.text, covered_by=named.covered_by, found=found, verdict=verdict, why=why)


def _whole(parts: Sequence[_Part]) -> tuple[Verdict | None, str]:
    if not parts:
        return Verdict.NOT_RUN, "not covered: no check, limit or evidence is named for it"
    judged = [part.verdict for part in parts if part.verdict is not None]
    if not judged:
        return None, "; ".join(part.why for part in parts)
    verdict = worst(judged)
    told = dict.fromkeys(part.why for part in parts if part.verdict is verdict and part.why)
    return verdict, "; ".join(told)


def _part(cover: str, report: BoardReport, attached: Collection[str]) -> _Part:
    check, _, value = cover.partition(".")
    if check == EVIDENCE:
        if value in attached:
            return _Part((), None, f"evidence attached for {value}, not judged here")
        return _Part((), Verdict.NOT_RUN, f"not tested here, and no evidence is attached for {value}")
    attempts = [one for one in report.checks if one.name == check]
    found = tuple(_found(one, attempt) for attempt in attempts for one in attempt.judged if _is_of(one, value))
    if not attempts or all(one.verdict is Verdict.NOT_RUN and not one.judged for one in attempts):
        return _Part(found, Verdict.NOT_RUN, f"{check} did not run in this run")
    if value and not found:
        return _Part(found, Verdict.NOT_RUN, f"{cover} was not judged in this run")
    return _judged_part(check, attempts, found, whole_check=not value)


def _judged_part(check: str, attempts: Sequence[CheckReport], found: tuple[Found, ...], *, whole_check: bool) -> _Part:
    """A check that did not come to its end counts, whatever single values of it were good."""
    ends = [one.verdict for one in attempts if whole_check or one.verdict in (Verdict.BENCH_ERROR, Verdict.NOT_RUN)]
    verdict = worst([*ends, *(one.verdict for one in found)])
    bad = [one for one in found if one.verdict is verdict and verdict is not Verdict.PASS]
    named = ", ".join(dict.fromkeys(_name(one.judged) for one in bad))
    why = "" if verdict is Verdict.PASS else f"{verdict.value} in {check}{f': {named}' if named else ''}"
    return _Part(found, verdict, why)


def _found(judged: LimitJudged | FactJudged, attempt: CheckReport) -> Found:
    """A waiver covers what its check found, too; a bench error is never waived."""
    is_waived = attempt.verdict is Verdict.WAIVED and judged.verdict in (Verdict.FAIL, Verdict.UNDECIDED)
    return Found(check=attempt.label, judged=judged, verdict=Verdict.WAIVED if is_waived else judged.verdict)


def _is_of(judged: LimitJudged | FactJudged, value: str) -> bool:
    """A limit is judged under its own name, or with a place behind it: 'voltage at 3.60 V' is a voltage."""
    name = _name(judged)
    return not value or name == value or name.startswith(f"{value} ")


def _name(judged: LimitJudged | FactJudged) -> str:
    return judged.limit if isinstance(judged, LimitJudged) else judged.fact
