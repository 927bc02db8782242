"""A field map that contradicts itself is refused with every problem named."""

from __future__ import annotations

import copy
import pickle
from dataclasses import replace
from typing import Any, cast

import pytest

import benchrig.payload as room
from benchrig.errors import ConfigError
from benchrig.payload import Crc, Field, FieldMap, Group

A = Field(name="a", offset=0, width_bits=8, kind="unsigned")
B = Field(name="b", offset=1, width_bits=16, kind="signed", byte_order="big")


def build(*fields: Field, **other: Any) -> FieldMap:
    """A map of 8 bytes on port 2 with these fields."""
    arguments: dict[str, Any] = {"name": "m", "port": 2, "length_bytes": 8, "fields": fields}
    return FieldMap(**(arguments | other))


def problems_of(*fields: Field, **other: Any) -> tuple[str, ...]:
    """What a map with these parts is refused for."""
    with pytest.raises(ConfigError, match="field map 'm': ") as caught:
        build(*fields, **other)
    return caught.value.problems


FIELD_FAULTS = [
    pytest.param({"offset": -1}, "offset -1 is before the first byte; accepted 0 or more", id="offset"),
    pytest.param({"bit": 8}, "bit 8 is not a bit of a byte; accepted 0 (least significant) to 7", id="bit"),
    pytest.param({"width_bits": 0}, "width_bits 0 is not accepted; accepted 1 to 64", id="no width"),
    pytest.param({"width_bits": 65, "byte_order": "big"}, "width_bits 65 is not accepted; accepted 1 to 64", id="wide"),
    pytest.param({"width_bits": 16}, "it spans 2 bytes; state byte_order 'little' or 'big'", id="order not stated"),
    pytest.param(
        {"bit": 7, "width_bits": 2},
        "it spans 2 bytes; state byte_order 'little' or 'big'",
        id="order not stated across a byte border",
    ),
    pytest.param({"byte_order": "middle"}, "byte_order 'middle' is unknown; accepted 'little' or 'big'", id="order"),
    pytest.param({"name": "b[0]"}, "the name is not accepted; accepted letters, digits", id="name"),
    pytest.param({"kind": "bcd"}, "kind 'bcd' is unknown; accepted 'unsigned' or 'signed' or", id="kind"),
    pytest.param({"kind": "float16"}, "kind 'float16' with width_bits 8; accepted 16", id="half width"),
    pytest.param({"kind": "bool", "width_bits": 2}, "'bool' with width_bits 2; accepted 1 or 8", id="bool"),
    pytest.param({"rounding": "up"}, "rounding 'up' is unknown; accepted 'nearest' or 'down' or", id="rounding"),
    pytest.param({"scale": 0}, "scale 0 is not accepted; accepted sizes 1e-30 to 1e30", id="zero scale"),
    pytest.param({"scale": "x"}, "scale: 'x' is not a decimal number; write a decimal", id="scale text"),
    pytest.param({"add": float("nan")}, "add: nan is not a finite number; write", id="add"),
    pytest.param({"add": "1e31"}, "add 1e31 is not accepted; accepted sizes", id="add size"),
    pytest.param({"kind": "bool", "scale": 2}, "'bool' takes no scale and no add; remove", id="bool scale"),
    pytest.param(
        {"unit": "mV"},
        "unit 'mV' is not a base unit; write 'V' and take scale and add times 0.001",
        id="unit with prefix",
    ),
    pytest.param({"unit": ""}, "unit '' is not a unit symbol; write '1'", id="no unit"),
    pytest.param({"invalid": {256: "x"}}, "invalid code 256 ('x') does not fit; accepted", id="code too big"),
    pytest.param({"invalid": {-1: "x"}}, "invalid code -1 ('x') does not fit; accepted", id="negative code"),
    pytest.param({"invalid": {255: " "}}, "invalid code 0xff has no word; name what", id="no word"),
    pytest.param({"invalid": {1: "x", 2: "x"}}, "the word 'x' stands for more than one invalid code", id="word twice"),
    pytest.param({"flags": {0: "on"}}, "flags are named but the kind is 'unsigned'", id="flags of a number"),
    pytest.param({"kind": "flags"}, "kind 'flags' names no flag; name at least one bit", id="no flag"),
    pytest.param({"kind": "flags", "flags": {8: "on"}}, "flag 'on' is on bit 8; accepted 0 to 7", id="flag beyond"),
    pytest.param({"kind": "flags", "flags": {0: "on off"}}, "flag name 'on off' is not accepted", id="flag name"),
    pytest.param({"kind": "flags", "flags": {0: "on", 1: "on"}}, "the flag name 'on' is used more", id="flag twice"),
    pytest.param({"kind": "flags", "flags": {0: "on"}, "invalid": {9: "x"}}, "takes no invalid codes", id="flag codes"),
]


@pytest.mark.parametrize(("change", "sentence"), FIELD_FAULTS)
def test_field_fault_is_the_one_problem_named(change: dict[str, Any], sentence: str) -> None:
    """A single wrong thing about a field gives a single problem, with the accepted set."""
    faulty = replace(A, **change)

    problems = problems_of(faulty)

    assert len(problems) == 1
    assert problems[0].startswith(f"field {faulty.name!r}: ")
    assert sentence in problems[0]


@pytest.mark.parametrize(("change", "sentence"), FIELD_FAULTS)
def test_field_fault_in_a_group_names_the_group(change: dict[str, Any], sentence: str) -> None:
    """The same fault inside a group says which group."""
    group = Group(name="g", offset=0, stride_bytes=8, count=1, fields=(replace(A, **change),))

    problems = problems_of(groups=(group,))

    assert len(problems) == 1
    assert problems[0].startswith("group 'g': field ")
    assert sentence in problems[0]


GROUP = Group(name="g", offset=4, stride_bytes=2, count=2, fields=(A,))
OPEN = replace(GROUP, count="to end")
CRC = Crc(name="CRC-8/SMBUS", offset=7, covers=(0, 7))
CRC16 = Crc(name="CRC-16/ARC", offset=6, covers=(0, 6), byte_order="big")

MAP_FAULTS = [
    pytest.param((A,), {"port": 0}, "port 0 is not accepted; accepted 1 to 223", id="port 0"),
    pytest.param((A,), {"port": 224}, "port 224 is not accepted; accepted 1 to 223", id="port 224"),
    pytest.param((), {}, "the map has no field and no group", id="empty"),
    pytest.param((A,), {"length_bytes": 243}, "length_bytes 243 is not accepted; accepted 1 to 242", id="long"),
    pytest.param((A,), {"length_bytes": None}, "length_bytes is not stated; state it, or", id="no length"),
    pytest.param((A,), {"groups": (OPEN,)}, "length_bytes is fixed and a group repeats 'to end'", id="both"),
    pytest.param((A, replace(A, offset=1)), {}, "the name 'a' is used 2 times", id="name twice"),
    pytest.param((A,), {"groups": (replace(GROUP, name="a"),)}, "the name 'a' is used 2 times", id="group name"),
    pytest.param((replace(A, offset=8),), {}, "field 'a' needs bytes up to 8; the payload ends at byte 8", id="end"),
    pytest.param(
        (replace(B, offset=7),), {}, "field 'b' needs bytes up to 8; the payload ends at byte 8", id="half out"
    ),
    pytest.param((A, replace(B, offset=0)), {}, "field 'b' overlaps field 'a' from byte 0 bit 0", id="overlap"),
    pytest.param(
        (replace(A, width_bits=4), replace(A, name="c", bit=3, width_bits=4)),
        {},
        "field 'c' overlaps field 'a' from byte 0 bit 3 on; move one of them",
        id="overlap of one bit",
    ),
    pytest.param(
        (replace(A, offset=6),),
        {"groups": (GROUP,)},
        "group 'g' member 1 overlaps field 'a' from byte 6 bit 0",
        id="overlap with a later member",
    ),
    pytest.param(
        (),
        {"groups": (replace(GROUP, fields=(A, replace(A, name="c"))),)},
        "field 'g[0].c' overlaps field 'g[0].a' from byte 4",
        id="overlap inside a group",
    ),
    pytest.param((A,), {"groups": (replace(GROUP, offset=-1),)}, "group 'g': offset -1 is before", id="group at"),
    pytest.param((A,), {"groups": (replace(GROUP, count=0),)}, "group 'g': count 0 is not accepted", id="count"),
    pytest.param(
        (A,), {"groups": (replace(GROUP, count=cast(Any, "all")),)}, "count 'all' is not accepted", id="count word"
    ),
    pytest.param((A,), {"groups": (replace(GROUP, fields=()),)}, "group 'g': it has no field", id="empty group"),
    pytest.param(
        (A,), {"groups": (replace(GROUP, name="g h"),)}, "group 'g h': the name is not accepted", id="group word"
    ),
    pytest.param(
        (A,),
        {"groups": (replace(GROUP, count=10**9),)},
        f"group 'g' needs bytes up to {2 * 10**9 + 3}; the payload ends at byte 8",
        id="count beyond",
    ),
    pytest.param(
        (A,),
        {"groups": (replace(GROUP, fields=(B,)),)},
        "group 'g': field 'b' ends after byte 2 of the member; accepted up to byte 1 with stride_bytes 2",
        id="member wider than stride",
    ),
    pytest.param(
        (replace(A, offset=6),),
        {"groups": (OPEN,), "length_bytes": None},
        "field 'a' needs bytes up to 6; the group that repeats 'to end' begins at byte 4",
        id="behind an open group",
    ),
    pytest.param(
        (A,),
        {"groups": (OPEN, replace(OPEN, name="h", offset=6)), "length_bytes": None},
        "more than one group repeats 'to end'; accepted one, the last",
        id="two open groups",
    ),
    pytest.param(
        (A,), {"crc": replace(CRC, name="CRC-16/CCITT")}, "crc: CRC name 'CRC-16/CCITT' is ambiguous", id="crc"
    ),
    pytest.param((A,), {"crc": replace(CRC, name="CRC-8/SMB")}, "the nearest is CRC-8/SMBUS; accepted", id="crc name"),
    pytest.param((A,), {"crc": replace(CRC16, byte_order=None)}, "CRC-16/ARC has 2 bytes; state", id="crc order"),
    pytest.param(
        (A,),
        {"crc": replace(CRC16, byte_order=cast(Any, "up"))},
        "crc: byte_order 'up' is unknown; accepted",
        id="crc word",
    ),
    pytest.param(
        (A,), {"crc": replace(CRC16, offset=7)}, "offset 7 with 2 bytes does not fit a payload of 8", id="crc end"
    ),
    pytest.param((A,), {"crc": replace(CRC16, offset=-1)}, "accepted 0 to 6, or -2 for the end", id="crc from the end"),
    pytest.param(
        (A,),
        {"crc": replace(CRC16, offset=-3, covers=(0, 5))},
        "offset -3 with 2 bytes does not fit a payload of 8 bytes; accepted 0 to 6, or -2",
        id="crc before the end",
    ),
    pytest.param((A,), {"crc": replace(CRC, covers=(0, 8))}, "contains the check value itself", id="crc itself"),
    pytest.param((A,), {"crc": replace(CRC, covers=(0, 9))}, "covers [0, 9] is no range of bytes", id="covers"),
    pytest.param((A,), {"crc": replace(CRC, covers=(3, 3))}, "covers [3, 3] is no range", id="covers nothing"),
    pytest.param(
        (replace(A, offset=7),), {"crc": CRC}, "crc overlaps field 'a' from byte 7 bit 0", id="crc on a field"
    ),
    pytest.param(
        (replace(A, offset=7),),
        {"crc": replace(CRC, offset=-1)},
        "crc overlaps field 'a' from byte 7 bit 0",
        id="crc from the end on a field",
    ),
]


@pytest.mark.parametrize(("fields", "other", "sentence"), MAP_FAULTS)
def test_map_fault_is_the_one_problem_named(fields: tuple[Field, ...], other: dict[str, Any], sentence: str) -> None:
    """A single contradiction between parts gives a single problem that names the part."""
    problems = problems_of(*fields, **other)

    assert len(problems) == 1
    assert sentence in problems[0]


def test_map_stride_zero_is_refused() -> None:
    """Members that do not move on are refused."""
    problems = problems_of(A, groups=(replace(GROUP, stride_bytes=0),))

    assert "group 'g': stride_bytes 0 is not accepted; accepted 1 or more" in problems


def test_map_tells_all_problems_at_once() -> None:
    """Faults in the head, in a field, between fields and in the check value come in one message."""
    problems = problems_of(A, replace(B, offset=0, unit="mV"), port=0, crc=replace(CRC, name="CRC-16"), name="m")

    assert [problem.split()[0] for problem in problems] == ["port", "field", "crc:", "field"]


def test_map_without_name_is_refused() -> None:
    """A map needs a name, because its messages use it."""
    with pytest.raises(ConfigError, match="the map has no name; give it one"):
        build(A, name=" ")


def test_map_cannot_be_changed_by_the_dict_it_was_made_from() -> None:
    """The codes that were checked stay the codes that are used."""
    codes = {255: "no probe"}
    field = replace(A, invalid=codes)

    codes[999] = "unchecked"

    assert field.invalid == {255: "no probe"}


def test_map_survives_pickle_and_copy(probe_map: FieldMap) -> None:
    """A map can go to another process and is equal there, and equal maps have one hash."""
    again = pickle.loads(pickle.dumps(probe_map))

    assert again == probe_map == copy.deepcopy(probe_map)
    assert hash(again) == hash(probe_map)


def test_room_offers_what_it_says() -> None:
    """The names of the room are sorted, and each is there."""
    assert room.__all__ == sorted(room.__all__)
    assert all(hasattr(room, name) for name in room.__all__)
