"""Nothing but a finite number within tolerance, or the same word, is equal."""

from __future__ import annotations

import math

import pytest

from benchrig.errors import ConfigError
from benchrig.payload import Decoded, DecodedValue, FieldMap, compare, decode, encode

Values = dict[str, float | str]


def decoded_of(**values: DecodedValue) -> Decoded:
    """A decoded payload without problems."""
    return Decoded(values=values, crc_ok=None, problems=())


def volts(value: float | None, *, word: str | None = None) -> DecodedValue:
    """A decoded number in volts."""
    return DecodedValue(raw=0x10, value=value, unit="V", word=word)


def test_compare_equal_payload_has_no_difference(probe_map: FieldMap, probe_values: Values) -> None:
    """What was encoded is equal to itself without any tolerance, words and flags included."""
    decoded = decode(probe_map, encode(probe_map, probe_values), port=2)

    assert compare(decoded, probe_values, tolerances={}) == ()


@pytest.mark.parametrize(
    ("value", "wanted", "tolerance", "is_equal"),
    [
        pytest.param(3.554, 3.555, 0.001, True, id="on the tolerance, where floats miss it"),
        pytest.param(3.554, 3.5551, 0.001, False, id="just beyond"),
        pytest.param(3.554, 3.553, 0.001, True, id="on the tolerance below"),
        pytest.param(0.3, 0.1 + 0.2, 0.0, False, id="no tolerance"),
        pytest.param(-0.0, 0.0, 0.0, True, id="zero has no sign"),
    ],
)
def test_compare_tolerance_is_exact(value: float, wanted: float, tolerance: float, is_equal: bool) -> None:
    """The limit of the tolerance belongs to it and is met in decimal digits."""
    differences = compare(decoded_of(x=volts(value)), {"x": wanted}, tolerances={"x": tolerance})

    assert (differences == ()) == is_equal


NEVER_EQUAL: list[tuple[DecodedValue | None, float | str, str]] = [
    (None, 1.0, "x: expected 1.0, not in the payload"),
    (volts(None, word="no probe"), 1.0, "x: expected 1.0 V, received 'no probe' (raw 0x10)"),
    (volts(None), 1.0, "x: expected 1.0 V, received raw 0x10, which stands for no value"),
    (volts(math.nan), 1.0, "x: expected 1.0 V, received nan V (raw 0x10); only finite numbers can be equal"),
    (volts(math.nan), math.nan, "x: expected nan V, received nan V (raw 0x10); only finite numbers"),
    (volts(math.inf), math.inf, "x: expected inf V, received inf V (raw 0x10); only finite numbers"),
    (volts(1.0), math.nan, "x: expected nan V, received 1.0 V (raw 0x10); only finite numbers"),
    (volts(1.0), "no probe", "x: expected 'no probe', received 1.0 V (raw 0x10)"),
    (volts(None, word="low"), "no probe", "x: expected 'no probe', received 'low' (raw 0x10)"),
    (None, "no probe", "x: expected 'no probe', not in the payload"),
    (volts(3.0), 1.0, "x: expected 1.0 V, received 3.0 V (raw 0x10): 2.0 apart, tolerance 0.5"),
]


@pytest.mark.parametrize(("found", "wanted", "reason"), NEVER_EQUAL, ids=[row[2] for row in NEVER_EQUAL])
def test_compare_never_equal(found: DecodedValue | None, wanted: float | str, reason: str) -> None:
    """Missing, invalid, not a number and another word are differences that say so."""
    decoded = decoded_of(x=found) if found else decoded_of()

    (difference,) = compare(decoded, {"x": wanted}, tolerances={"x": 0.5})

    assert difference.reason.startswith(reason)
    assert (difference.field, difference.decoded, difference.tolerance) == ("x", found, 0.5)


def test_compare_payload_problem_is_a_difference(probe_map: FieldMap, probe_values: Values) -> None:
    """A wrong check value is a difference even when every field is as expected."""
    payload = encode(probe_map, probe_values)
    decoded = decode(probe_map, payload[:8] + b"\xaa", port=2)

    (difference,) = compare(decoded, probe_values, tolerances={})

    assert difference.field == "(payload)"
    assert difference.reason == "payload: CRC-8/SMBUS over bytes 0 to 7: 0xaa received, 0x02 computed"


def test_compare_right_bytes_on_wrong_port_differ(probe_map: FieldMap, probe_values: Values) -> None:
    """The right bytes on a wrong port fail as a whole and in every field."""
    decoded = decode(probe_map, encode(probe_map, probe_values), port=1)

    names = [difference.field for difference in compare(decoded, probe_values, tolerances={})]

    assert names == ["(payload)", *probe_values]


def test_compare_tolerance_by_group_and_by_member(probe_map: FieldMap, probe_values: Values) -> None:
    """A name without index holds for all members, and one with index goes before it."""
    sent: Values = probe_values | {"bale[0].temperature": 20.4, "bale[1].temperature": 20.4}
    wanted: Values = probe_values | {"bale[0].temperature": 20.0, "bale[1].temperature": 20.0}
    decoded = decode(probe_map, encode(probe_map, sent), port=2)

    by_group = compare(decoded, wanted, tolerances={"bale.temperature": 0.4})
    by_member = compare(decoded, wanted, tolerances={"bale.temperature": 0.4, "bale[1].temperature": 0.3})

    assert by_group == ()
    assert [difference.field for difference in by_member] == ["bale[1].temperature"]


@pytest.mark.parametrize("tolerance", [-0.1, math.nan, math.inf])
def test_compare_useless_tolerance_is_refused(tolerance: float) -> None:
    """A tolerance that is negative, no number or without end is refused."""
    with pytest.raises(ConfigError, match=r"tolerance of 'x' is .*; accepted 0 or a positive number"):
        compare(decoded_of(), {}, tolerances={"x": tolerance})


@pytest.mark.parametrize(
    ("byte", "mask", "fields"),
    [
        pytest.param(0, 0x01, ["battery"], id="battery low byte"),
        pytest.param(1, 0x80, ["battery"], id="battery high byte"),
        pytest.param(2, 0x80, ["temperature"], id="sign of the temperature"),
        pytest.param(3, 0x01, ["flags.siren"], id="siren"),
        pytest.param(3, 0x04, ["flags.low_battery"], id="low battery"),
        pytest.param(4, 0x80, ["bale[0].temperature"], id="sign of bale 0"),
        pytest.param(7, 0x01, ["bale[1].temperature"], id="code of bale 1"),
    ],
)
def test_compare_names_the_corrupted_field(
    probe_map: FieldMap, probe_values: Values, byte: int, mask: int, fields: list[str]
) -> None:
    """One corrupted bit is seen by the check value and named as the field that it hit."""
    payload = bytearray(encode(probe_map, probe_values))
    payload[byte] ^= mask

    differences = compare(decode(probe_map, bytes(payload), port=2), probe_values, tolerances={})

    assert [difference.field for difference in differences] == ["(payload)", *fields]
