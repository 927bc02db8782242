"""A board of the tests, made of the independent codec liblora: joins, sends and opens what comes down.

It shares no code with the network under test, so that both cannot make the same mistake.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import loracrypto
import loramsg
import msgspec
import rtlib

from benchrig.protocol.gateway_packets import ReceivedPacket

DEV_EUI, JOIN_EUI = 0x70B3D57ED00000DC, 0x0004A30B001C0530
APP_KEY = bytes.fromhex("98929b92c49edba9676d646d3b612456")


@dataclass
class Down:
    """A downlink as the board reads it."""

    counter: int
    confirmed: bool
    ack: bool
    more: bool
    options: bytes
    port: int
    payload: bytes


@dataclass
class Board:
    """Keys and counters of a board that speaks LoRaWAN 1.0.x."""

    app_key: bytes = APP_KEY
    dev_eui: int = DEV_EUI
    join_eui: int = JOIN_EUI
    nonce: int = 0
    address: int = 0
    network_key: bytes = b""
    application_key: bytes = b""
    up: int = 0
    last_down: int = -1
    accept: dict[str, object] = field(default_factory=dict)

    def join_request(self) -> bytes:
        """The next join-request; the nonce counts."""
        self.nonce += 1
        return self.request_with(self.nonce)

    def request_with(self, nonce: int) -> bytes:
        """A join-request with this nonce."""
        euis = (rtlib.Eui(one - (1 << 64) if one >> 63 else one) for one in (self.join_eui, self.dev_eui))
        return bytes(loramsg.pack_jreq(self.app_key, *euis, nonce))

    def take_accept(self, data: bytes) -> None:
        """Opens a join-accept and begins a session."""
        self.accept = loramsg.unpack_jacc(self.app_key, data, self.nonce)
        self.address = int(str(self.accept["DevAddr"]))
        numbers = self.nonce, self.accept["AppNonce"], self.accept["NetID"]
        self.network_key, self.application_key = (
            loracrypto.crypto.derive(self.app_key, *numbers, which) for which in (1, 2)
        )
        self.up, self.last_down = 0, -1

    def uplink(
        self,
        payload: bytes = b"",
        *,
        port: int | None = 2,
        flags: int = 0,
        options: bytes = b"",
        confirmed: bool = False,
    ) -> bytes:
        """The next data frame; the counter counts."""
        kind = loramsg.FrmType.DCUP if confirmed else loramsg.FrmType.DAUP
        data = loramsg.pack_dataframe(
            kind, self.address, flags, self.up, options, port, payload, self.network_key, self.application_key
        )
        self.up += 1
        return bytes(data)

    def open(self, data: bytes) -> Down:
        """Verifies and decrypts a downlink; its counter must be new, or that of one that was not acknowledged."""
        found = loramsg.unpack_dataframe(data, max(self.last_down, 0), self.network_key, self.application_key)
        self.last_down = found["FCnt"]
        return Down(
            counter=found["FCnt"],
            confirmed=found["MHdr"] & 0xE0 == loramsg.FrmType.DCDN,
            ack=bool(found["FCtrl"] & loramsg.FCtrl.ACK),
            more=bool(found["FCtrl"] & loramsg.FCtrl.MORE),
            options=found["FOpts"],
            port=found["FPort"],
            payload=found["FRMPayload"],
        )


def heard(
    data: bytes, *, counter_us: int = 0, frequency_hz: int = 868_100_000, rate: str = "SF7BW125",
    rssi_dbm: float = -60.0, snr_db: float = 7.0,
) -> ReceivedPacket:  # fmt: skip
    """A packet as a gateway hands it over."""
    return ReceivedPacket(
        payload=data, counter_us=counter_us, frequency_hz=frequency_hz, rate=rate, rssi_dbm=rssi_dbm, snr_db=snr_db
    )


def at(packet: ReceivedPacket, at_s: float) -> ReceivedPacket:
    """The packet by a gateway's clock that goes with ours, unless it has another already."""
    return packet if packet.counter_us else msgspec.structs.replace(packet, counter_us=int(at_s * 1e6) % (1 << 32))
