"""Payload builders that are wrong, one for each mistake that firmware really makes.

Owns: the mistakes, from a measured frame to its bytes.  Must not know when they are made.  All of them are common
practice, no source; the Fahrenheit scale is 9/5 of the Celsius scale and 32 by definition.
"""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from benchrig.simulation.checksums import crc8_smbus
from benchrig.simulation.payload import encode, sealed

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from benchrig.simulation.payload import Measured

_LOW_12_BITS: Final = 0x0FFF


def _battery_truncated(measured: Measured) -> bytes:
    """Whole millivolts by cutting off; the console rounds."""
    return encode(replace(measured, battery_mv=math.floor(measured.exact_mv)))


def _battery_in_10_mv(measured: Measured) -> bytes:
    """Hundredths of a volt, by whole-number division."""
    return encode(replace(measured, battery_mv=measured.battery_mv // 10))


def _battery_12_bits(measured: Measured) -> bytes:
    """A mask made for the converter's codes, put on the millivolts."""
    return encode(replace(measured, battery_mv=measured.battery_mv & _LOW_12_BITS))


def _temperature_sign_magnitude(measured: Measured) -> bytes:
    """Bit 7 for the sign and the size below it."""
    size = abs(measured.temperature_c) | (0x80 if measured.temperature_c < 0 else 0)
    return encode(replace(measured, temperature_c=size - 256 if size > 127 else size))


def _temperature_clamped(measured: Measured) -> bytes:
    """Nothing below 0 degrees."""
    return encode(replace(measured, temperature_c=max(0, measured.temperature_c)))


def _temperature_fahrenheit(measured: Measured) -> bytes:
    """Whole degrees Fahrenheit."""
    return encode(replace(measured, temperature_c=min(127, math.floor(measured.celsius * 9 / 5 + 32 + 0.5))))


def _bale_swapped(measured: Measured) -> bytes:
    """The two probes in each other's place."""
    first, second = measured.bale_decidegrees
    return encode(replace(measured, bale_decidegrees=(second, first)))


def _bale_little_endian(measured: Measured) -> bytes:
    """The probes as the processor keeps them."""
    return sealed(encode(measured)[:4] + struct.pack("<hh", *measured.bale_decidegrees))


def _flags_reversed(measured: Measured) -> bytes:
    """Siren in bit 2 and low battery in bit 0: a structure of bits laid out from the other end."""
    body = encode(measured)[:-1]
    flags = body[3] & 0b010 | (body[3] & 0b001) << 2 | (body[3] & 0b100) >> 2
    return sealed(body[:3] + bytes([flags]) + body[4:])


def _short(measured: Measured) -> bytes:
    """A length that is off by one: the checksum is left behind."""
    return encode(measured)[:-1]


def _checksum_range(measured: Measured) -> bytes:
    """A checksum that begins at the second byte."""
    body = encode(measured)[:-1]
    return body + bytes([crc8_smbus(body[1:])])


SLIPS: Final[Mapping[str, Callable[[Measured], bytes]]] = {
    "": encode,
    "battery truncated": _battery_truncated,
    "battery in 10 mV": _battery_in_10_mv,
    "battery in 12 bits": _battery_12_bits,
    "temperature sign and magnitude": _temperature_sign_magnitude,
    "temperature clamped": _temperature_clamped,
    "temperature in Fahrenheit": _temperature_fahrenheit,
    "bale probes swapped": _bale_swapped,
    "bale little-endian": _bale_little_endian,
    "flags reversed": _flags_reversed,
    "a byte short": _short,
    "checksum range": _checksum_range,
}
"""By the name that `Behaviour.payload_slip` holds; "" is a sound board."""
