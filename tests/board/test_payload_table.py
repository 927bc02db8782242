"""The payload table of a profile: what is written in TOML arrives in the field map, or is told with its place."""

from __future__ import annotations

import binascii
import struct
import tomllib
import zlib

import pytest

from benchrig.board.payload_table import STAND_IN_MAP, read_field_map
from benchrig.payload.codec import decode
from benchrig.payload.field_map import FieldMap
from benchrig.payload.fields import Crc, Field, Group
from benchrig.toml_reader import Section

FIELD = 'fields = [{ name = "level", offset = 0, width_bits = 8 }]\n'
HEAD = "port = 2\nlength_bytes = 4\n"


def read(text: str) -> tuple[FieldMap, list[str]]:
    """The map of a table `payload`, and what is wrong with it."""
    problems: list[str] = []
    found = read_field_map(Section(tomllib.loads(text), file="probe.toml", path="payload", problems=problems))
    return found, [problem.removeprefix("probe.toml: ") for problem in problems]


def sound(text: str) -> FieldMap:
    """The map of a table without problems."""
    found, problems = read(text)
    assert problems == []
    return found


def told(text: str) -> list[str]:
    """What is wrong; nothing of the table is used then."""
    found, problems = read(text)
    assert problems
    assert found is STAND_IN_MAP
    return problems


FULL = """
name = "yard report"
port = 7
length_bytes = 12

[[fields]]
name = "battery"
offset = 0
width_bits = 12
bit = 4
byte_order = "big"
scale = 0.001
add = 2
unit = "V"
rounding = "down"
invalid = { 0xFFF = "not measured", 0 = "dead" }

[[fields]]
name = "state"
offset = 2
width_bits = 8
kind = "flags"
flags = { 0 = "siren", 0x7 = "low_battery" }

[[groups]]
name = "bale"
offset = 4
stride_bytes = 2
count = 3

[[groups.fields]]
name = "temperature"
offset = 0
width_bits = 16
byte_order = "little"
kind = "signed"
scale = 0.1
unit = "°C"

[crc]
name = "CRC-16/MODBUS"
offset = 10
covers = [0, 10]
byte_order = "little"
"""


def test_whole_table_arrives() -> None:
    """Every key of the table stands in the field map, codes in either way of writing, factors as they were written."""
    temperature = Field(
        name="temperature",
        offset=0,
        width_bits=16,
        kind="signed",
        byte_order="little",
        scale="0.1",
        unit="degC",
    )
    battery = Field(
        name="battery",
        offset=0,
        width_bits=12,
        bit=4,
        kind="unsigned",
        byte_order="big",
        scale="0.001",
        add="2.0",
        unit="V",
        rounding="down",
        invalid={0xFFF: "not measured", 0: "dead"},
    )
    state = Field(name="state", offset=2, width_bits=8, kind="flags", flags={0: "siren", 7: "low_battery"})

    assert sound(FULL) == FieldMap(
        name="yard report",
        port=7,
        length_bytes=12,
        fields=(battery, state),
        groups=(Group(name="bale", offset=4, stride_bytes=2, count=3, fields=(temperature,)),),
        crc=Crc(name="CRC-16/MODBUS", offset=10, covers=(0, 10), byte_order="little"),
    )


def test_shortest_table() -> None:
    """What is left out has the plainest meaning: unsigned, no factor, no unit, no check value."""
    (placed,) = sound(HEAD + FIELD).placed(4)

    assert placed.field == Field(name="level", offset=0, width_bits=8, kind="unsigned")


ORDERS = [
    pytest.param("little", "<H", id="little"),
    pytest.param("big", ">H", id="big"),
]


@pytest.mark.parametrize(("order", "code"), ORDERS)
def test_byte_order_is_that_of_struct(order: str, code: str) -> None:
    """A field reads as Python's own struct writes it in that byte order."""
    found = sound(
        "port = 2\nlength_bytes = 2\n"
        f'fields = [{{ name = "level", offset = 0, width_bits = 16, byte_order = "{order}", scale = 0.001 }}]'
    )

    decoded = decode(found, struct.pack(code, 3701), port=2)

    assert decoded.values["level"].value == 3.701
    assert decoded.problems == ()


OPEN = """
port = 3
fields = [{ name = "state", offset = 0, width_bits = 8 }]
groups = [{ name = "bale", offset = 1, stride_bytes = 2, count = "to end", fields = [
  { name = "temperature", offset = 0, width_bits = 16, kind = "signed", byte_order = "big", scale = 0.1 },
] }]
"""


@pytest.mark.parametrize("members", [0, 1, 3])
def test_group_to_the_end_with_a_check_value(members: int) -> None:
    """A group that repeats to the end takes what is there; the check value behind it is that of zlib."""
    found = sound(OPEN + '[crc]\nname = "CRC-32/ISO-HDLC"\noffset = -4\ncovers = [0, -4]\nbyte_order = "big"\n')
    body = b"\x01" + b"".join(struct.pack(">h", -123 + 10 * number) for number in range(members))

    decoded = decode(found, body + struct.pack(">I", zlib.crc32(body)), port=3)

    assert decoded.crc_ok
    assert decoded.problems == ()
    assert [decoded.values[f"bale[{number}].temperature"].value for number in range(members)] == [
        (-123 + 10 * number) / 10 for number in range(members)
    ]


def test_check_value_of_a_common_library() -> None:
    """CRC-16/XMODEM of the table is what Python's binascii computes."""
    found = sound(HEAD + FIELD + '[crc]\nname = "CRC-16/XMODEM"\noffset = 2\ncovers = [0, 2]\nbyte_order = "big"\n')
    body = b"\x55\xaa"

    decoded = decode(found, body + binascii.crc_hqx(body, 0).to_bytes(2, "big"), port=2)

    assert decoded.crc_ok


@pytest.mark.parametrize("code", ["0x7FFF", "32767", "0b111111111111111"])
def test_invalid_code_in_any_writing(code: str) -> None:
    """A code means the same number however it was written."""
    found = sound(
        HEAD
        + 'fields = [{ name = "level", offset = 0, width_bits = 16, byte_order = "big", '
        + f'invalid = {{ {code} = "no probe" }} }}]'
    )

    read_back = decode(found, b"\x7f\xff\x00\x00", port=2).values["level"]

    assert (read_back.value, read_back.word) == (None, "no probe")


UNITS = [
    pytest.param("degC", "degC", id="base unit"),
    pytest.param("\N{DEGREE SIGN}C", "degC", id="other writing"),
    pytest.param("1", "1", id="plain number"),
    *(pytest.param(unit, unit, id=unit) for unit in ("lx", "%", "ppm", "Pa", "hPa", "mm", "s", "count", "m", "L")),
]


@pytest.mark.parametrize(("written", "unit"), UNITS)
def test_unit(written: str, unit: str) -> None:
    """A unit is kept in its base spelling; one that no bench measures may stand in a payload all the same."""
    found = sound(HEAD + FIELD.replace("width_bits = 8", f'width_bits = 8, unit = "{written}"'))

    assert found.fields[0].unit == unit


@pytest.mark.parametrize(("unit", "base"), [("mV", "V"), ("uA", "A"), ("kohm", "ohm")])
def test_unit_with_a_factor_is_refused(unit: str, base: str) -> None:
    """A prefix would stand in two places, in the unit and in the scale."""
    (problem,) = told(HEAD + FIELD.replace("width_bits = 8", f'width_bits = 8, unit = "{unit}"'))

    assert problem.startswith(f"payload: field 'level': unit '{unit}' is not a base unit; write '{base}' and take")


def field(more: str) -> str:
    """A table whose one field has something more, or another value."""
    return HEAD + FIELD.replace("width_bits = 8", f"width_bits = 8, {more}")


def group(count: str) -> str:
    """A table with a group that is counted so."""
    inside = 'offset = 1, stride_bytes = 1, fields = [{ name = "a", offset = 0, width_bits = 8 }]'
    return f'port = 2\ngroups = [{{ name = "g", count = {count}, {inside} }}]\n{FIELD}'


def crc(text: str) -> str:
    """A table with this check value."""
    return f"{HEAD}{FIELD}crc = {{ {text} }}\n"


MISTAKES = [
    pytest.param("port = 2\nlength_bytes = 4\n", "payload.fields: this key is missing", id="no fields"),
    pytest.param(HEAD + "fields = 3", "payload.fields: 3 is not an array of tables", id="number of fields"),
    pytest.param(FIELD + "length_bytes = 4", "payload.port: this key is missing", id="no port"),
    pytest.param("port = 2\n" + FIELD, "payload: length_bytes is not stated; state it, or let the", id="no length"),
    pytest.param("port = 2\nlength_bytes = 243\n" + FIELD, "payload.length_bytes: 243 is not a whole", id="too long"),
    pytest.param(HEAD + FIELD + "ports = 2", "payload.ports: unknown key (nearest known: port)", id="unknown key"),
    pytest.param(field("ofset = 1"), "payload.fields[0].ofset: unknown key (nearest known: offset)", id="field's key"),
    pytest.param(field("bit = 8"), "payload.fields[0].bit: 8 is not a whole number from 0 to 7", id="bit"),
    pytest.param(field("scale = nan"), "payload.fields[0].scale: nan is not a finite number", id="scale"),
    pytest.param(field("scale = 0"), "payload: field 'level': scale 0.0 is not accepted", id="scale of nothing"),
    pytest.param(field("add = '1'"), "payload.fields[0].add: '1' is not a finite number", id="added text"),
    pytest.param(
        field("rounding = 'up'"), "payload.fields[0].rounding: 'up' is not one of: nearest, down", id="rounds"
    ),
    pytest.param(field("kind = 'flags'"), "payload: field 'level': kind 'flags' names no flag", id="no flag"),
    pytest.param(
        field("kind = 'flags', flags = { 8 = 'on' }"), "payload: field 'level': flag 'on' is on bit 8", id="flag beyond"
    ),
    pytest.param(
        field("invalid = { none = 'no probe' }"),
        "payload.fields[0].invalid.none: a code is a whole number, decimal or hexadecimal such as 0x7FFF",
        id="code of letters",
    ),
    pytest.param(
        field("invalid = { 0xFF = 'no probe', 255 = 'broken' }"),
        "payload.fields[0].invalid.255: the code 255 stands here twice, in two ways of writing",
        id="code twice",
    ),
    pytest.param(
        field("invalid = { 0xFF = 3 }"), "payload.fields[0].invalid.0xFF: 3 is not a text that says", id="no word"
    ),
    pytest.param(
        field("invalid = { 0x100 = 'x' }"),
        "payload: field 'level': invalid code 256 ('x') does not fit",
        id="large code",
    ),
    pytest.param(field("invalid = 255"), "payload.fields[0].invalid: 255 is not a table", id="bare code"),
    pytest.param(
        group('"to the end"'),
        "payload.groups[0].count: 'to the end' is not accepted; accepted: a whole",
        id="count text",
    ),
    pytest.param(group("0"), "payload.groups[0].count: 0 is not a whole number from 1 to 242", id="count of nothing"),
    pytest.param("length_bytes = 4\n" + group('"to end"'), "payload: length_bytes is fixed and a group", id="both"),
    pytest.param(
        crc('name = "CRC-9", offset = 3, covers = [0, 3]'), "payload: crc: unknown CRC name 'CRC-9'; the", id="CRC name"
    ),
    pytest.param(
        crc('name = "CRC-16/CCITT", offset = 2, covers = [0, 2], byte_order = "big"'),
        "payload: crc: CRC name 'CRC-16/CCITT' is ambiguous",
        id="ambiguous CRC",
    ),
    pytest.param(
        crc('name = "CRC-8/SMBUS", offset = 3, covers = [0]'), "payload.crc.covers: accepted: two whole", id="one end"
    ),
    pytest.param(
        crc('name = "CRC-8/SMBUS", offset = 3, covers = [0, 2.5]'),
        "payload.crc.covers: accepted: two",
        id="half a byte",
    ),
    pytest.param(
        crc('name = "CRC-8/SMBUS", offset = 3, covers = "all"'), "payload.crc.covers: 'all' is not an array", id="all"
    ),
    pytest.param(crc('name = "CRC-8/SMBUS", offset = 3'), "payload.crc.covers: this key is missing", id="no range"),
    pytest.param(
        crc('name = "CRC-16/XMODEM", offset = 2, covers = [0, 2]'),
        "payload: crc: CRC-16/XMODEM has 2 bytes",
        id="order",
    ),
]


@pytest.mark.parametrize(("text", "sentence"), MISTAKES)
def test_mistake_is_told_with_its_place(text: str, sentence: str) -> None:
    """One mistake, one sentence with its place."""
    (problem,) = told(text)

    assert problem.startswith(sentence)


def test_all_mistakes_are_told() -> None:
    """Mistakes in several parts are told together."""
    problems = told("port = 0\nlength_bytes = 4\n" + FIELD.replace("offset = 0", "offset = -1") + "crc = 7\n")

    assert [problem.partition(": ")[0] for problem in problems] == [
        "payload.port",
        "payload.fields[0].offset",
        "payload.crc",
    ]
