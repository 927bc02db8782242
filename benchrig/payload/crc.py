"""Cyclic redundancy checks by name: a catalogue of parameters and one engine that computes them all.

Owns the names and the arithmetic; must not know where in a payload a check stands or what it covers.
Names and the parameter model (width, polynomial, initial value, reflection in and out, final exclusive-or,
check value over the ASCII digits 123456789) as in the RevEng catalogue of parametrised CRC algorithms;
the parameters are written from memory, each check value is one that independent CRC libraries compute.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, kw_only=True)
class CrcAlgorithm:
    """One algorithm of the catalogue; `reflected` covers input and output, which agree in all of them."""

    name: str
    width_bits: int
    polynomial: int
    initial: int
    reflected: bool
    final_xor: int
    check: int

    @property
    def width_bytes(self) -> int:
        """Bytes that the check value takes in a payload."""
        return self.width_bits // 8


def _algorithm(
    name: str, width_bits: int, *, poly: int, init: int, reflected: bool, xorout: int, check: int
) -> CrcAlgorithm:
    return CrcAlgorithm(
        name=name,
        width_bits=width_bits,
        polynomial=poly,
        initial=init,
        reflected=reflected,
        final_xor=xorout,
        check=check,
    )


_F32 = 0xFFFFFFFF
# fmt: off
_ROWS = (
    _algorithm("CRC-8/SMBUS", 8, poly=0x07, init=0, reflected=False, xorout=0, check=0xF4),
    _algorithm("CRC-8/MAXIM-DOW", 8, poly=0x31, init=0, reflected=True, xorout=0, check=0xA1),
    _algorithm("CRC-8/SAE-J1850", 8, poly=0x1D, init=0xFF, reflected=False, xorout=0xFF, check=0x4B),
    _algorithm("CRC-8/AUTOSAR", 8, poly=0x2F, init=0xFF, reflected=False, xorout=0xFF, check=0xDF),
    _algorithm("CRC-8/ROHC", 8, poly=0x07, init=0xFF, reflected=True, xorout=0, check=0xD0),
    _algorithm("CRC-16/IBM-3740", 16, poly=0x1021, init=0xFFFF, reflected=False, xorout=0, check=0x29B1),
    _algorithm("CRC-16/KERMIT", 16, poly=0x1021, init=0, reflected=True, xorout=0, check=0x2189),
    _algorithm("CRC-16/XMODEM", 16, poly=0x1021, init=0, reflected=False, xorout=0, check=0x31C3),
    _algorithm("CRC-16/SPI-FUJITSU", 16, poly=0x1021, init=0x1D0F, reflected=False, xorout=0, check=0xE5CC),
    _algorithm("CRC-16/IBM-SDLC", 16, poly=0x1021, init=0xFFFF, reflected=True, xorout=0xFFFF, check=0x906E),
    _algorithm("CRC-16/GENIBUS", 16, poly=0x1021, init=0xFFFF, reflected=False, xorout=0xFFFF, check=0xD64E),
    _algorithm("CRC-16/MODBUS", 16, poly=0x8005, init=0xFFFF, reflected=True, xorout=0, check=0x4B37),
    _algorithm("CRC-16/ARC", 16, poly=0x8005, init=0, reflected=True, xorout=0, check=0xBB3D),
    _algorithm("CRC-32/ISO-HDLC", 32, poly=0x04C11DB7, init=_F32, reflected=True, xorout=_F32, check=0xCBF43926),
    _algorithm("CRC-32/ISCSI", 32, poly=0x1EDC6F41, init=_F32, reflected=True, xorout=_F32, check=0xE3069283),
)
# fmt: on
CATALOGUE: Final[Mapping[str, CrcAlgorithm]] = {row.name: row for row in _ROWS}

# Names in use that are no entry above. More than one meaning stands for names which the trade (and even
# catalogues) give to different algorithms, so a profile that uses one says nothing.
_CCITT = ("CRC-16/IBM-3740", "CRC-16/KERMIT")
OTHER_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "CRC-16/CCITT": _CCITT,
    "CRC-CCITT": _CCITT,
    "CRC-8": ("CRC-8/SMBUS", "CRC-8/MAXIM-DOW", "CRC-8/SAE-J1850"),
    "CRC-16": ("CRC-16/ARC", "CRC-16/MODBUS", "CRC-16/IBM-3740"),
    "CRC-32": ("CRC-32/ISO-HDLC", "CRC-32/ISCSI"),
    "CRC-16/CCITT-FALSE": ("CRC-16/IBM-3740",),
    "CRC-16/CCITT-TRUE": ("CRC-16/KERMIT",),
    "CRC-16/AUG-CCITT": ("CRC-16/SPI-FUJITSU",),
    "CRC-16/X-25": ("CRC-16/IBM-SDLC",),
    "CRC-32C": ("CRC-32/ISCSI",),
}


def find_crc(name: str) -> CrcAlgorithm:
    """The algorithm of exactly this name. Raises ConfigError, saying which name to write instead."""
    found = CATALOGUE.get(name)
    if found is None:
        raise ConfigError(_unknown(name))
    return found


def compute_crc(algorithm: CrcAlgorithm, data: bytes) -> int:
    """The check value over `data`, as a whole number below 2 ** width_bits."""
    table = _table(algorithm.polynomial, algorithm.width_bits, reflected=algorithm.reflected)
    if algorithm.reflected:
        register = _reverse(algorithm.initial, algorithm.width_bits)
        for byte in data:
            register = register >> 8 ^ table[(register ^ byte) & 0xFF]
        return register ^ algorithm.final_xor
    mask, shift = (1 << algorithm.width_bits) - 1, algorithm.width_bits - 8
    register = algorithm.initial
    for byte in data:
        register = register << 8 & mask ^ table[register >> shift ^ byte]
    return register ^ algorithm.final_xor


@cache
def _table(polynomial: int, width_bits: int, *, reflected: bool) -> tuple[int, ...]:
    """What each value of one byte does to the register."""
    if not reflected:
        return tuple(_shift_out(byte << (width_bits - 8), polynomial, width_bits) for byte in range(256))
    straight = _table(polynomial, width_bits, reflected=False)
    return tuple(_reverse(straight[_reverse(byte, 8)], width_bits) for byte in range(256))


def _shift_out(register: int, polynomial: int, width_bits: int) -> int:
    """Eight steps of the long division, most significant bit first."""
    for _ in range(8):
        register <<= 1
        if register >> width_bits:
            register ^= 1 << width_bits | polynomial
    return register


def _reverse(number: int, width_bits: int) -> int:
    return int(f"{number:0{width_bits}b}"[::-1], 2)


def _unknown(name: str) -> str:
    upper = name.strip().upper()
    meanings = OTHER_NAMES.get(upper, ())
    if len(meanings) > 1:
        return f"CRC name {name!r} is ambiguous, it is used for {' and for '.join(meanings)}; write one of these"
    near = meanings or tuple(difflib.get_close_matches(upper, CATALOGUE, n=1, cutoff=0.0))
    return f"unknown CRC name {name!r}; the nearest is {near[0]}; accepted: {', '.join(CATALOGUE)}"
