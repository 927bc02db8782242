"""How text that came from a board, an instrument or a file is made safe to show. A file gets all of it.

A terminal gets the beginning of what is longer than anybody reads, and how long it is; nothing else is ever dropped.

Numbers: production [2] Char of XML 1.0 (5th edition) says which characters a document may hold, and 2.11
that a reader turns a carriage return into a line feed, so that one is escaped as well.
"""

from __future__ import annotations

import re

_MOST_SHOWN = 2000
"""Characters of one text on a terminal; own choice: some twenty lines."""

_NOT_XML = "[^\t\n\x20-\x7e\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
"""Complement of production [2]; 7F-9F are allowed there but discouraged, and steer a terminal. Compiled at its first
use: that takes longer than the rest of a short command."""


def xml_text(text: str) -> str:
    """Text that any XML 1.0 document can hold; a control character is shown as \\x01."""
    return re.sub(_NOT_XML, lambda match: _escaped(match[0]), text)


def one_line(text: str) -> str:
    """Text that can neither break a line of a terminal nor steer it."""
    return "".join(char if char.isprintable() else _escaped(char) for char in text)


def safe_text(text: str) -> str:
    """Text over several lines, none of which can steer a terminal; all of it."""
    return "\n".join("\t".join(map(one_line, line.split("\t"))) for line in text.split("\n"))


def shown_line(text: str) -> str:
    """One line for a terminal: safe, and not longer than anybody reads."""
    if len(text) <= _MOST_SHOWN:
        return one_line(text)
    return f"{one_line(text[:_MOST_SHOWN])} ... ({len(text)} characters in all; the journal holds them)"


def shown_lines(text: str) -> str:
    """Text for a terminal that may go over several lines; each is safe and not longer than anybody reads."""
    return "\n".join(shown_line(line.replace("\t", "    ")) for line in text.split("\n"))


def _escaped(char: str) -> str:
    return char.encode("unicode_escape").decode("ascii")
