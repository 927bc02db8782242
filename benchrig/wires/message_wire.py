"""Whole messages to and from an instrument, made out of the bytes that a lane carries.

Owns framing: a line or a block is handed out whole or not at all, and a question is refused while an unread reply
waits. Owns the sentences of the errors; what a foreign error means is told by whoever opened the lane. Must not know
what a line means, which instrument answers, nor which library carries the bytes. All times here are wall seconds.
"""

from __future__ import annotations

import errno
import math
import time
from typing import TYPE_CHECKING, Protocol

from benchrig.errors import InstrumentError, InstrumentLost, InstrumentReplyError, InstrumentTimeout
from benchrig.protocol.scpi import BlockHeader, NeedMore, block_header
from benchrig.wires.deadlines import deadline_s, left_s

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

WRITE_TIMEOUT_S = 2.0
"""Within this time an instrument takes a message, on every lane."""

_LARGEST_BLOCK_BYTES = 256 * 2**20
_SHOWN_BYTES = 60

_ADVICE: Mapping[type[InstrumentError], str] = {
    InstrumentTimeout: "close the wire, open it again and identify the instrument before trusting a reading",
    InstrumentReplyError: "check termination and line settings in the bench file, then open the wire again",
    InstrumentLost: "check power, cable and address, then open the wire again",
}


class MessageWire(Protocol):
    """Whole messages to and from one instrument. Not for several threads at once.

    Every method raises InstrumentLost when the connection ended and InstrumentTimeout when `timeout_s` wall
    seconds passed first. After an error the wire is to be closed and opened again.
    """

    def write(self, message: bytes) -> None:
        """Send one program message; the termination is added here."""

    def read_line(self, *, timeout_s: float) -> bytes:
        """One whole line without its termination, within `timeout_s` in all."""

    def read_block(self, *, timeout_s: float) -> bytes:
        """The payload of a definite-length block; `timeout_s` bounds every gap without bytes."""

    def query(self, message: bytes, *, timeout_s: float) -> bytes:
        """Send a question and read its line; InstrumentReplyError while an unread reply waits."""

    def unread(self) -> bytes:
        """What waits right now, without blocking and without taking it."""

    def close(self) -> None:
        """End the session; a second call does nothing."""


class Lane(Protocol):
    """Carries bytes. Raises foreign errors as they come, TimeoutError and EOFError among them."""

    slowest_bytes_per_s: float

    def send(self, data: bytes) -> None:
        """Send all bytes within WRITE_TIMEOUT_S."""

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        """Some bytes, and whether the instrument marked the end of its message with them."""

    def receive_into(self, view: memoryview, timeout_s: float) -> tuple[int, bool]:
        """Like `receive`, for at most the length of `view`."""

    def waiting(self) -> bytes:
        """What can be read right now, taken from the lane."""

    def close(self) -> None:
        """End the session below."""


class VisaWire:
    """A MessageWire over a lane of one VISA session; `open_visa` in `visa` makes it."""

    def __init__(
        self,
        lane: Lane,
        *,
        name: str,
        resource: str,
        read_termination: bytes,
        write_termination: bytes,
        meaning: Callable[[Exception], type[InstrumentError]],
    ) -> None:
        """`meaning` tells the class of this project that a foreign error of the lane stands for."""
        self._lane = lane
        self._meaning = meaning
        self._name = name
        self._who = f"{name} at {resource}"
        self._read_end = read_termination
        self._write_end = write_termination
        self._buffer = bytearray()
        self._scratch = bytearray()
        self._asked = b""

    def write(self, message: bytes) -> None:
        """Send `message` and the write termination. Raises InstrumentTimeout and InstrumentLost."""
        self._asked = message
        try:
            self._lane.send(message + self._write_end)
        except Exception as error:
            raise self._failure(error, wanted="it could not be sent") from error

    def read_line(self, *, timeout_s: float) -> bytes:
        """One line without its termination, complete within `timeout_s`. Raises InstrumentError.

        What arrived of an incomplete line stands in the message of the error and stays unread.
        """
        until_s = deadline_s(timeout_s)
        buffer, searched = self._buffer, 0
        while (end := buffer.find(self._read_end, searched)) < 0:
            searched = max(0, len(buffer) - len(self._read_end) + 1)
            self._fill(until_s, wanted=f"no complete line within {timeout_s:g} s")
        line = bytes(buffer[:end])
        del buffer[: end + len(self._read_end)]
        return line

    def read_block(self, *, timeout_s: float) -> bytes:
        """The payload of a definite-length block (IEEE 488.2 clause 8.7.9). Raises InstrumentError.

        `timeout_s` bounds the wait for the header and every gap without bytes; the whole takes no longer than
        `timeout_s` and the time that the slowest usual link needs for its length.
        """
        header, length = self._read_block_header(timeout_s=timeout_s)
        end = header.start + length
        frame = self._frame(end + len(self._read_end))
        self._read_frame(frame, timeout_s=timeout_s)
        if (after := bytes(frame[end:])) != self._read_end:
            raise self._bad_reply(f"after the {length} bytes of a block came {_shown(after)}")
        return bytes(frame[header.start : end])

    def query(self, message: bytes, *, timeout_s: float) -> bytes:
        """Send `message` and read its line within `timeout_s`. Raises InstrumentError.

        Nothing is sent while an unread reply waits: it would be taken for the answer to this question.
        """
        if stale := self.unread():
            raise self._bad_reply(f"unread reply {_shown(stale)} waits, so {message!r} was not sent")
        self.write(message)
        return self.read_line(timeout_s=timeout_s)

    def unread(self) -> bytes:
        """The bytes that wait right now; they stay. Raises InstrumentLost when the connection has ended.

        A library that cannot read the status byte of a USB, GPIB or VXI-11 instrument cannot tell, and gives
        none.
        """
        try:
            self._buffer += self._lane.waiting()
        except Exception as error:
            if not self._buffer:
                raise self._failure(error, wanted="it does not answer any more") from error
        return bytes(self._buffer)

    def close(self) -> None:
        """End the VISA session. Raises InstrumentLost when the library cannot; a second call does nothing."""
        lane, self._lane = self._lane, _ClosedLane()
        self._buffer.clear()
        try:
            lane.close()
        except Exception as error:
            raise self._failure(error, wanted="the session could not be closed") from error

    def _fill(self, until_s: float, *, wanted: str) -> None:
        """Wait for more bytes until the deadline and put them into the buffer."""
        try:
            data, ended = self._lane.receive(left_s(until_s))
        except Exception as error:
            raise self._failure(error, wanted=wanted) from error
        self._buffer += data
        if ended and not self._buffer.endswith(self._read_end):
            reply = bytes(self._buffer)
            self._buffer.clear()
            raise self._bad_reply(f"the reply {_shown(reply)} ended without its termination {self._read_end!r}")

    def _read_block_header(self, *, timeout_s: float) -> tuple[BlockHeader, int]:
        until_s = deadline_s(timeout_s)
        while isinstance(header := self._parse_block_header(), NeedMore):
            self._fill(until_s, wanted=f"no block within {timeout_s:g} s")
        if header.length is None:
            raise self._bad_reply("a block of indefinite length came, whose end cannot be told")
        if header.length > _LARGEST_BLOCK_BYTES:
            raise self._bad_reply(f"a block of {header.length} bytes came; accepted: {_LARGEST_BLOCK_BYTES}")
        return header, header.length

    def _parse_block_header(self) -> NeedMore | BlockHeader:
        try:
            return block_header(self._buffer)
        except ValueError as error:
            raise self._bad_reply(f"{_shown(self._buffer)} came instead of a block ({error})") from error

    def _frame(self, size: int) -> memoryview:
        # kept for the next block: fresh memory costs as much as the transfer itself
        if len(self._scratch) < size:
            self._scratch = bytearray(size)
        return memoryview(self._scratch)[:size]

    def _read_frame(self, frame: memoryview, *, timeout_s: float) -> None:
        """Fill `frame` with what waits and with what comes."""
        have = min(len(self._buffer), len(frame))
        frame[:have] = self._buffer[:have]
        del self._buffer[:have]
        latest_s = time.monotonic() + timeout_s + len(frame) / self._lane.slowest_bytes_per_s
        while have < len(frame):
            have += self._receive_part(frame, have, until_s=min(latest_s, time.monotonic() + timeout_s))

    def _receive_part(self, view: memoryview, have: int, *, until_s: float) -> int:
        """Further bytes of a block, after the `have` that are in `view` already."""
        state = f"the block has {have} of {len(view)} bytes"
        try:
            count, ended = self._lane.receive_into(view[have:], left_s(until_s))
        except Exception as error:
            self._buffer += view[:have]
            raise self._failure(error, wanted=f"{state} and nothing more came in time") from error
        if ended and have + count < len(view):
            raise self._bad_reply(f"the message ended with {have + count} of the {len(view)} bytes of a block")
        return count

    def _bad_reply(self, what: str) -> InstrumentReplyError:
        advice = _ADVICE[InstrumentReplyError]
        return InstrumentReplyError(f"{self._who}: asked {_shown(self._asked)}, {what}; {advice}", self._name)

    def _failure(self, error: Exception, *, wanted: str) -> InstrumentError:
        """The project's own error for a foreign one; to be raised `from` it."""
        kind = self._meaning(error)
        arrived = f"arrived {_shown(self._buffer)}" if self._buffer else "nothing arrived"
        text = f"{self._who}: asked {_shown(self._asked)}, {wanted}; {arrived} ({reason(error)}); {_ADVICE[kind]}"
        return kind(text, self._name)


class _ClosedLane:
    """What a closed wire has left: nothing but the error."""

    slowest_bytes_per_s = math.inf

    def send(self, data: bytes) -> None:
        raise OSError(errno.EBADF, "this wire was closed")

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        raise OSError(errno.EBADF, "this wire was closed")

    def receive_into(self, view: memoryview, timeout_s: float) -> tuple[int, bool]:
        raise OSError(errno.EBADF, "this wire was closed")

    def waiting(self) -> bytes:
        raise OSError(errno.EBADF, "this wire was closed")

    def close(self) -> None:
        return


def reason(error: Exception) -> str:
    """A foreign error as it stands in brackets in a message of ours."""
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__


def _shown(data: bytes | bytearray) -> str:
    if len(data) <= _SHOWN_BYTES:
        return repr(bytes(data))
    return f"{bytes(data[:_SHOWN_BYTES])!r}... ({len(data)} bytes)"
