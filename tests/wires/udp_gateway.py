"""A gateway of the tests: datagrams by hand, from the text of the packet-forwarder protocol, on a real socket.

It shares no code with the network side. `PROTOCOL.TXT` of the public packet forwarder, protocol version 2, from memory:
one byte version, two of token, one of kind, eight of gateway where a gateway speaks, then JSON.
"""

from __future__ import annotations

import base64
import json
import secrets
import socket
from dataclasses import dataclass

PUSH_DATA, PUSH_ACK, PULL_DATA, PULL_RESP, PULL_ACK, TX_ACK = range(6)
PATIENCE_S = 5.0


@dataclass(frozen=True)
class Order:
    """A downlink that the network ordered."""

    token: bytes
    data: bytes
    counter_us: int | None
    """None: at once."""
    frequency_mhz: float
    rate: str
    inverted: bool


class UdpGateway:
    """One gateway; its microsecond counter is whatever the test says."""

    def __init__(self, address: tuple[str, int], eui: int = 0xA84041FFFE1E2D3C) -> None:
        self.eui = eui
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.settimeout(PATIENCE_S)
        self._socket.connect(address)
        self._orders: list[bytes] = []

    def close(self) -> None:
        """Pull the plug."""
        self._socket.close()

    def say(self, kind: int, content: object = None, *, token: bytes | None = None) -> bytes:
        """Sends a datagram; its token."""
        token = secrets.token_bytes(2) if token is None else token
        body = b"" if content is None else json.dumps(content).encode()
        self._socket.send(b"\x02" + token + bytes([kind]) + self.eui.to_bytes(8, "big") + body)
        return token

    def raw(self, data: bytes) -> None:
        """Sends any bytes."""
        self._socket.send(data)

    def pull(self) -> None:
        """Opens the way for downlinks, and waits for the acknowledgement."""
        self._acknowledged(PULL_ACK, self.say(PULL_DATA))

    def push(
        self, data: bytes, *, counter_us: int = 1_000_000, stat: int = 1, rssi: float = -60.0, **more: object
    ) -> None:
        """Hands over a packet, and waits for the acknowledgement."""
        packet: dict[str, object] = {
            "tmst": counter_us, "chan": 0, "rfch": 0, "freq": 868.1, "stat": stat, "modu": "LORA", "datr": "SF7BW125",
            "codr": "4/5", "rssi": rssi, "lsnr": 7.5, "size": len(data), "data": base64.b64encode(data).decode(),
        }  # fmt: skip
        self._acknowledged(PUSH_ACK, self.say(PUSH_DATA, {"rxpk": [{**packet, **more}]}))

    def _acknowledged(self, kind: int, token: bytes) -> None:
        while True:
            data = self._socket.recv(65_535)
            if data[3] == PULL_RESP:
                self._orders.append(data)
            elif data == b"\x02" + token + bytes([kind]):
                return

    def order(self, *, answer: str | None = "NONE") -> Order:
        """The next order, which is answered by this word."""
        while True:
            data = self._orders.pop(0) if self._orders else self._socket.recv(65_535)
            if data[3] == PULL_RESP:
                break
        told = json.loads(data[4:])["txpk"]
        if answer is not None:
            self.say(TX_ACK, {"txpk_ack": {"error": answer}}, token=data[1:3])
        return Order(
            data[1:3], base64.b64decode(told["data"]), told.get("tmst"), told["freq"], told["datr"], told["ipol"]
        )

    def no_order(self, within_s: float) -> bool:
        """Whether no order comes."""
        self._socket.settimeout(within_s)
        try:
            self.order(answer=None)
        except TimeoutError:
            return True
        finally:
            self._socket.settimeout(PATIENCE_S)
        return False
