"""The secrets that are in use now, and what is written once they are taken out of it.

Owns one growing set for a run: keys join it before they are used. Must not know where records go. A text that a board
sent could hold its key: no record may, in any form that `protocol.redaction` knows.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import msgspec

from benchrig.protocol.redaction import Redactor

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.protocol.secret_key import Key
    from benchrig.records import Record


class KnownSecrets:
    """Takes secrets out of texts and records. Threads may add while others write."""

    def __init__(self, secrets: Iterable[Key | bytes] = ()) -> None:
        self._turn = threading.Lock()
        self._known: dict[Key | bytes, None] = {}
        self._redactor = Redactor(())
        self.add(secrets)

    def add(self, secrets: Iterable[Key | bytes]) -> None:
        """From now on these are taken out, too. Raises ValueError for one that is too short to be told from data."""
        with self._turn:
            new = [one for one in dict.fromkeys(secrets) if one not in self._known]
            if new:
                known = [*self._known, *new]
                self._redactor = Redactor(known)
                self._known = dict.fromkeys(known)

    def text(self, text: str) -> str:
        """The text without the secrets."""
        return self._redactor.text(text)

    def record(self, record: Record) -> Record:
        """The record without the secrets; the same one when it holds none."""
        if not self._known or not self._shows(plain := msgspec.to_builtins(record)):
            return record
        return msgspec.convert(self._cleaned(plain), type(record))

    def _shows(self, value: object) -> bool:
        if isinstance(value, str):
            return bool(self._redactor.find(value))
        if isinstance(value, dict):
            return any(self._shows(part) for entry in value.items() for part in entry)
        return isinstance(value, list | tuple) and any(map(self._shows, value))

    def _cleaned(self, value: object) -> object:
        if isinstance(value, str):
            return self._redactor.text(value)
        if isinstance(value, dict):
            return {self._cleaned(key): self._cleaned(entry) for key, entry in value.items()}
        if isinstance(value, list | tuple):
            return [self._cleaned(entry) for entry in value]
        return value
