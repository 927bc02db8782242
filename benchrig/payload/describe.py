"""A field map as a table for people: Markdown that also reads well as plain text.

Owns the wording of the table. Must not hold anything that the map does not: the text is made from it alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from benchrig.payload.fields import TO_END, Crc, Field, Group

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.payload.field_map import FieldMap

_HEADINGS: Final = ("bytes", "bits", "field", "kind", "order", "value", "special")
_BIT_RULE: Final = (
    "Bit 0 is the least significant bit; bits of a field over several bytes are counted in the number that "
    "these bytes make in the order given."
)


def describe(field_map: FieldMap) -> str:
    """A heading, the table of all bytes and the numbering rule, ending in a newline."""
    rows = [_HEADINGS, *_rows(field_map)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADINGS))]
    head, *body = (_line(row, widths) for row in rows)
    rule = _line(tuple("-" * width for width in widths), widths)
    title = f"{field_map.name}: port {field_map.port}, {_length(field_map)}"
    return "\n".join([title, "", head, rule, *body, "", _BIT_RULE, ""])


def _line(cells: tuple[str, ...], widths: list[int]) -> str:
    padded = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
    return f"| {' | '.join(padded)} |"


def _length(field_map: FieldMap) -> str:
    group = field_map.open_group
    if group is None:
        return f"{field_map.least_bytes} bytes"
    return f"{field_map.least_bytes} bytes and {group.stride_bytes} for each {group.name}"


def _rows(field_map: FieldMap) -> Iterator[tuple[str, ...]]:
    parts = [(one.offset, [_row(one, start=0, prefix="")]) for one in field_map.fields]
    parts += [(group.offset, _group_rows(group)) for group in field_map.groups]
    for _, rows in sorted(parts, key=lambda part: part[0]):
        yield from rows
    if field_map.crc is not None:
        yield _crc_row(field_map.crc)


def _group_rows(group: Group) -> list[tuple[str, ...]]:
    """A counted group member by member; an open one by its first member and the way on."""
    if isinstance(group.count, int):
        return [
            _row(one, start=group.offset + index * group.stride_bytes, prefix=f"{group.name}[{index}].")
            for index in range(group.count)
            for one in group.fields
        ]
    more = (f"+{group.stride_bytes} ...", "", f"{group.name}[n]", TO_END, "", "", "")
    return [_row(one, start=group.offset, prefix=f"{group.name}[0].") for one in group.fields] + [more]


def _row(one: Field, *, start: int, prefix: str) -> tuple[str, ...]:
    first = start + one.offset
    return (
        _span(first, first + one.size_bytes - 1),
        _span(one.bit, one.bit + one.width_bits - 1),
        prefix + one.name,
        one.kind,
        one.byte_order if one.size_bytes > 1 and one.byte_order else "",
        _formula(one),
        _special(one),
    )


def _crc_row(crc: Crc) -> tuple[str, ...]:
    place = str(crc.offset) if crc.offset >= 0 else f"{crc.offset} from end"
    first, end = crc.covers
    last = str(end - 1) if end >= 0 else f"{end - 1} from end"
    return (place, "", "crc", crc.name, crc.byte_order or "", f"over bytes {first} to {last}", "")


def _span(first: int, last: int) -> str:
    return str(first) if first == last else f"{first}-{last}"


def _formula(one: Field) -> str:
    if one.kind in {"flags", "bool"}:
        return "1 = yes"
    text = "raw" if one.exact_scale == 1 else f"raw × {one.scale}"
    if one.exact_add != 0:
        sign = "+" if one.exact_add > 0 else "-"
        text += f" {sign} {str(one.add).lstrip('+-')}"
    rounding = "" if one.rounding == "nearest" or one.kind.startswith("float") else f", rounded {one.rounding}"
    return f"{text} {'' if one.unit == '1' else one.unit}".rstrip() + rounding


def _special(one: Field) -> str:
    words = [f"{code:#x} = {word.replace('|', '/')}" for code, word in sorted(one.invalid.items())]
    flags = [f"bit {bit} = {name}" for bit, name in sorted(one.flags.items())]
    return ", ".join(words + flags)
