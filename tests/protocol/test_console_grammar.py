"""What console lines mean: checksum, questions and answers, notices, numbers.

Checksum values come from outside the project: the catalogue check value 29B1 of CRC-16/IBM-3740 (name and value as
in the RevEng catalogue; crcmod 1.7, crccheck 1.3.1 and fastcrc 0.5.0 agree), and Python's binascii.crc_hqx, which
with the start value FFFF is the same algorithm.
"""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import BoardProtocolError, ConfigError
from benchrig.protocol.console import (
    Answer,
    Checksum,
    Damaged,
    DamagedText,
    Grammar,
    Line,
    LineAssembler,
    Notice,
    Question,
    Unknown,
    field_number,
)

BATTERY = Question(
    name="battery",
    send="batt?",
    answers=(r"BATT n=(?P<n>\d+) raw=(?P<raw>\d+) mv=(?P<mv>\d+)",),
    timeout_s=0.5,
)
LOAD_ON = Question(name="load on", send="load on", answers=(r"LOAD (?P<state>on|off)",), timeout_s=0.5)
LOAD_OFF = Question(name="load off", send="load off", answers=(r"LOAD (?P<state>on|off)",), timeout_s=0.5)
ADJUST = Question(
    name="adjust",
    send="cal gain_ppm={gain_ppm} offset_uv={offset_uv}",
    answers=(r"CAL gain_ppm=(?P<gain_ppm>-?\d+)(?: offset_uv=(?P<offset_uv>-?\d+))?", r"CAL refused"),
    timeout_s=0.5,
)
GRAMMAR = Grammar(
    questions=(BATTERY, LOAD_ON, LOAD_OFF, ADJUST),
    notices={"boot": r"BOOT haybarn fw=(?P<fw>\S+) reset=(?P<reset>\w+) boots=(?P<boots>\d+)"},
    resets=("boot",),
)
CHECKSUM = Checksum()
BOOT = b"BOOT haybarn fw=1.4.2 reset=power boots=17"
BATT = b"BATT n=12 raw=3444 mv=3699"


def checked(text: bytes) -> bytes:
    """The text with its checksum from the outside reference."""
    return text + b"*%04X" % binascii.crc_hqx(text, 0xFFFF)


def line(text: bytes, *, overlong: bool = False) -> Line:
    """A line at no particular time."""
    return Line(text, 1.0, 2.0, overlong)


def test_checksum_adds_the_catalogue_check_value() -> None:
    """Behind the digits 123456789 stands the published check value of the algorithm."""
    assert CHECKSUM.add(b"123456789") == b"123456789*29B1"


@given(text=st.binary(max_size=60))
def test_checksum_agrees_with_the_outside_reference(text: bytes) -> None:
    """Any text gets the checksum that Python's own library gives it, and loses it again."""
    assert CHECKSUM.add(text) == checked(text)
    assert CHECKSUM.strip(checked(text)) == text


@pytest.mark.parametrize(
    ("crc", "digits"),
    [
        pytest.param("CRC-8/SMBUS", b"F4", id="8 bits"),
        pytest.param("CRC-16/KERMIT", b"2189", id="16 bits"),
        pytest.param("CRC-32/ISO-HDLC", b"CBF43926", id="32 bits"),
    ],
)
def test_checksum_writes_as_many_digits_as_the_algorithm_has(crc: str, digits: bytes) -> None:
    """Width follows the algorithm; check values as in the RevEng catalogue, recomputed with crcmod 1.7."""
    assert Checksum(crc=crc, separator="#").add(b"123456789") == b"123456789#" + digits


@pytest.mark.parametrize(
    ("text", "why"),
    [
        pytest.param(BATT, "no '*' with a checksum", id="no separator"),
        pytest.param(b"123456789*29B2", "'29B2', the text gives '29B1'", id="wrong digit"),
        pytest.param(b"123456789*29b1", "'29b1'", id="lower case"),
        pytest.param(b"123456789*29B", "'29B'", id="digit lost"),
        pytest.param(b"123456789*029B1", "'029B1'", id="digit inserted"),
        pytest.param(b"123456789*29B1 ", "'29B1 '", id="blank behind"),
        pytest.param(b"12345678*29B1", "the text gives", id="character of the text lost"),
        pytest.param(b"123456789*", "''", id="no digits"),
        pytest.param(b"*29B1", "the text gives 'FFFF'", id="no text"),
        pytest.param(b"", "no '*'", id="nothing"),
    ],
)
def test_checksum_that_does_not_hold_is_told(text: bytes, why: str) -> None:
    """Text without exactly its checksum is damaged, and the reason says what was expected."""
    found = CHECKSUM.strip(text)

    assert isinstance(found, DamagedText)
    assert why in found.why


@pytest.mark.parametrize("position", range(len(BATT) + 5))
@pytest.mark.parametrize("bit", range(8))
def test_checksum_finds_every_single_flipped_bit(position: int, bit: int) -> None:
    """No line with one flipped bit passes, wherever it is (a CRC finds all single bit errors)."""
    text = bytearray(checked(BATT))
    text[position] ^= 1 << bit

    assert isinstance(GRAMMAR.classify(line(bytes(text)), checksum=CHECKSUM), Damaged)


@pytest.mark.parametrize("separator", ["", "**", "\n", "§"])
def test_checksum_refuses_an_unusable_separator(separator: str) -> None:
    """A separator is one printable ASCII character."""
    with pytest.raises(ConfigError, match="one printable ASCII character"):
        Checksum(separator=separator)


def test_checksum_refuses_an_unknown_algorithm() -> None:
    """A CRC name that says nothing is refused before any line comes."""
    with pytest.raises(ConfigError, match="CRC-16/CCITT"):
        Checksum(crc="CRC-16/CCITT")


def test_classify_reads_the_fields_of_an_answer() -> None:
    """A line that matches a question's pattern as a whole is its answer, with the named groups as fields."""
    meaning = GRAMMAR.classify(line(checked(BATT)), checksum=CHECKSUM)

    assert meaning == Answer("battery", {"n": "12", "raw": "3444", "mv": "3699"}, line(checked(BATT)))


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(BATT[:-1], id="digit lost is another number: only a checksum can tell"),
        pytest.param(BATT, id="whole"),
    ],
)
def test_classify_without_checksum_can_only_hold_lines_against_patterns(text: bytes) -> None:
    """Where the board sends no checksum, a complete line that matches is an answer."""
    assert isinstance(GRAMMAR.classify(line(text)), Answer)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(b"BATT n=12 raw=3444 mv=3699 ", id="blank behind"),
        pytest.param(b" BATT n=12 raw=3444 mv=3699", id="blank before"),
        pytest.param(b"BATT n=12 raw=3444 mv=", id="number missing"),
        pytest.param(b"batt n=12 raw=3444 mv=3699", id="lower case"),
        pytest.param(b"ERR unknown", id="refusal of the board"),
    ],
)
def test_classify_takes_whole_lines_only(text: bytes) -> None:
    """A line that matches only in part is unknown, never an answer."""
    assert GRAMMAR.classify(line(text)) == Unknown(line(text))


def test_classify_knows_notices() -> None:
    """What the board sends unasked has a name and fields, too."""
    meaning = GRAMMAR.classify(line(checked(BOOT)), checksum=CHECKSUM)

    assert meaning == Notice("boot", {"fw": "1.4.2", "reset": "power", "boots": "17"}, line(checked(BOOT)))


@pytest.mark.parametrize(("asked", "named"), [("load off", "load off"), ("load on", "load on"), ("", "load on")])
def test_classify_prefers_the_question_that_was_asked(asked: str, named: str) -> None:
    """Where questions share a pattern, the answer belongs to the one that was asked."""
    meaning = GRAMMAR.classify(line(b"LOAD off"), asked=asked)

    assert meaning == Answer(named, {"state": "off"}, line(b"LOAD off"))


def test_classify_leaves_out_a_group_that_took_no_part() -> None:
    """An optional field that did not come is absent, not empty."""
    meaning = GRAMMAR.classify(line(b"CAL gain_ppm=-20"))

    assert isinstance(meaning, Answer)
    assert meaning.fields == {"gain_ppm": "-20"}


@pytest.mark.parametrize(
    ("damaged", "why"),
    [
        pytest.param(line(b"x" * 512, overlong=True), "no line end within 512 bytes", id="overlong"),
        pytest.param(line(b"BATT\x00"), "byte 0x00", id="NUL"),
        pytest.param(line(b"BATT n=\xd9\xa3"), "byte 0xd9", id="digit of another script"),
    ],
)
def test_classify_never_reads_a_damaged_line(damaged: Line, why: str) -> None:
    """A cut line or one with bytes of no text is damaged, with or without a checksum."""
    for checksum in (None, CHECKSUM):
        meaning = GRAMMAR.classify(damaged, checksum=checksum)
        assert isinstance(meaning, Damaged)
        assert why in meaning.why


def test_behind_half_line_finds_the_whole_one() -> None:
    """A reset in the middle of an answer leaves its notice readable, with its own time."""
    assembler = LineAssembler()
    assembler.feed(checked(BATT)[:20], 1.0)
    (glued,) = assembler.feed(checked(BOOT) + b"\r\n", 5.0)

    found = GRAMMAR.behind_half_line(glued, checksum=CHECKSUM)

    assert isinstance(found, Notice)
    assert (found.name, found.line.began_s) == ("boot", 5.0)


@pytest.mark.parametrize("lost", range(len(BATT) + 5))
def test_behind_half_line_takes_no_rest_for_a_line(lost: int) -> None:
    """Whatever one character is lost, no tail of the line passes for an answer."""
    text = checked(BATT)

    assert GRAMMAR.behind_half_line(line(text[:lost] + text[lost + 1 :]), checksum=CHECKSUM) is None


@pytest.mark.parametrize(
    ("text", "number"),
    [("3699", 3699.0), ("-5", -5.0), ("+21.5", 21.5), (".5", 0.5), ("5.", 5.0), ("1e3", 1000.0), ("-2.5E-3", -0.0025)],
)
def test_field_number_reads_decimal_numbers(text: str, number: float) -> None:
    """Whole, decimal and exponent forms are numbers."""
    assert field_number({"mv": text}, "mv") == number


@pytest.mark.parametrize(
    "text",
    ["", " ", "nan", "NaN", "inf", "-Infinity", "1e999", "1_000", " 5", "5 ", "0x10", "3,7", "--5", "1e", ".", "٣"],
)
def test_field_number_refuses_what_is_no_finite_number(text: str) -> None:
    """What is not plainly one finite number is charged to the board, with the text."""
    with pytest.raises(BoardProtocolError, match=r"field 'mv'.*finite decimal number is accepted"):
        field_number({"mv": text}, "mv")


def test_field_number_names_the_fields_there_are() -> None:
    """A field that did not come is named beside those that did."""
    with pytest.raises(BoardProtocolError, match=r"'c'.*\['mv', 'n'\]"):
        field_number({"n": "1", "mv": "3699"}, "c")


def test_question_fills_its_placeholders() -> None:
    """Params stand where the braces were."""
    assert ADJUST.text({"gain_ppm": -20, "offset_uv": 5}) == b"cal gain_ppm=-20 offset_uv=5"


@pytest.mark.parametrize(
    "params",
    [
        pytest.param({"gain_ppm": 1}, id="one missing"),
        pytest.param({"gain_ppm": 1, "offset_uv": 2, "more": 3}, id="one too many"),
    ],
)
def test_question_refuses_other_params_than_it_takes(params: dict[str, int]) -> None:
    """Missing or unknown params are told with the accepted names."""
    with pytest.raises(ConfigError, match=r"it takes \['gain_ppm', 'offset_uv'\]"):
        ADJUST.text(params)


@pytest.mark.parametrize("value", ["1\nload on", "ä", "\x00"])
def test_question_sends_no_second_line(value: str) -> None:
    """A param cannot smuggle in a line end or bytes of no text."""
    with pytest.raises(ConfigError, match="only printable ASCII is accepted"):
        ADJUST.text({"gain_ppm": value, "offset_uv": 0})


def _question(**changes: object) -> Question:
    values: dict[str, object] = {"name": "q", "send": "q?", "answers": ("A",), "timeout_s": 1.0} | changes
    return Question(**values)  # type: ignore[arg-type]  # wrong values are the point


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        pytest.param({"answers": ()}, "has no answer pattern", id="no pattern"),
        pytest.param({"answers": ("(",)}, "no regular expression", id="broken pattern"),
        pytest.param({"answers": (".*",)}, "matches an empty line", id="matches nothing at all"),
        pytest.param({"timeout_s": 0.0}, "seconds above 0", id="no time"),
        pytest.param({"timeout_s": float("nan")}, "seconds above 0", id="time is not a number"),
        pytest.param({"timeout_s": float("inf")}, "seconds above 0", id="for ever"),
        pytest.param({"send": ""}, "printable ASCII", id="sends nothing"),
        pytest.param({"send": "q?\n"}, "printable ASCII", id="sends a line end"),
        pytest.param({"send": "q {}"}, "a placeholder is a name", id="placeholder without name"),
        pytest.param({"send": "q {a.b}"}, "a placeholder is a name", id="placeholder with attribute"),
        pytest.param({"send": "q {"}, "Single '{'", id="single brace"),
    ],
)
def test_grammar_refuses_a_question_that_cannot_work(changes: dict[str, object], problem: str) -> None:
    """Each fault of a question is told with the question's name."""
    with pytest.raises(ConfigError, match=f"question 'q'.*{problem}"):
        Grammar(questions=(_question(**changes),))


def test_grammar_tells_all_problems_at_once() -> None:
    """Whoever writes a profile sees everything that is wrong with it in one go."""
    with pytest.raises(ConfigError, match="console grammar") as caught:
        Grammar(
            questions=(_question(), _question(), _question(name="r", answers=("[",))),
            notices={"boot": "("},
            resets=("bang",),
            sync="identity",
            line_end="\t",
        )

    assert len(caught.value.problems) == 6
    for word in ("stands 2 times", "question 'r'", "notice 'boot'", "'bang'", "'identity'", "'\\t'"):
        assert any(word in problem for problem in caught.value.problems), word


def test_grammar_names_its_questions_when_one_is_unknown() -> None:
    """An unknown question is told with those there are."""
    with pytest.raises(ConfigError, match=r"no question 'batt'.*'battery'"):
        GRAMMAR.question("batt")
