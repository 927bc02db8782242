"""A key as a value that does not show itself.

Owns how a 128-bit key is held, compared and read from text. Must not know what a key is for. Neither repr, str,
format, a pickle nor an error shows the key; `reveal` is the only way to its bytes, and easy to search for.
"""

from __future__ import annotations

import hmac
from itertools import pairwise
from typing import NoReturn

KEY_BYTES = 16
"""Every key of LoRaWAN 1.0.x is one of AES-128 (FIPS 197)."""

_EXAMPLE = bytes.fromhex("2b7e151628aed2a6abf7158809cf4f3c")  # FIPS 197 A.1, RFC 4493: in many an example
_HIDDEN = "Key(hidden)"
_DIGITS = frozenset("0123456789abcdefABCDEF")


def is_pattern(raw: bytes) -> bool:
    """Whether bytes follow a pattern that somebody typed: all alike, in equal steps, or one half twice."""
    steps = {(after - before) % 256 for before, after in pairwise(raw)}
    half = len(raw) // 2
    return len(steps) <= 1 or raw[:half] == raw[half:]


class Key:
    """A key of 16 bytes, most significant byte first, as it is printed on a label.

    Raises ValueError that tells the length and never the key. An argument is forgotten before the error is raised,
    so that a traceback that shows arguments shows none.
    """

    __slots__ = ("_raw",)

    _raw: bytes

    def __init__(self, raw: bytes) -> None:
        size = len(raw)
        if size != KEY_BYTES:
            del raw
            raise ValueError(f"a key of {size} bytes; accepted: {KEY_BYTES}")
        object.__setattr__(self, "_raw", bytes(raw))

    @classmethod
    def from_hex(cls, text: str) -> Key:
        """The key out of 32 hexadecimal digits; blanks, colons and dashes between them do no harm."""
        digits = text.translate({ord(mark): None for mark in " :-\t\n"})
        size, strange = len(digits), sum(digit not in _DIGITS for digit in digits)
        if size != 2 * KEY_BYTES or strange:
            del text, digits
            raise ValueError(
                f"a key of {size} characters, {strange} of them no hexadecimal digit; accepted: {2 * KEY_BYTES} digits"
            )
        return cls(bytes.fromhex(digits))

    def reveal(self) -> bytes:
        """The key itself, for the cipher and for the search that removes it from texts. Bind it to no name."""
        return self._raw

    @property
    def is_placeholder(self) -> bool:
        """Whether anybody could guess it: a pattern, or the example of the standards, in either byte order."""
        return is_pattern(self._raw) or _EXAMPLE in (self._raw, self._raw[::-1])

    def reversed(self) -> Key:
        """The key in the other byte order, in which a label is sometimes copied."""
        return Key(self._raw[::-1])

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Key) and hmac.compare_digest(self._raw, other._raw)

    def __hash__(self) -> int:
        return hash((Key, self._raw))

    def __repr__(self) -> str:
        return _HIDDEN

    def __str__(self) -> str:
        return _HIDDEN

    def __format__(self, spec: str) -> str:
        return format(_HIDDEN, spec)

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError("a key does not change")

    def __copy__(self) -> Key:
        return self

    def __deepcopy__(self, memo: object) -> Key:
        return self

    def __reduce__(self) -> NoReturn:
        raise TypeError("a key is not pickled: it would stand in the file in the clear")
