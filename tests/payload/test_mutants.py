"""Wrong encoders against the same mistakes written by hand with struct, and against published check values."""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.payload import Crc, Field, FieldMap, Group, encode, find_crc
from benchrig.payload.check_mutants import crc_values
from benchrig.payload.mutants import Family, mutant_family, wrong_at
from benchrig.payload.points import PointTable
from tests.payload.reference_encoders import WRONG, point, right, sealed

POINTS = (
    point(3.05, 20, 5, (12.3, "no probe")),
    point(4.015, -5, 2, (-12.3, 30.0)),
    point(3.777, 100, 0, (50.0, -0.1)),
    point(2.505, -40, 7, ("no probe", 6.4)),
    point(4.2, 21, 1, (12.4, 12.8)),
)


@dataclass(frozen=True)
class Figure:
    """A value from outside the project, and how far it is backed."""

    id: str
    source: str
    mark: str
    inputs: str
    expected: int
    tolerance: int = 0

    def __str__(self) -> str:
        return f"{self.id}: {self.expected} +-{self.tolerance} from {self.source}, {self.mark}"


CATALOGUE = "RevEng catalogue names (page not seen); crcmod 1.7, crccheck 1.3.1"
FIGURES = [
    Figure("CRC-16/IBM-3740", CATALOGUE, "recomputed", "123456789", 0x29B1),
    Figure("CRC-16/KERMIT", CATALOGUE, "recomputed", "123456789", 0x2189),
    Figure("CRC-16/XMODEM", CATALOGUE, "recomputed", "123456789", 0x31C3),
    Figure("CRC-16/SPI-FUJITSU", CATALOGUE, "recomputed", "123456789", 0xE5CC),
    Figure("CRC-16/IBM-SDLC", CATALOGUE, "recomputed", "123456789", 0x906E),
    Figure("CRC-16/GENIBUS", CATALOGUE, "recomputed", "123456789", 0xD64E),
    Figure("CRC-16/MODBUS", CATALOGUE, "recomputed", "123456789", 0x4B37),
    Figure("CRC-16/ARC", CATALOGUE, "recomputed", "123456789", 0xBB3D),
    Figure("CRC-8/SMBUS", CATALOGUE, "recomputed", "123456789", 0xF4),
    Figure("CRC-8/MAXIM-DOW", CATALOGUE, "recomputed", "123456789", 0xA1),
    Figure("CRC-8/SAE-J1850", CATALOGUE, "recomputed", "123456789", 0x4B),
    Figure("CRC-8/AUTOSAR", CATALOGUE, "recomputed", "123456789", 0xDF),
    Figure("CRC-8/ROHC", CATALOGUE, "recomputed", "123456789", 0xD0),
    Figure("CRC-32/ISO-HDLC", CATALOGUE, "recomputed", "123456789", 0xCBF43926),
    Figure("CRC-32/ISCSI", CATALOGUE, "recomputed", "123456789", 0xE3069283),
]


@pytest.fixture(scope="module")
def family(probe_map: FieldMap) -> Family:
    """The probe's family with up to two slips in one field."""
    return mutant_family(probe_map, length_bytes=9)


def packed_map() -> FieldMap:
    """Fields across byte borders in both orders, floats, a yes or no, and 64 bits that begin inside a byte."""
    return FieldMap(
        name="packed",
        port=4,
        length_bytes=24,
        fields=(
            Field(name="a", offset=0, width_bits=12, bit=4, kind="unsigned", byte_order="big"),
            Field(name="yes", offset=1, width_bits=1, bit=0, kind="bool"),
            Field(name="b", offset=2, width_bits=12, bit=2, kind="signed", byte_order="little", scale="0.25", add=-7),
            Field(name="c", offset=4, width_bits=64, bit=3, kind="signed", byte_order="big", scale="-0.5"),
            Field(name="single", offset=13, width_bits=32, kind="float32", byte_order="big"),
            Field(name="half", offset=17, width_bits=16, kind="float16", byte_order="little", scale="0.1"),
            Field(name="low", offset=19, width_bits=8, kind="unsigned", rounding="down"),
            Field(name="zero", offset=20, width_bits=8, kind="signed", rounding="toward zero", scale="0.3"),
        ),
        crc=Crc(name="CRC-16/MODBUS", offset=-2, covers=(0, -2), byte_order="little"),
    )


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Finite values in a range, with all the digits of a double."""
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


packed_values = st.fixed_dictionaries(
    {
        "a": numbers(0, 4095),
        "yes": st.sampled_from([0, 1]),
        "b": numbers(-500, 500),
        "c": numbers(-1e18, 1e18),
        "single": numbers(-1e30, 1e30),
        "half": numbers(-1000, 1000),
        "low": numbers(0, 255),
        "zero": numbers(-38, 38),
    }
)
probe_values = st.builds(
    point,
    st.integers(0, 655_350).map(lambda tenths: tenths / 10_000),
    st.integers(-128, 127),
    st.integers(0, 7),
    st.tuples(*(st.one_of(st.just("no probe"), st.integers(-32_768, 32_766).map(lambda n: n / 10)),) * 2),
)


@given(points=st.lists(probe_values, min_size=1, max_size=4))
def test_point_table_right_payload_is_that_of_encode(
    probe_map: FieldMap, family: Family, points: list[dict[str, float | str]]
) -> None:
    """The right encoder of the family sends what `encode` and a second encoder written with struct send."""
    payloads = family.payloads(PointTable.of(probe_map, points).right)

    assert [bytes(payload) for payload in payloads] == [encode(probe_map, one) for one in points]
    assert [bytes(payload) for payload in payloads] == [sealed(right(points, at)) for at in range(len(points))]


@given(points=st.lists(packed_values, min_size=1, max_size=3))
@settings(deadline=None)
def test_point_table_right_payload_of_packed_fields(points: list[dict[str, float | str]]) -> None:
    """Whatever the width, place, order, scale, rounding and number of digits, right is what `encode` sends."""
    table = PointTable.of(packed_map(), points)

    payloads = mutant_family(packed_map(), length_bytes=24, max_slips=1).payloads(table.right)

    assert [bytes(payload) for payload in payloads] == [encode(packed_map(), one) for one in points]


@pytest.mark.parametrize("text", sorted(WRONG))
def test_mutant_sends_what_the_mistake_sends(probe_map: FieldMap, family: Family, text: str) -> None:
    """A wrong encoder named in words sends what the same mistake, written with struct, sends at every point."""
    table = PointTable.of(probe_map, POINTS)
    part, row = _find(family, text)

    (bodies,) = family.parts[part].bodies(np.array([row]), table)

    assert [bytes(body[:8]).hex(" ") for body in bodies] == [WRONG[text](POINTS, at).hex(" ") for at in range(5)]


def _find(family: Family, text: str) -> tuple[int, int]:
    found = [
        (index, row)
        for index, part in enumerate(family.parts)
        for row in range(part.size)
        if part.mutant(row).text == text
    ]
    assert len(found) == 1, f"{len(found)} encoders are called {text!r}"
    return found[0]


def test_mutant_of_two_slips_makes_both(probe_map: FieldMap, family: Family) -> None:
    """Two slips act one after the other: first the value is stale, then its bytes are in the other order."""
    table = PointTable.of(probe_map, POINTS)
    part, row = _find(family, "battery: value of the point before and bytes in the other order")

    (bodies,) = family.parts[part].bodies(np.array([row]), table)

    stale = WRONG["battery: value of the point before"](POINTS, 3)
    assert bytes(bodies[3][:8]) == stale[1::-1] + stale[2:]


def test_mutant_family_has_thousands_of_encoders_each_once(family: Family) -> None:
    """The probe's family has thousands of encoders, no two of the same name, every one with words and a rank."""
    texts = [mutant.text for mutant in family.mutants()]

    assert len(texts) == family.size > 4000
    assert len(set(texts)) == len(texts)
    assert all(mutant.rank >= 1 and mutant.slips for mutant in family.mutants())


@pytest.mark.parametrize("max_slips", [1, 2, 3])
def test_mutant_family_has_no_more_slips_than_asked(probe_map: FieldMap, max_slips: int) -> None:
    """Encoders have one slip up to as many as were asked for, and the rank grows with every slip."""
    family = mutant_family(probe_map, length_bytes=9, max_slips=max_slips)

    counts = {len(mutant.slips) for part in family.routines for mutant in map(part.mutant, range(part.size))}

    assert counts == set(range(1, max_slips + 1))


@pytest.mark.parametrize("max_slips", [0, 4])
def test_mutant_family_refuses_other_numbers_of_slips(probe_map: FieldMap, max_slips: int) -> None:
    """No slip makes no mutant and four make too many; the message says what is accepted."""
    with pytest.raises(ConfigError, match=rf"max_slips {max_slips} is not accepted; accepted 1 to 3"):
        mutant_family(probe_map, length_bytes=9, max_slips=max_slips)


@pytest.mark.parametrize("which", ["probe", "packed"])
def test_mutant_changes_no_bit_outside_its_footprint(which: str, probe_map: FieldMap) -> None:
    """Every encoder leaves all bits alone that its footprint does not name, and the check value's zero."""
    field_map, points = (probe_map, POINTS) if which == "probe" else (packed_map(), (PACKED_POINT,))
    table = PointTable.of(field_map, points)
    family = mutant_family(field_map, length_bytes=table.layout.length)

    for part in family.parts:
        rows = np.arange(part.size)
        changed = part.bodies(rows, table) ^ table.right
        assert not (changed & ~part.footprint(rows)[:, None, :]).any(), part.name
        assert not (changed & table.layout.check).any(), part.name


PACKED_POINT = {"a": 1000.0, "yes": 1.0, "b": -30.0, "c": 1e15, "single": 3.3, "half": 0.7, "low": 7.9, "zero": -5.0}


def test_wrong_at_is_the_same_in_64_bits_and_in_whole_numbers_without_end(probe_map: FieldMap, family: Family) -> None:
    """A point with more digits than 64 bits carry makes the arithmetic unbounded and changes no other point."""
    many_digits = point(3.7001234567890123, 20)
    short, long = (PointTable.of(probe_map, points) for points in (POINTS, (*POINTS, many_digits)))

    for part in family.parts:
        rows = np.arange(part.size)
        assert np.array_equal(wrong_at(part, rows, short), wrong_at(part, rows, long)[:, :5]), part.name


def test_wrong_at_does_not_blame_a_stale_encoder_for_what_nobody_knows(probe_map: FieldMap, family: Family) -> None:
    """At the first point nobody knows the value before, so a stale encoder is shown from the second on."""
    part, row = _find(family, "battery: value of the point before")

    wrong = wrong_at(family.parts[part], np.array([row]), PointTable.of(probe_map, POINTS))

    assert wrong.tolist() == [[False, True, True, True, True]]


def test_double_precision_truncation_loses_a_millivolt_24_times(probe_map: FieldMap, family: Family) -> None:
    """Of the 1801 millivolt values 2.500 to 4.300 V, volts times 1000 cut off is low for 24 (recomputed: Python)."""
    volts = [millivolts / 1000 for millivolts in range(2500, 4301)]
    table = PointTable.of(probe_map, [point(value, 20) for value in volts])
    part, row = _find(family, "battery: multiplied in double precision and cut off")

    wrong = wrong_at(family.parts[part], np.array([row]), table)[0]

    assert wrong.sum() == sum(int(value * 1000) != round(value * 1000) for value in volts) == 24


@pytest.mark.parametrize("figure", FIGURES, ids=[figure.id for figure in FIGURES])
def test_crc_values_published_check_value(figure: Figure) -> None:
    """The vectorised algorithms give the published check values over the digits 123456789."""
    data = np.frombuffer(figure.inputs.encode("ascii"), dtype=np.uint8)

    assert abs(int(crc_values(find_crc(figure.id), data)) - figure.expected) <= figure.tolerance, figure


@given(rows=st.lists(st.binary(min_size=7, max_size=7), min_size=1, max_size=5))
def test_crc_values_of_many_rows_agree_with_binascii(rows: list[bytes]) -> None:
    """Rows at once give what one row after the other gives (outside: binascii crc32 and crc_hqx)."""
    data = np.array([[*row] for row in rows], dtype=np.uint8)

    assert crc_values(find_crc("CRC-32/ISO-HDLC"), data).tolist() == [binascii.crc32(row) for row in rows]
    assert crc_values(find_crc("CRC-16/XMODEM"), data).tolist() == [binascii.crc_hqx(row, 0) for row in rows]


def _check_bytes(body: bytes, words: str) -> bytes:
    """What a wrong check value over bytes 0 to 6 of a body is, computed with binascii."""
    plain = binascii.crc_hqx(body, 0)
    return {
        "always 0": bytes(2),
        "inverted": (plain ^ 0xFFFF).to_bytes(2, "big"),
        "bytes in the other order": plain.to_bytes(2, "little"),
        "CRC-16/IBM-3740 instead": binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big"),
        "it leaves out the first byte": binascii.crc_hqx(body[1:], 0).to_bytes(2, "big"),
        "it leaves out the last byte": binascii.crc_hqx(body[:-1], 0).to_bytes(2, "big"),
        "the sum of the bytes instead": sum(body).to_bytes(2, "big"),
        "CRC-16/IBM-3740 instead and bytes in the other order": binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little"),
    }[words]


CHECK_WORDS = (
    "always 0",
    "inverted",
    "bytes in the other order",
    "CRC-16/IBM-3740 instead",
    "it leaves out the first byte",
    "it leaves out the last byte",
    "the sum of the bytes instead",
    "CRC-16/IBM-3740 instead and bytes in the other order",
)


@pytest.mark.parametrize("words", CHECK_WORDS)
def test_check_mutant_is_wrong_as_it_says(words: str) -> None:
    """A wrong check value named in words is what binascii gives when it is used in that wrong way."""
    field_map = FieldMap(
        name="seven bytes",
        port=9,
        length_bytes=9,
        fields=(Field(name="big", offset=0, width_bits=56, kind="unsigned", byte_order="big"),),
        crc=Crc(name="CRC-16/XMODEM", offset=-2, covers=(0, -2), byte_order="big"),
    )
    table = PointTable.of(field_map, [{"big": 0x0102_0304_0506}, {"big": 0xFF00_0000_00}])
    check = mutant_family(field_map, length_bytes=9).check
    assert check is not None
    (row,) = (row for row in range(check.size) if check.mutant(row).text == f"the check value: {words}")

    found = check.values(row, table.right, table)

    assert [bytes(value) for value in found] == [_check_bytes(bytes(body[:7]), words) for body in table.right]


def test_check_mutant_of_the_frame_before(probe_map: FieldMap, family: Family) -> None:
    """A stale check value is that of the point before, and at the first point nobody knows it."""
    table = PointTable.of(probe_map, POINTS)
    check = family.check
    assert check is not None
    (row,) = (row for row in range(check.size) if check.mutant(row).text == "the check value: that of the frame before")

    found = check.values(row, table.right, table)

    assert [int(value[0]) for value in found[1:]] == [sealed(right(POINTS, at))[-1] for at in range(4)]
    assert check.unknown(np.array([row]), table).tolist() == [[True, False, False, False, False]]


def test_minus_five_degrees_sent_as_an_unsigned_byte_reads_251(probe_map: FieldMap) -> None:
    """-5 degC is the byte 251, and a 16 bit field whose sign was not extended carries 251 for it (arithmetic)."""
    wide = FieldMap(
        name="wide",
        port=5,
        length_bytes=2,
        fields=(Field(name="t", offset=0, width_bits=16, kind="signed", byte_order="big", unit="degC"),),
    )
    family, table = mutant_family(wide, length_bytes=2, max_slips=1), PointTable.of(wide, [{"t": -5}])
    part, row = _find(family, "t: negative numbers keep their low 8 bits only, sign not extended")

    (bodies,) = family.parts[part].bodies(np.array([row]), table)

    assert int.from_bytes(bytes(bodies[0]), "big") == 251
    assert encode(probe_map, point(3.3, -5))[2] == 251


def test_mutant_family_of_an_open_group(open_map: FieldMap) -> None:
    """A group that repeats to the end is looked at with the members that the payload has."""
    values: dict[str, float | str] = {
        "state": 1,
        "bale[0].temperature": -1.5,
        "bale[1].temperature": 20.0,
        "bale[2].temperature": 3.0,
    }
    table = PointTable.of(open_map, [values])
    family = mutant_family(open_map, length_bytes=table.layout.length)
    part, row = _find(family, "bale[*].temperature: the next member's value")

    (bodies,) = family.parts[part].bodies(np.array([row]), table)

    assert bytes(bodies[0][:7]).hex(" ") == "01 00 c8 00 1e 00 1e"  # 20.0 and 3.0 degC in tenths
    assert bytes(family.payloads(table.right)[0]) == encode(open_map, values)


def test_float_fields_are_swapped_and_misplaced() -> None:
    """A field that carries a float has the slips of bytes, and none of whole counts."""
    table = PointTable.of(packed_map(), [PACKED_POINT])
    family = mutant_family(packed_map(), length_bytes=24, max_slips=1)
    part, row = _find(family, "single: bytes in the other order")

    (bodies,) = family.parts[part].bodies(np.array([row]), table)

    assert bytes(bodies[0][13:17]).hex() == "33335340"  # 3.3 is 40533333 (IEEE 754, recomputed with struct)
    assert not [m.text for m in family.mutants() if m.part == "single" and "bits" in m.text and "cut" in m.text]


def test_mutant_family_of_a_group_with_one_member() -> None:
    """A group with one member has one routine and not a second one for all members."""
    one = FieldMap(
        name="one",
        port=6,
        length_bytes=2,
        fields=(),
        groups=(
            Group(
                name="g",
                offset=0,
                stride_bytes=2,
                count=1,
                fields=(Field(name="x", offset=0, width_bits=16, kind="unsigned", byte_order="big"),),
            ),
        ),
    )

    family = mutant_family(one, length_bytes=2)

    assert [part.name for part in family.routines] == ["g[0].x"]
    assert {len(family.routines[0].mutant(row).slips) for row in range(family.routines[0].size)} == {1, 2}


def test_point_table_candidates_each_come_right_after_the_plan(probe_map: FieldMap, family: Family) -> None:
    """Candidates do not follow each other: at each of them a stale encoder sends the last planned value."""
    planned = PointTable.of(probe_map, POINTS)
    part, row = _find(family, "battery: value of the point before")

    table = planned.with_candidates({0: (Fraction(3), Fraction(4)), 1: (Fraction(-1), Fraction(5))})
    (bodies,) = family.parts[part].bodies(np.array([row]), table)

    assert [bytes(body[:3]).hex(" ") for body in bodies[5:]] == ["68 10 ff", "68 10 05"]  # 4200 mV
    assert table.values(6) == {**POINTS[-1], "battery": 4.0, "temperature": 5.0}
