"""Checksums, payload bytes and time on air of the simulated board against published values."""

from __future__ import annotations

import pytest

from benchrig.simulation.airtime import time_on_air_s
from benchrig.simulation.checksums import crc8_smbus, crc16_ibm3740
from benchrig.simulation.payload import Measured, encode, with_spoilt_checksum, with_swapped_battery
from benchrig.simulation.payload_slips import SLIPS
from benchrig.simulation.uart import console_line
from tests.published import Figure

HEALTHY = Measured(
    battery_mv=3554, temperature_c=26, siren_is_on=False, is_charging=False, bale_decidegrees=(-123, 0x7FFF)
)

AN1200_13 = (
    "Semtech AN1200.13 rev 1 section 4, formula; rows with liblora 0.0.3 and pamoja-lora 0.1.18, those of 14 and 25 "
    "bytes also in avbentem/airtime-calculator Airtime.test.ts"
)
TIMES_ON_AIR_MS = [
    (7, 13, 46.336),
    (7, 14, 46.336),
    (7, 23, 61.696),
    (7, 25, 61.696),
    (7, 33, 71.936),
    (7, 64, 118.016),
    (7, 255, 399.616),
    (8, 14, 82.432),
    (8, 33, 133.632),
    (10, 13, 288.768),
    (10, 23, 370.688),
    (10, 25, 411.648),
    (11, 14, 659.456),
    (11, 25, 823.296),
    (12, 13, 1155.072),
    (12, 255, 9019.392),
]


FIGURES = [
    Figure(f"toa sf{factor} {size} bytes", AN1200_13, "recomputed", (factor, size), milliseconds)
    for factor, size, milliseconds in TIMES_ON_AIR_MS
]
"""125 kHz, 4/5, explicit header, CRC."""


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_time_on_air_matches_published_rows(figure: Figure[tuple[int, int], float]) -> None:
    """Time on air equals the published rows to a microsecond, exact multiples included."""
    spreading_factor, size = figure.inputs
    seconds = time_on_air_s(phy_payload_bytes=size, spreading_factor=spreading_factor)

    assert seconds * 1e3 == pytest.approx(figure.expected, abs=1e-3), figure


def test_checksums_have_the_catalogue_check_values() -> None:
    """Over 123456789: CRC-16/IBM-3740 gives 29B1, CRC-8/SMBUS gives F4 (RevEng catalogue names, recomputed)."""
    assert crc16_ibm3740(b"123456789") == 0x29B1
    assert crc8_smbus(b"123456789") == 0xF4


def test_console_line_carries_its_checksum() -> None:
    """The line of the check text ends in *29B1 CR LF."""
    assert console_line("123456789") == b"123456789*29B1\r\n"


def test_payload_bytes_are_as_the_trade_writes_them() -> None:
    """E2 0D is 3.554 V little-endian and 1A is 26 C (common practice, no source); FF85 is -12.3 C big-endian."""
    encoded = encode(HEALTHY)

    assert encoded[:8].hex(" ") == "e2 0d 1a 00 ff 85 7f ff"
    assert encoded[8] == crc8_smbus(encoded[:8])


@pytest.mark.parametrize(
    ("millivolts", "siren", "charging", "flags"),
    [(3400, False, False, 0), (3399, False, False, 4), (3700, True, False, 1), (3700, False, True, 2)],
    ids=["none", "low battery", "siren", "charging"],
)
def test_flags_are_one_bit_each(millivolts: int, siren: bool, charging: bool, flags: int) -> None:
    """Bit 0 siren, bit 1 charging, bit 2 battery below 3.4 V."""
    measured = Measured(
        battery_mv=millivolts,
        temperature_c=-1,
        siren_is_on=siren,
        is_charging=charging,
        bale_decidegrees=(0, 0),
    )

    assert encode(measured)[2:4] == bytes([0xFF, flags])


def test_reversed_flags_leave_the_middle_one() -> None:
    """Siren and low battery change places, charging stays between them, and the checksum is good."""
    measured = Measured(battery_mv=3300, temperature_c=0, siren_is_on=False, is_charging=True, bale_decidegrees=(0, 0))

    encoded = SLIPS["flags reversed"](measured)

    assert encoded[3] == 0b011
    assert encoded[8] == crc8_smbus(encoded[:8])


def test_swapped_battery_keeps_a_good_checksum() -> None:
    """The byte order fault is visible in the value only."""
    swapped = with_swapped_battery(encode(HEALTHY))

    assert swapped[:2].hex() == "0de2"
    assert swapped[8] == crc8_smbus(swapped[:8])


def test_spoilt_checksum_never_fits() -> None:
    """The checksum fault leaves the values alone."""
    spoilt = with_spoilt_checksum(encode(HEALTHY))

    assert spoilt[:8] == encode(HEALTHY)[:8]
    assert spoilt[8] != crc8_smbus(spoilt[:8])
