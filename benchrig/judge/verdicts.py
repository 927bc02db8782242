"""From verdicts of limits to the verdict of a check, and from checks to the verdict of a board.

Owns the order of verdicts and the completeness rule. Must not know who measured, nor today's date: whether a
waiver is still valid is settled before it comes here.

The rule: absence is not success. A board passes only if its run is complete, at least one check is required,
and every required check ended as pass or waived. The order of what counts more is the project's own:
bench error (the run proves nothing about the board), fail, undecided, not run, waived, pass.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

import msgspec

from benchrig.records import RunState, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

_WORST_FIRST = (
    Verdict.BENCH_ERROR,
    Verdict.FAIL,
    Verdict.UNDECIDED,
    Verdict.NOT_RUN,
    Verdict.WAIVED,
    Verdict.PASS,
)
_RANK = {verdict: rank for rank, verdict in enumerate(_WORST_FIRST)}

_COUNTS_IF_NOT_REQUIRED = frozenset((Verdict.BENCH_ERROR, Verdict.FAIL))
"""A check that nobody required cannot make a board incomplete, but what it found cannot be unseen."""

_WAIVABLE = frozenset((Verdict.FAIL, Verdict.UNDECIDED))
"""A waiver accepts a result that is known. A bench error is none, and neither is a check that did not run."""

_NO_WAIVERS: Mapping[str, str] = MappingProxyType({})


class BoardVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """What the run says of the board.

    `complete`: the run came to its end and every required check was judged or waived. `missing`: required checks
    without a result, in the order of the requirement. `waived`: required checks that count by waiver.
    """

    verdict: Verdict
    complete: bool
    missing: tuple[str, ...]
    waived: tuple[str, ...] = ()
    why: str


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict that counts most. Of nothing it is *not run*: a check that judged nothing proved nothing."""
    return min(verdicts, key=_RANK.__getitem__, default=Verdict.NOT_RUN)


def board_verdict(
    required: Sequence[str],
    finished: Mapping[str, Verdict],
    state: RunState,
    waivers: Mapping[str, str] = _NO_WAIVERS,
) -> BoardVerdict:
    """The verdict of a board from its required checks, the verdicts of finished checks and the run's state.

    `waivers` maps a check to who waived it, why and until when; one without words is void. It covers a check
    that failed or stayed undecided. A check that could not run at all counts as waived only if it was finished
    as waived.
    """
    names = tuple(dict.fromkeys(required))
    counted = {name: finished.get(name, Verdict.NOT_RUN) for name in names}
    for name, verdict in counted.items():
        if verdict in _WAIVABLE and waivers.get(name, "").strip():
            counted[name] = Verdict.WAIVED
    missing = tuple(name for name, verdict in counted.items() if verdict is Verdict.NOT_RUN)
    extra = {
        name: verdict
        for name, verdict in finished.items()
        if name not in counted and verdict in _COUNTS_IF_NOT_REQUIRED
    }
    complete = state is RunState.COMPLETE and bool(names) and not missing
    verdict = _of_all(counted | extra, complete=complete)
    return BoardVerdict(
        verdict=verdict,
        complete=complete,
        missing=missing,
        waived=tuple(name for name in names if counted[name] is Verdict.WAIVED),
        why=_why(verdict, counted | extra, state=state, complete=complete),
    )


def _of_all(counted: Mapping[str, Verdict], *, complete: bool) -> Verdict:
    verdict = worst(counted.values())
    if verdict in (Verdict.PASS, Verdict.WAIVED):
        return Verdict.PASS if complete else Verdict.NOT_RUN
    return verdict


def _why(verdict: Verdict, counted: Mapping[str, Verdict], *, state: RunState, complete: bool) -> str:
    named = ", ".join(name for name, its in counted.items() if its is verdict)
    waived = ", ".join(name for name, its in counted.items() if its is Verdict.WAIVED)
    if verdict is Verdict.BENCH_ERROR:
        return f"the bench failed in {named}: the run proves nothing about the board; repair the bench, run again"
    if verdict in (Verdict.FAIL, Verdict.UNDECIDED):
        return f"{verdict.value}: {named}" + ("" if complete else f"; {_why_incomplete(counted, state)}")
    if verdict is Verdict.NOT_RUN:
        return _why_incomplete(counted, state)
    return "every required check passed" + (f" or is waived (waived: {waived})" if waived else "")


def _why_incomplete(counted: Mapping[str, Verdict], state: RunState) -> str:
    missing = ", ".join(name for name, verdict in counted.items() if verdict is Verdict.NOT_RUN)
    reasons = []
    if not counted:
        reasons.append("no check is required, so nothing can be proven")
    if state is not RunState.COMPLETE:
        reasons.append(f"the run is {state.value}, not complete")
    if missing:
        reasons.append(f"not run: {missing}")
    return "; ".join(reasons) or "no required check ran"
