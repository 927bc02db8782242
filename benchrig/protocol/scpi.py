"""SCPI text: what an instrument answered, as values, and program messages as text.

Owns the reading of numbers, booleans, error entries, identities and blocks out of response text. Must not
know how the text travelled, nor what was asked. Forms: IEEE 488.2 clause 8.7 (response data), SCPI-99 volume
1 section 7.2.1 (special numbers), volume 2 chapter 21 (error entries), all from memory; the special numbers
also stand in many public drivers.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from benchrig.quantity import BASE_UNITS, to_base

if TYPE_CHECKING:
    from numpy.typing import NDArray

Kind = Literal["overload", "not a number", "empty", "garbled", "wrong unit"]
Encoding = Literal["float32-be", "float32-le", "int16-be", "int16-le"]

# SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: +-9.9E37 is infinity, which instruments send for "over range";
# 9.91E37 is "not a number". 9.9E37 in binary32 is 9.8999995E37, hence the tolerance: it is far above one
# binary32 step (6E-8) and far below the distance of the two numbers (1E-3).
_INFINITY = 9.9e37
_NOT_A_NUMBER = 9.91e37
_TOLERANCE = 1e-6
_LEAST_SPECIAL = _INFINITY * (1.0 - _TOLERANCE)

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(?:\s*([A-Za-z%].*))?")
_WORDS = {"NAN": math.nan, "INF": math.inf, "INFINITY": math.inf, "NINF": -math.inf}
_PLAIN_LIST = re.compile(r"[0-9eE.,+\- \t\r\n]*")

# Suffixes as IEEE 488.2 clause 7.7.3 spells them (capitals; from memory), where `quantity` follows the SI.
_SUFFIX_ALIAS = {
    "OHM": "ohm", "OHMS": "ohm", "Ohm": "ohm", "KOHM": "kohm", "MOHM": "Mohm", "GOHM": "Gohm",
    "HZ": "Hz", "KHZ": "kHz", "MHZ": "MHz", "GHZ": "GHz",
    "KV": "kV", "UV": "uV", "NV": "nV", "UA": "uA", "NA": "nA", "PA": "pA",
    "KW": "kW", "UW": "uW", "NW": "nW",
    "S": "s", "SEC": "s", "US": "us", "NS": "ns", "CEL": "degC", "DEGC": "degC", "PCT": "%",
}  # fmt: skip
# IEEE 488.2 reads a capital M before these as milli, the SI as mega: a factor of 1E9 not to be guessed.
_TWO_MEANINGS = frozenset(("MV", "MA", "MW", "MS", "MSEC", "MC", "MF"))


class NotANumber(ValueError):
    """A reply that is no usable number. `kind` says why, `text` is the reply as it came."""

    def __init__(self, message: str, kind: Kind, text: str) -> None:
        super().__init__(message)
        self.message = message
        self.kind = kind
        self.text = text

    def __reduce__(self) -> tuple[type[NotANumber], tuple[str, Kind, str]]:
        return (type(self), (self.message, self.kind, self.text))


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of the error queue; 0 is "no error". `detail` is the device's own text after the ';'."""

    number: int
    text: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of an answer to *IDN?."""

    maker: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True, slots=True)
class NeedMore:
    """Not complete yet: at least `missing` further bytes are needed to tell more."""

    missing: int


@dataclass(frozen=True, slots=True)
class BlockHeader:
    """Where the payload of a block begins, and its length in bytes; None for the indefinite form."""

    start: int
    length: int | None


@dataclass(frozen=True, slots=True)
class Samples:
    """Samples of a block. `invalid` marks overload and not-a-number; their `values` stay as sent."""

    values: NDArray[np.float32]
    invalid: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class NumberList:
    """Numbers of a text list, base unit. `invalid` marks overload and not-a-number; `values` stay as sent."""

    values: NDArray[np.float64]
    invalid: NDArray[np.bool_]


# ---------------------------------------------------------------- numbers


def parse_number(text: str, *, unit: str, header: str | None = None) -> float:
    """The number of a reply in NR1, NR2 or NR3 form, in the base unit `unit`; a suffix is optional.

    `header` is the response header that may stand before it, in SCPI spelling ('VOLTage' accepts VOLT and
    VOLTAGE). Raises NotANumber, whose `kind` tells overload from garbage, and ValueError for an unknown
    `unit`.
    """
    value, suffix = _split_number(text, header=header)
    _refuse_special(value, text)
    scaled = _in_unit(value, suffix, unit=_checked_unit(unit), text=text)
    _refuse_special(scaled, text)
    return scaled


def parse_number_list(text: str, *, unit: str, header: str | None = None) -> NumberList:
    """The comma-separated numbers of a reply, in the base unit `unit`; special ones are marked, not refused.

    Raises NotANumber for an empty text and for an element that is no number at all.
    """
    _checked_unit(unit)
    body = _without_header(_ascii(text).strip(), header)
    if not body:
        raise _refusal("empty", text)
    values = _plain_list(body)
    if values is None:
        values = np.array([_any_number(part, unit=unit) for part in body.split(",")], dtype=np.float64)
    return NumberList(values=values, invalid=_is_special(values))


def parse_boolean(text: str, *, header: str | None = None) -> bool:
    """A boolean reply: 1, 0, ON or OFF. Raises ValueError for anything else."""
    word = _without_header(text.strip(), header).upper()
    if word in ("1", "ON"):
        return True
    if word in ("0", "OFF"):
        return False
    raise ValueError(f"the reply {text!r} is no boolean; accepted: 1, 0, ON, OFF")


def _split_number(text: str, *, header: str | None) -> tuple[float, str]:
    """The first number of `text` as written, special or not, and its suffix."""
    body = _without_header(_ascii(text).strip(), header)
    if not body:
        raise _refusal("empty", text)
    if (word := _word_value(body)) is not None:
        return word, ""
    match = _NUMBER.fullmatch(body)
    if match is None:
        raise _refusal("garbled", text)
    return float(match[1]), match[2] or ""


def _word_value(body: str) -> float | None:
    """The value of NAN, INF and NINF, which SCPI-99 allows as words."""
    word = _WORDS.get(body.lstrip("+-").upper())
    return -word if word is not None and body.startswith("-") else word


def _any_number(part: str, *, unit: str) -> float:
    """One element of a list in `unit`; special numbers are passed on as they were sent."""
    value, suffix = _split_number(part, header=None)
    if _special_kind(value) is not None:
        return value
    return _in_unit(value, suffix, unit=unit, text=part)


def _plain_list(body: str) -> NDArray[np.float64] | None:
    """The fast way for long lists of bare numbers, or None when an element needs a closer look."""
    # float() alone would also take '1_000' and digits of other scripts, which no instrument means
    if _PLAIN_LIST.fullmatch(body) is None:
        return None
    try:
        return np.array(list(map(float, body.split(","))), dtype=np.float64)
    except ValueError:
        return None


def _checked_unit(unit: str) -> str:
    if unit not in BASE_UNITS:
        raise ValueError(f"{unit!r} is no base unit; known: {', '.join(BASE_UNITS)}")
    return unit


def _in_unit(value: float, suffix: str, *, unit: str, text: str) -> float:
    """`value` brought from its suffix to `unit`; no suffix means `unit` itself."""
    if not suffix:
        return value
    if suffix in _TWO_MEANINGS:
        raise _refusal("wrong unit", text, f"the suffix {suffix} may mean milli or mega")
    try:
        scaled, base = to_base(value, _SUFFIX_ALIAS.get(suffix, suffix))
    except ValueError as error:
        # '3.7 parsec' has an unknown suffix; '3.7 V,3.8' and an exponent cut off ('3.7E') are garbage
        is_word = suffix.isalpha() and suffix[0] not in "eE"
        kind: Kind = "wrong unit" if is_word else "garbled"
        raise _refusal(kind, text, str(error)) from error
    if base != unit:
        raise _refusal("wrong unit", text, f"{unit} was expected, not {base}")
    return scaled


def _special_kind(value: float) -> Kind | None:
    if math.isnan(value) or abs(abs(value) - _NOT_A_NUMBER) <= _NOT_A_NUMBER * _TOLERANCE:
        return "not a number"
    return "overload" if abs(value) >= _LEAST_SPECIAL else None


def _is_special(values: NDArray[np.float32] | NDArray[np.float64]) -> NDArray[np.bool_]:
    # compared in binary64: the limit itself rounds up in binary32
    with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
        return np.asarray(~(np.abs(values.astype(np.float64, copy=False)) < _LEAST_SPECIAL))


def _refuse_special(value: float, text: str) -> None:
    kind = _special_kind(value)
    if kind is not None:
        raise _refusal(kind, text)


_ADVICE: dict[Kind, str] = {
    "overload": "the instrument reports a value out of its range; choose a higher range",
    "not a number": "the instrument has no reading; check that it was triggered and has finished",
    "empty": "the reply holds nothing; check that the command is a query",
    "garbled": "accepted is one number in NR1, NR2 or NR3 form; check command table and line settings",
    "wrong unit": "set the instrument to answer in base units, or correct the command table",
}


def _refusal(kind: Kind, text: str, reason: str = "") -> NotANumber:
    because = f": {reason}" if reason else ""
    return NotANumber(f"the reply {text!r} is no usable number ({kind}{because}); {_ADVICE[kind]}", kind, text)


def _ascii(text: str) -> str:
    if not text.isascii():
        raise _refusal("garbled", text, "it is not ASCII")
    return text


def _without_header(body: str, header: str | None) -> str:
    if header is None:
        return body
    return _header_pattern(header).sub("", body, count=1).strip()


@lru_cache(maxsize=256)
def _header_pattern(header: str) -> re.Pattern[str]:
    """Matches the header in its long and in its short form, then a blank or the end."""
    nodes = []
    for node in header.strip(":").split(":"):
        short = "".join(letter for letter in node if not letter.islower())
        nodes.append(f"(?:{re.escape(node)}|{re.escape(short)})")
    return re.compile(r"^:?" + ":".join(nodes) + r"(?:\s+|$)", re.IGNORECASE | re.ASCII)


# ---------------------------------------------------------------- messages

# possessive, so that an unclosed quote fails in linear time
_UNIT = re.compile(r"""((?:[^;"']++|"[^"]*+"|'[^']*+')*+)(?:;|\Z)""")
_ERROR_ENTRY = re.compile(r"""\s*([+-]?\d+)\s*,\s*(?:"((?:[^"]|"")*)"|'((?:[^']|'')*)')\s*""", re.ASCII)


def split_response(line: str) -> list[str]:
    """The response message units of a line, split at every ';' that stands outside quotes.

    Raises ValueError when a quoted string is not closed.
    """
    units = []
    position = 0
    while True:
        match = _UNIT.match(line, position)
        if match is None:
            raise ValueError(f"the reply {line!r} has a quoted string without its end; it may be cut short")
        units.append(match[1].strip())
        if match.end() == len(line) and not match[0].endswith(";"):
            return units
        position = match.end()


def message(*units: str) -> str:
    """One program message out of several units: 'A;:B;*C?'. Every unit starts from the root of the tree.

    Raises ValueError when there is no unit, or one that is empty, not ASCII or holds a line end.
    """
    for unit in units:
        if not unit.strip() or not unit.isascii() or "\n" in unit:
            raise ValueError(f"{unit!r} is no program message unit: ASCII text without a line end is accepted")
    if not units:
        raise ValueError("a program message needs at least one unit")
    return ";".join((units[0], *(unit if unit[0] in ":*" else ":" + unit for unit in units[1:])))


def parse_error_entry(text: str) -> ErrorEntry:
    """An entry of the error queue, such as '-113,"Undefined header"'. Raises ValueError for another form."""
    match = _ERROR_ENTRY.fullmatch(text)
    if match is None:
        raise ValueError(f"the reply {text!r} is no error entry; accepted: a number, a comma and a quoted text")
    quoted = match[2].replace('""', '"') if match[2] is not None else match[3].replace("''", "'")
    words, _, detail = quoted.partition(";")
    return ErrorEntry(number=int(match[1]), text=words.strip(), detail=detail.strip())


def parse_identity(text: str) -> Identity:
    """The answer to *IDN?: maker, model, serial number and firmware. Raises ValueError for another form."""
    fields = [field.strip() for field in text.split(",")]
    # IEEE 488.2 clause 10.14 (from memory): four fields, and '0' where the maker has nothing to say
    if len(fields) != 4 or not all(fields):
        raise ValueError(f"the identity {text!r} is not made of four filled fields, MAKER,MODEL,SERIAL,FIRMWARE")
    return Identity(*fields)


# ---------------------------------------------------------------- blocks

_DTYPES: dict[Encoding, str] = {
    "float32-be": ">f4",
    "float32-le": "<f4",
    "int16-be": ">i2",
    "int16-le": "<i2",
}


def block_header(data: bytes | bytearray | memoryview) -> NeedMore | BlockHeader:
    """The header of an arbitrary block (IEEE 488.2 clauses 8.7.9 and 8.7.10) at the start of `data`.

    `data` needs not be complete. Raises ValueError when it cannot become a block header any more.
    """
    head = bytes(data[:11])
    if head[:1] not in (b"", b"#") or (len(head) > 1 and not head[1:2].isdigit()):
        raise ValueError(f"{head!r} does not start a block; accepted: '#', a digit, the length in that many digits")
    if len(head) < 2:
        return NeedMore(2 - len(head))
    digits = head[1] - ord("0")
    if digits == 0:
        return BlockHeader(start=2, length=None)
    length = head[2 : 2 + digits]
    if length and not length.isdigit():
        raise ValueError(f"{head!r} does not start a block: its length is not made of {digits} digits")
    if len(length) < digits:
        return NeedMore(digits - len(length))
    return BlockHeader(start=2 + digits, length=int(length))


def decode_block(data: bytes) -> NeedMore | bytes:
    """The payload of a block that is all of `data`, with or without a line end after it.

    The indefinite form (#0) ends with the line end, so it is complete when `data` ends with one. Raises
    ValueError when `data` is no block, or when something else follows the payload.
    """
    header = block_header(data)
    if isinstance(header, NeedMore):
        return header
    if header.length is None:
        return data[header.start : -1] if data.endswith(b"\n") and len(data) > header.start else NeedMore(1)
    end = header.start + header.length
    if len(data) < end:
        return NeedMore(end - len(data))
    if data[end:] not in (b"", b"\n", b"\r\n"):
        raise ValueError(f"after the {header.length} bytes of the block came {data[end : end + 20]!r}")
    return data[header.start : end]


def decode_samples(block: bytes, *, encoding: Encoding) -> Samples:
    """The samples in the payload of a block, as binary32; whole numbers are converter codes.

    Raises ValueError when the length is not a multiple of a sample, or for an unknown encoding.
    """
    if encoding not in _DTYPES:
        raise ValueError(f"unknown encoding {encoding!r}; known: {', '.join(_DTYPES)}")
    dtype = np.dtype(_DTYPES[encoding])
    if len(block) % dtype.itemsize:
        raise ValueError(f"{len(block)} bytes are no whole number of {encoding} samples of {dtype.itemsize} bytes")
    values = np.frombuffer(block, dtype=dtype).astype(np.float32)
    return Samples(values=values, invalid=_is_special(values))
