"""The two checksums of the demo board, bit by bit.

Source of the parameters and check values: CRC-16/IBM-3740 and CRC-8/SMBUS of the RevEng catalogue; the check values
over "123456789" are 29B1 and F4.
"""

from __future__ import annotations


def crc16_ibm3740(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 1021, start FFFF, not reflected."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def crc8_smbus(data: bytes) -> int:
    """CRC-8/SMBUS: polynomial 07, start 00, not reflected."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x07 if crc & 0x80 else crc << 1) & 0xFF
    return crc
