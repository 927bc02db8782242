"""What can be wrong with a whole field map, as sentences; all of them at once.

Owns the rules between parts: names, length, overlap, the place of the check value. Must not raise: the field
map does that. Longest application payload 242 bytes: LoRaWAN regional parameters, largest N of any data rate
(from memory).
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from benchrig.errors import ConfigError
from benchrig.payload.crc import find_crc
from benchrig.payload.field_checks import NAME_RULE, is_name, meaning_problems, shape_problems
from benchrig.payload.fields import TO_END, Crc, Field, Group

if TYPE_CHECKING:
    from collections.abc import Iterator

LONGEST_BYTES: Final = 242
_PORTS: Final = range(1, 224)


def map_problems(
    *,
    name: str,
    port: int,
    length_bytes: int | None,
    fields: tuple[Field, ...],
    groups: tuple[Group, ...],
    crc: Crc | None,
) -> tuple[str, ...]:
    """Every problem of a map, one sentence each; empty when it can be used."""
    found = [
        *_head_problems(name, port, fields, groups),
        *_name_problems(fields, groups),
        *_length_problems(length_bytes, groups),
        *(problem for one in fields for problem in (*shape_problems(one), *meaning_problems(one))),
        *(problem for group in groups for problem in _group_problems(group)),
    ]
    length = length_bytes if length_bytes is not None else _least_bytes(groups, crc)
    found += _end_problems(length_bytes, fields, groups)
    found += _crc_problems(crc, length) if crc else ()
    found += _overlap_problems(fields, groups, crc, length_bytes)
    return tuple(found)


def _head_problems(name: str, port: int, fields: tuple[Field, ...], groups: tuple[Group, ...]) -> Iterator[str]:
    if not name.strip():
        yield "the map has no name; give it one"
    if port not in _PORTS:
        yield f"port {port} is not accepted; accepted 1 to 223"
    if not fields and not groups:
        yield "the map has no field and no group; describe at least one"


def _name_problems(fields: tuple[Field, ...], groups: tuple[Group, ...]) -> Iterator[str]:
    names = Counter([one.name for one in fields] + [group.name for group in groups])
    yield from (f"the name {name!r} is used {n} times; each once" for name, n in names.items() if n > 1)


def _length_problems(length_bytes: int | None, groups: tuple[Group, ...]) -> Iterator[str]:
    is_open = any(group.count == TO_END for group in groups)
    if length_bytes is None and not is_open:
        yield "length_bytes is not stated; state it, or let the last group repeat 'to end'"
    if length_bytes is not None and is_open:
        yield "length_bytes is fixed and a group repeats 'to end'; state the count of the group"
    if length_bytes is not None and not 1 <= length_bytes <= LONGEST_BYTES:
        yield f"length_bytes {length_bytes} is not accepted; accepted 1 to {LONGEST_BYTES}"


def _group_problems(group: Group) -> Iterator[str]:
    where = f"group {group.name!r}"
    if not is_name(group.name):
        yield f"{where}: the name is not accepted; accepted {NAME_RULE}"
    if group.offset < 0:
        yield f"{where}: offset {group.offset} is before the first byte; accepted 0 or more"
    if group.stride_bytes < 1:
        yield f"{where}: stride_bytes {group.stride_bytes} is not accepted; accepted 1 or more"
    is_counted = isinstance(group.count, int) and group.count >= 1
    if not is_counted and group.count != TO_END:
        yield f"{where}: count {group.count!r} is not accepted; accepted 1 or more, or 'to end'"
    if not group.fields:
        yield f"{where}: it has no field; describe at least one"
    yield from (f"{where}: {problem}" for problem in _member_problems(group))


def _member_problems(group: Group) -> Iterator[str]:
    yield from _name_problems(group.fields, ())
    for one in group.fields:
        shape = shape_problems(one)
        yield from (*shape, *meaning_problems(one))
        if not shape and one.offset + one.size_bytes > group.stride_bytes:
            yield (
                f"field {one.name!r} ends after byte {one.offset + one.size_bytes - 1} of the member; "
                f"accepted up to byte {group.stride_bytes - 1} with stride_bytes {group.stride_bytes}"
            )


def _end_problems(length_bytes: int | None, fields: tuple[Field, ...], groups: tuple[Group, ...]) -> Iterator[str]:
    """Parts that reach beyond the payload, or into the group that repeats to the end."""
    open_starts = [group.offset for group in groups if group.count == TO_END]
    limit = min([*open_starts, length_bytes or LONGEST_BYTES])
    what = "the group that repeats 'to end' begins" if open_starts else "the payload ends"
    for label, end in _ends(fields, groups):
        if end > limit:
            yield f"{label} needs bytes up to {end - 1}; {what} at byte {limit}"
    if len(open_starts) > 1:
        yield "more than one group repeats 'to end'; accepted one, the last"


def _ends(fields: tuple[Field, ...], groups: tuple[Group, ...]) -> Iterator[tuple[str, int]]:
    for one in fields:
        if not shape_problems(one):
            yield f"field {one.name!r}", one.offset + one.size_bytes
    for group in groups:
        if isinstance(group.count, int):
            yield f"group {group.name!r}", group.offset + group.count * group.stride_bytes


def _least_bytes(groups: tuple[Group, ...], crc: Crc | None) -> int:
    start = max((group.offset for group in groups if group.count == TO_END), default=LONGEST_BYTES)
    return start + (-crc.offset if crc is not None and crc.offset < 0 else 0)


def _crc_problems(crc: Crc, length: int) -> Iterator[str]:
    """Problems of the check value in the shortest payload that the map allows."""
    try:
        size = find_crc(crc.name).width_bytes
    except ConfigError as error:
        yield f"crc: {error}"
        size = 1
    if crc.byte_order not in {None, "little", "big"}:
        yield f"crc: byte_order {crc.byte_order!r} is unknown; accepted 'little' or 'big'"
    if size > 1 and crc.byte_order is None:
        yield f"crc: {crc.name} has {size} bytes; state byte_order 'little' or 'big'"
    start, (first, end) = crc.start(length), crc.covered(length)
    if start < 0 or start + size > length or (crc.offset < 0 and start + size != length):
        yield (
            f"crc: offset {crc.offset} with {size} bytes does not fit a payload of {length} bytes; "
            f"accepted 0 to {length - size}, or {-size} for the end of the payload"
        )
    if not 0 <= first < end <= length:
        yield f"crc: covers {list(crc.covers)} is no range of bytes within 0 to {length}"
    elif first < start + size and start < end:
        yield f"crc: covers {list(crc.covers)} contains the check value itself at byte {start}"


def _overlap_problems(
    fields: tuple[Field, ...], groups: tuple[Group, ...], crc: Crc | None, length_bytes: int | None
) -> Iterator[str]:
    """Pairs of parts that own the same bit, each pair once."""
    parts = [*_alone(fields, start=0, prefix=""), *_in_groups(groups), *_crc_bits(crc, length_bytes)]
    for index, (label, bits) in enumerate(parts):
        for other, other_bits in parts[:index]:
            shared = bits & other_bits
            if shared:
                byte, bit = divmod(min(shared), 8)
                yield f"{label} overlaps {other} from byte {byte} bit {bit} on; move one of them"


def _alone(fields: tuple[Field, ...], *, start: int, prefix: str) -> Iterator[tuple[str, frozenset[int]]]:
    for one in fields:
        if not shape_problems(one):
            yield f"field {prefix + one.name!r}", one.occupied(start=start)


def _in_groups(groups: tuple[Group, ...]) -> Iterator[tuple[str, frozenset[int]]]:
    """The first member field by field, each further one as a whole: they all overlap alike inside."""
    for group in groups:
        yield from _alone(group.fields, start=group.offset, prefix=f"{group.name}[0].")
        count = group.count if isinstance(group.count, int) else 1
        for index in range(1, min(count, LONGEST_BYTES)):  # more of them are reported as beyond the payload
            start = group.offset + index * group.stride_bytes
            bits = (bits for _, bits in _alone(group.fields, start=start, prefix=""))
            yield f"group {group.name!r} member {index}", frozenset().union(*bits)


def _crc_bits(crc: Crc | None, length_bytes: int | None) -> Iterator[tuple[str, frozenset[int]]]:
    """Bits of the check value; none when its place moves with the length, behind all that could overlap."""
    if crc is None or (crc.offset < 0 and length_bytes is None):
        return
    try:
        size = find_crc(crc.name).width_bytes
    except ConfigError:
        return
    start = crc.start(length_bytes or 0)
    yield "crc", frozenset(range(8 * start, 8 * (start + size)))
