"""What stands in the JSON of packet-forwarder datagrams: received packets, orders to transmit, a gateway's status.

Owns names, units and spelling of the fields. Must not know datagrams or LoRaWAN. Source: Semtech's `PROTOCOL.TXT`
(protocol version 2), sections 4 and 6, from memory. Frequencies in hertz (megahertz in the JSON), counters in
microseconds, levels in dBm, SNR in dB. A packet whose checksum failed is never a `ReceivedPacket`, so that nobody can
use it by mistake: it becomes a `RejectedPacket`, which has no bytes.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from typing import TypeAlias, cast

import msgspec

Json: TypeAlias = Mapping[str, object]

LORA, FSK = "LORA", "FSK"
_LONGEST_BYTES = 255
_CRC_GOOD, _CRC_BAD, _CRC_NONE = 1, -1, 0
_REASONS = {_CRC_BAD: "CRC failed", _CRC_NONE: "no CRC"}
_COUNTER_WRAP = 1 << 32
_MOST_PACKETS = 255
_LARGEST_NUMBER = 1e12  # no field of the protocol comes near it; no number and infinity are not below it


class ReceivedPacket(msgspec.Struct, frozen=True, kw_only=True):
    """A packet with a good checksum, as one gateway heard it.

    `counter_us` is the gateway's own 32-bit clock at the end of the packet, and runs over after 71 minutes. `rate` is
    "SF7BW125", or the bit rate of FSK as digits. `snr_db` is None for FSK. `time` is the gateway's UTC as text.
    """

    payload: bytes
    counter_us: int
    frequency_hz: int
    rate: str
    rssi_dbm: float
    snr_db: float | None = None
    coding_rate: str = "4/5"
    channel: int = 0
    chain: int = 0
    time: str = ""

    @property
    def modulation(self) -> str:
        """LORA or FSK."""
        return FSK if self.rate.isdigit() else LORA


class RejectedPacket(msgspec.Struct, frozen=True):
    """A packet that must not be used, and why. What it was heard at may be missing."""

    reason: str
    counter_us: int | None = None
    frequency_hz: int | None = None
    rate: str = ""
    rssi_dbm: float | None = None


class TransmitPacket(msgspec.Struct, frozen=True, kw_only=True):
    """An order to transmit when the gateway's clock shows `counter_us`, or at once where that is None.

    `inverted` is the polarity of LoRaWAN downlinks, so that gateways do not hear each other.
    """

    payload: bytes
    counter_us: int | None
    frequency_hz: int
    rate: str
    power_dbm: int
    inverted: bool = True
    coding_rate: str = "4/5"
    chain: int = 0
    preamble_symbols: int = 8
    has_crc: bool = False
    deviation_hz: int = 25_000


class GatewayStatus(msgspec.Struct, frozen=True, kw_only=True):
    """How a gateway does: packets received, with good checksum, handed over; share acknowledged; downlinks."""

    time: str = ""
    received: int = 0
    received_good: int = 0
    forwarded: int = 0
    acknowledged_percent: float = 0.0
    orders: int = 0
    transmitted: int = 0

    def to_json(self) -> dict[str, object]:
        """As the protocol spells it."""
        return {
            "time": self.time,
            "rxnb": self.received,
            "rxok": self.received_good,
            "rxfw": self.forwarded,
            "ackr": self.acknowledged_percent,
            "dwnb": self.orders,
            "txnb": self.transmitted,
        }


def decode_object(data: bytes) -> Json:
    """The JSON object in these bytes. Raises ValueError for anything else, however deep or strange it is."""
    try:
        found: object = msgspec.json.decode(data.rstrip(b"\x00"))
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        raise ValueError(f"no JSON in {len(data)} bytes: {error}") from None
    if not isinstance(found, dict):
        raise ValueError(f"JSON of type {type(found).__name__}; accepted: an object")
    return cast("Json", found)


def encode_object(content: Json) -> bytes:
    """The bytes of a JSON object."""
    return msgspec.json.encode(content)


def parse_received(content: Json) -> tuple[tuple[ReceivedPacket, ...], tuple[RejectedPacket, ...]]:
    """The packets to use, and those not to use. One bad packet does not spoil the others of its datagram."""
    entries = content.get("rxpk", [])
    if not isinstance(entries, list) or len(entries) > _MOST_PACKETS:
        raise ValueError(f"rxpk is no list of up to {_MOST_PACKETS} packets")
    packets: list[ReceivedPacket] = []
    rejected: list[RejectedPacket] = []
    for entry in cast("list[object]", entries):
        try:
            found = _received(entry)
        except ValueError as error:
            found = RejectedPacket(f"unreadable: {error}")
        if isinstance(found, ReceivedPacket):
            packets.append(found)
        else:
            rejected.append(found)
    return tuple(packets), tuple(rejected)


def _received(entry: object) -> ReceivedPacket | RejectedPacket:
    if not isinstance(entry, dict):
        raise ValueError(f"a packet of type {type(entry).__name__}; accepted: an object")
    packet = cast("Json", entry)
    counter_us = _integer(packet, "tmst", 0, _COUNTER_WRAP - 1)
    frequency_hz = _hertz(packet)
    rate = _rate(packet)
    rssi_dbm = _number(packet, "rssi")
    status = _integer(packet, "stat", -1, 1)
    if status != _CRC_GOOD:
        return RejectedPacket(_REASONS[status], counter_us, frequency_hz, rate, rssi_dbm)
    return ReceivedPacket(
        payload=_payload(packet),
        counter_us=counter_us,
        frequency_hz=frequency_hz,
        rate=rate,
        rssi_dbm=rssi_dbm,
        snr_db=_number(packet, "lsnr") if "lsnr" in packet else None,
        coding_rate=_text(packet, "codr") or "4/5",
        channel=_integer(packet, "chan", 0, 255, default=0),
        chain=_integer(packet, "rfch", 0, 255, default=0),
        time=_text(packet, "time"),
    )


def build_received(packet: ReceivedPacket) -> Json:
    """As a gateway writes it."""
    return {
        "time": packet.time,
        "tmst": packet.counter_us,
        "chan": packet.channel,
        "rfch": packet.chain,
        "freq": packet.frequency_hz / 1e6,
        "stat": _CRC_GOOD,
        **_modulation(packet.rate, packet.coding_rate),
        "rssi": packet.rssi_dbm,
        **({} if packet.snr_db is None else {"lsnr": packet.snr_db}),
        **_data(packet.payload),
    }


def parse_transmit(content: Json) -> TransmitPacket:
    """The order in a PULL_RESP. Raises ValueError that names the field."""
    entry = content.get("txpk")
    if not isinstance(entry, dict):
        raise ValueError("no txpk object in the JSON; accepted: one")
    order = cast("Json", entry)
    at_once = order.get("imme", False)
    if not isinstance(at_once, bool):
        raise ValueError(f"imme {at_once!r}; accepted: true or false")
    return TransmitPacket(
        payload=_payload(order),
        counter_us=None if at_once else _integer(order, "tmst", 0, _COUNTER_WRAP - 1),
        frequency_hz=_hertz(order),
        rate=_rate(order),
        power_dbm=_integer(order, "powe", -128, 127),
        inverted=order.get("ipol", False) is True,
        coding_rate=_text(order, "codr") or "4/5",
        chain=_integer(order, "rfch", 0, 255, default=0),
        preamble_symbols=_integer(order, "prea", 0, 65535, default=8),
        has_crc=order.get("ncrc", False) is not True,
        deviation_hz=_integer(order, "fdev", 0, 1_000_000, default=25_000),
    )


def build_transmit(packet: TransmitPacket) -> Json:
    """As a network writes it. Raises ValueError for a clock of more than 32 bits."""
    if packet.counter_us is not None and not 0 <= packet.counter_us < _COUNTER_WRAP:
        raise ValueError(f"a gateway's clock at {packet.counter_us!r} us; accepted: 32 bits")
    return {
        **({"imme": True} if packet.counter_us is None else {"tmst": packet.counter_us}),
        "freq": packet.frequency_hz / 1e6,
        "rfch": packet.chain,
        "powe": packet.power_dbm,
        **_modulation(packet.rate, packet.coding_rate),
        **({"fdev": packet.deviation_hz} if packet.rate.isdigit() else {"ipol": packet.inverted}),
        "prea": packet.preamble_symbols,
        "ncrc": not packet.has_crc,
        **_data(packet.payload),
    }


def parse_status(content: Json) -> GatewayStatus | None:
    """A gateway's own figures; None when it sent none. What it leaves out counts as 0."""
    entry = content.get("stat")
    if entry is None:
        return None
    if not isinstance(entry, dict):
        raise ValueError(f"stat of type {type(entry).__name__}; accepted: an object")
    status = cast("Json", entry)
    most = (1 << 63) - 1
    return GatewayStatus(
        time=_text(status, "time"),
        received=_integer(status, "rxnb", 0, most, default=0),
        received_good=_integer(status, "rxok", 0, most, default=0),
        forwarded=_integer(status, "rxfw", 0, most, default=0),
        acknowledged_percent=_number(status, "ackr") if "ackr" in status else 0.0,
        orders=_integer(status, "dwnb", 0, most, default=0),
        transmitted=_integer(status, "txnb", 0, most, default=0),
    )


# ---- single fields


def _integer(entry: Json, name: str, first: int, last: int, default: int | None = None) -> int:
    value = entry.get(name, default)
    if not isinstance(value, int) or isinstance(value, bool) or not first <= value <= last:
        raise ValueError(f"{name} {_shown(value)}; accepted: whole numbers from {first} to {last}")
    return value


def _number(entry: Json, name: str) -> float:
    value = entry.get(name)
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _LARGEST_NUMBER:
        return float(value)
    raise ValueError(f"{name} {_shown(value)}; accepted: a finite number")


def _text(entry: Json, name: str) -> str:
    value = entry.get(name, "")
    if not isinstance(value, str) or len(value) > 64:
        raise ValueError(f"{name} {_shown(value)}; accepted: text of up to 64 characters")
    return value


def _hertz(entry: Json) -> int:
    megahertz = _number(entry, "freq")
    if not 0.0 < megahertz < 10_000.0:
        raise ValueError(f"freq {megahertz!r}; accepted: megahertz, such as 868.1")
    return round(megahertz * 1e6)


def _rate(entry: Json) -> str:
    """The data rate in one spelling: text for LoRa, a number in the JSON for FSK."""
    modulation, rate = entry.get("modu"), entry.get("datr")
    if modulation == LORA and isinstance(rate, str) and 0 < len(rate) <= 16 and not rate.isdigit():
        return rate
    if modulation == FSK and isinstance(rate, int) and not isinstance(rate, bool) and 0 < rate < 1_000_000:
        return str(rate)
    raise ValueError(f"modu {_shown(modulation)}, datr {_shown(rate)}; accepted: LORA with SF7BW125, FSK with 50000")


def _modulation(rate: str, coding_rate: str) -> Json:
    if rate.isdigit():
        return {"modu": FSK, "datr": int(rate)}
    return {"modu": LORA, "datr": rate, "codr": coding_rate}


def _payload(entry: Json) -> bytes:
    """The bytes of a packet; some gateways leave out the padding of base64."""
    text, size = entry.get("data"), _integer(entry, "size", 0, _LONGEST_BYTES)
    if not isinstance(text, str):
        raise ValueError(f"data {_shown(text)}; accepted: base64")
    bare = text.rstrip("=")
    try:
        data = base64.b64decode(bare + "=" * (-len(bare) % 4), validate=True)
    except (binascii.Error, ValueError):
        raise ValueError(f"data of {len(text)} characters is no base64") from None
    if len(data) != size:
        raise ValueError(f"size {size} beside {len(data)} bytes of data; accepted: the same number")
    return data


def _data(payload: bytes) -> Json:
    return {"size": len(payload), "data": base64.b64encode(payload).decode("ascii")}


def _shown(value: object) -> str:
    """A value for a message, short however long it came."""
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
