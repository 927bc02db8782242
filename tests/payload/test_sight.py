"""What a bench notices of wrong bytes, by hand-written bytes, and what that does to a proof."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest

from benchrig.errors import ConfigError
from benchrig.payload import Field, FieldMap, encode
from benchrig.payload.layout import Layout
from benchrig.payload.proof import prove
from benchrig.payload.sight import NEVER_COMPARED, Sight

RIGHT = bytes.fromhex("e20d1a01ff85ff8500")
"""3.554 V, 26 degC, siren, both bales at -12.3 degC; the check value is no part of a body."""


def noticed(field_map: FieldMap, margins: dict[str, float], body: str) -> str:
    """The bits noticed in one body, in hexadecimal."""
    sight = Sight.of(Layout.of(field_map, 9), margins)
    bodies = np.frombuffer(bytes.fromhex(body), dtype=np.uint8)[None, :]
    return sight.noticed(bodies, np.frombuffer(RIGHT, dtype=np.uint8)).tobytes().hex()


MARGINS = [
    pytest.param({}, "e20d1a01ff86ff8500", "000000000003000000", id="no margin: every bit"),
    pytest.param({"bale[0].temperature": 0.1}, "e20d1a01ff86ff8500", "00" * 9, id="a tenth off, to a tenth"),
    pytest.param({"bale[0].temperature": 0.1}, "e20d1a01ff87ff8500", "000000000002000000", id="two tenths off"),
    pytest.param({"bale[0].temperature": 0.1}, "e20d1a01ff85ff8600", "000000000000000300", id="the other bale"),
    pytest.param({"bale[0].temperature": 25.5}, "e20d1a010085ff8500", "00000000ff00000000", id="25.6 degrees apart"),
    pytest.param({"bale[0].temperature": 5000.0}, "e20d1a017fffff8500", "00000000807a000000", id="a word is far"),
    pytest.param({"bale[0].temperature": math.inf}, "e20d1a017fffff8500", "00" * 9, id="never compared"),
    pytest.param({"battery": 0.0005}, "e30d1a01ff85ff8500", "010000000000000000", id="half a count is none"),
    pytest.param({"battery": 0.001}, "e30d1a01ff85ff8500", "00" * 9, id="a whole count is one"),
    pytest.param({"flags.siren": math.inf}, "e20d1a04ff85ff8500", "000000040000000000", id="one flag is blind"),
    pytest.param({"flags": math.inf}, "e20d1a04ff85ff8500", "00" * 9, id="all flags are"),
]


@pytest.mark.parametrize(("margins", "body", "expected"), MARGINS)
def test_sight_within_a_margin_nothing_is_noticed(
    probe_map: FieldMap, margins: dict[str, float], body: str, expected: str
) -> None:
    """A number is noticed beyond its margin only, a word always, and what is never compared never."""
    assert noticed(probe_map, margins, body) == expected


FLOATS = [
    pytest.param(3.6, 3.64, True, id="near"),
    pytest.param(3.6, 3.70, False, id="far"),
    pytest.param(3.6, math.nan, False, id="not a number"),
    pytest.param(3.6, math.inf, False, id="infinity"),
]


@pytest.mark.parametrize(("right", "found", "is_close"), FLOATS)
def test_sight_of_a_floating_point_field(right: float, found: float, is_close: bool) -> None:
    """A floating point field is compared as a number; what is none is close to nothing. Bytes by struct."""
    field = Field(name="volts", offset=0, width_bits=32, kind="float32", byte_order="big", unit="V")
    layout = Layout.of(FieldMap(name="one", port=1, length_bytes=4, fields=(field,)), 4)
    rights, bodies = (np.frombuffer(struct.pack(">f", one), dtype=np.uint8)[None, :] for one in (right, found))

    difference = Sight.of(layout, {"volts": 0.05}).noticed(bodies, rights)

    assert (not difference.any()) == is_close


def test_sight_of_a_flag_in_a_field_of_two_bytes() -> None:
    """The bit of a flag is found in either byte order; checked against bytes that `encode` makes."""
    for order in ("big", "little"):
        field = Field(
            name="state", offset=1, width_bits=9, bit=3, kind="flags", byte_order=order, flags={0: "first", 8: "last"}
        )
        field_map = FieldMap(name="two", port=1, length_bytes=3, fields=(field,))
        sight = Sight.of(Layout.of(field_map, 3), {"state.last": NEVER_COMPARED})
        off, on = (encode(field_map, {"state.first": 0, "state.last": value}) for value in (0, 1))
        bodies, right = (np.frombuffer(one, dtype=np.uint8) for one in (on, off))

        assert not sight.noticed(bodies[None, :], right).any()
        assert off != on


WRONG = [
    pytest.param({"batery": 1.0}, "margin of unknown field 'batery'; the nearest is 'battery'", id="unknown"),
    pytest.param({"battery": -1.0}, "margin of 'battery': -1.0 is not accepted; accepted 0 or more", id="negative"),
    pytest.param({"battery": math.nan}, "margin of 'battery': nan is not accepted", id="not a number"),
]


@pytest.mark.parametrize(("margins", "says"), WRONG)
def test_sight_refuses(probe_map: FieldMap, margins: dict[str, float], says: str) -> None:
    """A margin that cannot be is refused, with the nearest name."""
    with pytest.raises(ConfigError, match=says.replace("(", r"\(")):
        Sight.of(Layout.of(probe_map, 9), margins)


def point(battery: float, temperature: float) -> dict[str, float | str]:
    """A point with both bales where the board is."""
    flags = dict.fromkeys(("flags.siren", "flags.charging", "flags.low_battery"), 0.0)
    bales = {"bale[0].temperature": temperature, "bale[1].temperature": temperature}
    return {"battery": battery, "temperature": temperature, **flags, **bales}


PLAN = [point(battery, celsius) for battery in (3.301, 3.642, 4.153) for celsius in (-14.0, 26.0)]


def test_proof_with_a_margin_proves_less(probe_map: FieldMap) -> None:
    """One tenth added to every bale is shown when bales are compared bit by bit, and stays in doubt to a degree."""
    wrong = "bale[*].temperature: +1 count added"

    exact, rough = (
        prove(probe_map, PLAN, margins=margins)
        for margins in ({}, dict.fromkeys(("bale[0].temperature", "bale[1].temperature"), 1.0))
    )

    assert wrong not in {one.text for one in exact.survivors}
    assert wrong in {one.text for one in rough.survivors}
    assert {one.text for one in exact.survivors} < {one.text for one in rough.survivors}
    assert "2 wrong encoders send bytes that pass" in " ".join(rough.sentences)


def test_proof_of_what_is_never_compared_is_none(probe_map: FieldMap) -> None:
    """Of flags that nothing is held against, nothing at all is proven."""
    proof = prove(probe_map, PLAN, margins={"flags": NEVER_COMPARED})

    survivors = {one.text for one in proof.survivors}
    assert {"flags: flags inverted", "flags: always all ones"} <= survivors
