"""Whether something besides the supply feeds a sleeping board: then its floor is no figure of the board.

Owns the three ways to tell, and the words. All three are charged to the bench: what feeds the board lies there. A feed
that is less than what the board takes asleep lifts no rail and turns no current, and is not seen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import InstrumentUnfit
from benchrig.judge.parts import difference_u
from benchrig.procedures.rail_asleep import LIFTED

if TYPE_CHECKING:
    from benchrig.judge.decision import Limit
    from benchrig.judge.segments import Segmentation
    from benchrig.procedures.rail_asleep import RailAsleep
    from benchrig.reading import Reading

_SURE_U = 2.0
"""What is more than so many standard uncertainties off is no reading error. Common practice, no source."""

_AWAKE_A = 1e-3
"""A wake that draws so much shows that the board lives. Own choice."""

_ACT = (
    "something else feeds the board, such as a serial adapter that stays powered, or a solar source; unplug it, or use "
    "an adapter that a closed port leaves unpowered"
)


def refuse_if_fed(floor: Reading, found: Segmentation, rail: RailAsleep, *, limit: Limit | None, source: str) -> None:
    """Raise InstrumentUnfit for a floor that something else feeds. `limit` is the profile's of the floor."""
    why = _backwards(floor) or _nothing_drawn(floor, found, limit) or _lifted(floor, rail, limit)
    if why:
        raise InstrumentUnfit(f"recorder {source}: {why}: {_ACT}", source)


def _backwards(floor: Reading) -> str:
    if floor.value >= -_SURE_U * floor.standard_uncertainty:
        return ""
    return f"a floor of {floor.value * 1e6:.1f} uA flows out of the board (accepted: none does)"


def _nothing_drawn(floor: Reading, found: Segmentation, limit: Limit | None) -> str:
    """None of the battery's current between wakes that draw milliamperes, though the profile says what sleeps there."""
    uncertain_a = _SURE_U * floor.standard_uncertainty
    if limit is None or limit.low is None or floor.value > uncertain_a or floor.value + uncertain_a >= limit.low:
        return ""
    highest_a = float(found.events.plateau_a.max()) if found.events.plateau_a.size else 0.0
    if highest_a < _AWAKE_A:
        return ""
    return (
        f"the board wakes and then draws {highest_a * 1e3:.1f} mA, and between its wakes nothing, "
        f"{floor.value * 1e6:.2f} uA (accepted: from {limit.low * 1e6:g} uA)"
    )


def _lifted(floor: Reading, rail: RailAsleep, limit: Limit | None) -> str:
    """A rail above what the converter makes of it. A leak of the converter itself would show as too high a floor."""
    awake, asleep = rail.awake, rail.asleep
    if awake is None or asleep is None or (limit and limit.high is not None and floor.value > limit.high):
        return ""
    above_v = asleep.value - awake.value
    allowed_v = LIFTED * awake.value + _SURE_U * difference_u(asleep, awake)
    if not above_v > allowed_v:
        return ""
    return (
        f"asleep, with the console released, the rail stands at {asleep.value:.3f} V, {above_v * 1e3:.0f} mV above "
        f"what it is awake (accepted: up to {allowed_v * 1e3:.0f} mV), so that the floor of "
        f"{floor.value * 1e6:.1f} uA lacks what the rail is given"
    )
