"""The network's side of the talk with gateways: what to answer to each datagram, and what came to light by it.

Owns tokens, where each gateway last opened its way for downlinks, and counts. Must not know sockets: whoever owns one
hands over bytes with the sender's address, of whatever type, and sends what comes out. A bad datagram is counted and
survived; one that a gateway sends again, because our answer was lost, is answered again and its packets are not
handed over twice.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar

from benchrig.protocol.packet_forwarder import (
    PullAck,
    PullData,
    PullResp,
    PushAck,
    PushData,
    TxAck,
    build_datagram,
    parse_datagram,
)

if TYPE_CHECKING:
    from benchrig.protocol.gateway_packets import GatewayStatus, ReceivedPacket, RejectedPacket, TransmitPacket

Address = TypeVar("Address", bound=Hashable)

_REMEMBERED = 64
"""Datagrams whose repetition is recognised. A gateway sends again within seconds; tokens run over after 65536."""


@dataclass(slots=True, kw_only=True)
class Counts:
    """What came in so far. `bad_reason` is of the last bad datagram."""

    datagrams: int = 0
    bad: int = 0
    bad_reason: str = ""
    repeated: int = 0
    packets: int = 0
    rejected: int = 0
    refused_orders: int = 0


class Reply(NamedTuple, Generic[Address]):
    """Bytes to send to an address."""

    data: bytes
    to: Address


class OrderAnswer(NamedTuple):
    """What a gateway said to an order; `error` is empty when it took it. `order` is the number that `order` gave."""

    order: int
    gateway: int
    error: str


@dataclass(frozen=True, slots=True)
class Heard(Generic[Address]):
    """All that one datagram brought. `gateway` is None when that could not be read."""

    gateway: int | None = None
    replies: tuple[Reply[Address], ...] = ()
    packets: tuple[ReceivedPacket, ...] = ()
    rejected: tuple[RejectedPacket, ...] = ()
    status: GatewayStatus | None = None
    answer: OrderAnswer | None = None


@dataclass(slots=True)
class GatewaySide(Generic[Address]):
    """The network's end. `accepted` names the gateways of the bench, None for any that speaks."""

    accepted: frozenset[int] | None = None
    counts: Counts = field(default_factory=Counts)
    _ways: dict[int, Address] = field(default_factory=dict)
    _seen: OrderedDict[bytes, None] = field(default_factory=OrderedDict)
    _orders: OrderedDict[int, int] = field(default_factory=OrderedDict)
    _ordered: int = 0

    @property
    def gateways(self) -> tuple[int, ...]:
        """Those that opened a way for downlinks."""
        return tuple(self._ways)

    def receive(self, data: bytes, *, sender: Address) -> Heard[Address]:
        """What a datagram means. Never raises for what a sender wrote."""
        self.counts.datagrams += 1
        try:
            datagram = parse_datagram(data)
        except ValueError as error:
            return self._bad(str(error))
        if not isinstance(datagram, PushData | PullData | TxAck):
            return self._bad(f"{type(datagram).__name__} comes from a network, not from a gateway")
        if self.accepted is not None and datagram.gateway not in self.accepted:
            return self._bad(f"gateway {datagram.gateway:016X} is none of this bench")
        if isinstance(datagram, PullData):
            self._ways[datagram.gateway] = sender
            return Heard(datagram.gateway, (Reply(build_datagram(PullAck(datagram.token)), sender),))
        if isinstance(datagram, TxAck):
            return self._answered(datagram)
        return self._pushed(datagram, data, sender)

    def _bad(self, reason: str) -> Heard[Address]:
        self.counts.bad += 1
        self.counts.bad_reason = reason
        return Heard()

    def _pushed(self, datagram: PushData, data: bytes, sender: Address) -> Heard[Address]:
        replies = (Reply(build_datagram(PushAck(datagram.token)), sender),)
        if data in self._seen:
            self.counts.repeated += 1
            return Heard(datagram.gateway, replies)
        self._seen[data] = None
        _forget(self._seen)
        self.counts.packets += len(datagram.packets)
        self.counts.rejected += len(datagram.rejected)
        return Heard(datagram.gateway, replies, datagram.packets, datagram.rejected, datagram.status)

    def order(self, packet: TransmitPacket, *, gateway: int) -> tuple[int, Reply[Address]]:
        """A number for an order, by which its answer is told, and what to send.

        Raises ValueError when the gateway has opened no way: it must send PULL_DATA first.
        """
        if gateway not in self._ways:
            known = ", ".join(f"{one:016X}" for one in self._ways) or "none yet"
            raise ValueError(f"gateway {gateway:016X} has opened no way for downlinks; accepted: {known}")
        token = self._ordered % (1 << 16)
        data = build_datagram(PullResp(token, packet))
        number, self._ordered = self._ordered, self._ordered + 1
        self._orders[token] = number
        _forget(self._orders)
        return number, Reply(data, self._ways[gateway])

    def _answered(self, datagram: TxAck) -> Heard[Address]:
        number = self._orders.pop(datagram.token, None)
        if number is None:
            return self._bad(f"TX_ACK for token {datagram.token}, with which nothing was ordered")
        self.counts.refused_orders += bool(datagram.error)
        return Heard(datagram.gateway, answer=OrderAnswer(number, datagram.gateway, datagram.error))


Kept = TypeVar("Kept", bytes, int)


def _forget(kept: OrderedDict[Kept, None] | OrderedDict[Kept, int]) -> None:
    """Drops the oldest, so that a run of a week holds no more than one of an hour."""
    if len(kept) > _REMEMBERED:
        kept.popitem(last=False)
