"""The power guard: a process of its own that switches the outputs off when the runner dies without saying goodbye.

It starts before the first output closes, reads its orders as one JSON line, answers "standing by" and then
waits on its standard input. The line "release" (sent after the runner saw the outputs off) ends it. When the pipe
closes without that line - kill -9, a crash, a power cut of the runner's terminal - or the runner ends while a
child of it still holds the pipe, it opens each supply by itself, switches the output off, reads it back, writes
what it saw into the journal, and then runs the command that makes the report of the interrupted run. It runs in
a session of its own, so that Ctrl-C in the runner's terminal does not reach it.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import IO, cast

import msgspec

from benchrig.errors import BenchError, BenchrigError, InstrumentError
from benchrig.protocol import scpi
from benchrig.record_chain import last_hash, linked
from benchrig.records import Happening, encode_record
from benchrig.wires.visa import open_visa

_KEEP_TRYING_S = 3.0
_STANDING_BY = "standing by"
_START_S = 20.0


class OffOrder(msgspec.Struct, frozen=True, kw_only=True):
    """How one supply output is switched off and asked for."""

    name: str
    resource: str
    backend: str
    read_termination: str
    write_termination: str
    off: str
    query: str
    header: str = ""


class GuardOrders(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the guard needs to know; it asks nobody else."""

    outputs: tuple[OffOrder, ...]
    journal: str
    afterwards: tuple[str, ...]
    run_origin_monotonic_s: float
    clock_scale: float


class PowerGuard:
    """The runner's end of the pipe."""

    def __init__(self) -> None:
        """Start the process at once, so that its imports overlap with the runner's own start."""
        self._process = subprocess.Popen(
            [sys.executable, "-m", "benchrig.bench.power_guard"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        self._stdin = cast("IO[bytes]", self._process.stdin)
        self._stdout = cast("IO[bytes]", self._process.stdout)
        self._armed = False

    def arm(self, orders: GuardOrders) -> None:
        """Hand over the orders and wait until the guard stands by. Raises BenchError."""
        line = msgspec.json.encode(orders) + b"\n"
        try:
            self._stdin.write(line)
            self._stdin.flush()
            answered, _, _ = select.select([self._stdout], [], [], _START_S)
            answer = self._stdout.readline().decode().strip() if answered else f"nothing within {_START_S:g} s"
        except OSError as wrong:
            raise BenchError(f"the power guard process ended before it stood by: {wrong}") from wrong
        if answer != _STANDING_BY:
            raise BenchError(f"the power guard process did not stand by; it said {answer!r}")
        self._armed = True

    @property
    def stands_by(self) -> bool:
        """Whether the guard has its orders and is alive."""
        return self._armed and self._process.poll() is None

    def release(self) -> None:
        """Tell the guard that the outputs were seen off; it ends without touching anything."""
        with suppress(OSError):
            self._stdin.write(b"release\n")
            self._stdin.close()
        self._end()

    def let_it_act(self) -> None:
        """Close the pipe without a release: the guard switches off by itself. Waits until it is done."""
        with suppress(OSError):
            self._stdin.close()
        self._end()

    def _end(self) -> None:
        self._armed = False
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=_KEEP_TRYING_S + 2.0)
        self._stdout.close()


def switch_off(order: OffOrder) -> str:
    """Open the supply, switch the output off, read it back. Returns what was seen; raises BenchrigError."""
    wire = open_visa(
        order.resource,
        name=order.name,
        backend=order.backend,
        read_termination=order.read_termination,
        write_termination=order.write_termination,
        open_timeout_s=1.0,
    )
    try:
        wire.write(order.off.encode("ascii"))
        answer = wire.query(order.query.encode("ascii"), timeout_s=1.0).decode("ascii", "replace")
        if scpi.parse_boolean(answer, header=order.header or None):
            raise InstrumentError(f"supply {order.name} at {order.resource}: told off, still says {answer!r}")
        return answer
    except ValueError as wrong:
        raise InstrumentError(f"supply {order.name} at {order.resource}: {wrong}") from wrong
    finally:
        wire.close()


def switch_off_stubbornly(order: OffOrder) -> str:
    """Try again until the output was seen off or the time is over; returns the sentence for the journal."""
    began_s = time.monotonic()
    while True:
        try:
            switch_off(order)
        except BenchrigError as wrong:
            if time.monotonic() - began_s > _KEEP_TRYING_S:
                return f"{order.name}: output could NOT be switched off: {wrong}; switch it off by hand"
            time.sleep(0.05)
        else:
            elapsed_s = time.monotonic() - began_s
            return f"{order.name}: output switched off and read back off {elapsed_s:.2f} s after the runner ended"


def switch_all_off(outputs: tuple[OffOrder, ...]) -> list[str]:
    """Every output, each supply on its own so that one that does not answer holds up no other."""
    supplies: dict[str, list[OffOrder]] = {}
    for order in outputs:
        supplies.setdefault(order.resource, []).append(order)
    with ThreadPoolExecutor(max_workers=max(1, len(supplies))) as pool:
        told = pool.map(lambda orders: [switch_off_stubbornly(order) for order in orders], supplies.values())
        return [text for texts in told for text in texts]


def _append(orders: GuardOrders, text: str) -> None:
    """One event into the journal, on a line of its own even when the runner died in the middle of one."""
    at_s = (time.monotonic() - orders.run_origin_monotonic_s) * orders.clock_scale
    line = encode_record(Happening(kind="power guard", text=text, charged_to="", at_s=at_s))
    with Path(orders.journal).open("r+b") as journal:
        line, _ = linked(line, before=last_hash(journal.read()))
        end = journal.seek(0, os.SEEK_END)
        if end:
            journal.seek(end - 1)
            line = line if journal.read(1) == b"\n" else b"\n" + line
        journal.seek(0, os.SEEK_END)
        journal.write(line)
        journal.flush()
        os.fsync(journal.fileno())


def _runner_is_gone(runner: int | None) -> bool:
    """Wait for the runner's next word, or for its end. True unless the word is "release"."""
    watched = [sys.stdin.fileno(), *(() if runner is None else (runner,))]
    readable, _, _ = select.select(watched, [], [])
    if sys.stdin.fileno() not in readable:  # a child of the runner may hold the pipe open long after it
        return True
    return sys.stdin.buffer.readline().strip() != b"release"


def _watch_parent() -> int | None:
    """A file that becomes readable when the runner ends, where the system has such files (Linux 5.3)."""
    try:
        return os.pidfd_open(os.getppid())
    except (AttributeError, OSError):
        return None


def main() -> int:
    """Stand guard until released, or until the runner is gone."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    runner = _watch_parent()
    first = sys.stdin.buffer.readline()
    if first.strip() in (b"", b"release"):
        return 0
    orders = msgspec.json.decode(first, type=GuardOrders)
    print(_STANDING_BY, flush=True)
    if not _runner_is_gone(runner):
        return 0
    for text in switch_all_off(orders.outputs):
        with suppress(OSError):
            _append(orders, text)
    if orders.afterwards:
        with suppress(OSError):
            subprocess.run(orders.afterwards, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return 0


if __name__ == "__main__":
    sys.exit(main())
