"""The TCP face of an instrument: one server, any number of clients, messages that end in LF.

Owns: sockets and the order of messages.  Must not know SCPI (to which a CR before the LF is white space).  A message is
carried out to its end before the next one of any client begins, so that joined queries of two clients cannot mix.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Awaitable, Callable
from typing import Protocol

MAX_MESSAGE_BYTES = 65536


class Transmitter(Protocol):
    """What a line disturbance may do to the connection."""

    def send(self, data: bytes) -> None:
        """Send bytes to the client."""

    def drop(self) -> None:
        """Close the connection at once."""


Disturbance = Callable[[bytes, Transmitter], Awaitable[None]]


async def pass_on(reply: bytes, transmitter: Transmitter) -> None:
    """The healthy line: the reply as it is."""
    transmitter.send(reply)


class MessageExecutor(Protocol):
    """The part of an instrument that a connection talks to."""

    async def execute(self, message: str) -> bytes:
        """Carry out a program message and return the response message, empty if there is none."""


class InstrumentServer:
    """Listens for the clients of one instrument."""

    def __init__(self, instrument: MessageExecutor, *, disturbance: Disturbance = pass_on) -> None:
        self.instrument = instrument
        self.disturbance = disturbance
        self.turn = asyncio.Lock()
        self._server: asyncio.Server | None = None

    async def listen(self, *, port: int) -> int:
        """Listen on 127.0.0.1 and return the port; 0 takes a free one.  Raises OSError if it is taken."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Connection(self), "127.0.0.1", port)
        bound_port: int = self._server.sockets[0].getsockname()[1]
        return bound_port


class _Connection(asyncio.Protocol):
    """One client."""

    def __init__(self, server: InstrumentServer) -> None:
        self._server = server
        self._received = bytearray()
        self._messages: asyncio.Queue[str] = asyncio.Queue()
        self._transport: asyncio.Transport | None = None
        self._worker: asyncio.Task[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        connection = transport.get_extra_info("socket")
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._transport = transport
        self._worker = asyncio.get_running_loop().create_task(self._serve())

    def data_received(self, data: bytes) -> None:
        self._received += data
        *complete, rest = self._received.split(b"\n")
        self._received = rest if len(rest) <= MAX_MESSAGE_BYTES else bytearray()
        for line in complete:
            self._messages.put_nowait(line.decode("latin-1"))

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        if self._worker is not None:
            self._worker.cancel()

    def send(self, data: bytes) -> None:
        if self._transport is not None:
            self._transport.write(data)

    def drop(self) -> None:
        if self._transport is not None:
            self._transport.abort()

    async def _serve(self) -> None:
        while True:
            message = await self._messages.get()
            async with self._server.turn:
                reply = await self._server.instrument.execute(message)
            if reply:
                await self._server.disturbance(reply + b"\n", self)
