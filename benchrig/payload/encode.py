"""Values to bytes: what the board should have sent for what the bench measured.

Owns rounding to counts, ranges and words. Must not guess: a field without a value, a value out of range, or a
name that the map does not have is refused, all in one message.
"""

from __future__ import annotations

import difflib
import math
import re
import struct
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.payload.bits import as_pattern, insert
from benchrig.payload.checks import LONGEST_BYTES
from benchrig.payload.codec import FLOAT_FORMATS, value_of
from benchrig.payload.crc import compute_crc, find_crc
from benchrig.payload.exact import ROUNDINGS, exact

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from fractions import Fraction

    from benchrig.payload.field_map import FieldMap
    from benchrig.payload.fields import Crc, Field, Placed

    Values = Mapping[str, float | str]


def encode(field_map: FieldMap, values: Mapping[str, float | str]) -> bytes:
    """The payload for these values, each in its field's unit, or the word of an invalid code.

    A float stands for its shortest decimal text and is rounded as the field says. Flags are given one by one,
    as `flags.siren` with 0 or 1, or all together as the whole number `flags`. An open group gets as many
    members as the highest index asks for. Raises ConfigError with every problem: a value that is missing, out
    of range or on an invalid code, an unknown word, an unknown name.
    """
    problems: list[str] = []
    length = _length(field_map, values)
    if length > LONGEST_BYTES:
        raise ConfigError(f"encode {field_map.name!r}: {length} bytes asked; accepted up to {LONGEST_BYTES}")
    payload, placed = bytearray(length), field_map.placed(length)
    for one in placed:
        try:
            _write(one, payload, pattern=_pattern(one, values))
        except ValueError as error:
            problems.append(str(error))
    problems += _unknown_names(placed, values)
    if problems:
        raise ConfigError(f"encode {field_map.name!r}: {'; '.join(problems)}", tuple(problems))
    if field_map.crc is not None:
        _write_crc(field_map.crc, payload)
    return bytes(payload)


def _length(field_map: FieldMap, values: Values) -> int:
    group = field_map.open_group
    if group is None:
        return field_map.least_bytes
    index_of = re.compile(rf"{re.escape(group.name)}\[(\d{{1,6}})\]\..*")
    indexes = (int(match[1]) for match in map(index_of.fullmatch, values) if match)
    return field_map.length_for(max(indexes, default=-1) + 1)


def _write(one: Placed, payload: bytearray, *, pattern: int) -> None:
    field = one.field
    insert(
        payload,
        pattern,
        offset=one.offset,
        width_bits=field.width_bits,
        bit=field.bit,
        byte_order=field.order,
    )


def _write_crc(crc: Crc, payload: bytearray) -> None:
    algorithm, start = find_crc(crc.name), crc.start(len(payload))
    first, end = crc.covered(len(payload))
    computed = compute_crc(algorithm, bytes(payload[first:end]))
    size = algorithm.width_bytes
    payload[start : start + size] = computed.to_bytes(size, crc.byte_order or "big")


def _pattern(one: Placed, values: Values) -> int:
    """Bit pattern for the value of one field. Raises ValueError that says what is wrong with it."""
    if one.field.kind == "flags":
        return _flags_pattern(one, values)
    value = values.get(one.name)
    if value is None:
        raise ValueError(f"no value for {one.name!r}; give one in {one.field.unit}")
    if isinstance(value, str):
        return _word_pattern(one, value)
    pattern = _number_pattern(one, _finite(one.name, value))
    word = one.field.invalid.get(pattern)
    if word is not None:
        raise ValueError(f"{one.name}: {value} would be sent as {pattern:#x}, which means {word!r}")
    return pattern


def _finite(name: str, value: float) -> Fraction:
    if not math.isfinite(value):
        raise ValueError(f"{name}: {value} is not a finite number; give a number, or a word of the field")
    return exact(value)


def _word_pattern(one: Placed, word: str) -> int:
    for code, known in one.field.invalid.items():
        if known == word:
            return code
    known_words = ", ".join(repr(known) for known in one.field.invalid.values()) or "none"
    raise ValueError(f"{one.name}: unknown word {word!r}; accepted words: {known_words}; or a number")


def _number_pattern(one: Placed, value: Fraction) -> int:
    field = one.field
    wanted = (value - field.exact_add) / field.exact_scale
    if field.kind in FLOAT_FORMATS:
        return _float_pattern(one, value, wanted)
    counts = ROUNDINGS[field.rounding](wanted)
    low, high = field.raw_limits
    if not low <= counts <= high or (field.kind == "bool" and wanted != counts):
        raise _out_of_range(one, value)
    return as_pattern(counts, width_bits=field.width_bits)


def _float_pattern(one: Placed, value: Fraction, wanted: Fraction) -> int:
    try:
        packed = struct.pack(FLOAT_FORMATS[one.field.kind], float(wanted))
    except OverflowError:
        raise _out_of_range(one, value) from None
    return int.from_bytes(packed, "big")


def _out_of_range(one: Placed, value: Fraction) -> ValueError:
    low, high = sorted(float(end) for end in value_limits(one.field))
    unit = one.field.unit
    return ValueError(f"{one.name}: {float(value)!r} {unit} does not fit; accepted {low!r} to {high!r} {unit}")


def value_limits(field: Field) -> tuple[float, float]:
    """Least and greatest value in the field's unit that its bits can carry, invalid codes aside."""
    greatest = {"float16": 0x7BFF, "float32": 0x7F7F_FFFF}.get(field.kind)  # IEEE 754, largest finite
    if greatest is not None:
        patterns = greatest, greatest | 1 << (field.width_bits - 1)
    else:
        low, high = field.raw_limits
        patterns = as_pattern(low, width_bits=field.width_bits), high
    first, second = (value_of(field, pattern) or 0.0 for pattern in patterns)
    return min(first, second), max(first, second)


def _flags_pattern(one: Placed, values: Values) -> int:
    named = {bit: f"{one.name}.{name}" for bit, name in one.field.flags.items()}
    given = {bit: name for bit, name in named.items() if name in values}
    pattern = sum(_one_flag(name, values[name]) << bit for bit, name in given.items())
    if one.name in values:
        whole = _whole_flags(one, values[one.name])
        wrong = [name for bit, name in given.items() if (whole ^ pattern) >> bit & 1]
        if wrong:
            raise ValueError(f"{one.name}: {whole:#x} contradicts {', '.join(wrong)}; give one of them")
        return whole
    missing = [name for name in named.values() if name not in values]
    if missing:
        raise ValueError(f"no value for {', '.join(missing)}; give 0 or 1 for each flag")
    return pattern


def _one_flag(name: str, value: float | str) -> int:
    if value not in (0, 1):  # text is in neither
        raise ValueError(f"{name}: {value!r} is not a flag; accepted 0 or 1")
    return int(value)


def _whole_flags(one: Placed, value: float | str) -> int:
    named = sum(1 << bit for bit in one.field.flags)
    whole = int(value) if isinstance(value, int | float) and math.isfinite(value) else -1
    if whole != value or whole & ~named:
        raise ValueError(f"{one.name}: {value!r} is not accepted; accepted 0 to {named:#x}, named bits only")
    return whole


def _unknown_names(placed: tuple[Placed, ...], values: Values) -> Iterator[str]:
    known = [one.name for one in placed]
    known += [f"{one.name}.{flag}" for one in placed for flag in one.field.flags.values()]
    for name in sorted(set(values) - set(known)):
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
        hint = f"; the nearest is {near[0]!r}" if near else ""
        yield f"unknown field {name!r}{hint}"
