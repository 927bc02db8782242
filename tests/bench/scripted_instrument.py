"""An instrument of the tests' own, on a line that can be made to misbehave reply by reply.

Knows nothing of benchrig: message units split at ';', a register written by *ESE and read by *ESE?, an error queue.
The true voltage is another one at every question, so that an old answer can be told from a new one.
"""

from __future__ import annotations

import asyncio
import random
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable

MISCHIEF = (
    "late",
    "late on the newest connection",
    "single bytes",
    "doubled at once",
    "doubled after the next question",
    "noise before it",
    "noise instead",
    "a line of noise before it",
    "missing",
    "closed in the middle",
    "another token",
    "an old reply instead",
    "cut short",
)
_IN_THE_PLACE_OF_ANOTHER = ("late on the newest connection", "doubled after the next question", "an old reply instead")
ONE_BY_ONE = tuple(kind for kind in MISCHIEF if kind not in _IN_THE_PLACE_OF_ANOTHER)
"""What an instrument can be guarded against whose token travels apart: no whole answer in the place of another one."""
WITHOUT_TOKEN = ("late", "single bytes", "doubled at once", "noise instead", "missing", "closed in the middle")
"""What an instrument without a token can be guarded against: nothing that arrives whole, in time and out of turn."""


@dataclass
class ScriptedInstrument:
    """State and commands. `log` holds every message unit; `values` every voltage that was given out.

    `answers` adds queries or replaces them, `refused` names headers that end in the error queue, `ignored` those
    that are taken and do nothing.
    """

    identity: str = "Invented,M1,SN-1,0.1"
    numbers: dict[str, float] = field(default_factory=lambda: {"VOLT": 0.0, "CURR": 0.1, "VOLT:PROT": 6.6})
    is_on: bool = False
    function: str = ""
    errors: list[str] = field(default_factory=list)
    log: list[str] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    answers: dict[str, Callable[[], bytes]] = field(default_factory=dict)
    refused: frozenset[str] = frozenset()
    ignored: frozenset[str] = frozenset()
    _event_enable: int = 0

    def execute(self, message: str) -> bytes:
        """The response message, empty if there is none."""
        answers = [answer for unit in message.split(";") if (answer := self._unit(unit.strip().lstrip(":")))]
        return b";".join(answers)

    def _unit(self, unit: str) -> bytes:
        self.log.append(unit)
        header, _, parameter = unit.partition(" ")
        if header in self.ignored:
            return b""
        if header in self.refused:
            self.errors.append('-222,"Data out of range"')
            return b""
        if unit in self.answers:
            return self.answers[unit]()
        return self._query(unit) if unit.endswith("?") else self._set(header, parameter)

    def _query(self, unit: str) -> bytes:
        if unit == "MEAS:VOLT?":
            self.values.append(1.0 + 0.01 * len(self.values))
        known: dict[str, Callable[[], str]] = {
            "*IDN?": lambda: self.identity,
            "*ESE?": lambda: str(self._event_enable),
            "SYST:ERR?": lambda: self.errors.pop(0) if self.errors else '0,"No error"',
            "MEAS:VOLT?": lambda: f"{self.values[-1]:+.6E}",
            "READ?": lambda: {"VOLT": "3.7", "TEMP": "21.5"}.get(self.function, "0.0"),
            "OUTP?": lambda: str(int(self.is_on)),
        }
        if unit.rstrip("?") in self.numbers:
            return f"{self.numbers[unit.rstrip('?')]:+.6E}".encode("ascii")
        if unit in known:
            return known[unit]().encode("ascii")
        self.errors.append('-113,"Undefined header"')
        return b""

    def _set(self, header: str, parameter: str) -> bytes:
        if header == "*ESE":
            self._event_enable = int(parameter)
        elif header == "*CLS":
            self.errors.clear()
        elif header in self.numbers:
            self.numbers[header] = float(parameter)
        elif header == "OUTP":
            self.is_on = parameter == "ON"
        elif header == "FUNC":
            self.function = parameter
        else:
            self.errors.append('-113,"Undefined header"')
        return b""


def sound(_message: str) -> str:
    """The line that does nothing to any reply."""
    return ""


class RandomLine:
    """Picks what happens to a reply, `share` of them not sound; the same seed picks the same."""

    def __init__(self, seed: int, *, share: float, kinds: tuple[str, ...] = MISCHIEF) -> None:
        self._rng = random.Random(seed)
        self._share = share
        self._kinds = kinds

    def __call__(self, _message: str) -> str:
        return self._rng.choice(self._kinds) if self._rng.random() < self._share else ""


class InstrumentServer:
    """Serves one scripted instrument over TCP from a thread of its own. `line` may be changed at any time."""

    def __init__(
        self, instrument: ScriptedInstrument, line: Callable[[str], str] = sound, *, late_s: float = 0.06
    ) -> None:
        self.instrument = instrument
        self.line = line
        self.connections = 0
        self._late_s = late_s
        self._rng = random.Random(0)
        self._held = b""
        self._previous = b"1.0;1\n"
        self._newest: asyncio.StreamWriter | None = None
        self._serving: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._loop = asyncio.new_event_loop()
        self._stop = asyncio.Event()
        self._ready = threading.Event()
        self._port = 0
        self._thread = threading.Thread(target=self._run, name="scripted instrument")

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self._port}::SOCKET"

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._ready.wait(10.0):
            raise TimeoutError("the scripted instrument does not listen")
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(10.0)
        assert not self._thread.is_alive()

    def _run(self) -> None:
        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(self._serve())

    async def _serve(self) -> None:
        server = await asyncio.start_server(self._connection, "127.0.0.1", 0)
        self._port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._stop.wait()
        server.close()
        for writer in self._serving.values():
            writer.transport.abort()
        await asyncio.gather(*self._serving)

    async def _connection(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._newest = writer
        task = asyncio.current_task()
        assert task is not None
        self._serving[task] = writer
        try:
            while message := await reader.readline():
                reply = self.instrument.execute(message.decode("ascii").rstrip("\n"))
                if reply:
                    await self._reply(writer, message.decode("ascii"), reply + b"\n")
        except OSError:
            pass
        finally:
            writer.transport.abort()
            del self._serving[task]

    async def _reply(self, writer: asyncio.StreamWriter, message: str, reply: bytes) -> None:
        held, self._held = self._held, b""
        previous, self._previous = self._previous, reply
        kind = self.line(message)
        writer.write(held)
        if kind == "single bytes":
            await self._one_by_one(writer, reply)
        elif kind == "closed in the middle":
            writer.write(reply[: len(reply) // 2])
            await writer.drain()
            writer.close()
        elif kind.startswith("late"):
            self._loop.call_later(self._late_s, self._send_late, None if "newest" in kind else writer, reply)
        else:
            if kind == "doubled after the next question":
                self._held = reply
            writer.write(self._spoilt(kind, reply, previous))

    def _spoilt(self, kind: str, reply: bytes, previous: bytes) -> bytes:
        noise = bytes(self._rng.choice(range(0x80, 0x100)) for _ in range(8))
        spoilt = {
            "doubled at once": reply + reply,
            "noise before it": noise + reply,
            "noise instead": noise + b"\n",
            "a line of noise before it": noise + b"\n" + reply,
            "missing": b"",
            "another token": reply.rpartition(b";")[0] + b";%d\n" % self._rng.randrange(256, 999),
            "an old reply instead": previous,
            "cut short": reply[: len(reply) // 2] + b"\n",
        }
        return spoilt.get(kind, reply)

    async def _one_by_one(self, writer: asyncio.StreamWriter, reply: bytes) -> None:
        for byte in reply:
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0)

    def _send_late(self, writer: asyncio.StreamWriter | None, reply: bytes) -> None:
        """On that connection, or on the newest one; an ended one takes nothing."""
        target = writer or self._newest
        if target is not None and not target.transport.is_closing():
            target.write(reply)
