"""The hay-barn probe's uplink, our own invention, as the example map of these checks."""

from __future__ import annotations

import pytest

from benchrig.payload import Crc, Field, FieldMap, Group


@pytest.fixture(scope="session")
def probe_map() -> FieldMap:
    """Port 2, 9 bytes: battery, inside temperature, flags, two bales, CRC-8."""
    return FieldMap(
        name="hay-barn probe",
        port=2,
        length_bytes=9,
        fields=(
            Field(
                name="battery",
                offset=0,
                width_bits=16,
                kind="unsigned",
                byte_order="little",
                scale="0.001",
                unit="V",
            ),
            Field(name="temperature", offset=2, width_bits=8, kind="signed", unit="degC"),
            Field(
                name="flags",
                offset=3,
                width_bits=8,
                kind="flags",
                flags={0: "siren", 1: "charging", 2: "low_battery"},
            ),
        ),
        groups=(Group(name="bale", offset=4, stride_bytes=2, count=2, fields=(bale_temperature(),)),),
        crc=Crc(name="CRC-8/SMBUS", offset=8, covers=(0, 8)),
    )


@pytest.fixture(scope="session")
def open_map() -> FieldMap:
    """A count byte, as many bales as fit, and a CRC-16 at the end."""
    return FieldMap(
        name="many bales",
        port=3,
        length_bytes=None,
        fields=(Field(name="state", offset=0, width_bits=8, kind="unsigned"),),
        groups=(Group(name="bale", offset=1, stride_bytes=2, count="to end", fields=(bale_temperature(),)),),
        crc=Crc(name="CRC-16/MODBUS", offset=-2, covers=(0, -2), byte_order="little"),
    )


@pytest.fixture(scope="session")
def probe_values() -> dict[str, float | str]:
    """One uplink of the probe in values; its bytes are e2 0d 1a 01 ff 85 7f ff and the check value."""
    return {
        "battery": 3.554,
        "temperature": 26.0,
        "flags.siren": 1.0,
        "flags.charging": 0.0,
        "flags.low_battery": 0.0,
        "bale[0].temperature": -12.3,
        "bale[1].temperature": "no probe",
    }


def bale_temperature() -> Field:
    """Tenths of a degree, signed, big-endian, with a code for a missing probe."""
    return Field(
        name="temperature",
        offset=0,
        width_bits=16,
        kind="signed",
        byte_order="big",
        scale="0.1",
        unit="degC",
        invalid={0x7FFF: "no probe"},
    )
