"""The bytes of an instrument on a raw TCP connection, read and written without a VISA library in between.

Owns the socket's settings, and that the end of the connection is noticed at once. Errors of the operating system
leave as they are. Must not know messages.
"""

from __future__ import annotations

import os
import select
import socket
import time
from typing import TYPE_CHECKING

from benchrig.wires.deadlines import left_s
from benchrig.wires.message_wire import WRITE_TIMEOUT_S

if TYPE_CHECKING:
    from collections.abc import Callable

_READ_BYTES = 65536


def lane_over(candidate: object, *, close: Callable[[], None]) -> SocketLane | None:
    """A lane over what a session has below it, when that is a socket; `close` ends the session.

    Raises OSError when the socket is not connected.
    """
    return SocketLane(candidate, close=close) if isinstance(candidate, socket.socket) else None


class SocketLane:
    """A lane (see `message_wire`) with no delay, own reads, and an end of file that is noticed at once."""

    slowest_bytes_per_s = 100e3  # a tenth of a 10 Mbit/s port, the slowest in use (common practice, no source)

    def __init__(self, connection: socket.socket, *, close: Callable[[], None]) -> None:
        check_connected(connection)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setblocking(False)
        self._socket = connection
        self._close = close
        self._readable = select.poll()
        self._readable.register(connection, select.POLLIN)

    def send(self, data: bytes) -> None:
        # most messages fit into the kernel's buffer: one call, no poll
        sent = self._send_some(data)
        deadline_s = time.monotonic() + WRITE_TIMEOUT_S
        while sent < len(data):
            self._wait_writable(left_s(deadline_s))
            sent += self._send_some(memoryview(data)[sent:])

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        self._wait_readable(timeout_s)
        try:
            data = self._socket.recv(_READ_BYTES)
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

    def waiting(self) -> bytes:
        waiting = bytearray()
        while self._readable.poll(0):
            data = self._socket.recv(_READ_BYTES)
            if not data and not waiting:
                raise EOFError("the instrument closed the connection")
            waiting += data
            if not data:
                break
        return bytes(waiting)

    def close(self) -> None:
        self._close()

    def _send_some(self, data: bytes | memoryview) -> int:
        try:
            return self._socket.send(data)
        except BlockingIOError:
            return 0

    def _wait_writable(self, timeout_s: float) -> None:
        writable = select.poll()
        writable.register(self._socket, select.POLLOUT)
        if not writable.poll(timeout_s * 1e3):
            raise TimeoutError(f"the instrument took no bytes for {WRITE_TIMEOUT_S:g} s")

    def _wait_readable(self, timeout_s: float) -> None:
        if not self._readable.poll(timeout_s * 1e3):
            raise TimeoutError("no byte came in time")


def check_connected(connection: socket.socket) -> None:
    """Raise the OSError of a connection that failed although a library calls it open."""
    if code := connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
        raise OSError(code, os.strerror(code))
    connection.getpeername()
