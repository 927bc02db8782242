"""Messages, error entries, identities and blocks of SCPI."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.protocol.scpi import (
    BlockHeader,
    ErrorEntry,
    Identity,
    NeedMore,
    block_header,
    decode_block,
    message,
    parse_error_entry,
    parse_identity,
    split_response,
)

RESPONSES = [
    pytest.param("1.0", ["1.0"], id="one unit"),
    pytest.param("1.0;2.0 ; ON", ["1.0", "2.0", "ON"], id="three units"),
    pytest.param("", [""], id="nothing"),
    pytest.param("1;;2;", ["1", "", "2", ""], id="empty units are kept, so that the count is right"),
    pytest.param('-113,"Undefined header;VLOT";1', ['-113,"Undefined header;VLOT"', "1"], id="quoted"),
    pytest.param("'a;b';1", ["'a;b'", "1"], id="single quotes"),
    pytest.param('"say ""a;b""";1', ['"say ""a;b"""', "1"], id="doubled quotes"),
    pytest.param('"it\'s;";1', ['"it\'s;"', "1"], id="the other quote inside"),
]


@pytest.mark.parametrize(("line", "units"), RESPONSES)
def test_response_is_split_outside_quotes(line: str, units: list[str]) -> None:
    """A ';' separates response message units unless it stands in a quoted string."""
    assert split_response(line) == units


def test_response_with_an_open_quote_is_refused() -> None:
    """A string without its end means that the reply was cut."""
    with pytest.raises(ValueError, match="without its end; it may be cut short"):
        split_response('0,"No error')


@given(units=st.lists(st.text("ab,;'", max_size=8).map(lambda text: f'"{text}"'), min_size=1, max_size=6))
def test_joined_quoted_units_are_split_again(units: list[str]) -> None:
    """Splitting undoes joining, whatever the strings hold."""
    assert split_response(";".join(units)) == units


MESSAGES = [
    pytest.param(("A",), "A", id="one"),
    pytest.param(("A", "B", "*C?"), "A;:B;*C?", id="root before a command, not before a common one"),
    pytest.param((":A", ":B"), ":A;:B", id="root is there already"),
    pytest.param(("VOLT 3.7", "CURR 0.1", "VOLT?", "CURR?"), "VOLT 3.7;:CURR 0.1;:VOLT?;:CURR?", id="set"),
]


@pytest.mark.parametrize(("units", "joined"), MESSAGES)
def test_units_are_joined_from_the_root(units: tuple[str, ...], joined: str) -> None:
    """Each unit starts at the root of the tree (header path rule of SCPI-99 volume 1, 6.2.4, from memory)."""
    assert message(*units) == joined


@pytest.mark.parametrize("units", [(), ("",), ("A", " "), ("A\n", "B"), ("VOLT 3,7µ",)])
def test_message_of_no_units_is_refused(units: tuple[str, ...]) -> None:
    """Nothing, a blank, a line end inside and what is not ASCII make no message."""
    with pytest.raises(ValueError, match="program message"):
        message(*units)


# SCPI-99 volume 2 chapter 21, as transcribed in j123b567/scpi-parser error.h (second hand)
ERRORS = [
    (0, "No error"),
    (-102, "Syntax error"),
    (-104, "Data type error"),
    (-109, "Missing parameter"),
    (-113, "Undefined header"),
    (-221, "Settings conflict"),
    (-222, "Data out of range"),
    (-350, "Queue overflow"),
    (-365, "Time out error"),
    (-410, "Query INTERRUPTED"),
    (-420, "Query UNTERMINATED"),
]


@pytest.mark.parametrize(("number", "text"), ERRORS)
def test_standard_error_entry_is_read(number: int, text: str) -> None:
    """The frequent entries of SCPI-99 are read with and without the sign that some instruments send."""
    assert parse_error_entry(f'{number},"{text}"') == ErrorEntry(number, text)
    assert parse_error_entry(f'{number:+d}, "{text}"\r') == ErrorEntry(number, text)


ENTRIES = [
    pytest.param('-113,"Undefined header;VLOT?"', ErrorEntry(-113, "Undefined header", "VLOT?"), id="detail"),
    pytest.param('+0,"No error"', ErrorEntry(0, "No error"), id="plus zero"),
    pytest.param('-100,"a ""b"" c"', ErrorEntry(-100, 'a "b" c'), id="doubled quotes"),
    pytest.param("301,'Lead open'", ErrorEntry(301, "Lead open"), id="own number, single quotes"),
]


@pytest.mark.parametrize(("text", "entry"), ENTRIES)
def test_error_entry_is_read_with_its_detail(text: str, entry: ErrorEntry) -> None:
    """The device's own part after the ';' is kept apart from the standard text."""
    assert parse_error_entry(text) == entry


@pytest.mark.parametrize("text", ["", "0", "0,No error", '"No error"', '-113,"Undef', '1.5,"x"', '0,"a",1'])
def test_another_form_is_no_error_entry(text: str) -> None:
    """What is no error entry is never taken for "no error"."""
    with pytest.raises(ValueError, match="is no error entry; accepted: a number, a comma"):
        parse_error_entry(text)


def test_identity_has_four_fields() -> None:
    """The answer to *IDN? is split into its four fields (IEEE 488.2 clause 10.14, from memory)."""
    assert parse_identity("INVENTED, M1,0,0.1\r") == Identity("INVENTED", "M1", "0", "0.1")


@pytest.mark.parametrize("text", ["", "M1", "INVENTED,M1,SN1", "INVENTED,M1,SN1,0.1,x", "INVENTED,,SN1,0.1"])
def test_identity_with_another_number_of_fields_is_refused(text: str) -> None:
    """Three or five fields, or an empty one, identify nothing."""
    with pytest.raises(ValueError, match="not made of four filled fields"):
        parse_identity(text)


# scpi-parser libscpi/test/test_lexer_parser.c and test_parser.c (read in the source itself); #0 from memory
BLOCKS = [
    pytest.param(b"#12AB", b"AB", id="#12AB"),
    pytest.param(b"#204ABCD", b"ABCD", id="#204ABCD"),
    pytest.param(b"#211X1234567890", b"X1234567890", id="#211X1234567890"),
    pytest.param(b"#13AB", NeedMore(1), id="#13AB is incomplete"),
    pytest.param(b"#210ABCD", NeedMore(6), id="#210ABCD is incomplete"),
    pytest.param(b"#0ABCD\n", b"ABCD", id="#0 ends with the line end (from memory)"),
    pytest.param(b"#0AB\nCD", NeedMore(1), id="#0 without its end (from memory)"),
    pytest.param(b"#12AB\n", b"AB", id="line end after the block"),
    pytest.param(b"#13A\nB\r\n", b"A\nB", id="line end inside"),
    pytest.param(b"#10", b"", id="empty"),
    pytest.param(b"#0\n", b"", id="empty and indefinite"),
    pytest.param(b"", NeedMore(2), id="nothing yet"),
    pytest.param(b"#", NeedMore(1), id="the mark alone"),
    pytest.param(b"#3", NeedMore(3), id="no length yet"),
    pytest.param(b"#312", NeedMore(1), id="half the length"),
]


@pytest.mark.parametrize(("data", "payload"), BLOCKS)
def test_block_is_decoded_or_needs_more(data: bytes, payload: bytes | NeedMore) -> None:
    """A whole block gives its payload; one that is not complete says how many bytes are missing at least."""
    assert decode_block(data) == payload


BAD_BLOCKS = [
    pytest.param(b"1.0\n", "does not start a block", id="a number"),
    pytest.param(b"#A", "does not start a block", id="no digit"),
    pytest.param(b"#2x1", "its length is not made of 2 digits", id="length with a letter"),
    pytest.param(b"#2 1ab", "its length is not made of 2 digits", id="length with a blank"),
    pytest.param(b"#12ABC", "after the 2 bytes of the block came b'C'", id="longer than its length"),
]


@pytest.mark.parametrize(("data", "said"), BAD_BLOCKS)
def test_what_is_no_block_is_refused(data: bytes, said: str) -> None:
    """Bytes that cannot become a block are an error, not a wish for more."""
    with pytest.raises(ValueError, match=said):
        decode_block(data)


def test_header_tells_start_and_length_before_the_payload_is_there() -> None:
    """The header alone says where the payload begins and how long it is; None stands for indefinite."""
    assert block_header(b"#41024") == BlockHeader(start=6, length=1024)
    assert block_header(b"#0") == BlockHeader(start=2, length=None)


@given(payload=st.binary(max_size=1200), cut=st.integers(min_value=0))
def test_block_makes_the_round_trip_and_never_ends_early(payload: bytes, cut: int) -> None:
    """Every payload comes out again, and every shorter piece of the block only asks for more."""
    length = str(len(payload)).encode()
    data = b"#%d%b%b" % (len(length), length, payload)

    assert decode_block(data) == payload
    piece = decode_block(data[: cut % len(data)])
    assert isinstance(piece, NeedMore)
    assert 0 < piece.missing <= len(data) - cut % len(data)
