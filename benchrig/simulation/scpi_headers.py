"""Program headers: how a command is spelled in a table and which spellings of a client mean it.

Owns: long and short form, optional nodes, numeric suffix 1, the path rule for joined units.  Must not know any
command.  Source: SCPI-99 volume 1 chapter 6 (short and long form, optional nodes, path) and IEEE 488.2 section
7.6 (common commands leave the path alone), both from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from benchrig.simulation.scpi_errors import ScpiError

_SPELLING_NODE = re.compile(r"(\[?):?([A-Z]+)([a-z]*)(\]?)")
_TYPED_NODE = re.compile(r"([A-Z]+[A-Z_]*)(\d*)\Z")
_HEADER = re.compile(r"[*:]?[A-Za-z][\w:]*\??\Z")


@dataclass(frozen=True, slots=True)
class Node:
    """One mnemonic of a header, in capitals."""

    short: str
    long: str
    is_optional: bool

    def accepts(self, typed: str) -> bool:
        """Whether a client's mnemonic (capitals, no suffix) is this node's short or long form."""
        return typed in (self.short, self.long)


def spelling_nodes(spelling: str) -> tuple[Node, ...]:
    """The nodes of a table spelling such as ``[SOURce:]VOLTage[:LEVel]``."""
    tidy = spelling.replace(":]", "]")
    return tuple(
        Node(short, short + rest.upper(), bool(opening)) for opening, short, rest, _ in _SPELLING_NODE.findall(tidy)
    )


def is_spelled(nodes: tuple[Node, ...], typed: tuple[str, ...]) -> bool:
    """Whether the typed mnemonics walk through all nodes, leaving out optional ones only."""
    if not nodes:
        return not typed
    head, rest = nodes[0], nodes[1:]
    if typed and head.accepts(typed[0]) and is_spelled(rest, typed[1:]):
        return True
    return head.is_optional and is_spelled(rest, typed)


@dataclass(frozen=True, slots=True)
class Header:
    """A header as a client means it: full path in capitals, and whether it asks."""

    mnemonics: tuple[str, ...]
    is_query: bool

    @property
    def is_common(self) -> bool:
        """Whether this is an IEEE 488.2 common command."""
        return self.mnemonics[0].startswith("*")


@dataclass(slots=True)
class HeaderPath:
    """The current path while one program message is read; a new message starts at the root."""

    _level: tuple[str, ...] | None = field(default=())

    def resolve(self, text: str) -> Header | None:
        """The full header that `text` means here; None if it hangs on an unknown header and is to be left out.

        Raises `ScpiError` -102 for something that is no header, -114 for a numeric suffix other than 1.
        """
        if not _HEADER.match(text):
            raise ScpiError(-102)
        is_query = text.endswith("?")
        name = text.rstrip("?").upper()
        if name.startswith("*"):
            return Header((name,), is_query)
        if name.startswith(":"):
            self._level, name = (), name[1:]
        if self._level is None:
            return None
        typed = tuple(_without_suffix(mnemonic) for mnemonic in name.split(":"))
        header = Header(self._level + typed, is_query)
        self._level = header.mnemonics[:-1]
        return header

    def lose(self) -> None:
        """Forget the path after an unknown header: what hangs on it has no meaning until a ':' anchors again."""
        self._level = None


def _without_suffix(mnemonic: str) -> str:
    match = _TYPED_NODE.match(mnemonic)
    if match is None:
        raise ScpiError(-102)
    name, suffix = match.groups()
    if suffix not in ("", "1"):
        raise ScpiError(-114)
    return name
