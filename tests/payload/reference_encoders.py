"""The hay-barn probe's payload written a second time, right and wrong, with struct and a long division.

Shares no code with the package, so that both cannot make the same mistake.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from decimal import ROUND_HALF_UP, Decimal

Values = Mapping[str, float | str]
Encoder = Callable[[Sequence[Values], int], bytes]
"""Points in order and the number of one of them, to the bytes of its frame without the check value."""

NO_PROBE = 0x7FFF


def crc8(data: bytes) -> int:
    """CRC-8 with polynomial 0x07, bit by bit."""
    register = 0
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register << 1 ^ (0x07 if register & 0x80 else 0)) & 0xFF
    return register


def sealed(body: bytes) -> bytes:
    """The body and its check value."""
    return body + bytes([crc8(body)])


def counts(value: float | str, per_unit: int) -> int:
    """Whole counts of a decimal number, a tie away from zero."""
    return int((Decimal(str(value)) * per_unit).to_integral_value(ROUND_HALF_UP))


def bale(value: float | str) -> int:
    """Tenths of a degree, or the code of a missing probe."""
    return NO_PROBE if isinstance(value, str) else counts(value, 10)


def wrap(number: int, bits: int) -> int:
    """The low bits of a number."""
    return number & ((1 << bits) - 1)


def body_of(
    point: Values,
    *,
    battery: int | None = None,
    temperature: int | None = None,
    flags: int | None = None,
    bales: tuple[int, int] | None = None,
    battery_format: str = "<H",
) -> bytes:
    """A frame without its check value; numbers given replace what the point says, and wrap as a C cast does."""
    own = (
        counts(point["battery"], 1000) if battery is None else battery,
        counts(point["temperature"], 1) if temperature is None else temperature,
        int(point["flags"]) if flags is None else flags,
    )
    first, second = bales or (bale(point["bale[0].temperature"]), bale(point["bale[1].temperature"]))
    head = struct.pack(battery_format, wrap(own[0], 16)) + struct.pack("<BB", wrap(own[1], 8), wrap(own[2], 8))
    return head + struct.pack(">HH", wrap(first, 16), wrap(second, 16))


def right(points: Sequence[Values], at: int) -> bytes:
    """What the board should send."""
    return body_of(points[at])


def point(
    battery: float, temperature: float, flags: float = 2, bales: tuple[float | str, float | str] = (12.3, "no probe")
) -> dict[str, float | str]:
    """Values of one point."""
    return {
        "battery": battery,
        "temperature": temperature,
        "flags": flags,
        "bale[0].temperature": bales[0],
        "bale[1].temperature": bales[1],
    }


def _degrees(points: Sequence[Values], at: int) -> int:
    return counts(points[at]["temperature"], 1)


def _millivolts(points: Sequence[Values], at: int) -> int:
    return counts(points[at]["battery"], 1000)


def _scaled(points: Sequence[Values], at: int, factor: str) -> int:
    return counts(str(Decimal(str(points[at]["battery"])) * Decimal(factor)), 1000)


def _before(at: int) -> int:
    return max(0, at - 1)


def _mirrored(number: int, bits: int) -> int:
    return int(f"{wrap(number, bits):0{bits}b}"[::-1], 2)


def _bales(points: Sequence[Values], at: int, change: Callable[[int], int]) -> tuple[int, int]:
    names = ("bale[0].temperature", "bale[1].temperature")
    first, second = (
        NO_PROBE if isinstance(points[at][name], str) else change(bale(points[at][name])) for name in names
    )
    return first, second


def _all_bales(points: Sequence[Values], at: int, change: Callable[[int], int]) -> tuple[int, int]:
    first, second = (change(bale(points[at][f"bale[{index}].temperature"])) for index in (0, 1))
    return first, second


def _byte_swapped(number: int) -> int:
    return int.from_bytes(wrap(number, 16).to_bytes(2, "big"), "little")


# fmt: off
WRONG: dict[str, Encoder] = {
    "battery: bytes in the other order": lambda p, i: body_of(p[i], battery_format=">H"),
    "battery: bits in the other order": lambda p, i: body_of(p[i], battery=_mirrored(_millivolts(p, i), 16)),
    "battery: value of the point before": lambda p, i: body_of(p[i], battery=_millivolts(p, _before(i))),
    "battery: value of the first point for ever": lambda p, i: body_of(p[i], battery=_millivolts(p, 0)),
    "battery: value of temperature": lambda p, i: body_of(p[i], battery=1000 * _degrees(p, i)),
    "battery: 10 times too small": lambda p, i: body_of(p[i], battery=_scaled(p, i, "0.1")),
    "battery: 1000 times too small": lambda p, i: body_of(p[i], battery=_scaled(p, i, "0.001")),
    "battery: 10 times too large": lambda p, i: body_of(p[i], battery=_scaled(p, i, "10")),
    "battery: 1024 taken for 1000": lambda p, i: body_of(p[i], battery=_scaled(p, i, "1.024")),
    "battery: multiplied in double precision and cut off":
        lambda p, i: body_of(p[i], battery=int(float(p[i]["battery"]) * 1000)),
    "battery: multiplied in single precision and cut off": lambda p, i: body_of(p[i], battery=_single_millivolts(p, i)),
    "battery: whole V before it is scaled": lambda p, i: body_of(p[i], battery=int(float(p[i]["battery"])) * 1000),
    "battery: last decimal digit lost": lambda p, i: body_of(p[i], battery=_millivolts(p, i) // 10 * 10),
    "battery: cut to its low 8 bits": lambda p, i: body_of(p[i], battery=_millivolts(p, i) % 256),
    "battery: stops at 4095 counts": lambda p, i: body_of(p[i], battery=min(_millivolts(p, i), 4095)),
    "battery: as decimal digits of four bits": lambda p, i: body_of(p[i], battery=int(str(_millivolts(p, i)), 16)),
    "battery: always 0": lambda p, i: body_of(p[i], battery=0),
    "battery: one byte later":  # the temperature is written over its high byte
        lambda p, i: bytes([0, _millivolts(p, i) & 0xFF]) + right(p, i)[2:],
    "temperature: negative numbers sent as 0": lambda p, i: body_of(p[i], temperature=max(0, _degrees(p, i))),
    "temperature: sign lost": lambda p, i: body_of(p[i], temperature=abs(_degrees(p, i))),
    "temperature: sign and magnitude":
        lambda p, i: body_of(p[i], temperature=abs(_degrees(p, i)) | (0x80 if _degrees(p, i) < 0 else 0)),
    "temperature: ones' complement":
        lambda p, i: body_of(p[i], temperature=_degrees(p, i) if _degrees(p, i) >= 0 else ~abs(_degrees(p, i))),
    "temperature: with the opposite sign": lambda p, i: body_of(p[i], temperature=-_degrees(p, i)),
    "temperature: 128 counts added, as offset binary": lambda p, i: body_of(p[i], temperature=_degrees(p, i) + 128),
    "temperature: +40 degC added": lambda p, i: body_of(p[i], temperature=_degrees(p, i) + 40),
    "temperature: -1 count added": lambda p, i: body_of(p[i], temperature=_degrees(p, i) - 1),
    "temperature: sent in kelvins": lambda p, i: body_of(p[i], temperature=counts(_degrees(p, i) + 273.15, 1)),
    "temperature: sent in degrees Fahrenheit":
        lambda p, i: body_of(p[i], temperature=counts(_degrees(p, i) * 1.8 + 32, 1)),
    "temperature: halves of the byte exchanged":
        lambda p, i: body_of(p[i], temperature=int(f"{wrap(_degrees(p, i), 8):02x}"[::-1], 16)),
    "temperature: one byte earlier":  # over the battery's high byte; its own byte stays zero
        lambda p, i: right(p, i)[:1] + right(p, i)[2:3] + bytes(1) + right(p, i)[3:],
    "flags: flags in the other order": lambda p, i: body_of(p[i], flags=_mirrored(int(p[i]["flags"]), 3)),
    "flags: charging inverted": lambda p, i: body_of(p[i], flags=int(p[i]["flags"]) ^ 2),
    "flags: siren and low_battery on each other's bits":
        lambda p, i: body_of(p[i], flags=int(p[i]["flags"]) & 2 | int(p[i]["flags"]) % 2 * 4 | int(p[i]["flags"]) // 4),
    "flags: flags one bit higher": lambda p, i: body_of(p[i], flags=int(p[i]["flags"]) << 1),
    "bale[*].temperature: bytes in the other order":
        lambda p, i: body_of(p[i], bales=_all_bales(p, i, _byte_swapped)),
    "bale[*].temperature: negative numbers keep their low 8 bits only, sign not extended":
        lambda p, i: body_of(p[i], bales=_bales(p, i, lambda n: n & 0xFF if n < 0 else n)),
    "bale[*].temperature: the first member's value in every member":
        lambda p, i: body_of(p[i], bales=(bale(p[i]["bale[0].temperature"]),) * 2),
    "bale[*].temperature: kept in 8 signed bits and wraps":
        lambda p, i: body_of(p[i], bales=_all_bales(p, i, lambda n: (n + 128) % 256 - 128)),
    "bale[1].temperature: 0 sent for 'no probe'":
        lambda p, i: right(p, i)[:6] + right(p, i)[6:].replace(b"\x7f\xff", b"\0\0"),
    "bale[0].temperature: always 'no probe'": lambda p, i: right(p, i)[:4] + b"\x7f\xff" + right(p, i)[6:],
    "the payload: the frame of the point before": lambda p, i: right(p, _before(i)),
    "the payload: every field with its bytes in the other order":
        lambda p, i: body_of(p[i], battery_format=">H", bales=_all_bales(p, i, _byte_swapped)),
    "the payload: values of bale[0].temperature and bale[1].temperature exchanged":
        lambda p, i: right(p, i)[:4] + right(p, i)[6:] + right(p, i)[4:6],
    "the payload: battery and temperature in each other's place":
        lambda p, i: right(p, i)[2:3] + right(p, i)[:2] + right(p, i)[3:],
    "the payload: a byte too many before temperature, the last one lost":
        lambda p, i: right(p, i)[:2] + b"\0" + right(p, i)[2:-1],
    "the payload: the byte before flags missing": lambda p, i: right(p, i)[:2] + right(p, i)[3:] + b"\0",
    "the payload: all bytes in the other order": lambda p, i: right(p, i)[::-1],
}
# fmt: on


def _single_millivolts(points: Sequence[Values], at: int) -> int:
    """A product in single precision: double rounding does no harm, since 2 * 24 + 2 bits fit a double."""
    volts: float
    product: float
    (volts,) = struct.unpack("<f", struct.pack("<f", points[at]["battery"]))
    (product,) = struct.unpack("<f", struct.pack("<f", volts * 1000.0))
    return int(product)
