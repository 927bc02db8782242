"""How much later a console line is handed over than a bare descriptor read would have had it.

Run as a script: `python tests/benchmarks/serial_line.py`. Two pseudo terminals, one writer in its own process on
the same core as the reader; bare reads and handed-over lines take turns, so that both see the same machine.
Each line carries the writer's clock just before its write. Exit status 1 when the bound is broken.
"""

from __future__ import annotations

import os
import select
import statistics
import subprocess
import sys
import time
import tty
from dataclasses import dataclass

from benchrig.wires.serial_port import LineReader, open_port

ROUNDS = 40
LINES_A_ROUND = 50
BOUND_S = 25e-6
TIMEOUT_S = 5.0

# The writer waits for a byte on its standard input before each line, so that it always finds the reader waiting.
WRITER = """
import os, sys, time
descriptors = [int(word) for word in sys.argv[1:]]
while (order := os.read(0, 1)):
    time.sleep(0.001)
    line = b"BATT n=12 raw=3444 mv=3699 ns=%d*1C2D\\r\\n"
    os.write(descriptors[order[0] - 48], line % time.monotonic_ns())
"""


@dataclass
class Terminals:
    """The near ends of two pseudo terminals: one for bare reads, one for handed-over lines."""

    bare: int
    ours: LineReader


def _delay_s(line: bytes) -> float:
    now_ns = time.monotonic_ns()
    return (now_ns - int(line.partition(b"ns=")[2].partition(b"*")[0])) * 1e-9


def _bare_round(order: int, descriptor: int) -> list[float]:
    poll = select.poll()
    poll.register(descriptor, select.POLLIN)
    delays_s = []
    for _ in range(LINES_A_ROUND):
        os.write(order, b"0")
        if not poll.poll(TIMEOUT_S * 1000.0):
            raise TimeoutError("the writer wrote nothing to the bare terminal")
        delays_s.append(_delay_s(os.read(descriptor, 4096)))
    return delays_s


def _our_round(order: int, reader: LineReader) -> list[float]:
    delays_s = []
    for _ in range(LINES_A_ROUND):
        os.write(order, b"1")
        line = reader.next_line(timeout_s=TIMEOUT_S)
        if line is None:
            raise TimeoutError("the writer wrote nothing to our terminal")
        delays_s.append(_delay_s(line.text))
    return delays_s


def main() -> int:
    """Measure, print, and say by the exit status whether the bound holds."""
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    bare_far, bare_near = os.openpty()
    our_far, our_near = os.openpty()
    tty.setraw(bare_near)
    path = os.ttyname(our_near)
    os.close(our_near)
    command = [sys.executable, "-c", WRITER, str(bare_far), str(our_far)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, pass_fds=(bare_far, our_far)) as writer:
        reader = LineReader(open_port(path, name="benchmark", baud=115200))
        assert writer.stdin is not None
        order = writer.stdin.fileno()
        bare_s: list[float] = []
        ours_s: list[float] = []
        for _ in range(ROUNDS):
            bare_s += _bare_round(order, bare_near)
            ours_s += _our_round(order, reader)
        reader.close()
    bare, ours = statistics.median(bare_s), statistics.median(ours_s)
    difference = ours - bare
    print(
        f"ours {ours * 1e6:.1f} us / bare {bare * 1e6:.1f} us / difference {difference * 1e6:.1f} us "
        f"(bound {BOUND_S * 1e6:.0f} us), medians of {len(ours_s)} lines each"
    )
    return 0 if difference <= BOUND_S else 1


if __name__ == "__main__":
    sys.exit(main())
