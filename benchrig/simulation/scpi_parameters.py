"""Parameters of a program message unit: splitting and reading them as numbers, switches, channels, words.

Owns: the text forms.  Must not know any command.  Source: IEEE 488.2 section 7.7 (program data) and SCPI-99
volume 1 chapters 7 and 8 (MINimum, MAXimum, DEFault, Boolean, channel lists), from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.simulation.scpi_errors import ScpiError

if TYPE_CHECKING:
    from collections.abc import Sequence

_PARAMETER = re.compile(r"""\s*((?:"[^"]*"|'[^']*'|\([^()]*\)|[^,"'()])+)\s*(?:,|\Z)""")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)\Z", re.IGNORECASE)
_MULTIPLIERS: Final = {"": 1.0, "N": 1e-9, "U": 1e-6, "M": 1e-3, "K": 1e3}


@dataclass(frozen=True, slots=True)
class Limits:
    """The accepted numbers of one parameter, in the unit written as `unit`."""

    lowest: float
    highest: float
    default: float
    unit: str = ""


def split_units(message: str) -> list[str]:
    """The program message units of a message, cut at ';' outside quotes."""
    return [unit.strip() for unit in re.findall(r"""((?:"[^"]*"|'[^']*'|[^;"']|["'])+)(?:;|\Z)""", message)]


def split_parameters(text: str) -> list[str]:
    """The parameters of a unit, cut at ',' outside quotes and brackets.  Raises `ScpiError` -102."""
    parameters, position = [], 0
    while position < len(text):
        match = _PARAMETER.match(text, position)
        if match is None or not match[1].strip():
            raise ScpiError(-102)
        parameters.append(match[1].strip())
        position = match.end()
    if text.rstrip().endswith(","):
        raise ScpiError(-102)
    return parameters


def number(text: str, limits: Limits) -> float:
    """A number within `limits`, with unit or multiplier, or MIN, MAX, DEF.

    Raises `ScpiError`: -104 not a number, -131 unknown unit, -222 outside the limits.
    """
    match = _NUMBER.match(text)
    if match is None:
        return _named_number(text, limits)
    value = float(match[1]) * _multiplier(match[2].upper(), limits.unit)
    if not limits.lowest <= value <= limits.highest:
        raise ScpiError(-222)
    return value


def integer(text: str, limits: Limits) -> int:
    """A whole number; a fraction is rounded as IEEE 488.2 wants it.  Raises as `number`."""
    return round(number(text, limits))


def switch(text: str) -> bool:
    """ON, OFF or a number (true when it does not round to 0).  Raises `ScpiError` -104."""
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    match = _NUMBER.match(text)
    if match is None or match[2]:
        raise ScpiError(-104)
    return round(float(match[1])) != 0


def channels(text: str) -> list[int]:
    """The channels of a list such as ``(@1,3:5)``.  Raises `ScpiError`: -104 no list, -171 a malformed one."""
    if not text.startswith("("):
        raise ScpiError(-104)
    match = re.fullmatch(r"\(\s*@\s*([\d:,\s]+)\)", text)
    if match is None:
        raise ScpiError(-171)
    found: list[int] = []
    for part in match[1].split(","):
        first, _, last = part.partition(":")
        if not first.strip().isdigit() or (last and not last.strip().isdigit()):
            raise ScpiError(-171)
        found.extend(range(int(first), int(last or first) + 1))
    return found


def is_channel_list(text: str) -> bool:
    """Whether the parameter is meant as a channel list."""
    return text.startswith("(")


def word(text: str, spellings: Sequence[str]) -> str:
    """The spelling (as ``NORMal``) that `text` means in short or long form.

    Raises `ScpiError`: -104 for a number, -224 for a word that is none of the spellings.
    """
    if _NUMBER.match(text):
        raise ScpiError(-104)
    for spelling in spellings:
        short = "".join(letter for letter in spelling if not letter.islower())
        if text.upper() in (short, spelling.upper()):
            return spelling
    raise ScpiError(-224)


def string(text: str) -> str:
    """The inside of a quoted string.  Raises `ScpiError`: -104 not quoted, -151 a quote left open."""
    if text[:1] not in ('"', "'"):
        raise ScpiError(-104)
    if len(text) < 2 or text[-1] != text[0]:
        raise ScpiError(-151)
    return text[1:-1]


def _named_number(text: str, limits: Limits) -> float:
    named = {
        ("MIN", "MINIMUM"): limits.lowest,
        ("MAX", "MAXIMUM"): limits.highest,
        ("DEF", "DEFAULT"): limits.default,
    }
    for names, value in named.items():
        if text.upper() in names:
            return value
    raise ScpiError(-104)


def _multiplier(suffix: str, unit: str) -> float:
    if suffix and not unit:
        raise ScpiError(-138)
    prefix = suffix.removesuffix(unit) if suffix.endswith(unit) else None
    if suffix == "":
        return 1.0
    if prefix is None or prefix not in _MULTIPLIERS:
        raise ScpiError(-131)
    return _MULTIPLIERS[prefix]
