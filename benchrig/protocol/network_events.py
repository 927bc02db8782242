"""What happens in the network of one bench, as frozen values: heard, joined, refused, ordered, acknowledged.

Owns these values alone. Must not know how they come about. None holds a key; payloads are those of the board, in the
clear. Times in seconds on the caller's clock, airtime in whole microseconds, levels in dBm and dB.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TypeAlias

import msgspec

from benchrig.protocol.gateway_packets import TransmitPacket  # noqa: TC001 - msgspec resolves it
from benchrig.protocol.lorawan_mac import MacCommand  # noqa: TC001 - msgspec resolves it


class Why(StrEnum):
    """Why a packet was not used."""

    CRC = "checksum failed"
    MALFORMED = "malformed"
    NOT_UPLINK = "no uplink"
    FOREIGN_BOARD = "foreign board"
    NOT_JOINED = "not joined"
    WRONG_KEY = "wrong key"
    WRONG_IDENTITY = "wrong identity"
    NONCE_REUSED = "nonce reused"
    BAD_MIC = "bad integrity code"
    REPLAY = "replay"
    GAP = "counter too far ahead"
    COUNTER_REUSED = "counter used twice"
    EXHAUSTED = "no nonce left"
    LATE_COPY = "late copy"


class Reception(msgspec.Struct, frozen=True, kw_only=True):
    """One gateway's view of a packet. `at_s` is when its datagram came in, `counter_us` the gateway's own clock."""

    gateway: int
    at_s: float
    counter_us: int
    frequency_hz: int
    rate: str
    rssi_dbm: float
    snr_db: float | None = None
    channel: int = 0
    time: str = ""

    @property
    def strength(self) -> tuple[float, float]:
        """To find the gateway that hears best: SNR first, since level saturates close by."""
        return (-200.0 if self.snr_db is None else self.snr_db, self.rssi_dbm)


class Joined(msgspec.Struct, frozen=True, kw_only=True):
    """The board asked to join, and is answered unless the network is mute: then the last two numbers are 0.

    `notes` tell what its request breaks in the region.
    """

    dev_nonce: int
    app_nonce: int
    dev_addr: int
    receptions: tuple[Reception, ...]
    airtime_us: int
    notes: tuple[str, ...] = ()
    answered: bool = True


class Uplink(msgspec.Struct, frozen=True, kw_only=True):
    """A frame of the board, once, whoever heard it. `payload` is in the clear; of port 0 it is None.

    `missed` counters were never heard before it. `commands` are from its options or from port 0. `airtime_us` is by
    the formula, to be held against the duration in a current trace. `notes` tell what it breaks in the region.
    """

    counter: int
    port: int | None
    payload: bytes | None
    confirmed: bool
    adr: bool
    adr_ack_request: bool
    ack: bool
    missed: int
    commands: tuple[MacCommand, ...]
    receptions: tuple[Reception, ...]
    phy_bytes: int
    airtime_us: int
    notes: tuple[str, ...] = ()


class Repeated(msgspec.Struct, frozen=True, kw_only=True):
    """The board sent a frame once more: answered as before, not delivered again. `attempt` counts from 2."""

    counter: int
    attempt: int
    receptions: tuple[Reception, ...]
    airtime_us: int


class Refused(msgspec.Struct, frozen=True, kw_only=True):
    """A packet that was not used, why, and what to look at."""

    why: Why
    detail: str
    receptions: tuple[Reception, ...] = ()


class DownlinkOrder(msgspec.Struct, frozen=True, kw_only=True):
    """To be sent by this gateway in this window, 0 for at once. `item` is the number that `send` gave; None for a mere
    answer.

    `counter` is None for a join-accept. `airtime_us` is by the formula.
    """

    number: int
    window: int
    gateway: int
    packet: TransmitPacket
    airtime_us: int
    counter: int | None = None
    item: int | None = None


class Acknowledged(msgspec.Struct, frozen=True):
    """The board acknowledged a confirmed downlink, after so many transmissions."""

    item: int
    tries: int


class GivenUp(msgspec.Struct, frozen=True):
    """A confirmed downlink that the board never acknowledged."""

    item: int
    tries: int


class NotSent(msgspec.Struct, frozen=True):
    """An answer or a downlink that could not go out now. An item stays in the queue, except where `reason` says so."""

    reason: str
    item: int | None = None


NetworkEvent: TypeAlias = Joined | Uplink | Repeated | Refused | DownlinkOrder | Acknowledged | GivenUp | NotSent
