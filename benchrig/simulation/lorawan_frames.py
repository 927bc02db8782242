"""LoRaWAN 1.0.x frames from the board's side: what it builds, and what it takes of what comes down.

Owns byte layout, the check of a downlink's code and counter, and what a join-accept says.  Must not know radio, time
or AT text.  Source: LoRaWAN 1.0.x chapters 4 and 6, from memory; EU868 data rates and channels: RP002-1.0.1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from benchrig.simulation import lorawan_crypto as crypto

if TYPE_CHECKING:
    from collections.abc import Iterator

DEFAULT_CHANNELS_HZ: Final = (868_100_000, 868_300_000, 868_500_000)
SECOND_WINDOW_HZ: Final = 869_525_000
SLOWEST_FACTOR: Final = 12
"""Spreading factor of data rate 0 in EU868; each data rate up to 5 has one less."""

_ACCEPT_BYTES: Final = (13, 29)
_JOIN_REQUEST, _JOIN_ACCEPT = 0x00, 0x20
_UP, _CONFIRMED_UP, _DOWN, _CONFIRMED_DOWN = 0x40, 0x80, 0x60, 0xA0
_SHORTEST_DATA_BYTES: Final = 12
_ACK, _OPTIONS = 0x20, 0x0F


class NotForUs(ValueError):
    """A frame that the board drops: another board's, damaged, or no downlink at all."""


class RepeatedFrame(ValueError):
    """A sound downlink whose counter was used before."""


@dataclass(slots=True)
class Session:
    """What the board keeps over power cuts: keys, counters, and what the network said about windows and channels."""

    address: int
    network_key: bytes = field(repr=False)
    application_key: bytes = field(repr=False)
    up: int = 0
    """Counter of the next uplink."""
    down: int | None = None
    """Counter of the last downlink."""
    rate_offset: int = 0
    second_factor: int = SLOWEST_FACTOR
    delay_s: int = 1
    channels_hz: tuple[int, ...] = DEFAULT_CHANNELS_HZ


@dataclass(frozen=True, slots=True)
class Downlink:
    """What a downlink says."""

    counter: int
    port: int | None
    payload: bytes
    is_confirmed: bool
    acknowledges: bool


def join_request(app_key: bytes, *, join_eui: int, device_eui: int, nonce: int) -> bytes:
    """A join-request of 23 bytes."""
    euis = join_eui.to_bytes(8, "little") + device_eui.to_bytes(8, "little")
    body = bytes([_JOIN_REQUEST]) + euis + nonce.to_bytes(2, "little")
    return body + crypto.code(app_key, body)


def open_join_accept(app_key: bytes, data: bytes, *, nonce: int) -> Session:
    """The session that a join-accept begins.  Raises `NotForUs`."""
    if len(data) - crypto.CODE_BYTES not in _ACCEPT_BYTES or data[0] != _JOIN_ACCEPT:
        raise NotForUs("no join-accept")
    try:
        clear = crypto.open_accept(app_key, data)
    except ValueError as error:
        raise NotForUs(str(error)) from None
    network, application = crypto.session_keys(app_key, nonce_and_network=clear[1:7], dev_nonce=nonce)
    settings = clear[11]
    return Session(
        int.from_bytes(clear[7:11], "little"),
        network,
        application,
        rate_offset=settings >> 4 & 0x07,
        second_factor=SLOWEST_FACTOR - (settings & 0x0F),
        delay_s=max(1, clear[12] & 0x0F),
        channels_hz=DEFAULT_CHANNELS_HZ + tuple(_extra_channels(clear[13:])),
    )


def _extra_channels(channel_list: bytes) -> Iterator[int]:
    """Frequencies of a channel list of type 0: five times three bytes in hundreds of hertz."""
    if channel_list[-1:] != b"\x00":
        return
    for place in range(0, 15, 3):
        hundreds_hz = int.from_bytes(channel_list[place : place + 3], "little")
        if hundreds_hz:
            yield 100 * hundreds_hz


def data_frame(session: Session, *, port: int, payload: bytes, is_confirmed: bool, acknowledges: bool) -> bytes:
    """The uplink with the session's next counter, which stays as it is."""
    head = bytes([_CONFIRMED_UP if is_confirmed else _UP]) + session.address.to_bytes(4, "little")
    head += bytes([_ACK * acknowledges]) + (session.up & 0xFFFF).to_bytes(2, "little") + bytes([port])
    place = {"direction": crypto.UPLINK, "address": session.address, "counter": session.up}
    body = head + crypto.crypt(session.application_key, payload, **place)
    return body + crypto.data_code(session.network_key, body, **place)


def open_downlink(session: Session, data: bytes, *, takes_repeated: bool = False) -> Downlink:
    """A downlink verified and decrypted; the session's counter moves on.

    Raises `NotForUs`, or `RepeatedFrame` unless `takes_repeated`.
    """
    if len(data) < _SHORTEST_DATA_BYTES or data[0] not in (_DOWN, _CONFIRMED_DOWN):
        raise NotForUs("no data frame that goes down")
    if int.from_bytes(data[1:5], "little") != session.address:
        raise NotForUs("another address")
    counter = _counter(session, data)
    is_new = session.down is None or counter > session.down
    if not (is_new or takes_repeated):
        raise RepeatedFrame(f"counter {counter} after {session.down}")
    if is_new:
        session.down = counter
    port, payload = _content(session, data, counter)
    return Downlink(counter, port, payload, data[0] == _CONFIRMED_DOWN, bool(data[5] & _ACK))


def _counter(session: Session, data: bytes) -> int:
    """All 32 bits of the counter: those that the code covers.  Raises `NotForUs`."""
    epoch = (session.down or 0) & ~0xFFFF
    body, found = data[: -crypto.CODE_BYTES], data[-crypto.CODE_BYTES :]
    for counter in (
        epoch | int.from_bytes(data[6:8], "little"),
        0x1_0000 + epoch | int.from_bytes(data[6:8], "little"),
    ):
        address = session.address
        sound = crypto.data_code(session.network_key, body, direction=crypto.DOWNLINK, address=address, counter=counter)
        if sound == found:
            return counter
    raise NotForUs("the code does not fit")


def _content(session: Session, data: bytes, counter: int) -> tuple[int | None, bytes]:
    start, end = 8 + (data[5] & _OPTIONS), len(data) - crypto.CODE_BYTES
    if start >= end:
        return None, b""
    port = data[start]
    key = session.application_key if port else session.network_key
    hidden = data[start + 1 : end]
    return port, crypto.crypt(key, hidden, direction=crypto.DOWNLINK, address=session.address, counter=counter)
