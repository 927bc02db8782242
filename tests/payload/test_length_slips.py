"""Payloads of a wrong length: the true slip is found, and no other one that sends other bytes."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

import pytest

from benchrig.payload import Crc, Field, FieldMap, encode
from benchrig.payload.explain import Seen, explain
from benchrig.payload.layout import Layout
from benchrig.payload.length_slips import length_slips

from .reference_encoders import sealed

if TYPE_CHECKING:
    from collections.abc import Callable

POINTS = [
    {"battery": battery, "temperature": celsius, "flags.siren": 1.0, "flags.charging": 0.0, "flags.low_battery": 0.0}
    | {"bale[0].temperature": 20.7, "bale[1].temperature": 21.2}
    for battery, celsius in ((3.301, 21.0), (3.642, 22.0), (4.153, -7.0))
]


SLIPS: list[object] = [
    pytest.param(lambda f: f[:-1], "a byte missing: byte 8 (the check value), cut off at the end", id="cut off"),
    pytest.param(lambda f: f[:3] + f[4:], "a byte missing: byte 3 (flags)", id="a field left out"),
    pytest.param(
        lambda f: sealed(f[:3] + f[4:-1]),
        "a byte missing: byte 3 (flags), and the check value is of what is left",
        id="a field left out before the check value",
    ),
    pytest.param(
        lambda f: sealed(f[:6]),
        "2 bytes missing: byte 6 to 7 (bale[1].temperature), and the check value is of what is left",
        id="a member too few",
    ),
    pytest.param(
        lambda f: sealed(f[:3] + b"\0" + f[3:-1]),
        "a byte of 0x00 too many before byte 3 (flags), and the check value is over all of it",
        id="padding",
    ),
    pytest.param(lambda f: f + b"\0", "a byte of 0x00 too many at the end", id="a terminator"),
    pytest.param(
        lambda f: f[:2] + b"\xff\xff" + f[2:], "2 bytes of 0xff too many before byte 2 (temperature)", id="two of ones"
    ),
]


@pytest.mark.parametrize(("slip", "words"), SLIPS)
def test_length_slip_is_found(probe_map: FieldMap, slip: Callable[[bytes], bytes], words: str) -> None:
    """A byte too few or too many is explained by where it is, and what the check value did."""
    seen = [Seen(values=one, payload=slip(encode(probe_map, one))) for one in POINTS]

    explanation = explain(probe_map, seen)

    assert f"the payload: {words}" in [one.text for one in explanation.hypotheses]
    assert explanation.wrong_parts == ("the length",)
    assert "compare the structure" in explanation.note


def test_length_slips_of_a_check_value_that_is_not_at_the_end() -> None:
    """Where the check value stands in front it is not made again; what came is still explained as it came."""
    fields = tuple(Field(name=name, offset=at, width_bits=8, kind="unsigned") for at, name in ((4, "a"), (5, "b")))
    crc = Crc(name="CRC-32/ISO-HDLC", offset=0, covers=(4, 6), byte_order="big")
    field_map = FieldMap(name="front", port=1, length_bytes=6, fields=fields, crc=crc)
    right = zlib.crc32(b"\x07\x09").to_bytes(4, "big") + b"\x07\x09"

    (found,) = length_slips(Layout.of(field_map, 6), [right], [right[:-1]])

    assert found.text == "the payload: a byte missing: byte 5 (b), cut off at the end"


UNKNOWN = [
    pytest.param([b"\1\2\3"] * 3, id="other bytes"),
    pytest.param([b"", b"\1", b"\2\3"], id="several lengths"),
]


@pytest.mark.parametrize("payloads", UNKNOWN)
def test_length_slip_is_not_invented(probe_map: FieldMap, payloads: list[bytes]) -> None:
    """Bytes that no slip of the length makes are told by their length alone."""
    seen = [Seen(values=one, payload=payload) for one, payload in zip(POINTS, payloads, strict=True)]

    explanation = explain(probe_map, seen)

    assert explanation.classes == ()
    assert "bytes seen where these values make 9" in explanation.note
