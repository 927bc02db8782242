"""Takes secrets out of text and bytes, in every form in which a tool may have written them.

Owns the forms: hexadecimal of either case with any separators, base64 of both alphabets at any alignment, lists of
numbers, escapes and raw bytes; each as the key is and byte-reversed. Must not know where a text goes. A finding says
which form was found where, and never the secret.
"""

from __future__ import annotations

import base64
import re
from typing import TYPE_CHECKING, NamedTuple

from benchrig.protocol.secret_key import Key

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

REDACTED = "[secret removed]"

SHORTEST_BYTES = 8
"""A shorter secret would be found by chance in ordinary data."""

_PREFIX = r"(?:0x|\\x)?"
_SEPARATOR = r"[\s:;,._\-|/]{0,3}" + _PREFIX
_BETWEEN = r"\D{1,3}"
_WRAP = r"(?:\s|\\[rn]){0,2}"
_BASE64 = "A-Za-z0-9+/_\\-"
_EITHER_ALPHABET = {"+": "[+\\-]", "/": "[/_]"}


class Finding(NamedTuple):
    """A secret in a text: which one (in the order they were given), in which form, from which character on."""

    secret: int
    form: str
    offset: int


class Redactor:
    """Removes these secrets. Raises ValueError for one shorter than 8 bytes."""

    __slots__ = ("_patterns",)

    def __init__(self, secrets: Iterable[Key | bytes]) -> None:
        self._patterns = tuple(_pattern(one) for one in secrets)

    def text(self, text: str) -> str:
        """The text without the secrets."""
        for pattern in self._patterns:
            text = pattern.sub(REDACTED, text)
        return text

    def data(self, data: bytes) -> bytes:
        """The same for bytes, of whatever encoding: forms of text are found in them as ASCII."""
        return self.text(data.decode("latin-1")).encode("latin-1")

    def find(self, content: str | bytes) -> tuple[Finding, ...]:
        """Every secret in this content, for a scan of what a run wrote."""
        text = content.decode("latin-1") if isinstance(content, bytes) else content
        return tuple(
            Finding(number, str(found.lastgroup), found.start())
            for number, pattern in enumerate(self._patterns)
            for found in pattern.finditer(text)
        )

    def __repr__(self) -> str:
        return f"Redactor({len(self._patterns)} secrets)"


def _pattern(secret: Key | bytes) -> re.Pattern[str]:
    size = len(secret.reveal() if isinstance(secret, Key) else secret)
    if size < SHORTEST_BYTES:
        del secret
        raise ValueError(f"a secret of {size} bytes; accepted: from {SHORTEST_BYTES} up")
    return re.compile("|".join(_forms(secret.reveal() if isinstance(secret, Key) else secret)))


def _forms(raw: bytes) -> Iterator[str]:
    """An alternative for each form, the name of the form as its group."""
    for way, data in (("", raw), ("_reversed", raw[::-1])):
        yield f"(?P<hex{way}>(?i:{_PREFIX}{_SEPARATOR.join(f'{byte:02x}' for byte in data)}))"
        for skip in range(3):
            yield f"(?P<base64_{skip}{way}>{_base64(data, skip)})"
        yield rf"(?P<numbers{way}>(?<!\d){_BETWEEN.join(str(byte) for byte in data)}(?!\d))"
        yield f"(?P<escapes{way}>{re.escape(repr(data)[2:-1])})"
        yield f"(?P<raw{way}>{re.escape(data.decode('latin-1'))})"


def _base64(data: bytes, skip: int) -> str:
    """The characters that are the same whatever stands before and after, with those that share bits beside them.

    `skip` is how many bytes of the group of three belong to what stands before.
    """
    encoded = base64.b64encode(b"\x00" * skip + data + b"\x00" * (-(skip + len(data)) % 3)).decode("ascii")
    first = -(-8 * skip // 6)
    last = 8 * (skip + len(data)) // 6
    core = _WRAP.join(_EITHER_ALPHABET.get(letter, letter) for letter in encoded[first:last])
    before = f"(?:[{_BASE64}]{_WRAP})?" if skip else ""  # another secret right before may have taken it along
    after = f"(?:{_WRAP}[{_BASE64}])?(?:{_WRAP}=){{0,2}}" if last < len(encoded) else ""
    return f"{before}{core}{after}"
