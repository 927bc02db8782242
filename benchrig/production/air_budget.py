"""The price of a run on the air, said and written down before power; a run that would break a limit stays off the air.

Owns these words and the refusal: only the checks that need the air are not run then, and the numbers say why. What was
spent outlasts the tool in the files of `board.air_state`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.air_price import FRAME_BYTES, demand_of
from benchrig.records import Annex

if TYPE_CHECKING:
    from collections.abc import Collection

    from benchrig.board.profile import BoardProfile
    from benchrig.board_run import BoardRun

TITLE = "airtime, priced before power"
_WAIT = "wait until enough of the hour is over, or choose fewer checks"


def price_air(run: BoardRun, checks: Collection[str]) -> str:
    """The price of these checks in a line; '' where none needs the air, or others keep its account.

    Raises ConfigError for a plan that has no price in the region.
    """
    on = run.on_bench
    if on.air is None or on.profile.air is None:
        return ""
    transmit = on.profile.transmit
    demand = demand_of(
        on.profile.air, checks, spreading_factor=transmit.spreading_factor, uplink_bytes=_uplink_bytes(on.profile)
    )
    price = on.air.price(demand) if demand else None
    if price is None:
        return ""
    refusals = price.planned.refusals
    run.write(Annex(title=TITLE, lines=(*price.lines, *refusals), at_s=run.now_s()))
    if refusals:
        run.block("air", f"it would break a limit of the air: {'; '.join(refusals)}; {_WAIT}")
        return f"air: refused: {'; '.join(refusals)}; the checks of the air are not run: {_WAIT}"
    return f"air: {'; '.join(price.lines)}"


def _uplink_bytes(profile: BoardProfile) -> int:
    field_map = profile.field_map
    payload = field_map.least_bytes if field_map.length_bytes is None else field_map.length_bytes
    return profile.transmit.phy_payload_bytes or FRAME_BYTES + payload
