"""Units and how a number with a unit is read and shown. SI base units inside, prefixes only at the edges.

Symbols and prefixes as in the SI brochure (9th edition, tables 2, 4 and 7). `count` (converter codes),
`byte`, `ppm` and `1` (a plain ratio) stand beside them as the trade writes them, and so do `dBm` and `dB` for levels on
the air. The day, `d`, is for lives alone: the brochure's table 8 accepts it, and nobody reads a life in megaseconds.
"""

from __future__ import annotations

import math
import re

BASE_UNITS = ("V", "A", "s", "ohm", "Hz", "W", "C", "F", "degC", "count", "byte", "ppm", "1", "d", "dBm", "dB")

_PREFIX = {"G": 9, "M": 6, "k": 3, "": 0, "m": -3, "u": -6, "µ": -6, "μ": -6, "n": -9, "p": -12}
_WITH_PREFIX = frozenset(("V", "A", "s", "ohm", "Hz", "W", "C", "F"))
_OHM_SIGNS = ("\N{GREEK CAPITAL LETTER OMEGA}", "\N{OHM SIGN}")
_ALIAS = {"°C": "degC", "lsb": "count", "LSB": "count"}
# float() would also take digits of other scripts, which nobody writes beside a unit
_QUANTITY = re.compile(r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(\S.*)?")

_LEAST_PLAIN, _MOST_PLAIN = 1e-6, 1e9
"""What is written without a power of ten; outside, a row of zeros would hide how large the value is."""
_MOST_EXACT = 1e15
"""Up to here every digit of a float is its own, so that a value beside its limit is written out."""


def _known_units() -> dict[str, tuple[str, int]]:
    """Every accepted unit symbol: its base unit and its power of ten."""
    known = {unit: (unit, 0) for unit in BASE_UNITS}
    for unit in _WITH_PREFIX:
        known |= {prefix + unit: (unit, power) for prefix, power in _PREFIX.items()}
    for sign in _OHM_SIGNS:
        known |= {prefix + sign: ("ohm", power) for prefix, power in _PREFIX.items()}
    known |= {alias: (unit, 0) for alias, unit in _ALIAS.items()}
    known["%"] = ("1", -2)
    return known


_UNITS = _known_units()
_SHOWN_PREFIX = {9: "G", 6: "M", 3: "k", 0: "", -3: "m", -6: "µ", -9: "n", -12: "p"}
_SHOWN_UNIT = {"ohm": "Ω", "degC": "°C", "1": "", "count": "counts", "byte": "bytes"}


def base_unit(unit: str) -> tuple[str, float]:
    """Base unit of a symbol and the factor that brings a value in `unit` to it.

    Raises ValueError for an unknown symbol; `mV` is not `V`, and `MV` is not `mV`.
    """
    try:
        base, power = _UNITS[unit]
    except KeyError:
        raise _unknown(unit) from None
    return base, 10.0**power


def _unknown(unit: str) -> ValueError:
    return ValueError(f"unknown unit {unit!r}; known: {', '.join(BASE_UNITS)}, with an SI prefix")


def to_base(value: float, unit: str) -> tuple[float, str]:
    """`value` in `unit` as (value in the base unit, base unit), rounded once. Raises ValueError."""
    try:
        base, power = _UNITS[unit]
    except KeyError:
        raise _unknown(unit) from None
    # dividing by an exact power of ten rounds once; multiplying by an inexact 1e-3 rounds twice
    return (value * 10.0**power if power >= 0 else value / 10.0**-power), base


def parse_quantity(text: str) -> tuple[float, str]:
    """A number with its unit, such as '3.70 V' or '16 uA', as (value in the base unit, base unit).

    Raises ValueError when the text is no finite number with a known unit.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None or match[2] is None:
        raise ValueError(f"{text!r} is not a number with a unit, such as '3.7 V' or '16 uA'")
    value, unit = to_base(float(match[1]), match[2].strip())
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a finite number")
    return value, unit


def format_quantity(value: float | None, unit: str, *, resolution: float | None = None) -> str:
    """A value for people: engineering prefix, and digits down to `resolution` (in the base unit) if given."""
    if value is None or not math.isfinite(value):
        return "no number"
    power = _display_power(value, unit)
    scaled = value / 10.0**power
    shown = _digits(scaled, power, resolution)
    if shown[0] == "-" and float(shown) == 0.0:
        shown = shown[1:]
    return f"{shown} {_display_unit(unit, power)}".rstrip()


def _display_power(value: float, unit: str) -> int:
    if unit not in _WITH_PREFIX or value == 0.0:
        return 0
    # a hair is added so that 0.001, whose logarithm comes out just below -3, is shown as 1 m and not as 1000 u
    power = 3 * math.floor((math.log10(abs(value)) + 1e-12) / 3)
    return max(-12, min(9, power))


def _digits(scaled: float, power: int, resolution: float | None) -> str:
    if resolution is not None and 0.0 < resolution < math.inf:
        decimals = max(0, min(9, math.ceil(power - math.log10(resolution) - 1e-9)))
        return f"{scaled:.{decimals}f}" if abs(scaled) < _MOST_EXACT else f"{scaled:.3e}"
    if scaled and not _LEAST_PLAIN <= abs(scaled) < _MOST_PLAIN:
        return f"{scaled:.3e}"
    magnitude = math.floor(math.log10(abs(scaled))) if scaled else 0
    return f"{scaled:.{max(0, 3 - magnitude)}f}"


def _display_unit(unit: str, power: int) -> str:
    return _SHOWN_PREFIX[power] + _SHOWN_UNIT.get(unit, unit)
