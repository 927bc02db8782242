"""What is awaited of the air, found in the events behind a mark: joins, requests, uplinks, downlinks and their ends.

Owns when each has come, and which event ends a wait by an error and against whom. Must not know how long anybody waits.
`path` is the name of the way, for sentences.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.air import (
    AirDownlink,
    AirEvent,
    AirJoin,
    AirRefusal,
    AirUplink,
    DownlinkRefused,
    DownlinkSettled,
    DownlinkTaken,
    level_text,
)
from benchrig.board.air_events import BY_BOARD, BY_JOIN
from benchrig.errors import BoardProtocolError, GatewayError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.protocol.network_events import Why


def find_join(events: Sequence[AirEvent], *, path: str) -> AirJoin | None:
    """The first join whose answer a gateway took. Raises GatewayError, BoardProtocolError."""
    for place, event in enumerate(events):
        _charge(event, BY_JOIN, "a join was awaited")
        if isinstance(event, AirJoin) and event.answered and (answer := _answer_to(events[place + 1 :])):
            if isinstance(answer, DownlinkRefused):
                raise GatewayError(f"{path}: the answer to the join was not sent: {answer.reason}")
            return event
    return None


def find_request(events: Sequence[AirEvent], *, number: int) -> AirJoin | None:
    """The join-request of this number, answered or not. Raises BoardProtocolError."""
    requests: list[AirJoin] = []
    for event in events:
        _charge(event, BY_JOIN, "a join was awaited")
        requests += [event] if isinstance(event, AirJoin) else []
    return requests[number - 1] if len(requests) >= number else None


def find_uplink(events: Sequence[AirEvent], *, counter: int | None, port: int | None) -> AirUplink | None:
    """The first uplink of this counter and port. Raises BoardProtocolError for a bad frame before it."""
    for event in events:
        if isinstance(event, AirUplink) and counter in (None, event.counter) and port in (None, event.port):
            return event
        _charge(event, BY_BOARD, "an uplink was awaited")
    return None


def find_downlink(events: Sequence[AirEvent], *, item: int, path: str) -> AirDownlink | None:
    """The order that took an item, once a gateway has taken it. Raises GatewayError for one that was refused."""
    taken = {event.number for event in events if isinstance(event, DownlinkTaken)}
    for event in events:
        if isinstance(event, AirDownlink) and event.item == item and event.number in taken:
            return event
    for event in events:
        if isinstance(event, DownlinkRefused) and event.item == item:
            raise GatewayError(f"{path}: downlink {item} was not sent: {event.reason}; send it again")
    return None


def find_settled(events: Sequence[AirEvent], *, item: int) -> DownlinkSettled | None:
    """How a confirmed downlink ended."""
    return next((one for one in events if isinstance(one, DownlinkSettled) and one.item == item), None)


def _answer_to(events: Sequence[AirEvent]) -> DownlinkTaken | DownlinkRefused | None:
    """What became of the answer to a join, by the events behind it: an order without counter and item."""
    orders: set[int] = set()
    for event in events:
        if isinstance(event, AirDownlink) and event.counter is None:
            orders.add(event.number)
        if isinstance(event, DownlinkTaken) and event.number in orders:
            return event
        if isinstance(event, DownlinkRefused) and event.item is None:
            return event
    return None


def _charge(event: AirEvent, reasons: frozenset[Why], awaited: str) -> None:
    """Raise BoardProtocolError for a frame by which the board broke its protocol."""
    if isinstance(event, AirRefusal) and event.why in reasons:
        levels = level_text(event.levels)
        heard = f" ({levels})" if levels else ""
        raise BoardProtocolError(f"{awaited} and refused: {event.why}: {event.detail}{heard}")
