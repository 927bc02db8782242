"""Whether a board is alive, and how one that is not is brought back: first by nominal volts, then by a power cut.

Dead is told by the current, at once; alive by an answer. A board that draws current and says nothing is not alive.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import BoardError
from benchrig.procedures.power import switch_off
from benchrig.procedures.terminals import set_battery

if TYPE_CHECKING:
    from benchrig.procedures.on_bench import OnBench
    from benchrig.protocol.console import Notice

_POLL_S = 0.02


def draws_current(on: OnBench, alive_above_a: float) -> bool:
    """Whether the supply gives more than a dead board takes."""
    return on.bench.supply.read_current().value >= alive_above_a


def boots(on: OnBench, *, alive_above_a: float) -> int | None:
    """The board's count of restarts, by its identity; None when it draws no current or does not answer."""
    if not draws_current(on, alive_above_a):
        return None
    try:
        with on.phases("board"):
            answer = on.board.console.ask("identity", expected_notices=("boot",))
            return int(answer.fields["boots"])
    except (BoardError, ValueError, KeyError):
        return None


def boot_notice(on: OnBench, *, after_s: float, within_s: float) -> Notice | None:
    """The first boot notice after a bench time, waited for until `within_s` from now; None when none comes."""
    try:
        with on.phases("board"):
            return on.board.console.wait_for_notice(
                "boot", began_after_s=after_s, timeout_s=within_s, expected_notices=("boot",)
            )
    except BoardError:
        return None


def restore(on: OnBench, *, alive_above_a: float, off_s: float) -> int:
    """Nominal volts and an awake board that answers; returns its count of restarts.

    A board that stays dead at nominal is cut off for `off_s`. Raises BoardTimeout when not even that helps.
    """
    began_s = on.clock.now_s()
    was_dead = not draws_current(on, alive_above_a)
    if on.bench.supply.setpoint_v != on.profile.power.nominal_v:
        set_battery(on, on.profile.power.nominal_v, settle_s=0.0)
    if was_dead:
        boot_notice(on, after_s=began_s, within_s=on.profile.identity.boot_s)
    count = boots(on, alive_above_a=alive_above_a)
    if count is not None:
        return count
    cut(on, off_s=off_s)
    return on.board.identity().boots


def cut(on: OnBench, *, off_s: float) -> None:
    """Take the battery away until the terminals are down and `off_s` more, give it back, wait for the boot notice."""
    switch_off(on)
    on.clock.sleep(off_s)
    supply = on.bench.supply
    supply.set_voltage(on.profile.power.nominal_v)
    on.power.on_since_s = on.clock.now_s()  # before the command: a board may boot while the supply still answers
    supply.output_on()
    on.power.power_ups += 1
    with on.phases("board"):
        on.board.wait_for_boot(after_s=on.power.on_since_s)
