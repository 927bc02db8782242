"""The UDP endpoint that gateways on the bench speak to: answers at once, and hands on what came in with its time.

Owns the socket, its thread and the queue. Must not know LoRaWAN: `protocol.gateway_side` says what to answer. Every
acknowledgement leaves before the next datagram is looked at; whoever takes packets out of the queue may be slow.
A bad datagram is counted and survived, and so is a reply that cannot be delivered.
"""

from __future__ import annotations

import errno
import os
import queue
import select
import socket
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self, TypeAlias

from benchrig.errors import GatewayError
from benchrig.protocol.gateway_side import Counts, GatewaySide, Heard

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.protocol.gateway_packets import TransmitPacket

Address: TypeAlias = tuple[str, int]

MOST_WAITING = 4096
"""Datagrams with content that wait for whoever takes them; beyond that the newest are lost, and counted."""

_LARGEST_BYTES = 65_535
_RECEIVE_BUFFER_BYTES = 1 << 20  # a burst of all gateways at once; the kernel may grant less
_NEXT_ACTION = {
    errno.EADDRINUSE: "another program listens there: end it, or give another port to the gateways and the bench file",
    errno.EADDRNOTAVAIL: "this computer has no such address: give one of its own, or 0.0.0.0 for all of them",
    errno.EACCES: "this user may not listen there: give a port from 1024 up",
}
_NOT_SENT = {
    errno.ENETUNREACH: "this computer has no way to the network of that gateway: check its cable, address and routes",
    errno.EHOSTUNREACH: "nobody at that address answers: check the gateway's cable and power",
    errno.ENETDOWN: "the network of this computer is down: check its cable and its settings",
    errno.EMSGSIZE: "it is longer than a datagram may be: give the board less to send down",
    errno.EPERM: "a rule of this computer forbids it: let UDP pass to the gateways",
    errno.EACCES: "that address is for all computers at once: give the gateway one of its own",
    errno.EINVAL: "that address cannot be reached from where the bench listens: give [gateway] listen = '0.0.0.0:PORT'",
}
"""What to do when the kernel does not send a datagram (errno of sendto, POSIX.1-2017)."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """What one datagram brought, and when it came by time.monotonic()."""

    wall_s: float
    heard: Heard[Address]


class GatewaySocket:
    """Listens from the moment it is made until `close`. Raises GatewayError when it cannot."""

    def __init__(self, host: str, port: int, *, accepted: frozenset[int] | None = None) -> None:
        """`accepted` names the gateways of the bench, None takes any. Port 0 takes a free one."""
        self._side: GatewaySide[Address] = GatewaySide(accepted=accepted)
        self._turn = threading.Lock()
        self._arrived: queue.SimpleQueue[Arrived | None] = queue.SimpleQueue()
        self._last_wall_s: dict[int, float] = {}
        self._spoke = threading.Condition()
        self._lost = 0
        self._broken = ""
        self._closed = False
        self._socket = _bound(host, port)
        self.host, self.port = self._socket.getsockname()[:2]
        self._bell_out, self._bell_in = os.pipe()
        self._thread = threading.Thread(target=self._listen, name=f"gateways at {self.where}", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def where(self) -> str:
        """The address that gateways are told."""
        return f"{self.host}:{self.port}"

    @property
    def counts(self) -> Counts:
        """What came in so far."""
        with self._turn:
            return replace(self._side.counts)

    @property
    def lost(self) -> int:
        """How many datagrams were thrown away since nobody took them."""
        return self._lost

    @property
    def gateways(self) -> tuple[int, ...]:
        """Those that opened a way for downlinks."""
        with self._turn:
            return self._side.gateways

    @property
    def last_wall_s(self) -> dict[int, float]:
        """When each gateway of the bench was last heard, by time.monotonic()."""
        with self._spoke:
            return dict(self._last_wall_s)

    def wait_for_gateway(self, timeout_s: float) -> bool:
        """Whether a gateway of the bench has opened its way for downlinks, at the latest after wall seconds."""
        return self._wait(lambda: bool(self.gateways), timeout_s)

    def wait_for_word(self, after_wall_s: float, timeout_s: float) -> bool:
        """Whether any gateway of the bench says a word after this instant (time.monotonic()) and in time."""
        return self._wait(lambda: max(self._last_wall_s.values(), default=0.0) > after_wall_s, timeout_s)

    def _wait(self, condition: Callable[[], bool], timeout_s: float) -> bool:
        with self._spoke:
            self._spoke.wait_for(lambda: condition() or bool(self._broken), timeout_s)
            return condition()

    def take(self, timeout_s: float | None) -> Arrived | None:
        """The next datagram with content; None after the time-out (wall seconds; None: no end) or after `ring`.

        Raises GatewayError once the socket failed.
        """
        try:
            found = self._arrived.get(timeout=timeout_s)
        except queue.Empty:
            found = None
        if found is None and self._broken:
            raise GatewayError(self._broken)
        return found

    def ring(self) -> None:
        """Ends a `take` that waits."""
        self._arrived.put(None)

    def forget(self) -> None:
        """Throws away what waits: it was for somebody who has gone."""
        with suppress(queue.Empty):
            while True:
                self._arrived.get_nowait()

    def order(self, packet: TransmitPacket, *, gateway: int) -> int:
        """Sends an order to a gateway; its answer comes with this number. Raises GatewayError."""
        try:
            with self._turn:
                number, reply = self._side.order(packet, gateway=gateway)
        except ValueError as wrong:
            raise GatewayError(f"gateways at {self.where}: a downlink cannot be ordered: {wrong}") from wrong
        try:
            self._socket.sendto(reply.data, reply.to)
        except OSError as wrong:
            raise GatewayError(
                f"gateways at {self.where}: an order of {len(reply.data)} bytes cannot be sent to gateway "
                f"{gateway:016X} at {reply.to[0]}:{reply.to[1]}: {_why_not_sent(wrong)}"
            ) from wrong
        return number

    def close(self) -> None:
        """Stop listening; a second call does nothing."""
        if self._closed:
            return
        self._closed = True
        os.write(self._bell_in, b"!")
        self._thread.join()
        self._socket.close()
        os.close(self._bell_in)
        os.close(self._bell_out)
        self.ring()

    # ---- its own thread

    def _listen(self) -> None:
        ready = select.poll()
        ready.register(self._socket, select.POLLIN)
        ready.register(self._bell_out, select.POLLIN)
        while not self._closed:
            ready.poll()
            try:
                self._drain()
            except OSError as wrong:
                self._fail(wrong)
                return

    def _drain(self) -> None:
        """Every datagram that is there."""
        while not self._closed:
            try:
                data, sender = self._socket.recvfrom(_LARGEST_BYTES)
            except (BlockingIOError, InterruptedError):
                return
            self._receive(data, sender, time.monotonic())

    def _receive(self, data: bytes, sender: Address, wall_s: float) -> None:
        with self._turn:
            heard = self._side.receive(data, sender=sender)
        for reply in heard.replies:
            with suppress(OSError):  # no way to there: the gateway asks again
                self._socket.sendto(reply.data, reply.to)
        if heard.gateway is not None:
            with self._spoke:
                self._last_wall_s[heard.gateway] = wall_s
                self._spoke.notify_all()
        if heard.packets or heard.rejected or heard.status or heard.answer:
            self._hand_over(Arrived(wall_s, heard))

    def _hand_over(self, arrived: Arrived) -> None:
        if self._arrived.qsize() >= MOST_WAITING:
            self._lost += 1
        else:
            self._arrived.put(arrived)

    def _fail(self, wrong: OSError) -> None:
        self._broken = f"gateways at {self.where}: listening failed: {wrong.strerror or wrong}; check the network"
        self.ring()
        with self._spoke:
            self._spoke.notify_all()


def _why_not_sent(wrong: OSError) -> str:
    action = _NOT_SENT.get(wrong.errno or 0, "check the network between bench and gateway")
    return f"{wrong.strerror or wrong}; {action}"


def _bound(host: str, port: int) -> socket.socket:
    endpoint = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        endpoint.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
        endpoint.setblocking(False)
        endpoint.bind((host, port))
    except (OSError, OverflowError) as wrong:
        endpoint.close()
        said = wrong.strerror if isinstance(wrong, OSError) else str(wrong)
        code = wrong.errno if isinstance(wrong, OSError) else None
        action = _NEXT_ACTION.get(code or 0, "check [gateway] listen in the bench file")
        raise GatewayError(f"[gateway] listen {host}:{port}: cannot listen there: {said}; {action}") from wrong
    return endpoint
