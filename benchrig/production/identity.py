"""Who the board is, at the start and at the end."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from benchrig.errors import BoardError
from benchrig.procedures.power import ready
from benchrig.procedures.stamps import stamp_uncertainty_s
from benchrig.reading import Reading
from benchrig.store.identities import UNIQUE, clashes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.board.board import BoardIdentity
    from benchrig.board_run import BoardRun
    from benchrig.check import Check


def check_identity_start(run: BoardRun, measure: Check) -> None:
    """Boot, then who it is. A board that does not answer, or is another, ends the run for everything after."""
    on = run.on_bench
    began_s = on.power.on_since_s or 0.0
    try:
        with on.phases("board"):
            boot = on.board.wait_for_boot(after_s=began_s)
            identity = on.board.identity()
    except BoardError as wrong:
        run.block("board", f"the board does not answer on its console: {wrong.message.split(';')[0]}")
        raise
    boot_time = Reading(
        boot.line.began_s - began_s,
        "s",
        stamp_uncertainty_s(run.clock, stalled_s=run.stalls.worst_s(began_s)),
        "console",
        repr(boot.line.text),
        boot.line.began_s,
    )
    measure("boot_time", measure.reading("boot time", boot_time), next_action="look at the reset line and the clock")
    run.identity = identity
    said = {name: str(value) for name, value in asdict(identity).items() if name != "boots" and value}
    measure.identity(said)
    _judge_uniqueness(run, measure, said)
    _judge_identity(run, measure, identity)


def _judge_uniqueness(run: BoardRun, measure: Check, said: Mapping[str, str]) -> None:
    """Against all boards of the history; without one nobody can say."""
    others = run.plan.said_by_others
    if others is None or not any(said.get(kind) for kind in UNIQUE):
        return
    wrong = clashes(run.plan.board, said, others)
    measure.fact(
        "identity of its own",
        expected="said by no other board of the history",
        seen="; ".join(wrong) or "said by this board alone",
        holds=not wrong,
        next_action="give this board an identity of its own, then run it again",
    )


def _judge_identity(run: BoardRun, measure: Check, identity: BoardIdentity) -> None:
    plan = run.plan.profile.identity
    same = identity.serial == run.plan.board
    measure.fact(
        "serial number",
        expected=run.plan.board,
        seen=identity.serial,
        holds=same,
        next_action="label and board do not belong together: scan the label again, or correct the label",
    )
    if not same:
        run.block("board", f"the board on the bench says it is {identity.serial}, the label says {run.plan.board}")
    flash = "flash the firmware that the profile names, or name in the profile the one that should be there"
    _equal(measure, "firmware", expected=plan.firmware, seen=identity.firmware, next_action=flash)
    if plan.image:
        _equal(measure, "firmware image", expected=plan.image, seen=identity.image, next_action=flash)


def _equal(measure: Check, name: str, *, expected: str, seen: str, next_action: str) -> None:
    measure.fact(name, expected=expected, seen=seen, holds=seen == expected, next_action=next_action)


def check_identity_end(run: BoardRun, measure: Check) -> None:
    """The same serial number, and as many restarts as this run ordered itself."""
    on, start = run.on_bench, run.identity
    ready(on)
    identity = on.board.identity()
    expected = start.serial if start else run.plan.board
    _equal(
        measure,
        "serial number",
        expected=expected,
        seen=identity.serial,
        next_action="the board was changed during the run: run again, and leave it alone",
    )
    if start is None:
        measure.fact(
            "restarts",
            expected="none",
            seen="unknown",
            holds=None,
            why="the start was not seen",
            next_action="run the check identity_start before this one",
        )
        return
    ordered = on.power.power_ups - 1
    seen = identity.boots - start.boots
    measure.fact(
        "restarts",
        expected=f"{ordered} since the start, as ordered",
        seen=str(seen),
        holds=seen == ordered,
        next_action="the board restarts by itself: look at its supply under load and at the watchdog",
    )
