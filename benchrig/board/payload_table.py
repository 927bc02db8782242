"""Reads the payload field map out of the board profile's table `payload`."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from benchrig.errors import ConfigError
from benchrig.payload.field_map import FieldMap
from benchrig.payload.fields import TO_END, Crc, Field, Group
from benchrig.quantity import base_unit

if TYPE_CHECKING:
    from benchrig.payload.bits import ByteOrder
    from benchrig.payload.exact import Rounding
    from benchrig.payload.fields import Kind
    from benchrig.toml_reader import Section

_KINDS = ("unsigned", "signed", "float16", "float32", "flags", "bool")
_ROUNDINGS = ("nearest", "down", "toward zero")
_LARGEST = 1e30  # as payload.field_checks has it
_MAX_BYTES = 242  # LoRaWAN regional parameters RP002-1.0.1, tables 9 and 17: the longest application payload

STAND_IN_MAP = FieldMap(
    name="stand in",
    port=1,
    length_bytes=1,
    fields=(Field(name="stand_in", offset=0, width_bits=8, kind="unsigned"),),
)
"""What `read_field_map` returns when the table has problems."""


def read_field_map(section: Section) -> FieldMap:
    """The field map; when the table has problems STAND_IN_MAP, and the problems stand in the section."""
    before = len(section.problems)
    length = section.integer("length_bytes", default=None, at_least=1, at_most=_MAX_BYTES)
    name = section.text("name", default="payload")
    port = section.integer("port", at_least=1, at_most=223)
    fields = tuple(_field(one) for one in section.listed("fields"))
    groups = tuple(_group(one) for one in section.listed("groups", required=False))
    crc_section = section.section("crc", required=False)
    crc = _crc(crc_section) if crc_section else None
    section.finish()
    if len(section.problems) == before:
        try:
            return FieldMap(
                name=name,
                port=port,
                length_bytes=length if section.has("length_bytes") else None,
                fields=fields,
                groups=groups,
                crc=crc,
            )
        except ConfigError as wrong:
            for problem in wrong.problems:
                section.problem("", problem)
    return STAND_IN_MAP


def _field(section: Section) -> Field:
    order = section.text("byte_order", default="", accepted=("little", "big")) if section.has("byte_order") else ""
    field = Field(
        name=section.text("name"),
        offset=section.integer("offset", at_least=0, at_most=_MAX_BYTES),
        width_bits=section.integer("width_bits", at_least=1, at_most=64),
        kind=cast("Kind", section.text("kind", default="unsigned", accepted=_KINDS)),
        bit=section.integer("bit", default=0, at_least=0, at_most=7),
        byte_order=cast("ByteOrder", order) if order else None,
        scale=_exact(section, "scale", 1),
        add=_exact(section, "add", 0),
        unit=_unit(section),
        invalid=_words(section, "invalid"),
        flags=_words(section, "flags"),
        rounding=cast("Rounding", section.text("rounding", default="nearest", accepted=_ROUNDINGS)),
    )
    section.finish()
    return field


def _unit(section: Section) -> str:
    """A known symbol in its base spelling; what no instrument here measures (lx, hPa) stays as it was written."""
    unit = section.text("unit", default="1")
    try:
        base, factor = base_unit(unit)
    except ValueError:
        return unit or "1"
    return base if factor == 1.0 else unit  # the field map refuses a prefix, and says what to write


def _exact(section: Section, key: str, default: int) -> str | int:
    """A factor as its shortest decimal text, so that 0.001 stays a thousandth and not a binary fraction."""
    return repr(section.number(key, at_least=-_LARGEST, at_most=_LARGEST)) if section.has(key) else default


def _words(section: Section, key: str) -> dict[int, str]:
    """A table of code -> word; codes are decimal or 0x hexadecimal."""
    table = section.section(key, required=False)
    words: dict[int, str] = {}
    if table is None:
        return words
    for code in table.names():
        word = table.text(code)
        try:
            number = int(code, 0)
        except ValueError:
            table.problem(code, "a code is a whole number, decimal or hexadecimal such as 0x7FFF")
            continue
        if number in words:
            table.problem(code, f"the code {number} stands here twice, in two ways of writing")
        words[number] = word
    return words


def _group(section: Section) -> Group:
    count = section.raw("count")
    if isinstance(count, str) and count != TO_END:
        section.problem("count", f"{count!r} is not accepted; accepted: a whole number, or {TO_END!r}")
    group = Group(
        name=section.text("name"),
        offset=section.integer("offset", at_least=0, at_most=_MAX_BYTES),
        stride_bytes=section.integer("stride_bytes", at_least=1, at_most=_MAX_BYTES),
        count=TO_END if isinstance(count, str) else section.integer("count", at_least=1, at_most=_MAX_BYTES),
        fields=tuple(_field(one) for one in section.listed("fields")),
    )
    section.finish()
    return group


def _crc(section: Section) -> Crc:
    before = len(section.problems)
    covers = section.numbers("covers")
    is_range = len(covers) == 2 and all(end == int(end) and abs(end) <= _MAX_BYTES for end in covers)
    if not is_range and len(section.problems) == before:
        section.problem("covers", "accepted: two whole numbers up to 242, first byte and the byte after the last")
        covers = (0.0, 0.0)
    order = section.text("byte_order", accepted=("little", "big")) if section.has("byte_order") else ""
    crc = Crc(
        name=section.text("name"),
        offset=section.integer("offset", at_least=-4, at_most=_MAX_BYTES),
        covers=(int(covers[0]), int(covers[1])) if covers else (0, 0),
        byte_order=cast("ByteOrder", order) if order else None,
    )
    section.finish()
    return crc
