"""Frames of the LoRaWAN 1.0.x link layer: bytes in, frozen values out, and back.

Owns the layout of a PHYPayload. Must not know keys or counters: what is encrypted stays as it is on air, and a
counter has 16 bits here. Identifiers are integers, as a label prints them most significant byte first; on air the
least significant byte comes first. Source: LoRaWAN 1.0.x chapters 4 and 6, from memory. Whoever sends sets reserved
bits to zero: a frame that does not is refused by name here, since a bench judges senders.
"""

from __future__ import annotations

import struct
from typing import TypeAlias

import msgspec

MIC_BYTES = 4
SHORTEST_BYTES = 12
"""Of a data frame: header, address, control, counter and integrity code."""

LONGEST_BYTES = 255
MAX_OPTIONS_BYTES = 15
JOIN_REQUEST_BYTES = 23
JOIN_ACCEPT_BYTES = (17, 33)

_JOIN_REQUEST, _JOIN_ACCEPT, _PROPRIETARY = 0, 1, 7
_DATA_TYPES = {2: (True, False), 3: (False, False), 4: (True, True), 5: (False, True)}  # uplink, confirmed
_TYPE_OF_DATA = {both: number for number, both in _DATA_TYPES.items()}

_DATA_HEAD = struct.Struct("<BIBH")
_JOIN_HEAD = struct.Struct("<BQQH")


class JoinRequest(msgspec.Struct, frozen=True):
    """A board asks to join. `signed` is what its integrity code covers."""

    join_eui: int
    dev_eui: int
    dev_nonce: int
    mic: bytes = b""

    def __post_init__(self) -> None:
        _bits("JoinEUI", self.join_eui, 64)
        _bits("DevEUI", self.dev_eui, 64)
        _bits("DevNonce", self.dev_nonce, 16)

    @property
    def signed(self) -> bytes:
        """All bytes but the integrity code."""
        return _JOIN_HEAD.pack(_JOIN_REQUEST << 5, self.join_eui, self.dev_eui, self.dev_nonce)


class SealedJoinAccept(msgspec.Struct, frozen=True):
    """A join-accept as it is on air: nothing of it can be read without the key."""

    sealed: bytes


class DataFrame(msgspec.Struct, frozen=True, kw_only=True):
    """A data frame, either way. `payload` and `options` stand as on air; `counter16` has the lower 16 bits.

    `port` is None when the frame has none. `bit6` and `bit4` of the control byte mean another thing each way: upwards
    "acknowledge my data rate request" and "class B", downwards nothing from 1.0.2 on and "more is waiting".
    """

    uplink: bool
    dev_addr: int
    counter16: int
    confirmed: bool = False
    adr: bool = False
    bit6: bool = False
    ack: bool = False
    bit4: bool = False
    options: bytes = b""
    port: int | None = None
    payload: bytes = b""
    mic: bytes = b""

    def __post_init__(self) -> None:
        _bits("DevAddr", self.dev_addr, 32)
        _bits("FCnt", self.counter16, 16)
        if len(self.options) > MAX_OPTIONS_BYTES:
            raise ValueError(f"{len(self.options)} bytes of frame options; accepted: up to {MAX_OPTIONS_BYTES}")
        if self.port is None:
            if self.payload:
                raise ValueError(f"{len(self.payload)} bytes of payload without a port; accepted: none")
        elif not 0 <= self.port <= 255:
            raise ValueError(f"port {self.port!r}; accepted: 0 to 255")
        elif self.port == 0 and self.options:
            raise ValueError(f"port 0 beside {len(self.options)} bytes of frame options; accepted: either alone")

    @property
    def adr_ack_request(self) -> bool:
        """The board asks for any downlink at all, to know that it is still heard."""
        return self.uplink and self.bit6

    @property
    def frames_wait(self) -> bool:
        """The network has more for the board."""
        return not self.uplink and self.bit4

    @property
    def signed(self) -> bytes:
        """All bytes but the integrity code."""
        first = _TYPE_OF_DATA[self.uplink, self.confirmed] << 5
        control = self.adr << 7 | self.bit6 << 6 | self.ack << 5 | self.bit4 << 4 | len(self.options)
        head = _DATA_HEAD.pack(first, self.dev_addr, control, self.counter16)
        return head + self.options + (b"" if self.port is None else bytes((self.port,))) + self.payload


class ProprietaryFrame(msgspec.Struct, frozen=True):
    """A frame that is nobody's but its maker's; `body` follows the header byte."""

    body: bytes


Frame: TypeAlias = JoinRequest | SealedJoinAccept | DataFrame | ProprietaryFrame


def _bits(name: str, number: int, bits: int) -> None:
    if not 0 <= number < 1 << bits:
        raise ValueError(f"{name} {number!r}; accepted: {bits} bits")


def eui_text(eui: int) -> str:
    """An EUI as a label prints it: 16 digits, most significant byte first."""
    return f"{eui:016X}"


def reversed_eui(eui: int) -> int:
    """The same EUI copied in the other byte order."""
    return int.from_bytes(eui.to_bytes(8, "little"), "big")


def build_frame(frame: Frame) -> bytes:
    """The bytes on air of a frame whose integrity code is in it. Raises ValueError when it is not."""
    if isinstance(frame, SealedJoinAccept):
        return frame.sealed
    if isinstance(frame, ProprietaryFrame):
        return bytes((_PROPRIETARY << 5,)) + frame.body
    if len(frame.mic) != MIC_BYTES:
        raise ValueError(f"an integrity code of {len(frame.mic)} bytes; accepted: {MIC_BYTES}")
    data = frame.signed + frame.mic
    if len(data) > LONGEST_BYTES:
        raise ValueError(f"a frame of {len(data)} bytes; accepted: up to {LONGEST_BYTES}")
    return data


def parse_frame(data: bytes) -> Frame:
    """The frame in these bytes. Raises ValueError that names what is wrong and at which byte."""
    if not 1 <= len(data) <= LONGEST_BYTES:
        raise ValueError(f"a frame of {len(data)} bytes; accepted: 1 to {LONGEST_BYTES}")
    header = data[0]
    if header & 0x1F:
        raise ValueError(_bad_header(header))
    kind = header >> 5
    if kind in _DATA_TYPES:
        return _data_frame(data, kind)
    if kind == _JOIN_REQUEST:
        return _join_request(data)
    if kind == _JOIN_ACCEPT:
        if len(data) not in JOIN_ACCEPT_BYTES:
            raise ValueError(f"a join-accept of {len(data)} bytes; accepted: 17, or 33 with a channel list")
        return SealedJoinAccept(data)
    if kind == _PROPRIETARY:
        return ProprietaryFrame(data[1:])
    raise ValueError("byte 0: frame type 6; accepted: 0 to 5 and 7 (6 is reserved in LoRaWAN 1.0.x)")


def _bad_header(header: int) -> str:
    if header & 0x03:
        return f"byte 0: major version {header & 0x03} in header 0x{header:02X}; accepted: 0"
    return f"byte 0: reserved bits set in header 0x{header:02X}; accepted: bits 2 to 4 zero"


def _join_request(data: bytes) -> JoinRequest:
    if len(data) != JOIN_REQUEST_BYTES:
        raise ValueError(f"a join-request of {len(data)} bytes; accepted: {JOIN_REQUEST_BYTES}")
    _, join_eui, dev_eui, dev_nonce = _JOIN_HEAD.unpack_from(data)
    return JoinRequest(join_eui, dev_eui, dev_nonce, data[-MIC_BYTES:])


def _data_frame(data: bytes, kind: int) -> DataFrame:
    if len(data) < SHORTEST_BYTES:
        raise ValueError(f"a data frame of {len(data)} bytes; accepted: from {SHORTEST_BYTES} up")
    _, dev_addr, control, counter16 = _DATA_HEAD.unpack_from(data)
    end = len(data) - MIC_BYTES
    at_port = 8 + (control & 0x0F)
    if at_port > end:
        raise ValueError(
            f"byte 5: {control & 0x0F} bytes of frame options in a frame with room for {end - 8}; accepted: what fits"
        )
    uplink, confirmed = _DATA_TYPES[kind]
    return DataFrame(
        uplink=uplink,
        dev_addr=dev_addr,
        counter16=counter16,
        confirmed=confirmed,
        adr=control & 0x80 != 0,
        bit6=control & 0x40 != 0,
        ack=control & 0x20 != 0,
        bit4=control & 0x10 != 0,
        options=data[8:at_port],
        port=data[at_port] if at_port < end else None,
        payload=data[at_port + 1 : end],
        mic=data[end:],
    )
