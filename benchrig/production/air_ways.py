"""What the checks of the air share: whether there is anything to work with, and a board that has joined.

Owns the sentences about a bench or profile without a radio, and what a failed try to join says. Must not judge levels,
bytes or pins.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from benchrig.errors import AirError
from benchrig.procedures.air import join_once
from benchrig.records import Verdict
from benchrig.run_plan import Found

if TYPE_CHECKING:
    from benchrig.board.air import AirJoin, AirPath
    from benchrig.board.air_table import AirPlan
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.air import JoinTry

JOINED = "joined"
"""In `BoardRun.found`: the board has a session, which it keeps over power cuts."""

DEAF = (
    "its request is heard and answered in the right window, and the answer is not: look at its receive windows, at the "
    "clock that times them, and at its key"
)


class Air(NamedTuple):
    """The way to the board's radio, and how it is tried."""

    path: AirPath
    plan: AirPlan


class Joining(NamedTuple):
    """How the board joined: the try that did it, its request, and how many were needed."""

    last: JoinTry
    join: AirJoin
    tries: int


def find_air(run: BoardRun, measure: Check) -> Air | None:
    """The air of this bench, open both ways; None, with the check ended, where it or the plan for it is missing.

    Raises AirError when no gateway, or no broker, is there.
    """
    on = run.on_bench
    if on.profile.air is None:
        measure.end_by(Verdict.NOT_RUN, "the profile plans nothing on the air", next_action="give it a table air")
        return None
    if on.air is None:
        measure.end_by(
            Verdict.NOT_RUN,
            "nothing of this bench hears the board's radio",
            next_action="give the bench file a gateway or a network, and the slot a radio (slots.N.radio)",
        )
        return None
    on.air.wait_until_open()
    return Air(on.air, on.profile.air)


def judge_window(
    measure: Check, path: AirPath, what: str, *, window: int, sent_in: int | None, seen: str | None = None
) -> None:
    """Whether something went down in the window that was planned; a broker does not tell it.

    A bench that was too late for the first window proves nothing of it, and says nothing against the board.
    """
    if sent_in is None:
        measure.not_proven(f"in which receive window {what} went down: {path.name} does not tell")
        return
    measure.fact(
        f"window of {what}",
        expected=f"receive window {window}",
        seen=seen or f"receive window {sent_in}",
        holds=True if sent_in == window else None,
        why="" if sent_in == window else f"the order came too late for window {window}",
        next_action="look at what delays the bench: its computer, its network",
    )


def join(run: BoardRun, measure: Check, air: Air, *, window: int = 1) -> Joining | None:
    """Join, answered in this receive window, with as many tries as are planned.

    None, with the check failed, for a board that never hears the answer. Raises AirError when the air swallows some of
    the requests and so proves nothing, and whatever `join_once` raises.
    """
    tries: list[JoinTry] = []
    while len(tries) < air.plan.tries:
        tries.append(join_once(run.on_bench, air.path, air.plan, window=window))
        last = tries[-1]
        if last.accepted and last.join is not None:
            run.found[JOINED] = Found(1.0, 0.0, "1")
            _tell_tries(measure, tries)
            return Joining(last, last.join, len(tries))
    run.found.pop(JOINED, None)  # what session it has now, nobody knows
    _judge_failed(measure, air, tries)
    return None


def _joins_by_its_word(run: BoardRun, measure: Check, air: Air) -> bool:
    said = ""
    for _ in range(air.plan.tries):
        one = join_once(run.on_bench, air.path, air.plan)
        said = one.said
        if one.accepted:
            run.found[JOINED] = Found(1.0, 0.0, "1")
            return True
    measure.fact(
        "joins",
        expected=f"a board that says one of: {', '.join(air.plan.joined_words)}",
        seen=f"{said!r} after {air.plan.tries} tries",
        holds=False,
        next_action="ask the network what it saw: no request, another key, a used nonce, or an answer not heard",
    )
    measure.end_by(Verdict.FAIL, "the board did not join")
    return False


def _judge_failed(measure: Check, air: Air, tries: list[JoinTry]) -> None:
    heard = sum(one.join is not None for one in tries)
    if 0 < heard < len(tries):
        raise AirError(
            f"{air.path.name}: of {len(tries)} join-requests {heard} were heard, and no answer reached the board: the "
            "air loses frames; look at antennas, cables and what else is on the air, then run again"
        )
    seen = f"{tries[-1].said!r}, {heard} of {len(tries)} requests heard and answered"
    measure.fact(
        "joins",
        expected=f"a board that says one of: {', '.join(air.plan.joined_words)}",
        seen=seen,
        holds=False,
        next_action=DEAF if heard else "no request was heard: look at its radio, its antenna and its channels",
    )
    measure.end_by(Verdict.FAIL, "the board did not join")


def _tell_tries(measure: Check, tries: list[JoinTry]) -> None:
    """A success that was not the first try leaves something open."""
    if len(tries) > 1:
        lost = ", ".join("request not heard" if one.join is None else "answer not heard" for one in tries[:-1])
        measure.not_proven(
            f"that every join is heard: it took {len(tries)} tries ({lost})",
            next_action="look at antennas and levels; uplink_hops tells whether frames get lost",
        )


def must_be_joined(run: BoardRun, measure: Check, air: Air) -> bool:
    """Whether the board has a session; where no check has asked it to join yet, it is asked now.

    Behind a broker nobody sees its requests: there its own word counts.
    """
    if JOINED in run.found:
        return True
    if not air.path.can_join:
        return _joins_by_its_word(run, measure, air)
    if "join" in run.checks:
        measure.end_by(Verdict.NOT_RUN, "the board did not join", next_action="see the check join")
        return False
    return join(run, measure, air) is not None
