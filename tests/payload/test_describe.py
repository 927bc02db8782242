"""The table of a map says what the map says."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from benchrig.payload import Field, FieldMap, describe


def cells(text: str, name: str) -> list[str]:
    """The cells of the row whose field column is `name`."""
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines() if "|" in line]
    (row,) = [row for row in rows if row[2] == name]
    return row


def test_describe_probe(probe_map: FieldMap) -> None:
    """Every byte of the probe's map stands in the table with place, kind, order, value and special codes."""
    text = describe(probe_map)

    assert text.startswith("hay-barn probe: port 2, 9 bytes\n")
    assert cells(text, "battery") == ["0-1", "0-15", "battery", "unsigned", "little", "raw × 0.001 V", ""]
    assert cells(text, "temperature") == ["2", "0-7", "temperature", "signed", "", "raw degC", ""]
    assert cells(text, "flags")[-1] == "bit 0 = siren, bit 1 = charging, bit 2 = low_battery"
    assert cells(text, "bale[1].temperature")[0] == "6-7"
    assert cells(text, "bale[1].temperature")[-1] == "0x7fff = no probe"
    assert cells(text, "crc") == ["8", "", "crc", "CRC-8/SMBUS", "", "over bytes 0 to 7", ""]
    assert "Bit 0 is the least significant bit" in text


def test_describe_table_is_even(probe_map: FieldMap) -> None:
    """The lines of the table are of one length, so that it reads as plain text."""
    lines = [line for line in describe(probe_map).splitlines() if line.startswith("|")]

    assert len({len(line) for line in lines}) == 1
    assert len(lines) == 8


def test_describe_goes_by_place_in_the_payload(probe_map: FieldMap) -> None:
    """The rows stand in the order of the bytes, also when the map was not written so, the CRC last."""
    backwards = replace(probe_map, fields=probe_map.fields[::-1])

    rows = describe(backwards).splitlines()[4:10]

    assert [row.split("|")[1].strip() for row in rows] == ["0-1", "2", "3", "4-5", "6-7", "8"]


def test_describe_open_group(open_map: FieldMap) -> None:
    """A group to the end is told by its first member and how it goes on."""
    text = describe(open_map)

    assert text.startswith("many bales: port 3, 3 bytes and 2 for each bale\n")
    assert cells(text, "bale[0].temperature")[0] == "1-2"
    assert cells(text, "bale[n]")[:4] == ["+2 ...", "", "bale[n]", "to end"]
    assert cells(text, "crc")[0] == "-2 from end"
    assert cells(text, "crc")[5] == "over bytes 0 to -3 from end"


@pytest.mark.parametrize(
    ("change", "formula"),
    [
        pytest.param({"scale": "0.5", "add": "-40"}, "raw × 0.5 - 40 degC", id="minus"),
        pytest.param({"scale": 2, "add": 1.5}, "raw × 2 + 1.5 degC", id="plus"),
        pytest.param({"rounding": "down"}, "raw degC, rounded down", id="rounding"),
        pytest.param({"kind": "bool", "unit": "1"}, "1 = yes", id="bool"),
        pytest.param({"unit": "1"}, "raw", id="plain"),
    ],
)
def test_describe_value(change: dict[str, Any], formula: str) -> None:
    """The value column is the formula with which the bytes are read."""
    field = replace(Field(name="x", offset=0, width_bits=8, kind="signed", unit="degC"), **change)
    field_map = FieldMap(name="m", port=1, length_bytes=1, fields=(field,))

    assert cells(describe(field_map), "x")[5] == formula


def test_describe_word_cannot_break_the_table() -> None:
    """A column mark inside a word does not add a column."""
    field = Field(name="x", offset=0, width_bits=8, kind="signed", invalid={1: "a|b"})

    assert cells(describe(FieldMap(name="m", port=1, length_bytes=1, fields=(field,))), "x")[6] == "0x1 = a/b"
