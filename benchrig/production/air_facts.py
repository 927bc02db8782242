"""What uplinks say of themselves beside their bytes: whose they are, and whether they want an acknowledgement."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.protocol.lorawan_frame import eui_text, reversed_eui

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.air import AirUplink
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.production.air_ways import Air


def judge_identity(run: BoardRun, measure: Check, air: Air) -> None:
    """The identity that the console told at the start against the one on the air; nothing where it told none."""
    told = run.identity.eui.upper() if run.identity else ""
    if not told:
        return
    on_air = eui_text(air.path.device_eui)
    is_turned = told == eui_text(reversed_eui(air.path.device_eui)) and told != on_air
    measure.fact(
        "identity on the air",
        expected=on_air,
        seen=f"{told} on the console{', the same in the other byte order' if is_turned else ''}",
        holds=told == on_air,
        next_action="label, keys file and modem must name one identity, most significant byte first: compare them",
    )


def judge_confirmed(measure: Check, air: Air, heard: Sequence[AirUplink]) -> None:
    """The flag of every frame. A network behind a broker does not tell it."""
    if not air.path.can_time:
        measure.not_proven(f"whether uplinks are confirmed: {air.path.name} does not tell")
        return
    if not heard:
        return
    wanted = air.plan.confirmed
    other = sum(one.confirmed is not wanted for one in heard)
    measure.fact(
        "confirmed flag",
        expected=f"{_word(wanted)} uplinks",
        seen=f"{other} of {len(heard)} {_word(not wanted)}" if other else f"so in all {len(heard)} frames",
        holds=not other,
        next_action="look at the modem's setting: each confirmed uplink costs the network a downlink, and is repeated "
        "without one",
    )


def _word(is_confirmed: bool) -> str:
    return "confirmed" if is_confirmed else "unconfirmed"
