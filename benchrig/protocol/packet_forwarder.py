"""Datagrams between a gateway and a network by the published UDP packet-forwarder protocol, version 2.

Owns the four bytes before the content, who sends which kind, and size limits; `gateway_packets` owns the JSON inside.
Must not know sockets, addresses or time. Source: Semtech's `PROTOCOL.TXT` of its public packet forwarder (protocol
version 2), from memory. Every datagram that is not of it is a ValueError that names what is wrong and where.
"""

from __future__ import annotations

from typing import Final, TypeAlias

import msgspec

from benchrig.protocol.gateway_packets import (
    GatewayStatus,
    ReceivedPacket,
    RejectedPacket,
    TransmitPacket,
    build_received,
    build_transmit,
    decode_object,
    encode_object,
    parse_received,
    parse_status,
    parse_transmit,
)

VERSION = 2

LARGEST_BYTES = 65_507
"""What one UDP datagram over IPv4 holds (RFC 768 and 791)."""

LARGEST_ORDER_BYTES = 1000
"""A gateway's buffer for a downlink order (from memory)."""

NO_ERROR = "NONE"
_PUSH_DATA, _PUSH_ACK, _PULL_DATA, _PULL_RESP, _PULL_ACK, _TX_ACK = range(6)
_NAMES: Final = ("PUSH_DATA", "PUSH_ACK", "PULL_DATA", "PULL_RESP", "PULL_ACK", "TX_ACK")
_WITH_GATEWAY: Final = frozenset((_PUSH_DATA, _PULL_DATA, _TX_ACK))
_HEAD_BYTES, _GATEWAY_BYTES = 4, 8


class PushData(msgspec.Struct, frozen=True):
    """A gateway hands over what it received, or how it does, or both. `rejected` holds what must not be used."""

    token: int
    gateway: int
    packets: tuple[ReceivedPacket, ...] = ()
    rejected: tuple[RejectedPacket, ...] = ()
    status: GatewayStatus | None = None


class PushAck(msgspec.Struct, frozen=True):
    """The network has it."""

    token: int


class PullData(msgspec.Struct, frozen=True):
    """A gateway opens the way for downlinks, again and again."""

    token: int
    gateway: int


class PullAck(msgspec.Struct, frozen=True):
    """The way is open."""

    token: int


class PullResp(msgspec.Struct, frozen=True):
    """The network orders a transmission."""

    token: int
    packet: TransmitPacket


class TxAck(msgspec.Struct, frozen=True):
    """A gateway takes the order with this token, or says why not: `error` is empty, or TOO_LATE and the like."""

    token: int
    gateway: int
    error: str = ""


Datagram: TypeAlias = PushData | PushAck | PullData | PullAck | PullResp | TxAck


def parse_datagram(data: bytes) -> Datagram:
    """The datagram in these bytes, whichever side sent it."""
    if not _HEAD_BYTES <= len(data) <= LARGEST_BYTES:
        raise ValueError(f"a datagram of {len(data)} bytes; accepted: {_HEAD_BYTES} to {LARGEST_BYTES}")
    if data[0] != VERSION:
        raise ValueError(f"byte 0: protocol version {data[0]}; accepted: {VERSION}")
    kind = data[3]
    if kind >= len(_NAMES):
        raise ValueError(f"byte 3: datagram type {kind}; accepted: 0 to {len(_NAMES) - 1} ({', '.join(_NAMES)})")
    token = int.from_bytes(data[1:3], "big")
    if kind in _WITH_GATEWAY:
        return _from_gateway(data, kind, token)
    if kind == _PULL_RESP:
        return PullResp(token, parse_transmit(decode_object(data[_HEAD_BYTES:])))
    if len(data) > _HEAD_BYTES:
        raise ValueError(f"{_NAMES[kind]} of {len(data)} bytes; accepted: {_HEAD_BYTES}")
    return PushAck(token) if kind == _PUSH_ACK else PullAck(token)


def _from_gateway(data: bytes, kind: int, token: int) -> PushData | PullData | TxAck:
    body = data[_HEAD_BYTES + _GATEWAY_BYTES :]
    if len(data) < _HEAD_BYTES + _GATEWAY_BYTES:
        raise ValueError(f"{_NAMES[kind]} of {len(data)} bytes has no gateway identifier; accepted: from 12 up")
    gateway = int.from_bytes(data[_HEAD_BYTES : _HEAD_BYTES + _GATEWAY_BYTES], "big")
    if kind == _PULL_DATA:
        if body:
            raise ValueError(f"PULL_DATA with {len(body)} bytes after its gateway identifier; accepted: none")
        return PullData(token, gateway)
    if kind == _TX_ACK:
        return TxAck(token, gateway, _error(body))
    content = decode_object(body)
    packets, rejected = parse_received(content)
    return PushData(token, gateway, packets, rejected, parse_status(content))


def _error(body: bytes) -> str:
    """Why a gateway did not take an order; a body may be missing, blank or a single zero byte."""
    if not body.strip(b" \x00\r\n\t"):
        return ""
    answer = decode_object(body).get("txpk_ack", {})
    error = answer.get("error", NO_ERROR) if isinstance(answer, dict) else None
    if not isinstance(error, str) or len(error) > 64:
        raise ValueError("TX_ACK without an error word in its txpk_ack; accepted: NONE, TOO_LATE and the like")
    return "" if error == NO_ERROR else error


def build_datagram(datagram: Datagram) -> bytes:
    """The bytes of a datagram. Raises ValueError for one that the other side could not take."""
    data = _build(datagram)
    largest = LARGEST_ORDER_BYTES if isinstance(datagram, PullResp) else LARGEST_BYTES
    if len(data) > largest:
        raise ValueError(f"a datagram of {len(data)} bytes; accepted: up to {largest}")
    return data


def _build(datagram: Datagram) -> bytes:
    match datagram:
        case PushData():
            status = {} if datagram.status is None else {"stat": datagram.status.to_json()}
            packets = {"rxpk": [build_received(one) for one in datagram.packets]} if datagram.packets else {}
            return _head(_PUSH_DATA, datagram.token, datagram.gateway) + encode_object({**packets, **status})
        case PullData():
            return _head(_PULL_DATA, datagram.token, datagram.gateway)
        case TxAck():
            answer = encode_object({"txpk_ack": {"error": datagram.error or NO_ERROR}})
            return _head(_TX_ACK, datagram.token, datagram.gateway) + answer
        case PullResp():
            return _head(_PULL_RESP, datagram.token) + encode_object({"txpk": build_transmit(datagram.packet)})
        case PushAck():
            return _head(_PUSH_ACK, datagram.token)
        case PullAck():
            return _head(_PULL_ACK, datagram.token)


def _head(kind: int, token: int, gateway: int | None = None) -> bytes:
    if not 0 <= token < 1 << 16:
        raise ValueError(f"token {token!r}; accepted: 16 bits")
    if gateway is not None and not 0 <= gateway < 1 << 64:
        raise ValueError(f"gateway identifier {gateway!r}; accepted: 64 bits")
    head = bytes((VERSION,)) + token.to_bytes(2, "big") + bytes((kind,))
    return head if gateway is None else head + gateway.to_bytes(_GATEWAY_BYTES, "big")
