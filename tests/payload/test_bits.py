"""Bit positions, widths and byte orders against ctypes bit fields and int.from_bytes."""

from __future__ import annotations

import ctypes

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.payload.bits import as_pattern, as_signed, extract, insert, occupied, span_bytes
from tests.published import Figure

Place = tuple[int, int]
places = st.integers(0, 63).flatmap(lambda skip: st.tuples(st.just(skip), st.integers(1, 64 - skip)))
eight_bytes = st.binary(min_size=8, max_size=8)


def little_endian_reference(payload: bytes, skip: int, width: int) -> int:
    """The C compiler's little-endian bit field after `skip` bits, least significant first."""
    skipped = (("skipped", ctypes.c_uint64, skip),) if skip else ()

    class Little(ctypes.LittleEndianStructure):
        _fields_ = (*skipped, ("wanted", ctypes.c_uint64, width))

    return int(Little.from_buffer_copy(payload).wanted)


def big_endian_reference(payload: bytes, skip: int, width: int) -> int:
    """The big-endian bit field after `skip` bits, most significant first."""
    skipped = (("skipped", ctypes.c_uint64, skip),) if skip else ()

    class Big(ctypes.BigEndianStructure):
        _fields_ = (*skipped, ("wanted", ctypes.c_uint64, width))

    return int(Big.from_buffer_copy(payload).wanted)


def big_endian_place(skip: int, width: int) -> tuple[int, int]:
    """(offset, bit) of the number that follows `skip` bits counted from the most significant."""
    last_byte, from_top = divmod(skip + width - 1, 8)
    bit = 7 - from_top
    return last_byte - span_bytes(width, bit=bit) + 1, bit


@given(payload=eight_bytes, place=places)
def test_extract_little_endian_agrees_with_ctypes(payload: bytes, place: Place) -> None:
    """Every little-endian number of 1 to 64 bits is read as a C bit field is (outside: ctypes)."""
    skip, width = place

    got = extract(payload, offset=skip // 8, width_bits=width, bit=skip % 8, byte_order="little")

    assert got == little_endian_reference(payload, skip, width)


@given(payload=eight_bytes, place=places)
def test_extract_big_endian_agrees_with_ctypes(payload: bytes, place: Place) -> None:
    """Every big-endian number of 1 to 64 bits is read as a C bit field is (outside: ctypes)."""
    skip, width = place
    offset, bit = big_endian_place(skip, width)

    got = extract(payload, offset=offset, width_bits=width, bit=bit, byte_order="big")

    assert got == big_endian_reference(payload, skip, width)


@given(payload=eight_bytes, place=places, data=st.data())
def test_insert_changes_only_its_own_bits(payload: bytes, place: Place, data: st.DataObject) -> None:
    """Writing a number sets exactly the bits that `occupied` names and leaves all others."""
    skip, width = place
    offset, bit = big_endian_place(skip, width)
    pattern = data.draw(st.integers(0, (1 << width) - 1))
    changed = bytearray(payload)

    insert(changed, pattern, offset=offset, width_bits=width, bit=bit, byte_order="big")

    owned = occupied(offset=offset, width_bits=width, bit=bit, byte_order="big")
    touched = {at for at in range(64) if (changed[at // 8] ^ payload[at // 8]) >> at % 8 & 1}
    assert touched <= owned
    assert len(owned) == width
    assert big_endian_reference(bytes(changed), skip, width) == pattern


@given(place=places)
def test_occupied_little_endian_names_the_bits_it_writes(place: Place) -> None:
    """All ones written into zeros show exactly the bits that little-endian `occupied` names."""
    skip, width = place
    payload = bytearray(8)

    insert(
        payload,
        (1 << width) - 1,
        offset=skip // 8,
        width_bits=width,
        bit=skip % 8,
        byte_order="little",
    )

    owned = occupied(offset=skip // 8, width_bits=width, bit=skip % 8, byte_order="little")
    assert owned == {at for at in range(64) if payload[at // 8] >> at % 8 & 1}


FROM_BYTES = "two's complement; Python int.from_bytes"
FIGURES = [
    Figure("16 bit -1", FROM_BYTES, "recomputed", "ffff", -1),
    Figure("16 bit least", FROM_BYTES, "recomputed", "8000", -32768),
    Figure("16 bit -123", FROM_BYTES, "recomputed", "ff85", -123),
    Figure("24 bit -123", FROM_BYTES, "recomputed", "ffff85", -123),
    Figure("16 bit greatest", FROM_BYTES, "recomputed", "7fff", 32767),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_as_signed_published_values(figure: Figure[str, int]) -> None:
    """Two's complement reads and writes the published values, and as int.from_bytes does."""
    pattern, width_bits = int(figure.inputs, 16), 4 * len(figure.inputs)

    assert as_signed(pattern, width_bits=width_bits) == figure.expected, figure
    assert as_pattern(figure.expected, width_bits=width_bits) == pattern, figure
    assert int.from_bytes(bytes.fromhex(figure.inputs), "big", signed=True) == figure.expected, figure


def test_as_signed_minus_five_unsigned_is_251() -> None:
    """-5 degC in one byte is 0xfb, which an unsigned reading would take for 251."""
    assert as_pattern(-5, width_bits=8) == 251
    assert as_signed(251, width_bits=8) == -5


def test_extract_beyond_payload_is_refused() -> None:
    """A short payload raises and never gives a number made of fewer bytes."""
    with pytest.raises(IndexError, match=r"bytes 1\.\.2 asked of a payload of 2 bytes"):
        extract(b"\x01\x02", offset=1, width_bits=16, bit=0, byte_order="big")


def test_insert_too_wide_pattern_is_refused() -> None:
    """A pattern wider than the field raises and never spills into its neighbour."""
    with pytest.raises(ValueError, match=r"pattern 8 does not fit 3 bits; accepted 0\.\.7"):
        insert(bytearray(1), 8, offset=0, width_bits=3, bit=2, byte_order="big")
