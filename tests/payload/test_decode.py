"""Bytes to values: published values, struct as the outside reference, and payloads that are wrong."""

from __future__ import annotations

import math
import struct
from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.payload import Crc, DecodedValue, Field, FieldMap, Group, decode
from tests.published import Figure

if TYPE_CHECKING:
    from benchrig.payload.bits import ByteOrder
    from benchrig.payload.fields import Kind

PROBE = bytes.fromhex("e20d1a01ff857fff02")


def one_field(field: Field) -> FieldMap:
    """A map with this field alone and just as many bytes as it needs."""
    return FieldMap(name="one", port=1, length_bytes=field.offset + field.size_bytes, fields=(field,))


def read(field: Field, text: str) -> DecodedValue:
    """The field's value in the payload written in hex."""
    decoded = decode(one_field(field), bytes.fromhex(text), port=1)
    assert decoded.problems == ()
    return decoded.values[field.name]


def test_decode_probe(probe_map: FieldMap) -> None:
    """E2 0D little-endian millivolts are 3.554 V and 1A is 26 degC (common practice, no source)."""
    decoded = decode(probe_map, PROBE, port=2)

    assert {name: value.value for name, value in decoded.values.items()} == {
        "battery": 3.554,
        "temperature": 26.0,
        "flags": 1.0,
        "flags.siren": 1.0,
        "flags.charging": 0.0,
        "flags.low_battery": 0.0,
        "bale[0].temperature": -12.3,
        "bale[1].temperature": None,
    }
    assert decoded.values["bale[1].temperature"].word == "no probe"
    assert decoded.values["battery"] == DecodedValue(raw=0x0DE2, value=3.554, unit="V")
    assert (decoded.crc_ok, decoded.problems) == (True, ())


@pytest.mark.parametrize(
    ("kind", "order", "text", "value"),
    [
        pytest.param("signed", "big", "ff85", -123.0, id="16 bit"),
        pytest.param("signed", "big", "ffff85", -123.0, id="24 bit"),
        pytest.param("signed", "little", "85ffff", -123.0, id="24 bit little-endian"),
        pytest.param("signed", "big", "8000", -32768.0, id="least"),
        pytest.param("signed", "big", "fb", -5.0, id="-5 degC"),
        pytest.param("unsigned", "big", "fb", 251.0, id="-5 degC taken as unsigned"),
        pytest.param("unsigned", "little", "e20d", 3554.0, id="millivolts"),
        pytest.param("unsigned", "big", "e20d", 57869.0, id="millivolts in the wrong order"),
    ],
)
def test_decode_published_integers(kind: Kind, order: ByteOrder, text: str, value: float) -> None:
    """Published two's complement values (Python int.from_bytes, recomputed) and the trade's examples."""
    field = Field(name="x", offset=0, width_bits=4 * len(text), kind=kind, byte_order=order)

    assert read(field, text).value == value


BINARY16 = "IEEE 754-2008 binary16; Python struct e"
HALF_FLOATS = [
    ("0000", 0.0),
    ("8000", -0.0),
    ("0001", 5.960464477539063e-08),
    ("03ff", 6.097555160522461e-05),
    ("0400", 6.103515625e-05),
    ("3555", 0.333251953125),
    ("3bff", 0.99951171875),
    ("3c00", 1.0),
    ("3c01", 1.0009765625),
    ("4248", 3.140625),
    ("429a", 3.30078125),
    ("4d60", 21.5),
    ("5640", 100.0),
    ("7bff", 65504.0),
    ("7c00", math.inf),
    ("fc00", -math.inf),
    ("c000", -2.0),
    ("d108", -40.25),
]


FIGURES = [Figure(f"half float {text}", BINARY16, "recomputed", text, value) for text, value in HALF_FLOATS]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_decode_published_half_floats(figure: Figure[str, float]) -> None:
    """Each published half float is read, its sign of zero included."""
    field = Field(name="x", offset=0, width_bits=16, kind="float16", byte_order="big")

    got = read(field, figure.inputs)

    assert got.value == figure.expected, figure
    assert math.copysign(1.0, figure.expected) == math.copysign(1.0, got.value), figure


STRUCT_CASES = [
    pytest.param(("unsigned", 8, "big"), ">B", id="B"),
    pytest.param(("signed", 8, "big"), ">b", id="b"),
    pytest.param(("unsigned", 16, "big"), ">H", id=">H"),
    pytest.param(("unsigned", 16, "little"), "<H", id="<H"),
    pytest.param(("signed", 16, "big"), ">h", id=">h"),
    pytest.param(("signed", 16, "little"), "<h", id="<h"),
    pytest.param(("unsigned", 32, "big"), ">I", id=">I"),
    pytest.param(("signed", 32, "little"), "<i", id="<i"),
    pytest.param(("unsigned", 64, "little"), "<Q", id="<Q"),
    pytest.param(("signed", 64, "big"), ">q", id=">q"),
    pytest.param(("float16", 16, "little"), "<e", id="<e"),
    pytest.param(("float32", 32, "big"), ">f", id=">f"),
    pytest.param(("float32", 32, "little"), "<f", id="<f"),
]


@pytest.mark.parametrize(("layout", "form"), STRUCT_CASES)
@given(payload=st.binary(min_size=11, max_size=11), offset=st.integers(0, 3))
def test_decode_byte_aligned_agrees_with_struct(
    layout: tuple[Kind, int, ByteOrder], form: str, payload: bytes, offset: int
) -> None:
    """A byte-aligned field of any kind is what struct reads at the same place (outside: struct)."""
    kind, width_bits, order = layout
    field = Field(name="x", offset=offset, width_bits=width_bits, kind=kind, byte_order=order)
    field_map = FieldMap(name="m", port=1, length_bytes=11, fields=(field,))

    got = decode(field_map, payload, port=1).values["x"].value

    (wanted,) = struct.unpack_from(form, payload, offset)
    assert got is not None
    assert got == float(wanted) or (math.isnan(got) and math.isnan(wanted))


@given(raw=st.integers(0, 0xFFFF))
def test_decode_scale_gives_the_float_of_the_decimal_text(raw: int) -> None:
    """Counts of 0.001 V are exactly the float that the decimal text is, not a product of floats."""
    field = Field(name="x", offset=0, width_bits=16, kind="unsigned", byte_order="big", scale=0.001, unit="V")

    got = read(field, raw.to_bytes(2, "big").hex()).value

    assert got == float(f"{raw // 1000}.{raw % 1000:03d}")


def test_decode_add_is_in_the_unit() -> None:
    """A code of 95 with half degrees from -40 degC on is 7.5 degC."""
    field = Field(name="x", offset=0, width_bits=8, kind="unsigned", scale="0.5", add=-40, unit="degC")

    assert read(field, "5f").value == 7.5


@given(pattern=st.integers(0, 0xFFFF))
def test_decode_scaled_float_agrees_with_fractions(pattern: int) -> None:
    """A scaled half float is rounded once; infinity and not-a-number stay (outside: struct, fractions)."""
    field = Field(name="x", offset=0, width_bits=16, kind="float16", byte_order="big", scale="0.1", add="-0.7")

    got = read(field, f"{pattern:04x}").value

    (number,) = struct.unpack(">e", pattern.to_bytes(2, "big"))
    if math.isfinite(number):
        assert got == float(Fraction(number) / 10 - Fraction("0.7"))
    else:
        assert str(got) == str(number)


@pytest.mark.parametrize(("text", "shown"), [("7c00", "inf"), ("fc00", "-inf"), ("7e00", "nan"), ("ffff", "nan")])
def test_decode_scaled_float_without_number(text: str, shown: str) -> None:
    """Infinity and not-a-number from the board are values that no scale changes, not exceptions."""
    field = Field(name="x", offset=0, width_bits=16, kind="float16", byte_order="big", scale="0.1")

    assert str(read(field, text).value) == shown


@pytest.mark.parametrize(
    ("text", "high", "low"),
    [pytest.param("abcdef", 0xABC, 0xDEF, id="most significant first")],
)
def test_decode_packed_twelve_bit_pair(text: str, high: int, low: int) -> None:
    """Two 12-bit numbers packed into three bytes, most significant bit first, come apart."""
    first = Field(name="first", offset=0, bit=4, width_bits=12, kind="unsigned", byte_order="big")
    second = Field(name="second", offset=1, bit=0, width_bits=12, kind="unsigned", byte_order="big")
    field_map = FieldMap(name="m", port=1, length_bytes=3, fields=(first, second))

    values = decode(field_map, bytes.fromhex(text), port=1).values

    assert (values["first"].raw, values["second"].raw) == (high, low)


def test_decode_wrong_port_reads_nothing(probe_map: FieldMap) -> None:
    """The right bytes on a wrong port are a problem and give no value."""
    decoded = decode(probe_map, PROBE, port=1)

    assert decoded.values == {}
    assert decoded.crc_ok is False
    assert decoded.problems == ("port 1 received, 'hay-barn probe' is sent on port 2: not decoded",)


@pytest.mark.parametrize("length", range(9))
def test_decode_truncated_payload_is_named(probe_map: FieldMap, length: int) -> None:
    """A truncated payload says its length, what is missing, and that nothing proves it; it never raises."""
    decoded = decode(probe_map, PROBE[:length], port=2)

    assert decoded.problems[0] == f"{length} bytes received, 'hay-barn probe' has 9"
    assert decoded.problems[-1] == f"CRC-8/SMBUS cannot be checked: {length} bytes received"
    assert decoded.crc_ok is False
    assert ("bale[1].temperature" in decoded.values) == (length == 8)
    assert ("battery" in decoded.values) == (length >= 2)


def test_decode_truncated_payload_lists_missing_fields(probe_map: FieldMap) -> None:
    """The fields that have lost a byte are listed by their full names."""
    decoded = decode(probe_map, PROBE[:5], port=2)

    assert "no bytes for bale[0].temperature, bale[1].temperature" in decoded.problems


def test_decode_overlong_payload_is_named(probe_map: FieldMap) -> None:
    """A byte too many is a problem though every field can be read."""
    decoded = decode(probe_map, PROBE + b"\x00", port=2)

    assert decoded.problems == ("10 bytes received, 'hay-barn probe' has 9",)
    assert decoded.values["battery"].value == 3.554


@pytest.mark.parametrize("at", range(72))
def test_decode_flipped_bit_is_caught(probe_map: FieldMap, at: int) -> None:
    """Any flipped bit, in a field or in the check value, makes the check value wrong."""
    flipped = bytearray(PROBE)
    flipped[at // 8] ^= 1 << at % 8

    decoded = decode(probe_map, bytes(flipped), port=2)

    assert decoded.crc_ok is False
    assert any(text.startswith("CRC-8/SMBUS over bytes 0 to 7: ") for text in decoded.problems)


def test_decode_wrong_crc_shows_both_values(probe_map: FieldMap) -> None:
    """The message holds the value received and the value computed."""
    decoded = decode(probe_map, PROBE[:8] + b"\x03", port=2)

    assert decoded.problems == ("CRC-8/SMBUS over bytes 0 to 7: 0x03 received, 0x02 computed",)


def test_decode_unnamed_flag_is_named() -> None:
    """A set bit that the map gives no name is a problem, not silence."""
    field = Field(name="state", offset=0, width_bits=8, kind="flags", flags={0: "on"})

    decoded = decode(one_field(field), b"\x91", port=1)

    assert decoded.problems == ("state is 0x91: bit 4, 7 is set and has no name",)
    assert decoded.values["state"].raw == 0x91


@pytest.mark.parametrize(
    ("text", "value", "word", "problems"),
    [
        pytest.param("00", 0.0, None, (), id="no"),
        pytest.param("01", 1.0, None, (), id="yes"),
        pytest.param("ff", None, "unknown", (), id="invalid code"),
        pytest.param("02", None, None, ("x is 0x2, which is neither 0 nor 1 nor an invalid code",), id="neither"),
    ],
)
def test_decode_bool(text: str, value: float | None, word: str | None, problems: tuple[str, ...]) -> None:
    """A truth value is 0 or 1; another byte is a problem and never taken for true."""
    field = Field(name="x", offset=0, width_bits=8, kind="bool", invalid={0xFF: "unknown"})

    decoded = decode(one_field(field), bytes.fromhex(text), port=1)

    assert (decoded.values["x"].value, decoded.values["x"].word) == (value, word)
    assert decoded.problems == problems


OPEN_CASES = [
    pytest.param("01", [], id="no member"),
    pytest.param("0100cd", [20.5], id="one member"),
    pytest.param("0100cdff85", [20.5, -12.3], id="two members"),
    pytest.param("0100cd7fff0000", [20.5, None, 0.0], id="one without probe"),
]


@pytest.mark.parametrize(("text", "temperatures"), OPEN_CASES)
def test_decode_open_group_takes_what_is_there(open_map: FieldMap, text: str, temperatures: list[float | None]) -> None:
    """A group to the end has as many members as bytes, before a check value at the end."""
    # outside: the bitwise definition of the Modbus CRC, from the Modbus serial line guide (from memory)
    register = 0xFFFF
    for byte in bytes.fromhex(text):
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)

    decoded = decode(open_map, bytes.fromhex(text) + register.to_bytes(2, "little"), port=3)

    members = [value.value for name, value in decoded.values.items() if name.startswith("bale")]
    assert members == temperatures
    assert list(decoded.values) == ["state"] + [f"bale[{n}].temperature" for n in range(len(temperatures))]
    assert (decoded.crc_ok, decoded.problems) == (True, ())


@pytest.mark.parametrize("length", [0, 1, 2, 4, 6])
def test_decode_open_group_with_part_of_a_member_is_named(open_map: FieldMap, length: int) -> None:
    """A length that leaves part of a member, or no room for the fixed part, is a problem; it never raises."""
    decoded = decode(open_map, bytes(length), port=3)

    assert decoded.problems[0] == (f"{length} bytes received, 'many bales' has 3 and a multiple of 2 for 'bale'")


def test_decode_crc_in_front_of_what_it_covers() -> None:
    """A check value may stand first; big-endian 31C3 over the digits (published XMODEM check value)."""
    digits = Field(name="digits", offset=2, width_bits=8, kind="unsigned")
    field_map = FieldMap(
        name="front",
        port=1,
        length_bytes=11,
        fields=(),
        groups=(Group(name="d", offset=2, stride_bytes=1, count=9, fields=(digits_member(digits),)),),
        crc=Crc(name="CRC-16/XMODEM", offset=0, covers=(2, 11), byte_order="big"),
    )

    decoded = decode(field_map, bytes.fromhex("31c3") + b"123456789", port=1)

    assert (decoded.crc_ok, decoded.problems) == (True, ())
    assert decoded.values["d[8].digits"].value == 0x39


def digits_member(field: Field) -> Field:
    """The same field at the start of a member."""
    return Field(name=field.name, offset=0, width_bits=field.width_bits, kind=field.kind)


@given(payload=st.binary(max_size=20), port=st.integers(0, 255))
def test_decode_never_raises(probe_map: FieldMap, open_map: FieldMap, payload: bytes, port: int) -> None:
    """Whatever bytes come on whatever port, the answer is a value; only right ones are without problem."""
    fixed = decode(probe_map, payload, port=port)
    variable = decode(open_map, payload, port=port)

    assert fixed.problems or (port == 2 and len(payload) == 9)
    assert variable.problems or (port == 3 and len(payload) % 2 == 1)
