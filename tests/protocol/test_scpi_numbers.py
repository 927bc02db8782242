"""Numbers out of SCPI replies.

The number forms are IEEE 488.2 clause 8.7 and the special numbers SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5; the
first from memory, the second seen in several public drivers' code, not in the original.
"""

from __future__ import annotations

import math
import pickle
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.protocol.scpi import (
    Encoding,
    Kind,
    NotANumber,
    decode_samples,
    parse_boolean,
    parse_number,
    parse_number_list,
)

NUMBERS = [
    pytest.param("+123", 123.0, id="NR1 (IEEE 488.2, from memory)"),
    pytest.param("+12.30", 12.3, id="NR2 (IEEE 488.2, from memory)"),
    pytest.param("+1.23E+01", 12.3, id="NR3 (IEEE 488.2, from memory)"),
    pytest.param("-0", 0.0, id="minus zero"),
    pytest.param(".5", 0.5, id="no digit before the point"),
    pytest.param("5.", 5.0, id="no digit after the point"),
    pytest.param("1.6e-06", 1.6e-6, id="small exponent letter"),
    pytest.param(" \t3.7\r", 3.7, id="blanks around"),
    pytest.param("3.7000V", 3.7, id="suffix"),
    pytest.param("3700 mV", 3.7, id="suffix with a prefix"),
    pytest.param("3.7E+06 uV", 3.7, id="exponent and suffix"),
    pytest.param("0.0037KV", 3.7, id="suffix in capitals"),
    pytest.param("VOLT 3.7E0", 3.7, id="response header, short"),
    pytest.param("VOLTAGE 3.7", 3.7, id="response header, long"),
    pytest.param(":volt 3.7 V", 3.7, id="response header with its colon and a suffix"),
    pytest.param("9.8E37", 9.8e37, id="just below the special numbers"),
]


@pytest.mark.parametrize(("text", "value"), NUMBERS)
def test_number_is_read_in_every_form(text: str, value: float) -> None:
    """Every form that an instrument may answer in gives the same value in the base unit."""
    assert parse_number(text, unit="V", header="VOLTage") == value


OTHER_UNITS = [
    pytest.param("1.6 uA", "A", 1.6e-6, id="microampere"),
    pytest.param("4.7 KOHM", "ohm", 4700.0, id="OHM in capitals"),
    pytest.param("1 MOHM", "ohm", 1e6, id="MOHM is mega (IEEE 488.2 clause 7.7.3, from memory)"),
    pytest.param("868.1 MHZ", "Hz", 868.1e6, id="MHZ is mega (IEEE 488.2 clause 7.7.3, from memory)"),
    pytest.param("21.5 CEL", "degC", 21.5, id="CEL (IEEE 488.2 clause 7.7.3, from memory)"),
    pytest.param("5 PCT", "1", 0.05, id="PCT (IEEE 488.2 clause 7.7.3, from memory)"),
    pytest.param("20 ms", "s", 0.02, id="milliseconds"),
]


@pytest.mark.parametrize(("text", "unit", "value"), OTHER_UNITS)
def test_suffix_is_brought_to_the_base_unit(text: str, unit: str, value: float) -> None:
    """Suffixes in the spelling of the SI and of IEEE 488.2 are converted to the base unit."""
    assert parse_number(text, unit=unit) == pytest.approx(value, rel=1e-15)


# SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37, -9.9E37 and 9.91E37 (seen in public drivers, not in the original)
REFUSED = [
    pytest.param("9.9E37", "overload", id="9.9E37"),
    pytest.param("+9.90000000E+37", "overload", id="9.9E37 with many digits"),
    pytest.param("9.900000E+37", "overload", id="9.9E37 without sign"),
    pytest.param("99.0E36", "overload", id="9.9E37 with another exponent"),
    pytest.param(repr(float(np.float32(9.9e37))), "overload", id="9.9E37 that went through binary32"),
    pytest.param("-9.9E+37", "overload", id="-9.9E37"),
    pytest.param("9.9E37 mV", "overload", id="9.9E37 with a suffix"),
    pytest.param("1E400", "overload", id="beyond binary64"),
    pytest.param("INF", "overload", id="INF"),
    pytest.param("-INFinity", "overload", id="minus infinity"),
    pytest.param("NINF", "overload", id="NINF"),
    pytest.param("9.91E37", "not a number", id="9.91E37"),
    pytest.param("+9.910000E+37", "not a number", id="9.91E37 with many digits"),
    pytest.param(repr(float(np.float32(9.91e37))), "not a number", id="9.91E37 that went through binary32"),
    pytest.param("NaN", "not a number", id="NaN"),
    pytest.param("", "empty", id="nothing"),
    pytest.param(" \r", "empty", id="blanks"),
    pytest.param("VOLT", "empty", id="header without a number"),
    pytest.param("1.0,2.0", "garbled", id="two numbers"),
    pytest.param("1.0 2.0", "garbled", id="two numbers without a comma"),
    pytest.param("3.7 V,3.8 V", "garbled", id="two numbers with suffixes"),
    pytest.param("3.7E", "garbled", id="exponent cut off"),
    pytest.param("3.7E+", "garbled", id="exponent cut off after its sign"),
    pytest.param("+", "garbled", id="sign alone"),
    pytest.param("3,7", "garbled", id="decimal comma"),
    pytest.param("1_000", "garbled", id="underscore"),
    pytest.param("0x10", "garbled", id="hexadecimal"),
    pytest.param("ERROR", "garbled", id="a word"),
    pytest.param("CURR 3.7", "garbled", id="another header"),
    pytest.param("VOLT3.7", "garbled", id="header without a blank"),
    pytest.param("\u0663.\u0667", "garbled", id="digits of another script"),
    pytest.param("3.7\xb5V", "garbled", id="not ASCII"),
    pytest.param("3.7\x00", "garbled", id="zero byte"),
    pytest.param("3.7 A", "wrong unit", id="suffix of another quantity"),
    pytest.param("3.7 parsec", "wrong unit", id="unknown suffix"),
    pytest.param("3.7 MV", "wrong unit", id="MV: milli in IEEE 488.2, mega in the SI"),
]


@pytest.mark.parametrize(("text", "kind"), REFUSED)
def test_reply_that_is_no_number_is_refused_with_its_kind(text: str, kind: Kind) -> None:
    """Overload, no reading, silence, garbage and a wrong unit are told apart, and the reply is shown."""
    with pytest.raises(NotANumber, match=rf"no usable number \({kind}.*\); .+") as caught:
        parse_number(text, unit="V", header="VOLTage")

    assert caught.value.kind == kind
    assert caught.value.text == text
    assert repr(text) in str(caught.value)


def test_header_is_accepted_only_when_it_was_expected() -> None:
    """A word before the number is garbage unless the caller named it."""
    with pytest.raises(NotANumber, match="garbled"):
        parse_number("VOLT 3.7", unit="V")


def test_unit_must_be_a_base_unit() -> None:
    """Asking for millivolts is a mistake of the caller, not of the instrument."""
    with pytest.raises(ValueError, match="'mV' is no base unit; known: V, A"):
        parse_number("3.7", unit="mV")


def test_not_a_number_survives_pickling() -> None:
    """The error crosses a process boundary with its fields."""
    copy = pickle.loads(pickle.dumps(NotANumber("why", "overload", "9.9E37")))

    assert (str(copy), copy.kind, copy.text) == ("why", "overload", "9.9E37")


_FINITE = st.floats(min_value=-9.8e37, max_value=9.8e37)


@given(value=_FINITE)
def test_every_finite_number_makes_the_round_trip(value: float) -> None:
    """What Python writes with all digits is read back bit for bit."""
    assert parse_number(repr(value), unit="A") == value


@given(text=st.text(max_size=20))
def test_any_text_is_a_number_or_a_refusal(text: str) -> None:
    """No reply leads to another error than NotANumber, and every number is finite and below the special ones."""
    try:
        value = parse_number(text, unit="V", header="VOLTage")
    except NotANumber:
        return
    assert abs(value) < 9.9e37


BOOLEANS = [
    pytest.param("1", True, id="1"),
    pytest.param("0", False, id="0"),
    pytest.param("ON", True, id="ON"),
    pytest.param(" off ", False, id="off"),
    pytest.param("OUTP:STAT 1", True, id="with a header"),
]


@pytest.mark.parametrize(("text", "state"), BOOLEANS)
def test_boolean_is_read(text: str, state: bool) -> None:
    """A boolean reply is 1, 0, ON or OFF, with its header or without."""
    assert parse_boolean(text, header="OUTPut:STATe") is state


@pytest.mark.parametrize("text", ["", "2", "+1", "1.0", "TRUE", "1,0", "\u0661"])
def test_anything_else_is_no_boolean(text: str) -> None:
    """Another reply is refused with the accepted words."""
    with pytest.raises(ValueError, match="is no boolean; accepted: 1, 0, ON, OFF"):
        parse_boolean(text)


# ---------------------------------------------------------------- lists and samples


def test_list_marks_special_numbers_and_keeps_them() -> None:
    """Special numbers in a list are marked, not lost and not refused (values: SCPI-99 volume 1, 7.2.1)."""
    numbers = parse_number_list("1.0,+9.9E37, -9.90E+37,9.91E37,-2.5E-6", unit="A")

    assert numbers.values.tolist() == [1.0, 9.9e37, -9.9e37, 9.91e37, -2.5e-6]
    assert numbers.invalid.tolist() == [False, True, True, True, False]


def test_list_with_words_suffixes_and_header_is_read() -> None:
    """Elements with suffixes and the words NAN and INF are read one by one."""
    numbers = parse_number_list("CURR 16 uA,NAN,1 mA,INF", unit="A", header="CURRent")

    assert numbers.values[[0, 2]].tolist() == pytest.approx([16e-6, 1e-3], rel=1e-15)
    assert numbers.invalid.tolist() == [False, True, False, True]
    assert math.isnan(numbers.values[1])


BAD_LISTS = [
    pytest.param("", "empty", id="empty"),
    pytest.param("1.0,,2.0", "empty", id="an empty element"),
    pytest.param("1.0,2.0,", "empty", id="cut off after a comma"),
    pytest.param("1.0,2.0 3.0", "garbled", id="a comma lost"),
    pytest.param("1.0;2.0", "garbled", id="two units"),
    pytest.param("1_0,2.0", "garbled", id="underscore"),
    pytest.param("1.0,\u0663", "garbled", id="digits of another script"),
    pytest.param("1.0,3 V", "wrong unit", id="another quantity"),
]


@pytest.mark.parametrize(("text", "kind"), BAD_LISTS)
def test_list_with_a_bad_element_is_refused(text: str, kind: Kind) -> None:
    """One element that is no number spoils the list: a gap would shift every sample after it."""
    with pytest.raises(NotANumber, match="no usable number") as caught:
        parse_number_list(text, unit="A")

    assert caught.value.kind == kind


@given(values=st.lists(_FINITE, min_size=1, max_size=50))
def test_list_makes_the_round_trip(values: list[float]) -> None:
    """A list that Python writes is read back bit for bit, with nothing marked."""
    numbers = parse_number_list(",".join(map(repr, values)), unit="A")

    assert numbers.values.tolist() == values
    assert not numbers.invalid.any()


FORMATS: dict[Encoding, str] = {"float32-be": ">f", "float32-le": "<f", "int16-be": ">h", "int16-le": "<h"}


@pytest.mark.parametrize("encoding", FORMATS)
@given(values=st.lists(st.integers(min_value=-(2**15), max_value=2**15 - 1), max_size=50))
def test_samples_are_what_struct_packed(encoding: Encoding, values: list[int]) -> None:
    """Each encoding reads what the standard library's struct writes (binary32 holds 16 bits exactly)."""
    block = b"".join(struct.pack(FORMATS[encoding], value) for value in values)

    samples = decode_samples(block, encoding=encoding)

    assert samples.values.tolist() == values
    assert samples.values.dtype == np.float32
    assert not samples.invalid.any()


@pytest.mark.parametrize("encoding", ["float32-be", "float32-le"])
def test_special_samples_are_marked(encoding: Encoding) -> None:
    """9.9E37, -9.9E37, 9.91E37 and the not-a-number and infinity of IEEE 754 are marked in binary too."""
    values = [0.5, 9.9e37, -9.9e37, 9.91e37, math.nan, math.inf, -math.inf, 9.8e37]
    block = b"".join(struct.pack(FORMATS[encoding], value) for value in values)

    samples = decode_samples(block, encoding=encoding)

    assert samples.invalid.tolist() == [False, True, True, True, True, True, True, False]


@pytest.mark.parametrize(("encoding", "length"), [("float32-be", 6), ("int16-le", 3)])
def test_block_with_a_broken_sample_is_refused(encoding: Encoding, length: int) -> None:
    """A length that is no whole number of samples means lost bytes, so no sample of it is believed."""
    with pytest.raises(ValueError, match=rf"{length} bytes are no whole number of {encoding} samples"):
        decode_samples(bytes(length), encoding=encoding)


def test_unknown_encoding_is_refused() -> None:
    """An encoding outside the closed set is refused with the set."""
    with pytest.raises(ValueError, match=r"unknown encoding 'float64-be'; known: float32-be, "):
        decode_samples(b"", encoding="float64-be")  # type: ignore[arg-type]
