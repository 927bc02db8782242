"""Units against the SI: powers of ten, what is not a unit, and how a value is written for people."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchrig.quantity import BASE_UNITS, base_unit, format_quantity, parse_quantity, to_base

# SI brochure, 9th edition (2019), table 7: factor of each prefix. From memory.
SI_PREFIXES = {
    "G": Decimal("1e9"),
    "M": Decimal("1e6"),
    "k": Decimal("1e3"),
    "m": Decimal("1e-3"),
    "u": Decimal("1e-6"),
    "\N{MICRO SIGN}": Decimal("1e-6"),
    "\N{GREEK SMALL LETTER MU}": Decimal("1e-6"),
    "n": Decimal("1e-9"),
    "p": Decimal("1e-12"),
}
# SI brochure, tables 2 and 4: base and derived units with special names. From memory.
SI_UNITS = ("V", "A", "s", "Hz", "W", "C", "F")
OHM_SIGNS = ("\N{GREEK CAPITAL LETTER OMEGA}", "\N{OHM SIGN}")


@pytest.mark.parametrize("unit", SI_UNITS)
@pytest.mark.parametrize("prefix", SI_PREFIXES)
def test_prefix_is_the_power_of_ten_of_the_si(prefix: str, unit: str) -> None:
    """Every prefix multiplies by what the SI brochure says, rounded once."""
    value, base = to_base(3.7, prefix + unit)

    assert base == unit
    assert value == float(Decimal("3.7") * SI_PREFIXES[prefix])
    assert base_unit(prefix + unit) == (unit, float(SI_PREFIXES[prefix]))


@pytest.mark.parametrize("sign", [*OHM_SIGNS, "ohm"])
def test_ohm_is_written_in_three_ways(sign: str) -> None:
    """Both code points of the ohm sign, and the word, are one unit (Unicode: U+2126 is the letter U+03A9)."""
    assert to_base(4.7, f"k{sign}") == (4700.0, "ohm")


def test_case_tells_milli_from_mega() -> None:
    """mV, MV and V are three units."""
    assert [to_base(1.0, unit)[0] for unit in ("mV", "V", "MV")] == [1e-3, 1.0, 1e6]


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        pytest.param("3.70 V", 3.7, "V", id="volts"),
        pytest.param("16uA", 16e-6, "A", id="no blank"),
        pytest.param(" -40 degC ", -40.0, "degC", id="blanks around"),
        pytest.param("21.5 °C", 21.5, "degC", id="degree sign"),
        pytest.param("4.35 %", 0.0435, "1", id="per cent"),
        pytest.param("2106 LSB", 2106.0, "count", id="codes"),
        pytest.param("1e3 ppm", 1000.0, "ppm", id="exponent"),
        pytest.param(".5 s", 0.5, "s", id="point first"),
        pytest.param("5. s", 5.0, "s", id="point last"),
        pytest.param("0.3 Ω", 0.3, "ohm", id="ohms"),
    ],
)
def test_quantity_is_read(text: str, value: float, unit: str) -> None:
    """A number with its unit comes back in the base unit."""
    assert parse_quantity(text) == (value, unit)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        pytest.param("3.7", "'3.7' is not a number with a unit", id="no unit"),
        pytest.param("V", "'V' is not a number with a unit", id="no number"),
        pytest.param("", "'' is not a number with a unit", id="nothing"),
        pytest.param("3,7 V", "unknown unit ',7 V'", id="comma"),
        pytest.param("3.7 parsec", "unknown unit 'parsec'; known: V, A, s, ohm", id="unknown unit"),
        pytest.param("3.7 mdegC", "unknown unit 'mdegC'", id="prefix where there is none"),
        pytest.param("nan V", "'nan V' is not a number with a unit", id="nan"),
        pytest.param("inf V", "'inf V' is not a number with a unit", id="inf"),
        pytest.param("1e400 V", "'1e400 V' is not a finite number", id="too large"),
        pytest.param("1e300 GV", "'1e300 GV' is not a finite number", id="too large with its prefix"),
        pytest.param("0x10 V", "unknown unit 'x10 V'", id="hexadecimal"),
        pytest.param("\N{ARABIC-INDIC DIGIT THREE} V", "is not a number with a unit", id="digits of another script"),
        pytest.param("\N{FULLWIDTH DIGIT THREE} V", "is not a number with a unit", id="wide digits"),
        pytest.param("1_000 V", "unknown unit '_000 V'", id="underscore"),
    ],
)
def test_what_is_no_quantity_is_told(text: str, sentence: str) -> None:
    """Whatever is not one finite number with a known unit is refused with what it was."""
    with pytest.raises(ValueError, match=sentence):
        parse_quantity(text)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e200, max_value=1e200), st.sampled_from(BASE_UNITS))
def test_base_unit_changes_nothing(value: float, unit: str) -> None:
    """A value in its base unit comes through bit by bit, also by way of its text."""
    assert to_base(value, unit) == (value, unit)
    assert parse_quantity(f"{value!r} {unit}") == (value, unit)


@given(st.integers(-(10**6), 10**6), st.sampled_from([*SI_PREFIXES]), st.sampled_from(SI_UNITS))
def test_prefixed_value_is_rounded_once(whole: int, prefix: str, unit: str) -> None:
    """A whole number with a prefix is the nearest double to what it says, by exact decimal arithmetic."""
    assert parse_quantity(f"{whole} {prefix}{unit}") == (float(Decimal(whole) * SI_PREFIXES[prefix]), unit)


@given(st.floats(), st.sampled_from(BASE_UNITS), st.none() | st.floats())
@example(1.7976931348623157e308, "V", None)
@example(-1.7976931348623157e308, "ppm", 1e-300)
@example(5e-324, "A", None)
@example(5e-324, "A", 5e-324)
@example(-0.0, "V", None)
@example(-0.0, "degC", 0.1)
@example(3.7, "V", math.inf)
@example(3.7, "V", 1.7976931348623157e308)
def test_any_value_can_be_written(value: float, unit: str, resolution: float | None) -> None:
    """No float, and no resolution, is too large or too small to be shown in a line of a report."""
    text = format_quantity(value, unit, resolution=resolution)

    assert 0 < len(text) < 40
    assert not text.startswith("-0.000 ")
    if not math.isfinite(value):
        assert text == "no number"


@given(st.floats(min_value=1e-9, max_value=1e9), st.sampled_from(SI_UNITS))
def test_written_value_is_read_again(value: float, unit: str) -> None:
    """What is shown says the value to four digits at least, in a unit that is known here."""
    shown, base = parse_quantity(format_quantity(value, unit))

    assert base == unit
    assert shown == pytest.approx(value, rel=5.1e-4)


@pytest.mark.parametrize(
    ("value", "unit", "resolution", "text"),
    [
        pytest.param(3.7, "V", None, "3.700 V", id="four digits"),
        pytest.param(0.0123, "A", None, "12.30 mA", id="milli"),
        pytest.param(16e-6, "A", None, "16.00 µA", id="micro"),
        pytest.param(0.001, "s", None, "1.000 ms", id="exact power"),
        pytest.param(1e-6, "s", None, "1.000 µs", id="exact power below"),
        pytest.param(999.6, "Hz", None, "999.6 Hz", id="just below kilo"),
        pytest.param(75e3, "ohm", None, "75.00 kΩ", id="ohms"),
        pytest.param(21.5, "degC", None, "21.50 °C", id="degrees take no prefix"),
        pytest.param(0.02, "1", None, "0.02000", id="ratio"),
        pytest.param(2106.0, "count", None, "2106 counts", id="codes"),
        pytest.param(0.0, "V", None, "0.000 V", id="zero"),
        pytest.param(-1e-7, "V", 0.001, "-100 nV", id="far below the resolution"),
        pytest.param(None, "V", None, "no number", id="none"),
        pytest.param(math.nan, "V", None, "no number", id="nan"),
        # The digits of a limit as a profile writes it: down to its resolution and no further.
        pytest.param(3.7, "V", 0.1, "3.7 V", id="limit to 0.1 V"),
        pytest.param(3.7, "V", 0.001, "3.700 V", id="limit to 1 mV"),
        pytest.param(3.70004, "V", 1e-5, "3.70004 V", id="deciding digit"),
        pytest.param(20e-6, "A", 1e-8, "20.00 µA", id="limit to 10 nA"),
        pytest.param(12345678.0, "count", 1.0, "12345678 counts", id="every digit of a large one"),
        pytest.param(1.7976931348623157e308, "V", None, "1.798e+299 GV", id="largest float"),
        pytest.param(5e-324, "V", None, "4.941e-312 pV", id="smallest float"),
    ],
)
def test_value_is_written(value: float | None, unit: str, resolution: float | None, text: str) -> None:
    """Engineering prefix, four digits or down to the resolution."""
    assert format_quantity(value, unit, resolution=resolution) == text
