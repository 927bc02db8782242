"""Opens the wire to an instrument over VISA. The only module that imports pyvisa.

Owns sessions, the lane through a VISA library, and the translation of foreign errors. Must not know how messages are
framed, what a line means, nor which instrument answers. All times here are wall seconds; VISA's milliseconds exist in
this module only.

Two lanes carry the bytes. A raw socket opened by pyvisa-py is read directly (`socket_lane`), because that library
leaves Nagle's delay on (RFC 896), spins when the peer has closed and takes a refused connection for an open one.
Everything else (USB, GPIB, VXI-11, serial lines, other VISA libraries) goes through the library's own read and write
(`_LibraryLane`).
"""

from __future__ import annotations

import contextlib
import errno
import threading
import time
from typing import TYPE_CHECKING, Any

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
from benchrig.wires.deadlines import checked_s, left_s, whole_ms
from benchrig.wires.message_wire import WRITE_TIMEOUT_S, MessageWire, VisaWire, reason
from benchrig.wires.socket_lane import lane_over

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["FOREIGN_ERRORS", "STATUS_CODES", "MessageWire", "VisaWire", "meaning", "open_visa"]

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
        self._grant_ms(whole_ms(WRITE_TIMEOUT_S))
        sent = self._resource.write_raw(data)
        if sent < len(data):
            raise OSError(errno.EIO, f"the library sent {sent} of {len(data)} bytes")

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        self._stop_at_termination(wanted=True)
        if self._is_stream:
            return self._receive_byte(time.monotonic() + timeout_s), False
        self._grant_ms(whole_ms(timeout_s))
        return self._read(20480)

    def receive_into(self, view: memoryview, timeout_s: float) -> tuple[int, bool]:
        # bytes equal to the termination are data here, and a library would stop at each of them
        self._stop_at_termination(wanted=False)
        self._grant_ms(whole_ms(timeout_s))
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
        return self.receive(WRITE_TIMEOUT_S)[0] if status_byte & _MESSAGE_AVAILABLE else b""

    def _receive_byte(self, deadline_s: float) -> bytes:
        while True:
            # a power of two below the time left: the library's time-out is set ten times, not for every byte
            left_ms = whole_ms(left_s(deadline_s))
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
        lane = lane_over(_below(session), close=session.close) or _LibraryLane(session)
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
        meaning=meaning,
    )


def meaning(error: Exception) -> type[InstrumentError]:
    """The class of this project that a foreign error stands for."""
    if isinstance(error, visa_errors.VisaIOError) and error.error_code in STATUS_CODES:
        return STATUS_CODES[error.error_code]
    return next(FOREIGN_ERRORS[kind] for kind in type(error).__mro__ if kind in FOREIGN_ERRORS)


def _open_session(resource: str, *, name: str, backend: str, open_timeout_s: float) -> MessageBasedResource:
    manager = _manager(backend, name=name)
    open_timeout_ms = whole_ms(checked_s(open_timeout_s))
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
        return ConfigError(f"{name} at {resource}: this resource cannot be used ({reason(error)})")
    return InstrumentLost(
        f"{name} at {resource}: could not be opened ({reason(error)}); "
        "check that it is switched on, its address and port, and that nobody else holds it",
        name,
    )


def _below(session: MessageBasedResource) -> object:
    """What pyvisa-py carries a raw TCP session with; None for any other session and library."""
    if not isinstance(session, TCPIPSocket):
        return None
    sessions: Any = getattr(session.visalib, "sessions", {})
    return getattr(sessions.get(session.session), "interface", None)


def _check_termination(termination: str, *, who: str) -> None:
    # VISA stops at the last character, so it must not stand inside the sequence as well
    if not termination or not termination.isascii() or termination[-1] in termination[:-1]:
        raise ConfigError(f"{who}: the termination {termination!r} cannot be used; accepted: '\\n', '\\r\\n', '\\r'")
