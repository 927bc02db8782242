"""What the wire costs, as ratios measured in one run: python tests/benchmarks/visa_query.py

The peer is a small responder in a process of its own; both processes are pinned to one core, so that the ratios
do not depend on how many cores the machine has. Rounds of the rivals are interleaved and compared by their
medians. Exit status 1 when a bound is broken.
"""

from __future__ import annotations

import os
import select
import socket
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack, closing
from typing import TYPE_CHECKING

import pyvisa

from benchrig.protocol.scpi import message
from benchrig.wires.visa import open_visa

if TYPE_CHECKING:
    from collections.abc import Callable

_ROUNDS = 41
_QUERIES_A_ROUND = 200
_BLOCKS_A_ROUND = 2
_PAYLOAD = bytes(range(256)) * 15_625  # 4 MB
_BLOCK = b"#7%d%b\n" % (len(_PAYLOAD), _PAYLOAD)
_TIMEOUT_S = 10.0
_SET_AND_READ = message("VOLT 3.700", "VOLT?").encode()

BOUNDS = {
    "query / pyvisa's own query": 1.15,
    "query / bare send and recv": 1.7,
    "set and read back / bare send and recv": 2.5,
    "4 MB block / bare recv": 2.5,
}


def answer_for_ever(listener: socket.socket) -> None:
    """The peer: answers every line that asks, on any number of connections, until its parent ends it."""
    connections = [listener]
    while True:
        for ready in select.select(connections, [], [])[0]:
            if ready is listener:
                connection = listener.accept()[0]
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connections.append(connection)
            elif question := ready.recv(4096):
                ready.sendall(_BLOCK if question.startswith(b"CURV?") else b"+3.70000E+00\n")
            else:
                connections.remove(ready)
                ready.close()


def main() -> int:
    """Measure, print, and judge against the bounds."""
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with ExitStack() as stack:
        listener = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
        port = listener.getsockname()[1]
        peer = subprocess.Popen([sys.executable, __file__, str(listener.fileno())], pass_fds=[listener.fileno()])
        stack.callback(peer.wait)
        stack.callback(peer.terminate)
        medians = _medians(_rivals(port, stack))
    for name, bound in BOUNDS.items():
        print(f"{name}: {_ratio(medians, name):.2f} (bound {bound})")
    for name, median_s in medians.items():
        print(f"  {name}: {median_s * 1e6:.1f} us")
    return int(any(_ratio(medians, name) > bound for name, bound in BOUNDS.items()))


def _ratio(medians: dict[str, float], name: str) -> float:
    above, below = name.split(" / ")
    return medians[above] / medians[below]


def _rivals(port: int, stack: ExitStack) -> dict[str, tuple[Callable[[], object], int]]:
    """What is measured: its name, one call of it, and how many calls make a round."""
    resource = f"TCPIP::127.0.0.1::{port}::SOCKET"
    wire = stack.enter_context(closing(open_visa(resource, name="peer")))
    session = stack.enter_context(pyvisa.ResourceManager("@py").open_resource(resource))
    assert isinstance(session, pyvisa.resources.MessageBasedResource)
    session.read_termination = session.write_termination = "\n"
    bare = stack.enter_context(socket.create_connection(("127.0.0.1", port)))
    bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def bare_query() -> bytes:
        bare.send(b"VOLT?\n")
        return bare.recv(4096)

    def bare_block() -> bytearray:
        bare.send(b"CURV?\n")
        received, count = bytearray(len(_BLOCK)), 0
        with memoryview(received) as view:
            while count < len(_BLOCK):
                count += bare.recv_into(view[count:])
        return received

    def block() -> bytes:
        wire.write(b"CURV?")
        return wire.read_block(timeout_s=_TIMEOUT_S)

    assert block() == _PAYLOAD
    return {
        "query": (lambda: wire.query(b"VOLT?", timeout_s=_TIMEOUT_S), _QUERIES_A_ROUND),
        "pyvisa's own query": (lambda: session.query("VOLT?"), _QUERIES_A_ROUND),
        "bare send and recv": (bare_query, _QUERIES_A_ROUND),
        "set and read back": (lambda: wire.query(_SET_AND_READ, timeout_s=_TIMEOUT_S), _QUERIES_A_ROUND),
        "4 MB block": (block, _BLOCKS_A_ROUND),
        "bare recv": (bare_block, _BLOCKS_A_ROUND),
    }


def _medians(rivals: dict[str, tuple[Callable[[], object], int]]) -> dict[str, float]:
    """The median time of one call of each rival in seconds, from interleaved rounds after one to warm up."""
    times: dict[str, list[float]] = {name: [] for name in rivals}
    for _ in range(_ROUNDS + 1):
        for name, (call, count) in rivals.items():
            times[name].append(_round_s(call, count=count))
    return {name: statistics.median(rounds[1:]) for name, rounds in times.items()}


def _round_s(call: Callable[[], object], *, count: int) -> float:
    begin_s = time.perf_counter()
    for _ in range(count):
        call()
    return (time.perf_counter() - begin_s) / count


if __name__ == "__main__":
    if len(sys.argv) > 1:
        answer_for_ever(socket.socket(fileno=int(sys.argv[1])))
    sys.exit(main())
