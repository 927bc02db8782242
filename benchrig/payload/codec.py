"""Bytes to values and values to bytes, both from the one description.

Owns the meaning of bits: two's complement, floats, flags, scale, invalid codes, check value. Must not raise
because of what a board sent: its bytes are data, and what is wrong with them is told in `Decoded.problems`.
Float formats: IEEE 754 binary16 and binary32, by way of Python's struct.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.payload.bits import as_signed, extract
from benchrig.payload.crc import compute_crc, find_crc

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.fields import Crc, Field, Placed

FLOAT_FORMATS: Final[Mapping[str, str]] = {"float16": ">e", "float32": ">f"}


@dataclass(frozen=True, kw_only=True)
class DecodedValue:
    """One number of a payload.

    `raw` is the bit pattern as sent, unsigned. `value` is in `unit`, a base unit; it is None when the pattern
    stands for a `word` ("no probe") or for nothing at all. A not-a-number that the board sent stays one.
    """

    raw: int
    value: float | None
    unit: str
    word: str | None = None


@dataclass(frozen=True, kw_only=True)
class Decoded:
    """What one payload says. It may be trusted only when `problems` is empty.

    `crc_ok` is None when the map has no check value; otherwise False until the value was found right.
    """

    values: Mapping[str, DecodedValue]
    crc_ok: bool | None
    problems: tuple[str, ...]


def decode(field_map: FieldMap, payload: bytes, *, port: int) -> Decoded:
    """Read a payload that came on `port`; never raises because of the bytes.

    On another port than the map's nothing is read. Of a payload of wrong length, what is wholly there is.
    A field of flags appears as itself and once for each flag, as `flags.siren` with the value 0.0 or 1.0.
    """
    if port != field_map.port:
        problem = f"port {port} received, {field_map.name!r} is sent on port {field_map.port}: not decoded"
        return Decoded(values={}, crc_ok=None if field_map.crc is None else False, problems=(problem,))
    placed = field_map.placed(len(payload))
    problems = [*_length_problems(field_map, payload, placed)]
    values: dict[str, DecodedValue] = {}
    for one in placed:
        if one.end <= len(payload):
            _read(one, payload, values, problems)
    crc_ok = None if field_map.crc is None else _check_crc(field_map.crc, payload, problems)
    return Decoded(values=values, crc_ok=crc_ok, problems=tuple(problems))


def _length_problems(field_map: FieldMap, payload: bytes, placed: tuple[Placed, ...]) -> Iterator[str]:
    group, length, least = field_map.open_group, len(payload), field_map.least_bytes
    if group is None and length != least:
        yield f"{length} bytes received, {field_map.name!r} has {least}"
    elif group is not None and (length < least or (length - least) % group.stride_bytes):
        yield (
            f"{length} bytes received, {field_map.name!r} has {least} and a multiple of "
            f"{group.stride_bytes} for {group.name!r}"
        )
    missing = [one.name for one in placed if one.end > length]
    if missing:
        yield f"no bytes for {', '.join(missing)}"


def _read(one: Placed, payload: bytes, values: dict[str, DecodedValue], problems: list[str]) -> None:
    field = one.field
    raw = extract(payload, offset=one.offset, width_bits=field.width_bits, bit=field.bit, byte_order=field.order)
    word = field.invalid.get(raw)
    value = None if word is not None else value_of(field, raw)
    values[one.name] = DecodedValue(raw=raw, value=value, unit=field.unit, word=word)
    if field.kind == "flags":
        _read_flags(one, raw, values, problems)
    elif value is None and word is None:
        problems.append(f"{one.name} is {raw:#x}, which is neither 0 nor 1 nor an invalid code")


def _read_flags(one: Placed, raw: int, values: dict[str, DecodedValue], problems: list[str]) -> None:
    rest = raw
    for bit, name in one.field.flags.items():
        is_set = raw >> bit & 1
        rest &= ~(1 << bit)
        values[f"{one.name}.{name}"] = DecodedValue(raw=is_set, value=float(is_set), unit="1")
    if rest:
        unnamed = [str(bit) for bit in range(one.field.width_bits) if rest >> bit & 1]
        problems.append(f"{one.name} is {raw:#x}: bit {', '.join(unnamed)} is set and has no name")


def value_of(field: Field, raw: int) -> float | None:
    """The value in the field's unit that a bit pattern stands for, invalid codes aside; None for none."""
    if field.kind in FLOAT_FORMATS:
        return _float_value(field, raw)
    if field.kind == "bool" and raw > 1:
        return None
    counts = as_signed(raw, width_bits=field.width_bits) if field.kind == "signed" else raw
    p, q, d = field.ratio
    return (counts * p + q) / d


def _float_value(field: Field, raw: int) -> float:
    number: float
    (number,) = struct.unpack(FLOAT_FORMATS[field.kind], raw.to_bytes(field.width_bits // 8, "big"))
    if field.ratio == (1, 0, 1) or not math.isfinite(number):
        return number
    above, below = number.as_integer_ratio()
    p, q, d = field.ratio
    return (above * p + q * below) / (d * below)


def _check_crc(crc: Crc, payload: bytes, problems: list[str]) -> bool:
    algorithm = find_crc(crc.name)
    start, (first, end) = crc.start(len(payload)), crc.covered(len(payload))
    received = payload[max(0, start) : start + algorithm.width_bytes]
    if start < 0 or len(received) < algorithm.width_bytes or not first < end <= len(payload):
        problems.append(f"{crc.name} cannot be checked: {len(payload)} bytes received")
        return False
    sent, computed = (
        int.from_bytes(received, crc.byte_order or "big"),
        compute_crc(algorithm, payload[first:end]),
    )
    if sent == computed:
        return True
    digits = algorithm.width_bytes * 2
    problems.append(
        f"{crc.name} over bytes {first} to {end - 1}: {sent:#0{digits + 2}x} received, "
        f"{computed:#0{digits + 2}x} computed"
    )
    return False
