"""A join-accept in the clear, with its channel list: bytes in, values out, and back.

Owns the layout of the fields. Must not know the key that seals them. Source: LoRaWAN 1.0.x section 6.2.5 (from
memory); channel lists of both types: RP002-1.0.1, region sections (from memory). Delays in seconds.
"""

from __future__ import annotations

import struct
from typing import ClassVar, TypeAlias

import msgspec

CLEAR_BYTES = (13, 29)
"""Header and fields without the integrity code, and with a channel list."""

_HEADER = 0x20
_FIELDS = struct.Struct("<B3s3sIBB")
_LIST_BYTES = 16
_EXTRA_CHANNELS = 5
_MASKS = 5
_STEP_HZ = 100


class ExtraChannels(msgspec.Struct, frozen=True):
    """Channel list of type 0, as in EU868: up to five further channels, in hertz; 0 is a place left free."""

    list_type: ClassVar[int] = 0
    frequencies_hz: tuple[int, ...]

    def __post_init__(self) -> None:
        if len(self.frequencies_hz) > _EXTRA_CHANNELS:
            raise ValueError(f"{len(self.frequencies_hz)} extra channels; accepted: up to {_EXTRA_CHANNELS}")
        for frequency_hz in self.frequencies_hz:
            frequency_units(frequency_hz)

    def to_bytes(self) -> bytes:
        """The 16 bytes of the list."""
        packed = b"".join(frequency_units(one).to_bytes(3, "little") for one in self.frequencies_hz)
        return packed.ljust(_LIST_BYTES, b"\x00")


class ChannelMasks(msgspec.Struct, frozen=True):
    """Channel list of type 1, as in US915: 16 channels to a mask, up to five of them, the lowest bit first."""

    list_type: ClassVar[int] = 1
    masks: tuple[int, ...]

    def __post_init__(self) -> None:
        if len(self.masks) > _MASKS or any(not 0 <= mask < 1 << 16 for mask in self.masks):
            raise ValueError(f"channel masks {self.masks!r}; accepted: up to {_MASKS} of 16 bits")

    def to_bytes(self) -> bytes:
        """The 16 bytes of the list."""
        packed = b"".join(mask.to_bytes(2, "little") for mask in self.masks)
        return packed.ljust(_LIST_BYTES - 1, b"\x00") + b"\x01"


ChannelList: TypeAlias = ExtraChannels | ChannelMasks


class JoinAccept(msgspec.Struct, frozen=True, kw_only=True):
    """What the network tells a board that joins. `rx_delay_s` is that of the first window: 1 to 15 s."""

    app_nonce: int
    net_id: int
    dev_addr: int
    rx1_offset: int = 0
    rx2_data_rate: int = 0
    rx_delay_s: int = 1
    channels: ChannelList | None = None

    def __post_init__(self) -> None:
        for name, number, first, last in (
            ("AppNonce", self.app_nonce, 0, 0xFFFFFF),
            ("NetID", self.net_id, 0, 0xFFFFFF),
            ("DevAddr", self.dev_addr, 0, 0xFFFFFFFF),
            ("offset of the first window's data rate", self.rx1_offset, 0, 7),
            ("data rate of the second window", self.rx2_data_rate, 0, 15),
            ("delay of the first window in seconds", self.rx_delay_s, 1, 15),
        ):
            if not first <= number <= last:
                raise ValueError(f"{name}: {number!r}; accepted: {first} to {last}")


def frequency_units(frequency_hz: int) -> int:
    """A frequency as LoRaWAN sends it: 24 bits in steps of 100 Hz. Raises ValueError for any between the steps."""
    units, rest = divmod(frequency_hz, _STEP_HZ)
    if rest or not 0 <= units < 1 << 24:
        raise ValueError(f"{frequency_hz!r} Hz; accepted: multiples of {_STEP_HZ} up to 1677721500")
    return units


def build_join_accept(accept: JoinAccept) -> bytes:
    """Header and fields in the clear, as `seal_join_accept` takes them."""
    fields = _FIELDS.pack(
        _HEADER,
        accept.app_nonce.to_bytes(3, "little"),
        accept.net_id.to_bytes(3, "little"),
        accept.dev_addr,
        accept.rx1_offset << 4 | accept.rx2_data_rate,
        0 if accept.rx_delay_s == 1 else accept.rx_delay_s,
    )
    return fields + (accept.channels.to_bytes() if accept.channels else b"")


def parse_join_accept(clear: bytes) -> JoinAccept:
    """The fields of a join-accept in the clear, without its code. Raises ValueError that names what is wrong."""
    if len(clear) not in CLEAR_BYTES:
        raise ValueError(f"a join-accept of {len(clear)} bytes in the clear; accepted: 13, or 29 with a channel list")
    header, app_nonce, net_id, dev_addr, settings, delay = _FIELDS.unpack_from(clear)
    if header != _HEADER:
        raise ValueError(f"byte 0: header 0x{header:02X}; accepted: 0x{_HEADER:02X}")
    if settings & 0x80:
        raise ValueError(f"byte 11: reserved bit set in settings 0x{settings:02X}; accepted: bit 7 zero")
    if delay & 0xF0:
        raise ValueError(f"byte 12: reserved bits set in delay 0x{delay:02X}; accepted: 0 to 15")
    return JoinAccept(
        app_nonce=int.from_bytes(app_nonce, "little"),
        net_id=int.from_bytes(net_id, "little"),
        dev_addr=dev_addr,
        rx1_offset=settings >> 4,
        rx2_data_rate=settings & 0x0F,
        rx_delay_s=max(delay, 1),  # 0 means 1 s
        channels=_channels(clear[_FIELDS.size :]) if len(clear) > _FIELDS.size else None,
    )


def _channels(packed: bytes) -> ChannelList:
    kind = packed[-1]
    if kind == ExtraChannels.list_type:
        at = range(0, 3 * _EXTRA_CHANNELS, 3)
        return ExtraChannels(tuple(int.from_bytes(packed[one : one + 3], "little") * _STEP_HZ for one in at))
    if kind == ChannelMasks.list_type:
        at = range(0, 2 * _MASKS, 2)
        return ChannelMasks(tuple(int.from_bytes(packed[one : one + 2], "little") for one in at))
    raise ValueError(f"byte 28: channel list of type {kind}; accepted: 0 (frequencies) and 1 (masks)")
