"""After a run that did not pass: what is most likely wrong, and what would tell it from the next, as an annex.

Owns the words of the annex. Ranks by the circuit of the board's profile; a profile without one has no annex. Judges
nothing: the verdict of the run stands before this is asked.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.diagnosis import ANOTHER, diagnose
from benchrig.production.signature_of_run import signature_of
from benchrig.records import Annex, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from benchrig.board.profile import BoardProfile
    from benchrig.board_run import BoardRun
    from benchrig.judge.diagnosis import Cause, Diagnosis, Group
    from benchrig.judge.diagnosis_split import Split
    from benchrig.report.board_report import BoardReport

TITLE = "most likely causes"
_RANKS = 3
_MOST_IN_GROUP = 5
_JUDGED = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.BENCH_ERROR)


def note_causes(run: BoardRun) -> None:
    """Write the annex into the journal of a run that did not pass. Call it when everything is switched off."""
    report = run.report()
    found = diagnose_run(report, run.plan.profile)
    if found is not None:
        run.write(Annex(title=TITLE, lines=tuple(cause_lines(found)), at_s=run.now_s()))


def diagnose_run(report: BoardReport, profile: BoardProfile) -> Diagnosis | None:
    """The ranked causes of a run's records; None without a circuit, or when nothing was found against anybody."""
    if profile.circuit is None or not any(check.verdict in _JUDGED for check in report.checks):
        return None
    seen, plan = signature_of(report, profile)
    failed = any(check.verdict is Verdict.FAIL for check in report.checks)
    return diagnose(seen, profile.circuit, plan, failed=failed)


def cause_lines(found: Diagnosis) -> Iterator[str]:
    """The annex, line by line: rank, share, whose, cause; then what would tell it from the others."""
    yield f"by {found.features} features against the circuit of the profile; shares are a ranking, not a verdict"
    if not found.fits:
        yield "no cause of the list explains all of it well: take the ranks as a hint, and look further"
    ranked = found.groups[:_RANKS]
    for rank, group in enumerate(ranked, 1):
        yield from _group_lines(rank, group)
        split = found.against_next[rank - 1] if rank < len(ranked) else None
        if split is not None:
            yield from _split_lines(
                f"tells {rank} from {rank + 1}", split, _numbered(ranked[rank - 1], ranked[rank], rank)
            )
    rest = found.groups[_RANKS:]
    if rest:
        yield f"{len(rest)} more, together {_percent(sum(group.share for group in rest))}"


def _group_lines(rank: int, group: Group) -> Iterator[str]:
    if len(group.causes) == 1:
        yield f"{rank}. {_percent(group.share)}  {_whose(group.causes[0])}: {group.causes[0].text}"
        return
    sides = " or ".join(group.sides)
    count = len(group.causes)
    yield f"{rank}. {_percent(group.share)}  {sides}: {count} causes that these measurements cannot tell apart"
    letters = _letters(group)
    for cause in group.causes[:_MOST_IN_GROUP]:
        yield f"     {letters[cause.key]}) {_percent(cause.share)}  {_whose(cause)}: {cause.text}"
    hidden = len(group.causes) - _MOST_IN_GROUP
    if hidden > 0:
        yield f"     and {hidden} more"
    if group.split is None:
        yield "     no measurement that is known here tells them apart"
    else:
        yield from _split_lines("tells them apart", group.split, letters)


def _split_lines(what: str, split: Split, names: Mapping[str, str]) -> Iterator[str]:
    readings = (
        f"{outcome.reading} if {'/'.join(shown)}"
        for outcome in split.outcomes
        if (shown := [names[key] for key in outcome.keys if key in names])
    )
    yield f"     {what}: {split.measurement}: {'; '.join(readings)}"


def _letters(group: Group) -> dict[str, str]:
    return {cause.key: chr(ord("a") + index) for index, cause in enumerate(group.causes[:_MOST_IN_GROUP])}


def _numbered(one: Group, other: Group, rank: int) -> dict[str, str]:
    return {one.causes[0].key: str(rank), other.causes[0].key: str(rank + 1)}


def _whose(cause: Cause) -> str:
    """Who is charged; a suspicion against the bench is called one."""
    if cause.key == ANOTHER:
        return "board or bench"
    return "bench suspected" if cause.side == "bench" else "board"


def _percent(share: float) -> str:
    if share < 0.01:
        return "< 1 %"
    return f"{100.0 * share:.0f} %" if share <= 0.99 else "> 99 % of the causes listed"
