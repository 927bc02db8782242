"""CRC algorithms against published check values and Python's binascii."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.payload.crc import CATALOGUE, OTHER_NAMES, compute_crc, find_crc
from tests.published import Figure

REVENG = "RevEng catalogue, names and check values (page not seen); crcmod 1.7, crccheck 1.3.1, some fastcrc 0.5.0"
CHECK_VALUES = [
    ("CRC-16/IBM-3740", 0x29B1, 16),
    ("CRC-16/KERMIT", 0x2189, 16),
    ("CRC-16/XMODEM", 0x31C3, 16),
    ("CRC-16/SPI-FUJITSU", 0xE5CC, 16),
    ("CRC-16/IBM-SDLC", 0x906E, 16),
    ("CRC-16/GENIBUS", 0xD64E, 16),
    ("CRC-16/MODBUS", 0x4B37, 16),
    ("CRC-16/ARC", 0xBB3D, 16),
    ("CRC-8/SMBUS", 0xF4, 8),
    ("CRC-8/MAXIM-DOW", 0xA1, 8),
    ("CRC-8/SAE-J1850", 0x4B, 8),
    ("CRC-8/AUTOSAR", 0xDF, 8),
    ("CRC-8/ROHC", 0xD0, 8),
    ("CRC-32/ISO-HDLC", 0xCBF43926, 32),
    ("CRC-32/ISCSI", 0xE3069283, 32),
]


FIGURES = [
    Figure(name, REVENG, "recomputed", f"123456789, {width} bits", f"{check:0{width // 4}x}")
    for name, check, width in CHECK_VALUES
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_compute_crc_published_check_value(figure: Figure[str, str]) -> None:
    """Each algorithm gives its published check value over the digits 123456789."""
    algorithm = find_crc(figure.id)
    digits = algorithm.width_bits // 4

    assert f"{compute_crc(algorithm, b'123456789'):0{digits}x}" == figure.expected, figure
    assert f"{algorithm.check:0{digits}x}" == figure.expected, figure
    assert figure.inputs == f"123456789, {algorithm.width_bits} bits"


def test_catalogue_holds_what_was_checked() -> None:
    """No algorithm is offered whose check value is not among the published ones."""
    assert sorted(CATALOGUE) == sorted(name for name, _, _ in CHECK_VALUES)


@given(data=st.binary(max_size=300))
def test_compute_crc_agrees_with_binascii(data: bytes) -> None:
    """Over any bytes the three that Python knows agree with it (outside: binascii crc32 and crc_hqx)."""
    assert compute_crc(find_crc("CRC-32/ISO-HDLC"), data) == binascii.crc32(data)
    assert compute_crc(find_crc("CRC-16/XMODEM"), data) == binascii.crc_hqx(data, 0)
    assert compute_crc(find_crc("CRC-16/IBM-3740"), data) == binascii.crc_hqx(data, 0xFFFF)


def test_compute_crc_modbus_request() -> None:
    """The request 01 03 00 00 00 0A is followed by C5 CD, low byte first (published note, recomputed)."""
    value = compute_crc(find_crc("CRC-16/MODBUS"), bytes.fromhex("01030000000a"))

    assert value.to_bytes(2, "little").hex() == "c5cd"


@pytest.mark.parametrize("name", sorted(CATALOGUE))
@given(data=st.binary(min_size=1, max_size=30), at=st.integers(min_value=0))
def test_compute_crc_sees_every_single_flipped_bit(name: str, data: bytes, at: int) -> None:
    """One flipped bit always changes the check value, whichever the algorithm."""
    byte, bit = divmod(at % (8 * len(data)), 8)
    flipped = bytearray(data)
    flipped[byte] ^= 1 << bit

    algorithm = find_crc(name)

    assert compute_crc(algorithm, bytes(flipped)) != compute_crc(algorithm, data)


def test_find_crc_ambiguous_name_is_refused() -> None:
    """CRC-16/CCITT is used for 29B1 and for 2189, so it is refused and both are named."""
    with pytest.raises(ConfigError, match=r"ambiguous.*CRC-16/IBM-3740 and for CRC-16/KERMIT"):
        find_crc("CRC-16/CCITT")


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        pytest.param("CRC-8/SMBUSS", "the nearest is CRC-8/SMBUS;", id="misspelt"),
        pytest.param("crc-16/modbus", "the nearest is CRC-16/MODBUS;", id="lower case"),
        pytest.param("CRC-16/X-25", "the nearest is CRC-16/IBM-SDLC;", id="other name"),
        pytest.param("CRC-32C", "the nearest is CRC-32/ISCSI;", id="other name of 32 bits"),
    ],
)
def test_find_crc_unknown_name_is_told_the_nearest(name: str, hint: str) -> None:
    """A name outside the catalogue is refused with the name to write and all accepted names."""
    with pytest.raises(ConfigError, match=rf"unknown CRC name '{name}'; {hint} accepted: .*CRC-16/ARC"):
        find_crc(name)


def test_other_names_point_into_the_catalogue() -> None:
    """Every hint is a name that would be accepted, and no accepted name is also called ambiguous."""
    assert {name for names in OTHER_NAMES.values() for name in names} <= set(CATALOGUE)
    assert not set(OTHER_NAMES) & set(CATALOGUE)
