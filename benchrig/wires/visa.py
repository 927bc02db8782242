"""The wire to an instrument, over VISA. The only module that imports pyvisa.

Owns complete messages: a line or a block is handed out whole or not at all, and a question is refused while an
unread reply waits. Owns the translation of foreign errors. Must not know what a line means, nor which instrument
answers. All times here are wall seconds; VISA's milliseconds exist in this module only.

Two lanes carry the bytes. A raw socket opened by pyvisa-py is read directly (`_SocketLane`), because that
library leaves Nagle's delay on (RFC 896), spins when the peer has closed and takes a refused connection for an
open one. Everything else (USB, GPIB, VXI-11, serial lines, other VISA libraries) goes through the library's own
read and write (`_LibraryLane`).
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import select
import socket
import threading
import time
from typing import TYPE_CHECKING, Any, Protocol

import pyvisa
from pyvisa import errors as visa_errors
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa.resources import MessageBasedResource, SerialInstrument, TCPIPSocket
from pyvisa.rname import InvalidResourceName

from benchrig.errors import (
    ConfigError,
    InstrumentError,
    InstrumentLost,
    InstrumentReplyError,
    InstrumentTimeout,
)
from benchrig.protocol.scpi import BlockHeader, NeedMore, block_header

if TYPE_CHECKING:
    from collections.abc import Mapping

_WRITE_TIMEOUT_S = 2.0
_LARGEST_BLOCK_BYTES = 256 * 2**20
_SHOWN_BYTES = 60
_MESSAGE_AVAILABLE = 0x10  # bit 4 of the status byte, IEEE 488.2 clause 11.2 (from memory)

FOREIGN_ERRORS: Mapping[type[Exception], type[InstrumentError]] = {
    visa_errors.VisaIOError: InstrumentLost,  # refined by its code, see STATUS_CODES
    visa_errors.VisaIOWarning: InstrumentReplyError,
    visa_errors.VisaTypeError: InstrumentReplyError,
    visa_errors.InvalidBinaryFormat: InstrumentReplyError,
    visa_errors.UnknownHandler: InstrumentLost,
    visa_errors.OSNotSupported: InstrumentLost,
    visa_errors.InvalidSession: InstrumentLost,
    visa_errors.LibraryError: InstrumentLost,
    visa_errors.Error: InstrumentLost,
    InvalidResourceName: InstrumentLost,
    TimeoutError: InstrumentTimeout,
    Exception: InstrumentLost,  # pyvisa-py raises it bare; OSError and EOFError end here too
}
"""What an error of the libraries below means; the most specific class counts."""

STATUS_CODES: Mapping[int, type[InstrumentError]] = {
    StatusCode.error_timeout: InstrumentTimeout,
    StatusCode.error_serial_framing: InstrumentReplyError,
    StatusCode.error_serial_overrun: InstrumentReplyError,
    StatusCode.error_serial_parity: InstrumentReplyError,
    StatusCode.error_bus_error: InstrumentReplyError,
    StatusCode.error_input_protocol_violation: InstrumentReplyError,
    StatusCode.error_output_protocol_violation: InstrumentReplyError,
    StatusCode.error_raw_read_protocol_violation: InstrumentReplyError,
    StatusCode.error_raw_write_protocol_violation: InstrumentReplyError,
}
"""What a VISA status code means (VPP-4.3.2 names); every other one means that the instrument is lost."""

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


class _Lane(Protocol):
    """Carries bytes. Raises foreign errors as they come, TimeoutError and EOFError among them."""

    slowest_bytes_per_s: float

    def send(self, data: bytes) -> None: ...

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        """Some bytes, and whether the instrument marked the end of its message with them."""

    def receive_into(self, view: memoryview, timeout_s: float) -> tuple[int, bool]:
        """Like `receive`, for at most the length of `view`."""

    def waiting(self) -> bytes: ...

    def close(self) -> None: ...


class VisaWire:
    """A MessageWire over one VISA session; `open_visa` makes it."""

    def __init__(
        self, lane: _Lane, *, name: str, resource: str, read_termination: bytes, write_termination: bytes
    ) -> None:
        self._lane = lane
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
        deadline_s = _deadline_s(timeout_s)
        buffer, searched = self._buffer, 0
        while (end := buffer.find(self._read_end, searched)) < 0:
            searched = max(0, len(buffer) - len(self._read_end) + 1)
            self._fill(deadline_s, wanted=f"no complete line within {timeout_s:g} s")
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

    def _fill(self, deadline_s: float, *, wanted: str) -> None:
        """Wait for more bytes until the deadline and put them into the buffer."""
        try:
            data, ended = self._lane.receive(_left_s(deadline_s))
        except Exception as error:
            raise self._failure(error, wanted=wanted) from error
        self._buffer += data
        if ended and not self._buffer.endswith(self._read_end):
            reply = bytes(self._buffer)
            self._buffer.clear()
            raise self._bad_reply(f"the reply {_shown(reply)} ended without its termination {self._read_end!r}")

    def _read_block_header(self, *, timeout_s: float) -> tuple[BlockHeader, int]:
        deadline_s = _deadline_s(timeout_s)
        while isinstance(header := self._parse_block_header(), NeedMore):
            self._fill(deadline_s, wanted=f"no block within {timeout_s:g} s")
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
            have += self._receive_part(frame, have, deadline_s=min(latest_s, time.monotonic() + timeout_s))

    def _receive_part(self, view: memoryview, have: int, *, deadline_s: float) -> int:
        """Further bytes of a block, after the `have` that are in `view` already."""
        state = f"the block has {have} of {len(view)} bytes"
        try:
            count, ended = self._lane.receive_into(view[have:], _left_s(deadline_s))
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
        kind = meaning(error)
        arrived = f"arrived {_shown(self._buffer)}" if self._buffer else "nothing arrived"
        text = f"{self._who}: asked {_shown(self._asked)}, {wanted}; {arrived} ({_reason(error)}); {_ADVICE[kind]}"
        return kind(text, self._name)


class _SocketLane:
    """The very socket of a pyvisa-py session: no delay, own reads, and an end of file that is noticed at once."""

    slowest_bytes_per_s = 100e3  # a tenth of a 10 Mbit/s port, the slowest in use (common practice, no source)

    def __init__(self, resource: MessageBasedResource, connection: socket.socket) -> None:
        _check_connected(connection)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setblocking(False)
        self._resource = resource
        self._socket = connection
        self._readable = select.poll()
        self._readable.register(connection, select.POLLIN)

    def send(self, data: bytes) -> None:
        # most messages fit into the kernel's buffer: one call, no poll
        sent = self._send_some(data)
        deadline_s = time.monotonic() + _WRITE_TIMEOUT_S
        while sent < len(data):
            self._wait_writable(_left_s(deadline_s))
            sent += self._send_some(memoryview(data)[sent:])

    def _send_some(self, data: bytes | memoryview) -> int:
        try:
            return self._socket.send(data)
        except BlockingIOError:
            return 0

    def _wait_writable(self, timeout_s: float) -> None:
        writable = select.poll()
        writable.register(self._socket, select.POLLOUT)
        if not writable.poll(timeout_s * 1e3):
            raise TimeoutError(f"the instrument took no bytes for {_WRITE_TIMEOUT_S:g} s")

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        self._wait_readable(timeout_s)
        try:
            data = self._socket.recv(65536)
        except BlockingIOError:
            return b"", False
        if not data:
            raise EOFError("the instrument closed the connection")
        return data, False

    def receive_into(self, view: memoryview, timeout_s: float) -> tuple[int, bool]:
        self._wait_readable(timeout_s)
        try:
            count = self._socket.recv_into(view)
        except BlockingIOError:
            return 0, False
        if not count:
            raise EOFError("the instrument closed the connection")
        return count, False

    def _wait_readable(self, timeout_s: float) -> None:
        if not self._readable.poll(timeout_s * 1e3):
            raise TimeoutError("no byte came in time")

    def waiting(self) -> bytes:
        waiting = bytearray()
        while self._readable.poll(0):
            data = self._socket.recv(65536)
            if not data and not waiting:
                raise EOFError("the instrument closed the connection")
            waiting += data
            if not data:
                break
        return bytes(waiting)

    def close(self) -> None:
        self._resource.close()


class _LibraryLane:
    """Read and write of the VISA library, whichever it is."""

    slowest_bytes_per_s = 960.0  # a serial line of 9600 baud, ten bits for a byte

    def __init__(self, resource: MessageBasedResource) -> None:
        self._resource = resource
        # a byte stream has no mark for the end of a message, and a read that times out loses what it had:
        # single bytes lose nothing, and a stream that goes through here is a slow one
        self._is_stream = isinstance(resource, SerialInstrument | TCPIPSocket)
        self._block_chunk = 16 if isinstance(resource, SerialInstrument) else 4096 if self._is_stream else 65536
        self._granted_ms = 0
        self._stops_at_termination = True

    def send(self, data: bytes) -> None:
        self._grant_ms(_whole_ms(_WRITE_TIMEOUT_S))
        sent = self._resource.write_raw(data)
        if sent < len(data):
            raise OSError(errno.EIO, f"the library sent {sent} of {len(data)} bytes")

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        self._stop_at_termination(wanted=True)
        if self._is_stream:
            return self._receive_byte(time.monotonic() + timeout_s), False
        self._grant_ms(_whole_ms(timeout_s))
        return self._read(20480)

    def receive_into(self, view: memoryview, timeout_s: float) -> tuple[int, bool]:
        # bytes equal to the termination are data here, and a library would stop at each of them
        self._stop_at_termination(wanted=False)
        self._grant_ms(_whole_ms(timeout_s))
        data, ended = self._read(min(len(view), self._block_chunk))
        view[: len(data)] = data
        return len(data), ended

    def waiting(self) -> bytes:
        if isinstance(self._resource, SerialInstrument):
            return self._waiting_serial(self._resource)
        return self._waiting_stream() if self._is_stream else self._waiting_message()

    def close(self) -> None:
        self._resource.close()

    def _waiting_serial(self, resource: SerialInstrument) -> bytes:
        waiting = bytearray()
        while count := resource.bytes_in_buffer:
            waiting += self._read(count)[0]
        return bytes(waiting)

    def _waiting_stream(self) -> bytes:
        waiting = bytearray()
        self._grant_ms(1)
        while (byte := self._try_byte()) is not None:
            waiting += byte
        return bytes(waiting)

    def _waiting_message(self) -> bytes:
        # reading on spec would make the instrument report a query error; the status byte does not
        try:
            status_byte = self._resource.read_stb()
        except NotImplementedError:
            return b""
        except visa_errors.VisaIOError as error:
            if error.error_code in (
                StatusCode.error_nonsupported_operation,
                StatusCode.error_nonimplemented_operation,
            ):
                return b""
            raise
        return self.receive(_WRITE_TIMEOUT_S)[0] if status_byte & _MESSAGE_AVAILABLE else b""

    def _receive_byte(self, deadline_s: float) -> bytes:
        while True:
            # a power of two below the time left: the library's time-out is set ten times, not for every byte
            left_ms = _whole_ms(_left_s(deadline_s))
            self._grant_ms(1 << (left_ms.bit_length() - 1))
            if (byte := self._try_byte()) is not None:
                return byte

    def _try_byte(self) -> bytes | None:
        try:
            return self._read(1)[0]
        except visa_errors.VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                return None
            raise

    def _read(self, count: int) -> tuple[bytes, bool]:
        resource = self._resource
        with resource.ignore_warning(StatusCode.success_max_count_read, StatusCode.success_device_not_present):
            data, status = resource.visalib.read(resource.session, count)
        if status < 0:
            raise visa_errors.VisaIOError(status)
        return bytes(data), status == StatusCode.success and not self._is_stream

    def _grant_ms(self, timeout_ms: int) -> None:
        if timeout_ms != self._granted_ms:
            self._resource.timeout = timeout_ms
            self._granted_ms = timeout_ms

    def _stop_at_termination(self, *, wanted: bool) -> None:
        if wanted is not self._stops_at_termination:
            self._resource.set_visa_attribute(ResourceAttribute.termchar_enabled, wanted)
            self._stops_at_termination = wanted


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


_MANAGER_LOCK = threading.Lock()
_MANAGERS: dict[str, pyvisa.ResourceManager] = {}


def open_visa(
    resource: str,
    *,
    name: str,
    backend: str = "@py",
    read_termination: str = "\n",
    write_termination: str = "\n",
    open_timeout_s: float = 2.0,
) -> VisaWire:
    """Open the wire to the instrument `name` at the VISA resource `resource`, within `open_timeout_s`.

    `backend` names the VISA library: '@py', '@ivi', or a definition file and '@sim'. Raises ConfigError when
    the resource, the backend or a termination cannot be used, and InstrumentLost when nothing answers there. A
    host name costs the time of its look-up on top; an address does not.
    """
    who = f"{name} at {resource}"
    _check_termination(read_termination, who=who)
    _check_termination(write_termination, who=who)
    session = _open_session(resource, name=name, backend=backend, open_timeout_s=open_timeout_s)
    try:
        session.read_termination = read_termination
        session.write_termination = write_termination
        connection = _raw_socket(session)
        lane = _LibraryLane(session) if connection is None else _SocketLane(session, connection)
    except Exception as error:
        with contextlib.suppress(Exception):
            session.close()
        raise _not_opened(error, name=name, resource=resource) from error
    return VisaWire(
        lane,
        name=name,
        resource=resource,
        read_termination=read_termination.encode("ascii"),
        write_termination=write_termination.encode("ascii"),
    )


def meaning(error: Exception) -> type[InstrumentError]:
    """The class of this project that a foreign error stands for."""
    if isinstance(error, visa_errors.VisaIOError) and error.error_code in STATUS_CODES:
        return STATUS_CODES[error.error_code]
    return next(FOREIGN_ERRORS[kind] for kind in type(error).__mro__ if kind in FOREIGN_ERRORS)


def _open_session(resource: str, *, name: str, backend: str, open_timeout_s: float) -> MessageBasedResource:
    manager = _manager(backend, name=name)
    open_timeout_ms = _whole_ms(_checked_s(open_timeout_s))
    try:
        session = manager.open_resource(resource, open_timeout=open_timeout_ms)
    except Exception as error:
        raise _not_opened(error, name=name, resource=resource) from error
    if not isinstance(session, MessageBasedResource):
        session.close()
        raise ConfigError(f"{name} at {resource}: this resource carries no messages; name an INSTR or a SOCKET")
    return session


def _manager(backend: str, *, name: str) -> pyvisa.ResourceManager:
    """The resource manager of a library, shared by all wires and never closed here."""
    try:
        with _MANAGER_LOCK:
            # pyvisa hands out the one that lives, and a new one after somebody closed it; the table keeps it alive
            manager = _MANAGERS[backend] = pyvisa.ResourceManager(backend)
            return manager
    except Exception as error:
        library = backend.rpartition("@")[2]
        raise ConfigError(
            f"{name}: the VISA backend {backend!r} cannot be used: {error}; "
            f"install it (pip install pyvisa-{library}) or name another, such as '@py'"
        ) from error


def _not_opened(error: Exception, *, name: str, resource: str) -> ConfigError | InstrumentError:
    """The error for a session that did not come about."""
    bad_name = StatusCode.error_invalid_resource_name
    if isinstance(error, ValueError) or getattr(error, "error_code", None) == bad_name:
        return ConfigError(f"{name} at {resource}: this resource cannot be used ({_reason(error)})")
    return InstrumentLost(
        f"{name} at {resource}: could not be opened ({_reason(error)}); "
        "check that it is switched on, its address and port, and that nobody else holds it",
        name,
    )


def _raw_socket(session: MessageBasedResource) -> socket.socket | None:
    """The socket below a raw TCP session of pyvisa-py; None for any other session and library."""
    if not isinstance(session, TCPIPSocket):
        return None
    sessions: Any = getattr(session.visalib, "sessions", {})
    interface = getattr(sessions.get(session.session), "interface", None)
    return interface if isinstance(interface, socket.socket) else None


def _check_connected(connection: socket.socket) -> None:
    """Raise the OSError of a connection that failed although the library calls it open."""
    if code := connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
        raise OSError(code, os.strerror(code))
    connection.getpeername()


def _check_termination(termination: str, *, who: str) -> None:
    # VISA stops at the last character, so it must not stand inside the sequence as well
    if not termination or not termination.isascii() or termination[-1] in termination[:-1]:
        raise ConfigError(f"{who}: the termination {termination!r} cannot be used; accepted: '\\n', '\\r\\n', '\\r'")


def _deadline_s(timeout_s: float) -> float:
    return time.monotonic() + _checked_s(timeout_s)


def _checked_s(timeout_s: float) -> float:
    if not 0.0 < timeout_s < math.inf:
        raise ValueError(f"a time-out is above 0 s and finite, not {timeout_s}")
    return timeout_s


def _left_s(deadline_s: float) -> float:
    left_s = deadline_s - time.monotonic()
    if left_s <= 0.0:
        raise TimeoutError("the time is up")
    return left_s


def _whole_ms(timeout_s: float) -> int:
    return max(1, math.ceil(timeout_s * 1e3))


def _reason(error: Exception) -> str:
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__


def _shown(data: bytes | bytearray) -> str:
    if len(data) <= _SHOWN_BYTES:
        return repr(bytes(data))
    return f"{bytes(data[:_SHOWN_BYTES])!r}... ({len(data)} bytes)"
