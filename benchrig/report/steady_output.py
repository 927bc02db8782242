"""Standard output that breaks nothing: what cannot be written is remembered instead of raised.

Owns the way to file descriptor 1: letters that a terminal lacks are written in ASCII, and the first error (a full
disk, a reader that left) ends the writing and not the work. Whoever owns the exit code asks `lost`. Knows nothing of
what is written.
"""

from __future__ import annotations

import codecs
import io
import os
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TextIO

_AS_ASCII = {
    "\u00b5": "u",
    "\u03bc": "u",
    "\u03a9": "ohm",
    "\u2126": "ohm",
    "\u00b1": "+-",
    "\u00b0": "deg ",
    "\u00b2": "2",
    "\u00b3": "3",
    "\u00b7": "*",
    "\u2212": "-",
}
"""The letters that this project prints beyond ASCII, as people write them without."""
_ERRORS = "benchrig-ascii"
_ENOUGH_BYTES = 1 << 16
CLOSED = "standard output is closed"


def _in_ascii(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    bad = error.object[error.start : error.end]
    return "".join(_AS_ASCII.get(char) or char.encode("unicode_escape").decode("ascii") for char in bad), error.end


codecs.register_error(_ERRORS, _in_ascii)


class SteadyOutput(io.TextIOBase):
    """Takes the place of `sys.stdout`. `clean` makes text safe before it is written."""

    def __init__(self, stream: TextIO | None, *, clean: Callable[[str], str] | None = None, wait: bool = False) -> None:
        """`wait` keeps text back until `flush` or until there is much of it. OSError: the stream is no file."""
        self._stream = stream
        self._clean = clean
        self._wait = wait
        self._kept = bytearray()
        self._encoding = (stream.encoding if stream else "") or "utf-8"
        self._fd = -1 if stream is None else os.dup(stream.fileno())
        self.lost = "" if stream is not None else CLOSED
        self.reader_left = False

    @property
    def encoding(self) -> str:  # type: ignore[override]  # typeshed has an attribute
        return self._encoding

    def fileno(self) -> int:
        if self._stream is None:
            raise io.UnsupportedOperation(CLOSED)
        return self._stream.fileno()

    def __getattr__(self, name: str) -> object:
        """Whatever else somebody asks of a standard output, such as its `buffer`."""
        return getattr(self._stream, name)

    def isatty(self) -> bool:
        return self._stream is not None and self._stream.isatty()

    def writable(self) -> bool:
        return True

    def write(self, text: str, /) -> int:
        """Never raises; see `lost`."""
        shown = self._clean(text) if self._clean else text
        self._kept += shown.encode(self._encoding, _ERRORS)
        if not self._wait or len(self._kept) > _ENOUGH_BYTES:
            self.flush()
        return len(text)

    def flush(self) -> None:
        """Write what is kept. Never raises."""
        data, self._kept = bytes(self._kept), bytearray()
        while data and not self.lost:
            try:
                data = data[os.write(self._fd, data) :]
            except OSError as wrong:
                self.reader_left = isinstance(wrong, BrokenPipeError)
                self.lost = wrong.strerror or str(wrong)

    def end(self) -> None:
        """Write the rest and let the descriptor go; a second call does nothing."""
        self.flush()
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def steady_stdout(*, clean: Callable[[str], str] | None = None, wait: bool = False) -> SteadyOutput | None:
    """One for the process's own standard output; None where that is no file, such as under another test run."""
    if sys.stdout is not None:
        with suppress(OSError, ValueError):  # what was printed before is not ours
            sys.stdout.flush()
    try:
        return SteadyOutput(sys.stdout, clean=clean, wait=wait)
    except (OSError, AttributeError):  # no descriptor
        return None
