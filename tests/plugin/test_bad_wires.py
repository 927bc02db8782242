"""Whole production runs over bad wires: a console that loses, flips and inserts characters, a meter whose replies stray.

Between the runner and a healthy simulated bench stands a proxy that spoils what passes, by a seed. The board and the
instruments are sound, so what is right is known: whatever is written down as a reading must be what was there.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import subprocess
import sys
import termios
import threading
import tty
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from benchrig.journal import read_journal
from benchrig.records import FactJudged, Happening, ReadingTaken, Verdict
from benchrig.report.board_report import BoardReport, board_report
from benchrig.simulation.ptys import Pty, PtyWatcher

from .runs import BENCH, BOARD, PRODUCTION, PROFILE, ROOT

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Iterator
    from pathlib import Path

    from benchrig.records import Record
    from tests.conftest import Simulation, StartBench

AT_ONCE = 2
SCALE = 16.0
PER_COUNT_V = 4 * 1.1 / 4096
"""The demo board's divider and converter as designed: 300 k over 100 k, 1.1 V, 12 bit."""
METER_TIMEOUT_S = 0.4

CONSOLES = {f"{rate:.1%}-{seed}": (seed, rate) for seed in range(10) for rate in (0.001, 0.005)}
METERS = {f"meter-{seed}": (seed, 0.005 + 0.0025 * seed) for seed in range(10)}


# ---- proxies


@dataclass
class Noise:
    """Loses, flips and inserts bytes at random places."""

    rng: random.Random
    rate: float
    spoilt: int = 0

    def __call__(self, data: bytes) -> bytes:
        """What is left of the data."""
        return b"".join(self._one(byte) for byte in data)

    def _one(self, byte: int) -> bytes:
        if self.rng.random() >= self.rate:
            return bytes([byte])
        self.spoilt += 1
        what = self.rng.randrange(3)
        if what == 0:
            return b""
        if what == 1:
            return bytes([byte ^ 1 << self.rng.randrange(8)])
        return bytes([byte, self.rng.randrange(256)])


class NoisyConsole:
    """A pseudo-terminal in front of the board's; it is open to the board only while the runner has it open."""

    def __init__(self, path: str, seed: int, rate: float) -> None:
        self.to_board, self.to_runner = (Noise(random.Random(f"{seed} {way}"), rate) for way in ("to", "from"))
        self._path = path
        self._board = -1
        self._loop = asyncio.get_running_loop()
        watcher = PtyWatcher(before=lambda: None)
        watcher.attach(self._loop)
        self._runner = Pty(watcher, received=self._from_runner, opened=self._opened)

    @property
    def path(self) -> str:
        """What the runner opens."""
        return self._runner.path

    @property
    def spoilt(self) -> int:
        """How many bytes were not passed on as they came."""
        return self.to_board.spoilt + self.to_runner.spoilt

    def _opened(self, is_open: bool) -> None:
        if is_open and self._board < 0:
            self._board = os.open(self._path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            tty.setraw(self._board, termios.TCSANOW)
            self._loop.add_reader(self._board, self._from_board)
        elif not is_open:
            self.close()

    def close(self) -> None:
        """Let go of the board's end."""
        if self._board >= 0:
            self._loop.remove_reader(self._board)
            os.close(self._board)
        self._board = -1

    def _from_runner(self, data: bytes) -> None:
        self._opened(True)
        os.write(self._board, self.to_board(data))

    def _from_board(self) -> None:
        with suppress(BlockingIOError):
            self._runner.send(self.to_runner(os.read(self._board, 4096)))


@dataclass
class StrayReplies:
    """Passes an instrument's replies on late, in pieces, twice, as garbage, or not at all, now and then."""

    rng: random.Random
    rate: float
    host: str
    port: int
    strayed: list[str] = field(default_factory=list)
    own_port: int = 0

    async def listen(self) -> None:
        """Take connections, each passed on to the instrument by one of its own."""
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.own_port = server.sockets[0].getsockname()[1]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        replies, instrument = await asyncio.open_connection(self.host, self.port)
        asking = asyncio.ensure_future(self._ask(reader, instrument))
        with suppress(ConnectionError):
            while line := await replies.readline():
                await self._pass_on(line, writer)
        asking.cancel()
        writer.close()

    async def _ask(self, reader: asyncio.StreamReader, instrument: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            while data := await reader.read(4096):
                instrument.write(data)
        instrument.close()

    async def _pass_on(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        if self.rng.random() >= self.rate:
            writer.write(line)
            return
        ways: dict[str, Callable[[bytes, asyncio.StreamWriter], None]] = {
            "late": self._late,
            "in pieces": self._in_pieces,
            "twice": lambda reply, to: to.write(reply + reply),
            "garbage": lambda reply, to: to.write(self.rng.randbytes(len(reply)).replace(b"\n", b"?") + b"\n"),
            "no end": lambda reply, to: to.write(reply.rstrip(b"\n")),
            "missing": lambda reply, to: None,
        }
        way = self.rng.choice(list(ways))
        self.strayed.append(way)
        ways[way](line, writer)

    def _late(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        delay_s = METER_TIMEOUT_S * self.rng.uniform(0.3, 1.7)
        asyncio.get_running_loop().call_later(delay_s, _write, writer, line)

    def _in_pieces(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        cut = self.rng.randrange(len(line))
        writer.write(line[:cut])
        asyncio.get_running_loop().call_later(0.02, _write, writer, line[cut:])


def _write(writer: asyncio.StreamWriter, data: bytes) -> None:
    if not writer.is_closing():
        writer.write(data)


class Proxies:
    """An event loop in a thread of its own, in which the proxies live."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()

    def console(self, path: str, seed: int, rate: float) -> NoisyConsole:
        """A proxy in front of a terminal."""

        async def make() -> NoisyConsole:
            return NoisyConsole(path, seed, rate)

        return self._do(make())

    def meter(self, address: tuple[str, int], seed: int, rate: float) -> StrayReplies:
        """A proxy in front of an instrument."""
        made = StrayReplies(random.Random(seed), rate, *address)
        self._do(made.listen())
        return made

    def _do[T](self, work: Coroutine[object, object, T]) -> T: ...
