"""Datagrams of the UDP packet-forwarder protocol, version 2, from the gateway's side.

Owns bytes and JSON.  Must not know sockets or time.  Source: Semtech's `PROTOCOL.TXT` of its public packet forwarder
(protocol version 2), from memory.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from benchrig.simulation.radio_air import Burst

VERSION: Final = 2
PUSH_DATA, PUSH_ACK, PULL_DATA, PULL_RESP, PULL_ACK, TX_ACK = range(6)
HEAD_BYTES: Final = 4
_RATE = re.compile(r"SF(7|8|9|10|11|12)BW125")


@dataclass(frozen=True, slots=True)
class TransmitOrder:
    """What a network wants sent; `counter_us` is None for at once."""

    data: bytes
    counter_us: int | None
    frequency_hz: int
    spreading_factor: int
    power_dbm: float
    is_inverted: bool


def to_network(kind: int, *, token: int, eui: int, content: object = None) -> bytes:
    """A datagram of a gateway."""
    body = b"" if content is None else json.dumps(content).encode()
    return bytes([VERSION]) + token.to_bytes(2, "big") + bytes([kind]) + eui.to_bytes(8, "big") + body


def from_network(data: bytes) -> tuple[int, int, bytes]:
    """Kind, token and body of a datagram of a network.  Raises ValueError."""
    if len(data) < HEAD_BYTES or data[0] != VERSION or data[3] not in (PUSH_ACK, PULL_RESP, PULL_ACK):
        raise ValueError("no datagram of a network in protocol version 2")
    return data[3], int.from_bytes(data[1:3], "big"), data[HEAD_BYTES:]


def received_packet(
    burst: Burst, *, counter_us: int, rssi_dbm: float, ratio_db: float, is_sound: bool
) -> dict[str, object]:
    """A packet as a gateway hands it over; one that is not sound keeps its damaged bytes."""
    data = burst.data if is_sound else bytes(byte ^ 0x5A for byte in burst.data)
    return {
        "tmst": counter_us,
        "chan": burst.frequency_hz // 200_000 % 8,
        "rfch": 0,
        "freq": burst.frequency_hz / 1e6,
        "stat": 1 if is_sound else -1,
        "modu": "LORA",
        "datr": f"SF{burst.spreading_factor}BW125",
        "codr": "4/5",
        "rssi": round(rssi_dbm),
        "lsnr": round(ratio_db, 1),
        "size": len(data),
        "data": base64.b64encode(data).decode(),
    }


def transmit_order(body: bytes) -> TransmitOrder:
    """The order in a PULL_RESP.  Raises ValueError for anything that no gateway could send."""
    try:
        order = json.loads(body)["txpk"]
        rate = _RATE.fullmatch(order["datr"])
        if rate is None or order["modu"] != "LORA":
            raise ValueError(f"modulation {order['modu']} {order['datr']}")
        return TransmitOrder(
            data=base64.b64decode(order["data"], validate=True),
            counter_us=None if order.get("imme", False) else int(order["tmst"]),
            frequency_hz=round(float(order["freq"]) * 1e6),
            spreading_factor=int(rate[1]),
            power_dbm=float(order.get("powe", 14)),
            is_inverted=order.get("ipol", False) is True,
        )
    except (KeyError, TypeError, AttributeError, OverflowError, RecursionError, binascii.Error) as error:
        raise ValueError(f"no order to transmit: {error!r}") from None
