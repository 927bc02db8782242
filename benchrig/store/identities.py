"""Identities that no two boards may share. Pure: rows in, sentences out.

A device EUI is given to one device (IEEE Registration Authority, guidelines for EUI-64, from memory), and a network
takes two that say the same for one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

UNIQUE = ("eui", "chip")
"""Kinds of identity that one board alone may have."""

Said = tuple[str, str, str]
"""Kind of identity, its value, and the board that said it."""


def clashes(board: str, said: Mapping[str, str], others: Iterable[Said]) -> tuple[str, ...]:
    """One sentence for each identity of this board that another one has said."""
    found: dict[tuple[str, str], set[str]] = {}
    for kind, value, other in others:
        if kind in UNIQUE and other != board and value and _same(said.get(kind, ""), value):
            found.setdefault((kind, plain(value)), set()).add(other)
    return tuple(
        f"board {board}: its {kind} {value} was said by {', '.join(sorted(boards))} before; two boards with one {kind} "
        "are one to a network: give this board an identity of its own, then run it again"
        for (kind, value), boards in sorted(found.items())
    )


def duplicates(said: Iterable[Said]) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    """Every identity that several boards have said: kind, value, boards."""
    by_value: dict[tuple[str, str], set[str]] = {}
    for kind, value, board in said:
        if kind in UNIQUE and value:
            by_value.setdefault((kind, plain(value)), set()).add(board)
    return tuple(
        (kind, value, tuple(sorted(boards))) for (kind, value), boards in sorted(by_value.items()) if len(boards) > 1
    )


def _same(one: str, other: str) -> bool:
    return bool(one) and plain(one) == plain(other)


def plain(value: str) -> str:
    """Identities are hexadecimal digits, written by some with separators and in either case."""
    return "".join(letter for letter in value.upper() if letter.isalnum())
