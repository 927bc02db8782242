"""First touch: power at a low limit before anything else, so that a strange board is not hurt.

Tells apart, from what the terminals do while the limit acts: a short, a reversed board, an open one, no
contact at all - and an input capacitor, which holds the supply in its limit only for a moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.procedures.terminals import wait_for_terminals

if TYPE_CHECKING:
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

_POLL_S = 0.01
_CONTACT_RATIO = 0.5


@dataclass(frozen=True)
class FirstTouch:
    """What was found. `finding` is '' for a board that may be powered; `charged_to` is 'board' or 'bench'."""

    finding: str
    next_action: str
    charged_to: str
    terminals: Reading
    current: Reading
    inrush_s: float


def first_touch(on: OnBench) -> FirstTouch:
    """Power the board at the profile's low limit and say what it is. Leaves the output on only for a sound board."""
    plan, supply = on.profile.first_touch, on.bench.supply
    supply.set_limits(current_limit_a=plan.current_limit_a, protection_v=on.profile.power.protection_v)
    supply.set_voltage(plan.voltage_v)
    supply.output_on()
    on.power.on_since_s = on.clock.now_s()
    on.power.power_ups += 1
    inrush_s = _wait_out_inrush(on)
    terminals = on.record("terminals at the low limit", on.bench.terminals.read_voltage())
    current = on.record("current at the low limit", supply.read_current())
    finding, next_action, charged_to = _finding(on, terminals, current, limiting=supply.is_limiting())
    if finding:
        supply.output_off()
        on.power.on_since_s = None
    else:
        wait_for_terminals(on)
    return FirstTouch(finding, next_action, charged_to, terminals, current, inrush_s)


def _wait_out_inrush(on: OnBench) -> float:
    """Bench seconds until the current limit let go; the profile's inrush time at most."""
    began_s = on.clock.now_s()
    with on.phases("board"):
        while on.bench.supply.is_limiting() and on.clock.now_s() - began_s < on.profile.first_touch.inrush_s:
            on.clock.sleep(_POLL_S)
    return on.clock.now_s() - began_s


def _finding(on: OnBench, terminals: Reading, current: Reading, *, limiting: bool) -> tuple[str, str, str]:
    plan = on.profile.first_touch
    held = f"{terminals.value:.3f} V at {current.value * 1000:.1f} mA"
    if limiting and terminals.value < plan.short_below_v:
        return (
            f"short circuit: the terminals are held at {held}",
            "look for a solder bridge at the battery input; measure ohms there with the board off the bench",
            "board",
        )
    if limiting and terminals.value < plan.reversed_below_v:
        return (
            f"reversed polarity: the terminals are held at a diode's voltage, {held}",
            "turn the board; if it lies right, look for a reversed protection part",
            "board",
        )
    if limiting:
        return (
            f"too much current: still at the limit of {plan.current_limit_a:g} A after {plan.inrush_s:g} s, {held}",
            "look for a part that gets warm",
            "board",
        )
    if current.value >= plan.open_below_a:
        return ("", "", "")
    if terminals.value < _CONTACT_RATIO * plan.voltage_v:
        return (
            f"no contact: the terminals carry {held} while the supply gives {plan.voltage_v:g} V",
            "re-seat the board, clean or replace the contact pins, then run again",
            "bench",
        )
    return (
        f"open: the terminals carry {held}, and no current flows",
        "look for a blown fuse or an unsoldered part behind the battery input",
        "board",
    )
