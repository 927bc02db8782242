"""How much later a console line is handed over than a bare descriptor read would have had it.

Run as a script: `python tests/benchmarks/serial_line.py`. Two pseudo terminals, one writer in its own process on
the same core as the reader; bare reads and handed-over lines take turns, so that both see the same machine.
Each line carries the writer's clock just before its write. Exit status 1 when the bound is broken.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
import tty

from benchrig.wires.serial_port import LineReader, open_port

ROUNDS = 40
LINES_A_ROUND = 50
MEASUREMENTS = 3
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


def _delay_s(line: bytes) -> float:
    now_ns = time.monotonic_ns()
    return (now_ns - int(line.partition(b"ns=")[2].partition(b"*")[0])) * 1e-9


def _bare_round(order: int, descriptor: int) -> list[float]:
    delays_s = []
    for _ in range(LINES_A_ROUND):
        os.write(order, b"0")
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


def _measure(order: int, descriptor: int, reader: LineReader) -> float:
    """How much later ours is in seconds; prints both."""
    rounds = [
        (statistics.median(_bare_round(order, descriptor)), statistics.median(_our_round(order, reader)))
        for _ in range(ROUNDS)
    ]
    bare_s = statistics.median(bare for bare, _ in rounds)
    ours_s = statistics.median(ours for _, ours in rounds)
    difference_s = statistics.median(ours - bare for bare, ours in rounds)
    print(
        f"ours {ours_s * 1e6:.1f} us / bare {bare_s * 1e6:.1f} us / difference {difference_s * 1e6:.1f} us "
        f"(bound {BOUND_S * 1e6:.0f} us), medians of {ROUNDS} rounds of {LINES_A_ROUND} lines"
    )
    return difference_s


def main() -> int:
    """Measure, print, and say by the exit status whether the bound holds.

    Other work on the machine can only make a hand-over slower, so a second and third measurement may still
    prove that the bound holds.
    """
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    bare_far, bare_near = os.openpty()
    our_far, our_near = os.openpty()
    tty.setraw(bare_near)
    path = os.ttyname(our_near)
    os.close(our_near)
    command = [sys.executable, "-c", WRITER, str(bare_far), str(our_far)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, pass_fds=(bare_far, our_far)) as writer:
        os.close(bare_far)  # so that a writer that dies ends the reads instead of leaving them waiting
        os.close(our_far)
        reader = LineReader(open_port(path, name="benchmark", baud=115200))
        assert writer.stdin is not None
        order = writer.stdin.fileno()
        holds = any(_measure(order, bare_near, reader) <= BOUND_S for _ in range(MEASUREMENTS))
        reader.close()
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
