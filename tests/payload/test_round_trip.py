"""Random maps and random values: what is encoded is decoded, and one wrong field is the one that is named."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.payload import Crc, Field, FieldMap, compare, decode, encode
from benchrig.payload.encode import value_limits
from benchrig.payload.exact import exact
from benchrig.payload.fields import Kind

if TYPE_CHECKING:
    from benchrig.payload.bits import ByteOrder

Values = dict[str, float | str]
scales = st.sampled_from(["1", "0.001", "0.1", "0.5", "-2.5", "12", "0.0078125"])
adds = st.sampled_from(["0", "-40", "273.15", "1000"])


@st.composite
def field_maps(draw: st.DrawFn) -> FieldMap:
    """Up to six fields of whole numbers, packed bit by bit from the first byte on, little-endian, and a CRC."""
    fields: list[Field] = []
    at = 0
    for index in range(draw(st.integers(1, 6))):
        at += draw(st.integers(0, 9))
        width = draw(st.integers(1, 40))
        kind = cast(Kind, draw(st.sampled_from(["unsigned", "signed"])))
        fields.append(
            Field(
                name=f"f{index}",
                offset=at // 8,
                bit=at % 8,
                width_bits=width,
                kind=kind,
                byte_order="little",
                scale=draw(scales),
                add=draw(adds),
                unit="V",
            )
        )
        at += width
    length = (at + 7) // 8
    crc = Crc(name="CRC-8/SMBUS", offset=-1, covers=(0, length))
    return FieldMap(name="random", port=1, length_bytes=length + 1, fields=tuple(fields), crc=crc)


@st.composite
def maps_with_values(draw: st.DrawFn) -> tuple[FieldMap, Values]:
    """A random map and a value within range for each of its fields, mostly between two counts."""
    field_map = draw(field_maps())
    values: Values = {}
    for field in field_map.fields:
        low, high = value_limits(field)
        values[field.name] = draw(st.floats(low, high))
    return field_map, values


@given(case=maps_with_values())
def test_round_trip_value_is_within_half_a_count(case: tuple[FieldMap, Values]) -> None:
    """Any value in range comes back within half a count, with a right check value."""
    field_map, values = case

    decoded = decode(field_map, encode(field_map, values), port=1)

    assert (decoded.crc_ok, decoded.problems) == (True, ())
    tolerances = {field.name: float(abs(exact(field.scale)) / 2) for field in field_map.fields}
    # the decoded float itself may be one rounding away from the exact number of counts
    slack = {name: tol + 1e-12 * max(1.0, abs(float(values[name]))) for name, tol in tolerances.items()}
    assert compare(decoded, values, tolerances=slack) == ()


@given(case=maps_with_values())
def test_round_trip_decoded_values_are_stable(case: tuple[FieldMap, Values]) -> None:
    """Encoding what was decoded gives the same bytes again: no drift by rounding."""
    field_map, values = case
    payload = encode(field_map, values)

    again: Values = {}
    for name, value in decode(field_map, payload, port=1).values.items():
        assert value.value is not None
        again[name] = value.value

    assert encode(field_map, again) == payload


@given(case=maps_with_values(), data=st.data())
def test_round_trip_one_wrong_field_is_the_one_named(case: tuple[FieldMap, Values], data: st.DataObject) -> None:
    """When one field was encoded from another number, compare names that field and no other."""
    field_map, values = case
    right = decode(field_map, encode(field_map, values), port=1)
    expected: Values = {name: value.value or 0.0 for name, value in right.values.items()}
    victim = data.draw(st.sampled_from(field_map.fields))
    low, high = value_limits(victim)
    other = data.draw(st.floats(low, high))
    wrong = decode(field_map, encode(field_map, expected | {victim.name: other}), port=1)

    differences = compare(wrong, expected, tolerances={})

    moved = wrong.values[victim.name].raw != right.values[victim.name].raw
    assert [difference.field for difference in differences] == ([victim.name] if moved else [])


@pytest.mark.parametrize("order", ["little", "big"])
@given(bit=st.integers(0, 7), width=st.integers(1, 64), data=st.data())
def test_round_trip_every_place_and_width(order: ByteOrder, bit: int, width: int, data: st.DataObject) -> None:
    """A whole number of any width at any bit in either order is read back to the last bit."""
    field = Field(name="x", offset=1, bit=bit, width_bits=width, kind="unsigned", byte_order=order)
    field_map = FieldMap(name="m", port=1, length_bytes=10, fields=(field,))
    number = data.draw(st.integers(0, (1 << width) - 1))

    assert decode(field_map, encode(field_map, {"x": number}), port=1).values["x"].raw == number


@given(
    width=st.integers(1, 32),
    kind=st.sampled_from(["unsigned", "signed"]),
    scale=scales,
    add=adds,
    data=st.data(),
)
def test_decode_scale_agrees_with_fraction_arithmetic(
    width: int, kind: Kind, scale: str, add: str, data: st.DataObject
) -> None:
    """The value is the float nearest to raw * scale + add (outside: fractions)."""
    field = Field(name="x", offset=0, width_bits=width, kind=kind, byte_order="big", scale=scale, add=add, unit="V")
    field_map = FieldMap(name="m", port=1, length_bytes=field.size_bytes, fields=(field,))
    payload = data.draw(st.binary(min_size=field.size_bytes, max_size=field.size_bytes))
    bits = f"{int.from_bytes(payload, 'big'):0{8 * len(payload)}b}"[-width:]
    raw = int(bits, 2) - ((1 << width) if kind == "signed" and bits[0] == "1" else 0)

    got = decode(field_map, payload, port=1).values["x"].value

    assert got == float(raw * Fraction(scale) + Fraction(add))
