"""What happens in the bench's own network, turned into what a check sees of the air.

Owns that mapping alone: events of `protocol.network_events` in, values of `board.air` out. Must not know gateways or
time: an event brings its own, and whoever has a clock says when it is now.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.air import (
    AirDownlink,
    AirEvent,
    AirJoin,
    AirLevel,
    AirRefusal,
    AirRepeat,
    AirUplink,
    DownlinkRefused,
    DownlinkSettled,
)
from benchrig.protocol.lorawan_frame import eui_text
from benchrig.protocol.network_events import (
    Acknowledged,
    DownlinkOrder,
    GivenUp,
    Joined,
    NotSent,
    Reception,
    Refused,
    Repeated,
    Uplink,
    Why,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.protocol.network_events import NetworkEvent

BY_JOIN = frozenset((Why.WRONG_KEY, Why.WRONG_IDENTITY, Why.NONCE_REUSED))
"""Refusals of a join-request that are the board's own fault."""

BY_BOARD = BY_JOIN | {Why.BAD_MIC, Why.REPLAY, Why.GAP, Why.COUNTER_REUSED}
"""Refusals of any frame that are the board's own fault."""


def as_told(event: NetworkEvent, *, at_s: float) -> AirEvent:  # noqa: PLR0911 - one line for each kind of event
    """The event as a check sees it; `at_s` is now, for what has no time of its own."""
    match event:
        case Joined():
            return _join(event)
        case Uplink():
            return _uplink(event)
        case Repeated():
            return AirRepeat(at_s=event.receptions[0].at_s, counter=event.counter, attempt=event.attempt)
        case Refused():
            by_board = event.why in BY_BOARD
            levels = _levels(event.receptions)
            return AirRefusal(at_s=at_s, why=event.why, detail=event.detail, by_board=by_board, levels=levels)
        case DownlinkOrder():
            return _downlink(event, at_s)
        case NotSent():
            return DownlinkRefused(at_s=at_s, item=event.item, reason=event.reason)
        case Acknowledged() | GivenUp():
            good = isinstance(event, Acknowledged)
            return DownlinkSettled(at_s=at_s, item=event.item, tries=event.tries, acknowledged=good)


def _levels(receptions: Iterable[Reception]) -> tuple[AirLevel, ...]:
    return tuple(
        AirLevel(
            gateway=eui_text(one.gateway),
            rssi_dbm=one.rssi_dbm,
            snr_db=one.snr_db,
            frequency_hz=one.frequency_hz,
            rate=one.rate,
            counter_us=one.counter_us,
        )
        for one in receptions
    )


def _join(event: Joined) -> AirJoin:
    return AirJoin(
        at_s=event.receptions[0].at_s,
        dev_nonce=event.dev_nonce,
        app_nonce=event.app_nonce,
        dev_addr=event.dev_addr,
        levels=_levels(event.receptions),
        airtime_us=event.airtime_us,
        notes=event.notes,
        answered=event.answered,
    )


def _uplink(event: Uplink) -> AirUplink:
    return AirUplink(
        at_s=min(one.at_s for one in event.receptions),
        counter=event.counter,
        port=event.port,
        payload=event.payload,
        levels=_levels(event.receptions),
        confirmed=event.confirmed,
        missed=event.missed,
        airtime_us=event.airtime_us,
        told_time=event.receptions[0].time,
        notes=event.notes,
    )


def _downlink(order: DownlinkOrder, at_s: float) -> AirDownlink:
    return AirDownlink(
        at_s=at_s,
        number=order.number,
        item=order.item,
        gateway=eui_text(order.gateway),
        window=order.window,
        counter=order.counter,
        frequency_hz=order.packet.frequency_hz,
        rate=order.packet.rate,
        airtime_us=order.airtime_us,
    )
