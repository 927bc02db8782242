"""The nine payload bytes that the demo board sends on port 2.

Owns: the byte layout, written from the board's side.  Source: invented for the demo board; little-endian battery and
signed temperature in one byte are common practice, no source.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from benchrig.simulation.checksums import crc8_smbus

NO_PROBE = 0x7FFF
LOW_BATTERY_MV = 3400


@dataclass(frozen=True, slots=True)
class Measured:
    """What one frame tells, and what it was made from: `exact_mv` and `celsius` before they were rounded, and the
    millivolts by which the battery is called low, where these are not the ones sent."""

    battery_mv: int
    temperature_c: int
    siren_is_on: bool
    is_charging: bool
    bale_decidegrees: tuple[int, int]
    exact_mv: float = 0.0
    celsius: float = 0.0
    judged_mv: int | None = None


def encode(measured: Measured) -> bytes:
    """The payload of a healthy board."""
    judged_mv = measured.battery_mv if measured.judged_mv is None else measured.judged_mv
    is_low = judged_mv < LOW_BATTERY_MV
    flags = measured.siren_is_on | measured.is_charging << 1 | is_low << 2
    body = struct.pack("<HbB", measured.battery_mv, measured.temperature_c, flags)
    body += struct.pack(">hh", *measured.bale_decidegrees)
    return sealed(body)


def sealed(body: bytes) -> bytes:
    """The body with its checksum."""
    return body + bytes([crc8_smbus(body)])


def with_swapped_battery(payload: bytes) -> bytes:
    """The payload of a board that sends the battery big-endian, with a good checksum."""
    return sealed(payload[1::-1] + payload[2:-1])


def with_spoilt_checksum(payload: bytes) -> bytes:
    """The payload with a checksum that never fits."""
    return payload[:-1] + bytes([payload[-1] ^ 0xFF])
