"""Values to bytes: published values, rounding, and every value that is refused."""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.payload import Field, FieldMap, decode, encode

if TYPE_CHECKING:
    from benchrig.payload.exact import Rounding

Values = dict[str, float | str]


def one_field(field: Field) -> FieldMap:
    """A map with this field alone."""
    return FieldMap(name="one", port=1, length_bytes=field.offset + field.size_bytes, fields=(field,))


def tenths(rounding: Rounding = "nearest") -> Field:
    """Tenths of a degree in one signed byte."""
    return Field(name="x", offset=0, width_bits=8, kind="signed", scale="0.1", unit="degC", rounding=rounding)


def test_encode_probe(probe_map: FieldMap, probe_values: Values) -> None:
    """3.554 V is E2 0D and 26 degC is 1A (common practice, no source); the CRC-8 is appended."""
    assert encode(probe_map, probe_values).hex() == "e20d1a01ff857fff02"


def test_encode_flags_all_together(probe_map: FieldMap, probe_values: Values) -> None:
    """The flags as one whole number give the same bytes as one by one, and both together do too."""
    whole: Values = {name: value for name, value in probe_values.items() if not name.startswith("flags.")}

    assert encode(probe_map, whole | {"flags": 1}) == encode(probe_map, probe_values)
    assert encode(probe_map, probe_values | {"flags": 1}) == encode(probe_map, probe_values)


def test_encode_open_group_goes_by_the_highest_index(open_map: FieldMap) -> None:
    """Two members make five bytes and the Modbus CRC, low byte first; none make one byte and the CRC."""
    values: Values = {"state": 1, "bale[0].temperature": 20.5, "bale[1].temperature": -12.3}

    assert encode(open_map, values)[:-2].hex() == "0100cdff85"
    assert encode(open_map, {"state": 1})[:-2].hex() == "01"
    assert decode(open_map, encode(open_map, values), port=3).crc_ok is True


@pytest.mark.parametrize(
    ("number", "text"),
    [
        pytest.param(3.3, "429a", id="3.3"),
        pytest.param(65504.0, "7bff", id="largest"),
        pytest.param(65519.999, "7bff", id="rounds to the largest"),
        pytest.param(5.960464477539063e-08, "0001", id="least above zero"),
        pytest.param(-40.25, "d108", id="-40.25"),
    ],
)
def test_encode_published_half_floats(number: float, text: str) -> None:
    """Published half floats (IEEE 754-2008 binary16; Python struct; recomputed) are written."""
    field = Field(name="x", offset=0, width_bits=16, kind="float16", byte_order="big")

    assert encode(one_field(field), {"x": number}).hex() == text


@given(number=st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_encode_float32_agrees_with_struct(number: float) -> None:
    """A single float is what struct packs, zero's sign aside (outside: struct)."""
    field = Field(name="x", offset=0, width_bits=32, kind="float32", byte_order="little")

    assert encode(one_field(field), {"x": number}) == struct.pack("<f", number + 0.0)


@pytest.mark.parametrize(
    ("rounding", "value", "counts"),
    [
        pytest.param("nearest", 0.25, 3, id="tie up"),
        pytest.param("nearest", -0.25, -3, id="tie down below zero"),
        pytest.param("nearest", 0.249, 2, id="nearest"),
        pytest.param("down", 0.29, 2, id="down"),
        pytest.param("down", -0.21, -3, id="down below zero"),
        pytest.param("toward zero", -0.29, -2, id="toward zero"),
        pytest.param("down", 0.3, 3, id="whole counts stay, though 0.3/0.1 in floats is below 3"),
    ],
)
def test_encode_rounds_as_the_field_says(rounding: Rounding, value: float, counts: int) -> None:
    """Rounding works on the decimal digits: ties away from zero, down to minus infinity, toward zero."""
    payload = encode(one_field(tenths(rounding)), {"x": value})

    assert int.from_bytes(payload, "big", signed=True) == counts


REFUSED = [
    pytest.param({"battery": 65.536}, "battery: 65.536 V does not fit; accepted 0.0 to 65.535 V", id="high"),
    pytest.param({"battery": -0.001}, "battery: -0.001 V does not fit; accepted 0.0 to 65.535 V", id="low"),
    pytest.param({"temperature": 128}, "temperature: 128.0 degC does not fit; accepted -128.0 to 127.0", id="8"),
    pytest.param({"temperature": math.nan}, "temperature: nan is not a finite number", id="nan"),
    pytest.param({"temperature": math.inf}, "temperature: inf is not a finite number", id="inf"),
    pytest.param({"temperature": "cold"}, "temperature: unknown word 'cold'; accepted words: none", id="word"),
    pytest.param(
        {"bale[0].temperature": "lost"}, "unknown word 'lost'; accepted words: 'no probe'; or a number", id="words"
    ),
    pytest.param(
        {"bale[0].temperature": 3276.7},
        "bale[0].temperature: 3276.7 would be sent as 0x7fff, which means 'no probe'",
        id="number on an invalid code",
    ),
    pytest.param({"flags.siren": 0.5}, "flags.siren: 0.5 is not a flag; accepted 0 or 1", id="half a flag"),
    pytest.param({"flags.siren": "on"}, "flags.siren: 'on' is not a flag; accepted 0 or 1", id="flag word"),
    pytest.param({"flags": 8}, "flags: 8 is not accepted; accepted 0 to 0x7, named bits only", id="unnamed bit"),
    pytest.param({"flags": "on"}, "flags: 'on' is not accepted; accepted 0 to 0x7", id="flags word"),
    pytest.param({"flags": math.nan}, "flags: nan is not accepted; accepted 0 to 0x7", id="flags nan"),
    pytest.param({"flags": 0}, "flags: 0x0 contradicts flags.siren; give one of them", id="contradiction"),
    pytest.param({"batery": 3.0}, "unknown field 'batery'; the nearest is 'battery'", id="misspelt"),
    pytest.param({"bale[2].temperature": 1.0}, "unknown field 'bale[2].temperature'", id="member too many"),
]


@pytest.mark.parametrize(("change", "sentence"), REFUSED)
def test_encode_refuses_what_it_cannot_send(
    probe_map: FieldMap, probe_values: Values, change: Values, sentence: str
) -> None:
    """A value that the bytes cannot carry is refused with its field, itself and the accepted set."""
    with pytest.raises(ConfigError, match="encode 'hay-barn probe': ") as caught:
        encode(probe_map, probe_values | change)

    assert len(caught.value.problems) == 1
    assert sentence in caught.value.problems[0]


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("battery", "no value for 'battery'; give one in V"),
        ("flags.siren", "no value for flags.siren; give 0 or 1 for each flag"),
        ("bale[1].temperature", "no value for 'bale[1].temperature'; give one in degC"),
    ],
)
def test_encode_missing_value_is_refused(probe_map: FieldMap, probe_values: Values, name: str, sentence: str) -> None:
    """A field without a value is refused and never sent as zero."""
    values = {key: value for key, value in probe_values.items() if key != name}

    with pytest.raises(ConfigError, match="encode 'hay-barn probe': ") as caught:
        encode(probe_map, values)

    assert caught.value.problems == (sentence,)


def test_encode_tells_all_problems_at_once(probe_map: FieldMap) -> None:
    """Every field is looked at before anything is refused."""
    with pytest.raises(ConfigError, match=r"no value for 'battery'.*unknown field 'x'") as caught:
        encode(probe_map, {"x": 1.0})

    assert len(caught.value.problems) == 6


@pytest.mark.parametrize(
    "field",
    [
        pytest.param(Field(name="x", offset=0, width_bits=16, kind="float16", byte_order="big"), id="half float"),
        pytest.param(Field(name="x", offset=0, width_bits=8, kind="bool"), id="bool"),
    ],
)
def test_encode_beyond_the_kind_is_refused(field: Field) -> None:
    """65520 overflows a half float (published note, recomputed), and is no truth value."""
    with pytest.raises(ConfigError, match=r"x: 65520\.0 1 does not fit; accepted (-65504\.0|0\.0) to"):
        encode(one_field(field), {"x": 65520.0})


def test_encode_truth_value_is_not_rounded() -> None:
    """A truth value of 0.7 is refused, not rounded to true."""
    field = Field(name="x", offset=0, width_bits=1, kind="bool")

    with pytest.raises(ConfigError, match=r"x: 0\.7 1 does not fit; accepted 0\.0 to 1\.0"):
        encode(one_field(field), {"x": 0.7})


def test_encode_negative_scale_states_the_range_in_order() -> None:
    """With a negative scale the accepted range is still written from low to high."""
    field = Field(name="x", offset=0, width_bits=8, kind="unsigned", scale=-1, unit="degC")

    with pytest.raises(ConfigError, match=r"accepted -255\.0 to 0\.0 degC"):
        encode(one_field(field), {"x": 1.0})


def test_encode_too_many_members_is_refused(open_map: FieldMap) -> None:
    """An index that no payload can hold is refused before any bytes are made."""
    with pytest.raises(ConfigError, match="200003 bytes asked; accepted up to 242"):
        encode(open_map, {"state": 1, "bale[99999].temperature": 1.0})


def test_encode_leaves_gaps_zero() -> None:
    """Bytes that nobody owns are sent as zero."""
    field = Field(name="x", offset=2, bit=3, width_bits=2, kind="unsigned")
    field_map = FieldMap(name="gap", port=1, length_bytes=4, fields=(field,))

    assert encode(field_map, {"x": 3}).hex() == "00001800"
