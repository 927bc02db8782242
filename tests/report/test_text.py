"""Text made safe, against the XML specification and two XML readers."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET

import pytest
from lxml import etree

from benchrig.report.text import one_line, safe_text, shown_line, shown_lines, xml_text

CASES = [
    pytest.param("plain <&>]]> ±µΩ", "plain <&>]]> ±µΩ", id="markup is the writer's business"),
    pytest.param("a\x01b", "a\\x01b", id="start of heading"),
    pytest.param("\x1b[2J", "\\x1b[2J", id="escape sequence"),
    pytest.param("OK\r\n", "OK\\r\n", id="carriage return, which a reader would drop"),
    pytest.param("\x00\x7f\x9b", "\\x00\\x7f\\x9b", id="null, delete, C1"),
    pytest.param("\udcff\ufffe", "\\udcff\\ufffe", id="half a surrogate pair and a non-character"),
    pytest.param("🐄", "🐄", id="beyond the basic plane"),
]


@pytest.mark.parametrize(("text", "expected"), CASES)
def test_xml_text(text: str, expected: str) -> None:
    """Characters that XML 1.0 refuses are shown escaped, all others stay."""
    assert xml_text(text) == expected


def test_xml_text_of_every_character() -> None:
    """Two XML readers accept every character there is, and give back what the production of XML 1.0 allows.

    Char ::= #x9 | #xA | #xD | [#x20-#xD7FF] | [#xE000-#xFFFD] | [#x10000-#x10FFFF], XML 1.0 (5th ed.), 2.2.
    """
    element = ET.Element("text")
    element.text = xml_text("".join(map(chr, range(sys.maxunicode + 1))))
    document = ET.tostring(element)

    allowed = [0x9, 0xA, *range(0x20, 0x7F), *range(0xA0, 0xD800), *range(0xE000, 0xFFFE)]
    for read in (ET.fromstring(document).text, etree.fromstring(document).text):
        assert read is not None
        assert set(map(chr, allowed)) <= set(read)
        assert set(map(ord, read)) == {*allowed, *range(0x10000, 0x110000)}
        assert all(f"\\x{code:02x}" in read for code in (*range(9), *range(14, 32), *range(0x7F, 0xA0)))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        pytest.param("T=21.5 °C", "T=21.5 °C", id="plain"),
        pytest.param("a\r\nb\tc", "a\\r\\nb\\tc", id="line ends and tab"),
        pytest.param("\x1b[31mpass", "\\x1b[31mpass", id="colour of a hostile board"),
        pytest.param("ssap\u202e", "ssap\\u202e", id="right-to-left override"),
    ],
)
def test_one_line(text: str, expected: str) -> None:
    """Text of a board can neither break a line of the terminal nor steer it."""
    assert one_line(text) == expected


def test_safe_text() -> None:
    """Line feeds and tabs stay, and all of the text; what steers a terminal is shown escaped."""
    assert safe_text("a\tb\n\x1b[2J\u202e" + "x" * 5000) == "a\tb\n\\x1b[2J\\u202e" + "x" * 5000


def test_shown_line() -> None:
    """The beginning of a long text, and how long it is; one that is short stays whole."""
    assert (
        shown_line("\x00" + "x" * 2000)
        == "\\x00" + "x" * 1999 + " ... (2001 characters in all; the journal holds them)"
    )
    assert shown_line("x" * 2000) == "x" * 2000


def test_shown_lines() -> None:
    """Each line is shortened by itself, a tab is four blanks."""
    first, second = shown_lines("a\tb\x07\n" + "y" * 3000).split("\n")

    assert first == "a    b\\x07"
    assert second.endswith("y ... (3000 characters in all; the journal holds them)")
