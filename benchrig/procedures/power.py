"""Brings the board to its normal working state, and the output off again. Every check begins with `ready`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import BoardOverload, InstrumentUnfit
from benchrig.judge.parts import budget_of
from benchrig.procedures.first_touch import first_touch
from benchrig.procedures.terminals import set_battery

if TYPE_CHECKING:
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

_POLL_S = 0.01
_COVERAGE_FACTOR = 2.0


def ready(on: OnBench) -> None:
    """Normal limits and nominal voltage; after a check that lost the board, one power cycle on purpose.

    A board without power is touched at the low limit first, whatever checks were chosen before this one. Raises
    BoardTimeout when the board does not boot, and BoardOverload or InstrumentUnfit for what the touch finds.
    """
    power, supply = on.profile.power, on.bench.supply
    if on.power.on_since_s is None:
        _touch_first(on)
    if supply.current_limit_a != power.current_limit_a:
        supply.set_limits(current_limit_a=power.current_limit_a, protection_v=power.protection_v)
    on.board.reopen_links()
    if on.power.suspect:
        power_cycle(on)
    elif supply.setpoint_v != power.nominal_v:
        set_battery(on, power.nominal_v, settle_s=0.0)


def _touch_first(on: OnBench) -> None:
    on.board.reopen_links()
    found = first_touch(on)
    if found.finding:
        blame = BoardOverload if found.charged_to == "board" else InstrumentUnfit
        raise blame(f"{found.finding}; {found.next_action}")
    on.power.suspect = False
    if on.power.on_since_s is not None:
        with on.phases("board"):
            on.board.wait_for_boot(after_s=on.power.on_since_s)


def power_cycle(on: OnBench) -> None:
    """Off until the terminals are down, on again, wait for the boot notice. Raises BoardTimeout."""
    switch_off(on)
    supply = on.bench.supply
    supply.set_voltage(on.profile.power.nominal_v)
    supply.output_on()
    on.power.on_since_s = on.clock.now_s()
    on.power.power_ups += 1
    on.power.suspect = False
    with on.phases("board"):
        on.board.wait_for_boot(after_s=on.power.on_since_s)


def switch_off(on: OnBench) -> Reading:
    """Output off, then wait until the terminals are surely below the profile's level or its time is over.

    Surely is by more than the reading's own expanded uncertainty: the first one below would be undecided by chance. A
    meter that is never so certain is taken at its word. Returns the last terminal voltage; whoever asked judges it.
    Raises InstrumentUnfit for a stuck output.
    """
    on.bench.supply.output_off()
    on.power.on_since_s = None
    deadline_s = on.clock.now_s() + on.profile.power.off_within_s
    with on.phases("board"):
        while True:
            asked_s = on.clock.now_s()
            reading = on.bench.terminals.read_voltage()
            if _is_down(reading, on.profile.power.off_below_v) or asked_s > deadline_s:
                return reading
            on.clock.sleep(_POLL_S)


def _is_down(reading: Reading, below_v: float) -> bool:
    budget = budget_of(reading.parts, unit=reading.unit)
    expanded_v = budget.expanded().uncertainty if budget else _COVERAGE_FACTOR * reading.standard_uncertainty
    return reading.value < (below_v - expanded_v if expanded_v < below_v else below_v)
